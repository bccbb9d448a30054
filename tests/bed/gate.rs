//! What the gate of a tom does to the strokes of the drum and to the rest of the kit, each by itself: the
//! gain that the program decided is applied to both apart.
//!
//! Artefacts and bleed apart, after Terrell, Reiss and Sandler, "Automatic noise gate settings for drum
//! recordings containing bleed from secondary sources", EURASIP Journal on Advances in Signal Processing
//! 2010, 465417.

use std::ops::Range;

use batterhead::block::Block;
use batterhead::stage::gate::Gate;
use batterhead::stage::{Chain, Stage};
use serde_json::Value;

use super::record::Recording;
use super::{Event, RATE_HZ};

/// The gate of a tom in one take, or of many.
#[derive(Clone, Debug)]
pub struct GateFigures {
    pub take: String,
    pub tom: String,
    /// Gain at each stroke that was played, dB.
    pub strokes_db: Vec<f64>,
    /// Openings by sure hits, and by unsure ones.
    pub openings: [usize; 2],
    /// Of each, how many no stroke explains.
    pub wrong: [usize; 2],
    /// Gain half a second after each lone stroke that opened it, dB.
    pub lone_db: Vec<f64>,
    /// Deepest gain between strokes of a roll (less than 0.25 s apart) that both opened it, dB.
    pub rolls_db: f64,
    /// Steepest change of the gain from frame to frame, full scale 1.
    pub steepest: f64,
    /// Energies.
    pub own: Energy,
    pub bleed: Energy,
    /// Of bleed from 2 s behind a stroke to the next.
    pub between: Energy,
}

/// Of a part of the sound.
#[derive(Clone, Copy, Debug, Default)]
pub struct Energy {
    pub before: f64,
    pub after: f64,
    /// Of what the gate takes away.
    pub lost: f64,
}

impl Energy {
    fn add(&mut self, other: Self) {
        self.before += other.before;
        self.after += other.after;
        self.lost += other.lost;
    }

    fn of(sound: &[f64], gain: &[f64], part: Range<usize>) -> Self {
        let mut energy = Self::default();
        for (x, g) in sound[part.clone()].iter().zip(&gain[part]) {
            energy.before += x * x;
            energy.after += (g * x).powi(2);
            energy.lost += ((1.0 - g) * x).powi(2);
        }
        energy
    }

    pub fn change_db(&self) -> f64 {
        db(self.after / self.before)
    }
}

