//! Data sheets of the linear stages, and what every row of `STAGES` promises.

use std::f64::consts::PI;

use batterhead::block::Block;
use batterhead::stage::{Chain, STAGES, Stage};
use batterhead::testing::{assert_close, burst, impulse, noise, run_in_blocks, run_mono};
use proptest::prelude::*;

const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];

/// A stage as a preset spells it.
fn stage(toml: &str) -> Stage {
    let table: toml::Table = toml::from_str(&format!("stage = {toml}")).expect(toml);
    table["stage"].clone().try_into().expect(toml)
}

fn examples() -> impl Iterator<Item = (&'static str, Stage)> {
    STAGES.iter().map(|row| (row.name, stage(row.example)))
}

#[test]
fn what_has_a_magnitude_is_a_filter() {
    for (name, stage) in examples() {
        let magnitude_db = stage.settings().magnitude_db(48_000.0, 1000.0);
        // What depends on level or time has no curve.
        let linear = !matches!(stage, Stage::Drive(_) | Stage::Compress(_) | Stage::Gate(_));
        assert_eq!(linear, magnitude_db.is_some(), "{name}");
    }
}

/// Magnitude in dB of what comes out for an impulse, by a Fourier sum at one frequency.
fn measured_db(stages: &[Stage], rate_hz: f64, hz: f64) -> f64 {
    let out = run_mono(stages, &impulse(1 << 16), rate_hz);
    20.0 * batterhead::testing::magnitude_at(&out, hz, rate_hz).log10()
}

/// A response at some frequencies: hertz, decibels.
type Points = &'static [(f64, f64)];

#[test]
fn slopes_agree_with_the_published_figures() {
    // Source: closed form of the bilinear Butterworth and, for order 2, the table of the Audio EQ
    // Cookbook's low- and high-pass at Q 0.7071 (R. Bristow-Johnson, W3C Note 2021), computed with
    // scipy.signal.freqz. Tolerance: the digits given.
    let rows: [(&str, f64, Points); 6] = [
        (
            "{ low-pass = { freq_hz = 1000, order = 2 } }",
            48_000.0,
            &[
                (100.0, -0.000_431_822),
                (500.0, -0.262_195_886),
                (1000.0, -3.010_299_957),
                (2000.0, -12.374_914_311),
                (10_000.0, -42.738_274_821),
                (20_000.0, -70.216_727_016),
            ],
        ),
        (
            "{ high-pass = { freq_hz = 80, order = 2 } }",
            48_000.0,
            &[
                (20.0, -24.099_479_486),
                (40.0, -12.304_601_275),
                (80.0, -3.010_299_957),
                (160.0, -0.263_261_373),
                (1000.0, -0.000_176_876),
                (20_000.0, 0.0),
            ],
        ),
        (
            // Two first-order sections in series are Q 0.5.
            "{ high-pass = { freq_hz = 40, order = 2, shape = \"linkwitz-riley\" } }",
            96_000.0,
            &[
                (10.0, -24.608_987_182),
                (20.0, -13.979_406_040),
                (40.0, -6.020_599_913),
                (80.0, -1.938_194_307),
                (1000.0, -0.013_876_428),
            ],
        ),
        (
            "{ high-pass = { freq_hz = 80, order = 1 } }",
            48_000.0,
            &[(80.0, -3.010_299_957)],
        ),
        (
            "{ low-pass = { freq_hz = 80, order = 7 } }",
            192_000.0,
            &[(80.0, -3.010_299_957)],
        ),
        (
            // S. H. Linkwitz, JAES 24(1), 1976: 6.02 dB down at the crossover.
            "{ low-pass = { freq_hz = 2500, order = 8, shape = \"linkwitz-riley\" } }",
            44_100.0,
            &[(2500.0, -6.020_599_913)],
        ),
    ];
    for (toml, rate_hz, points) in rows {
        let stages = [stage(toml)];
        for &(hz, db) in points {
            let what = format!("{toml} at {hz} Hz");
            let computed = Chain::response(&stages, rate_hz, hz).expect("linear");
            assert_close(computed, db, 2e-7, &what);
            assert_close(measured_db(&stages, rate_hz, hz), db, 1e-6, &what);
        }
    }
}

