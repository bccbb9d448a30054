//! Whose hit is it? For every moment and every drum with a mic of its own: the probability that it
//! was struck.

use crate::analysis::attribution::mixture::{Mixture, Start, Table, Template};
use crate::analysis::attribution::weights;
use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::moments::{Moment, Rise};
use crate::session::Family;

/// What a decision goes by.
pub const FEATURES: usize = 16;

/// A drum (or a cymbal with a mic of its own) in a take.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Drum {
    pub family: Family,
    /// The track of the mic that hears it first, by its place among the tracks given.
    pub own: usize,
}

/// What is known of a drum from other takes of the set-up.
#[derive(Clone, Debug, Default)]
pub(crate) struct Known {
    pub template: Option<Template>,
    /// Energy of its hits in its own mic.
    pub level: Option<f32>,
}

/// Rises and onsets of the tracks of a take.
pub(crate) struct Heard<'a> {
    pub moments: &'a [Moment],
    /// A row of rises a track.
    pub rises: &'a [Vec<Rise>],
    /// Onsets of each track in milliseconds of the take, with their strength.
    pub onsets: &'a [Vec<(i64, u16)>],
    /// Overheads among the tracks.
    pub overheads: &'a [usize],
}

/// For each drum: probability at each moment, and what it rests on.
pub(crate) struct Attribution {
    pub templates: Vec<Template>,
    /// Reference level of each drum in its own mic (energy).
    pub level: Vec<f32>,
    /// Drums × moments.
    pub probability: Vec<Vec<f32>>,
    pub features: Vec<Vec<[f32; FEATURES]>>,
    /// When each drum's own mic rose, in milliseconds of the take.
    pub at_ms: Vec<Vec<i64>>,
}

fn db(ratio: f32) -> f32 {
    10.0 * libm::log10f(ratio.max(1e-12))
}

/// Mean of the strongest, as a reference for a drum's own hits.
fn reference(gains: &[f32], family: Family) -> f32 {
    let mut sorted = gains.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let count = match family {
        Family::Tom => 3,
        _ => (sorted.len() / 20).max(3),
    }
    .min(sorted.len());
    let sum: f32 = sorted[..count].iter().map(|&g| db(g)).sum();
    libm::powf(10.0, sum / count.max(1) as f32 / 10.0)
}

pub(crate) fn attribute(heard: &Heard, drums: &[Drum], known: &[Known]) -> Attribution {
    let table = Table::new(heard.rises);
    let own: Vec<usize> = drums.iter().map(|d| d.own).collect();
    let templates: Vec<Option<Template>> = known.iter().map(|k| k.template.clone()).collect();
    let mixture = Mixture::learn(
        &table,
        &Start {
            own: &own,
            known: &templates,
            overheads: heard.overheads,
        },
    );
    let level: Vec<f32> = drums
        .iter()
        .enumerate()
        .map(|(d, drum)| {
            let gains: Vec<f32> = (0..table.len()).map(|m| mixture.gains(m)[d]).collect();
            let here = reference(&gains, drum.family);
            match known[d].level {
                // 6 dB and more below the other takes: it is not these hits
                Some(other) if here < 0.25 * other => 0.5 * other,
                _ => here,
            }
        })
        .collect();
    let mut attribution = Attribution {
        templates: mixture.templates[..drums.len()].to_vec(),
        features: vec![Vec::with_capacity(table.len()); drums.len()],
        probability: vec![Vec::with_capacity(table.len()); drums.len()],
        at_ms: vec![Vec::with_capacity(table.len()); drums.len()],
        level,
    };
    let mut next = vec![0; heard.onsets.len()];
    for (m, moment) in heard.moments.iter().enumerate() {
        let onsets: Vec<Option<(i64, u16)>> = heard
            .onsets
            .iter()
            .zip(&mut next)
            .map(|(onsets, next)| strongest_within(onsets, next, moment))
            .collect();
        let levels: Vec<f32> = (0..drums.len())
            .map(|d| db(mixture.gains(m)[d] / attribution.level[d].max(1e-20)))
            .collect();
        for (d, drum) in drums.iter().enumerate() {
            let x = features(&Case {
                table: &table,
                mixture: &mixture,
                heard,
                drums,
                moment: m,
                drum: d,
                levels: &levels,
                onsets: &onsets,
            });
            attribution.probability[d].push(weights::probability(drum.family, &x));
            attribution.features[d].push(x);
            let rise = &heard.rises[drum.own][m];
            attribution.at_ms[d].push(onsets[drum.own].map_or(rise.arrival_ms, |o| o.0));
        }
    }
    attribution
}

/// The strongest onset of a track within a moment; `next` moves on with the moments.
fn strongest_within(
    onsets: &[(i64, u16)],
    next: &mut usize,
    moment: &Moment,
) -> Option<(i64, u16)> {
    while onsets.get(*next).is_some_and(|o| o.0 < moment.first_ms) {
        *next += 1;
    }
    onsets[*next..]
        .iter()
        .take_while(|o| o.0 <= moment.last_ms)
        .max_by_key(|o| o.1)
        .copied()
}

struct Case<'a> {
    table: &'a Table,
    mixture: &'a Mixture,
    heard: &'a Heard<'a>,
    drums: &'a [Drum],
    moment: usize,
    drum: usize,
    /// Level of each drum over its reference, in decibels.
    levels: &'a [f32],
    /// The onset of each track.
    onsets: &'a [Option<(i64, u16)>],
}

fn features(case: &Case) -> [f32; FEATURES] {
    let Case {
        table,
        mixture,
        heard,
        drums,
        moment,
        drum,
        levels,
        onsets,
    } = *case;
    let own = drums[drum].own;
    let level = levels[drum].clamp(-40.0, 10.0);
    let (all, mine) = mixture.loss_without(table, moment, drum, own);
    let others = mixture.others(moment, drum, own);
    let y = &table.energy(moment)[own * BANDS..(own + 1) * BANDS];
    let floor = &table.floor(moment)[own * BANDS..(own + 1) * BANDS];
    // how far each band of the own mic sticks out of what the other drums explain
    let mut excess: [f32; BANDS] =
        std::array::from_fn(|b| db((y[b] + floor[b]) / (others[b] + floor[b])).clamp(-20.0, 30.0));
    let attack = excess[4];
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
    let arrival = heard.rises[own][moment].arrival_ms;
    let lead = (0..drums.len())
        .filter(|&o| o != drum && levels[o] > -15.0)
        .map(|o| (heard.rises[drums[o].own][moment].arrival_ms - arrival) as f32)
        .fold(f32::INFINITY, f32::min);
    let lead = if lead.is_finite() {
        lead.clamp(-6.0, 6.0)
    } else {
        3.0
    };
    let onset = onsets[own].map_or(0.0, |o| f32::from(o.1) / 16.0);
    let has = if onsets[own].is_some() { 1.0 } else { 0.0 };
    let all = all.clamp(-5.0, 60.0);
    let mine = mine.clamp(-5.0, 40.0);
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
    ]
}
