//! Loudness against the published signals of EBU Tech 3341 (V4, 11/2023, Table 1) and Tech 3342
//! (V4, 11/2023, Table 1), the calibration and tables of ITU-R BS.1770-5 (11/2023) Annex 1, and
//! the `ebur128` crate. Programme signals (Tech 3341 7 and 8, Tech 3342 5 and 6) cannot be
//! synthesised. Everything runs at four rates.

use super::super::k_weighting::sections;
use super::*;

const RATES_HZ: [u32; 4] = [44_100, 48_000, 96_000, 192_000];
/// Tolerance of every loudness in Tech 3341.
const LU: f64 = 0.1;

/// A 1 kHz tone (10 ms hold ten periods) as (seconds, peak dBFS of each channel).
type Tones<'a> = &'a [(f64, &'a [f64])];

const OFF: f64 = f64::NEG_INFINITY;

struct Readings {
    gating: Gating,
    loudest: Loudest,
    /// Momentary and short-term loudness at the end of each 10 ms.
    now: Vec<(f64, f64)>,
}

fn read(rate_hz: u32, weights: &[f64], tones: Tones) -> Readings {
    let period: Vec<f64> = (0..rate_hz / 100)
        .map(|n| (std::f64::consts::TAU * 1000.0 * f64::from(n) / f64::from(rate_hz)).sin())
        .collect();
    let mut meter = Loudness::weighted(rate_hz, weights);
    let mut now = Vec::new();
    for (seconds, levels) in tones {
        let scaled = |&db: &f64| period.iter().map(|x| x * units::db_to_ratio(db)).collect();
        let block = Block::from_channels(levels.iter().map(scaled).collect());
        for _ in 0..(seconds * 100.0).round() as usize {
            meter.push(&block);
            let (m, s) = meter.windows.now();
            now.push((lufs(m).unwrap_or(OFF), lufs(s).unwrap_or(OFF)));
        }
    }
    Readings {
        gating: meter.windows.gating.clone(),
        loudest: meter.windows.finish(&[0.0; TAIL]),
        now,
    }
}

fn stereo(rate_hz: u32, tones: &[(f64, f64)]) -> Readings {
    let pairs: Vec<(f64, [f64; 2])> = tones.iter().map(|&(s, db)| (s, [db, db])).collect();
    let tones: Vec<(f64, &[f64])> = pairs.iter().map(|(s, db)| (*s, &db[..])).collect();
    read(rate_hz, &[1.0, 1.0], &tones)
}

#[track_caller]
fn near(what: &str, got: Option<f64>, want: f64, tolerance: f64) {
    let got = got.unwrap_or(f64::NAN);
    assert!(
        (got - want).abs() <= tolerance,
        "{what}: {got}, want {want} ± {tolerance}"
    );
}

#[test]
fn tech_3341_signals_1_to_6_read_their_integrated_loudness() {
    for rate in RATES_HZ {
        for (id, db) in [(1, -23.0), (2, -33.0)] {
            let r = stereo(rate, &[(20.0, db)]);
            for got in [
                r.loudest.integrated_lufs,
                r.loudest.momentary_max_lufs,
                r.loudest.short_term_max_lufs,
            ] {
                near(&format!("{id} at {rate}"), got, db, LU);
            }
        }
        let three = [(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)];
        let mut four = vec![(10.0, -72.0)];
        four.extend(three);
        four.push((10.0, -72.0));
        let five = [(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)];
        for (id, tones) in [(3, &three[..]), (4, &four[..]), (5, &five[..])] {
            let got = stereo(rate, tones).loudest.integrated_lufs;
            near(&format!("{id} at {rate}"), got, -23.0, LU);
        }
        let levels: &[f64] = &[-28.0, -28.0, -24.0, -30.0, -30.0];
        let six = read(rate, &[1.0, 1.0, 1.0, 1.41, 1.41], &[(20.0, levels)]);
        near(
            &format!("6 at {rate}"),
            six.loudest.integrated_lufs,
            -23.0,
            LU,
        );
    }
}

#[test]
fn tech_3341_signals_9_and_12_read_constant() {
    for rate in RATES_HZ {
        let nine = stereo(rate, &[(1.34, -20.0), (1.66, -30.0)].repeat(5));
        for &(_, s) in &nine.now[299..] {
            near(&format!("9 at {rate}"), Some(s), -23.0, LU);
        }
        let twelve = stereo(rate, &[(0.18, -20.0), (0.22, -30.0)].repeat(25));
        for &(m, _) in &twelve.now[99..] {
            near(&format!("12 at {rate}"), Some(m), -23.0, LU);
        }
    }
}

#[test]
fn tech_3341_signals_10_and_13_read_their_maxima_at_every_offset() {
    for rate in RATES_HZ {
        for i in 0..20 {
            let i = f64::from(i);
            let ten = stereo(rate, &[(i * 0.15, OFF), (3.0, -23.0), (1.0, OFF)]);
            near(
                &format!("10-{i} at {rate}"),
                ten.loudest.short_term_max_lufs,
                -23.0,
                LU,
            );
            let thirteen = stereo(rate, &[(i * 0.02, OFF), (0.4, -23.0), (1.0, OFF)]);
            near(
                &format!("13-{i} at {rate}"),
                thirteen.loudest.momentary_max_lufs,
                -23.0,
                LU,
            );
        }
    }
}

#[test]
fn tech_3341_signals_11_and_14_read_the_successive_maxima_of_a_live_meter() {
    for rate in RATES_HZ {
        let steps = |offset: f64, on: f64| -> Vec<(f64, f64)> {
            (0..20)
                .map(f64::from)
                .flat_map(|i| [(i * offset, OFF), (on, i - 38.0), (on - i * offset, OFF)])
                .collect()
        };
        let eleven = stereo(rate, &steps(0.15, 3.0));
        let fourteen = stereo(rate, &steps(0.02, 0.4));
        let (mut s_max, mut m_max) = (OFF, OFF);
        for i in 0..20 {
            for &(_, s) in &eleven.now[i * 600..(i + 1) * 600] {
                s_max = s_max.max(s);
            }
            near(
                &format!("11-{i} at {rate}"),
                Some(s_max),
                i as f64 - 38.0,
                LU,
            );
            for &(m, _) in &fourteen.now[i * 80..(i + 1) * 80] {
                m_max = m_max.max(m);
            }
            near(
                &format!("14-{i} at {rate}"),
                Some(m_max),
                i as f64 - 38.0,
                LU,
            );
        }
    }
}

#[test]
fn tech_3342_signals_1_to_4_read_their_loudness_range() {
    let signals: [(&[f64], f64); 4] = [
        (&[-20.0, -30.0], 10.0),
        (&[-20.0, -15.0], 5.0),
        (&[-40.0, -20.0], 20.0),
        (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ];
    for rate in RATES_HZ {
        for (i, (levels, want)) in signals.iter().enumerate() {
            let tones: Vec<(f64, f64)> = levels.iter().map(|&db| (20.0, db)).collect();
            let got = stereo(rate, &tones).loudest.range_lu;
            near(&format!("{} at {rate}", i + 1), got, *want, 1.0);
            // the published tolerance is 1 LU; a plain double-precision meter is exact here
            near(&format!("{} at {rate}, exact", i + 1), got, *want, 0.01);
        }
    }
}

#[test]
fn tech_3342_repeating_a_signal_leaves_its_range() {
    let once = [(20.0, -20.0), (15.0, -32.0), (5.0, -26.0)];
    let once_lu = stereo(48_000, &once).loudest.range_lu;
    let thrice_lu = stereo(48_000, &once.repeat(3)).loudest.range_lu;
    near("three times", thrice_lu, once_lu.unwrap(), 0.3);
}

#[test]
fn a_programme_too_short_has_no_range() {
    assert_eq!(stereo(8000, &[(16.8, -20.0)]).loudest.range_lu, None);
    near(
        "16.9 s",
        stereo(8000, &[(16.9, -20.0)]).loudest.range_lu,
        0.0,
        0.01,
    );
}

#[test]
fn bs_1770_calibration_997_hz_full_scale_reads_minus_3_01() {
    for rate in RATES_HZ {
        for (weight, want) in [(1.0, -3.01), (1.41, -1.518)] {
            let mut meter = Loudness::weighted(rate, &[weight]);
            let w = std::f64::consts::TAU * 997.0 / f64::from(rate);
            let x = (0..rate * 20).map(|n| (w * f64::from(n)).sin()).collect();
            meter.push(&Block::from_channels(vec![x]));
            // the Recommendation prints no tolerance; this one is the project's own
            near(
                &format!("at {rate}"),
                meter.finish().integrated(),
                want,
                0.01,
            );
        }
    }
}

#[test]
fn bs_1770_coefficients_at_48_khz_are_the_printed_ones() {
    // BS.1770-5 Annex 1 Tables 1 and 2
    let [shelf, high_pass] = sections(48_000);
    let printed = [
        (shelf.b[0], 1.53512485958697),
        (shelf.b[1], -2.69169618940638),
        (shelf.b[2], 1.19839281085285),
        (shelf.a[0], -1.69065929318241),
        (shelf.a[1], 0.73248077421585),
        (high_pass.b[0], 1.0),
        (high_pass.b[1], -2.0),
        (high_pass.b[2], 1.0),
        (high_pass.a[0], -1.99004745483398),
        (high_pass.a[1], 0.99007225036621),
    ];
    for (got, want) in printed {
        assert!((got - want).abs() < 6e-15, "{got} {want}");
    }
}

#[test]
fn the_k_gain_is_the_same_at_every_rate() {
    // computed from the prototypes by an independent program; 0.691 dB at 997 Hz is what the
    // constant of eq. (2) cancels
    let table: [(f64, [f64; 4]); 12] = [
        (20.0, [-13.275372, -13.275368, -13.275352, -13.275349]),
        (38.0, [-6.002610, -6.002610, -6.002610, -6.002610]),
        (50.0, [-3.934052, -3.934054, -3.934061, -3.934063]),
        (100.0, [-1.133493, -1.133498, -1.133517, -1.133522]),
        (200.0, [-0.264895, -0.264897, -0.264907, -0.264910]),
        (500.0, [0.042335, 0.042462, 0.042982, 0.043112]),
        (997.0, [0.689954, 0.691014, 0.695316, 0.696391]),
        (1000.0, [0.696640, 0.697704, 0.702026, 0.703106]),
        (2000.0, [3.072172, 3.071257, 3.067559, 3.066639]),
        (5000.0, [4.014103, 4.013384, 4.010363, 4.009583]),
        (10000.0, [4.042028, 4.041882, 4.041162, 4.040949]),
        (15000.0, [4.043047, 4.043013, 4.042767, 4.042673]),
    ];
    for (f_hz, gains) in table {
        for (rate, want) in RATES_HZ.into_iter().zip(gains) {
            let w = std::f64::consts::TAU * f_hz / f64::from(rate);
            let magnitude = |c: [f64; 3]| {
                let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
                let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
                re.hypot(im)
            };
            let got: f64 = sections(rate)
                .iter()
                .map(|s| magnitude(s.b) / magnitude([1.0, s.a[0], s.a[1]]))
                .map(|ratio| 20.0 * ratio.log10())
                .sum();
            assert!(
                (got - want).abs() < 2e-6,
                "{f_hz} Hz at {rate}: {got} {want}"
            );
        }
    }
}

#[test]
fn the_filter_has_the_gain_of_its_coefficients() {
    for rate in RATES_HZ {
        let w = std::f64::consts::TAU * 100.0 / f64::from(rate);
        let x: Vec<f64> = (0..rate).map(|n| (w * f64::from(n)).sin()).collect();
        let mut filter = KWeight::new(rate, 1);
        filter.energy(0, &x);
        let gain_db = 10.0 * (filter.energy(0, &x) * 2.0 / f64::from(rate)).log10();
        assert!((gain_db + 1.1335).abs() < 1e-4, "{gain_db}");
    }
}

#[test]
fn silence_and_short_programmes_have_no_loudness() {
    let silent = stereo(48_000, &[(20.0, OFF)]).loudest;
    assert_eq!(silent, Loudest::default());
    let quiet = stereo(48_000, &[(20.0, -90.0)]).loudest;
    assert_eq!((quiet.integrated_lufs, quiet.range_lu), (None, None));
    near("quiet", quiet.momentary_max_lufs, -90.0, LU);
    let short = stereo(48_000, &[(0.39, -20.0)]).loudest;
    assert_eq!(short, Loudest::default());
    let block = stereo(48_000, &[(0.4, -20.0)]).loudest;
    near("one block", block.integrated_lufs, -20.0, LU);
    assert_eq!(block.short_term_max_lufs, None);
}

#[test]
fn pooled_programmes_are_gated_as_one() {
    let loud = stereo(48_000, &[(30.0, -20.0)]).gating;
    let soft = stereo(44_100, &[(60.0, -40.0)]).gating;
    let middle = stereo(96_000, &[(30.0, -25.0)]).gating;
    // the soft one lies more than 10 LU below the mean of all and is gated out
    near("pool", Gating::pool(&[&loud, &soft]), -19.99, 0.01);
    let power = (1.0 + 10f64.powf(-0.5)) / 2.0;
    near(
        "pool",
        Gating::pool(&[&loud, &middle]),
        -19.993 + 10.0 * power.log10(),
        0.01,
    );
    assert_eq!(Gating::pool(&[]), None);
    assert_eq!(Gating::pool(&[&loud]), loud.integrated());
}

#[test]
fn the_ebur128_crate_agrees_on_random_drum_like_signals() {
    use ebur128::{EbuR128, Mode};
    for (seed, rate, channels) in [
        (1, 44_100, 1),
        (2, 48_000, 1),
        (3, 48_000, 2),
        (4, 32_000, 2),
        (5, 8_000, 1),
    ] {
        let x: Vec<Vec<f64>> = (0..channels as u64)
            .map(|c| crate::measure::testing::drums(seed * 10 + c, rate, 24.0))
            .collect();
        let frames = x[0].len();
        let mut oracle =
            EbuR128::new(channels, rate, Mode::I | Mode::LRA | Mode::S | Mode::M).unwrap();
        let mut ours = Loudness::new(rate, channels as usize);
        let (mut s_max, mut m_max) = (OFF, OFF);
        // at its 10 ms hop, so that the maxima are over the same windows
        let step = rate as usize / 100;
        for at in (0..frames).step_by(step) {
            let end = (at + step).min(frames);
            let planes: Vec<&[f64]> = x.iter().map(|c| &c[at..end]).collect();
            oracle.add_frames_planar_f64(&planes).unwrap();
            if end >= rate as usize * 4 / 10 {
                m_max = oracle.loudness_momentary().unwrap().max(m_max);
            }
            if end >= rate as usize * 3 {
                s_max = oracle.loudness_shortterm().unwrap().max(s_max);
            }
            ours.push(&Block::from_channels(
                planes.iter().map(|p| p.to_vec()).collect(),
            ));
        }
        // the crate leaves the high-pass numerator at 1, −2, 1: corrected here by the ratio of the
        // denominators, which is 0 dB at 48 kHz
        let correction = 20.0 * sections(rate)[1].b[0].log10();
        let windows = ours.windows.clone();
        let ours = windows.finish(&[0.0; TAIL]);
        near(
            "I",
            ours.integrated_lufs,
            oracle.loudness_global().unwrap() + correction,
            1e-6,
        );
        near("M", ours.momentary_max_lufs, m_max + correction, 1e-6);
        near("S", ours.short_term_max_lufs, s_max + correction, 1e-6);
        // the crate takes a short-term value each second only, Tech 3342 asks for ten; and it gets the
        // appended silence from outside
        oracle
            .add_frames_f64(&vec![0.0; rate as usize * 16 / 10 * channels as usize])
            .unwrap();
        near("LRA", ours.range_lu, oracle.loudness_range().unwrap(), 0.5);
    }
}