#[test]
fn every_slope_has_its_closed_form_and_halves_of_a_crossover_sum_flat() {
    for rate_hz in RATES_HZ {
        for order in 1..=8 {
            for freq_hz in [20.0, 150.0, 4000.0, 0.4 * rate_hz] {
                let high = [stage(&format!(
                    "{{ high-pass = {{ freq_hz = {freq_hz}, order = {order} }} }}"
                ))];
                let low = [stage(&format!(
                    "{{ low-pass = {{ freq_hz = {freq_hz}, order = {order} }} }}"
                ))];
                for hz in [10.0, 20.0, 100.0, 1000.0, 10_000.0, 20_000.0] {
                    let ratio = (PI * freq_hz / rate_hz).tan() / (PI * hz / rate_hz).tan();
                    for (stages, ratio) in [(&high, ratio), (&low, 1.0 / ratio)] {
                        let want = -10.0 * ratio.powi(2 * order).ln_1p() / 10f64.ln();
                        let got = Chain::response(stages, rate_hz, hz).expect("linear");
                        if want > -290.0 {
                            assert_close(got, want, 1e-6, &format!("{stages:?} at {hz} Hz"));
                        }
                    }
                }
            }
        }
    }
    // Linkwitz-Riley: both halves add up to an all-pass, one of them inverted for orders 2 and 6.
    for (order, sign) in [(2, -1.0), (4, 1.0), (6, -1.0), (8, 1.0)] {
        let half = |kind: &str| {
            let keys = format!("freq_hz = 800, order = {order}, shape = \"linkwitz-riley\"");
            let stages = [stage(&format!("{{ {kind} = {{ {keys} }} }}"))];
            run_mono(&stages, &impulse(1 << 14), 48_000.0)
        };
        let (low, high) = (half("low-pass"), half("high-pass"));
        let sum: Vec<f64> = low.iter().zip(&high).map(|(l, h)| l + sign * h).collect();
        for hz in [50.0, 400.0, 800.0, 1600.0, 15_000.0] {
            let gain = batterhead::testing::magnitude_at(&sum, hz, 48_000.0);
            assert_close(gain, 1.0, 1e-9, &format!("order {order} at {hz} Hz"));
        }
    }
}

/// |H| in dB of the Audio EQ Cookbook's analogue prototypes (R. Bristow-Johnson, W3C Note 2021),
/// `x` = f / f₀: numerator and denominator in s = jx.
fn prototype_db(kind: &str, gain_db: f64, q: f64, x: f64) -> f64 {
    let a = 10f64.powf(gain_db / 40.0);
    let r = a.sqrt() / q;
    let (n, d) = match kind {
        "peak" => ([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0]),
        "notch" => ([1.0, 0.0, 1.0], [1.0, 1.0 / q, 1.0]),
        "low-shelf" => ([a * a, a * r, a], [1.0, r, a]),
        "high-shelf" => ([a, a * r, a * a], [a, r, 1.0]),
        "tilt" => ([1.0, a * a, 0.0], [a * a, 1.0, 0.0]),
        _ => unreachable!("{kind}"),
    };
    let power = |p: [f64; 3]| (p[0] - p[2] * x * x).powi(2) + (p[1] * x).powi(2);
    10.0 * (power(n) / power(d)).log10()
}

fn equaliser(kind: &str, freq_hz: f64, gain_db: f64, q: f64) -> Stage {
    let keys = match kind {
        "notch" => format!("q = {q:?}"),
        "tilt" => format!("gain_db = {gain_db:?}"),
        _ => format!("gain_db = {gain_db:?}, q = {q:?}"),
    };
    stage(&format!(
        "{{ {kind} = {{ freq_hz = {freq_hz:?}, {keys} }} }}"
    ))
}

#[test]
fn equalisers_follow_their_analogue_curves_to_18_khz() {
    let mut worst = Vec::new();
    for (rate_hz, limit_db) in [(44_100.0, 0.5), (48_000.0, 0.35), (96_000.0, 0.03)] {
        for kind in ["peak", "notch", "low-shelf", "high-shelf", "tilt"] {
            let mut most = (0.0, String::new());
            for freq_hz in [20.0, 90.0, 400.0, 2e3, 5e3, 8e3, 10e3, 12e3, 14e3, 16e3] {
                for q in [0.3, 0.5, 0.707, 1.0, 2.0, 8.0] {
                    for gain_db in [-12.0, -3.0, 3.0, 6.0, 12.0] {
                        if q > 2.0 && kind.ends_with("shelf") {
                            continue;
                        }
                        let stages = [equaliser(kind, freq_hz, gain_db, q)];
                        for i in 0..40 {
                            let hz = 18_000.0 * 0.84f64.powi(i);
                            let want = prototype_db(kind, gain_db, q, hz / freq_hz);
                            let got = Chain::response(&stages, rate_hz, hz).expect("linear");
                            if want > -40.0 && (got - want).abs() > most.0 {
                                most = ((got - want).abs(), format!("{stages:?} at {hz:.0} Hz"));
                            }
                        }
                    }
                }
            }
            println!("{rate_hz} Hz {kind}: {:.3} dB, {}", most.0, most.1);
            worst.push((most, limit_db));
        }
    }
    for ((db, what), limit_db) in worst {
        assert!(db < limit_db, "{db} dB: {what}");
    }
}

