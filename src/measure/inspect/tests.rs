//! Material that is odd but sound, and the words of the findings.

use super::*;
use crate::dsp::random::Random;
use crate::finding::{Code, Part};
use crate::measure::survey::tests::survey;
use crate::measure::testing::{SNARE, drums, quantise, strike, take};
use std::f64::consts::TAU;

fn inspect(rate_hz: u32, mut samples: Vec<f64>, bits: u16) -> Inspection {
    quantise(&mut samples, u32::from(bits));
    survey(rate_hz, &[samples], bits).1
}

#[track_caller]
fn no_wolf(what: &str, inspection: &Inspection) {
    let cried = |code| inspection.findings.iter().any(|f| f.code() == code);
    assert!(
        !cried(Code::Dropout) && !cried(Code::Click),
        "{what}: {:?}",
        inspection.findings
    );
    assert_eq!(confirm_clicks(&inspection.clicks, &[]), None, "{what}");
}

#[test]
fn slow_full_scale_sines_are_sound() {
    for rate in [44_100, 48_000, 96_000, 192_000] {
        for bits in [16, 24] {
            for hz in [20.0, 40.0, 997.0] {
                let sine = (0..rate * 4)
                    .map(|n| (TAU * hz * f64::from(n) / f64::from(rate)).sin())
                    .collect();
                let inspection = inspect(rate, sine, bits);
                no_wolf("sine", &inspection);
                assert_eq!(inspection.findings, [], "{hz} Hz at {rate}, {bits} bit");
            }
        }
    }
}

#[test]
fn test_tones_with_whole_periods_are_no_repeats() {
    for hz in [100.0, 1000.0, 3000.0] {
        let tone: Vec<f64> = (0..200_000)
            .map(|n| 0.5 * (TAU * hz * f64::from(n) / 48_000.0).sin())
            .collect();
        no_wolf("tone", &inspect(48_000, tone.clone(), 16));
        let bursts = tone
            .iter()
            .enumerate()
            .map(|(n, x)| if n % 24_000 < 960 { *x } else { 0.0 })
            .collect();
        let inspection = inspect(48_000, bursts, 16);
        assert!(
            !inspection
                .findings
                .iter()
                .any(|f| f.code() == Code::Dropout),
            "{:?}",
            inspection.findings
        );
    }
}

#[test]
fn square_waves_are_sound() {
    for hz in [40, 100, 1000] {
        let square = (0..200_000)
            .map(|n| {
                if (n / (24_000 / hz)) % 2 == 0 {
                    0.5
                } else {
                    -0.5
                }
            })
            .collect();
        no_wolf("square", &inspect(48_000, square, 16));
    }
}

#[test]
fn a_click_track_has_no_dropouts_and_no_clicks() {
    // 2 kHz for 10 ms, fading, twice a second: common practice, no source
    let click = (0..480_000)
        .map(|n| {
            let t = f64::from(n % 24_000) / 48_000.0;
            if t < 0.01 {
                0.8 * (TAU * 2000.0 * t).sin() * (1.0 - t / 0.01)
            } else {
                0.0
            }
        })
        .collect();
    no_wolf("click track", &inspect(48_000, click, 16));
}

#[test]
fn short_files_and_silence_are_survived() {
    for n in [0, 1, 2, 3, 479, 481, 2047, 8192, 8193] {
        let inspection = inspect(48_000, vec![0.3; n], 16);
        no_wolf("short", &inspection);
        let silence = inspect(48_000, vec![0.0; n], 24);
        assert!(silence.silent && silence.findings.len() == 1);
        assert_eq!(silence.findings[0].code(), Code::Silent);
    }
    assert!(inspect(48_000, vec![0.0; 200_000], 16).silent);
    for rate in [8000, 384_000] {
        no_wolf("rates", &inspect(rate, drums(1, rate, 3.0), 24));
    }
}

#[test]
fn fade_outs_in_16_bits_are_sound() {
    for seed in 0..4 {
        let mut x = drums(seed, 48_000, 6.0);
        let n = x.len();
        for (i, v) in x.iter_mut().enumerate() {
            *v *= 10f64.powf(-6.0 * i as f64 / n as f64);
        }
        let inspection = inspect(48_000, x, 16);
        assert!(
            !inspection
                .findings
                .iter()
                .any(|f| f.code() == Code::Dropout),
            "{:?}",
            inspection.findings
        );
        let tone = (0..n).map(|i| {
            10f64.powf(-6.0 * i as f64 / n as f64) * (TAU * 70.0 * i as f64 / 48_000.0).sin()
        });
        no_wolf("tone", &inspect(48_000, tone.collect(), 16));
    }
}

