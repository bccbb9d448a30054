//! What differs between two candidates, over their matched hits, and what may be said of it.
//!
//! The steps below which nothing is said, and which measures tell instruments apart at all, were
//! found on recorded strokes of ten snares and fifteen cymbals; no listening test was made.

use serde::Serialize;

use super::figures::{Difference, median};
use super::hit::{Hit, RINGS_HZ, share};
use crate::measure::bands::{COUNT, middles_hz, nominal_hz, numbers};
use crate::session::Family;
use crate::units::{power_to_db, round_to};

/// A band counts in a hit where it lies so far over the background, as a power ratio.
const OVER_NOISE: f64 = 4.0;
/// Fewest such bands for a slope, or for the middle that differences refer to.
const LEAST_BANDS: usize = 5;
/// A hit is a drum's own where it is at most so much quieter than its loud ones (a power ratio).
const OWN: f64 = 0.063; // 12 dB
/// Cymbals sound different when struck harder: strokes are compared within so many decibels.
const FORCE_DB: f64 = 3.0;
/// Fewest hits to be choosy.
const ENOUGH: usize = 8;
/// Fewest hits on which anything is said: the spread of fewer is not known.
const SAYABLE: usize = 6;
/// The tilt is the slope between these, in hertz.
const TILT_HZ: (f64, f64) = (90.0, 11_000.0);

/// A matched hit of both.
pub(super) type Pair = (Hit, Hit);

/// Difference of one third-octave band; positive: more in the later candidate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Band {
    /// Nominal mid-band frequency.
    pub hz: f64,
    /// Median over the hits, less the median over the bands: the shape, not the level. Null where
    /// there is nothing at all.
    pub difference_db: Option<f64>,
    /// Median absolute deviation.
    pub spread_db: Option<f64>,
    /// Whether both lie over their background in at least half of the hits.
    pub over_noise: bool,
}

/// Difference of one measure; positive: more in the later candidate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measure {
    /// `level`, `tilt`, `snap`, …
    pub name: &'static str,
    /// Of `difference` and `spread`.
    pub unit: &'static str,
    /// Median over the hits.
    pub difference: f64,
    /// Median absolute deviation.
    pub spread: f64,
    /// Whether it is beyond its step and its own spread, and so put into a word.
    pub said: bool,
    /// The word.
    pub word: Option<&'static str>,
    /// Hits that it rests on.
    pub hits: usize,
}

/// One candidate compared with the first.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Comparison {
    /// Low to high.
    pub bands: Vec<Band>,
    /// In a fixed order; a measure that no hit has is absent.
    pub measures: Vec<Measure>,
    /// What may be said, strongest first.
    pub words: Vec<&'static str>,
}

/// How a measure becomes a word: least difference, word for more, word for less.
struct Rule {
    name: &'static str,
    unit: &'static str,
    digits: u32,
    step: f64,
    more: &'static str,
    less: &'static str,
}

const fn rule(
    name: &'static str,
    unit: &'static str,
    step: f64,
    more: &'static str,
    less: &'static str,
) -> Rule {
    Rule {
        name,
        unit,
        digits: 2,
        step,
        more,
        less,
    }
}

/// Never said: shown for the eye only.
const NEVER: f64 = f64::INFINITY;

const LEVEL: Rule = rule("level", "dB", NEVER, "", "");
const TILT: Rule = rule("tilt", "dB/octave", 0.3, "brighter", "warmer");
const CENTROID: Rule = rule("centroid", "octaves", NEVER, "", "");
const SNAP: Rule = rule("snap", "dB", 2.0, "more snap", "less snap");
const WIRES: Rule = rule("wires", "dB", 2.0, "more wire noise", "less wire noise");
const CREST: Rule = rule("crest-factor", "dB", NEVER, "", "");
const ATTACK: Rule = rule("attack", "%", 50.0, "slower attack", "faster attack");
const FUNDAMENTAL: Rule = rule("fundamental", "%", 2.0, "tuned higher", "tuned lower");
const FUNDAMENTAL_RING: Rule = rule("fundamental-ring", "%", NEVER, "", "");
const NEXT_RING: Rule = rule("next-partial-ring", "%", NEVER, "", "");
const RING: [Rule; RINGS_HZ.len()] = [
    rule(RINGS_HZ[0].0, "%", 20.0, "rings longer", "rings shorter"),
    rule(RINGS_HZ[1].0, "%", 20.0, "rings longer", "rings shorter"),
    rule(RINGS_HZ[2].0, "%", 20.0, "rings longer", "rings shorter"),
];
/// Shares of the whole energy, with their edges in hertz.
const SHARES: [(Rule, f64, f64); 5] = [
    (
        rule("body", "dB", 1.5, "more body", "less body"),
        80.0,
        315.0,
    ),
    (
        rule("low-mid", "dB", 1.5, "more low-mid", "less low-mid"),
        315.0,
        800.0,
    ),
    (
        rule("presence", "dB", 1.5, "more presence", "less presence"),
        1250.0,
        2000.0,
    ),
    (
        rule("harshness", "dB", 1.5, "harsher", "less harsh"),
        2500.0,
        6300.0,
    ),
    (
        rule("air", "dB", 1.5, "more air", "less air"),
        8000.0,
        16_000.0,
    ),
];

