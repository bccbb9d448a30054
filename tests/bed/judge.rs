//! What evidence is worth beside the truth: counts that add up over takes, drums and kits.

use std::collections::BTreeMap;
use std::ops::AddAssign;

use batterhead::analysis::{
    Played, Polarity, Reference, SetupEvidence, TakeEvidence, pool_setup, relate, sketch,
};

use batterhead::units::db_to_ratio;

use super::boxy::{BoxyFigures, boxy};
use super::kit::Voice;
use super::plans::{Mishap, Setup};
use super::play::Sort;
use super::record::{Event, Recording, Session};

/// A stroke may be heard so much early or late.
pub const TOLERANCE_MS: f64 = 10.0;
/// What is struck within this time of a stroke is struck with it.
const WITH_MS: f64 = 12.0;
/// A stroke is soft so far under the loud ones of its drum in the take (75 % quantile).
const SOFT_DB: f64 = 15.0;
/// Ring is what follows an own stroke within this time.
const RING_MS: f64 = 1500.0;

/// Strokes of one drum.
#[derive(Clone, Copy, Debug, Default)]
pub struct Strokes {
    pub right: usize,
    pub missed: usize,
    pub ghosts_right: usize,
    pub ghosts_missed: usize,
    /// Found though nothing struck the drum: something else was struck then …
    pub bleed: usize,
    /// … or the drum still rang, …
    pub ring: usize,
    /// … or it was the second part of a flam, …
    pub double: usize,
    /// … or none of these.
    pub other: usize,
    /// |found − true| of each take.
    pub miscounted: usize,
    /// Played and missed: alone, with the kick, with the snare, with something else.
    pub with: [(usize, usize); 4],
    /// The same of soft strokes.
    pub soft: (usize, usize),
}

impl Strokes {
    pub fn wrong(&self) -> usize {
        self.bleed + self.ring + self.double + self.other
    }

    pub fn found(&self) -> usize {
        self.right + self.wrong()
    }

    pub fn played(&self) -> usize {
        self.right + self.missed
    }

    pub fn precision(&self) -> f64 {
        share(self.right, self.found())
    }

    pub fn recall(&self) -> f64 {
        share(self.right, self.played())
    }

    /// Recall of all but the soft strokes.
    pub fn loud_recall(&self) -> f64 {
        let missed = self.missed - self.soft.1.min(self.missed);
        let loud = self.played() - self.soft.0;
        share(loud.saturating_sub(missed), loud)
    }

    pub fn ghost_recall(&self) -> f64 {
        share(self.ghosts_right, self.ghosts_right + self.ghosts_missed)
    }

    pub fn count_error(&self) -> f64 {
        share(self.miscounted, self.played())
    }
}

impl AddAssign for Strokes {
    fn add_assign(&mut self, other: Self) {
        self.right += other.right;
        self.missed += other.missed;
        self.ghosts_right += other.ghosts_right;
        self.ghosts_missed += other.ghosts_missed;
        self.bleed += other.bleed;
        self.ring += other.ring;
        self.double += other.double;
        self.other += other.other;
        self.miscounted += other.miscounted;
        let with = self.with.iter_mut().zip(other.with);
        for (sum, more) in with.chain([(&mut self.soft, other.soft)]) {
            sum.0 += more.0;
            sum.1 += more.1;
        }
    }
}

/// `a / b`, 1 where there is nothing to miss.
pub fn share(a: usize, b: usize) -> f64 {
    if b == 0 { 1.0 } else { a as f64 / b as f64 }
}

