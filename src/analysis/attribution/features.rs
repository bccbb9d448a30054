//! What the probability that a drum was struck goes by.

use crate::analysis::attribution::attribute::{Drum, Heard, db};
use crate::analysis::attribution::separated::Separated;
use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::moments::{CLEAR_DB, Rise};
use crate::analysis::strokes::rows::PARTS;
use crate::dsp::median;

/// What a decision goes by.
pub const FEATURES: usize = 52;
/// Those that come first are enough for drums; the others tell cymbals from what is struck with
/// them, and gain nothing elsewhere.
pub const FIRST: usize = 40;

/// A drum at a moment.
pub(crate) struct Case<'a> {
    pub sources: &'a Separated,
    pub heard: &'a Heard<'a>,
    pub drums: &'a [Drum],
    pub moment: usize,
    pub drum: usize,
    /// The onset of each track.
    pub onsets: &'a [Option<(i64, u16)>],
}

pub(crate) fn features(case: &Case) -> [f32; FEATURES] {
    let Case {
        sources,
        heard,
        drums,
        moment,
        drum,
        onsets,
    } = *case;
    let Separated { table, mixture, .. } = sources;
    let (levels, raw) = (&sources.levels[moment], &sources.raw[moment]);
    let own = drums[drum].own;
    let level = levels[drum].clamp(-40.0, 10.0);
    let (all, mine) = mixture.loss_without(table, moment, drum, own);
    let (y, floor) = (table.energy(moment), table.floor(moment));
    // how far each band of the own mic sticks out of what the other drums explain
    let mut excess = [0.0; BANDS];
    for (excess, d) in excess[BANDS - table.bands..].iter_mut().zip(table.of(own)) {
        let others = mixture.others(moment, drum, d);
        *excess = db((y[d] + floor[d]) / (others + floor[d])).clamp(-20.0, 30.0);
    }
    let (attack, sizzle) = (excess[4], excess[5]);
    let body = excess[..4].iter().sum::<f32>() / 4.0;
    excess[..4].sort_by(f32::total_cmp);
    let best = 0.5 * (excess[2] + excess[3]);
    // against the other drums of the kit
    let strongest = |same: bool| {
        (0..drums.len())
            .filter(|&o| o != drum && (!same || drums[o].family == drums[drum].family))
            .map(|o| levels[o])
            .fold(-40.0, f32::max)
    };
    let (same, any) = (strongest(true), strongest(false));
    // who hears it first
    let rise = &heard.rises[own][moment];
    let arrival = rise.arrival_parts;
    // by how many milliseconds its mic is ahead of the first of those others
    let ahead = |counts: &dyn Fn(usize) -> bool| {
        let others = (0..drums.len()).filter(|&o| o != drum && counts(o));
        let ahead = others
            .map(|o| heard.rises[drums[o].own][moment].arrival_parts - arrival)
            .min();
        ahead.map_or(3.0, |parts| (parts as f32 / PARTS as f32).clamp(-6.0, 6.0))
    };
    let lead = ahead(&|o| levels[o] > -15.0);
    let clear = |o: usize| heard.rises[drums[o].own][moment].attack_db > CLEAR_DB && raw[o] > -25.0;
    let first = ahead(&clear);
    // how far its attack is from what those others would leave in its mic
    let (mut late_off, mut attack_off) = (4.0f32, 12.0f32);
    for other in (0..drums.len()).filter(|&o| o != drum && clear(o)) {
        let Some(usual) = &sources.bleed[drum][other] else {
            continue;
        };
        let there = &heard.rises[drums[other].own][moment];
        let late_ms = (arrival - there.arrival_parts) as f32 / PARTS as f32;
        late_off = late_off.min((late_ms - usual.late_ms).abs());
        let over = db(rise.attack / there.attack.max(1e-20));
        attack_off = attack_off.min((over - usual.attack_db).max(-12.0));
    }
    let sharp: Vec<f32> = (0..drums.len())
        .map(|o| {
            db(heard.rises[drums[o].own][moment].attack / sources.attack_level[o])
                .clamp(-40.0, 10.0)
        })
        .collect();
    let other = |of: &[f32]| {
        (0..drums.len())
            .filter(|&o| o != drum)
            .map(|o| of[o])
            .fold(-40.0, f32::max)
    };
    let (sharp_any, raw_any) = (other(&sharp), other(raw));
    // the most that another drum has in its own mic, of those that sound there
    let elsewhere = |of: &dyn Fn(&Rise) -> f32| {
        let others = (0..drums.len()).filter(|&o| o != drum && raw[o] > -15.0);
        others
            .map(|o| of(&heard.rises[drums[o].own][moment]))
            .fold(0.0, f32::max)
    };
    let over = heard
        .overheads
        .iter()
        .map(|&o| heard.rises[o][moment].attack_db)
        .fold(0.0, f32::max);
    let mean = |bands: std::ops::Range<usize>| {
        let count = bands.len() as f32;
        rise.swift_db[bands]
            .iter()
            .map(|r| r.clamp(0.0, 18.0))
            .sum::<f32>()
            / count
    };
    let breadth = rise.swift_db.iter().filter(|r| **r >= 4.0).count() as f32;
    let onset = onsets[own].map_or(0.0, |o| f32::from(o.1) / 16.0);
    let has = if onsets[own].is_some() { 1.0 } else { 0.0 };
    let all = all.clamp(-5.0, 60.0);
    let mine = mine.clamp(-5.0, 40.0);
    let own_raw = raw[drum].clamp(-40.0, 10.0);
    [
        1.0,
        level.max(-20.0),
        level.clamp(-30.0, -8.0),
        libm::sqrtf(all.max(0.0)),
        libm::sqrtf(mine.max(0.0)),
        best,
        body,
        attack,
        (level - same).clamp(-20.0, 20.0),
        (level - any).clamp(-20.0, 20.0),
        (level - any).clamp(-6.0, 6.0),
        has,
        onset,
        lead,
        lead.min(0.0),
        (level + 6.0).max(0.0),
        rise.attack_db.min(24.0),
        rise.attack_db.min(8.0),
        mean(3..6),
        mean(4..6).min(6.0),
        mean(0..2),
        mean(0..2).min(6.0),
        rise.swift_db[2].clamp(0.0, 18.0),
        rise.over_db.clamp(-3.0, 24.0),
        rise.over_db.clamp(-3.0, 8.0),
        rise.swell_db.clamp(-15.0, 10.0),
        rise.swell_db.clamp(-3.0, 6.0),
        own_raw.max(-25.0),
        own_raw.clamp(-12.0, 3.0),
        (own_raw - raw_any).clamp(-20.0, 20.0),
        (own_raw - raw_any).clamp(-5.0, 5.0),
        sharp[drum].max(-25.0),
        sharp[drum].clamp(-10.0, 3.0),
        (sharp[drum] - sharp_any).clamp(-20.0, 20.0),
        (sharp[drum] - sharp_any).clamp(-5.0, 5.0),
        breadth,
        first,
        first.clamp(-2.0, 2.0),
        over.min(20.0),
        own_raw.clamp(-12.0, 3.0) * 0.1 * first.clamp(-2.0, 2.0),
        sizzle,
        sizzle.clamp(-2.0, 6.0),
        late_off,
        attack_off,
        attack_off.clamp(-2.0, 6.0),
        rise.again_db.min(12.0),
        (rise.ahead_db - elsewhere(&|rise| rise.ahead_db)).clamp(-3.0, 6.0),
        rise.sizzle.over_db.clamp(0.0, 20.0),
        rise.sizzle.over_db.clamp(0.0, 6.0),
        rise.sizzle.fade_db.clamp(-20.0, 5.0),
        (rise.sizzle.over_db - elsewhere(&|rise| rise.sizzle.over_db)).clamp(-10.0, 10.0),
        db(rise.sizzle.energy / sources.level[drum].max(1e-20)).clamp(-40.0, 10.0),
    ]
}

