//! Which drums were struck at each moment: a non-negative mixture of one template a drum.
//!
//! A stroke of drum *s* lets every band of every mic rise by `gain × template`. Templates and gains
//! are found together, as in non-negative factorisation with the Itakura–Saito divergence, which
//! compares ratios (Févotte, Bertin, Durrieu, Neural Computation 21(3), 2009); templates are medians
//! over many strokes, so that drums that are often struck together do not leak into each other.

use multiversion::multiversion;

use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::moments::Rise;
use templates::{first_guess, free_templates, limit_foreign, limit_free, relearn, top_level};

mod templates;

/// Rounds of learning.
const ROUNDS: usize = 6;
/// Rounds of fitting the gains of one moment: from nothing, and from what other templates gave.
const STEPS: usize = 30;
const STEPS_AGAIN: usize = 10;
/// How much of a fresh start is mixed into gains that are fitted again: none stays at nothing.
const FRESH: f32 = 0.05;
/// Moments that templates are learned from, at most.
const LEARN: usize = 3000;
/// Spread of log energy ratios (natural logarithm) of a stroke around its template.
const SPREAD: f32 = 0.6;
/// What other takes show counts as much as this many strokes of this one.
const KNOWN_STROKES: f32 = 12.0;

/// Rises of all tracks at all moments, in some of the upper bands: `dims` = tracks × bands.
pub(crate) struct Table {
    pub dims: usize,
    /// Bands of each track.
    pub bands: usize,
    pub energy: Vec<f32>,
    pub floor: Vec<f32>,
}

impl Table {
    /// From the rises of each track (all of one length) in the bands from one on.
    pub fn new(tracks: &[Vec<Rise>], first_band: usize) -> Self {
        let bands = BANDS - first_band;
        let dims = tracks.len() * bands;
        let moments = tracks.first().map_or(0, Vec::len);
        let mut table = Self {
            dims,
            bands,
            energy: Vec::with_capacity(dims * moments),
            floor: Vec::with_capacity(dims * moments),
        };
        for moment in 0..moments {
            for rise in tracks.iter().map(|t| &t[moment]) {
                table.energy.extend(&rise.energy[first_band..]);
                table.floor.extend(&rise.floor[first_band..]);
            }
        }
        table
    }

    pub fn len(&self) -> usize {
        self.energy.len().checked_div(self.dims).unwrap_or(0)
    }

    pub fn energy(&self, moment: usize) -> &[f32] {
        &self.energy[moment * self.dims..(moment + 1) * self.dims]
    }

    pub fn floor(&self, moment: usize) -> &[f32] {
        &self.floor[moment * self.dims..(moment + 1) * self.dims]
    }

    /// Energy and floor.
    fn at(&self, moment: usize) -> (&[f32], &[f32]) {
        (self.energy(moment), self.floor(moment))
    }

    /// The dimensions of a track.
    pub fn of(&self, track: usize) -> std::ops::Range<usize> {
        track * self.bands..(track + 1) * self.bands
    }

    /// Energy of one track at one moment, over all bands.
    pub fn level(&self, moment: usize, track: usize) -> f32 {
        self.energy(moment)[self.of(track)].iter().sum()
    }
}

/// One source: a drum (1 in its own mic) or a cymbal without a mic.
pub(crate) type Template = Vec<f32>;

/// What is known before: which track is each drum's own, and the template from other takes.
pub(crate) struct Start<'a> {
    /// Track of each drum's own mic.
    pub own: &'a [usize],
    /// Templates of drums from other takes.
    pub known: &'a [Option<Template>],
    /// Tracks that hear cymbals best (overheads); all, where there are none.
    pub overheads: &'a [usize],
}

/// Templates of all sources (drums first) and their gains.
pub(crate) struct Mixture {
    pub templates: Vec<Template>,
    /// Moments × sources.
    pub gains: Vec<f32>,
}

