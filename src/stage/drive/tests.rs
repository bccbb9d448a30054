//! Data sheet of the drive: aliasing, harmonics, delay, robustness.

use super::*;

const ALL: [Curve; 5] = [
    Curve::Soft,
    Curve::Tube,
    Curve::Hard,
    Curve::Fold,
    Curve::Starve,
];
const TURN: f64 = 2.0 * std::f64::consts::PI;

fn drive(curve: Curve, drive_db: f64) -> Drive {
    Drive {
        curve,
        drive_db,
        mix: 1.0,
        bias: 0.0,
        threshold_db: None,
        match_db: Some(0.0),
    }
}

fn run(settings: &Drive, rate_hz: f64, input: &[f64], block: usize) -> Vec<f64> {
    let mut running = settings.start(rate_hz, 1);
    let mut output = Vec::new();
    for part in input.chunks(block) {
        let mut block = Block::from_channels(vec![part.to_vec()]);
        running.process(&mut block);
        output.extend_from_slice(block.channel(0));
    }
    output
}

/// Power spectrum of whole periods: entry k is the squared amplitude of the sine in bin k.
fn spectrum(samples: &[f64]) -> Vec<f64> {
    let mut planner = realfft::RealFftPlanner::<f64>::new();
    let fft = planner.plan_fft_forward(samples.len());
    let mut bins = fft.make_output_vec();
    fft.process(&mut samples.to_vec(), &mut bins).unwrap();
    let scale = 2.0 / samples.len() as f64;
    bins.iter().map(|c| c.norm_sqr() * scale * scale).collect()
}

/// The last `length` samples of the steady state for a sine of 0 dBFS in `bin`.
fn steady(settings: &Drive, rate_hz: f64, bin: usize, length: usize) -> Vec<f64> {
    let settle = 2 * rate_hz as usize; // followers and the 15 Hz high-pass have come to rest
    let input: Vec<f64> = (0..settle + length)
        .map(|n| maths::sin(0.1 + TURN * ((bin * n) % length) as f64 / length as f64))
        .collect();
    run(settings, rate_hz, &input, 4096).split_off(settle)
}

/// Power off the harmonics of `bin` from 20 Hz to 20 kHz, in dB re a sine of 0 dBFS after the output has
/// been normalised to a peak of 0 dBFS.
fn alias_dbfs(samples: &[f64], rate_hz: f64, bin: usize) -> f64 {
    let length = samples.len();
    let peak = samples.iter().fold(0.0f64, |a, b| a.max(b.abs()));
    let audible = |k: usize| (20.0..=20e3).contains(&(k as f64 * rate_hz / length as f64));
    let off: f64 = spectrum(samples)
        .iter()
        .enumerate()
        .filter(|(k, _)| k % bin != 0 && audible(*k))
        .map(|(_, power)| power)
        .sum();
    10.0 * maths::log10(off / (peak * peak))
}

#[test]
fn aliases_stay_below_minus_90_dbfs_at_5_khz_and_minus_80_at_10_khz() {
    const LENGTH: usize = 1 << 14;
    println!("aliasing, dBFS, sine of 0 dBFS, 48 kHz");
    println!("curve   drive |   1 kHz   2 kHz   5 kHz   7 kHz  10 kHz");
    for curve in ALL {
        for drive_db in [12.0, 18.0, 30.0, 40.0] {
            if curve == Curve::Fold && drive_db > 18.0 {
                continue;
            }
            let mut line = format!("{:7} {drive_db:5} |", format!("{curve:?}"));
            for (bin, most) in [
                (341, -90.0),
                (683, -90.0),
                (1707, -90.0),
                (2389, -80.0),
                (3413, -80.0),
            ] {
                let db = alias_dbfs(
                    &steady(&drive(curve, drive_db), 48e3, bin, LENGTH),
                    48e3,
                    bin,
                );
                line += &format!(" {db:7.1}");
                assert!(
                    drive_db > 30.0 || db < most,
                    "{curve:?} {drive_db} {bin}: {db}"
                );
            }
            println!("{line}");
        }
    }
}

