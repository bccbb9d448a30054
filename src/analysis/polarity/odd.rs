//! The mic that is inverted, among all that stand before one pair of overheads.
//!
//! A close mic above a head and an overhead hear its first half wave alike. Where one drum opposes
//! the overheads and others do not, it is that drum's mic; where all do, it is the overheads.

use super::pair::{PairKind, Polarity};
use super::verdict::PairVerdict;
use crate::units::round_to;

/// Share of the votes of a mic's pairs that makes its verdict.
const CLEAR: f64 = 0.8;

/// A mic that hears its drum the other way round.
#[derive(Clone, Debug, PartialEq)]
pub struct Opposed {
    /// Strokes that were compared.
    pub hits: usize,
    /// Correlation of the body of the sound, −1 to 1.
    pub correlation: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// How a close mic stands to the overheads, by all its pairs.
fn stand(pairs: &[PairVerdict], label: &str) -> Option<(Polarity, Opposed)> {
    let own = || {
        let close = |v: &&PairVerdict| v.pair.kind == PairKind::CloseOverhead;
        let own = pairs.iter().filter(close).map(|v| &v.pair);
        own.filter(|p| p.first == label)
    };
    let vote = |polarity: Polarity| -> f64 {
        let same = own().filter(|p| p.polarity == polarity);
        same.map(|p| p.polarity_confidence * p.hits as f64).sum()
    };
    let (same, inverted) = (vote(Polarity::Same), vote(Polarity::Inverted));
    let (winner, votes) = match inverted > same {
        true => (Polarity::Inverted, inverted),
        false => (Polarity::Same, same),
    };
    let share = votes / (same + inverted);
    if votes <= 0.0 || share < CLEAR {
        return None;
    }
    let of = || own().filter(|p| p.polarity == winner);
    let best = of().max_by(|a, b| a.polarity_confidence.total_cmp(&b.polarity_confidence))?;
    let found = Opposed {
        hits: best.hits,
        correlation: best.correlation,
        confidence: round_to(best.polarity_confidence * share, 2),
    };
    Some((winner, found))
}

/// Close mics that have a verdict, each once.
fn close_mics(pairs: &[PairVerdict]) -> Vec<(&str, Polarity)> {
    let mut labels: Vec<&str> = Vec::new();
    for verdict in pairs {
        let first = verdict.pair.first.as_str();
        if verdict.pair.kind == PairKind::CloseOverhead && !labels.contains(&first) {
            labels.push(first);
        }
    }
    let stand = |label: &str| stand(pairs, label).map(|s| s.0);
    labels
        .into_iter()
        .filter_map(|label| Some((label, stand(label)?)))
        .collect()
}

/// Whether a close mic opposes the overheads that other drums agree with.
pub fn close_opposed(pairs: &[PairVerdict], label: &str) -> Option<Opposed> {
    let (polarity, found) = stand(pairs, label)?;
    if polarity != Polarity::Inverted {
        return None;
    }
    let others = || close_mics(pairs).into_iter().filter(|o| o.0 != label);
    let agree = others().filter(|o| o.1 == Polarity::Same).count();
    let oppose = others().count() - agree;
    (agree > 0 && agree >= oppose).then_some(found)
}

/// Whether the overheads oppose the close mics: two at least, and none agrees.
pub fn overheads_opposed(pairs: &[PairVerdict]) -> Option<Opposed> {
    let all = close_mics(pairs);
    let opposed = all.iter().all(|o| o.1 == Polarity::Inverted);
    if all.len() < 2 || !opposed {
        return None;
    }
    let stands = || all.iter().filter_map(|o| stand(pairs, o.0)).map(|s| s.1);
    let least = stands().min_by(|a, b| a.confidence.total_cmp(&b.confidence))?;
    Some(Opposed {
        hits: stands().map(|s| s.hits).sum(),
        ..least
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::polarity::pair::PairEvidence;

    fn verdict(first: &str, second: &str, polarity: Polarity) -> PairVerdict {
        PairVerdict {
            pair: PairEvidence {
                first: first.into(),
                second: second.into(),
                kind: PairKind::CloseOverhead,
                hits: 8,
                delay_samples: Some(100.0),
                delay_ms: None,
                distance_m: None,
                delay_confidence: 0.9,
                polarity,
                polarity_confidence: if polarity == Polarity::NotSure {
                    0.0
                } else {
                    0.8
                },
                correlation: 0.5,
                sum_gain_db: 0.0,
                together: Vec::new(),
                reason: None,
            },
            dissent: Vec::new(),
        }
    }

    #[test]
    fn one_inverted_tom_is_named_and_not_the_overheads() {
        use Polarity::{Inverted, NotSure, Same};
        let pairs = [
            verdict("snare-top", "overhead-l", Same),
            verdict("snare-top", "overhead-r", Same),
            verdict("tom-1", "overhead-l", Inverted),
            verdict("tom-1", "overhead-r", NotSure),
            verdict("tom-2", "overhead-l", Same),
        ];
        let tom = close_opposed(&pairs, "tom-1").expect("it is inverted");
        assert_eq!((tom.hits, tom.confidence), (8, 0.8));
        for other in ["snare-top", "tom-2", "tom-3"] {
            assert_eq!(close_opposed(&pairs, other), None);
        }
        assert_eq!(overheads_opposed(&pairs), None);
    }

    #[test]
    fn where_all_drums_oppose_them_it_is_the_overheads() {
        let pairs = ["snare-top", "tom-1"].map(|l| verdict(l, "overhead-l", Polarity::Inverted));
        assert_eq!(overheads_opposed(&pairs).map(|o| o.hits), Some(16));
        assert_eq!(close_opposed(&pairs, "tom-1"), None);
        assert_eq!(overheads_opposed(&pairs[..1]), None);
    }

    #[test]
    fn a_mic_whose_overheads_disagree_has_no_verdict() {
        let pairs = [
            verdict("tom-1", "overhead-l", Polarity::Inverted),
            verdict("tom-1", "overhead-r", Polarity::Same),
            verdict("snare-top", "overhead-l", Polarity::Same),
        ];
        assert_eq!(close_opposed(&pairs, "tom-1"), None);
    }
}
