//! Faults of one track, planted in the close mics of simulated takes of 24 s.

use batterhead::analysis::testbed::*;
use batterhead::analysis::{Listener, same_sound};
use batterhead::audio::{Info, SampleFormat};
use batterhead::block::Block;
use batterhead::finding::Code;
use batterhead::measure::Survey;
use batterhead::measure::inspect::{Inspection, confirm_clicks};
use batterhead::session::Family;

use super::{RATE, take};

const SCALE: f64 = 8_388_608.0;

struct Track {
    samples: Vec<f64>,
    /// When anything was struck.
    strokes_s: Vec<f64>,
}

fn tracks() -> Vec<Track> {
    (0..6)
        .flat_map(|i| {
            let sim = take(3500 + i, -12.0, i, None);
            let strokes_s: Vec<f64> = sim.strokes.iter().map(|s| s.at_s).collect();
            let close = sim.mics.into_iter().take(4);
            close
                .map(|mic| {
                    let peak = mic.samples.iter().fold(1e-9, |m: f64, x| m.max(x.abs()));
                    Track {
                        samples: mic
                            .samples
                            .iter()
                            .map(|x| rounded(0.5 * x / peak))
                            .collect(),
                        strokes_s: strokes_s.clone(),
                    }
                })
                .collect::<Vec<_>>()
        })
        .collect()
}

fn rounded(x: f64) -> f64 {
    (x * SCALE).round() / SCALE
}

fn inspect(samples: Vec<f64>) -> Inspection {
    let info = Info {
        rate_hz: RATE as u32,
        channels: 1,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames: samples.len() as u64,
        time_reference_samples: None,
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    };
    let mut survey = Survey::new(&info, 1);
    survey.push(&Block::from_channels(vec![
        samples.into_iter().map(rounded).collect(),
    ]));
    survey.finish().1
}

fn row(
    tracks: &[Track],
    what: &str,
    floor: &str,
    values: &[f64],
    mut found: impl FnMut(&Track, f64, &mut Rng) -> bool,
) {
    print!("  {what:40}");
    for &value in values {
        let mut rng = Rng::new(71);
        let count = tracks.iter().filter(|t| found(t, value, &mut rng)).count();
        print!("  {value}: {count}/{}", tracks.len());
    }
    println!("   (floor {floor})");
}

/// A place where the track sounds, away from its ends.
fn place(track: &Track, rng: &mut Rng) -> usize {
    loop {
        let at = rng.uniform(20_000.0, track.samples.len() as f64 - 20_000.0) as usize;
        if track.samples[at..at + 64].iter().any(|x| x.abs() > 0.003) {
            return at;
        }
    }
}

fn has(inspection: &Inspection, code: Code) -> bool {
    inspection.findings.iter().any(|f| f.code() == code)
}

/// A hum of this fundamental with two odd harmonics, RMS 1.
fn hum(hz: f64, frames: usize) -> impl Iterator<Item = f64> {
    let lines = [(1.0, 1.0), (3.0, 0.5), (5.0, 0.25)];
    let rms = (lines
        .iter()
        .map(|l: &(f64, f64)| l.1 * l.1 / 2.0)
        .sum::<f64>())
    .sqrt();
    (0..frames).map(move |n| {
        let t = std::f64::consts::TAU * hz * n as f64 / RATE;
        lines.iter().map(|(h, a)| a * (h * t).sin()).sum::<f64>() / rms
    })
}