impl Rule {
    fn measure(&self, difference: &Difference, may_say: bool) -> Measure {
        let said = may_say && difference.hits >= SAYABLE && difference.is_beyond(self.step);
        let word = if difference.median > 0.0 {
            self.more
        } else {
            self.less
        };
        Measure {
            name: self.name,
            unit: self.unit,
            difference: round_to(difference.median, self.digits),
            spread: round_to(difference.spread, self.digits),
            said,
            word: said.then_some(word),
            hits: difference.hits,
        }
    }
}

/// How much louder the second is, in decibels, over the hits that are its own.
pub(super) fn level(pairs: &[Pair]) -> Option<Difference> {
    Difference::of(own(pairs).into_iter().filter_map(level_of))
}

fn level_of((a, b): &Pair) -> Option<f64> {
    power_to_db(b.loudness / a.loudness)
}

/// Hits that belong to the drum by their level: what is far quieter is bleed, or a ghost note.
pub(super) fn own(pairs: &[Pair]) -> Vec<&Pair> {
    let loud = |side: fn(&Pair) -> f64| {
        let mut all: Vec<f64> = pairs.iter().map(side).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len().saturating_sub(1) * 4 / 5)
            .copied()
            .unwrap_or(0.0)
    };
    let (a, b) = (loud(|p| p.0.loudness), loud(|p| p.1.loudness));
    pairs
        .iter()
        .filter(|p| p.0.loudness >= OWN * a && p.1.loudness >= OWN * b)
        .collect()
}

/// Compares the matched hits of two candidates, given in the order of time.
pub(super) fn compare(pairs: &[Pair], family: Family, rate_hz: u32) -> Comparison {
    let mut chosen = own(pairs);
    let cymbal = matches!(family, Family::Hat | Family::Cymbal | Family::Overhead);
    if cymbal && let Some(middle) = median(chosen.iter().filter_map(|p| level_of(p))) {
        let alike: Vec<&Pair> = chosen
            .iter()
            .filter(|p| level_of(p).is_some_and(|l| (l - middle).abs() <= FORCE_DB))
            .copied()
            .collect();
        if alike.len() >= ENOUGH {
            chosen = alike;
        }
    }
    let curves: Vec<Curve> = chosen.iter().map(|pair| Curve::of(pair, rate_hz)).collect();
    let measures = measures(&chosen, &curves, family, level(pairs));
    let mut spoken: Vec<&Measure> = measures.iter().filter(|m| m.said).collect();
    let sureness = |m: &Measure| m.difference.abs() / (m.spread + 1e-3);
    spoken.sort_by(|x, y| sureness(y).total_cmp(&sureness(x)));
    let mut words: Vec<&'static str> = Vec::new();
    for word in spoken.iter().filter_map(|m| m.word) {
        if !words.contains(&word) {
            words.push(word);
        }
    }
    Comparison {
        bands: bands(&curves, family, rate_hz),
        measures,
        words,
    }
}

/// Third-octave differences of one hit, without its level.
struct Curve {
    db: [Option<f64>; COUNT],
    over_noise: [bool; COUNT],
}

impl Curve {
    fn of((a, b): &Pair, rate_hz: u32) -> Self {
        let over = |hit: &Hit, i: usize| hit.bands[i] > OVER_NOISE * hit.background[i];
        let whole = |i: usize| middles_hz()[i] * 1.13 <= f64::from(rate_hz) / 2.0;
        let over_noise: [bool; COUNT] =
            std::array::from_fn(|i| over(a, i) && over(b, i) && whole(i));
        let raw: [Option<f64>; COUNT] = std::array::from_fn(|i| {
            if whole(i) {
                power_to_db(b.bands[i] / a.bands[i])
            } else {
                None
            }
        });
        let sure = raw
            .iter()
            .zip(over_noise)
            .filter_map(|(d, over)| d.filter(|_| over));
        let sure: Vec<f64> = sure.collect();
        let reference = match sure.len() >= LEAST_BANDS {
            true => median(sure),
            false => median(raw.iter().copied().flatten()),
        };
        let reference = reference.unwrap_or(0.0);
        Self {
            db: raw.map(|d| d.map(|d| d - reference)),
            over_noise,
        }
    }

    /// Slope in decibels an octave.
    fn tilt(&self) -> Option<f64> {
        let points: Vec<(f64, f64)> = middles_hz()
            .iter()
            .zip(self.db)
            .zip(self.over_noise)
            .filter(|((hz, _), over)| *over && **hz > TILT_HZ.0 && **hz < TILT_HZ.1)
            .filter_map(|((hz, d), _)| Some((hz.log2(), d?)))
            .collect();
        if points.len() < LEAST_BANDS {
            return None;
        }
        let n = points.len() as f64;
        let (x, y) = points
            .iter()
            .fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
        let (up, down) = points.iter().fold((0.0, 0.0), |(u, d), p| {
            (u + (p.0 - x) * (p.1 - y), d + (p.0 - x) * (p.0 - x))
        });
        Some(up / down)
    }
}