fn db(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

/// A stroke counts as open from here on, dB.
const OPEN_DB: f64 = -1.0;
/// Softer than this it is lost, dB.
const LOST_DB: f64 = -8.0;
/// Openings and strokes are one within this time.
const ONE_S: f64 = 0.04;

impl GateFigures {
    /// Of the tom of a take from the report of its track; `None` without a gate.
    pub fn of(take: &str, tom: &str, track: &Value, recording: &Recording) -> Option<Self> {
        let decisions = &track["decisions"];
        let gate: Gate =
            serde_json::from_value(find(&decisions["stages"], "gate")?.clone()).ok()?;
        let m = recording.mics.iter().position(|mic| mic.label == tom)?;
        let sound: Vec<f64> = recording.sound[m].iter().map(|x| f64::from(*x)).collect();
        let own: Vec<f64> = recording.own[m].iter().map(|x| f64::from(*x)).collect();
        let bleed: Vec<f64> = sound.iter().zip(&own).map(|(all, own)| all - own).collect();
        let events = recording.events(tom);
        let frames = sound.len();
        let mut block = Block::from_channels(vec![vec![1.0; frames]]);
        Chain::start(&[Stage::Gate(gate.clone())], RATE_HZ, 1).process(&mut block);
        // The gate comes behind the delay.
        let delay = decisions["delay_samples"].as_i64().unwrap_or(0);
        let gain: Vec<f64> = (0..frames as i64)
            .map(|frame| block.channel(0)[(frame + delay).clamp(0, frames as i64 - 1) as usize])
            .collect();

        let frame = |second: f64| ((second.max(0.0) * RATE_HZ) as usize).min(frames - 1);
        let gain_db = |second: f64| db(gain[frame(second)].powi(2));
        let at_s = |event: &Event| event.main_ms / 1000.0;
        let strokes_db: Vec<f64> = events.iter().map(|e| gain_db(at_s(e) + 0.001)).collect();
        let (mut openings, mut wrong) = ([0; 2], [0; 2]);
        for opening in gate.openings.iter().flatten() {
            let second = (opening.at as i64 - delay) as f64 / RATE_HZ;
            let sort = usize::from(opening.by < 1.0);
            let near = |e: &Event| {
                (e.first_ms / 1000.0 - ONE_S..e.last_ms / 1000.0 + ONE_S).contains(&second)
            };
            openings[sort] += 1;
            wrong[sort] += usize::from(!events.iter().any(near));
        }
        let open = |i: usize| strokes_db[i] > OPEN_DB;
        let lone = |i: usize| {
            let next = events.get(i + 1).map_or(f64::MAX, |e| e.first_ms / 1000.0);
            open(i)
                && next > at_s(&events[i]) + 0.8
                && at_s(&events[i]) + 0.5 < frames as f64 / RATE_HZ
        };
        let rolls = (1..events.len()).filter(|&i| {
            open(i) && open(i - 1) && events[i].main_ms - events[i - 1].main_ms < 250.0
        });
        let deepest = rolls.map(|i| {
            let part = &gain[frame(at_s(&events[i - 1]))..=frame(at_s(&events[i]))];
            db(part.iter().copied().fold(1.0, f64::min).powi(2))
        });
        // From 2 s behind a stroke to just ahead of the next.
        let mut between = Energy::default();
        let mut from = 0;
        for i in 0..=events.len() {
            let to = events
                .get(i)
                .map_or(frames, |e| frame(e.first_ms / 1000.0 - 0.02));
            if from < to {
                between.add(Energy::of(&bleed, &gain, from..to));
            }
            from = events
                .get(i)
                .map_or(frames, |e| frame(e.last_ms / 1000.0 + 2.0));
        }
        let steps = gain.windows(2).map(|two| (two[1] - two[0]).abs());
        Some(Self {
            take: take.to_owned(),
            tom: tom.to_owned(),
            openings,
            wrong,
            lone_db: (0..events.len())
                .filter(|&i| lone(i))
                .map(|i| gain_db(at_s(&events[i]) + 0.5))
                .collect(),
            rolls_db: deepest.fold(0.0, f64::min),
            steepest: steps.fold(0.0, f64::max),
            own: Energy::of(&own, &gain, 0..frames),
            bleed: Energy::of(&bleed, &gain, 0..frames),
            between,
            strokes_db,
        })
    }

    /// All together.
    pub fn all(each: &[Self]) -> Self {
        let mut all = Self {
            take: "all".to_owned(),
            tom: "toms".to_owned(),
            strokes_db: Vec::new(),
            openings: [0; 2],
            wrong: [0; 2],
            lone_db: Vec::new(),
            rolls_db: 0.0,
            steepest: 0.0,
            own: Energy::default(),
            bleed: Energy::default(),
            between: Energy::default(),
        };
        for one in each {
            all.strokes_db.extend(&one.strokes_db);
            all.lone_db.extend(&one.lone_db);
            for sort in 0..2 {
                all.openings[sort] += one.openings[sort];
                all.wrong[sort] += one.wrong[sort];
            }
            all.rolls_db = all.rolls_db.min(one.rolls_db);
            all.steepest = all.steepest.max(one.steepest);
            all.own.add(one.own);
            all.bleed.add(one.bleed);
            all.between.add(one.between);
        }
        all
    }

    /// Strokes that are softer than -8 dB.
    pub fn lost(&self) -> usize {
        self.strokes_db.iter().filter(|db| **db < LOST_DB).count()
    }

    /// Strokes that are softened, and are not lost.
    pub fn softened(&self) -> usize {
        let soft = |db: &&f64| (LOST_DB..OPEN_DB).contains(*db);
        self.strokes_db.iter().filter(soft).count()
    }

    fn worst(all: &[f64]) -> f64 {
        all.iter().copied().fold(0.0, f64::min)
    }
}

impl std::fmt::Display for GateFigures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            take,
            tom,
            openings,
            wrong,
            ..
        } = self;
        writeln!(
            f,
            "  {tom} {take}: {} strokes, {} softened, {} lost, worst {:.1} dB; {} openings, {} wrong, {} half, {} of them wrong; .5 s after {} lone strokes {:.1} dB; rolls {:.1} dB; steepest {:.4}",
            self.strokes_db.len(),
            self.softened(),
            self.lost(),
            Self::worst(&self.strokes_db),
            openings[0],
            wrong[0],
            openings[1],
            wrong[1],
            self.lone_db.len(),
            Self::worst(&self.lone_db),
            self.rolls_db,
            self.steepest,
        )?;
        writeln!(
            f,
            "    signal to artefacts {:.1} dB, signal to bleed {:.1} before, {:.1} after; bleed {:.1} dB in all, {:.1} from 2 s behind a stroke on",
            db(self.own.before / self.own.lost),
            db(self.own.before / self.bleed.before),
            db(self.own.after / self.bleed.after),
            self.bleed.change_db(),
            self.between.change_db(),
        )
    }
}

/// The value of a key, however deep.
fn find<'v>(value: &'v Value, key: &str) -> Option<&'v Value> {
    match value {
        Value::Object(map) => map
            .get(key)
            .or_else(|| map.values().find_map(|v| find(v, key))),
        Value::Array(list) => list.iter().find_map(|v| find(v, key)),
        _ => None,
    }
}
