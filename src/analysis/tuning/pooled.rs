//! One pitch of a drum from many strokes.
//!
//! A stroke alone does not name the fundamental: what rings loudest changes with the stroke, and bleed
//! has lines of its own. The lines of all strokes are laid over each other, each stroke weighted by how
//! far its ring stands above what sounded before it; the fundamental is named there, and then read from
//! every stroke that shows it.

use serde::{Deserialize, Serialize};

use crate::analysis::setup::pool::weighted_quantile;
use crate::analysis::tuning::SURE;
use crate::analysis::tuning::fade::Fade;
use crate::analysis::tuning::hit::HitTuning;
use crate::analysis::tuning::pitch::fundamental;
use crate::dsp::median;
use crate::units::round_to;

/// Fundamentals of several hits within this are one (logarithm of the ratio): two lines of a drum may lie
/// a tone apart, and which is the louder changes with the stroke.
pub(crate) const SAME_LINE: f64 = 0.05;
/// Next partials within this.
const SAME: f64 = 0.05;
/// A median that is uncertain by more than this share is no pitch to go by.
const UNCERTAIN: f64 = 0.02;
/// Hits that a tuning needs, and the share of them that must agree.
pub const LEAST_HITS: usize = 3;
const LEAST_SHARE: f64 = 0.6;
/// Fewer do where their rings stand so far above what sounded before, in decibels all together: of 62
/// recorded strokes with 15 dB and more 61 had the right pitch (`examples/hearing`, kits of the fit).
const CLEAR_DB: f64 = 20.0;

/// What is known to be doubtful is no surer than this.
const UNSURE: f64 = 0.45;
/// Of the hits that show the fundamental, the share that must show a line beside it.
const LEAST_BESIDE: f64 = 0.2;

/// Tuning over hits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tuning {
    /// Median early pitch of the fundamental, in steps of 0.1 Hz.
    pub fundamental_hz: f64,
    /// Its spread: 1.4826 × the median deviation.
    pub spread_hz: f64,
    /// Median of the next ringing partial.
    pub next_partial_hz: Option<f64>,
    /// How many of the hits show it, 0 to 1.
    pub next_share: f64,
    /// Its level over the fundamental's ring, in decibels.
    pub next_level_db: Option<f64>,
    /// Time for 60 dB of the fundamental, in seconds; `None` where it does not fade while it is looked at.
    pub ring_s: Option<f64>,
    /// Time for 60 dB of the next partial.
    pub next_ring_s: Option<f64>,
    /// Where the pitch has settled.
    pub settled_hz: Option<f64>,
    /// How fast the fundamental fades at first and later: medians over the hits with room for it.
    pub fade: Fade,
    /// Hits that agree.
    pub hits: usize,
    /// Hits that had room enough to be heard.
    pub tried: usize,
    /// 0 to 1; 0.5 and more is to be acted on.
    pub confidence: f64,
    /// Why not, where the confidence is below 0.5.
    pub reason: Option<String>,
}

/// How much some hits count together.
pub(crate) fn weight<'h>(hits: impl IntoIterator<Item = &'h HitTuning>) -> f64 {
    hits.into_iter().map(HitTuning::weight).sum()
}

/// Whether a hit that does not show the fundamental has another line of the same drum as its own: one that
/// stands as far above the fundamental in hits that show both. Such a hit contradicts nothing: which mode is
/// the loudest changes with where a head is struck.
fn another(hit: &HitTuning, agree: &[HitTuning], fundamental_hz: f64) -> bool {
    if hit.line_near(fundamental_hz, SAME_LINE).is_some() {
        return false;
    }
    let above = hit.fundamental_hz / fundamental_hz;
    let has = |h: &&HitTuning| h.line_near(above * h.fundamental_hz, SAME_LINE).is_some();
    weight(agree.iter().filter(has)) > LEAST_BESIDE * weight(agree)
}

/// The value that most others agree with.
fn vote(values: &[f64], same: f64) -> Option<f64> {
    let support = |f: f64| values.iter().filter(|v| (*v / f).ln().abs() < same).count();
    values
        .iter()
        .copied()
        .max_by(|&a, &b| support(a).cmp(&support(b)).then(b.total_cmp(&a)))
}

