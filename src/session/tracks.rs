//! The files of one take → its tracks: toms numbered, pairs joined, names given.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::arrange::Item;
use super::config::{Named, Pairs, SessionFile};
use super::label::Label;
use super::names::folders::stem;
use super::names::reading::{Guess, LastIs, Reading};
use super::names::words::Vocabulary;
use super::slug::{Names, slug};
use super::{Mic, Side, Source, Track, TrackNote};
use crate::audio::Info;
use crate::error::{Error, Result};
use crate::finding::{Difference, Finding, FindingKind, Severity};
use crate::mix;
use crate::remark::Remark;
use crate::wording;
use crate::wording::remark::by_session_file;

/// A file, or one channel of a file with many, and what it is taken for.
pub(super) struct Part {
    path: PathBuf,
    info: Info,
    channel: Option<usize>,
    pub reading: Reading,
}

impl Part {
    /// One of a mono or stereo file; one for each channel of any other, by the names that the recorder
    /// gave the channels, else by the input list.
    pub fn of(item: Item, config: &SessionFile, vocabulary: &Vocabulary) -> Vec<Part> {
        let Item {
            path,
            info,
            reading,
            ..
        } = item;
        if info.channels <= 2 {
            return vec![Part {
                path,
                info,
                channel: None,
                reading,
            }];
        }
        let name = super::names::folders::name(&path);
        let channels = 0..info.channels;
        let part = |channel: usize| {
            let fits = |input: &&super::config::Input| {
                let file = input.file.as_ref().is_none_or(|p| p.glob.is_match(&name));
                input.channel == Some(channel + 1) && file
            };
            let input = config.inputs.iter().find(fits);
            let name = info.inside.tracks.get(channel).cloned().flatten();
            let mut reading = match &name {
                Some(name) => vocabulary.read(name, LastIs::Mic, &[]),
                None => Reading::new(),
            };
            match input.map(|input| input.mic) {
                Some(None) => return None, // left out by the session file
                _ if reading.is_known() => {
                    let name = name.unwrap_or_default();
                    let channel = channel + 1;
                    (reading.notes).push(Remark::RecorderNamedChannel { channel, name });
                }
                Some(Some(label)) => reading.give(label, by_session_file(Some(channel + 1))),
                None if name.is_some() && reading.guess != Guess::Nothing => {}
                None => {
                    let channel = channel + 1;
                    let because = Remark::ChannelWithoutName { channel };
                    reading.ask([] as [&str; 0], because);
                }
            }
            if reading.matched.is_empty() {
                reading.matched = wording::remark::channel(channel + 1);
            }
            Some(Part {
                path: path.clone(),
                info: info.clone(),
                channel: Some(channel),
                reading,
            })
        };
        channels.filter_map(part).collect()
    }
}