#[test]
fn a_bell_at_10_khz_has_its_upper_skirt_at_every_rate() {
    // Audio EQ Cookbook's analogue prototype, +6 dB, 10 kHz, Q 1, computed. The cookbook's own
    // digital form has 0.447, 0.703 and 1.951 dB left at 18 kHz instead of 2.378.
    let analogue = [
        (5000.0, 1.883_843_829),
        (8000.0, 4.946_010_502),
        (10_000.0, 6.0),
        (12_000.0, 5.251_142_762),
        (15_000.0, 3.521_075_213),
        (18_000.0, 2.377_643_071),
    ];
    for (rate_hz, tolerance) in [(44_100.0, 0.2), (48_000.0, 0.1), (96_000.0, 0.005)] {
        let stages = [equaliser("peak", 10_000.0, 6.0, 1.0)];
        for (hz, db) in analogue {
            let got = measured_db(&stages, rate_hz, hz);
            assert_close(got, db, tolerance, &format!("{rate_hz} Hz: {hz} Hz"));
        }
    }
}

#[test]
fn equalisers_are_exact_where_it_counts() {
    for rate_hz in RATES_HZ {
        for freq_hz in [20.0, 100.0, 1000.0, 8000.0, 16_000.0, 0.49 * rate_hz] {
            for gain_db in [-12.0, -6.0, 0.5, 12.0] {
                for q in [0.1, 0.707, 2.0f64, 40.0] {
                    let at = |kind: &str, hz: f64| {
                        let q = if kind.ends_with("shelf") {
                            q.min(2.0)
                        } else {
                            q
                        };
                        let stages = [equaliser(kind, freq_hz, gain_db, q)];
                        Chain::response(&stages, rate_hz, hz).expect("linear")
                    };
                    let what = format!("{freq_hz} Hz, {gain_db} dB, q {q}, at {rate_hz} Hz");
                    assert_close(at("peak", freq_hz), gain_db, 1e-6, &what);
                    assert_close(at("peak", 0.0), 0.0, 1e-6, &what);
                    assert!(at("notch", freq_hz) < -120.0, "{what}");
                    assert_close(at("notch", 0.0), 0.0, 1e-6, &what);
                    assert_close(at("low-shelf", freq_hz), gain_db / 2.0, 1e-6, &what);
                    assert_close(at("low-shelf", 0.0), gain_db, 1e-6, &what);
                    assert_close(at("high-shelf", freq_hz), gain_db / 2.0, 1e-6, &what);
                    assert_close(at("high-shelf", 0.0), 0.0, 1e-6, &what);
                    assert_close(at("tilt", freq_hz), 0.0, 1e-6, &what);
                    assert_close(at("tilt", 0.0), -gain_db, 1e-6, &what);
                }
            }
        }
    }
}

#[test]
fn a_slope_is_the_cookbooks_quality() {
    // S = 1 is Q = 1/√2, and 1/Q² = (A + 1/A)(1/S − 1) + 2 (Audio EQ Cookbook).
    let a = 10f64.powf(6.0 / 40.0);
    let q = ((a + 1.0 / a) * (1.0 / 0.4 - 1.0) + 2.0).sqrt().recip();
    for kind in ["low-shelf", "high-shelf"] {
        for (one, other) in [
            ("slope = 1", ""),
            ("slope = 0.4", &*format!("q = {q:?}")),
            ("q = 0.7071067811865476", ""),
        ] {
            let response = |keys: &str| {
                let keys = format!("freq_hz = 700, gain_db = 6.0, {keys}");
                let stages = [stage(&format!("{{ {kind} = {{ {keys} }} }}"))];
                [100.0, 500.0, 3000.0].map(|hz| Chain::response(&stages, 48_000.0, hz))
            };
            for (x, y) in response(one).into_iter().zip(response(other)) {
                assert_close(x.expect("linear"), y.expect("linear"), 1e-9, one);
            }
        }
    }
}

