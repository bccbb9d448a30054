//! Whether a tom rings after what may be a stroke of it: bleed leaves its head nearly still.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::attribute::Attribution;
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::reference::Reference;
use crate::analysis::attribution::take::{Kit, Material};
use crate::analysis::attribution::weights;
use crate::analysis::setup::pool::weighted_quantile;
use crate::analysis::strokes::hits::{BLEED, level_ms};
use crate::analysis::strokes::steps::powers;
use crate::analysis::strokes::trace::Trace;
use crate::dsp::maths;
use crate::error::Result;
use crate::session::Family;
use crate::units::round_to;

/// The bands that toms ring in.
const BANDS: usize = 2;
/// Where their ring is looked at, in milliseconds after the stroke: the mean of both levels counts.
const AFTER_MS: [(i64, i64); 2] = [(60, 160), (160, 300)];
/// Strokes that show how a drum rings are as probable as this, and so many in a take.
const SURE: f32 = 0.99;
const FEWEST: usize = 4;
/// A ring so far under that of the drum's strokes is none of theirs, dB; each decibel beyond lowers the
/// logarithm of the odds by so much, down to the lowest. On the kits of the fit toms have 2,435 moments from
/// 0.5 on of which 6 are no strokes, and 64 from 0.2 on of which 47 are none: 2 and 27 stay there, and all
/// strokes.
const LEAST_DB: f64 = -7.0;
const LOWEST_DB: f64 = -20.0;
const ODDS_PER_DB: f64 = 0.8;
/// Bleed that is so far under its strokes' peaks is not looked at, dB.
const LOUD_DB: f64 = -2.0;

/// How a drum sounds after its strokes, in its own mic.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rings {
    /// Level of each band while it rings, dB.
    ring_db: [f64; BANDS],
    /// Peak of the strokes.
    peak_dbfs: f64,
    /// How many they are.
    strokes: usize,
}

impl Rings {
    /// Medians of many, each counted as often as it has strokes; `None` of none.
    pub(crate) fn middle(all: &[Self]) -> Option<Self> {
        let of = |value: &dyn Fn(&Self) -> f64| {
            let values: Vec<(f64, f64)> =
                all.iter().map(|r| (value(r), r.strokes as f64)).collect();
            Some(round_to(weighted_quantile(&values, 0.5)?, 2))
        };
        Some(Self {
            ring_db: [of(&|r| r.ring_db[0])?, of(&|r| r.ring_db[1])?],
            peak_dbfs: of(&|r| r.peak_dbfs)?,
            strokes: all.iter().map(|r| r.strokes).sum(),
        })
    }

    /// How far it rings over what a stroke with that peak leaves, dB, in the band in which the drum rings
    /// most.
    fn over_db(&self, usual: &Self) -> f64 {
        let band = usize::from(usual.ring_db[1] > usual.ring_db[0]);
        let softer_db = (self.peak_dbfs - usual.peak_dbfs).min(0.0);
        self.ring_db[band] - usual.ring_db[band] - softer_db
    }
}

/// What follows a moment of a track; `None` where it ends before, or is silent.
fn after(trace: &Trace, table: &[f32; 256], at_ms: i64, level_ms: usize) -> Option<Rings> {
    let mut ring_db = [0.0; BANDS];
    for (from, to) in AFTER_MS {
        let mut sums = [0.0; BANDS];
        for t in at_ms + from..at_ms + to {
            let levels = trace.levels(usize::try_from(t).ok()?)?;
            for (sum, step) in sums.iter_mut().zip(levels) {
                *sum += f64::from(table[usize::from(step)]);
            }
        }
        for (db, sum) in ring_db.iter_mut().zip(sums) {
            let power = sum / (to - from) as f64;
            *db += 10.0 * maths::log10(power.max(1e-14)) / AFTER_MS.len() as f64;
        }
    }
    Some(Rings {
        ring_db,
        peak_dbfs: trace.peak_dbfs(at_ms, level_ms)?,
        strokes: 1,
    })
}