#[test]
fn other_rates_alias_no_more() {
    const LENGTH: usize = 1 << 14;
    println!("aliasing, dBFS, 30 dB of drive (fold 18), 5 and 10 kHz");
    for rate_hz in [44.1e3, 88.2e3, 96e3, 192e3] {
        for curve in [Curve::Soft, Curve::Hard, Curve::Fold] {
            let settings = drive(curve, if curve == Curve::Fold { 18.0 } else { 30.0 });
            for (freq_hz, most) in [(5e3, -90.0), (10e3, -80.0)] {
                let bin = (freq_hz / rate_hz * LENGTH as f64) as usize | 1;
                let samples = steady(&settings, rate_hz, bin, LENGTH);
                let db = alias_dbfs(&samples, rate_hz, bin);
                println!("{rate_hz:8} {curve:?} {freq_hz:6}: {db:.1}");
                assert!(db < most, "{rate_hz} {curve:?} {freq_hz}: {db}");
            }
        }
    }
}

#[test]
fn it_runs_at_any_rate_with_a_whole_latency() {
    for rate_hz in [
        8e3, 11_025.0, 16e3, 22_050.0, 32e3, 47_952.0, 48_048.0, 50e3, 64e3, 352.8e3, 384e3, 768e3,
    ] {
        let settings = drive(Curve::Hard, 0.0);
        assert_eq!(settings.check(rate_hz), []);
        let latency = settings.start(rate_hz, 1).latency();
        let step = 0.02 * TURN;
        let wave = |n: f64| 0.1 * maths::sin(step * n);
        let input: Vec<f64> = (0..2000).map(|n| wave(f64::from(n))).collect();
        let output = run(&settings, rate_hz, &input, 100);
        // The 15 Hz high-pass is early by about this share of the amplitude.
        let early = 0.1 * 15.0 / (0.02 * rate_hz) + 1e-3;
        for (n, y) in output.iter().enumerate().skip(1500) {
            let gap = y - wave(n as f64 - latency as f64);
            assert!(gap.abs() < early, "{rate_hz} {n}: {gap}");
        }
    }
}

#[test]
fn the_mean_taken_off_the_tube_is_nearly_the_true_one() {
    for i in 0..200 {
        let amplitude = 0.02 * 1.05f64.powi(i);
        let steps = 4096;
        let sum: f64 = (0..steps)
            .map(|k| {
                let phase = TURN * (f64::from(k) + 0.5) / f64::from(steps);
                Soft::at(amplitude * (phase.sin() + TUBE_OFFSET))
            })
            .sum();
        let (mut offset, mut taken) = ([amplitude], [amplitude]);
        tube(&mut offset, &mut taken);
        assert_eq!(offset, [TUBE_OFFSET * amplitude]);
        let off = taken[0] + sum / f64::from(steps);
        assert!(off.abs() < 0.05, "{amplitude}: {off}");
    }
}

/// Amplitude of harmonic k of f(a sin t + offset), by a fine sum of its own.
fn fourier(f: impl Fn(f64) -> f64, a: f64, offset: f64, k: u32) -> f64 {
    const STEPS: u32 = 1 << 16;
    let (mut re, mut im) = (0.0, 0.0);
    for i in 0..STEPS {
        let t = TURN * (f64::from(i) + 0.5) / f64::from(STEPS);
        let y = f(a * t.sin() + offset);
        re += y * (f64::from(k) * t).cos();
        im += y * (f64::from(k) * t).sin();
    }
    2.0 / f64::from(STEPS) * re.hypot(im)
}