/// Compares what was found (ms of the take) with what was played.
pub fn strokes(found: &[f64], take: &Recording, drum: &str) -> Strokes {
    let events = take.events(drum);
    let mut others: Vec<f64> = take
        .strokes
        .iter()
        .filter(|s| s.voice.drum() != drum)
        .map(|s| s.at_s * 1000.0)
        .collect();
    others.sort_by(f64::total_cmp);
    let mut out = compare(found, &events, &others);
    let mut forces: Vec<f64> = events.iter().map(|e| e.force).collect();
    forces.sort_by(f64::total_cmp);
    let loud = forces.get(forces.len() * 3 / 4).copied().unwrap_or(1.0);
    for event in &events {
        let heard = found.iter().any(|at| near(event, *at));
        let with = |voice: Option<Voice>| {
            let struck = take.strokes.iter().filter(|s| s.voice.drum() != drum);
            let mut struck = struck.filter(|s| voice.is_none_or(|v| s.voice == v));
            struck.any(|s| (s.at_s * 1000.0 - event.first_ms).abs() < WITH_MS)
        };
        let kind = match () {
            () if with(Some(Voice::Snare)) => 2,
            () if with(Some(Voice::Kick)) => 1,
            () if with(None) => 3,
            () => 0,
        };
        let soft = event.force < loud * db_to_ratio(-SOFT_DB);
        let counts = [Some(&mut out.with[kind]), soft.then_some(&mut out.soft)];
        for count in counts.into_iter().flatten() {
            count.0 += 1;
            count.1 += usize::from(!heard);
        }
    }
    out
}

/// Whether something that was found may be this stroke.
fn near(event: &Event, at_ms: f64) -> bool {
    at_ms >= event.first_ms - TOLERANCE_MS && at_ms <= event.last_ms + TOLERANCE_MS
}

/// The same with the moments of all other strokes.
pub fn compare(found: &[f64], events: &[Event], others: &[f64]) -> Strokes {
    let mut out = Strokes::default();
    let mut heard = vec![0usize; events.len()];
    let distance = |e: &Event, at: f64| (e.main_ms - at).abs().min((e.first_ms - at).abs());
    let mut counted: usize = 0;
    for &at in found {
        counted += 1;
        let own = (0..events.len())
            .filter(|&i| near(&events[i], at))
            .min_by(|a, b| distance(&events[*a], at).total_cmp(&distance(&events[*b], at)));
        if let Some(i) = own {
            heard[i] += 1;
            if heard[i] > 1 {
                if events[i].sort == Sort::Buzz {
                    // its bounces may be heard one by one
                    counted -= 1;
                } else {
                    out.double += 1;
                }
            }
            continue;
        }
        let from = others.partition_point(|o| *o < at - 15.0);
        if others.get(from).is_some_and(|o| *o <= at + 8.0) {
            out.bleed += 1;
        } else if events
            .iter()
            .any(|e| at > e.first_ms && at < e.last_ms + RING_MS)
        {
            out.ring += 1;
        } else {
            out.other += 1;
        }
    }
    for (event, heard) in events.iter().zip(&heard) {
        let ghost = event.sort == Sort::Ghost;
        if *heard > 0 {
            out.right += 1;
            out.ghosts_right += usize::from(ghost);
        } else {
            out.missed += 1;
            out.ghosts_missed += usize::from(ghost);
        }
    }
    out.miscounted = counted.abs_diff(events.len());
    out
}

/// Right and wrong of a yes-or-no question, and where no answer was given.
#[derive(Clone, Copy, Debug, Default)]
pub struct Verdicts {
    pub right: usize,
    pub wrong: usize,
    pub undecided: usize,
}

impl Verdicts {
    pub fn all(&self) -> usize {
        self.right + self.wrong + self.undecided
    }
}

impl AddAssign for Verdicts {
    fn add_assign(&mut self, other: Self) {
        self.right += other.right;
        self.wrong += other.wrong;
        self.undecided += other.undecided;
    }
}

/// All that a set-up is judged by.
#[derive(Clone, Debug, Default)]
pub struct Score {
    /// By drum.
    pub strokes: BTreeMap<&'static str, Strokes>,
    /// Error of each snare pitch, in hertz outside settled to early.
    pub snare_off_hz: Vec<Option<f64>>,
    /// Error of the difference of a snare's takes from the first, in hertz.
    pub snare_drift_hz: Vec<f64>,
    /// Played toms whose recordings have no clear pitch: nobody knows what would be right.
    pub toms_unclear: usize,
    /// Of the others: with a pitch, and inside settled − 1 to early + 2 Hz.
    pub toms: usize,
    pub toms_pitched: usize,
    pub toms_inside: usize,
    /// One line a tom that is wrong or has none.
    pub tom_notes: Vec<String>,
    /// Toms that a take does not play: found, missed, not sure.
    pub unplayed: Verdicts,
    /// Drums that are played and called unplayed.
    pub false_unplayed: Vec<String>,
    /// By kind of pair.
    pub polarity: BTreeMap<&'static str, Verdicts>,
    pub polarity_notes: Vec<String>,
    pub boxy: Vec<BoxyFigures>,
}

