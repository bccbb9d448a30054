//! Whether a drum is played in a take: by its strokes, and by how loud its mic gets beside the other
//! takes of the set-up.

use crate::analysis::attribution::attribute::ONE_STROKE_MS;
use crate::analysis::attribution::take::Played;
use crate::analysis::strokes::hits::BLEED;
use crate::units::round_to;

/// A mic whose two loudest rises stay this far under those of other takes hears none of its drum.
const QUIET_DB: f64 = -5.0;
/// The same where nothing in the take is even a possible stroke of it. On the kits that
/// thresholds are found on all 6 toms at rest stay under one of both, and the quietest that is played, twice,
/// reaches −2.2 dB (`cargo run --release --example hearing -- --fit`).
const NO_STROKE_DB: f64 = -3.0;
/// The same of a head that other takes of the set-up play beyond doubt, where fewer strokes than this are
/// expected: what is heard there is heard here as well, and bleed may be as loud as soft strokes. On kits 5
/// and 6, by weights that were not fitted on them, 18 of 20 toms at rest stay under 0.25, and every one
/// that is played, once and more, has a stroke of 0.99.
const NOT_LOUD_DB: f64 = 3.0;
const FEW_EXPECTED: f64 = 0.5;
/// From this probability on a stroke is beyond doubt.
pub(crate) const SURE: f64 = 0.97;
/// Some stroke of a head that is played has as much, where other takes show what it sounds like.
const CLEAR: f64 = 0.9;
/// A take needs so many of them to be played whatever its level.
const SURE_STROKES: usize = 3;

/// How loud a mic gets: the mean of its two loudest rises, in decibels. One alone may be a stick
/// that met the stand, or a hand at the mic. `rises`: when, and energy.
pub(crate) fn loudest_db(rises: impl Iterator<Item = (i64, f32)>) -> Option<f64> {
    let mut rises: Vec<(i64, f32)> = rises.filter(|r| r.1 > 0.0).collect();
    rises.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let db = |energy: f32| 10.0 * f64::from(energy).log10();
    let first = *rises.first()?;
    let second = rises
        .iter()
        .find(|r| (r.0 - first.0).abs() >= ONE_STROKE_MS);
    Some(second.map_or(db(first.1), |s| 0.5 * (db(first.1) + db(s.1))))
}

/// What a set-up's takes are compared with: the second-loudest take, or the louder of two. `None`
/// of one alone.
pub(crate) fn loud_take_db(mut takes: Vec<f64>) -> Option<f64> {
    takes.sort_by(|a, b| b.total_cmp(a));
    match takes.len() {
        0 | 1 => None,
        2 => Some(takes[0]),
        _ => Some(takes[1]),
    }
}

