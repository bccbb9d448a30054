//! Strokes for other programs: `hits/SONG/TAKE.csv` and the same as a standard MIDI file.
//!
//! MIDI: format 1, a tempo track and one track on channel 10. Division and tempo are such that one
//! tick is one frame of the take, whatever its musical tempo. Sources: Standard MIDI Files 1.0 and
//! General MIDI Level 1 (MIDI Manufacturers Association), percussion key map.

use std::collections::BTreeMap;
use std::io::{self, Write};

use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

use crate::analysis::playing::{Stroke, Strokes};
use crate::session::config::Hits;

/// Rows of the CSV begin here; below it lies bleed.
pub const LISTED: f64 = 0.2;
/// Channel 10, counted from 0.
const PERCUSSION: u4 = u4::new(9);
/// Length of a note, in seconds: a drum's note-off means nothing, but readers want one.
const NOTE_S: f64 = 0.05;

/// What a drum's loudest sure stroke in the set-up is, in dBFS, by drum.
pub type Loudest = BTreeMap<String, f64>;

/// The note of a drum, with its side or without it: what `given` says, else that of General MIDI;
/// `None` where it has none.
pub fn note(drum: &str, given: &[(String, u8)]) -> Option<u8> {
    const NOTES: [(&str, u8); 14] = [
        ("kick", 36),
        ("snare", 38),
        ("tom-1", 50),
        ("tom-2", 48),
        ("tom-3", 45),
        ("tom-4", 43),
        ("tom-5", 41),
        ("tom-6", 47),
        ("hat", 42),
        ("crash", 49),
        ("ride", 51),
        ("china", 52),
        ("splash", 55),
        ("cymbal", 57),
    ];
    let whole = (drum.strip_suffix("-l"))
        .or_else(|| drum.strip_suffix("-r"))
        .unwrap_or(drum);
    let given = |drum: &str| given.iter().find(|n| n.0 == drum).map(|n| n.1);
    let general = NOTES.iter().find(|n| n.0 == whole).map(|n| n.1);
    given(drum).or_else(|| given(whole)).or(general)
}

/// 1 to 127: a stroke as loud as the loudest has 127, one 40 dB below it a tenth of that.
pub fn velocity(level_dbfs: Option<f64>, loudest_dbfs: Option<f64>) -> u8 {
    let Some((level, loudest)) = level_dbfs.zip(loudest_dbfs) else {
        return 1;
    };
    let velocity = 127.0 * libm::pow(10.0, (level - loudest) / 40.0);
    velocity.round().clamp(1.0, 127.0) as u8
}

/// Strokes of a take as they are listed, with the velocity of each.
fn listed<'a>(
    strokes: &'a Strokes,
    loudest: &'a Loudest,
) -> impl Iterator<Item = (&'a str, &'a Stroke, u8)> {
    let listed = strokes.list.iter().filter(|s| s.probability >= LISTED);
    listed.map(|stroke| {
        let drum = strokes.drums[usize::from(stroke.drum)].0.as_str();
        let loudest = loudest.get(drum).copied();
        (drum, stroke, velocity(stroke.level_dbfs, loudest))
    })
}

/// Writes the CSV, a line a stroke, in order of samples.
pub fn write_csv(strokes: &Strokes, loudest: &Loudest, sink: impl Write) -> io::Result<()> {
    let mut csv = csv::WriterBuilder::new().from_writer(sink);
    csv.write_record([
        "drum",
        "seconds",
        "sample",
        "dbfs",
        "velocity",
        "probability",
        "in_take",
    ])?;
    for (drum, stroke, velocity) in listed(strokes, loudest) {
        let seconds = stroke.frame as f64 / f64::from(strokes.rate_hz.max(1));
        csv.write_record([
            drum,
            &format!("{seconds:.6}"),
            &stroke.frame.to_string(),
            &stroke
                .level_dbfs
                .map_or(String::new(), |l| format!("{l:.2}")),
            &velocity.to_string(),
            &format!("{:.3}", stroke.probability),
            if stroke.in_take { "1" } else { "0" },
        ])?;
    }
    csv.flush()
}

/// Ticks a quarter note and microseconds a quarter note that make one tick one frame. Exact for every
/// rate that has a divisor in common with a second, which all usual ones have; else right to a
/// millionth, and ticks still count frames.
pub fn tick(rate_hz: u32) -> (u16, u32) {
    const MICROSECONDS: u64 = 1_000_000;
    const MOST: u64 = 32_767;
    let rate = u64::from(rate_hz.max(1));
    for tempo in [500_000, 250_000, 125_000, 62_500] {
        let division = tempo * rate / MICROSECONDS;
        if tempo * rate % MICROSECONDS == 0 && (1..=MOST).contains(&division) {
            return (division as u16, tempo as u32);
        }
    }
    let tempo = |division: u64| (division * MICROSECONDS + rate / 2) / rate;
    let off = |division: u64| (tempo(division) * rate).abs_diff(division * MICROSECONDS);
    // As a share of the tempo: the larger division wins where two are as near.
    let best = (1..=MOST).min_by(|&a, &b| (off(a) * b).cmp(&(off(b) * a)).then(b.cmp(&a)));
    let division = best.unwrap_or(MOST);
    (division as u16, tempo(division) as u32)
}