#[test]
fn a_boost_and_the_same_cut_undo_each_other() {
    let input = noise(1, 20_000);
    for kind in ["peak", "low-shelf", "high-shelf", "tilt"] {
        for freq_hz in [30.0, 1000.0, 15_000.0] {
            let stages = [9.0, -9.0].map(|db| equaliser(kind, freq_hz, db, 0.9));
            let out = run_mono(&stages, &input, 48_000.0);
            for (x, y) in input.iter().zip(&out) {
                // −200 dB
                assert_close(*y, *x, 1e-10, &format!("{kind} at {freq_hz} Hz"));
            }
        }
    }
}

#[test]
fn a_deep_cut_at_a_high_rate_keeps_its_shape_and_its_floor() {
    let (rate_hz, order) = (192_000.0, 8);
    let stages = [stage("{ high-pass = { freq_hz = 20, order = 8 } }")];
    let response = run_mono(&stages, &impulse(1 << 18), rate_hz);
    for hz in [10.0, 15.0, 20.0, 25.0, 40.0, 1000.0, 20_000.0] {
        let ratio = (PI * 20.0 / rate_hz).tan() / (PI * hz / rate_hz).tan();
        let want = -10.0 * (1.0 + ratio.powi(2 * order)).log10();
        let got = 20.0 * batterhead::testing::magnitude_at(&response, hz, rate_hz).log10();
        assert_close(got, want, 0.001, &format!("{hz} Hz"));
    }
    // The floor: against the same coefficients run in twice the precision.
    let input: Vec<f64> = noise(3, 1 << 17).iter().map(|x| 0.5 + 0.5 * x).collect();
    let out = run_mono(&stages, &input, rate_hz);
    let sections = stages[0].settings().sections(rate_hz).expect("sections");
    let mut wanted: Vec<Double> = input.iter().map(|&x| Double(x, 0.0)).collect();
    for section in sections {
        let ([b0, b1, b2], [a1, a2]) = (section.b, section.a);
        let (mut s1, mut s2) = (Double(0.0, 0.0), Double(0.0, 0.0));
        for sample in &mut wanted {
            let x = *sample;
            let y = s1.plus(x.times(b0));
            s1 = s2.plus(x.times(b1)).plus(y.times(-a1));
            s2 = x.times(b2).plus(y.times(-a2));
            *sample = y;
        }
    }
    let squares: f64 = out
        .iter()
        .zip(&wanted)
        .map(|(y, w)| (y - w.0).powi(2))
        .sum();
    let floor_db = 10.0 * (squares / out.len() as f64).log10();
    println!("noise floor {floor_db:.1} dBFS");
    assert!(floor_db < -140.0, "noise floor {floor_db} dBFS");
    assert!(floor_db > -320.0, "the reference is the filter itself");
}

/// An unevaluated sum of two numbers, about 106 bits: T. J. Dekker, "A floating-point technique for
/// extending the available precision", Numer. Math. 18, 1971.
#[derive(Clone, Copy)]
struct Double(f64, f64);

impl Double {
    fn plus(self, other: Self) -> Self {
        let sum = self.0 + other.0;
        let part = sum - self.0;
        let lost = (self.0 - (sum - part)) + (other.0 - part) + self.1 + other.1;
        Self(sum + lost, lost - ((sum + lost) - sum))
    }

    fn times(self, factor: f64) -> Self {
        let product = self.0 * factor;
        let lost = self.0.mul_add(factor, -product) + self.1 * factor; // exact, in a test only
        Self(product + lost, lost - ((product + lost) - product))
    }
}

#[test]
fn the_rows_are_the_stages_in_order() {
    let error =
        toml::from_str::<toml::Table>("stage = { no-such-stage = {} }").expect("a table")["stage"]
            .clone()
            .try_into::<Stage>()
            .expect_err("no such stage")
            .to_string();
    let names: Vec<String> = STAGES.iter().map(|row| format!("`{}`", row.name)).collect();
    assert!(error.contains(&names.join(", ")), "{error}");
    for (name, stage) in examples() {
        let json = serde_json::to_value(&stage).expect("plain data");
        assert!(json.get(name).is_some(), "{name}: {json}");
        for rate_hz in RATES_HZ {
            assert_eq!(stage.settings().check(rate_hz), [], "{name}");
        }
    }
}

