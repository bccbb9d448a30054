//! The tuning of a drum over the takes of a set-up, and where it begins to drift.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::take::TakeEvidence;
use crate::analysis::setup::pool::weighted_quantile;
use crate::analysis::tuning::SURE;
use crate::analysis::tuning::glide::even_out;
use crate::analysis::tuning::hit::HitTuning;
use crate::analysis::tuning::pooled::{LEAST_HITS, SAME_LINE, Tuning, named, pool_read, weight};
use crate::analysis::tuning::ring::Ring;
use crate::dsp::median;
use crate::units::round_to;

/// Hits a take needs for a drift of tuning to be told.
const DRIFT_HITS: usize = 4;
/// The pitch of a take is never surer than this share: harder strokes begin higher.
const LEAST_UNSURE: f64 = 0.004;
/// How sure it is where no take has strokes enough to tell.
const USUALLY_UNSURE: f64 = 0.008;
/// A drift is said beyond so many times its uncertainty.
const BEYOND: f64 = 3.0;
/// A head is not turned by more than this within a set-up (logarithm of the ratio).
const SAME_HEAD: f64 = 0.1;
/// Pitch and ring of a take tell the same within this (logarithm of the ratio).
const SAME_PITCH: f64 = 0.03;
/// Of a take's strokes, the share that must show the fundamental of the set-up.
const LEAST_SHARE: f64 = 0.34;
/// What the pitch of a take by its ring counts beside that of few strokes.
const LAID_WEIGHT: f64 = 30.0;
/// Fundamentals of three drums this near to one another are one peak of the room.
const SAME_ROOM: f64 = 0.01;

/// The tuning of one drum over all takes of a set-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrumTuning {
    /// Label of the track that it was read from.
    pub label: String,
    /// Over all hits of all takes.
    pub tuning: Tuning,
    /// Of each take: its own strokes, looked at where the others show the fundamental.
    pub takes: Vec<Option<Tuning>>,
    /// The take from which on it is lower or higher than before, where that is so.
    pub drift: Option<Drift>,
}

/// A change of tuning in the course of a set-up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// The first take that is off, by its place.
    pub first_take: usize,
    /// Before.
    pub from_hz: f64,
    /// From that take on.
    pub to_hz: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// Over all takes; `None` where none has a pitch.
pub(crate) fn tuning(takes: &[&TakeEvidence], label: &str) -> Option<DrumTuning> {
    let of = |take: &TakeEvidence| -> Vec<HitTuning> {
        take.tracks
            .iter()
            .filter(|t| t.label == label)
            .flat_map(|t| t.tuning_hits.clone())
            .collect()
    };
    let mut by_take: Vec<Vec<HitTuning>> = takes.iter().map(|t| of(t)).collect();
    even_out(&mut by_take);
    let all: Vec<HitTuning> = by_take.iter().flatten().copied().collect();
    let tracks = || {
        let all = takes.iter().flat_map(|take| &take.tracks);
        all.filter(|track| track.label == label)
    };
    let rings: Vec<Option<&Ring>> = takes
        .iter()
        .map(|take| {
            let mut tracks = take.tracks.iter();
            tracks.find(|t| t.label == label).map(|t| &t.ring)
        })
        .collect();
    let higher = higher(&rings);
    let read = read(&by_take, &higher)?;
    let tried = tracks().map(|t| t.tuning_tried).sum();
    // a stroke among others that shows no pitch contradicts none; of a kick it says that there is none
    let kick = tracks().any(|t| t.drum.as_deref() == Some("kick"));
    let agree: Vec<HitTuning> = read.iter().flatten().copied().collect();
    let mut tuning = pool_read(&agree, &all, if kick { tried } else { all.len() })?;
    tuning.tried = tried;
    let own: Vec<f64> = by_take.iter().map(weight).collect();
    let mut tuned: Vec<Option<Tuning>> = read
        .iter()
        .zip(&own)
        .map(|(hits, own)| take_tuning(hits, *own, &tuning))
        .collect();
    lay_on_each_other(&mut tuned, &own, (&rings, &higher), &tuning);
    let unsure = unsure(&rings);
    Some(DrumTuning {
        label: label.to_owned(),
        drift: drift(&tuned, unsure),
        tuning,
        takes: tuned,
    })
}