/// Lowers the probability of what a tom does not ring after, and notes it; by what the set-up shows of it,
/// else the take's own strokes.
pub(crate) fn judge(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    reference: Option<&Reference>,
    attribution: &mut Attribution,
) -> Result<()> {
    let table = powers();
    for (d, (name, drum)) in kit.drums.iter().enumerate() {
        if drum.family != Family::Tom {
            continue;
        }
        let t = kit.tracks[drum.own];
        let (trace, offset_ms) = (material.trace(t)?, tracks[t].offset_ms());
        let level_ms = level_ms(drum.family);
        let at = |m: usize| attribution.at_ms(d, m) - offset_ms;
        let p = &attribution.probability[d];
        let sure = (0..p.len()).filter(|&m| p[m] >= SURE);
        let strokes: Vec<Rings> = sure
            .filter_map(|m| after(&trace, &table, at(m), level_ms))
            .collect();
        let own = Rings::middle(&strokes).filter(|_| strokes.len() >= FEWEST);
        let usual = reference.and_then(|r| r.rings(name)).or(own);
        let over_db = |m: usize| {
            let usual = usual?;
            let peak = || trace.peak_dbfs(at(m), level_ms);
            let loud = || peak().is_some_and(|peak| peak >= usual.peak_dbfs + LOUD_DB);
            if p[m] < BLEED && !loud() {
                return None;
            }
            Some(after(&trace, &table, at(m), level_ms)?.over_db(&usual))
        };
        let still: Vec<(usize, f64)> = (0..p.len())
            .filter_map(|m| Some((m, over_db(m)?)))
            .filter(|(_, over_db)| *over_db < LEAST_DB)
            .collect();
        attribution.rings[d] = own;
        for (m, over_db) in still {
            attribution.still[d][m] = true;
            let p = &mut attribution.probability[d][m];
            *p = less(*p, (over_db.max(LOWEST_DB) - LEAST_DB) * ODDS_PER_DB);
        }
    }
    Ok(())
}

/// A probability with that added to the logarithm of its odds.
fn less(probability: f32, log_odds: f64) -> f32 {
    weights::logistic(weights::log_odds(probability) + log_odds as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::strokes::trace::Listener;
    use crate::block::Block;

    const RATE_HZ: u32 = 48_000;

    /// A tone that starts at each of these milliseconds with that amplitude and fades by so many dB a second.
    fn trace(hz: f64, sounds: &[(usize, f64, f64)]) -> Trace {
        let mut samples = vec![0.0; 48 * 4000];
        for &(at_ms, amplitude, db_per_s) in sounds {
            for (n, x) in samples[48 * at_ms..].iter_mut().enumerate() {
                let s = n as f64 / f64::from(RATE_HZ);
                let fade = maths::pow(10.0, -db_per_s * s / 20.0);
                *x += amplitude * fade * maths::sin(std::f64::consts::TAU * hz * s);
            }
        }
        let mut listener = Listener::new(Family::Tom, RATE_HZ, 1);
        listener.push(&Block::from_channels(vec![samples]));
        listener.finish()
    }

    fn heard(trace: &Trace, at_ms: i64) -> Rings {
        after(trace, &powers(), at_ms, 30).expect("sound")
    }

    #[test]
    fn a_ring_is_compared_with_that_of_strokes_as_loud() {
        for hz in [70.0, 160.0] {
            // a stroke, one 12 dB softer, and what fades before anything is looked at
            let all = trace(
                hz,
                &[(100, 0.8, 60.0), (1500, 0.2, 60.0), (3000, 0.8, 400.0)],
            );
            let usual = heard(&all, 100);
            assert_eq!(usual.over_db(&usual), 0.0);
            assert!(heard(&all, 1500).over_db(&usual).abs() < 0.5, "{hz}");
            // a mean of 110 and 230 ms at 340 dB a second more
            let still = heard(&all, 3000).over_db(&usual);
            assert!((-55.0..-30.0).contains(&still), "{hz}: {still}");
            // louder than a stroke, with the ring of one: the peak is another drum's
            let loud = Rings {
                peak_dbfs: usual.peak_dbfs + 6.0,
                ..usual
            };
            assert_eq!(loud.over_db(&usual), 0.0);
        }
    }

    #[test]
    fn the_band_in_which_the_drum_rings_counts() {
        let of = |low, high| Rings {
            ring_db: [low, high],
            peak_dbfs: -6.0,
            strokes: 1,
        };
        assert_eq!(of(-20.0, -50.0).over_db(&of(-40.0, -30.0)), -20.0);
        assert_eq!(of(-20.0, -50.0).over_db(&of(-30.0, -40.0)), 10.0);
    }

    #[test]
    fn takes_count_by_their_strokes_and_the_end_of_a_track_shows_nothing() {
        let of = |db, strokes| Rings {
            ring_db: [db; 2],
            peak_dbfs: db,
            strokes,
        };
        let middle = Rings::middle(&[of(-10.0, 4), of(-30.0, 40), of(-20.0, 5)]).expect("some");
        assert!((-30.0..-27.5).contains(&middle.ring_db[0]) && middle.strokes == 49);
        assert_eq!(Rings::middle(&[]), None);
        let all = trace(100.0, &[(100, 0.5, 30.0)]);
        assert!(after(&all, &powers(), 3699, 30).is_some());
        assert_eq!(after(&all, &powers(), 3702, 30), None);
    }

    #[test]
    fn odds_fall_by_decibels() {
        // odds of 4 to 1, and of 9 to 1, over e
        assert!((less(0.8, -1.0) - 0.595_4).abs() < 1e-4);
        assert!((less(0.9, -1.0) - 0.768_0).abs() < 1e-4);
        assert!(less(1.0, -10.0) > 0.99 && less(0.5, -10.0) < 1e-4 && less(0.0, -1.0) == 0.0);
    }
}
