//! Prints what the evidence is worth on synthetic takes with exact truth, with seeds that the fit of
//! the weights has not seen.
//!
//! `cargo run --release --example evidence_tables [hits|unplayed|tuning|pairs] [kits]`

use std::collections::BTreeMap;

use batterhead::evidence::testbed::*;
use batterhead::evidence::*;
use batterhead::session::Family;

const RATE: f64 = 48_000.0;
const DRUMS: [(&str, Voice); 4] = [
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
    let wanted = |name: &str| what.is_empty() || what == name;
    if wanted("hits") {
        hits(kits);
    }
    if wanted("unplayed") {
        unplayed(kits);
    }
    if wanted("tuning") {
        tuning();
    }
    if wanted("pairs") {
        pairs(32);
    }
}

fn family(drum: &str) -> &str {
    drum.split('-').next().unwrap_or(drum)
}

fn take(seed: u64, bleed_db: f64, performance_seed: u64, without: Option<Voice>) -> SimTake {
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

fn truth_ms(take: &SimTake, voice: Voice) -> Vec<f64> {
    let own = take.strokes.iter().filter(|s| s.voice == voice);
    own.map(|s| s.at_s * 1000.0 + 0.17).collect()
}

/// Relates a take; the evidence and the seconds it took.
fn heard(take: &SimTake, reference: Option<&Reference>) -> (TakeEvidence, f64) {
    let mut recorded = Recorded::from_take(take);
    let tracks = recorded.tracks.clone();
    let start = std::time::Instant::now();
    let evidence = relate(&tracks, &mut recorded, reference).expect("simulated takes can be read");
    (evidence, start.elapsed().as_secs_f64())
}

fn found_ms(evidence: &TakeEvidence, drum: &str) -> Vec<f64> {
    let track = evidence
        .tracks
        .iter()
        .find(|t| t.drum.as_deref() == Some(drum));
    track
        .map(|t| t.hits.iter().map(|h| h.at_ms).collect())
        .unwrap_or_default()
}

fn quantiles(values: &mut [f64]) -> String {
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

fn hits(kits: u64) {
    println!("hits, tolerance 15 ms: precision / recall / F1 (takes not used for the fit)");
    let mut seconds = 0.0;
    let mut audio = 0.0;
    for bleed_db in [-20.0, -12.0, -6.0] {
        for with_reference in [false, true] {
            let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
            let mut places = Vec::new();
            let mut tuning_errors: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for seed in 3000..3000 + kits {
                let sim = take(seed, bleed_db, seed * 7 + 1, None);
                let reference = with_reference.then(|| {
                    let others: Vec<TakeEvidence> = (2..4)
                        .map(|k| heard(&take(seed, bleed_db, seed * 7 + k, None), None).0)
                        .collect();
                    Reference::pool(&others.iter().collect::<Vec<_>>())
                });
                let (evidence, time) = heard(&sim, reference.as_ref());
                seconds += time;
                audio += 6.0 * 24.0;
                for (drum, voice) in DRUMS {
                    let truth = truth_ms(&sim, voice);
                    let found = found_ms(&evidence, drum);
                    scores
                        .entry(family(drum))
                        .or_default()
                        .add(score(&found, &truth, 15.0));
                    for f in found.iter().filter(|f| f.fract() != 0.0) {
                        let near = truth.iter().map(|t| (t - f).abs()).fold(99.0, f64::min);
                        if near < 15.0 {
                            places.push(near);
                        }
                    }
                    let track = evidence
                        .tracks
                        .iter()
                        .find(|t| t.drum.as_deref() == Some(drum));
                    let kit = Kit::synthetic(seed, RATE);
                    if let Some(tuning) = track
                        .and_then(|t| t.tuning.as_ref())
                        .filter(|t| t.confidence >= 0.5)
                    {
                        let truth = kit.fundamental_hz[voice as usize];
                        tuning_errors
                            .entry(family(drum))
                            .or_default()
                            .push((tuning.fundamental_hz - truth).abs());
                    }
                }
            }
            let name = if with_reference {
                "with reference"
            } else {
                "take alone    "
            };
            print!("  bleed {bleed_db:4} dB, {name}:");
            for drum in ["kick", "snare", "tom"] {
                let s = scores.get(drum).copied().unwrap_or_default();
                print!(
                    "  {drum} {:.3} / {:.3} / {:.3}",
                    s.precision(),
                    s.recall(),
                    s.f1()
                );
            }
            println!();
            println!(
                "      hits placed to the sample, error in ms: {}",
                quantiles(&mut places)
            );
            for (drum, mut errors) in tuning_errors {
                println!(
                    "      {drum} tuning of the take, error in Hz: {}",
                    quantiles(&mut errors)
                );
            }
        }
    }
    println!(
        "  cost of relating: {:.0} channel-seconds a second",
        audio / seconds
    );
    println!("by style, bleed -12 dB:");
    for style in [Style::Double, Style::Blast, Style::Fill, Style::Groove] {
        let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
        for seed in 3100..3100 + kits {
            let kit = Kit::synthetic(seed, RATE);
            let mut rng = Rng::new(seed);
            let mut strokes = pattern(style, 10.0, &mut rng);
            strokes.iter_mut().for_each(|s| s.at_s += 0.3);
            let rig = Rig {
                seconds: 11.0,
                room: seed,
                ..Rig::with_bleed(-12.0)
            };
            let sim = record(&kit, &strokes, rig, &mut rng);
            let (evidence, _) = heard(&sim, None);
            for (drum, voice) in DRUMS {
                scores.entry(family(drum)).or_default().add(score(
                    &found_ms(&evidence, drum),
                    &truth_ms(&sim, voice),
                    15.0,
                ));
            }
        }
        print!("  {style:?}:");
        for (drum, s) in scores {
            print!(
                "  {drum} {:.3} / {:.3} ({} strokes, {} invented)",
                s.precision(),
                s.recall(),
                s.right + s.missed,
                s.wrong
            );
        }
        println!();
    }
}

fn unplayed(kits: u64) {
    println!(
        "floor tom left out of one take of three: verdicts right / not sure / wrong, and of the takes that play it"
    );
    for bleed_db in [-20.0, -12.0, -6.0] {
        let (mut not_played, mut played) = ([0; 3], [0; 3]);
        let mut invented = Vec::new();
        for seed in 3200..3200 + kits {
            let sims: Vec<SimTake> = (0..3)
                .map(|k| {
                    take(
                        seed,
                        bleed_db,
                        seed * 5 + k,
                        (k == 1).then_some(Voice::Tom2),
                    )
                })
                .collect();
            let first: Vec<TakeEvidence> = sims.iter().map(|s| heard(s, None).0).collect();
            let reference = Reference::pool(&first.iter().collect::<Vec<_>>());
            for (k, sim) in sims.iter().enumerate() {
                let (evidence, _) = heard(sim, Some(&reference));
                for drum in &evidence.drums {
                    let absent = k == 1 && drum.name == "tom-2";
                    if absent {
                        invented.push(format!(
                            "{}→{} ({:.1} {:.2} {:?})",
                            first[k]
                                .drums
                                .iter()
                                .find(|d| d.name == "tom-2")
                                .map_or(0, |d| d.count),
                            drum.count,
                            drum.expected,
                            drum.most,
                            drum.loudest_db
                        ));
                    }
                    let slot = match (&drum.played, absent) {
                        (Played::NotSure(_), _) => 1,
                        (Played::Yes(_), false) | (Played::No(_), true) => 0,
                        _ => 2,
                    };
                    if absent {
                        not_played[slot] += 1
                    } else {
                        played[slot] += 1
                    }
                }
            }
        }
        println!(
            "  bleed {bleed_db:4} dB: not played {not_played:?}, played {played:?}; hits invented without → with reference (sum of p, highest p, loudest dB): {}",
            invented.join("; ")
        );
    }
}

fn tuning() {
    println!("single hits, window 20..150 ms: |error| in Hz");
    for (name, family, f, t60, glide, wires, snr) in [
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
    ] {
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
                    rings.push(100.0 * (hit.ring_s / t60 - 1.0).abs());
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
    }
}

/// Noise of 30 to 1000 Hz with RMS 1.
fn low_noise(count: usize, rng: &mut Rng) -> Vec<f64> {
    let white: Vec<f64> = (0..count).map(|_| rng.normal(1.0)).collect();
    let y = band_pass(&white, 30.0, 1000.0, RATE);
    let rms = (y.iter().map(|x| x * x).sum::<f64>() / count as f64).sqrt();
    y.iter().map(|x| x / rms).collect()
}

fn pairs(count: u64) {
    println!(
        "pairs of 8 hits, {count} each: delay error in samples; polarity right / not sure / wrong"
    );
    for (bleed_db, colour) in [(-20.0, 0.0), (-10.0, 0.0), (-15.0, 1.0), (-15.0, 2.0)] {
        for kind in [
            PairKind::Snare,
            PairKind::Kick,
            PairKind::CloseOverhead,
            PairKind::Sides,
        ] {
            let (mut errors, mut verdicts, mut refused) = (Vec::new(), [0; 3], 0);
            for seed in 0..count {
                let mut rng = Rng::new(5000 + seed);
                let kit = Kit::synthetic(4000 + seed % 8, RATE);
                let couple = couple(&kit, kind, 8, bleed_db, colour, &mut rng);
                let found = analyse_signals(&couple.sound, &couple.hits, kind, RATE as u32);
                match found.delay_samples {
                    Some(d) => errors.push((d - couple.delay_samples).abs()),
                    None => refused += 1,
                }
                let slot = match found.polarity {
                    Polarity::NotSure => 1,
                    p if (p == Polarity::Inverted) == couple.inverted => 0,
                    _ => 2,
                };
                verdicts[slot] += 1;
            }
            println!(
                "  bleed {bleed_db} dB, colour {colour}, {kind:?}: delay {}, refused {refused}; polarity {verdicts:?}",
                quantiles(&mut errors)
            );
        }
    }
}