pub(crate) fn problems() {
    let tracks = tracks();
    println!(
        "faults of one track, found in {} close mics of 24 s:",
        tracks.len()
    );
    let mut false_alarms: Vec<String> = Vec::new();
    for track in &tracks {
        let inspection = inspect(track.samples.clone());
        false_alarms.extend(inspection.findings.iter().map(|f| format!("{:?}", f.kind)));
        let clicks = confirm_clicks(&inspection.clicks, &track.strokes_s);
        false_alarms.extend(clicks.map(|f| format!("{:?}", f.kind)));
    }
    println!(
        "  clean: {} false alarms {false_alarms:?} (floor: clicks 0.75 a minute, else none)",
        false_alarms.len()
    );
    row(
        &tracks,
        "clipped by dB",
        "14, 17, 22, 24",
        &[0.5, 1.0, 3.0, 6.0],
        |t, db, _| {
            let top = 0.5 * ratio(-db);
            let cut = t.samples.iter().map(|x| x.clamp(-top, top)).collect();
            has(&inspect(cut), Code::Clipped)
        },
    );
    row(
        &tracks,
        "clipped by dB, trimmed by 3.7 dB",
        "the same",
        &[1.0, 3.0, 6.0],
        |t, db, _| {
            let top = 0.5 * ratio(-db);
            let cut = t
                .samples
                .iter()
                .map(|x| rounded(x.clamp(-top, top)) * ratio(-3.7))
                .collect();
            has(&inspect(cut), Code::Clipped)
        },
    );
    for (what, kind) in [
        ("zeros, samples", 0),
        ("one value held, samples", 1),
        ("a buffer twice, samples", 2),
    ] {
        let values: &[f64] = match kind {
            0 => &[6.0, 16.0, 64.0, 512.0],
            1 => &[16.0, 64.0, 512.0],
            _ => &[64.0, 128.0, 512.0],
        };
        row(&tracks, what, "24 each", values, |t, n, rng| {
            let (at, n) = (place(t, rng), n as usize);
            let mut x = t.samples.clone();
            match kind {
                0 => x[at..at + n].fill(0.0),
                1 => {
                    let value = x[at];
                    x[at..at + n].fill(value);
                }
                _ => x.copy_within(at - n..at, at),
            }
            has(&inspect(x), Code::Dropout)
        });
    }
    row(
        &tracks,
        "click under playing, dBFS",
        "5, 7, 12, 17",
        &[-40.0, -30.0, -20.0, -10.0],
        |t, db, rng| {
            let at = place(t, rng);
            let mut x = t.samples.clone();
            x[at] -= x[at].signum() * ratio(db);
            let near = |s: &f64| (s * RATE - at as f64).abs() < 12.0;
            let found = confirm_clicks(&inspect(x).clicks, &t.strokes_s);
            found.is_some_and(|f| f.at_s.iter().any(near))
        },
    );
    for (what, gap, floor, values) in [
        (
            "hum 50.02 Hz, a gap of 2 s, dBFS",
            2.2,
            "24 each",
            &[-90.0, -70.0, -50.0][..],
        ),
        (
            "hum 50.02 Hz, a gap of 1.2 s, dBFS",
            1.2,
            "not tried",
            &[-90.0, -70.0, -50.0],
        ),
        (
            "hum 50.02 Hz, playing, dBFS",
            0.0,
            "2 at -50, 21 at -40",
            &[-60.0, -50.0, -40.0],
        ),
    ] {
        row(&tracks, what, floor, values, |t, db, rng| {
            let ahead = (gap * RATE) as usize;
            let mut x: Vec<f64> = (0..ahead).map(|_| rng.normal(1e-5)).collect();
            x.extend(&t.samples);
            let line = hum(50.02, x.len());
            x.iter_mut()
                .zip(line)
                .for_each(|(x, h)| *x += ratio(db) * h);
            let found = inspect(x).hum;
            found.is_some_and(|h| (h.frequency_hz - 50.02).abs() < 0.1 && h.wrong_rate.is_none())
        });
    }
    row(
        &tracks,
        "hum at 45.94 Hz: a wrong rate, dBFS",
        "not tried",
        &[-80.0, -60.0],
        |t, db, rng| {
            let mut x: Vec<f64> = (0..105_600).map(|_| rng.normal(1e-5)).collect();
            x.extend(&t.samples);
            let line = hum(45.9375, x.len());
            x.iter_mut()
                .zip(line)
                .for_each(|(x, h)| *x += ratio(db) * h);
            inspect(x).hum.is_some_and(|h| h.wrong_rate.is_some())
        },
    );
    row(
        &tracks,
        "DC offset, dBFS",
        "5, 23, 24",
        &[-70.0, -60.0, -50.0],
        |t, db, _| {
            let x = t.samples.iter().map(|x| x + ratio(db)).collect();
            has(&inspect(x), Code::DcOffset)
        },
    );
    let trace = |x: &[f64]| {
        let mut listener = Listener::new(Family::Snare, RATE as u32, 1);
        listener.push(&Block::from_channels(vec![x.to_vec()]));
        listener.finish()
    };
    row(
        &tracks,
        "the same sound, -6 dB, inverted, 480 late",
        "24",
        &[480.0],
        |t, late, _| {
            let mut x = vec![0.0; late as usize];
            x.extend(t.samples.iter().map(|x| rounded(-0.5 * x)));
            same_sound(&trace(&t.samples), &trace(&x)).is_some()
        },
    );
    let others = (1..tracks.len()).filter(|&i| {
        same_sound(&trace(&tracks[i - 1].samples), &trace(&tracks[i].samples)).is_some()
    });
    println!(
        "    of {} pairs of different mics: {} taken for copies (floor 0)",
        tracks.len() - 1,
        others.count()
    );
}
