//! What is taken for bleed, and is as loud as the drum itself.

use crate::analysis::attribution::attribute::ONE_STROKE_MS;
use crate::analysis::setup::pool::{HitsOf, level_of_take};
use crate::analysis::strokes::hits::{Hit, OWN};
use crate::analysis::strokes::trace::Trace;
use crate::units::round_to;

/// As loud as a drum's own hits is what reaches [`level_of_take`] less this in its mic, dB. In 186 takes of
/// toms on the kits of the fit, every song a set-up: of 71 own strokes that were taken for bleed 42 are (19
/// more in one take that was hardly heard at all), of 15,717 strokes of other drums 16. By the weights of
/// toms before the present ones, which take fewer strokes for bleed.
pub const AS_LOUD_DB: f64 = 1.0;

/// What of the bleed in a track (milliseconds of it, with probability) is as loud as its hits: not the
/// ring of something that was so loud just before, and only the first of what may be one stroke.
pub(crate) fn as_loud(
    hits: &[Hit],
    trace: &Trace,
    mut bleed: Vec<(i64, f32)>,
    level_ms: usize,
) -> Vec<Hit> {
    let own = hits.iter().filter(|hit| hit.probability >= f64::from(OWN));
    let own: Vec<f64> = own.filter_map(|hit| hit.level_dbfs).collect();
    let Some(level_dbfs) = level_of_take(&own, HitsOf::OwnDrum) else {
        return Vec::new();
    };
    let loud = |at: i64| {
        let peak_dbfs = trace.peak_dbfs(at, level_ms);
        peak_dbfs.filter(|peak| *peak >= level_dbfs - AS_LOUD_DB)
    };
    let near = |hit: &Hit, at: i64| (hit.at_ms - at as f64).abs() < ONE_STROKE_MS as f64;
    let mut found: Vec<Hit> = Vec::new();
    bleed.sort_unstable_by_key(|(at, _)| *at);
    for (at, p) in bleed {
        let one = hits.iter().chain(found.last());
        if one.into_iter().any(|hit| near(hit, at)) || loud(at - ONE_STROKE_MS).is_some() {
            continue;
        }
        found.extend(loud(at).map(|peak| Hit {
            at_ms: at as f64,
            level_dbfs: Some(peak),
            probability: round_to(f64::from(p), 3),
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
            (3000, 3050, 0.43),
            (4000, 4300, 0.5),
            (5000, 5050, 0.5),
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
        let at = |hits: &[Hit], bleed: &[i64]| {
            let bleed = bleed.iter().map(|at| (*at, 0.05)).collect();
            let found = as_loud(hits, &trace, bleed, 30);
            found.iter().map(|hit| hit.at_ms).collect::<Vec<_>>()
        };
        let own = hit(1000.0, 0.9);
        // 0.7 dB under it, 1.3 dB, its ring, and what begins just after
        let bleed = [500, 2010, 2000, 3000, 4000, 4100, 5000];
        assert_eq!(at(&[own], &bleed), [2000.0, 4000.0, 5000.0]);
        // what is a hit, or may be one, is there already
        let all = [own, hit(2000.0, 0.3), hit(4010.0, 0.9)];
        assert_eq!(at(&all, &bleed), [5000.0]);
        // without a hit nobody knows how loud they are
        assert_eq!(at(&[hit(2000.0, 0.3)], &bleed), [0.0; 0]);
    }
}