impl Mixture {
    pub fn learn(table: &Table, start: &Start) -> Self {
        let stride = table.len().div_ceil(LEARN).max(1);
        let chosen: Vec<usize> = (0..table.len()).step_by(stride).collect();
        let tops: Vec<f32> = start
            .own
            .iter()
            .map(|&track| top_level(table, &chosen, track))
            .collect();
        let mut templates: Vec<Template> = (0..start.own.len())
            .map(|drum| match &start.known[drum] {
                Some(known) => known.clone(),
                None => first_guess(table, &chosen, start.own, &tops, drum),
            })
            .collect();
        templates.extend(free_templates(table, &chosen, start.overheads));
        let sources: Vec<usize> = (0..templates.len()).collect();
        let mut room = Room::default();
        let mut gains = vec![vec![0.0; templates.len()]; chosen.len()];
        for round in 0..=ROUNDS {
            for (&moment, gains) in chosen.iter().zip(&mut gains) {
                let (at, again) = (table.at(moment), round > 0);
                fit(at, &templates, &sources, gains, again, &mut room);
            }
            if round == ROUNDS {
                break;
            }
            templates = (0..templates.len())
                .map(|source| {
                    let (mut new, strokes) = relearn(table, &chosen, &templates, &gains, source);
                    if let Some(Some(known)) = start.known.get(source) {
                        // few strokes here: other takes know better
                        let here = strokes as f32 / (strokes as f32 + KNOWN_STROKES);
                        for (new, known) in new.iter_mut().zip(known) {
                            let (a, b) = (libm::logf(new.max(1e-9)), libm::logf(known.max(1e-9)));
                            *new = libm::expf(here * a + (1.0 - here) * b);
                        }
                    }
                    if source < start.own.len() {
                        limit_foreign(table, &mut new, (start.own, &tops), source);
                    } else {
                        limit_free(table, &mut new);
                    }
                    new
                })
                .collect();
        }
        let mut mixture = Self {
            gains: Vec::with_capacity(table.len() * templates.len()),
            templates,
        };
        let mut gains = vec![0.0; mixture.templates.len()];
        for moment in 0..table.len() {
            let templates = &mixture.templates;
            let at = table.at(moment);
            fit(at, templates, &sources, &mut gains, false, &mut room);
            mixture.gains.extend(&gains);
        }
        mixture
    }

    pub fn sources(&self) -> usize {
        self.templates.len()
    }

    pub fn gains(&self, moment: usize) -> &[f32] {
        let n = self.sources();
        &self.gains[moment * n..(moment + 1) * n]
    }

    /// How much worse a moment is explained without a drum: over all bands and over those of one
    /// track, in units of the natural logarithm of likelihood.
    pub fn loss_without(
        &self,
        table: &Table,
        moment: usize,
        drum: usize,
        track: usize,
    ) -> (f32, f32) {
        let (y, floor) = table.at(moment);
        let gains = self.gains(moment);
        let share: f32 = self.templates[drum][table.of(track)].iter().sum();
        if gains[drum] * share < 0.003 * table.level(moment, track) {
            return (0.0, 0.0);
        }
        let with = losses(y, floor, &self.templates, gains);
        let kept: Vec<usize> = (0..self.sources()).filter(|&s| s != drum).collect();
        let mut without = gains.to_vec();
        without[drum] = 0.0;
        let mut room = Room::default();
        for _ in 0..STEPS / 2 {
            step(
                table.at(moment),
                &self.templates,
                &kept,
                &mut without,
                true,
                &mut room,
            );
        }
        let alone = losses(y, floor, &self.templates, &without);
        let sum = |range: std::ops::Range<usize>| {
            alone[range.clone()].iter().sum::<f32>() - with[range].iter().sum::<f32>()
        };
        (sum(0..table.dims), sum(table.of(track)))
    }

