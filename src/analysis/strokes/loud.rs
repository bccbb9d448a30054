//! What is taken for bleed, and is as loud as the drum itself.

use crate::analysis::attribution::attribute::ONE_STROKE_MS;
use crate::analysis::setup::pool::{HitsOf, level_of_take};
use crate::analysis::strokes::hits::{BLEED, Hit, OWN};
use crate::analysis::strokes::trace::Trace;
use crate::units::round_to;

/// A moment this improbable is hardly a stroke of the drum.
const HARDLY: f64 = 0.01;
/// Where no hit was heard, and fewer than this were probably missed, the drum is taken to rest, or nearly.
const MISSED: f64 = 0.5;

/// How far over the level of a drum's own hits ([`level_of_take`]) a moment of this probability lies at
/// least that is as loud as they are, dB. In 186 takes of toms on the kits of the fit, every song a set-up: of
/// 25 own strokes that were taken for bleed (below 0.2) 16 are, of 27,924 other moments 6.
pub fn as_loud_db(probability: f64) -> f64 {
    match probability {
        p if p >= f64::from(BLEED) => -1.0,
        p if p >= HARDLY => -1.5,
        _ => 0.5,
    }
}

/// Whether a hit is so soft beside the drum's own, and so improbable, that it is taken for their ring or for
/// bleed. Of 66 moments of toms from 0.2 to 0.5 on the kits of the fit 15 are strokes, and none of these
/// is; of the others 21 are.
pub fn is_faint(probability: f64, level_dbfs: f64, own_dbfs: f64) -> bool {
    probability < 0.4 && level_dbfs < own_dbfs - 4.0
}

/// Whether a hit is softer than the drum's own and not beyond doubt: as well another drum's. On the kits of the
/// fit toms have 64 strokes from 0.5 to 0.9, 3 of them so soft, and, before their ring is looked at, 6 moments
/// of others, 3 of them so soft.
pub fn is_soft(probability: f64, level_dbfs: f64, own_dbfs: f64) -> bool {
    probability < 0.9 && level_dbfs < own_dbfs - 3.0
}

/// What of the bleed in a track (milliseconds of it, with probability) is as loud as its hits; where there
/// is none, what is nearly as loud as the loudest. Not the ring of something that was so loud just before,
/// and only the first of what may be one stroke.
pub(crate) fn as_loud(
    hits: &[Hit],
    trace: &Trace,
    mut bleed: Vec<(i64, f32)>,
    level_ms: usize,
) -> Vec<Hit> {
    let own = hits.iter().filter(|hit| hit.probability >= f64::from(OWN));
    let own: Vec<f64> = own.filter_map(|hit| hit.level_dbfs).collect();
    let peak_dbfs = |at: i64| trace.peak_dbfs(at, level_ms);
    let heard_dbfs = level_of_take(&own, HitsOf::OwnDrum);
    let loudest_dbfs = || {
        let missed: f64 = bleed.iter().map(|(_, p)| f64::from(*p)).sum();
        let peaks = bleed.iter().filter_map(|(at, _)| peak_dbfs(*at));
        peaks.max_by(f64::total_cmp).filter(|_| missed < MISSED)
    };
    let Some(level_dbfs) = heard_dbfs.or_else(loudest_dbfs) else {
        return Vec::new();
    };
    let loud = |at: i64, p: f64| {
        let p = if heard_dbfs.is_some() { p } else { HARDLY };
        peak_dbfs(at).filter(|peak| *peak >= level_dbfs + as_loud_db(p))
    };
    let near = |hit: &Hit, at: i64| (hit.at_ms - at as f64).abs() < ONE_STROKE_MS as f64;
    let mut found: Vec<Hit> = Vec::new();
    bleed.sort_unstable_by_key(|(at, _)| *at);
    for (at, p) in bleed {
        let one = hits.iter().chain(found.last());
        let rings = loud(at - ONE_STROKE_MS, HARDLY).is_some();
        if rings || one.into_iter().any(|hit| near(hit, at)) {
            continue;
        }
        let probability = round_to(f64::from(p), 3);
        found.extend(loud(at, probability).map(|peak| Hit {
            at_ms: at as f64,
            level_dbfs: Some(peak),
            probability,
            flam: false,
        }));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::strokes::trace::Listener;
    use crate::block::Block;
    use crate::session::Family;

    #[test]
    fn what_begins_as_loud_as_the_hits_is_found_once_and_nothing_else() {
        // a tone from here to there, so loud
        let sounds = [
            (1000, 1050, 0.5),
            (2000, 2050, 0.46),
            (3000, 3050, 0.41),
            (4000, 4300, 0.5),
            (5000, 5050, 0.5),
            (5500, 5550, 0.54),
        ];
        let mut samples = vec![0.0; 48 * 6000];
        for (from, to, amplitude) in sounds {
            for (n, x) in samples[48 * from..48 * to].iter_mut().enumerate() {
                *x = amplitude * (n as f64 * 0.05).sin();
            }
        }
        let mut listener = Listener::new(Family::Tom, 48_000, 1);
        listener.push(&Block::from_channels(vec![samples]));
        let trace = listener.finish();
        let hit = |at_ms, probability| Hit {
            at_ms,
            level_dbfs: trace.peak_dbfs(at_ms as i64, 30),
            probability,
            flam: false,
        };
        let found = |hits: &[Hit], bleed: &[i64], p: f32| {
            let bleed = bleed.iter().map(|at| (*at, p)).collect();
            let found = as_loud(hits, &trace, bleed, 30);
            found.iter().map(|hit| hit.at_ms).collect::<Vec<_>>()
        };
        let own = hit(1000.0, 0.9);
        // 0.7 dB under it, 1.7 dB, its ring, what begins just after, and what is 0.7 dB louder
        let bleed = [500, 2010, 2000, 3000, 4000, 4100, 5000, 5500];
        assert_eq!(
            found(&[own], &bleed, 0.05),
            [2000.0, 4000.0, 5000.0, 5500.0]
        );
        // what the others hold to be hardly possible has to be louder than they are
        assert_eq!(found(&[own], &bleed, 0.005), [5500.0]);
        // what is a hit, or may be one, is there already
        let all = [own, hit(2000.0, 0.3), hit(4010.0, 0.9)];
        assert_eq!(found(&all, &bleed, 0.05), [5000.0, 5500.0]);
        // without a hit nobody knows how loud they are: it is the loudest, unless one was probably missed
        assert_eq!(
            found(&[hit(2000.0, 0.3)], &bleed, 0.005),
            [4000.0, 5000.0, 5500.0]
        );
        assert_eq!(found(&[], &bleed, 0.07), [0.0; 0]);
    }
}
