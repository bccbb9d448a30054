use super::*;
use crate::dsp::random::Random;
use crate::measure::testing::drums;

fn read(samples: &[f64]) -> f64 {
    let mut meter = TruePeak::new();
    meter.push(samples);
    meter.finish()
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Linear, over `frames` at both ends: frame n has the gain n/frames.
fn fade(samples: &mut [f64], frames: usize) {
    let last = samples.len() - 1;
    for n in 0..frames {
        samples[n] *= n as f64 / frames as f64;
        samples[last - n] *= n as f64 / frames as f64;
    }
}

#[test]
fn tech_3341_signals_15_to_19_read_within_tolerance_at_every_rate() {
    // EBU Tech 3341 (V4, 11/2023) Table 1: divisor of the rate, amplitude, phase, dBTP
    let signals = [
        (15, 4.0, 0.50, 0.0, -6.0),
        (16, 4.0, 0.50, 45.0, -6.0),
        (17, 6.0, 0.50, 60.0, -6.0),
        (18, 8.0, 0.50, 67.5, -6.0),
        (19, 4.0, 1.41, 45.0, 3.0),
    ];
    for rate in [44_100, 48_000, 96_000, 192_000] {
        for (id, divisor, amplitude, phase, want) in signals {
            let angle =
                |n: usize| std::f64::consts::TAU * n as f64 / divisor + f64::to_radians(phase);
            let mut x: Vec<f64> = (0..rate).map(|n| amplitude * angle(n).sin()).collect();
            fade(&mut x, rate / 100);
            let got = db(read(&x));
            assert!(
                got >= want - 0.4 && got <= want + 0.2,
                "{id} at {rate}: {got}"
            );
            // the amplitude itself is −6.021 (+2.984) dB, and the peaks lie on the grid
            let exact = db(amplitude);
            assert!(
                (got - exact).abs() < 0.02,
                "{id} at {rate}: {got}, amplitude {exact}"
            );
        }
    }
}

#[test]
fn tech_3341_signals_20_to_23_read_within_tolerance_at_every_rate() {
    // Table 1: a sine of a sixth of the rate, 0.5, around one period of a quarter of the rate, 1.0;
    // made at four times the rate, low-passed, every fourth sample kept from offset 0 to 3. The
    // filter is not prescribed: 1025 taps, Kaiser window of β 10, cut off at 0.49 of the rate,
    // with which the band-limited peak is −0.078 dBTP.
    let sine = |periods: usize, length: usize, amplitude: f64| {
        (0..periods * length)
            .map(move |n| amplitude * (std::f64::consts::TAU * n as f64 / length as f64).sin())
    };
    let taps: Vec<f64> = (0..1025)
        .map(|i| {
            let m = f64::from(i) - 512.0;
            let angle = std::f64::consts::PI * 2.0 * 0.49 / 4.0 * m;
            let sinc = if m == 0.0 { 1.0 } else { angle.sin() / angle };
            sinc * bessel_i0(10.0 * (1.0 - (m / 512.0) * (m / 512.0)).sqrt())
        })
        .collect();
    let gain: f64 = taps.iter().sum();
    for rate in [44_100, 48_000, 96_000, 192_000] {
        let mut high: Vec<f64> = sine(1600, 24, 0.5)
            .chain(sine(1, 16, 1.0))
            .chain(sine(1600, 24, 0.5))
            .collect();
        fade(&mut high, 4 * rate / 100);
        for offset in 0..4 {
            let x: Vec<f64> = (offset..high.len())
                .step_by(4)
                .map(|centre| {
                    let at = |i: usize| (centre + 512).checked_sub(i).and_then(|n| high.get(n));
                    taps.iter()
                        .enumerate()
                        .map(|(i, t)| t * at(i).unwrap_or(&0.0))
                        .sum::<f64>()
                        / gain
                })
                .collect();
            let got = db(read(&x));
            assert!(
                (-0.4..=0.2).contains(&got),
                "{} at {rate}: {got}",
                20 + offset
            );
            // with margin: half the tolerance
            assert!(
                (-0.2..=0.1).contains(&got),
                "{} at {rate}: {got}",
                20 + offset
            );
        }
    }
}

#[test]
fn a_steady_sine_reads_within_the_bound_of_a_fourfold_grid() {
    // Attachment 1 to Annex 2 of BS.1770-5: an ideal fourfold meter reads up to 20 lg cos(π f/4) low
    for step in 1..46 {
        let f = f64::from(step) / 100.0;
        let low = db((std::f64::consts::PI * f / 4.0).cos());
        for phase in 0..16 {
            let x: Vec<f64> = (0..400)
                .map(|n| {
                    let ramp = (f64::from(n.min(399 - n)) / 100.0).min(1.0);
                    ramp * (std::f64::consts::TAU * (f * f64::from(n) + f64::from(phase) / 16.0))
                        .sin()
                })
                .collect();
            let got = db(read(&x));
            assert!(got > low - 0.05 && got < 0.05, "{f}: {got}, bound {low}");
        }
    }
}

#[test]
fn leaving_pieces_out_changes_no_bit_however_the_stream_is_cut() {
    let mut between = 0;
    for seed in 0..6 {
        let x = drums(seed, 48_000, 2.0);
        let reference = {
            let mut meter = TruePeak::new();
            meter.skips = false;
            meter.push(&x);
            meter.finish()
        };
        between += usize::from(reference > x.iter().fold(0.0f64, |m, v| m.max(v.abs())));
        for size in [1, 7, 31, 64, 480, 4096, x.len()] {
            let mut meter = TruePeak::new();
            x.chunks(size).for_each(|piece| meter.push(piece));
            assert_eq!(
                meter.finish().to_bits(),
                reference.to_bits(),
                "seed {seed}, {size}"
            );
        }
    }
    assert!(between > 0, "no peak between samples was tried");
}

#[test]
fn a_peak_in_the_last_samples_is_not_missed() {
    // a full-scale sine at an eighth of the rate whose peak lies between the last two samples
    let mut x: Vec<f64> = (0..800)
        .map(|n| (std::f64::consts::TAU * (f64::from(n) + 0.5) / 4.0).sin() * 0.5)
        .collect();
    fade(&mut x, 100);
    let quiet = read(&x);
    x.extend([0.9, 0.9]);
    assert!(read(&x) > 1.05 && quiet < 0.51);
}

#[test]
fn it_is_never_below_the_sample_peak() {
    let mut random = Random::new(3);
    for _ in 0..50 {
        let x: Vec<f64> = (0..100).map(|_| random.between(-1.0, 1.0)).collect();
        assert!(read(&x) >= x.iter().fold(0.0, |m: f64, v| m.max(v.abs())));
    }
    assert_eq!(read(&[]), 0.0);
    assert_eq!(read(&[0.0; 100]), 0.0);
    assert_eq!(read(&[-0.5]), 0.5);
}