impl Score {
    pub fn all(&self) -> Strokes {
        let mut all = Strokes::default();
        self.strokes.values().for_each(|s| all += *s);
        all
    }

    pub fn family(&self, name: &str) -> Strokes {
        let mut all = Strokes::default();
        let of = self.strokes.iter().filter(|s| s.0.starts_with(name));
        of.for_each(|s| all += *s.1);
        all
    }

    pub fn add(&mut self, other: &Score) {
        for (drum, strokes) in &other.strokes {
            *self.strokes.entry(drum).or_default() += *strokes;
        }
        self.snare_off_hz.extend(&other.snare_off_hz);
        self.snare_drift_hz.extend(&other.snare_drift_hz);
        self.toms += other.toms;
        self.toms_unclear += other.toms_unclear;
        self.toms_pitched += other.toms_pitched;
        self.toms_inside += other.toms_inside;
        self.tom_notes.extend(other.tom_notes.clone());
        self.unplayed += other.unplayed;
        self.false_unplayed.extend(other.false_unplayed.clone());
        for (kind, verdicts) in &other.polarity {
            *self.polarity.entry(kind).or_default() += *verdicts;
        }
        self.polarity_notes.extend(other.polarity_notes.clone());
        self.boxy.extend(other.boxy.clone());
    }
}

/// A set-up as the program hears it: every take, and all of them together.
pub struct Heard {
    pub takes: Vec<(Recording, TakeEvidence)>,
    pub setup: SetupEvidence,
}

/// Records a set-up and hears it, in the two passes of a run. The sound is gone afterwards.
pub fn hear(session: &Session<'_>) -> Heard {
    let mut takes: Vec<_> = (0..session.setup.takes.len())
        .map(|number| {
            let mut take = session.record(number);
            let material = take.material();
            take.sound = Vec::new();
            (take, material)
        })
        .collect();
    let drums: Vec<_> = takes
        .iter_mut()
        .map(|(_, material)| {
            let tracks = material.tracks.clone();
            sketch(&tracks, material).expect("takes in memory can be read")
        })
        .collect();
    let reference = Reference::pool(&drums.iter().map(|d| &d[..]).collect::<Vec<_>>());
    let takes: Vec<(Recording, TakeEvidence)> = takes
        .into_iter()
        .map(|(take, mut material)| {
            let tracks = material.tracks.clone();
            let evidence = relate(&tracks, &mut material, Some(&reference));
            (take, evidence.expect("takes in memory can be read"))
        })
        .collect();
    let setup = pool_setup(&takes.iter().map(|t| &t.1).collect::<Vec<_>>());
    Heard { takes, setup }
}

/// Judges a set-up.
pub fn judge(setup: &Setup, heard: &Heard) -> Score {
    let mut score = Score::default();
    for (number, (take, evidence)) in heard.takes.iter().enumerate() {
        for drum in &evidence.drums {
            let Some(voice) = voice(&drum.name) else {
                continue;
            };
            let Some(track) = evidence.tracks.iter().find(|t| t.label == drum.own) else {
                continue;
            };
            let found: Vec<f64> = track.own_hits().map(|h| h.at_ms).collect();
            *score.strokes.entry(voice.drum()).or_default() += strokes(&found, take, voice.drum());
            let played = !take.events(&drum.name).is_empty();
            let called = matches!(drum.played, Played::No(_));
            if voice.is_head() && !played {
                match drum.played {
                    Played::No(_) => score.unplayed.right += 1,
                    Played::Yes(_) => score.unplayed.wrong += 1,
                    Played::NotSure(_) => score.unplayed.undecided += 1,
                }
            } else if called && played {
                let strokes = take.events(&drum.name).len();
                let note = format!(
                    "{} take {}: {} ({strokes} strokes)",
                    setup.name,
                    number + 1,
                    drum.name
                );
                score.false_unplayed.push(note);
            }
        }
        tuning(setup, number, heard, &mut score);
    }
    drift(heard, &mut score);
    polarity(setup, heard, &mut score);
    score.boxy = boxy(&setup.name, heard);
    score
}

fn voice(drum: &str) -> Option<Voice> {
    Voice::STRUCK.into_iter().find(|v| v.drum() == drum)
}