#[test]
fn harmonics_are_those_of_the_curve() {
    const LENGTH: usize = 1 << 14;
    const BIN: usize = 69; // 202 Hz: the averaging triangle takes less than 1e-5 off the ninth harmonic
    let soft = |x: f64| {
        let x = x.clamp(-1.0, 1.0);
        1.5 * x - 0.5 * x.powi(3)
    };
    let hard = |x: f64| {
        let (a, s) = (x.abs(), x.signum());
        s * if a < 0.75 {
            a
        } else if a < 1.25 {
            a - (a - 0.75).powi(2)
        } else {
            1.0
        }
    };
    let fold = |x: f64| (std::f64::consts::FRAC_PI_2 * x).sin();
    let same = |settings: Drive, f: &dyn Fn(f64) -> f64| {
        let a = maths::db_to_ratio(settings.drive_db);
        let power = spectrum(&steady(&settings, 48e3, BIN, LENGTH));
        for k in 1..=9 {
            let (ours, expected) = (
                power[BIN * k].sqrt(),
                fourier(f, a, settings.bias, k as u32),
            );
            // The 15 Hz high-pass lifts or lowers nothing here by more than 0.3 %.
            assert!(
                (ours - expected).abs() < 0.003 * expected + 2e-5,
                "{settings:?} {k}: {ours} {expected}"
            );
        }
    };
    for drive_db in [0.0, 6.0, 12.0, 20.0] {
        same(drive(Curve::Soft, drive_db), &soft);
        same(drive(Curve::Hard, drive_db), &hard);
        same(
            Drive {
                bias: 0.4,
                ..drive(Curve::Soft, drive_db)
            },
            &soft,
        );
        same(
            Drive {
                bias: -0.7,
                ..drive(Curve::Hard, drive_db)
            },
            &hard,
        );
        same(drive(Curve::Fold, drive_db.min(18.0)), &fold);
    }
}

#[test]
fn far_above_its_knee_the_hard_curve_has_the_series_of_a_clipped_sine() {
    // b1 … b9 of a sine of 40 dB clipped at 1, from the closed form
    // (2a/π)(sin((n−1)θ)/(n(n−1)) + sin((n+1)θ)/(n(n+1))), θ = asin(1/a).
    let a = 100.0f64;
    let theta = (1.0 / a).asin();
    let power = spectrum(&steady(&drive(Curve::Hard, 40.0), 48e3, 21, 1 << 14));
    for n in [1.0, 3.0, 5.0, 7.0, 9.0f64] {
        let expected = if n == 1.0 {
            2.0 * a / std::f64::consts::PI * (theta + 0.5 * (2.0 * theta).sin())
        } else {
            let term = |m: f64| (m * theta).sin() / m;
            2.0 * a / (std::f64::consts::PI * n) * (term(n - 1.0) + term(n + 1.0))
        };
        let ours = power[21 * n as usize].sqrt();
        // The 15 Hz high-pass takes 3 % off a fundamental of 61.5 Hz.
        let high_pass = 1.0 / (1.0 + (15.0 / (n * 61.523_437_5)).powi(2)).sqrt();
        assert!(
            (ours / (expected * high_pass) - 1.0).abs() < 3e-4,
            "{n}: {ours} {expected}"
        );
    }
}

#[test]
fn the_second_harmonic_of_the_tube_stays_at_any_drive() {
    for drive_db in [12.0, 18.0, 24.0, 36.0] {
        let power = spectrum(&steady(&drive(Curve::Tube, drive_db), 48e3, 69, 1 << 14));
        let second = 10.0 * maths::log10(power[138] / power[69]);
        assert!((second + 14.0).abs() < 1.5, "{drive_db}: {second}");
    }
}

#[test]
fn silence_stays_silent_and_an_offset_fades() {
    for curve in ALL {
        for bias in [0.0, 0.6] {
            let settings = Drive {
                bias,
                ..drive(curve, 18.0)
            };
            assert!(
                run(&settings, 48e3, &[0.0; 5000], 512)
                    .iter()
                    .all(|y| *y == 0.0),
                "{curve:?}"
            );
            let constant = run(&settings, 48e3, &[0.3; 48_000], 4096);
            assert!(
                constant[47_000..].iter().all(|y| y.abs() < 1e-9),
                "{curve:?}"
            );
        }
    }
}

