use super::*;

fn settings() -> Compress {
    Compress {
        threshold_db: -24.0,
        ratio: 4.0,
        attack_ms: 5.0,
        release_ms: 80.0,
        knee_db: 6.0,
        detector: Detector::Peak,
        side_high_pass_hz: None,
        makeup_db: 0.0,
    }
}

fn run(settings: &Compress, channels: Vec<Vec<f64>>, size: usize) -> Vec<Vec<f64>> {
    let mut running = settings.start(48e3, channels.len());
    let mut out = vec![Vec::new(); channels.len()];
    for start in (0..channels[0].len()).step_by(size) {
        let end = (start + size).min(channels[0].len());
        let part = channels.iter().map(|c| c[start..end].to_vec()).collect();
        let mut block = Block::from_channels(part);
        running.process(&mut block);
        for (out, part) in out.iter_mut().zip(block.channels()) {
            out.extend_from_slice(part);
        }
    }
    out
}

fn last_db(settings: &Compress, input: Vec<f64>) -> f64 {
    maths::ratio_to_db(run(settings, vec![input], 4096)[0].last().unwrap().abs())
}

#[test]
fn the_static_curve_is_the_published_one() {
    // Equation 4 of the paper, written as its three cases.
    for (ratio, knee) in [(4.0, 6.0), (6.0, 0.0), (20.0, 24.0), (1.0, 6.0)] {
        let settings = Compress {
            ratio,
            knee_db: knee,
            makeup_db: 1.5,
            ..settings()
        };
        for level in -60..=12 {
            let x = f64::from(level);
            let over = x + 24.0;
            let expected = if 2.0 * over < -knee {
                x
            } else if 2.0 * over.abs() <= knee && knee > 0.0 {
                x + (1.0 / ratio - 1.0) * (over + knee / 2.0).powi(2) / (2.0 * knee)
            } else {
                -24.0 + over / ratio
            };
            let out = last_db(&settings, vec![maths::db_to_ratio(x); 48_000]);
            assert!(
                (out - expected - 1.5).abs() < 1e-6,
                "{ratio} {knee} {x}: {out} {expected}"
            );
        }
    }
}

#[test]
fn the_reduction_follows_its_time_constants() {
    // −60 dBFS, then −4, then −60 again; 20 dB over the threshold become 5, so 15 dB of reduction.
    let quiet = maths::db_to_ratio(-60.0);
    let loud = maths::db_to_ratio(-4.0);
    let mut input = vec![quiet; 1000];
    input.extend(vec![loud; 48_000]);
    input.extend(vec![quiet; 48_000]);
    let settings = Compress {
        knee_db: 0.0,
        ..settings()
    };
    let output = run(&settings, vec![input.clone()], 4096).remove(0);
    let reduction = |n: usize| maths::ratio_to_db(input[n] / output[n]);
    for ms in [1.0, 5.0, 20.0] {
        let n = (ms * 48.0) as usize;
        let expected = 15.0 * (1.0 - (-ms / 5.0f64).exp());
        assert!((reduction(1000 + n - 1) - expected).abs() < 1e-6, "{ms}");
    }
    for ms in [10.0, 80.0, 400.0] {
        let n = (ms * 48.0) as usize;
        let expected = 15.0 * (-ms / 80.0f64).exp();
        assert!((reduction(49_000 + n - 1) - expected).abs() < 1e-6, "{ms}");
    }
}