/// The tracks of a take in the order of the mic table, and the pairs whose sides are two of them.
///
/// # Errors
/// A name that cannot be, or one name for two tracks.
pub(super) fn tracks_of(
    mut parts: Vec<Part>,
    song: &str,
    take: &str,
    config: &SessionFile,
) -> Result<(Vec<Track>, Vec<Track>)> {
    settle_if_free(&mut parts);
    let mut tracks: Vec<Track> = parts.into_iter().map(track).collect();
    // In the order of the table, the first of each kind first; files in the order of their paths.
    tracks.sort_by(|a, b| {
        let key = |t: &Track| (t.mic, t.side, t.index);
        let path = |t: &Track| t.sources.first().map(|s| (s.path.clone(), s.channel));
        key(a).cmp(&key(b)).then_with(|| path(a).cmp(&path(b)))
    });
    number_doubles(&mut tracks);
    let mut pairs = Vec::new();
    tracks = join_pairs(tracks, config.pairs, &mut pairs);
    tracks.sort_by_key(|t| (t.mic, t.index, t.side));
    let mut labels = Names::default();
    for track in &mut tracks {
        if !track.mic.is_unknown() {
            let (mic, side, index) = (track.mic, track.side, track.index);
            track.label = Label { mic, side, index }.to_string();
        }
        let label = labels.take(&track.label);
        if label != track.label {
            let second = std::mem::replace(&mut track.label, label);
            note(track, false, &Remark::SecondLabel { label: second });
        }
    }
    let mut names: BTreeMap<String, String> = BTreeMap::new();
    for track in &mut tracks {
        let first = track.sources.first();
        let rate_hz = first.map_or(0, |s| s.info.rate_hz);
        let name = config.name(&Named {
            song,
            take,
            label: &track.label,
            side: track.side,
            group: config.group_of(track.mic),
            rate_hz,
        });
        let file = first
            .map(|s| s.path.display().to_string())
            .unwrap_or_default();
        track.name = name.map_err(|reason| {
            let text = format!(
                "the name of {song}/{take}/{} ({file}) {reason}",
                track.label
            );
            Error::input(text).hint("change `naming.template` in the session file")
        })?;
        if let Some(other) = names.insert(track.name.to_ascii_lowercase(), track.label.clone()) {
            let text = format!(
                "`{other}` and `{}` of {song}/{take} would both be called `{}`",
                track.label, track.name
            );
            let hint = "put `{mic}` into `naming.template` of the session file";
            return Err(Error::input(text).hint(hint));
        }
    }
    for pair in &mut pairs {
        let place = |track: &Track| track.sources.first().map(|s| (s.path.clone(), s.channel));
        if let Some(left) = tracks.iter().find(|track| place(track) == place(pair)) {
            pair.name.clone_from(&left.name);
        }
    }
    Ok((tracks, pairs))
}

/// `Kick` alone is the inside mic if no other file says that it is.
fn settle_if_free(parts: &mut [Part]) {
    let sure: BTreeSet<Mic> = parts
        .iter()
        .filter_map(|part| match part.reading.guess {
            Guess::Mic(mic) => Some(mic),
            _ => None,
        })
        .collect();
    for part in parts {
        let Guess::IfFree(mic) = part.reading.guess else {
            continue;
        };
        if !sure.contains(&mic) {
            part.reading.guess = Guess::Mic(mic);
            continue;
        }
        let others = ["kick-out", "kick-sub", "snare-bottom", "snare-side"];
        let mut others = others.iter().filter_map(|name| Mic::named(name));
        let free = others.find(|other| other.family == mic.family && !sure.contains(other));
        let candidates = free.map(|mic| mic.to_string()).into_iter();
        let candidates: Vec<_> = candidates.chain([format!("{mic}-2")]).collect();
        part.reading.notes.clear();
        let mic = mic.to_string();
        part.reading.ask(candidates, Remark::MicIsThere { mic });
    }
}

/// A track of one source, without its number among others and without its name.
fn track(part: Part) -> Track {
    let Part {
        path,
        info,
        channel,
        reading,
    } = part;
    let mut track = Track {
        mic: Mic::unknown(),
        side: None,
        index: 1,
        label: String::new(),
        name: String::new(),
        sources: Vec::new(),
        why: String::new(),
        notes: Vec::new(),
        candidates: Vec::new(),
        already_driven: reading.already_driven,
    };
    match reading.guess {
        Guess::Mic(mic) | Guess::IfFree(mic) => {
            track.mic = mic;
            (track.side, track.index) = (reading.side, reading.index.max(1));
            track.why = wording::remark::taken_by(&reading.matched, reading.given);
        }
        Guess::Ask {
            candidates,
            because,
        } => {
            track.why = wording::remark::uncertain(&reading.matched);
            let kind = FindingKind::UnknownMic {
                candidates: candidates.clone(),
                because: Some(because),
            };
            found(&mut track, kind);
            track.candidates = candidates;
        }
        Guess::Tom(_) | Guess::Nothing => {
            track.why = wording::remark(&Remark::NoWordOfAMic);
            let kind = FindingKind::UnknownMic {
                candidates: Vec::new(),
                because: None,
            };
            found(&mut track, kind);
        }
    }
    if track.mic.is_unknown() {
        let plain = slug(&stem(&path));
        let plain = if plain.is_empty() {
            "file".to_owned()
        } else {
            plain
        };
        track.label = match channel {
            Some(channel) => format!("{plain}-ch-{:02}", channel + 1),
            None => plain,
        };
    }
    if !reading.ignored.is_empty() {
        track.why += &wording::remark::ignoring(&reading.ignored);
    }
    for remark in reading.warnings {
        note(&mut track, true, &remark);
    }
    for remark in reading.notes {
        note(&mut track, false, &remark);
    }
    if let Some(truncation) = info.truncated {
        found(&mut track, FindingKind::Truncated(truncation));
    }
    // Once for a file of many tracks; a file that was cut short has said why its header is odd.
    let said = info.truncated.is_some() || channel.is_some_and(|channel| channel > 0);
    for text in info.oddities.iter().filter(|_| !said) {
        track.notes.push(TrackNote {
            ask: false,
            text: text.clone(),
            finding: Some(FindingKind::OddHeader { what: text.clone() }),
        });
    }
    track.sources.push(Source {
        path,
        info,
        channel,
        lead_frames: 0,
    });
    track
}