/// What the program reports of a take.
fn found(heard: &Heard, number: usize, label: &str) -> Option<f64> {
    let drum = heard.setup.tunings.iter().find(|t| t.label == label)?;
    let tuning = drum.takes.get(number)?.as_ref()?;
    (tuning.confidence >= 0.5).then_some(tuning.fundamental_hz)
}

fn tuning(setup: &Setup, number: usize, heard: &Heard, score: &mut Score) {
    let (take, evidence) = &heard.takes[number];
    for (label, voice) in [
        ("snare-top", Voice::Snare),
        ("tom-1", Voice::Tom1),
        ("tom-2", Voice::Tom2),
        ("tom-3", Voice::Tom3),
    ] {
        let played = take.events(voice.drum()).len();
        let Some(track) = evidence.tracks.iter().find(|t| t.label == label) else {
            continue;
        };
        let truth = take.pitch[&voice];
        let found = found(heard, number, label);
        if voice == Voice::Snare {
            let off = found.map(|hz| {
                let low = truth.settled_hz.min(truth.early_hz);
                let high = truth.early_hz.max(truth.settled_hz);
                (hz - hz.clamp(low, high)).abs()
            });
            score.snare_off_hz.push(off);
            continue;
        }
        if played == 0 {
            continue;
        }
        if !truth.clear {
            score.toms_unclear += 1;
            continue;
        }
        score.toms += 1;
        let name = format!("{} take {} {label}", setup.name, number + 1);
        let range = format!("{:.1} to {:.1} Hz", truth.settled_hz, truth.early_hz);
        match found {
            Some(hz) => {
                score.toms_pitched += 1;
                if truth.holds(hz) {
                    score.toms_inside += 1;
                } else {
                    score.tom_notes.push(format!("{name}: {hz:.1}, is {range}"));
                }
            }
            None => {
                let tried = track.tuning_tried;
                score.tom_notes.push(format!(
                    "{name}: none of {played} strokes ({tried} tried), is {range}"
                ));
            }
        }
    }
}

/// Takes of a snare beside the first that has a pitch.
fn drift(heard: &Heard, score: &mut Score) {
    let mut first: Option<(f64, f64)> = None;
    for (number, (take, _)) in heard.takes.iter().enumerate() {
        let Some(found) = found(heard, number, "snare-top") else {
            continue;
        };
        let truth = take.pitch[&Voice::Snare].early_hz;
        match first {
            None => first = Some((found, truth)),
            Some((f, t)) => score.snare_drift_hz.push(((found - f) - (truth - t)).abs()),
        }
    }
}

fn polarity(setup: &Setup, heard: &Heard, score: &mut Score) {
    let crossed = |label: &str| {
        let file = match label {
            "kick-in" => "Kick In",
            "kick-out" => "Kick Out",
            "snare-top" => "Snare Top",
            "snare-bottom" => "Snare Bottom",
            "tom-1" => "Tom 1",
            "tom-2" => "Tom 2",
            "tom-3" => "Floor Tom",
            _ => "",
        };
        setup.mishaps.contains(&Mishap::Inverted(file))
    };
    for verdict in &heard.setup.pairs {
        let pair = &verdict.pair;
        let kind = match (pair.first.as_str(), pair.second.as_str()) {
            ("kick-in", "kick-out") => "kick mics",
            ("snare-top", "snare-bottom") => "snare mics",
            (first, second) if second.starts_with("overhead") => {
                if first.starts_with("tom") {
                    "tom and overhead"
                } else if first.starts_with("snare") {
                    "snare and overhead"
                } else {
                    "sides"
                }
            }
            _ => continue,
        };
        // a head moves away from the mic below it
        let below = pair.second == "snare-bottom";
        let inverted = crossed(&pair.first) ^ crossed(&pair.second) ^ below;
        let verdicts = score.polarity.entry(kind).or_default();
        match pair.polarity {
            Polarity::NotSure => verdicts.undecided += 1,
            p if (p == Polarity::Inverted) == inverted => verdicts.right += 1,
            _ => {
                verdicts.wrong += 1;
                score.polarity_notes.push(format!(
                    "{}: {} and {} are called {:?}",
                    setup.name, pair.first, pair.second, pair.polarity
                ));
            }
        }
    }
}
