//! Fits the weights of hit attribution on synthetic takes and prints them, with what they reach on
//! takes that were not used for the fit.
//!
//! `cargo run --release --example fit_hits`

use batterhead::analysis::testbed::{
    Kit, Recorded, Rig, Rng, SimTake, Style, VOICES, pattern, performance, record,
};
use batterhead::analysis::{FEATURES, Reference, examples, relate};
use batterhead::session::Family;

struct Row {
    x: [f32; FEATURES],
    own: bool,
}

/// Per family and bleed: rows, true strokes.
struct Set {
    family: Family,
    bleed_db: f64,
    rows: Vec<Row>,
    strokes: usize,
}

fn collect(seeds: std::ops::Range<u64>) -> Vec<Set> {
    let mut sets: Vec<Set> = Vec::new();
    for seed in seeds {
        let kit = Kit::synthetic(seed, 48_000.0);
        for bleed_db in [-6.0, -12.0, -20.0] {
            let rig = Rig {
                room: seed * 100 + (-bleed_db) as u64,
                ..Rig::with_bleed(bleed_db)
            };
            let play = |k: u64| {
                let mut rng = Rng::new(seed * 10 + k);
                let strokes = performance(rig.seconds, &mut rng);
                record(&kit, &strokes, rig, &mut rng)
            };
            // a take alone, and the same with what another take has shown
            let (take, other) = (play(1), play(2));
            let mut recorded = Recorded::from_take(&other);
            let tracks = recorded.tracks.clone();
            let Ok(evidence) = relate(&tracks, &mut recorded, None) else {
                continue;
            };
            let reference = Reference::pool(&[&evidence.drums]);
            add(&mut sets, &take, bleed_db, None, true);
            add(&mut sets, &take, bleed_db, Some(&reference), true);
            // one way of playing throughout; toms are not in all of them
            let style = [Style::Double, Style::Blast, Style::Groove][seed as usize % 3];
            let mut rng = Rng::new(seed * 10 + 3);
            let strokes = pattern(style, 10.0, &mut rng);
            let rig = Rig {
                seconds: 10.5,
                ..rig
            };
            add(
                &mut sets,
                &record(&kit, &strokes, rig, &mut rng),
                bleed_db,
                None,
                false,
            );
        }
    }
    sets
}

fn add(
    sets: &mut Vec<Set>,
    take: &SimTake,
    bleed_db: f64,
    reference: Option<&Reference>,
    toms: bool,
) {
    let mut recorded = Recorded::from_take(take);
    let tracks = recorded.tracks.clone();
    let Ok(drums) = examples(&tracks, &mut recorded, reference) else {
        return;
    };
    for (name, family, moments) in drums {
        if family == Family::Tom && !toms {
            continue;
        }
        let voice = VOICES[["kick", "snare", "tom-1", "tom-2"]
            .iter()
            .position(|n| *n == name)
            .unwrap_or(0)];
        let own = take.strokes.iter().filter(|s| s.voice == voice);
        let truth: Vec<f64> = own.map(|s| s.at_s * 1000.0).collect();
        let mut used = vec![false; truth.len()];
        let rows = moments
            .iter()
            .map(|(x, at, _)| {
                let off = |i: usize| (truth[i] - *at as f64).abs();
                let near = (0..truth.len())
                    .filter(|&i| !used[i] && off(i) <= 15.0)
                    .min_by(|&a, &b| off(a).total_cmp(&off(b)));
                if let Some(i) = near {
                    used[i] = true;
                }
                Row {
                    x: *x,
                    own: near.is_some(),
                }
            })
            .collect();
        sets.push(Set {
            family,
            bleed_db,
            rows,
            strokes: truth.len(),
        });
    }
}

