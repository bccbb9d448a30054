//! Moments at which something was struck, over all tracks of a take, and how much each track rose.

use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::rows::PARTS;
use crate::analysis::strokes::trace::{Trace, powers};

/// Onsets of several tracks at most this far apart are one moment.
const TOGETHER_MS: i64 = 14;
/// Averaged after a stroke.
const AFTER_MS: i64 = 10;
/// How far a track's best window may lie outside the onsets.
const SLACK_MS: i64 = 4;
/// Averaged before a stroke.
const BEFORE_MS: i64 = 15;
/// How far a mean over 10 ms strays from the mean before it, by chance, in noise of that bandwidth:
/// about 1 / √(bandwidth × time), at most 1.
const STRAY: [f32; BANDS] = [1.0, 0.8, 0.5, 0.3, 0.2, 0.12];

/// An attack: parts of milliseconds after and before it, and what is one beyond doubt.
const AFTER_PARTS: i64 = 8;
const BEFORE_PARTS: i64 = 24;
/// What an attack has beyond doubt, in decibels.
pub(crate) const CLEAR_DB: f32 = 5.0;
/// A second attack in the same moment: so much later at least, beside so much before it.
const AGAIN_PARTS: i64 = 6;
/// One ahead of the steepest: so much earlier at least, and heard until so much before that.
const AHEAD_PARTS: i64 = 10;
const APART_PARTS: i64 = 2;
/// The time in which a stroke lifts each band, filters included.
const SWIFT_MS: [i64; BANDS] = [14, 8, 5, 4, 2, 2];

/// Less than this is no stroke: a rise of the attack bands, or of all together and of one above 250 Hz.
const ATTACK_DB: f32 = 4.0;
const OVER_DB: f32 = 5.0;
const ABOVE_DB: f32 = 4.0;
/// A rise by less of the attack bands and of all together is hiss: noise alone gives 1 dB.
const HISS_DB: f32 = 1.2;

/// One or several drums struck together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// Earliest onset of any track, in milliseconds of the take.
    pub first_ms: i64,
    /// Latest onset.
    pub last_ms: i64,
}

/// How one track rose at one moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rise {
    /// Mean square after less before, per band.
    pub energy: [f32; BANDS],
    /// What would not be told from nothing, per band.
    pub floor: [f32; BANDS],
    /// When it was steepest, in quarters of a millisecond of the take.
    pub arrival_parts: i64,
    /// From 1.8 to 12 kHz: 2 ms after over 6 ms before, in decibels.
    pub attack_db: f32,
    /// The same as mean square after less before.
    pub attack: f32,
    /// The steepest rise of the same bands that came 1.5 ms or more after that, in decibels.
    pub again_db: f32,
    /// The steepest rise of the same bands that came 2.5 ms or more before it, in decibels.
    pub ahead_db: f32,
    pub sizzle: Sizzle,
    /// How much each band rose at once, too fast for a ring that swells, in decibels.
    pub swift_db: [f32; BANDS],
    /// All bands together: 10 ms after over 20 ms before, in decibels.
    pub over_db: f32,
    /// All bands together: 15 to 45 ms after over the first 10 ms, in decibels.
    pub swell_db: f32,
}

/// What goes on in the highest band behind an attack: a cymbal rings there, and a click does not.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sizzle {
    /// 12 to 40 ms after over 20 ms before, in decibels.
    pub over_db: f32,
    /// The same over the first 10 ms, in decibels.
    pub fade_db: f32,
    /// The same as mean square after less before.
    pub energy: f32,
}

impl Rise {
    /// Whether the track got louder at all.
    pub fn stands_out(&self) -> bool {
        self.attack_db >= HISS_DB || self.over_db >= HISS_DB
    }

    /// When it was steepest, in milliseconds of the take.
    pub fn arrival_ms(&self) -> i64 {
        self.arrival_parts.div_euclid(PARTS as i64)
    }
}