/// The fundamental that most hits have; where they do not agree, the one in the lines of all together.
/// `None` without hits. The hits are those of one take, or of several that are laid on each other.
pub(crate) fn named(hits: &[HitTuning]) -> Option<f64> {
    let distance = |a: f64, b: f64| (a / b).ln().abs();
    let support = |hz: f64| -> f64 {
        let near = |h: &&HitTuning| distance(h.fundamental_hz, hz) < SAME_LINE;
        weight(hits.iter().filter(near))
    };
    let pitches = hits.iter().map(|h| h.fundamental_hz);
    let most = pitches.max_by(|&a, &b| support(a).total_cmp(&support(b)).then(b.total_cmp(&a)))?;
    if support(most) >= LEAST_SHARE * weight(hits) {
        return Some(most);
    }
    let power = |hz: f64| -> f64 {
        let of_hit = |hit: &HitTuning| {
            let lines = hit.all_lines();
            let near = lines.map(|l| l.1 * l.1 * (1.0 - distance(l.0, hz) / SAME_LINE).max(0.0));
            hit.weight() * near.fold(0.0, f64::max)
        };
        hits.iter().map(of_hit).sum()
    };
    let mut lines: Vec<(f64, f64)> = hits
        .iter()
        .flat_map(HitTuning::all_lines)
        .map(|(hz, _)| (hz, power(hz).sqrt()))
        .collect();
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mode = |&(hz, amplitude): &(f64, f64)| {
        let mut near = lines.iter().filter(|l| distance(l.0, hz) < SAME_LINE);
        near.all(|l| l.1 <= amplitude)
    };
    let modes: Vec<(f64, f64)> = lines.iter().copied().filter(mode).collect();
    fundamental(&modes).map(|mode| mode.0)
}

/// One tuning from the hits of a take: the fundamental in the lines of all, and medians of the hits that
/// show it. `None` where no hit had a pitch.
pub fn pool(hits: &[HitTuning], tried: usize) -> Option<Tuning> {
    let best = named(hits)?;
    let agree = hits.iter().filter_map(|hit| hit.read_near(best, SAME_LINE));
    pool_read(&agree.collect::<Vec<_>>(), hits, tried)
}