#[test]
fn silence_stays_silent() {
    for (name, stage) in examples() {
        let out = run_in_blocks(&[stage], &Block::new(2, 10_000), 48_000.0, 4096);
        let all = out.channels().flatten().all(|&x| x == 0.0);
        assert!(all, "{name}");
    }
}

#[test]
fn length_and_channels_stay_and_channels_do_not_mix() {
    for (name, stage) in examples() {
        for frames in [0, 1, 2, 63, 5000] {
            for channels in [1, 2, 3, 5] {
                let mut input = Block::new(channels, frames);
                input.channel_mut(0).copy_from_slice(&noise(7, frames));
                let out = run_in_blocks(std::slice::from_ref(&stage), &input, 48_000.0, 777);
                assert_eq!((out.count(), out.frames()), (channels, frames), "{name}");
                let silent = out.channels().skip(1).flatten().all(|&x| x == 0.0);
                assert!(silent, "{name} mixes channels");
            }
        }
    }
}

#[test]
fn how_the_stream_is_cut_cannot_be_heard() {
    let input = Block::from_channels(vec![burst(2, 9001), burst(3, 9001)]);
    for (name, stage) in examples() {
        let stages = std::slice::from_ref(&stage);
        let whole = run_in_blocks(stages, &input, 48_000.0, input.frames());
        for frames in [1, 7, 64, 4096] {
            let cut = run_in_blocks(stages, &input, 48_000.0, frames);
            assert!(bits(&cut) == bits(&whole), "{name} in blocks of {frames}");
        }
        let again = run_in_blocks(stages, &input, 48_000.0, input.frames());
        assert!(bits(&again) == bits(&whole), "{name} the second time");
    }
}

fn bits(block: &Block) -> Vec<u64> {
    block.channels().flatten().map(|x| x.to_bits()).collect()
}

#[test]
fn finite_stays_finite() {
    let mut hard = noise(4, 20_000);
    for (i, x) in hard.iter_mut().enumerate() {
        *x *= [1.0, 1e-40, 4.0, 1e-310, 3e38, 0.0][i / 1000 % 6];
    }
    for (name, stage) in examples() {
        let out = run_mono(&[stage], &hard, 48_000.0);
        assert!(out.iter().all(|x| x.is_finite()), "{name}");
    }
}

#[test]
fn settings_at_their_limits_run_and_stay_finite() {
    let input = burst(11, 20_000);
    for rate_hz in [8_000.0, 48_000.0, 384_000.0] {
        let half = rate_hz / 2.0;
        for freq_hz in [
            f64::MIN_POSITIVE,
            1e-6,
            0.01,
            half * 0.999,
            half - 1e-9,
            half.next_down(),
        ] {
            let mut stages = Vec::new();
            for kind in ["high-pass", "low-pass"] {
                for order in [1, 2, 8] {
                    let keys = format!("freq_hz = {freq_hz:?}, order = {order}");
                    stages.push(stage(&format!("{{ {kind} = {{ {keys} }} }}")));
                }
            }
            for gain_db in [-24.0, 1e-9, 24.0] {
                for q in [0.1, 40.0] {
                    stages.push(equaliser("peak", freq_hz, gain_db, q));
                    let q = q.min(2.0);
                    stages.push(equaliser("low-shelf", freq_hz, gain_db, q));
                    stages.push(equaliser("high-shelf", freq_hz, gain_db, q));
                }
                stages.push(equaliser("tilt", freq_hz, gain_db / 2.0, 1.0));
            }
            for q in [0.1, 200.0] {
                stages.push(equaliser("notch", freq_hz, 0.0, q));
            }
            for stage in stages {
                assert_eq!(stage.settings().check(rate_hz), [], "{stage:?}");
                let out = run_mono(std::slice::from_ref(&stage), &input, rate_hz);
                // A boost of 24 dB, steep and at resonance, stays below this by far.
                let sound = out.iter().all(|x| x.abs() < 1000.0);
                assert!(sound, "{stage:?} at {rate_hz} Hz");
            }
        }
    }
}