fn note(track: &mut Track, ask: bool, remark: &Remark) {
    track.notes.push(TrackNote {
        ask,
        text: wording::remark(remark),
        finding: None,
    });
}

/// A note that becomes a finding of the track.
pub(super) fn found(track: &mut Track, kind: FindingKind) {
    track.notes.push(TrackNote {
        ask: true,
        text: wording::finding(&Finding::new(kind.clone(), Severity::Warning, 1.0)).what,
        finding: Some(kind),
    });
}

/// The same mic twice: both are kept, the later one gets the next free number.
fn number_doubles(tracks: &mut [Track]) {
    let mut taken: BTreeSet<(Mic, Option<Side>, u32)> = BTreeSet::new();
    let mut next: BTreeMap<(Mic, Option<Side>), u32> = BTreeMap::new();
    for track in tracks.iter_mut().filter(|t| !t.mic.is_unknown()) {
        let (mic, side) = (track.mic, track.side);
        let wanted = track.index;
        let next = next.entry((mic, side)).or_insert(2);
        while !taken.insert((mic, side, track.index)) {
            track.index = *next;
            *next += 1;
        }
        if track.index != wanted {
            let label = Label {
                mic,
                side,
                index: wanted,
            };
            let label = label.to_string();
            note(track, true, &Remark::NumberedOn { label });
        }
    }
}

/// Joins left and right of a mic that is a pair into one stereo track. Sides that cannot be one track,
/// or are to stay two, are added to `pairs` beside.
fn join_pairs(tracks: Vec<Track>, wanted: Pairs, pairs: &mut Vec<Track>) -> Vec<Track> {
    let mut joined: Vec<Track> = Vec::new();
    let mut lefts: BTreeMap<(Mic, u32), usize> = BTreeMap::new();
    for mut track in tracks {
        let key = (track.mic, track.index);
        if !track.mic.pair || !matches!(track.side, Some(Side::L | Side::R)) {
            joined.push(track);
            continue;
        }
        if track.side == Some(Side::L) {
            lefts.insert(key, joined.len());
            joined.push(track);
            continue;
        }
        let Some(left) = lefts.get(&key).and_then(|at| joined.get_mut(*at)) else {
            joined.push(track);
            continue;
        };
        let fit = fit(left, &track);
        match (fit, wanted) {
            (Ok(leads), Pairs::Stereo) => {
                let padded = padded(left, &track, leads);
                let mut right = place(left, &mut track, leads);
                left.why = wording::remark::both(&left.why, &track.why);
                left.sources.append(&mut right);
                left.notes.append(&mut track.notes);
                left.notes.dedup();
                left.already_driven |= track.already_driven;
                left.side = None;
                if let Some(kind) = padded {
                    let finding = Finding::new(kind.clone(), Severity::Note, 1.0);
                    left.notes.push(TrackNote {
                        ask: false,
                        text: wording::finding(&finding).what,
                        finding: Some(kind),
                    });
                }
            }
            (fit, _) => {
                let leads = fit.as_ref().map_or([0, 0], |leads| *leads);
                if left.channels() == 1 && track.channels() == 1 {
                    pairs.push(both(left, &track, leads));
                }
                if let (Err(difference), Pairs::Stereo) = (fit, wanted) {
                    for track in [left, &mut track] {
                        let difference = difference.clone();
                        found(track, FindingKind::PairMismatch { difference });
                    }
                }
                joined.push(track);
            }
        }
    }
    joined
}

