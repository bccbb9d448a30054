//! What a drum is tuned to.

use batterhead::analysis::testbed::*;
use batterhead::analysis::tune_hit;
use batterhead::session::Family;

use super::{RATE, quantiles};

/// Error in hertz (median, 95 %), error of the ring time in per cent, next partial found.
const FLOORS: [(f64, &str, u32, &str); 8] = [
    (0.04, "0.1", 1, "57 of 60"),
    (0.13, "0.3", 3, "38 of 60"),
    (0.03, "0.1", 1, "57 of 60"),
    (0.19, "105: a wrong mode in 5 %", 3, "11 of 60"),
    (0.01, "0.05", 1, "57 of 60"),
    (0.01, "not given", 2, "57 of 60"),
    (0.02, "0.1", 1, "57 of 60"),
    (0.24, "1.0", 7, "6 of 60"),
];

pub(crate) fn tuning() {
    println!("single hits, window 20..150 ms: |error| in Hz (goals: median 0.3, 95 % 2)");
    for (i, (name, family, f, t60, glide, wires, snr)) in [
        (
            "snare 250 Hz, 0.25 s, 25 dB",
            Family::Snare,
            250.0,
            0.25,
            0.0,
            0.0,
            25.0,
        ),
        (
            "snare 250 Hz, 0.25 s, 15 dB",
            Family::Snare,
            250.0,
            0.25,
            0.0,
            0.0,
            15.0,
        ),
        (
            "snare 250 Hz, wires",
            Family::Snare,
            250.0,
            0.25,
            0.0,
            0.6,
            25.0,
        ),
        (
            "snare 250 Hz, dead (0.12 s)",
            Family::Snare,
            250.0,
            0.12,
            0.0,
            0.0,
            25.0,
        ),
        ("tom 110 Hz, 0.8 s", Family::Tom, 110.0, 0.8, 0.0, 0.0, 25.0),
        (
            "tom 110 Hz, 4 % glide",
            Family::Tom,
            110.0,
            0.8,
            0.04,
            0.0,
            25.0,
        ),
        ("tom 80 Hz, 1 s", Family::Tom, 80.0, 1.0, 0.0, 0.0, 25.0),
        (
            "kick 60 Hz, 15 % glide",
            Family::Kick,
            60.0,
            0.3,
            0.15,
            0.0,
            25.0,
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let mut rng = Rng::new(5);
        let (mut errors, mut rings, mut next, mut none) = (Vec::new(), Vec::new(), 0, 0);
        for _ in 0..60 {
            let f = f * rng.uniform(0.9, 1.1);
            let t60 = t60 * rng.uniform(0.8, 1.25);
            let drum = Drum {
                fundamental_hz: f,
                ratios: vec![
                    1.0,
                    rng.uniform(1.48, 1.72),
                    rng.uniform(2.05, 2.4),
                    rng.uniform(2.6, 3.0),
                ],
                t60_s: vec![t60, t60 * rng.uniform(0.5, 0.9), t60 * 0.4, t60 * 0.3],
                gains: vec![1.0, rng.uniform(0.25, 0.7), rng.uniform(0.1, 0.4), 0.2],
                glide,
                stick: 0.4,
                wires,
            };
            let mut sound = drum.stroke(&mut rng, RATE, 0.4);
            let power = sound[..9600].iter().map(|x| x * x).sum::<f64>() / 9600.0;
            let noise = low_noise(sound.len(), &mut rng);
            for (x, n) in sound.iter_mut().zip(noise) {
                *x += n * power.sqrt() * ratio(-snr);
            }
            match tune_hit(&sound, 48_000, 0.16, family) {
                Some(hit) => {
                    errors.push((hit.fundamental_hz - f).abs());
                    rings.extend(hit.ring_s.map(|s| 100.0 * (s / t60 - 1.0).abs()));
                    let truth = f * drum.ratios[1];
                    next += usize::from(
                        hit.next_partial_hz
                            .is_some_and(|n| (n / truth - 1.0).abs() < 0.01),
                    );
                }
                None => none += 1,
            }
        }
        println!(
            "  {name:30} {}; ring time off by % {}; next partial within 1 %: {next}/60; none: {none}",
            quantiles(&mut errors),
            quantiles(&mut rings)
        );
        let (median, worst, ring, partial) = FLOORS[i];
        println!(
            "      floor: median {median}, 95 % {worst}; ring time {ring} %; next partial {partial}"
        );
    }
}

/// Noise of 30 to 1000 Hz with RMS 1.
fn low_noise(count: usize, rng: &mut Rng) -> Vec<f64> {
    let white: Vec<f64> = (0..count).map(|_| rng.normal(1.0)).collect();
    let y = band_pass(&white, 30.0, 1000.0, RATE);
    let rms = (y.iter().map(|x| x * x).sum::<f64>() / count as f64).sqrt();
    y.iter().map(|x| x / rms).collect()
}