#[test]
fn nothing_that_is_finite_gives_anything_else() {
    let square: Vec<f64> = (0..4800)
        .map(|n| if n / 50 % 2 == 0 { 1.0 } else { -1.0 })
        .collect();
    let mut tiny = vec![1.0, f64::MIN_POSITIVE, 1e-310, -5e-324];
    tiny.extend(vec![1e-310; 4000]);
    let huge: Vec<f64> = (0..4800)
        .map(|n| if n % 7 == 0 { 1e300 } else { -1e200 })
        .collect();
    for curve in ALL {
        let settings = Drive {
            bias: 0.1,
            ..drive(curve, 18.0)
        };
        for input in [&square, &tiny, &huge] {
            for rate in [44.1e3, 48e3, 96e3, 192e3] {
                let most = run(&settings, rate, input, 333)
                    .iter()
                    .fold(0.0f64, |a, y| {
                        assert!(y.is_finite());
                        a.max(y.abs())
                    });
                assert!(most < 4.0, "{curve:?}: {most}");
            }
        }
    }
}

#[test]
fn a_broken_sample_does_not_break_those_behind_it() {
    for curve in ALL {
        let settings = Drive {
            mix: 0.5,
            ..drive(curve, 18.0)
        };
        for broken in [f64::NAN, f64::INFINITY] {
            let mut input = vec![0.1; 2000];
            input[700] = broken;
            let output = run(&settings, 48e3, &input, 256);
            assert!(output[1000..].iter().all(|y| y.is_finite()), "{curve:?}");
        }
    }
}

#[test]
fn how_the_stream_is_cut_changes_no_bit() {
    let input: Vec<f64> = (0..9000)
        .map(|n| 0.4 * maths::sin(f64::from(n * (n % 800)) * 1e-3))
        .collect();
    for curve in ALL {
        let settings = Drive {
            bias: 0.2,
            mix: 0.4,
            ..drive(curve, 15.0)
        };
        for rate in [44.1e3, 96e3] {
            let whole = run(&settings, rate, &input, 9000);
            for block in [1, 7, 64, 4096] {
                assert_eq!(
                    run(&settings, rate, &input, block),
                    whole,
                    "{curve:?} {block}"
                );
            }
        }
    }
}

#[test]
fn a_quiet_impulse_arrives_at_the_promised_sample() {
    for rate in [44.1e3, 48e3, 88.2e3, 96e3, 176.4e3, 192e3] {
        for curve in [Curve::Soft, Curve::Tube, Curve::Hard, Curve::Fold] {
            let settings = drive(curve, 0.0);
            let latency = settings.start(rate, 1).latency();
            let mut input = vec![0.0; 1000];
            input[300] = 1e-3;
            let output = run(&settings, rate, &input, 128);
            // The phase at a middle frequency, where the 15 Hz high-pass turns nothing.
            let step = TURN * 0.11;
            let (mut re, mut im) = (0.0, 0.0);
            for (n, y) in output.iter().enumerate() {
                let angle = step * (n as f64 - 300.0 - latency as f64);
                re += y * angle.cos();
                im -= y * angle.sin();
            }
            let early = im.atan2(re) / step;
            if curve == Curve::Soft {
                println!("{rate}: latency {latency}, off by {early:.1e} samples");
            }
            assert!(early.abs() < 0.01, "{rate} {curve:?}: {early}");
        }
    }
}

