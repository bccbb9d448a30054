//! What differs between two candidates, over their matched hits, and what may be said of it.
//!
//! The steps below which nothing is said, and which measures tell instruments apart at all, were
//! found on recorded strokes of ten snares and fifteen cymbals; no listening test was made.

use serde::Serialize;

use super::figures::Difference;
use super::hit::{Hit, RINGS_HZ, share};
use crate::analysis::{HitTuning, pool_hits};
use crate::compared::Measure;
use crate::dsp::median;
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
    /// Half the 95 % interval of that median; null for one hit.
    pub plus_minus_db: Option<f64>,
    /// Median absolute deviation.
    pub spread_db: Option<f64>,
    /// Whether both lie over their background in at least half of the hits.
    pub over_noise: bool,
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
    /// Of the values of both.
    value_unit: &'static str,
    range_hz: Option<(f64, f64)>,
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
        value_unit: unit,
        range_hz: None,
        step,
        more,
        less,
    }
}

impl Rule {
    const fn of(self, value_unit: &'static str) -> Self {
        Self { value_unit, ..self }
    }

    const fn within(self, low_hz: f64, high_hz: f64) -> Self {
        Self {
            range_hz: Some((low_hz, high_hz)),
            ..self
        }
    }
}

/// Never said: shown for the eye only.
const NEVER: f64 = f64::INFINITY;

const LEVEL: Rule = rule("level", "dB", NEVER, "", "");
const TILT: Rule =
    rule("tilt", "dB/octave", 0.3, "brighter", "darker").within(TILT_HZ.0, TILT_HZ.1);
const CENTROID: Rule = rule("centroid", "octaves", NEVER, "", "");
const SNAP: Rule = rule("snap", "dB", 2.0, "more snap", "less snap");
const WIRES: Rule = rule("wires", "dB", 2.0, "more rattle", "less rattle").within(3000.0, 10_000.0);
const CREST: Rule = rule("crest-factor", "dB", NEVER, "", "");
const ATTACK: Rule = rule("attack", "%", 50.0, "slower attack", "faster attack").of("ms");
const FUNDAMENTAL: Rule = rule("fundamental", "%", 2.0, "tuned higher", "tuned lower").of("Hz");
const FUNDAMENTAL_RING: Rule = rule("fundamental-ring", "%", NEVER, "", "").of("s");
const NEXT_RING: Rule = rule("next-partial-ring", "%", NEVER, "", "").of("s");
const fn ring(i: usize) -> Rule {
    let (name, low_hz, high_hz) = RINGS_HZ[i];
    rule(name, "%", 20.0, "rings longer", "rings shorter")
        .of("s")
        .within(low_hz, high_hz)
}
const RING: [Rule; RINGS_HZ.len()] = [ring(0), ring(1), ring(2)];
const fn share_of(
    name: &'static str,
    more: &'static str,
    less: &'static str,
    low_hz: f64,
    high_hz: f64,
) -> Rule {
    rule(name, "dB", 1.5, more, less).within(low_hz, high_hz)
}
/// Shares of the whole energy.
const SHARES: [Rule; 5] = [
    share_of("body", "more body", "less body", 80.0, 315.0),
    share_of("low-mid", "boxier", "less boxy", 315.0, 800.0),
    share_of("presence", "more presence", "less presence", 1250.0, 2000.0),
    share_of("harshness", "harsher", "less harsh", 2500.0, 6300.0),
    share_of("air", "more air", "less air", 8000.0, 16_000.0),
];

/// A difference, and what it is of.
#[derive(Clone, Copy)]
struct Found {
    difference: Difference,
    first: Option<f64>,
    later: Option<f64>,
}

impl Found {
    /// Of the values of both at each hit: their difference in the unit of the values.
    fn over(values: &[(f64, f64)]) -> Option<Self> {
        Self::by(values, |a, b| b - a)
    }

    /// The same as a ratio, in per cent.
    fn ratio(values: &[(f64, f64)]) -> Option<Self> {
        let found = Self::by(values, |a, b| (b / a).ln())?;
        Some(Self {
            difference: Difference {
                median: 100.0 * found.difference.median.exp_m1(),
                spread: 100.0 * found.difference.spread,
                ..found.difference
            },
            ..found
        })
    }

    fn by(values: &[(f64, f64)], difference: impl Fn(f64, f64) -> f64) -> Option<Self> {
        Some(Self {
            difference: Difference::of(values.iter().map(|(a, b)| difference(*a, *b)))?,
            first: median(values.iter().map(|v| v.0)),
            later: median(values.iter().map(|v| v.1)),
        })
    }

    /// Of what is a difference already.
    fn plain(difference: Difference) -> Self {
        Self {
            difference,
            first: None,
            later: None,
        }
    }

    fn size(&self) -> f64 {
        self.difference.median.abs()
    }
}