#[test]
fn an_impulse_leaves_where_it_came() {
    for (name, stage) in examples() {
        let mut input = vec![0.0; 4000];
        input[1234] = 0.5;
        let filter = stage.settings().sections(48_000.0).is_some();
        let out = run_mono(&[stage], &input, 48_000.0);
        if filter {
            // A filter of minimum phase starts at once and rings on.
            assert!(out[..1234].iter().all(|&x| x == 0.0), "{name} is early");
            assert!(out[1234] != 0.0, "{name} is late");
        } else {
            let largest = (0..4000).max_by(|&a, &b| out[a].abs().total_cmp(&out[b].abs()));
            let wanted = if name == "delay" { 1234 + 48 } else { 1234 };
            assert_eq!(largest, Some(wanted), "{name}");
        }
    }
}

#[test]
fn a_delay_moves_the_sound_and_nothing_else() {
    let input = noise(8, 500);
    let shifted = |by: i64| -> Vec<f64> {
        let at = |i: i64| usize::try_from(i - by).ok().and_then(|i| input.get(i));
        (0..500).map(|i| at(i).copied().unwrap_or(0.0)).collect()
    };
    for by in [0, 1, -1, 48, -48, 499, -499, 500, -500, 100_000, -100_000] {
        let stages = [stage(&format!("{{ delay = {{ samples = {by} }} }}"))];
        assert_eq!(run_mono(&stages, &input, 48_000.0), shifted(by), "{by}");
    }
    // 0.5 ms are 22.05 samples at 44.1 kHz: rounded to the nearest.
    for (ms, rate_hz, by) in [
        (0.5, 44_100.0, 22),
        (-1.0, 48_000.0, -48),
        (0.0, 96_000.0, 0),
    ] {
        let stages = [stage(&format!("{{ delay = {{ ms = {ms:?} }} }}"))];
        assert_eq!(run_mono(&stages, &input, rate_hz), shifted(by), "{ms} ms");
    }
    let there_and_back = [
        stage("{ delay = { samples = -20 } }"),
        stage("{ delay = { samples = 20 } }"),
    ];
    let out = run_mono(&there_and_back, &input, 48_000.0);
    assert_eq!(out[20..], input[20..]);
    assert_eq!(Chain::latency(&there_and_back, 48_000.0), 20);
}

#[test]
fn what_follows_an_early_delay_still_rings_at_the_end() {
    let stages = [
        stage("{ low-pass = { freq_hz = 200, order = 2 } }"),
        stage("{ delay = { samples = -100 } }"),
    ];
    let mut input = vec![0.0; 1000];
    input[980] = 1.0;
    let plain = run_mono(
        &stages[..1],
        &[input.clone(), vec![0.0; 100]].concat(),
        48_000.0,
    );
    assert_eq!(run_mono(&stages, &input, 48_000.0), plain[100..]);
}

#[test]
fn neutral_settings_change_no_bit() {
    let neutral = [
        "{ peak = { freq_hz = 300, gain_db = 0.0, q = 1.0 } }",
        "{ low-shelf = { freq_hz = 300, gain_db = 0.0 } }",
        "{ high-shelf = { freq_hz = 300, gain_db = 0.0, slope = 0.5 } }",
        "{ tilt = { freq_hz = 300, gain_db = 0.0 } }",
        "{ gain = { gain_db = 0.0 } }",
        "{ polarity = { inverted = false } }",
        "{ delay = { samples = 0 } }",
    ]
    .map(stage);
    let mut samples = noise(9, 5000);
    samples[..5].copy_from_slice(&[-0.0, 0.0, 5e-324, 1e30, -1.0]);
    let input = Block::from_channels(vec![samples, noise(10, 5000)]);
    for stages in [&neutral[..], &[]] {
        let out = run_in_blocks(stages, &input, 48_000.0, 100);
        assert!(bits(&out) == bits(&input), "{stages:?}");
    }
}

#[test]
fn gain_and_polarity_are_exact() {
    let input = noise(12, 100);
    let twice = [
        stage("{ gain = { gain_db = 20.0 } }"),
        stage("{ polarity = { inverted = true } }"),
    ];
    let out = run_mono(&twice, &input, 48_000.0);
    assert!(input.iter().zip(&out).all(|(x, y)| *y == -10.0 * x));
}