/// The strokes of each take that show the fundamental of the drum, read there. It is named by all
/// together, each take brought down by how much `higher` it rings: a drum has one pattern of lines, and of
/// two a tone apart now one is the louder, now the other. `None` without strokes.
fn read(takes: &[Vec<HitTuning>], higher: &[Option<f64>]) -> Option<Vec<Vec<HitTuning>>> {
    let mut laid: Vec<HitTuning> = Vec::new();
    for (hits, higher) in takes.iter().zip(higher) {
        laid.extend(hits.iter().map(|hit| {
            let mut hit = *hit;
            hit.shift(1.0 / higher.unwrap_or(1.0));
            hit
        }));
    }
    let named = named(&laid)?;
    let near = laid.iter().filter_map(|h| h.read_near(named, SAME_LINE));
    let near: Vec<(f64, f64)> = near.map(|h| (h.fundamental_hz, h.weight())).collect();
    let middle_hz = weighted_quantile(&near, 0.5)?;
    let read = |hits: &Vec<HitTuning>, higher: Option<f64>| {
        let (hz, within) = match higher {
            Some(higher) => (middle_hz * higher, SAME_LINE),
            None => (middle_hz, SAME_HEAD),
        };
        hits.iter()
            .filter_map(|h| h.read_near(hz, within))
            .collect()
    };
    let takes = takes.iter().zip(higher);
    Some(takes.map(|(hits, higher)| read(hits, *higher)).collect())
}

/// The tuning of one take: what its strokes show near the fundamental of the set-up, which a few
/// strokes alone could not name. `own` is how much all its strokes count.
fn take_tuning(near: &[HitTuning], own: f64, setup: &Tuning) -> Option<Tuning> {
    if weight(near) < LEAST_SHARE * own {
        return None;
    }
    let mut tuning = pool_read(near, near, near.len())?;
    if setup.confidence < SURE {
        // what the takes disagree about no take knows alone
        tuning.confidence = tuning.confidence.min(setup.confidence);
        tuning.reason = tuning.reason.or(setup.reason.clone());
    } else if tuning.hits < LEAST_HITS {
        tuning.confidence = if tuning.hits == 1 { 0.5 } else { 0.6 };
        tuning.reason = None;
    }
    Some(tuning)
}

/// The take whose ring is clearest.
fn clearest(rings: &[Option<&Ring>]) -> Option<usize> {
    (0..rings.len()).max_by(|&i, &j| {
        let order = clear(rings[i]).total_cmp(&clear(rings[j]));
        order.then(j.cmp(&i))
    })
}

/// How much the ring of a take counts.
fn clear(ring: Option<&Ring>) -> f64 {
    ring.map_or(0.0, |r| r.weight)
}

/// By which ratio each take rings higher than the one whose ring is clearest.
fn higher(rings: &[Option<&Ring>]) -> Vec<Option<f64>> {
    let best = clearest(rings);
    let over = |i: usize| match Some(i) == best {
        true => Some(1.0),
        false => rings[i]?.over(rings[best?]?),
    };
    (0..rings.len()).map(over).collect()
}

/// How far the pitch of a take is to be trusted, as a share.
fn unsure(rings: &[Option<&Ring>]) -> f64 {
    let best = clearest(rings).and_then(|best| rings[best]);
    let squares: Vec<f64> = rings
        .iter()
        .filter_map(|ring| Some((*ring)?.unsure(best?)?.powi(2)))
        .collect();
    match squares.len() {
        0 => USUALLY_UNSURE,
        n => (squares.iter().sum::<f64>() / n as f64).sqrt(),
    }
}

/// One pitch for the drum from all takes, and of each take how much `higher` it rings. A take of few
/// strokes has the middle of that and its own pitch, as far as they count (`own`); one whose strokes show no
/// pitch alone, or few of which name another, has it from that.
fn lay_on_each_other(
    takes: &mut [Option<Tuning>],
    own: &[f64],
    (rings, higher): (&[Option<&Ring>], &[Option<f64>]),
    setup: &Tuning,
) {
    let same: Vec<(f64, f64)> = takes
        .iter()
        .zip(own)
        .zip(higher)
        .filter_map(|((take, own), higher)| {
            let take = take.as_ref()?;
            Some(((take.fundamental_hz / (*higher)?).ln(), *own))
        })
        .collect();
    let Some(middle) = weighted_quantile(&same, 0.5) else {
        return;
    };
    for (i, (take, higher)) in takes.iter_mut().zip(higher).enumerate() {
        let Some(hz) = higher.map(|higher| middle.exp() * higher) else {
            continue;
        };
        match take {
            Some(take) if (take.fundamental_hz / hz).ln().abs() < SAME_PITCH => {
                let off = (take.fundamental_hz / hz).ln();
                let share = match take.hits < LEAST_HITS {
                    true => own[i] / (own[i] + LAID_WEIGHT),
                    false => 0.0,
                };
                take.fundamental_hz = round_to(hz * (share * off).exp(), 2);
                if setup.confidence >= SURE && take.confidence < SURE {
                    take.confidence = SURE;
                    take.reason = None;
                }
            }
            Some(Tuning { hits, .. }) if *hits >= LEAST_HITS || own[i] >= LAID_WEIGHT => {}
            _ if setup.confidence >= SURE && clear(rings[i]) > 0.0 => {
                *take = Some(Tuning {
                    fundamental_hz: round_to(hz, 2),
                    hits: rings[i].map_or(0, |r| r.strokes),
                    confidence: SURE,
                    ..setup.clone()
                });
            }
            _ => {}
        }
    }
}