/// The same from those hits that show the fundamental, each read near it, of all `hits`.
pub(crate) fn pool_read(agree: &[HitTuning], hits: &[HitTuning], tried: usize) -> Option<Tuning> {
    let weigh = |value: &dyn Fn(&HitTuning) -> f64| {
        let weighed: Vec<(f64, f64)> = agree.iter().map(|h| (value(h), h.weight())).collect();
        weighted_quantile(&weighed, 0.5)
    };
    let fundamental = weigh(&|h| h.fundamental_hz)?;
    let spread = 1.4826 * weigh(&|h| (h.fundamental_hz - fundamental).abs())?;
    // what else a hit shows was read beside its own fundamental
    let own: Vec<&HitTuning> = match agree.iter().any(|h| !h.beside) {
        true => agree.iter().filter(|h| !h.beside).collect(),
        false => agree.iter().collect(),
    };
    let with_next: Vec<(&HitTuning, f64)> = own
        .iter()
        .filter_map(|h| Some((*h, h.next_partial_hz? / h.fundamental_hz)))
        .collect();
    let ratios: Vec<f64> = with_next.iter().map(|x| x.1).collect();
    let next: Vec<&HitTuning> = vote(&ratios, SAME)
        .map(|best| {
            with_next
                .iter()
                .filter(|(_, r)| (r / best).ln().abs() < SAME)
                .map(|x| x.0)
                .collect()
        })
        .unwrap_or_default();
    let heard = hits.len() as f64 / hits.len().max(tried).max(1) as f64;
    let others = hits.iter().filter(|hit| another(hit, agree, fundamental));
    let share = heard * (weight(agree) + weight(others)) / weight(hits);
    let clear_db: f64 = agree.iter().map(|h| h.clear_db.max(0.0)).sum();
    // three hits are just enough, eight leave little doubt
    let enough = (agree.len() as f64 / 5.0).sqrt().min(1.0);
    let confidence = (share.min(1.0) * (0.4 + 0.6 * enough)).min(0.99);
    let reason = if agree.len() < LEAST_HITS && clear_db < CLEAR_DB {
        Some(format!("only {} hits with room enough", agree.len()))
    } else if share < LEAST_SHARE {
        Some(format!(
            "no clear fundamental: {} of {} hits agree",
            agree.len(),
            hits.len().max(tried)
        ))
    } else if spread > UNCERTAIN * fundamental * (agree.len() as f64).sqrt() {
        Some(format!("the pitches of its hits scatter by {spread:.0} Hz"))
    } else {
        None
    };
    let confidence = if reason.is_some() {
        confidence.min(UNSURE)
    } else {
        confidence.max(SURE)
    };
    let middle = |hits: &[&HitTuning], value: fn(&HitTuning) -> Option<f64>, digits: u32| {
        median(hits.iter().filter_map(|h| value(h))).map(|value| round_to(value, digits))
    };
    Some(Tuning {
        fundamental_hz: round_to(fundamental, 1),
        spread_hz: round_to(spread, 1),
        next_partial_hz: middle(&next, |h| h.next_partial_hz, 1),
        next_share: round_to(next.len() as f64 / own.len() as f64, 2),
        next_level_db: middle(&next, |h| h.next_level_db, 1),
        ring_s: middle(&own, |h| h.ring_s, 2),
        next_ring_s: middle(&next, |h| h.next_ring_s, 2),
        settled_hz: middle(&own, |h| h.settled_hz, 1),
        fade: Fade {
            early_s: middle(&own, |h| h.fade.early_s, 2),
            late_s: middle(&own, |h| h.fade.late_s, 2),
        },
        hits: agree.len(),
        tried: tried.max(hits.len()),
        confidence: round_to(confidence, 2),
        reason,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hit(f: f64) -> HitTuning {
        HitTuning {
            early_hz: [None, None, Some(f)],
            ..HitTuning::plain(f)
        }
    }

    fn of(list: &[f64]) -> Tuning {
        let unclear = |f: &f64| HitTuning {
            clear_db: 5.0,
            ..hit(*f)
        };
        let hits: Vec<HitTuning> = list.iter().map(unclear).collect();
        pool(&hits, hits.len()).expect("a pitch")
    }

    #[test]
    fn a_take_needs_three_hits_that_agree() {
        assert_eq!(pool(&[], 4), None);
        let sure = of(&[200.0, 201.0, 200.5, 320.0]);
        assert!(
            sure.confidence >= 0.5 && sure.fundamental_hz == 200.5,
            "{sure:?}"
        );
        for list in [&[200.0, 201.0][..], &[200.0, 240.0, 300.0, 150.0, 201.0]] {
            let unsure = of(list);
            assert!(
                unsure.confidence < 0.5 && unsure.reason.is_some(),
                "{unsure:?}"
            );
        }
    }

    #[test]
    fn one_stroke_in_silence_outweighs_many_that_bleed_sounds_under() {
        let clear = HitTuning {
            clear_db: 40.0,
            ..hit(142.0)
        };
        let bleed = |hz: f64| HitTuning {
            clear_db: 2.0,
            ..hit(hz)
        };
        let tuning = pool(&[clear, bleed(75.0), bleed(75.5), bleed(74.0)], 4).expect("a pitch");
        assert_eq!(tuning.fundamental_hz, 142.0);
        assert!(tuning.confidence >= 0.5, "{tuning:?}");
        let tuning = pool(&[bleed(75.0), bleed(142.0)], 2).expect("a pitch");
        assert!(tuning.confidence < 0.5, "{tuning:?}");
    }

    #[test]
    fn where_strokes_disagree_the_lowest_line_of_all_together_is_the_fundamental() {
        let stroke = |own: (f64, f64), lines: [Option<(f64, f64)>; 3]| HitTuning {
            amplitude: own.1,
            lines,
            ..hit(own.0)
        };
        let upper = Some((150.0, 1.0));
        let hits = [
            stroke((100.0, 0.4), [upper, None, None]),
            stroke((150.0, 1.0), [None; 3]),
            // bleed below
            stroke((75.0, 0.4), [Some((100.0, 0.8)), upper, None]),
        ];
        let tuning = pool(&hits, 3).expect("a pitch");
        assert_eq!(
            (tuning.fundamental_hz, tuning.hits),
            (100.0, 2),
            "{tuning:?}"
        );
        assert!(tuning.confidence >= 0.5, "{tuning:?}");
    }

    #[test]
    fn a_stroke_that_shows_another_mode_of_the_drum_contradicts_nothing() {
        let lower = |upper: Option<f64>| HitTuning {
            amplitude: 0.5,
            lines: [upper.map(|hz| (hz, 1.0)), None, None],
            ..hit(197.0)
        };
        // eleven of 21: in the others a mode outrings the fundamental by more than 10 dB
        let hits = |beside: Option<f64>, other_hz: f64| {
            let hits = [vec![lower(beside); 11], vec![hit(other_hz); 10]].concat();
            pool(&hits, hits.len()).expect("a pitch")
        };
        let modes = hits(Some(275.0), 271.0);
        assert_eq!((modes.fundamental_hz, modes.hits), (197.0, 11));
        assert!(modes.confidence >= 0.5, "{modes:?}");
        // what no stroke shows beside the fundamental is bleed, or another fundamental
        for bleed in [hits(None, 271.0), hits(Some(275.0), 240.0)] {
            assert!(bleed.confidence < 0.5, "{bleed:?}");
        }
    }
}
