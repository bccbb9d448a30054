//! One verdict a pair of mics, over all takes of a set-up.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::take::TakeEvidence;
use crate::analysis::polarity::pair::{LEAST_STROKES, PairEvidence, Polarity};
use crate::analysis::polarity::together;
use crate::dsp::median;
use crate::units::round_to;

/// One verdict a pair of mics.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairVerdict {
    /// As in [`PairEvidence`], pooled: hits are summed, figures are medians over takes.
    pub pair: PairEvidence,
    /// Takes that say otherwise, by their place.
    pub dissent: Vec<usize>,
}

/// One verdict a pair: takes vote with their hits; a split vote is no verdict.
pub(crate) fn pairs(takes: &[&TakeEvidence]) -> Vec<PairVerdict> {
    let mut keys: Vec<(&str, &str)> = Vec::new();
    for pair in takes.iter().flat_map(|t| &t.pairs) {
        if !keys.contains(&(&pair.first, &pair.second)) {
            keys.push((&pair.first, &pair.second));
        }
    }
    keys.iter()
        .filter_map(|&(first, second)| {
            let found: Vec<(usize, &PairEvidence)> = takes
                .iter()
                .enumerate()
                .flat_map(|(i, t)| t.pairs.iter().map(move |p| (i, p)))
                .filter(|(_, p)| p.first == first && p.second == second)
                .collect();
            verdict(&found)
        })
        .collect()
}

fn verdict(found: &[(usize, &PairEvidence)]) -> Option<PairVerdict> {
    let vote = |polarity: Polarity| -> f64 {
        found
            .iter()
            .filter(|(_, p)| p.polarity == polarity)
            .map(|(_, p)| p.polarity_confidence * p.hits as f64)
            .sum()
    };
    let (same, inverted) = (vote(Polarity::Same), vote(Polarity::Inverted));
    let (winner, share) = if same >= inverted {
        (Polarity::Same, same / (same + inverted).max(1e-9))
    } else {
        (Polarity::Inverted, inverted / (same + inverted).max(1e-9))
    };
    let mut pair = found.iter().max_by_key(|(_, p)| p.hits)?.1.clone();
    pair.hits = found.iter().map(|(_, p)| p.hits).sum();
    pair.together = Vec::new();
    for (_, p) in found {
        together::pool(&mut pair.together, &p.together);
    }
    let middle = |f: &dyn Fn(&PairEvidence) -> Option<f64>, digits: u32| {
        median(found.iter().filter_map(|(_, p)| f(p))).map(|v| round_to(v, digits))
    };
    pair.delay_samples = middle(&|p| p.delay_samples, 1);
    pair.delay_ms = middle(&|p| p.delay_ms, 3);
    pair.distance_m = middle(&|p| p.distance_m, 2);
    let with_delay = found.iter().filter(|(_, p)| p.delay_samples.is_some());
    pair.delay_confidence =
        median(with_delay.map(|(_, p)| p.delay_confidence)).unwrap_or(pair.delay_confidence);
    pair.correlation = middle(&|p| Some(p.correlation), 2).unwrap_or(0.0);
    pair.sum_gain_db = middle(&|p| Some(p.sum_gain_db), 1).unwrap_or(0.0);
    let mut dissent = Vec::new();
    let heard = found.iter().filter(|(_, p)| p.polarity == winner);
    let strokes: usize = heard.map(|(_, p)| p.hits).sum();
    if strokes < LEAST_STROKES {
        pair.polarity = Polarity::NotSure;
        pair.polarity_confidence = 0.0;
        let all = pair.hits;
        pair.reason = pair.reason.or(Some(format!("only {all} hits stand alone")));
    } else if same + inverted == 0.0 {
        pair.polarity = Polarity::NotSure;
        pair.polarity_confidence = 0.0;
    } else if share < 0.8 {
        pair.polarity = Polarity::NotSure;
        pair.polarity_confidence = 0.0;
        pair.reason = Some("takes disagree about the polarity".into());
    } else {
        pair.polarity = winner;
        let best = found
            .iter()
            .filter(|(_, p)| p.polarity == winner)
            .map(|(_, p)| p.polarity_confidence)
            .fold(0.0, f64::max);
        pair.polarity_confidence = round_to(best * share, 2);
        pair.reason = None;
        dissent = found
            .iter()
            .filter(|(_, p)| p.polarity != winner && p.polarity != Polarity::NotSure)
            .filter(|(_, p)| p.hits >= LEAST_STROKES)
            .map(|(i, _)| *i)
            .collect();
    }
    Some(PairVerdict { pair, dissent })
}