/// Moments from the onsets of all tracks (in milliseconds of the take), in order.
pub(crate) fn gather(mut onsets: Vec<i64>) -> Vec<Moment> {
    onsets.sort_unstable();
    let mut moments: Vec<Moment> = Vec::new();
    for at in onsets {
        match moments.last_mut() {
            Some(m) if at - m.first_ms <= TOGETHER_MS => m.last_ms = at,
            _ => moments.push(Moment {
                first_ms: at,
                last_ms: at,
            }),
        }
    }
    moments
}

/// All bands together are compared with so much before an attack, and swell so much after it.
const OVER_MS: i64 = 21;
const SWELL_MS: (i64, i64) = (15, 45);
/// The highest band is heard so long after it.
const SIZZLE_MS: (i64, i64) = (12, 40);
/// How far before its first onset and behind its last one a moment is looked at, in milliseconds.
const LOOK_BEFORE_MS: i64 = EARLY_MS + OVER_MS;
const LOOK_AFTER_MS: i64 = LATE_MS + SWELL_MS.1;
/// Where an attack may lie beside the onsets of its moment, in milliseconds.
const EARLY_MS: i64 = 4;
const LATE_MS: i64 = 6;

/// The bands, and lanes that make whole vectors.
type Bands = [f32; 8];

/// The powers of a track around a moment.
struct Powers<'a> {
    trace: &'a Trace,
    table: [f32; 256],
    base: [f32; BANDS],
    /// First millisecond that is looked at, and all of them.
    first: i64,
    rows: Vec<Bands>,
    parts: Vec<f32>,
}

impl<'a> Powers<'a> {
    fn of(trace: &'a Trace) -> Self {
        Self {
            trace,
            table: powers(),
            base: trace.floors,
            first: 0,
            rows: Vec::new(),
            parts: Vec::new(),
        }
    }

    /// Looks at a moment; outside the track there is nothing.
    fn look(&mut self, first: i64, last: i64) {
        self.first = first - LOOK_BEFORE_MS;
        self.rows.clear();
        self.parts.clear();
        for t in self.first..last + LOOK_AFTER_MS {
            let row = usize::try_from(t).ok().and_then(|t| self.trace.row(t));
            let (mut bands, mut parts) = (Bands::default(), [0.0; PARTS]);
            if let Some(row) = row {
                for (power, step) in bands.iter_mut().zip(row.levels) {
                    *power = self.table[usize::from(step)];
                }
                parts = row.attacks.map(|step| self.table[usize::from(step)]);
            }
            self.rows.push(bands);
            self.parts.extend(parts);
        }
    }

    fn rows(&self, range: std::ops::Range<i64>) -> &[Bands] {
        &self.rows[(range.start - self.first) as usize..(range.end - self.first) as usize]
    }

    /// All bands, added up over some milliseconds.
    fn sums(&self, range: std::ops::Range<i64>) -> Bands {
        let mut sums = Bands::default();
        for row in self.rows(range) {
            for (sum, power) in sums.iter_mut().zip(row) {
                *sum += power;
            }
        }
        sums
    }

    fn means(&self, range: std::ops::Range<i64>) -> Bands {
        let count = (range.end - range.start) as f32;
        self.sums(range).map(|sum| sum / count)
    }