fn bands(curves: &[Curve], family: Family, rate_hz: u32) -> Vec<Band> {
    // below 100 Hz a close mic of a snare or cymbal hears the rest of the kit
    let lowest = match family {
        Family::Snare | Family::Hat | Family::Cymbal => 95.0,
        _ => 0.0,
    };
    let shown = |i: &usize| {
        middles_hz()[*i] > lowest && middles_hz()[*i] * 1.13 <= f64::from(rate_hz) / 2.0
    };
    (0..COUNT)
        .filter(shown)
        .map(|i| {
            let over = curves.iter().filter(|c| c.over_noise[i]).count();
            let over_noise = over > 0 && 2 * over >= curves.len();
            let counts = |c: &&Curve| !over_noise || c.over_noise[i];
            let found = Difference::of(curves.iter().filter(counts).filter_map(|c| c.db[i]));
            Band {
                hz: nominal_hz(numbers()[i]),
                difference_db: found.map(|d| round_to(d.median, 2)),
                spread_db: found.map(|d| round_to(d.spread, 2)),
                over_noise,
            }
        })
        .collect()
}

fn measures(
    pairs: &[&Pair],
    curves: &[Curve],
    family: Family,
    level: Option<Difference>,
) -> Vec<Measure> {
    let mut list = Vec::new();
    let over = |value: &dyn Fn(&Hit) -> Option<f64>| {
        Difference::of(
            pairs
                .iter()
                .filter_map(|(a, b)| Some(value(b)? - value(a)?)),
        )
    };
    // a ratio, in per cent
    let ratio = |value: &dyn Fn(&Hit) -> Option<f64>| {
        let logs = pairs
            .iter()
            .filter_map(|(a, b)| Some((value(b)? / value(a)?).ln()));
        Difference::of(logs).map(|d| Difference {
            median: 100.0 * d.median.exp_m1(),
            spread: 100.0 * d.spread,
            ..d
        })
    };
    let mut put = |rule: &Rule, found: Option<Difference>, may_say: bool| {
        list.extend(found.map(|d| rule.measure(&d, may_say)));
    };
    let cymbal = matches!(family, Family::Hat | Family::Cymbal);
    let tilt = Difference::of(curves.iter().filter_map(Curve::tilt));
    let centroid = over(&centroid);
    // brightness is said only where tilt and centroid agree
    let agree = tilt
        .zip(centroid)
        .is_some_and(|(t, c)| t.median * c.median > 0.0);
    put(&LEVEL, level, false);
    put(&TILT, tilt, agree);
    put(&CENTROID, centroid, false);
    for (rule, low, high) in &SHARES {
        let part =
            |hit: &Hit| power_to_db(share(&hit.bands, *low, *high) / hit.bands.iter().sum::<f64>());
        // harshness does not tell cymbals apart
        put(rule, over(&part), !(cymbal && rule.name == "harshness"));
    }
    put(&SNAP, over(&|hit| hit.snap_db), true);
    put(&CREST, over(&|hit| hit.crest_db), false);
    if cymbal {
        put(
            &ATTACK,
            ratio(&|hit| hit.attack_ms.filter(|ms| *ms > 0.0)),
            true,
        );
    }
    if family == Family::Snare {
        put(&WIRES, over(&|hit| hit.wires_db), true);
    }
    let tuned = |hit: &Hit| hit.tuning.map(|t| t.fundamental_hz);
    put(&FUNDAMENTAL, ratio(&tuned), true);
    put(
        &FUNDAMENTAL_RING,
        ratio(&|hit| hit.tuning.map(|t| t.ring_s)),
        false,
    );
    put(
        &NEXT_RING,
        ratio(&|hit| hit.tuning.and_then(|t| t.next_ring_s)),
        false,
    );
    let rings: Vec<Option<Difference>> = (0..RING.len())
        .map(|i| ratio(&|hit| hit.ring_s[i]))
        .collect();
    // the word belongs to the band in which the two differ most
    let size = |d: &Option<Difference>| d.map_or(0.0, |d| d.median.abs());
    let widest = (0..rings.len()).max_by(|&x, &y| size(&rings[x]).total_cmp(&size(&rings[y])));
    for (i, (rule, found)) in RING.iter().zip(rings).enumerate() {
        put(rule, found, widest == Some(i));
    }
    list
}

/// Octaves from 1 kHz to the centre of the energy.
fn centroid(hit: &Hit) -> Option<f64> {
    let whole: f64 = hit.bands.iter().sum();
    let moment: f64 = hit
        .bands
        .iter()
        .zip(middles_hz())
        .map(|(e, hz)| e * hz)
        .sum();
    (whole > 0.0 && moment > 0.0).then(|| (moment / whole / 1000.0).log2())
}