/// Newton's method on the regularised likelihood.
fn fit(rows: &[&Row], scale: &[f64; FEATURES]) -> Vec<f64> {
    let mut w = vec![0.0; FEATURES];
    for _ in 0..30 {
        let mut h = vec![vec![0.0; FEATURES + 1]; FEATURES];
        for row in rows {
            let x: Vec<f64> = row
                .x
                .iter()
                .zip(scale)
                .map(|(x, s)| f64::from(*x) / s)
                .collect();
            let z: f64 = x.iter().zip(&w).map(|(x, w)| x * w).sum();
            let p = 1.0 / (1.0 + (-z.clamp(-30.0, 30.0)).exp());
            let y = if row.own { 1.0 } else { 0.0 };
            for i in 0..FEATURES {
                for j in 0..FEATURES {
                    h[i][j] += x[i] * x[j] * p * (1.0 - p);
                }
                h[i][FEATURES] += x[i] * (y - p);
            }
        }
        for i in 0..FEATURES {
            h[i][i] += 1.0;
            h[i][FEATURES] -= w[i];
        }
        for i in 0..FEATURES {
            let pivot = (i..FEATURES)
                .max_by(|&a, &b| h[a][i].abs().total_cmp(&h[b][i].abs()))
                .unwrap_or(i);
            h.swap(i, pivot);
            let top = h[i].clone();
            for (_, row) in h.iter_mut().enumerate().filter(|(r, _)| *r != i) {
                let factor = row[i] / top[i];
                for (value, above) in row.iter_mut().zip(&top).skip(i) {
                    *value -= factor * above;
                }
            }
        }
        for i in 0..FEATURES {
            w[i] += h[i][FEATURES] / h[i][i];
        }
    }
    w.iter().zip(scale).map(|(w, s)| w / s).collect()
}

fn main() {
    let number = |i: usize, or: u64| {
        std::env::args()
            .nth(i)
            .and_then(|a| a.parse().ok())
            .unwrap_or(or)
    };
    let train = collect(1000..1000 + number(1, 10));
    let test = collect(2000..2000 + number(2, 5));
    for (family, name) in [
        (Family::Kick, "KICK"),
        (Family::Snare, "SNARE"),
        (Family::Tom, "TOM"),
    ] {
        let rows: Vec<&Row> = train
            .iter()
            .filter(|s| s.family == family)
            .flat_map(|s| &s.rows)
            .collect();
        let mut scale = [1.0; FEATURES];
        for (i, scale) in scale.iter_mut().enumerate() {
            let mean: f64 =
                rows.iter().map(|r| f64::from(r.x[i]).powi(2)).sum::<f64>() / rows.len() as f64;
            *scale = mean.sqrt().max(1e-3);
        }
        let w = fit(&rows, &scale);
        println!(
            "const {name}: [f32; FEATURES] = {:?};",
            w.iter()
                .map(|w| (w * 1e4).round() / 1e4)
                .collect::<Vec<_>>()
        );
        for (label, sets) in [("fitted", &train), ("held out", &test)] {
            for bleed_db in [-6.0, -12.0, -20.0] {
                let (mut tp, mut fp, mut strokes, mut seen) = (0, 0, 0, 0);
                for set in sets
                    .iter()
                    .filter(|s| s.family == family && s.bleed_db == bleed_db)
                {
                    strokes += set.strokes;
                    for row in &set.rows {
                        let z: f64 = row.x.iter().zip(&w).map(|(x, w)| f64::from(*x) * w).sum();
                        seen += usize::from(row.own);
                        if z > 0.0 {
                            if row.own { tp += 1 } else { fp += 1 }
                        }
                    }
                }
                let (p, r) = (
                    tp as f64 / (tp + fp).max(1) as f64,
                    tp as f64 / strokes.max(1) as f64,
                );
                println!(
                    "// {label} {bleed_db} dB: P {p:.3} R {r:.3} F {:.3}, moments at {:.3} of strokes",
                    2.0 * p * r / (p + r),
                    seen as f64 / strokes.max(1) as f64
                );
            }
        }
    }
}