    /// The steepest rise of the attack bands between two parts of milliseconds: how steep as a ratio,
    /// by how much as mean square, and where; and how steep one behind it and one ahead of it was.
    fn attack(&self, from: i64, to: i64) -> (f32, f32, i64, [f32; 2]) {
        let first = from - BEFORE_PARTS - 1;
        let begin = (first - self.first * PARTS as i64) as usize;
        let parts = &self.parts[begin..begin + (to + AFTER_PARTS + 1 - first) as usize];
        let mut sum = 0.0;
        let sums: Vec<f32> = std::iter::once(0.0)
            .chain(parts.iter().map(|part| {
                sum += part;
                sum
            }))
            .collect();
        let mean = |from: i64, count: i64| {
            let at = (from - first) as usize;
            ((sums[at + count as usize] - sums[at]) / count as f32).max(0.0)
        };
        let floor: f32 = self.base[4] + self.base[5];
        let mut best = (1.0, 0.0, from);
        for part in from..=to {
            let after = mean(part, AFTER_PARTS);
            let before = mean(part - 1 - BEFORE_PARTS, BEFORE_PARTS);
            let ratio = (after + floor) / (before + floor);
            if ratio > best.0 {
                best = (ratio, (after - before).max(0.0), part);
            }
        }
        let (ratio, attack, at) = best;
        let again = (at + AGAIN_PARTS..=to)
            .map(|part| {
                let before = mean(part - AGAIN_PARTS, AGAIN_PARTS);
                (mean(part, AFTER_PARTS) + floor) / (before + floor)
            })
            .fold(1.0, f32::max);
        let ahead = (from..=at - AHEAD_PARTS)
            .map(|part| {
                let after = mean(part, AFTER_PARTS.min(at - APART_PARTS - part));
                (after + floor) / (mean(part - 1 - BEFORE_PARTS, BEFORE_PARTS) + floor)
            })
            .fold(1.0, f32::max);
        (ratio, attack, at, [again, ahead])
    }

    /// The millisecond at which the bands above the lowest rise most.
    fn steepest(&self, range: std::ops::RangeInclusive<i64>) -> Option<i64> {
        let steep = |t: i64| -> f32 {
            let (after, before) = (self.sums(t..t + 2), self.means(t - 4..t));
            let ratio = |band: usize| {
                let base = self.base[band];
                ((0.5 * after[band] + base) / (before[band] + base)).clamp(1.0, 31.6)
            };
            (1..BANDS).map(ratio).product()
        };
        let mut best = (1.0, None);
        for t in range {
            let value = steep(t);
            if value > best.0 {
                best = (value, Some(t));
            }
        }
        best.1
    }
}

/// All bands together.
fn all(bands: &Bands) -> f32 {
    bands[..BANDS].iter().sum()
}

fn decibels(ratio: f32) -> f32 {
    10.0 * libm::log10f(ratio)
}

/// How a track rose at each moment. `offset_ms` is where it starts in the take, `late_ms` how much
/// later than a close mic it may hear a drum.
pub(crate) fn rises(trace: &Trace, offset_ms: i64, late_ms: i64, moments: &[Moment]) -> Vec<Rise> {
    let mut powers = Powers::of(trace);
    let here = |moment: &Moment| {
        let (first, last) = (moment.first_ms - offset_ms, moment.last_ms - offset_ms);
        rise(&mut powers, first, last + late_ms, offset_ms)
    };
    moments.iter().map(here).collect()
}

/// Those onsets of a track (in milliseconds of the take) at which something may have struck: a ring
/// that swells lifts its own bands, and slowly.
pub(crate) fn struck(trace: &Trace, offset_ms: i64, onsets: &[(i64, u16)]) -> Vec<i64> {
    let mut powers = Powers::of(trace);
    let struck = |at: &i64| {
        let at = at - offset_ms;
        powers.look(at, at);
        let powers = &powers;
        let attack = attack(powers, at, at);
        let above = || {
            swift_db(powers, attack.ms())[2..]
                .iter()
                .any(|db| *db >= ABOVE_DB)
        };
        let over_db = || Around::of(powers, attack.ms()).over_db(powers);
        attack.db >= ATTACK_DB || over_db() >= OVER_DB && above()
    };
    onsets.iter().map(|o| o.0).filter(struck).collect()
}

/// An attack in a track.
struct Attack {
    /// How steep it is, and how steep the next one of the same moment and the one before, in decibels.
    db: f32,
    again_db: f32,
    ahead_db: f32,
    /// Mean square after less before.
    energy: f32,
    /// Where, in parts of milliseconds of the track.
    at: i64,
}

impl Attack {
    fn ms(&self) -> i64 {
        self.at.div_euclid(PARTS as i64)
    }
}

