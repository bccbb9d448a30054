//! Prints what the evidence is worth on synthetic takes with exact truth, with seeds that the fit of
//! the weights has not seen. Beside our figures stand the floors that earlier trials of the same
//! methods reached on takes of the same difficulty, and the goals.
//!
//! `cargo run --release --example evidence_tables [hits|unplayed|tuning|pairs|gain|problems|names|cost] [kits]`

mod cost;
mod gain;
mod hits;
mod names;
mod pairs;
mod problems;
mod tuning;

use batterhead::analysis::testbed::*;
use batterhead::analysis::*;

pub(crate) const RATE: f64 = 48_000.0;
pub(crate) const DRUMS: [(&str, Voice); 4] = [
    ("kick", Voice::Kick),
    ("snare", Voice::Snare),
    ("tom-1", Voice::Tom1),
    ("tom-2", Voice::Tom2),
];

fn main() {
    let what = std::env::args().nth(1).unwrap_or_default();
    let kits: u64 = std::env::args()
        .nth(2)
        .and_then(|a| a.parse().ok())
        .unwrap_or(6);
    let tables: [(&str, &dyn Fn()); 8] = [
        ("hits", &|| hits::hits(kits)),
        ("unplayed", &|| hits::unplayed(kits)),
        ("tuning", &tuning::tuning),
        ("pairs", &|| pairs::pairs(32)),
        ("gain", &gain::gain),
        ("problems", &problems::problems),
        ("names", &|| names::names(kits)),
        ("cost", &cost::cost),
    ];
    for (name, table) in tables {
        if what.is_empty() || what == name {
            table();
        }
    }
}

/// `reached`, or by how much a goal is missed.
pub(crate) fn goal(value: f64, least: f64) -> String {
    match value >= least {
        true => format!("goal {least} reached"),
        false => format!("goal {least} missed by {:.3}", least - value),
    }
}

pub(crate) fn family(drum: &str) -> &str {
    drum.split('-').next().unwrap_or(drum)
}

pub(crate) fn take(
    seed: u64,
    bleed_db: f64,
    performance_seed: u64,
    without: Option<Voice>,
) -> SimTake {
    let kit = Kit::synthetic(seed, RATE);
    let mut rng = Rng::new(performance_seed);
    let rig = Rig {
        room: seed * 100 + (-bleed_db) as u64,
        ..Rig::with_bleed(bleed_db)
    };
    let mut strokes = performance(rig.seconds, &mut rng);
    strokes.retain(|s| Some(s.voice) != without);
    record(&kit, &strokes, rig, &mut rng)
}

pub(crate) fn truth_ms(take: &SimTake, voice: Voice) -> Vec<f64> {
    let own = take.strokes.iter().filter(|s| s.voice == voice);
    own.map(|s| s.at_s * 1000.0 + 0.17).collect()
}

/// Relates a take; the evidence and the seconds it took.
pub(crate) fn heard(take: &SimTake, reference: Option<&Reference>) -> (TakeEvidence, f64) {
    let mut recorded = Recorded::from_take(take);
    let tracks = recorded.tracks.clone();
    let start = std::time::Instant::now();
    let evidence = relate(&tracks, &mut recorded, reference).expect("simulated takes can be read");
    (evidence, start.elapsed().as_secs_f64())
}

pub(crate) fn found_ms(evidence: &TakeEvidence, drum: &str) -> Vec<f64> {
    let track = evidence
        .tracks
        .iter()
        .find(|t| t.drum.as_deref() == Some(drum));
    track
        .map(|t| t.own_hits().map(|h| h.at_ms).collect())
        .unwrap_or_default()
}

pub(crate) fn quantiles(values: &mut [f64]) -> String {
    values.sort_by(f64::total_cmp);
    let q = |q: f64| {
        values
            .get(((values.len().max(1) - 1) as f64 * q) as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    format!(
        "median {:.2}, 90 % {:.2}, 95 % {:.2} ({} values)",
        q(0.5),
        q(0.9),
        q(0.95),
        values.len()
    )
}