    /// What all sources but one let a dimension rise by.
    pub fn others(&self, moment: usize, drum: usize, dim: usize) -> f32 {
        let gains = self.gains(moment);
        (0..self.sources())
            .filter(|&s| s != drum)
            .map(|s| gains[s] * self.templates[s][dim])
            .sum()
    }
}

/// Log-likelihood lost in each dimension; beyond four spreads it grows no more.
fn losses(y: &[f32], floor: &[f32], templates: &[Template], gains: &[f32]) -> Vec<f32> {
    let mut prediction = floor.to_vec();
    for (template, &gain) in templates.iter().zip(gains) {
        if gain > 0.0 {
            for (p, a) in prediction.iter_mut().zip(template) {
                *p += gain * a;
            }
        }
    }
    y.iter()
        .zip(floor)
        .zip(&prediction)
        .map(|((y, f), p)| {
            let r = (libm::logf((y + f) / p) / SPREAD).clamp(-4.0, 4.0);
            0.5 * r * r
        })
        .collect()
}

/// Room for one step, kept from one to the next.
#[derive(Default)]
struct Room {
    /// What the gains have to rise and to fall by, in each dimension.
    up: Vec<f32>,
    down: Vec<f32>,
}

/// One multiplicative step of the gains of `sources`.
#[multiversion(targets("x86_64+avx2"))]
fn step(
    (y, floor): (&[f32], &[f32]),
    templates: &[Template],
    sources: &[usize],
    gains: &mut [f32],
    robust: bool,
    room: &mut Room,
) {
    let Room { up, down } = room;
    up.resize(y.len(), 0.0);
    down.clear();
    down.extend(floor);
    for &s in sources {
        let gain = gains[s];
        if gain > 0.0 {
            for (p, a) in down.iter_mut().zip(&templates[s]) {
                *p += gain * a;
            }
        }
    }
    let places = up.iter_mut().zip(&mut *down);
    for ((up, down), (y, floor)) in places.zip(y.iter().zip(floor)) {
        let inverse = 1.0 / *down;
        let q = (y + floor) * inverse;
        // a dimension that fits badly counts less
        let off = (q - 1.0) / (q + 1.0);
        let weight = if robust { 1.0 - 0.8 * off * off } else { 1.0 };
        *up = weight * q * inverse;
        *down = weight * inverse;
    }
    for &s in sources {
        if gains[s] == 0.0 {
            continue; // for good
        }
        gains[s] *= dot(&templates[s], up) / (dot(&templates[s], down) + 1e-30);
        if gains[s] < 1e-14 {
            gains[s] = 0.0;
        }
    }
}

/// Sum of the products; the order of summation is the same on every processor.
#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f32 {
    const LANES: usize = 8;
    let mut sums = [0.0f32; LANES];
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    for (a, b) in a.iter().zip(b) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest = a_rest.iter().zip(b_rest);
    rest.fold(sums.into_iter().sum(), |sum, (a, b)| sum + a * b)
}

/// Gains of one moment, from nothing or, `again`, from what they are.
fn fit(
    (y, floor): (&[f32], &[f32]),
    templates: &[Template],
    sources: &[usize],
    gains: &mut [f32],
    again: bool,
    room: &mut Room,
) {
    for (gain, template) in gains.iter_mut().zip(templates) {
        let fair = start(template, y) / templates.len() as f32;
        *gain = if again { *gain + FRESH * fair } else { fair };
    }
    let (steps, first_robust) = if again { (STEPS_AGAIN, 0) } else { (STEPS, 5) };
    for round in 0..steps {
        let robust = round >= first_robust;
        step((y, floor), templates, sources, gains, robust, room);
    }
}

/// A fair start for all: what the loudest dimensions of a template allow.
fn start(template: &[f32], y: &[f32]) -> f32 {
    let weight: f32 = template.iter().sum::<f32>().max(1e-20);
    let allowed = |(a, y): (&f32, &f32)| a * (y / a.max(1e-20)).min(1e10);
    template.iter().zip(y).map(allowed).sum::<f32>() / weight
}