/// The verdict, from the probability of each moment, how loud the mic gets over [`loud_take_db`], how loud
/// its loudest stroke beyond doubt is over the same, and whether it is a head that other takes play beyond
/// doubt.
pub(crate) fn played(
    probability: &[f32],
    loudest_db: Option<f64>,
    stroke_db: Option<f64>,
    elsewhere: bool,
) -> Played {
    let count = |least: f64| {
        probability
            .iter()
            .filter(|p| f64::from(**p) >= least)
            .count()
    };
    let (count, sure) = (count(0.5), count(SURE));
    let most = f64::from(probability.iter().copied().fold(0.0, f32::max));
    let Some(loudest) = loudest_db else {
        return if count == 0 {
            Played::NotSure("no other take shows what its hits sound like".into())
        } else if most >= 0.9 && count >= 3 {
            Played::Yes(round_to(most.min(0.95), 2))
        } else {
            Played::NotSure("few unclear hits, and no other take to compare them with".into())
        };
    };
    let expected: f64 = probability.iter().map(|p| f64::from(*p)).sum();
    let least = if most >= f64::from(BLEED) {
        QUIET_DB
    } else if elsewhere && expected < FEW_EXPECTED {
        NOT_LOUD_DB
    } else {
        NO_STROKE_DB
    };
    if loudest >= least {
        return match count {
            0 => Played::NotSure("bleed is as loud as its soft hits".into()),
            _ if elsewhere && most < CLEAR => {
                Played::NotSure("what may be its hits is no clearer than bleed".into())
            }
            _ => Played::Yes(round_to(most.min(0.99), 2)),
        };
    }
    if sure >= SURE_STROKES {
        return Played::Yes(round_to(0.5 * (1.0 + most).min(1.98), 2));
    }
    if stroke_db.is_some_and(|db| db >= QUIET_DB) {
        return Played::NotSure("one loud stroke, and nothing else near it".into());
    }
    // 6 dB under what is asked for leave little doubt
    let quiet = ((QUIET_DB - loudest) / 6.0).clamp(0.0, 1.0);
    Played::No(round_to(0.7 + 0.29 * quiet, 2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_loud_noise_does_not_make_a_take_loud() {
        let bleed = (0..20).map(|i| (i * 500, 1e-4f32));
        let quiet = loudest_db(bleed.clone()).expect("rises");
        assert!((quiet + 40.0).abs() < 0.01, "{quiet}");
        // a click and its echo within 35 ms are one noise
        let noise = loudest_db(bleed.chain([(777, 1.0), (790, 0.9)])).expect("rises");
        assert!((noise + 20.0).abs() < 0.01, "{noise}");
        assert_eq!(loudest_db(std::iter::empty()), None);
    }

    #[test]
    fn a_take_is_compared_with_the_second_loudest_so_that_one_hot_take_shifts_nothing() {
        assert_eq!(loud_take_db(vec![-20.0, -14.9, -20.5, -33.0]), Some(-20.0));
        assert_eq!(loud_take_db(vec![-20.0, -33.0]), Some(-20.0));
        assert_eq!(loud_take_db(vec![-20.0]), None);
    }

    #[test]
    fn quiet_takes_without_sure_strokes_are_not_played_and_no_others() {
        assert!(matches!(played(&[0.6, 0.3], Some(-14.0), None, false), Played::No(c) if c > 0.9));
        assert!(matches!(played(&[], Some(-6.0), None, false), Played::No(c) if c < 0.8));
        assert!(matches!(
            played(&[0.98; 3], Some(-14.0), Some(-14.0), false),
            Played::Yes(_)
        ));
        // bleed of a loud kit, and nothing that may be a stroke
        assert!(matches!(played(&[0.02], Some(-3.9), None, false), Played::No(c) if c < 0.8));
        assert!(matches!(
            played(&[0.3], Some(-3.9), None, false),
            Played::NotSure(_)
        ));
        assert!(matches!(
            played(&[0.6], Some(-1.0), None, false),
            Played::Yes(_)
        ));
        assert!(matches!(
            played(&[0.3], Some(-1.0), None, false),
            Played::NotSure(_)
        ));
        assert!(matches!(
            played(&[0.6], None, None, false),
            Played::NotSure(_)
        ));
        // struck once in the whole take
        let once = |db| played(&[0.99], Some(-11.0), Some(db), false);
        assert!(matches!(once(-2.0), Played::NotSure(_)));
        assert!(matches!(once(-14.0), Played::No(_)));
    }

    #[test]
    fn a_head_that_other_takes_play_is_at_rest_where_nothing_may_be_a_stroke_however_loud_bleed_is()
    {
        let rests = |p: &[f32], db| played(p, Some(db), None, true);
        assert!(matches!(rests(&[0.1; 4], 0.0), Played::No(c) if c < 0.8));
        // nobody knows what its strokes are like
        assert!(matches!(
            played(&[0.1; 4], Some(0.0), None, false),
            Played::NotSure(_)
        ));
        // louder than all other takes; some stroke expected; one that may be
        assert!(matches!(rests(&[0.1; 4], 3.0), Played::NotSure(_)));
        assert!(matches!(rests(&[0.1; 5], 0.0), Played::NotSure(_)));
        assert!(matches!(rests(&[0.3], 0.0), Played::NotSure(_)));
        // more probable than not, and less clear than it is elsewhere
        assert!(matches!(rests(&[0.77, 0.6], -2.8), Played::NotSure(_)));
        assert!(matches!(rests(&[0.95], -2.8), Played::Yes(_)));
    }
}
