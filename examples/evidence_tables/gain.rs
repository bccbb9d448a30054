//! What a mic's level is read from: how far readings of one drummer stray.

use batterhead::analysis::testbed::Rng;
use batterhead::analysis::weighted_quantile;

type Reading = fn(&[(f64, f64)]) -> f64;

/// Ways of reading a level, with the floors of their spread for 3, 10 and 30 hits.
const READINGS: [(&str, Reading, [f64; 3]); 4] = [
    ("peak", |l| quantile(l, 1.0), [2.7, 2.4, 1.9]),
    ("90 % quantile", |l| quantile(l, 0.9), [2.6, 1.8, 1.1]),
    ("75 % quantile", |l| quantile(l, 0.75), [2.4, 1.2, 0.7]),
    ("median", |l| quantile(l, 0.5), [2.8, 1.3, 0.7]),
];

fn quantile(levels: &[(f64, f64)], q: f64) -> f64 {
    weighted_quantile(levels, q).unwrap_or(f64::NAN)
}

/// A drummer: main strokes with 2 dB of scatter, a fifth soft, a tenth accents, 3 % stray rim shots.
fn hits(count: usize, rng: &mut Rng) -> Vec<(f64, f64)> {
    (0..count)
        .map(|_| {
            let kind = rng.uniform(0.0, 1.0);
            let level = match kind {
                k if k < 0.20 => -8.0 + rng.normal(2.0),
                k if k < 0.30 => 3.0 + rng.normal(1.0),
                k if k < 0.33 => 7.0 + rng.normal(1.0),
                _ => rng.normal(2.0),
            };
            (level, 1.0)
        })
        .collect()
}

fn spread(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n).sqrt()
}

pub(crate) fn gain() {
    println!("level of a mic: spread of one take's reading in dB, by hits in the take (floor)");
    let mut rng = Rng::new(61);
    for (name, read, floors) in READINGS {
        print!("  {name:14}");
        for (count, floor) in [3, 10, 30].into_iter().zip(floors) {
            let values: Vec<f64> = (0..2000).map(|_| read(&hits(count, &mut rng))).collect();
            print!("  {count} hits: {:.1} ({floor})", spread(&values));
        }
        println!();
    }
    println!("twelve takes, one with 3 hits: error of the gain that it gets, 95 % of 500 (floor)");
    for (name, linked, floor) in [
        ("its own 75 % quantile", false, 5.1),
        ("linked 75 % quantile", true, 0.6),
    ] {
        let mut errors: Vec<f64> = (0..500)
            .map(|_| {
                let truth: Vec<(f64, f64)> = hits(4000, &mut rng);
                let few = hits(3, &mut rng);
                let mut all: Vec<(f64, f64)> = (0..11).flat_map(|_| hits(40, &mut rng)).collect();
                // a take counts as 24 hits at most
                all.iter_mut().for_each(|h| h.1 = 24.0 / 40.0);
                all.extend(few.iter());
                let used = if linked { &all } else { &few };
                (quantile(used, 0.75) - quantile(&truth, 0.75)).abs()
            })
            .collect();
        errors.sort_by(f64::total_cmp);
        println!("  {name:24} {:.1} dB ({floor})", errors[475]);
    }
}