/// Drops what several drums show alike: a peak that stays the same whatever is struck is the room.
pub(crate) fn without_room(
    tunings: &mut Vec<DrumTuning>,
    drum_of: impl Fn(&str) -> Option<String>,
) {
    let found: Vec<(Option<String>, f64)> = tunings
        .iter()
        .map(|t| (drum_of(&t.label), t.tuning.fundamental_hz))
        .collect();
    tunings.retain(|t| {
        let (drum, hz) = (drum_of(&t.label), t.tuning.fundamental_hz);
        let mut same: Vec<&Option<String>> = found
            .iter()
            .filter(|(other, f)| *other != drum && (f / hz).ln().abs() < SAME_ROOM)
            .map(|(other, _)| other)
            .collect();
        same.dedup();
        same.len() < 2
    });
}

/// Splits the takes in two where the medians before and after differ most for their spread; a drift
/// is said above 1.5 Hz and three times what it is uncertain by: by the spread of the pitches, and by
/// what the pitch of one take is `unsure` by (a share).
fn drift(takes: &[Option<Tuning>], unsure: f64) -> Option<Drift> {
    let sure: Vec<(usize, &Tuning)> = takes
        .iter()
        .enumerate()
        .filter_map(|(i, tuning)| {
            let tuning = tuning.as_ref()?;
            (tuning.hits >= DRIFT_HITS && tuning.confidence >= SURE).then_some((i, tuning))
        })
        .collect();
    let middle = |list: &[(usize, &Tuning)]| median(list.iter().map(|t| t.1.fundamental_hz));
    // spread within takes, and from take to take on either side
    let mut best: Option<(f64, Drift)> = None;
    for split in 1..sure.len() {
        let (before, after) = sure.split_at(split);
        let (from_hz, to_hz) = (middle(before)?, middle(after)?);
        let within = median(
            sure.iter()
                .map(|t| t.1.spread_hz / (t.1.hits as f64).sqrt()),
        )?;
        let between = median(
            before
                .iter()
                .map(|t| (t.1.fundamental_hz - from_hz).abs())
                .chain(after.iter().map(|t| (t.1.fundamental_hz - to_hz).abs())),
        )?;
        let takes = (1.0 / before.len() as f64 + 1.0 / after.len() as f64).sqrt();
        let single = unsure.max(LEAST_UNSURE) * takes * from_hz;
        let limit = (BEYOND * single.max(1.4826 * within.max(between))).max(1.5);
        let step = (to_hz - from_hz).abs();
        // the split after which all takes stay on their side
        let misfit: f64 = before
            .iter()
            .map(|t| (t.1.fundamental_hz - from_hz).abs())
            .chain(after.iter().map(|t| (t.1.fundamental_hz - to_hz).abs()))
            .sum();
        let score = step / limit - 0.1 * misfit / limit;
        if step > limit && best.as_ref().is_none_or(|b| score > b.0) {
            let enough = (sure.len() as f64 / 4.0).min(1.0);
            best = Some((
                score,
                Drift {
                    first_take: after[0].0,
                    from_hz: round_to(from_hz, 1),
                    to_hz: round_to(to_hz, 1),
                    confidence: round_to(
                        (0.5 + 0.15 * (step / limit - 1.0)).min(0.98) * (0.7 + 0.3 * enough),
                        2,
                    ),
                },
            ));
        }
    }
    best.map(|b| b.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::tuning::pooled::pool;

    fn hits(hz: f64) -> Vec<HitTuning> {
        let hit = |i: usize| HitTuning::plain(hz + 0.1 * i as f64);
        (0..6).map(hit).collect()
    }

    #[test]
    fn two_takes_drift_beyond_three_times_what_their_pitch_is_uncertain_by() {
        let takes = [200.0, 195.0].map(|hz| pool(&hits(hz), 6));
        let found = drift(&takes, 0.002).expect("2.5 % apart");
        assert_eq!(found.first_take, 1);
        assert!(
            (found.from_hz - found.to_hz - 5.0).abs() < 0.11,
            "{found:?}"
        );
        assert_eq!(drift(&takes, 0.01), None);
        let same = [200.0, 199.0].map(|hz| pool(&hits(hz), 6));
        assert_eq!(drift(&same, 0.0), None);
    }

    /// A take whose ring lies round a frequency, and its pitch by as many strokes that count so much.
    fn rung(hz: f64, strokes: usize, clear_db: f64) -> (Option<Tuning>, f64, Ring) {
        let mut ring = Ring::default();
        let line = |k: usize| {
            let at = 50.0 * (k as f64 / 120.0).exp2();
            (at, (-(120.0 * (at / hz).log2()).powi(2) / 200.0).exp())
        };
        let lines: Vec<(f64, f64)> = (0..300).map(line).collect();
        (0..strokes).for_each(|_| ring.add(&lines, clear_db));
        let hit = HitTuning {
            clear_db,
            ..HitTuning::plain(hz)
        };
        let hits = vec![hit; strokes];
        let mut pitch = pool(&hits, strokes);
        pitch.iter_mut().for_each(|p| p.confidence = 0.6);
        (pitch, weight(&hits), ring)
    }

    fn laid(takes: &[(Option<Tuning>, f64, Ring)]) -> Vec<Option<Tuning>> {
        let mut pitches: Vec<_> = takes.iter().map(|t| t.0.clone()).collect();
        let own: Vec<f64> = takes.iter().map(|t| t.1).collect();
        let rings: Vec<_> = takes.iter().map(|t| Some(&t.2)).collect();
        let setup = pool(&hits(140.0), 6).expect("a pitch");
        lay_on_each_other(&mut pitches, &own, (&rings, &higher(&rings)), &setup);
        pitches
    }

    #[test]
    fn a_take_without_a_pitch_of_its_own_has_it_by_how_much_lower_it_rings() {
        let (_, _, ring) = rung(137.0, 2, 10.0);
        let found = laid(&[rung(140.0, 6, 20.0), (None, 0.0, ring)]);
        let hz = found[1].as_ref().expect("a pitch").fundamental_hz;
        assert!((hz - 137.0).abs() < 0.3, "{hz}");
    }

    #[test]
    fn few_strokes_that_contradict_the_ring_yield_to_it_and_one_clear_stroke_is_kept() {
        let unclear = (rung(150.0, 2, 2.0).0, 4.0, rung(138.0, 2, 2.0).2);
        let found = laid(&[rung(140.0, 6, 20.0), unclear]);
        let take = found[1].as_ref().expect("a pitch");
        assert!((take.fundamental_hz - 138.0).abs() < 0.5, "{take:?}");
        assert_eq!((take.confidence, &take.reason), (SURE, &None));
        let clear = (rung(142.0, 1, 30.0).0, 90.0, rung(140.0, 1, 30.0).2);
        let found = laid(&[rung(140.0, 6, 20.0), clear]);
        let take = found[1].as_ref().expect("a pitch");
        assert!((take.fundamental_hz - 141.5).abs() < 0.3, "{take:?}");
        assert!(take.confidence >= SURE, "{take:?}");
    }

    #[test]
    fn of_two_lines_a_tone_apart_one_is_read_in_all_takes_whichever_is_the_louder() {
        let take = |higher: f64, lower: f64, upper: f64| {
            let hit = HitTuning {
                amplitude: lower,
                lines: [Some((203.2 * higher, upper)), None, None],
                ..HitTuning::plain(183.7 * higher)
            };
            vec![hit; 4]
        };
        let takes = [take(1.0, 0.83, 1.0), take(1.05, 1.0, 0.6)];
        let found = read(&takes, &[Some(1.0), Some(1.05)]).expect("strokes");
        for (take, hz) in found.iter().zip([183.7, 183.7 * 1.05]) {
            assert!(take.len() == 4, "{take:?}");
            let near = |h: &HitTuning| (h.fundamental_hz - hz).abs() < 0.01;
            assert!(take.iter().all(near), "{take:?}");
        }
    }

    #[test]
    fn a_take_is_not_surer_than_all_takes_together() {
        let strokes = [hits(140.0), hits(197.0), hits(270.0)].concat();
        let setup = pool(&strokes, strokes.len()).expect("a pitch");
        assert!(setup.confidence < 0.5, "{setup:?}");
        let near = hits(setup.fundamental_hz);
        let take = take_tuning(&near, weight(&near), &setup).expect("a pitch");
        assert!(take.confidence < 0.5 && take.reason.is_some(), "{take:?}");
    }
}