impl Rule {
    fn measure(&self, found: &Found, may_say: bool) -> Measure {
        let difference = &found.difference;
        let said = may_say && difference.hits >= SAYABLE && difference.is_beyond(self.step);
        let word = if difference.median > 0.0 {
            self.more
        } else {
            self.less
        };
        let finite = |value: f64| value.is_finite().then(|| round_to(value, 2));
        let round = |value: Option<f64>| value.map(|v| round_to(v, 3));
        Measure {
            name: self.name,
            unit: self.unit,
            difference: round_to(difference.median, 2),
            plus_minus: finite(difference.plus_minus()),
            spread: round_to(difference.spread, 2),
            step: finite(self.step),
            range_hz: self.range_hz,
            first: round(found.first),
            later: round(found.later),
            value_unit: self.value_unit,
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
                plus_minus_db: (found.map(|d| d.plus_minus()))
                    .filter(|pm| pm.is_finite())
                    .map(|pm| round_to(pm, 2)),
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
    let both = |value: &dyn Fn(&Hit) -> Option<f64>| -> Vec<(f64, f64)> {
        let of = |(a, b): &&Pair| Some((value(a)?, value(b)?));
        pairs.iter().filter_map(of).collect()
    };
    let mut put = |rule: &Rule, found: Option<Found>, may_say: bool| {
        list.extend(found.map(|found| rule.measure(&found, may_say)));
    };
    let cymbal = matches!(family, Family::Hat | Family::Cymbal);
    let tilt = Difference::of(curves.iter().filter_map(Curve::tilt)).map(Found::plain);
    let centroid = Found::over(&both(&centroid));
    // brightness is said only where tilt and centroid agree
    let agree = tilt
        .zip(centroid)
        .is_some_and(|(t, c)| t.difference.median * c.difference.median > 0.0);
    put(&LEVEL, level.map(Found::plain), false);
    put(&TILT, tilt, agree);
    put(&CENTROID, centroid, false);
    for rule in &SHARES {
        let (low, high) = rule.range_hz.unwrap_or_default();
        let part =
            |hit: &Hit| power_to_db(share(&hit.bands, low, high) / hit.bands.iter().sum::<f64>());
        // harshness does not tell cymbals apart
        let may_say = !(cymbal && rule.name == "harshness");
        put(rule, Found::over(&both(&part)), may_say);
    }
    put(&SNAP, Found::over(&both(&|hit| hit.snap_db)), true);
    put(&CREST, Found::over(&both(&|hit| hit.crest_db)), false);
    if cymbal {
        let attack = both(&|hit| hit.attack_ms.filter(|ms| *ms > 0.0));
        put(&ATTACK, Found::ratio(&attack), true);
    }
    if family == Family::Snare {
        put(&WIRES, Found::over(&both(&|hit| hit.wires_db)), true);
    }
    let tuned = tuned(pairs);
    let of_tuned = |value: &dyn Fn(&HitTuning) -> Option<f64>| {
        let of = |(a, b): &(HitTuning, HitTuning)| Some((value(a)?, value(b)?));
        Found::ratio(&tuned.iter().filter_map(of).collect::<Vec<_>>())
    };
    put(&FUNDAMENTAL, of_tuned(&|t| Some(t.fundamental_hz)), true);
    put(&FUNDAMENTAL_RING, of_tuned(&|t| t.ring_s), false);
    put(&NEXT_RING, of_tuned(&|t| t.next_ring_s), false);
    let rings: Vec<Option<Found>> = (0..RING.len())
        .map(|i| Found::ratio(&both(&|hit| hit.ring_s[i])))
        .collect();
    // the word belongs to the band in which the two differ most
    let size = |found: &Option<Found>| found.map_or(0.0, |found| found.size());
    let widest = (0..rings.len()).max_by(|&x, &y| size(&rings[x]).total_cmp(&size(&rings[y])));
    for (i, (rule, found)) in RING.iter().zip(rings).enumerate() {
        put(rule, found, widest == Some(i));
    }
    list
}

/// A pitch counts where it lies so near, as a ratio, to the one that most strokes of the drum have.
const SAME_PITCH: f64 = 0.05;
/// From this confidence on a drum has a pitch at all.
const PITCHED: f64 = 0.5;

/// The tuning of both at each pair of strokes at which both read the pitch that their drum has by most
/// of its strokes: where one stroke reads another partial, or what a neighbour rings, the ratio of
/// the two would be of different things.
fn tuned(pairs: &[&Pair]) -> Vec<(HitTuning, HitTuning)> {
    let voted = |side: &dyn Fn(&Pair) -> Option<HitTuning>| {
        let hits: Vec<HitTuning> = pairs.iter().filter_map(|pair| side(pair)).collect();
        let pooled = pool_hits(&hits, hits.len())?;
        (pooled.confidence >= PITCHED).then_some(pooled.fundamental_hz)
    };
    let (Some(a_hz), Some(b_hz)) = (voted(&|p| p.0.tuning), voted(&|p| p.1.tuning)) else {
        return Vec::new();
    };
    let near = |t: &HitTuning, hz: f64| (t.fundamental_hz / hz).ln().abs() < SAME_PITCH;
    let of = |(a, b): &&Pair| {
        let (a, b) = (a.tuning?, b.tuning?);
        (near(&a, a_hz) && near(&b, b_hz)).then_some((a, b))
    };
    pairs.iter().filter_map(of).collect()
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
