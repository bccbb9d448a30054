//! Whose hit is it? For every moment and every drum with a mic of its own: the probability that it
//! was struck.

use crate::analysis::attribution::features::{Case, FEATURES, features};
use crate::analysis::attribution::mixture::Template;
use crate::analysis::attribution::pulse;
use crate::analysis::attribution::rings::Rings;
use crate::analysis::attribution::separated::Separated;
use crate::analysis::attribution::weights;
use crate::analysis::strokes::bank::ATTACK_BANDS;
use crate::analysis::strokes::hits::{BLEED, OWN};
use crate::analysis::strokes::moments::{Moment, Rise};
use crate::analysis::strokes::rows::PARTS;
use crate::session::Family;

/// A drum is struck once in this time; strokes this far apart in it are a flam.
pub(crate) const ONE_STROKE_MS: i64 = 35;
const FLAM_MS: i64 = 8;

/// A drum (or a cymbal with a mic of its own) in a take.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Drum {
    pub family: Family,
    /// A cymbal that leads the time, where others are struck once in a while.
    pub is_ride: bool,
    /// The track of the mic that hears it first, by its place among the tracks given.
    pub own: usize,
}

impl Drum {
    pub fn is_cymbal(&self) -> bool {
        matches!(self.family, Family::Hat | Family::Cymbal)
    }

    pub fn keeps_time(&self) -> bool {
        self.family == Family::Hat || self.is_ride
    }
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
    /// How well each moment lies in the time that the drum keeps; 0 where it keeps none.
    pub in_time: Vec<Vec<f32>>,
    /// When each drum's own mic rose, in quarters of a millisecond of the take.
    pub at_parts: Vec<Vec<i64>>,
    /// How loud each drum's own mic got, in decibels.
    pub loud_db: Vec<Vec<f32>>,
    /// Whether it is one stroke of two that were made together.
    pub flams: Vec<Vec<bool>>,
    /// How each drum rings after its strokes in this take.
    pub rings: Vec<Option<Rings>>,
    /// Whether it does not ring as it does after a stroke.
    pub still: Vec<Vec<bool>>,
}

impl Attribution {
    /// When a drum's own mic rose, in milliseconds of the take.
    pub fn at_ms(&self, drum: usize, moment: usize) -> i64 {
        self.at_parts[drum][moment].div_euclid(PARTS as i64)
    }

    /// A drum is struck once in [`ONE_STROKE_MS`]: of all that may be strokes in that time the loudest
    /// is the stroke, and a flam if another one was as sure.
    pub fn one_stroke_at_a_time(&mut self) {
        for d in 0..self.probability.len() {
            let (p, at) = (&self.probability[d], &self.at_parts[d]);
            let mut order: Vec<usize> = (0..p.len()).filter(|&m| p[m] >= BLEED).collect();
            let loud = |m: usize| {
                if p[m] >= OWN {
                    self.loud_db[d][m]
                } else {
                    -200.0
                }
            };
            order.sort_by(|&a, &b| {
                loud(b)
                    .total_cmp(&loud(a))
                    .then(p[b].total_cmp(&p[a]))
                    .then(a.cmp(&b))
            });
            let mut kept = vec![true; p.len()];
            let mut flams = vec![false; p.len()];
            for &m in &order {
                if !kept[m] {
                    continue;
                }
                let near = |o: &usize| (at[*o] - at[m]).abs() < ONE_STROKE_MS * PARTS as i64;
                let around = (0..m)
                    .rev()
                    .take_while(near)
                    .chain((m + 1..p.len()).take_while(near));
                for o in around {
                    let apart = (at[o] - at[m]).abs() >= FLAM_MS * PARTS as i64;
                    flams[m] |= p[m] >= OWN && p[o] >= OWN && apart;
                    kept[o] = false;
                }
            }
            let all = self.probability[d].iter_mut().zip(kept);
            all.filter(|(_, kept)| !kept).for_each(|(p, _)| *p = 0.0);
            self.flams[d] = flams;
        }
    }
}

pub(crate) fn db(ratio: f32) -> f32 {
    10.0 * libm::log10f(ratio.max(1e-12))
}

pub(crate) fn attribute(heard: &Heard, drums: &[Drum], known: &[Known]) -> Attribution {
    let all = Separated::learn(heard, drums, known, 0);
    // below those bands a cymbal's mic hears kick and snare
    let upper = || Separated::learn(heard, drums, known, ATTACK_BANDS.start);
    let cymbals = drums.iter().any(Drum::is_cymbal).then(upper);
    let count = heard.moments.len();
    let mut attribution = Attribution {
        templates: all.mixture.templates[..drums.len()].to_vec(),
        features: vec![Vec::with_capacity(count); drums.len()],
        in_time: vec![vec![0.0; count]; drums.len()],
        probability: vec![Vec::with_capacity(count); drums.len()],
        at_parts: vec![Vec::with_capacity(count); drums.len()],
        loud_db: vec![Vec::with_capacity(count); drums.len()],
        flams: vec![vec![false; count]; drums.len()],
        rings: vec![None; drums.len()],
        still: vec![vec![false; count]; drums.len()],
        level: all.level.clone(),
    };
    let mut next = vec![0; heard.onsets.len()];
    for (m, moment) in heard.moments.iter().enumerate() {
        let onsets: Vec<Option<(i64, u16)>> = heard
            .onsets
            .iter()
            .zip(&mut next)
            .map(|(onsets, next)| strongest_within(onsets, next, moment))
            .collect();
        for (d, drum) in drums.iter().enumerate() {
            let x = features(&Case {
                sources: cymbals
                    .as_ref()
                    .filter(|_| drum.is_cymbal())
                    .unwrap_or(&all),
                heard,
                drums,
                moment: m,
                drum: d,
                onsets: &onsets,
            });
            let rise = &heard.rises[drum.own][m];
            // what does not rise out of a mic's own hiss struck nothing there
            let p = match rise.stands_out() {
                true => weights::probability(drum, &x),
                false => 0.0,
            };
            attribution.probability[d].push(p);
            attribution.features[d].push(x);
            attribution.at_parts[d].push(rise.arrival_parts);
            attribution.loud_db[d].push(db(all.table.level(m, drum.own)));
        }
    }
    for (d, drum) in drums.iter().enumerate().filter(|(_, d)| d.keeps_time()) {
        let probability = &mut attribution.probability[d];
        let in_time = pulse::in_time(probability, &attribution.at_parts[d]);
        for (p, in_time) in probability
            .iter_mut()
            .zip(&in_time)
            .filter(|(p, _)| **p > 0.0)
        {
            *p = weights::in_time(drum, *p, *in_time);
        }
        attribution.in_time[d] = in_time;
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