#[test]
fn a_straight_piece_of_the_curve_cancels_the_dry_sound() {
    // The hard curve is straight below 0.75, so wet and dry differ by the triangle and the high-pass alone.
    let input: Vec<f64> = (0..48_000)
        .map(|n| 0.5 * maths::sin(TURN * 1000.0 / 48e3 * f64::from(n)))
        .collect();
    let wet = run(&drive(Curve::Hard, 0.0), 48e3, &input, 4096);
    let mixed = run(
        &Drive {
            mix: 0.5,
            ..drive(Curve::Hard, 0.0)
        },
        48e3,
        &input,
        4096,
    );
    let latency = drive(Curve::Hard, 0.0).start(48e3, 1).latency();
    for n in 10_000..48_000 {
        assert!((wet[n] - input[n - latency]).abs() < 0.01);
        assert!((2.0 * mixed[n] - wet[n] - input[n - latency]).abs() < 1e-15);
    }
}

#[test]
fn unmeasured_a_sine_of_minus_12_dbfs_keeps_its_power_and_thirty_db_do_not_clip() {
    let sine = |peak_dbfs: f64, n: u32| {
        maths::db_to_ratio(peak_dbfs) * maths::sin(TURN * 500.0 / 48e3 * f64::from(n))
    };
    let input: Vec<f64> = (0..96_000).map(|n| sine(-12.0, n)).collect();
    let power = |x: &[f64]| x[48_000..].iter().map(|y| y * y).sum::<f64>();
    for curve in ALL {
        for drive_db in [0.0, 6.0, 12.0, 18.0, 30.0] {
            if curve == Curve::Fold && drive_db > 18.0 {
                continue;
            }
            let settings = Drive {
                match_db: None,
                ..drive(curve, drive_db)
            };
            let output = run(&settings, 48e3, &input, 4096);
            let db = 10.0 * maths::log10(power(&output) / power(&input));
            assert!(db.abs() < 0.15, "{curve:?} {drive_db}: {db}");
            assert!(output.iter().all(|y| y.abs() < 1.0));
        }
    }
    let loud: Vec<f64> = (0..48_000).map(|n| sine(0.0, n)).collect();
    for curve in [Curve::Soft, Curve::Hard, Curve::Starve] {
        let output = run(&drive(curve, 30.0), 48e3, &loud, 4096);
        let peak = output.iter().fold(0.0f64, |a, y| a.max(y.abs()));
        println!(
            "{curve:?}: unmatched peak at 30 dB of drive {:.2} dBFS",
            maths::ratio_to_db(peak)
        );
        assert!((0.9..1.3).contains(&peak), "{curve:?}: {peak}");
    }
}

#[test]
fn the_starving_circuit_lets_the_hit_through_and_stops_the_ring() {
    // A hit of −12 dBFS that rings for 0.8 s (60 dB), 12 dB of drive.
    let input: Vec<f64> = (0..48_000)
        .map(|n| {
            0.25 * maths::exp(-f64::from(n) * 6.9078 / 38_400.0)
                * maths::sin(TURN * 150.0 / 48e3 * f64::from(n))
        })
        .collect();
    let level = |x: &[f64], at: usize| {
        let power = x[at..at + 960].iter().map(|y| y * y).sum::<f64>() / 960.0;
        10.0 * maths::log10(power + 1e-20)
    };
    let starved = run(&drive(Curve::Starve, 12.0), 48e3, &input, 4096);
    let plain = run(&drive(Curve::Hard, 12.0), 48e3, &input, 4096);
    assert!((level(&starved, 100) - level(&plain, 100)).abs() < 0.5);
    assert!(level(&starved, 30_000) < level(&plain, 30_000) - 35.0);
}

#[test]
fn settings_out_of_range_are_all_named() {
    let wrong = Drive {
        curve: Curve::Fold,
        drive_db: 18.1,
        mix: f64::NAN,
        bias: -2.0,
        threshold_db: Some(-30.0),
        match_db: Some(f64::INFINITY),
    };
    let keys: Vec<_> = wrong.check(48e3).iter().map(|fault| fault.key).collect();
    assert_eq!(
        keys,
        ["drive_db", "mix", "bias", "match_db", "threshold_db"]
    );
    for curve in ALL {
        assert_eq!(drive(curve, 18.0).check(48e3), []);
    }
}