/// The bytes of a standard MIDI file with the strokes of all drums or of `one`; `title` names it.
pub fn midi(
    strokes: &Strokes,
    loudest: &Loudest,
    title: &str,
    asked: &Hits,
    one: Option<&str>,
) -> Vec<u8> {
    let (division, tempo) = tick(strokes.rate_hz);
    let meta = |message| TrackEvent {
        delta: u28::new(0),
        kind: TrackEventKind::Meta(message),
    };
    let end = meta(MetaMessage::EndOfTrack);
    let title: String = title.chars().filter(char::is_ascii).collect();
    let tempo_track = vec![
        meta(MetaMessage::TrackName(title.as_bytes())),
        meta(MetaMessage::Tempo(u24::new(tempo))),
        end,
    ];
    let name = one.unwrap_or("drums");
    let mut track = vec![meta(MetaMessage::TrackName(name.as_bytes()))];
    let mut last = 0;
    for (frame, key, vel) in messages(strokes, loudest, asked, one) {
        let mut delta = frame - last;
        while delta > u64::from(u28::max_value().as_int()) {
            // A delta time has 28 bits: an empty text bridges longer rests.
            track.push(TrackEvent {
                delta: u28::max_value(),
                kind: TrackEventKind::Meta(MetaMessage::Text(b"")),
            });
            delta -= u64::from(u28::max_value().as_int());
        }
        let message = match vel {
            0 => MidiMessage::NoteOff {
                key,
                vel: u7::new(64),
            },
            _ => MidiMessage::NoteOn {
                key,
                vel: u7::new(vel),
            },
        };
        track.push(TrackEvent {
            delta: u28::new(delta as u32),
            kind: TrackEventKind::Midi {
                channel: PERCUSSION,
                message,
            },
        });
        last = frame;
    }
    track.push(end);
    let timing = Timing::Metrical(u15::new(division));
    let file = Smf {
        header: Header::new(Format::Parallel, timing),
        tracks: vec![tempo_track, track],
    };
    let mut bytes = Vec::new();
    // Writing to memory does not fail.
    let _ = file.write_std(&mut bytes);
    bytes
}