/// How a drum's own mic hears the strokes of another drum.
pub(crate) struct Bleed {
    /// By how much later than that drum's own mic.
    late_ms: f32,
    /// By how much stronger its attack, in decibels.
    attack_db: f32,
}

/// A drum is struck alone where all others stay so far under it, in decibels over their references.
const ALONE_DB: f32 = 8.0;
/// Strokes that show how a mic hears another drum.
const BLEED_STROKES: usize = 4;

/// For each drum, how its own mic hears each of the others: medians over those moments at which that
/// one alone was struck.
pub(crate) fn bleed(heard: &Heard, drums: &[Drum], levels: &[Vec<f32>]) -> Vec<Vec<Option<Bleed>>> {
    let alone = |other: usize, row: &[f32]| {
        let others = (0..row.len()).filter(|&o| o != other).map(|o| row[o]);
        row[other] > -10.0 && others.fold(f32::NEG_INFINITY, f32::max) < row[other] - ALONE_DB
    };
    let of = |drum: &Drum, other: usize| {
        let (here, there) = (&heard.rises[drum.own], &heard.rises[drums[other].own]);
        let both: Vec<(f64, f64)> = (0..levels.len())
            .filter(|&m| alone(other, &levels[m]))
            .map(|m| (&here[m], &there[m]))
            .filter(|(a, b)| a.attack_db > CLEAR_DB && b.attack_db > CLEAR_DB)
            .map(|(a, b)| {
                let late = (a.arrival_parts - b.arrival_parts) as f64 / PARTS as f64;
                (late, f64::from(db(a.attack / b.attack.max(1e-20))))
            })
            .collect();
        (both.len() >= BLEED_STROKES)
            .then(|| {
                Some(Bleed {
                    late_ms: median(both.iter().map(|b| b.0))? as f32,
                    attack_db: median(both.iter().map(|b| b.1))? as f32,
                })
            })
            .flatten()
    };
    drums
        .iter()
        .map(|drum| (0..drums.len()).map(|other| of(drum, other)).collect())
        .collect()
}

/// What the attack of each drum's hits is like in its own mic (mean square): the median over those
/// moments at which no other drum is as loud.
pub(crate) fn attack_levels(heard: &Heard, drums: &[Drum], levels: &[Vec<f32>]) -> Vec<f32> {
    drums
        .iter()
        .enumerate()
        .map(|(d, drum)| {
            let loudest = |row: &[f32]| {
                let others = (0..row.len()).filter(|&o| o != d).map(|o| row[o]);
                row[d] > -8.0 && others.fold(f32::NEG_INFINITY, f32::max) < row[d]
            };
            let mut attacks: Vec<f32> = levels
                .iter()
                .zip(&heard.rises[drum.own])
                .filter(|(row, _)| loudest(row))
                .map(|(_, rise)| rise.attack)
                .collect();
            attacks.sort_by(f32::total_cmp);
            attacks
                .get(attacks.len() / 2)
                .copied()
                .unwrap_or(1.0)
                .max(1e-14)
        })
        .collect()
}