/// Puts the silence that each side needs ahead of it; the sources of the right one.
fn place(left: &mut Track, right: &mut Track, leads: [u64; 2]) -> Vec<Source> {
    for (track, lead) in [&mut *left, &mut *right].into_iter().zip(leads) {
        for source in &mut track.sources {
            source.lead_frames = lead;
        }
    }
    std::mem::take(&mut right.sources)
}

/// Two sides that stay two tracks, as one stereo track beside them.
fn both(left: &Track, right: &Track, leads: [u64; 2]) -> Track {
    let (mut pair, mut right) = (left.clone(), right.clone());
    let mut sources = place(&mut pair, &mut right, leads);
    pair.sources.append(&mut sources);
    pair.side = None;
    let (mic, side, index) = (pair.mic, None, pair.index);
    pair.label = Label { mic, side, index }.to_string();
    pair.notes.clear();
    pair.already_driven |= right.already_driven;
    pair
}

/// Sides without time references that end within this are taken to begin together: recorders stop
/// their files one after the other. Common practice, no source.
const APART_S: u64 = 1;

/// The silence ahead of each side (frames) that makes them one track, or in what they differ so that
/// they cannot be one.
fn fit(left: &Track, right: &Track) -> std::result::Result<[u64; 2], Difference> {
    let (Some(l), Some(r)) = (left.sources.first(), right.sources.first()) else {
        return Err(Difference::Channels);
    };
    let (l, r) = (&l.info, &r.info);
    if left.channels() != 1 || right.channels() != 1 {
        return Err(Difference::Channels);
    }
    let rate_hz = l.rate_hz;
    if l.rate_hz != r.rate_hz {
        return Err(Difference::Rate {
            left_hz: l.rate_hz,
            right_hz: r.rate_hz,
        });
    }
    let (Some(left_samples), Some(right_samples)) =
        (l.time_reference_samples, r.time_reference_samples)
    else {
        let apart = l.frames.abs_diff(r.frames) > APART_S * u64::from(rate_hz);
        let length = Difference::Length {
            left_frames: l.frames,
            right_frames: r.frames,
            rate_hz,
        };
        return if apart { Err(length) } else { Ok([0, 0]) };
    };
    let times = [
        (Some(left_samples), l.frames),
        (Some(right_samples), r.frames),
    ];
    let placed = mix::place(&times);
    // Sides of one performance sound together: of these one of the time references is wrong.
    match placed.offsets[..] {
        [left, right] if !placed.disbelieved => Ok([left, right]),
        _ => Err(Difference::Start {
            left_samples,
            right_samples,
            rate_hz,
        }),
    }
}

/// What a person should know of sides that begin or end at different times.
fn padded(left: &Track, right: &Track, leads: [u64; 2]) -> Option<FindingKind> {
    let (l, r) = (&left.sources.first()?.info, &right.sources.first()?.info);
    let later_s =
        |left: u64, right: u64| (right as f64 - left as f64) / f64::from(l.rate_hz.max(1));
    let (starts, ends) = (
        later_s(leads[0], leads[1]),
        later_s(leads[0] + l.frames, leads[1] + r.frames),
    );
    (starts != 0.0 || ends != 0.0).then_some(FindingKind::SidesPadded {
        right_starts_later_s: starts,
        right_ends_later_s: ends,
    })
}