#[test]
fn what_is_out_of_range_is_refused_in_words() {
    let rows: [(&str, &[&str]); 22] = [
        (
            "{ high-pass = { freq_hz = 30000, order = 9 } }",
            &[
                "`freq_hz` is 30000, expected above 0 and below 24000",
                "`order` is 9, expected 1 to 8",
            ],
        ),
        (
            "{ low-pass = { freq_hz = 0, order = 0 } }",
            &[
                "`freq_hz` is 0, expected above 0 and below 24000",
                "`order` is 0, expected 1 to 8",
            ],
        ),
        (
            "{ low-pass = { freq_hz = 24000, order = 3, shape = \"linkwitz-riley\" } }",
            &[
                "`freq_hz` is 24000, expected above 0 and below 24000",
                "`order` is 3, expected an even number for linkwitz-riley",
            ],
        ),
        (
            "{ peak = { freq_hz = -1, gain_db = 24.1, q = 0.09 } }",
            &[
                "`freq_hz` is -1, expected above 0 and below 24000",
                "`gain_db` is 24.1, expected -24 to 24",
                "`q` is 0.09, expected 0.1 to 40",
            ],
        ),
        (
            "{ peak = { freq_hz = nan, gain_db = nan, q = nan } }",
            &[
                "`freq_hz` is NaN, expected above 0 and below 24000",
                "`gain_db` is NaN, expected -24 to 24",
                "`q` is NaN, expected 0.1 to 40",
            ],
        ),
        (
            "{ peak = { freq_hz = inf, gain_db = -inf, q = 40.1 } }",
            &[
                "`freq_hz` is inf, expected above 0 and below 24000",
                "`gain_db` is -inf, expected -24 to 24",
                "`q` is 40.1, expected 0.1 to 40",
            ],
        ),
        (
            "{ notch = { freq_hz = 50, q = 201 } }",
            &["`q` is 201, expected 0.1 to 200"],
        ),
        (
            "{ notch = { freq_hz = nan, q = 0.05 } }",
            &[
                "`freq_hz` is NaN, expected above 0 and below 24000",
                "`q` is 0.05, expected 0.1 to 200",
            ],
        ),
        (
            "{ low-shelf = { freq_hz = 100, gain_db = -25, q = 2.1 } }",
            &[
                "`gain_db` is -25, expected -24 to 24",
                "`q` is 2.1, expected 0.1 to 2",
            ],
        ),
        (
            "{ high-shelf = { freq_hz = 100, gain_db = 3, q = 0.5, slope = 0.5 } }",
            &["`slope` is 0.5, expected one of `q` and `slope`"],
        ),
        (
            "{ high-shelf = { freq_hz = 100, gain_db = 3, slope = 0 } }",
            &["`slope` is 0, expected 0.01 to 1"],
        ),
        (
            "{ low-shelf = { freq_hz = 100, gain_db = 3, slope = 1.1 } }",
            &["`slope` is 1.1, expected 0.01 to 1"],
        ),
        (
            "{ low-shelf = { freq_hz = 100, gain_db = nan, slope = nan } }",
            &[
                "`gain_db` is NaN, expected -24 to 24",
                "`slope` is NaN, expected 0.01 to 1",
            ],
        ),
        (
            "{ tilt = { freq_hz = 1000, gain_db = 12.5 } }",
            &["`gain_db` is 12.5, expected -12 to 12"],
        ),
        (
            "{ tilt = { freq_hz = nan, gain_db = nan } }",
            &[
                "`freq_hz` is NaN, expected above 0 and below 24000",
                "`gain_db` is NaN, expected -12 to 12",
            ],
        ),
        (
            "{ gain = { gain_db = 60.5 } }",
            &["`gain_db` is 60.5, expected -60 to 60"],
        ),
        (
            "{ gain = { gain_db = -inf } }",
            &["`gain_db` is -inf, expected -60 to 60"],
        ),
        (
            "{ delay = { samples = 100001 } }",
            &["`samples` is 100001, expected -100000 to 100000"],
        ),
        (
            "{ delay = { ms = -1000.5 } }",
            &["`ms` is -1000.5, expected -1000 to 1000"],
        ),
        (
            "{ delay = { ms = nan } }",
            &["`ms` is NaN, expected -1000 to 1000"],
        ),
        (
            "{ delay = {} }",
            &["`samples` is absent, expected one of `samples` and `ms`"],
        ),
        (
            "{ delay = { samples = 1, ms = 1 } }",
            &["`samples` is given beside `ms`, expected one of `samples` and `ms`"],
        ),
    ];
    for (toml, messages) in rows {
        let good = stage("{ gain = { gain_db = 1 } }");
        let faults = Chain::check(&[good, stage(toml)], 48_000.0);
        let texts: Vec<String> = faults.iter().map(|(_, fault)| fault.to_string()).collect();
        assert_eq!(texts, messages, "{toml}");
        assert!(faults.iter().all(|(index, _)| *index == 1), "{toml}");
    }
}