/// Notes on (with a velocity) and off (0) in order of frames, off before on.
fn messages(
    strokes: &Strokes,
    loudest: &Loudest,
    asked: &Hits,
    one: Option<&str>,
) -> Vec<(u64, u7, u8)> {
    let length = (NOTE_S * f64::from(strokes.rate_hz)).round().max(1.0) as u64;
    let mut all: Vec<(u64, u7, u8)> = Vec::new();
    // Where the last note of each key was struck.
    let mut open: BTreeMap<u8, u64> = BTreeMap::new();
    let end = |on: u64, next: u64| (on + length).min(next).max(on + 1);
    for (drum, stroke, velocity) in listed(strokes, loudest) {
        let wanted = stroke.probability >= asked.threshold && one.is_none_or(|one| one == drum);
        let Some(key) = note(drum, &asked.notes).filter(|_| wanted) else {
            continue;
        };
        all.push((stroke.frame, u7::new(key), velocity));
        if let Some(on) = open.insert(key, stroke.frame) {
            all.push((end(on, stroke.frame), u7::new(key), 0));
        }
    }
    all.extend(
        open.into_iter()
            .map(|(key, on)| (end(on, u64::MAX), u7::new(key), 0)),
    );
    // Two drums of one key struck at once: both notes begin before one ends.
    all.sort_by_key(|&(frame, key, velocity)| (frame, velocity != 0, key));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strokes(rate_hz: u32, frames: &[(u16, u64, f64, f64)]) -> Strokes {
        let name = |n: &str| (n.to_owned(), n.to_owned());
        Strokes {
            rate_hz,
            drums: ["kick", "snare", "china-r"].map(name).into(),
            list: frames
                .iter()
                .map(|&(drum, frame, level, probability)| Stroke {
                    drum,
                    frame,
                    level_dbfs: Some(level),
                    probability,
                    in_take: true,
                })
                .collect(),
            clicks_s: Vec::new(),
        }
    }

    #[test]
    fn one_tick_is_one_frame_at_every_usual_rate() {
        for rate_hz in [
            8_000, 11_025, 16_000, 22_050, 32_000, 44_056, 44_100, 47_952, 48_000, 48_048, 88_200,
            96_000, 176_400, 192_000, 384_000,
        ] {
            let (division, tempo) = tick(rate_hz);
            assert!((1..=32_767).contains(&division));
            assert_eq!(
                u64::from(tempo) * u64::from(rate_hz),
                u64::from(division) * 1_000_000,
                "{rate_hz}"
            );
        }
        // a prime above the largest division
        let (division, tempo) = tick(48_017);
        let seconds = f64::from(tempo) / f64::from(division) / 1e6;
        assert!(
            (seconds * 48_017.0 - 1.0).abs() < 1e-6,
            "{division} {tempo}"
        );
    }

    #[test]
    fn velocities_follow_the_levels() {
        assert_eq!(velocity(Some(-6.0), Some(-6.0)), 127);
        assert_eq!(velocity(Some(-12.0), Some(-6.0)), 90);
        assert_eq!(velocity(Some(-46.0), Some(-6.0)), 13);
        assert_eq!(velocity(Some(-200.0), Some(-6.0)), 1);
        assert_eq!(velocity(Some(-3.0), Some(-6.0)), 127);
        assert_eq!(velocity(None, Some(-6.0)), 1);
    }

    #[test]
    fn sides_have_the_note_of_their_drum() {
        assert_eq!(note("china-r", &[]), Some(52));
        assert_eq!(note("tom-6", &[]), Some(47));
        assert_eq!(note("mystery", &[]), None);
        let given = [("china".to_owned(), 30), ("china-r".to_owned(), 31)];
        assert_eq!(note("china-r", &given), Some(31));
        assert_eq!(note("china-l", &given), Some(30));
        assert_eq!(note("tom-6", &given), Some(47));
    }

    #[test]
    fn a_file_reads_back_frame_for_frame() {
        let long = u64::from(u28::max_value().as_int()) * 2 + 77;
        let strokes = strokes(
            192_000,
            &[
                (0, 0, -3.0, 0.9),
                (1, 0, -6.0, 0.9),
                (0, 100, -9.0, 0.4),
                (2, 960, -9.0, 0.5),
                (2, 2000, -9.0, 0.7),
                (0, long, -3.0, 0.9),
            ],
        );
        let loudest = Loudest::from([("kick".to_owned(), -3.0), ("snare".to_owned(), -6.0)]);
        let bytes = midi(
            &strokes,
            &loudest,
            "low-tide take-03",
            &Hits::default(),
            None,
        );
        assert_eq!(&bytes[..14], b"MThd\0\0\0\x06\0\x01\0\x02\x5d\xc0");
        let file = Smf::parse(&bytes).unwrap();
        let mut at = 0u64;
        let mut on = Vec::new();
        let mut sounding = 0;
        for event in &file.tracks[1] {
            at += u64::from(event.delta.as_int());
            match event.kind {
                TrackEventKind::Midi {
                    message: MidiMessage::NoteOn { key, vel },
                    channel,
                } => {
                    assert_eq!(channel.as_int(), 9);
                    on.push((at, key.as_int(), vel.as_int()));
                    sounding += 1;
                }
                TrackEventKind::Midi { .. } => sounding -= 1,
                _ => {}
            }
        }
        assert_eq!(sounding, 0);
        assert_eq!(
            on,
            [
                (0, 36, 127),
                (0, 38, 127),
                (960, 52, 1),
                (2000, 52, 1),
                (long, 36, 127)
            ]
        );
    }

    #[test]
    fn one_drum_and_another_threshold_can_be_asked_for() {
        let strokes = strokes(48_000, &[(0, 10, -3.0, 0.9), (1, 20, -6.0, 0.6)]);
        let loudest = Loudest::new();
        let keys = |asked: &Hits, one: Option<&str>| -> Vec<u8> {
            let on = |(_, key, velocity): (u64, u7, u8)| (velocity > 0).then_some(key.as_int());
            let all = messages(&strokes, &loudest, asked, one);
            all.into_iter().filter_map(on).collect()
        };
        assert_eq!(keys(&Hits::default(), None), [36, 38]);
        assert_eq!(keys(&Hits::default(), Some("snare")), [38]);
        let strict = Hits {
            threshold: 0.7,
            notes: vec![("kick".to_owned(), 35)],
            ..Hits::default()
        };
        assert_eq!(keys(&strict, None), [35]);
    }

    #[test]
    fn the_csv_lists_what_may_be_a_stroke() {
        let strokes = strokes(
            48_000,
            &[(0, 24_000, -3.456, 0.91), (1, 24_001, -9.0, 0.19)],
        );
        let loudest = Loudest::from([("kick".to_owned(), -3.456)]);
        let mut text = Vec::new();
        write_csv(&strokes, &loudest, &mut text).unwrap();
        assert_eq!(
            String::from_utf8(text).unwrap(),
            "drum,seconds,sample,dbfs,velocity,probability,in_take\n\
             kick,0.500000,24000,-3.46,127,0.910,1\n"
        );
    }
}