/// The attack between two milliseconds of a track.
fn attack(powers: &Powers, first: i64, last: i64) -> Attack {
    let parts = PARTS as i64;
    let (from, to) = (first - EARLY_MS, last + LATE_MS);
    let (ratio, energy, at, [again, ahead]) = powers.attack(from * parts, to * parts);
    let db = decibels(ratio);
    // an attack that is none lies where most bands rise
    let steepest = if db < CLEAR_DB {
        powers.steepest(from..=to)
    } else {
        None
    };
    Attack {
        db,
        again_db: decibels(again),
        ahead_db: decibels(ahead),
        energy,
        at: steepest.map_or(at, |t| t * parts),
    }
}

/// By how much each band rose at once.
fn swift_db(powers: &Powers, t: i64) -> [f32; BANDS] {
    let before = powers.means(t - 9..t - 1);
    std::array::from_fn(|band| {
        let base = powers.base[band];
        let after = powers.means(t..t + SWIFT_MS[band])[band];
        decibels((after + base) / (before[band] + base))
    })
}

/// A track before an attack, and after it.
struct Around {
    before: Bands,
    after: Bands,
}

impl Around {
    fn of(powers: &Powers, t: i64) -> Self {
        Self {
            before: powers.means(t - OVER_MS..t - 1),
            after: powers.means(t..t + AFTER_MS),
        }
    }

    /// By how much all bands together rose.
    fn over_db(&self, powers: &Powers) -> f32 {
        let base: f32 = powers.base.iter().sum();
        decibels((all(&self.after) + base) / (all(&self.before) + base))
    }
}

/// What goes on in the highest band.
fn sizzle(powers: &Powers, t: i64, around: &Around) -> Sizzle {
    const TOP: usize = BANDS - 1;
    let (base, before, now) = (powers.base[TOP], around.before[TOP], around.after[TOP]);
    let later = powers.means(t + SIZZLE_MS.0..t + SIZZLE_MS.1)[TOP];
    Sizzle {
        over_db: decibels((later + base) / (before + base)),
        fade_db: decibels((later + base) / (now + base)),
        energy: (later - before).max(0.0),
    }
}

/// How a track rose between two milliseconds of it.
fn rise(powers: &mut Powers, first: i64, last: i64, offset_ms: i64) -> Rise {
    powers.look(first, last);
    let powers = &*powers;
    let (mut energy, mut floor) = ([0.0; BANDS], powers.base);
    let before = powers.means(first - SLACK_MS - BEFORE_MS..first - SLACK_MS);
    let mut best = Bands::default();
    for t in first - SLACK_MS..=last + SLACK_MS {
        for (best, sum) in best.iter_mut().zip(powers.sums(t..t + AFTER_MS)) {
            *best = best.max(sum);
        }
    }
    for (band, stray) in STRAY.iter().enumerate() {
        energy[band] = (best[band] / AFTER_MS as f32 - before[band]).max(0.0);
        floor[band] += stray * before[band];
    }
    let attack = attack(powers, first, last);
    let t = attack.ms();
    let base: f32 = powers.base.iter().sum();
    let around = Around::of(powers, t);
    let later = powers.means(t + SWELL_MS.0..t + SWELL_MS.1);
    Rise {
        energy,
        floor,
        arrival_parts: attack.at + offset_ms * PARTS as i64,
        attack_db: attack.db,
        attack: attack.energy,
        again_db: attack.again_db,
        ahead_db: attack.ahead_db,
        sizzle: sizzle(powers, t, &around),
        swift_db: swift_db(powers, t),
        over_db: around.over_db(powers),
        swell_db: decibels((all(&later) + base) / (all(&around.after) + base)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn onsets_within_fourteen_milliseconds_are_one_moment() {
        let moments = gather(vec![100, 112, 0, 114, 115, 5]);
        let spans: Vec<_> = moments.iter().map(|m| (m.first_ms, m.last_ms)).collect();
        assert_eq!(spans, [(0, 5), (100, 114), (115, 115)]);
    }
}