fn one_of(words: &'static [&'static str]) -> impl Strategy<Value = &'static str> + Clone {
    prop::sample::select(words)
}

fn any_linear() -> impl Strategy<Value = Stage> {
    let freq = (0.0f64..1.0).prop_map(|x| 20.0 * 1000f64.powf(x));
    let gain = -24.0f64..24.0;
    let pass = (one_of(&["high-pass", "low-pass"]), freq.clone(), 1u8..=8).prop_map(
        |(kind, hz, order)| {
            stage(&format!(
                "{{ {kind} = {{ freq_hz = {hz:?}, order = {order} }} }}"
            ))
        },
    );
    let eq = (
        one_of(&["peak", "notch", "low-shelf", "high-shelf", "tilt"]),
        freq,
        gain,
        0.1f64..2.0,
    )
        .prop_map(|(kind, hz, db, q)| {
            equaliser(kind, hz, if kind == "tilt" { db / 2.0 } else { db }, q)
        });
    let basic =
        (-60.0f64..6.0).prop_map(|db| stage(&format!("{{ gain = {{ gain_db = {db:?} }} }}")));
    let delay = (-200i64..200).prop_map(|n| stage(&format!("{{ delay = {{ samples = {n} }} }}")));
    prop_oneof![3 => pass, 4 => eq, 1 => basic, 1 => delay]
}

fn any_stage() -> impl Strategy<Value = Stage> {
    let drive = (
        one_of(&["soft", "tube", "hard", "fold", "starve"]),
        0.0f64..18.0,
        0.0f64..=1.0,
        -1.0f64..1.0,
    )
        .prop_map(|(curve, db, mix, bias)| {
            let keys = format!("drive_db = {db:?}, mix = {mix:?}, bias = {bias:?}");
            stage(&format!("{{ drive = {{ curve = \"{curve}\", {keys} }} }}"))
        });
    let compress = (one_of(&["peak", "rms"]), -60.0f64..0.0, 1.0f64..100.0, 0.05f64..500.0, 1.0f64..5000.0)
        .prop_map(|(detector, threshold, ratio, attack, release)| {
            let times = format!("attack_ms = {attack:?}, release_ms = {release:?}");
            let rest = format!("detector = \"{detector}\", side_high_pass_hz = 90");
            stage(&format!(
                "{{ compress = {{ threshold_db = {threshold:?}, ratio = {ratio:?}, {times}, {rest} }} }}"
            ))
        });
    let gate =
        (-80.0f64..0.0, 0u64..3000, 0.0f64..=1.0, 0u64..1000).prop_map(|(range, at, by, hold)| {
            let opening = format!("{{ at = {at}, by = {by:?}, hold = {hold} }}");
            stage(&format!(
                "{{ gate = {{ range_db = {range:?}, openings = [{opening}] }} }}"
            ))
        });
    prop_oneof![4 => any_linear(), 2 => drive, 1 => compress, 1 => gate]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_chain_is_whole_finite_and_cut_anywhere(
        stages in prop::collection::vec(any_stage(), 0..6),
        seed in any::<u64>(),
        frames in 0usize..3000,
        cut in 1usize..700,
        channels in 1usize..4,
        rate_hz in prop::sample::select(RATES_HZ.to_vec()),
    ) {
        let input = Block::from_channels((0..channels as u64).map(|c| noise(seed ^ c, frames)).collect());
        prop_assert_eq!(Chain::check(&stages, rate_hz), vec![]);
        let whole = run_in_blocks(&stages, &input, rate_hz, frames.max(1));
        prop_assert_eq!((whole.count(), whole.frames()), (channels, frames));
        prop_assert!(whole.channels().flatten().all(|x| x.is_finite()));
        let pieces = run_in_blocks(&stages, &input, rate_hz, cut);
        prop_assert_eq!(bits(&pieces), bits(&whole));
    }

    #[test]
    fn any_chain_measures_as_it_says(
        stages in prop::collection::vec(any_linear(), 1..5),
        rate_hz in prop::sample::select(RATES_HZ.to_vec()),
        hz in 30.0f64..20_000.0,
    ) {
        let said = Chain::response(&stages, rate_hz, hz).expect("linear");
        let measured = measured_db(&stages, rate_hz, hz);
        if said > -100.0 && Chain::latency(&stages, rate_hz) == 0 {
            prop_assert!((said - measured).abs() < 1e-3, "{} {}", said, measured);
        }
    }
}
