//! The table of what is found and what is cried wolf over, on invented takes of four drums:
//! `cargo test --lib inspect::table -- --nocapture`.

use super::*;
use crate::dsp::random::Random;
use crate::finding::Code;
use crate::measure::Levels;
use crate::measure::survey::tests::survey;
use crate::measure::testing::{CYMBALS, Drum, KICK, SNARE, TOM, quantise, take};

const RATE_HZ: u32 = 48_000;
const SECONDS: f64 = 6.0;
const TRACKS: usize = 24;

struct Track {
    samples: Vec<f64>,
    strokes_s: Vec<f64>,
}

fn tracks() -> Vec<Track> {
    (0..TRACKS as u64)
        .map(|i| {
            let own: Drum = [KICK, SNARE, TOM, CYMBALS][i as usize % 4];
            let (samples, strokes) = take(100 + i, RATE_HZ, SECONDS, &own);
            let strokes_s = strokes
                .iter()
                .map(|&f| f as f64 / f64::from(RATE_HZ))
                .collect();
            Track { samples, strokes_s }
        })
        .collect()
}

fn read(mut samples: Vec<f64>, bits: u16) -> (Levels, Inspection) {
    quantise(&mut samples, u32::from(bits));
    survey(RATE_HZ, &[samples], bits)
}

fn code(inspection: &Inspection, code: Code) -> Option<&Finding> {
    inspection.findings.iter().find(|f| f.code() == code)
}

/// A place where the track plays, away from its ends: louder than half of it.
fn playing(samples: &[f64], random: &mut Random) -> usize {
    let loud = |at: usize| {
        samples[at - 1200..at + 1200]
            .iter()
            .map(|x| x * x)
            .sum::<f64>()
    };
    let any = |random: &mut Random| random.between(9600.0, samples.len() as f64 - 9600.0) as usize;
    let mut powers: Vec<f64> = (0..200).map(|_| loud(any(random))).collect();
    powers.sort_by(f64::total_cmp);
    loop {
        let at = any(random);
        if loud(at) > powers[100] {
            return at;
        }
    }
}

fn row(what: &str, values: &[f64], mut hit: impl FnMut(usize, f64) -> bool) -> Vec<usize> {
    let counts: Vec<usize> = values
        .iter()
        .map(|&v| (0..TRACKS).filter(|&i| hit(i, v)).count())
        .collect();
    let cells: Vec<String> = values
        .iter()
        .zip(&counts)
        .map(|(v, n)| format!("{v}: {n}/{TRACKS}"))
        .collect();
    println!("{what:<44} {}", cells.join("   "));
    counts
}

/// A fundamental and five harmonics, 4 dB less each; RMS 1.
fn hum_wave(base_hz: f64) -> Vec<f64> {
    let partial = |h: usize, n: usize| {
        let t = n as f64 / f64::from(RATE_HZ);
        10f64.powf(-(h as f64) / 5.0)
            * (std::f64::consts::TAU * base_hz * (h + 1) as f64 * t + h as f64).sin()
    };
    let frames = (SECONDS + 3.0) as usize * RATE_HZ as usize;
    let wave: Vec<f64> = (0..frames)
        .map(|n| (0..6).map(|h| partial(h, n)).sum())
        .collect();
    let rms = (wave.iter().map(|w| w * w).sum::<f64>() / frames as f64).sqrt();
    wave.iter().map(|w| w / rms).collect()
}