#[test]
fn peak_and_rms_read_a_sine_3_db_apart() {
    let sine: Vec<f64> = (0..96_000)
        .map(|n| 0.5 * maths::sin(2.0 * std::f64::consts::PI * 1000.0 / 48e3 * f64::from(n)))
        .collect();
    let level = |detector| {
        // Slow up, slower down: the ripple within a period averages out for RMS, peaks hold.
        let settings = Compress {
            detector,
            attack_ms: 0.05,
            release_ms: 5000.0,
            knee_db: 0.0,
            ..settings()
        };
        let output = run(&settings, vec![sine.clone()], 4096).remove(0);
        let peak = output[90_000..].iter().fold(0.0f64, |a, y| a.max(y.abs()));
        // out = T + (level − T)/4 on top of the detector's reading
        let gain = maths::ratio_to_db(peak / 0.5);
        -24.0 - gain / 0.75
    };
    assert!(
        (level(Detector::Peak) + 6.02).abs() < 0.1,
        "{}",
        level(Detector::Peak)
    );
    assert!(
        (level(Detector::Rms) + 9.03).abs() < 0.01,
        "{}",
        level(Detector::Rms)
    );
}

#[test]
fn both_channels_get_one_gain() {
    let loud: Vec<f64> = (0..9600).map(|n| maths::sin(f64::from(n) * 0.05)).collect();
    let quiet: Vec<f64> = (0..9600)
        .map(|n| 1e-3 * maths::sin(f64::from(n) * 0.31))
        .collect();
    for detector in [Detector::Peak, Detector::Rms] {
        let settings = Compress {
            detector,
            ..settings()
        };
        let out = run(&settings, vec![loud.clone(), quiet.clone()], 512);
        for n in 1..9600 {
            let gains = (out[0][n] / loud[n], out[1][n] / quiet[n]);
            assert!((gains.0 / gains.1 - 1.0).abs() < 1e-12);
        }
        let swapped = run(&settings, vec![quiet.clone(), loud.clone()], 512);
        assert_eq!(out[0], swapped[1]);
    }
    let mono = run(&settings(), vec![loud.clone()], 512);
    assert_eq!(run(&settings(), vec![loud.clone(), loud], 512)[1], mono[0]);
}

#[test]
fn the_side_high_pass_keeps_the_kick_out_of_the_detector() {
    let low: Vec<f64> = (0..48_000)
        .map(|n| 0.5 * maths::sin(0.0065 * f64::from(n)))
        .collect(); // 50 Hz
    let with = Compress {
        side_high_pass_hz: Some(800.0),
        ..settings()
    };
    let peak = |settings| {
        run(settings, vec![low.clone()], 4096)[0][40_000..]
            .iter()
            .fold(0.0f64, |a, b| a.max(b.abs()))
    };
    assert!((peak(&with) - 0.5).abs() < 1e-3);
    assert!(peak(&settings()) < 0.2);
}

#[test]
fn how_the_stream_is_cut_changes_no_bit_and_silence_stays_silent() {
    let x: Vec<f64> = (0..6000)
        .map(|n| maths::sin(f64::from(n * (n % 97)) * 1e-3))
        .collect();
    for detector in [Detector::Peak, Detector::Rms] {
        let settings = Compress {
            detector,
            side_high_pass_hz: Some(100.0),
            ..settings()
        };
        let whole = run(&settings, vec![x.clone(), x.clone()], 6000);
        for size in [1, 7, 64, 4096] {
            assert_eq!(run(&settings, vec![x.clone(), x.clone()], size), whole);
        }
        assert!(
            run(&settings, vec![vec![0.0; 5000]], 64)[0]
                .iter()
                .all(|y| *y == 0.0)
        );
        let odd = vec![[1e300, -1e300, 1e-310, -5e-324, 1.0, 0.0].repeat(100)];
        assert!(run(&settings, odd, 64)[0].iter().all(|y| y.is_finite()));
    }
}

#[test]
fn settings_out_of_range_are_all_named() {
    let wrong = Compress {
        threshold_db: 1.0,
        ratio: f64::NAN,
        attack_ms: 0.0,
        release_ms: 9e9,
        knee_db: -1.0,
        detector: Detector::Rms,
        side_high_pass_hz: Some(24_000.0),
        makeup_db: 25.0,
    };
    assert_eq!(wrong.check(48e3).len(), 7);
    assert_eq!(settings().check(48e3), []);
}