#[test]
fn a_pattern_to_a_strict_tempo_does_not_hum() {
    for per_second in [10.0, 12.0, 12.5, 16.0, 8.0] {
        let mut random = Random::new(9);
        let mut x = vec![0.0; 12 * 48_000];
        let mut at = 0.1;
        while at < 11.9 {
            strike(
                &mut x,
                48_000,
                (at * 48_000.0) as usize,
                &SNARE,
                0.5,
                &mut random,
            );
            at += 1.0 / per_second;
        }
        assert_eq!(inspect(48_000, x, 24).hum, None, "{per_second}");
    }
}

#[test]
fn a_lone_test_tone_does_not_hum() {
    let tone = (0..480_000)
        .map(|n| 0.1 * (TAU * 50.0 * f64::from(n) / 48_000.0).sin())
        .collect();
    assert_eq!(inspect(48_000, tone, 24).hum, None);
}

#[test]
fn samples_cut_at_full_scale_are_counted() {
    // a sine 6 dB over: cut for two thirds of the time
    let sine = (0..48_000)
        .map(|n| 2.0 * (TAU * 100.0 * f64::from(n) / 48_000.0).sin())
        .collect();
    let inspection = inspect(48_000, sine, 16);
    let share = inspection.clipped_samples as f64 / 48_000.0;
    assert!((share - 2.0 / 3.0).abs() < 0.02, "{share}");
    let finding = &inspection.findings[0];
    assert_eq!(
        (finding.code(), finding.confidence, finding.severity),
        (Code::Clipped, 1.0, Severity::Problem)
    );
    assert!(
        matches!(finding.kind, FindingKind::Clipped { level_dbfs, .. } if level_dbfs.abs() < 0.01),
        "{finding:?}"
    );
    assert_eq!(finding.at_s.len(), PLACES);
}

#[test]
fn cut_tops_below_full_scale_tell_their_level() {
    for rate in [44_100, 48_000, 96_000, 192_000] {
        let wave = |n: u32| 2.0 * (TAU * 100.0 * f64::from(n) / f64::from(rate)).sin();
        let x = (0..rate).map(|n| wave(n).clamp(-1.0, 1.0) * 0.5).collect();
        let inspection = inspect(rate, x, 24);
        let finding = &inspection.findings[0];
        assert!(
            matches!(finding.kind, FindingKind::Clipped { level_dbfs, .. } if level_dbfs == -6.02),
            "{finding:?}"
        );
    }
}

#[test]
fn a_stroke_in_another_mic_excuses_a_jump() {
    let (mut x, strokes) = take(5, 48_000, 6.0, &SNARE);
    let at = (0..)
        .map(|i| 60_000 + i * 500)
        .find(|&at: &usize| strokes.iter().all(|&s| s.abs_diff(at as u64) > 4800))
        .unwrap();
    x[at] += 0.6;
    let clicks = inspect(48_000, x, 24).clicks;
    let here = at as f64 / 48_000.0;
    let alone = confirm_clicks(&clicks, &[]).unwrap();
    assert_eq!(alone.confidence, 0.5);
    let strokes_s: Vec<f64> = strokes.iter().map(|&s| s as f64 / 48_000.0).collect();
    let found = confirm_clicks(&clicks, &strokes_s).unwrap();
    assert_eq!((found.confidence, found.at_s.len()), (0.8, 1));
    assert!((found.at_s[0] - here).abs() < 1e-3);
    let mut others = strokes_s;
    others.push(here + 0.004);
    assert_eq!(confirm_clicks(&clicks, &others), None);
}

#[test]
fn one_dead_side_is_told() {
    let x = drums(2, 48_000, 3.0);
    let n = x.len();
    let (_, inspection) = survey(48_000, &[x, vec![0.0; n]], 24);
    assert!(!inspection.silent);
    let kind = FindingKind::Silent {
        part: Part::Right,
        peak_dbfs: None,
    };
    assert_eq!(inspection.findings[0].kind, kind);
}