#[test]
fn faults_are_found_and_clean_tracks_are_not_blamed() {
    let tracks = tracks();
    let mut random = Random::new(7);
    println!("found in {TRACKS} tracks of {SECONDS} s:");

    for bits in [24, 16] {
        let mut alarms = Vec::new();
        let (mut alone, mut confirmed) = (0, 0);
        for track in &tracks {
            let (levels, inspection) = read(track.samples.clone(), bits);
            assert_eq!(levels.clipped_samples, 0);
            alone += inspection.clicks.len();
            confirmed +=
                usize::from(confirm_clicks(&inspection.clicks, &track.strokes_s).is_some());
            alarms.extend(inspection.findings);
        }
        println!(
            "clean, {bits} bit: {} false alarms, clicks alone {alone}, confirmed {confirmed}",
            alarms.len()
        );
        assert_eq!(alarms, []);
        assert_eq!(confirmed, 0);
    }

    // where it is cut, three samples in a row lie above the level, or there is no flat top to find
    let mut possible = Vec::new();
    let clip = row(
        "clipped by dB, then trimmed",
        &[0.5, 1.0, 3.0, 6.0],
        |i, over_db| {
            let mut x = tracks[i].samples.clone();
            let peak = x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
            let top = peak * crate::units::db_to_ratio(-over_db);
            let flat = x
                .windows(3)
                .any(|w| w.iter().all(|v| *v > top) || w.iter().all(|v| *v < -top));
            x.iter_mut().for_each(|v| *v = v.clamp(-top, top) * 0.9);
            let (levels, inspection) = read(x, 24);
            let found = code(&inspection, Code::Clipped);
            assert_eq!(levels.clipped_samples > 0, found.is_some());
            assert_eq!(levels.clipped_samples, inspection.clipped_samples);
            possible.push(flat);
            found.is_some()
        },
    );
    let possible: Vec<usize> = possible
        .chunks(TRACKS)
        .map(|c| c.iter().filter(|p| **p).count())
        .collect();
    println!("    of those that have a flat top of three samples: {possible:?}");

    let mut run = |kind: &str, values: &[f64], fault: &dyn Fn(&mut [f64], usize, usize)| {
        row(kind, values, |i, n| {
            let mut x = tracks[i].samples.clone();
            quantise(&mut x, 24);
            let at = playing(&x, &mut random);
            fault(&mut x, at, n as usize);
            let (_, inspection) = read(x, 24);
            code(&inspection, Code::Dropout).is_some_and(|f| {
                f.at_s
                    .iter()
                    .any(|s| (s * f64::from(RATE_HZ) - at as f64).abs() <= n + 4.0)
            })
        })
    };
    let lengths = [6.0, 16.0, 64.0, 512.0];
    let zeros = run("zeros, samples", &lengths, &|x, at, n| {
        x[at..at + n].fill(0.0)
    });
    let stuck = run(
        "one value held, samples",
        &[16.0, 64.0, 512.0],
        &|x, at, n| {
            let value = x[at];
            x[at..at + n].fill(value);
        },
    );
    let repeats = run(
        "a buffer played twice, samples",
        &[32.0, 128.0, 512.0, 2048.0],
        &|x, at, n| {
            x.copy_within(at - n..at, at);
        },
    );

    let mut random = Random::new(8);
    let mut click =
        |kind: &str, values: &[f64], fault: &dyn Fn(&mut Vec<f64>, usize, f64) -> usize| {
            row(kind, values, |i, v| {
                let mut x = tracks[i].samples.clone();
                let at = playing(&x, &mut random);
                let at = fault(&mut x, at, v);
                let (_, inspection) = read(x, 24);
                let found = confirm_clicks(&inspection.clicks, &tracks[i].strokes_s);
                found.is_some_and(|f| {
                    f.at_s
                        .iter()
                        .any(|s| (s * f64::from(RATE_HZ) - at as f64).abs() < 12.0)
                })
            })
        };
    let clicks = click(
        "click of one sample under playing, dBFS",
        &[-40.0, -30.0, -20.0, -10.0],
        &|x, at, db| {
            x[at] -= x[at].signum() * crate::units::db_to_ratio(db);
            at
        },
    );
    let anywhere = click(
        "click of one sample anywhere, dBFS",
        &[-40.0, -30.0, -20.0],
        &|x, at, db| {
            let at = (at * 7919) % (x.len() - 20_000) + 10_000;
            x[at] -= x[at].signum() * crate::units::db_to_ratio(db);
            at
        },
    );
    click(
        "hard splice, ms left out",
        &[1.0, 7.0, 50.0],
        &|x, at, ms| {
            // the strokes behind it come early by as much; only the ones near the splice matter here
            let n = (ms * 48.0) as usize;
            x.drain(at..at + n);
            x.extend(vec![0.0; n]);
            at
        },
    );

    let waves: Vec<(f64, Vec<f64>)> = [50.02, 45.9375].map(|hz| (hz, hum_wave(hz))).into();
    let hum_of = |i: usize, base_hz: f64, db: f64, gap: bool| {
        let mut x = tracks[i].samples.clone();
        if gap {
            x.splice(0..0, vec![0.0; 2 * RATE_HZ as usize + 9600]);
            let mut random = Random::new(i as u64);
            x.iter_mut().for_each(|v| *v += 1.8e-4 * random.normal(1.0));
        }
        let gain = crate::units::db_to_ratio(db);
        let wave = &waves
            .iter()
            .find(|(hz, _)| *hz == base_hz)
            .expect("one of the waves")
            .1;
        x.iter_mut().zip(wave).for_each(|(v, w)| *v += gain * w);
        read(x, 24).1.hum
    };
    let is = |hum: Option<Hum>, hz: f64| hum.is_some_and(|h| (h.frequency_hz - hz).abs() < 0.05);
    let mut error = 0.0f64;
    let gap = row(
        "hum of 50.02 Hz, a gap of 2 s, dBFS",
        &[-90.0, -80.0, -70.0, -60.0, -50.0],
        |i, db| {
            let hum = hum_of(i, 50.02, db, true);
            if let Some(hum) = hum.filter(|_| db > -90.0) {
                error = error.max((hum.level_dbfs - db).abs());
            }
            is(hum, 50.02)
        },
    );
    println!("    largest error of its level from -80 dBFS up {error:.2} dB");
    let playing_hum = row(
        "hum of 50.02 Hz, playing throughout, dBFS",
        &[-60.0, -50.0, -40.0],
        |i, db| is(hum_of(i, 50.02, db, false), 50.02),
    );
    let wrong = row(
        "hum of 45.94 Hz, a gap of 2 s, dBFS",
        &[-80.0, -60.0],
        |i, db| {
            let hum = hum_of(i, 45.9375, db, true);
            hum.is_some_and(|h| h.wrong_rate.is_some()) && is(hum, 45.94)
        },
    );
    let mut quiet_alarms = 0;
    row(
        "no hum, a gap of 2 s: false alarms at dBFS",
        &[-200.0],
        |i, db| {
            let hum = hum_of(i, 50.02, db, true).is_some();
            quiet_alarms += usize::from(hum);
            hum
        },
    );
    let offset = row("DC offset, dBFS", &[-70.0, -60.0, -50.0], |i, db| {
        let mut x = tracks[i].samples.clone();
        x.iter_mut()
            .for_each(|v| *v += crate::units::db_to_ratio(db));
        code(&read(x, 24).1, Code::DcOffset).is_some()
    });

    let least = |what: &str, got: &[usize], want: &[usize]| {
        assert!(
            got.iter().zip(want).all(|(g, w)| g >= w),
            "{what}: {got:?}, at least {want:?}"
        );
    };
    least("clipped", &clip, &possible);
    least("zeros", &zeros, &[24; 4]);
    least("stuck", &stuck, &[22, 22, 21]);
    least("repeats", &repeats, &[23; 4]);
    least("clicks", &clicks, &[0, 4, 12, 13]);
    least("clicks anywhere", &anywhere, &[1, 6, 13]);
    least("hum in a gap", &gap, &[24; 5]);
    least("hum under playing", &playing_hum, &[3, 14, 21]);
    least("hum at a wrong rate", &wrong, &[24; 2]);
    least("DC offset", &offset, &[0, 18, 24]);
    assert!(error < 0.2 && quiet_alarms == 0);
}