#[test]
fn digital_silence_in_the_middle_is_a_note() {
    let mut x = drums(2, 48_000, 6.0);
    x[96_000..192_000].fill(0.0);
    let inspection = inspect(48_000, x, 24);
    let note = inspection
        .findings
        .iter()
        .find(|f| f.code() == Code::Silent)
        .unwrap();
    assert_eq!(
        (note.severity, note.at_s.as_slice()),
        (Severity::Note, &[2.0][..])
    );
    let (seconds, share) = (2.0, 0.33);
    assert_eq!(note.kind, FindingKind::DigitalSilence { seconds, share });
    assert!(!inspection.silent);
}

#[test]
fn samples_that_are_no_numbers_are_told() {
    let mut x = drums(2, 48_000, 2.0);
    x[48_000] = f64::NAN;
    let (_, inspection) = survey(48_000, &[x], 24);
    let finding = inspection
        .findings
        .iter()
        .find(|f| f.code() == Code::NonFinite)
        .unwrap();
    assert_eq!(
        (finding.severity, finding.at_s.as_slice()),
        (Severity::Problem, &[1.0][..])
    );
    assert_eq!(finding.kind, FindingKind::NonFinite { samples: 1 });
}

#[test]
fn many_places_are_counted_and_the_first_hundred_kept() {
    let mut x = drums(1, 48_000, 10.0);
    quantise(&mut x, 24);
    for at in (4800..470_000).step_by(2000) {
        x[at..at + 20].fill(0.0);
    }
    let inspection = inspect(48_000, x, 24);
    let finding = inspection
        .findings
        .iter()
        .find(|f| f.code() == Code::Dropout)
        .unwrap();
    assert_eq!(finding.at_s.len(), PLACES);
    assert!(
        matches!(finding.kind, FindingKind::Dropout { count: 233, .. }),
        "{finding:?}"
    );
}

#[test]
fn both_sides_of_a_pair_are_told_once() {
    let mut x = drums(1, 48_000, 6.0);
    quantise(&mut x, 24);
    let at = 150_000;
    x[at..at + 40].fill(0.0);
    let (_, inspection) = survey(48_000, &[x.clone(), x], 24);
    let finding = inspection
        .findings
        .iter()
        .find(|f| f.code() == Code::Dropout)
        .unwrap();
    assert_eq!(finding.at_s, [3.125]);
    assert!(
        matches!(
            finding.kind,
            FindingKind::Dropout {
                count: 1,
                samples: 40,
                ..
            }
        ),
        "{finding:?}"
    );
}

#[test]
fn a_hum_tells_its_frequency_level_and_remedy() {
    for hz in [50.0, 45.9375] {
        let mut x = drums(2, 48_000, 6.0);
        x.splice(0..0, vec![0.0; 120_000]);
        let mut random = Random::new(2);
        for (n, v) in x.iter_mut().enumerate() {
            let sine = |h: f64| 0.002 / h * (TAU * hz * h * n as f64 / 48_000.0).sin();
            *v += sine(1.0) + sine(2.0) + sine(3.0) + 1e-4 * random.normal(1.0);
        }
        let inspection = inspect(48_000, x, 24);
        let hum = inspection.hum.unwrap();
        let level = 10.0 * (0.002f64.powi(2) / 2.0 * (1.0 + 1.0 / 4.0 + 1.0 / 9.0)).log10();
        assert!(
            (hum.frequency_hz - hz).abs() < 0.02 && (hum.level_dbfs - level).abs() < 0.15,
            "{hum:?}"
        );
        assert_eq!(hum.wrong_rate.is_some(), hz < 50.0);
        let finding = inspection
            .findings
            .iter()
            .find(|f| f.code() == Code::Hum)
            .unwrap();
        assert_eq!(matches!(finding.kind, FindingKind::Hum { .. }), hz == 50.0);
        assert_eq!(
            matches!(finding.kind, FindingKind::HumOffMains { .. }),
            hz < 50.0
        );
    }
}

#[test]
fn an_offset_tells_its_size() {
    let mut x = drums(2, 48_000, 6.0);
    x.iter_mut().for_each(|v| *v += 0.01);
    let inspection = inspect(48_000, x, 24);
    let finding = inspection
        .findings
        .iter()
        .find(|f| f.code() == Code::DcOffset)
        .unwrap();
    let (percent, level_dbfs) = (1.0, -40.0);
    assert_eq!(
        finding.kind,
        FindingKind::DcOffset {
            percent,
            level_dbfs
        }
    );
}
