//! What a comparison comes to: which measures are claimed, and which are not proven.

use super::report::Report;
use crate::compared::Measure;
use crate::wording::compared as wording;

/// One candidate against the first, by what tells most: all that was heard together, or one mic over
/// the strokes of its own drum.
pub struct Answer<'a> {
    /// Name of the candidate.
    pub name: &'a str,
    /// The mic, where it is one of several.
    pub mic: Option<&'a str>,
    /// What it rests on.
    pub measures: &'a [Measure],
    /// What is proven: the claim and its evidence.
    pub claims: Vec<(String, String)>,
    /// What is not: too small to be heard, or within its interval.
    pub unproven: Vec<&'static str>,
    /// Matched hits at most.
    pub hits: usize,
}

/// One answer for each candidate but the first.
pub fn answers(report: &Report) -> Vec<Answer<'_>> {
    let mut answers = Vec::new();
    for (i, candidate) in report.candidates.iter().enumerate().skip(1) {
        let (_, all, _) = report.against_first(i);
        let mics = (report.mics.iter())
            .filter(|mic| mic.name == candidate.name && mic.own_hits && leads(&mic.mic));
        let mics = mics.map(|mic| (Some(mic.mic.as_str()), mic.comparison.measures.as_slice()));
        // Of equals the first: the whole.
        let best = std::iter::once((None, all))
            .chain(mics)
            .fold((None, all), |best, next| {
                match weight(next.1) > weight(best.1) {
                    true => next,
                    false => best,
                }
            });
        answers.push(answer(&candidate.name, best.0, best.1));
    }
    answers
}

/// Whether a mic is the first of its drum: what another one of it hears is told mic by mic.
fn leads(mic: &str) -> bool {
    let others = ["-bottom", "-side", "-out", "-sub"];
    !others.iter().any(|other| mic.ends_with(other))
}

fn answer<'a>(name: &'a str, mic: Option<&'a str>, measures: &'a [Measure]) -> Answer<'a> {
    let mut said: Vec<&Measure> = measures.iter().filter(|m| m.said).collect();
    said.sort_by(|x, y| times(y).total_cmp(&times(x)));
    let mut unproven: Vec<&'static str> = Vec::new();
    for measure in measures.iter().filter(|m| m.step.is_some() && !m.said) {
        let topic = wording::topic(measure.name);
        if !unproven.contains(&topic) && !said.iter().any(|m| wording::topic(m.name) == topic) {
            unproven.push(topic);
        }
    }
    Answer {
        name,
        mic,
        measures,
        claims: said
            .iter()
            .map(|m| (wording::claim(m), wording::evidence(m)))
            .collect(),
        unproven,
        hits: measures.iter().map(|m| m.hits).max().unwrap_or(0),
    }
}

/// How many steps a difference is.
fn times(measure: &Measure) -> f64 {
    measure
        .step
        .map_or(0.0, |step| measure.difference.abs() / step)
}

fn weight(measures: &[Measure]) -> f64 {
    measures.iter().filter(|m| m.said).map(times).sum()
}

impl Answer<'_> {
    /// The whole of it as plain text, without the name.
    pub fn sentence(&self) -> String {
        wording::answer(&self.claims)
    }

    /// What is not proven, where something is.
    pub fn rest(&self) -> Option<String> {
        (!self.claims.is_empty()).then(|| wording::unproven(&self.unproven))?
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(name: &'static str, unit: &'static str, difference: f64, said: bool) -> Measure {
        Measure {
            name,
            unit,
            difference,
            plus_minus: Some(0.4),
            spread: 0.5,
            step: Some(1.5),
            range_hz: None,
            first: None,
            later: None,
            value_unit: unit,
            said,
            word: None,
            hits: 14,
        }
    }

    #[test]
    fn an_answer_is_a_sentence_with_its_figures() {
        let pitch = Measure {
            first: Some(196.0),
            later: Some(155.6),
            value_unit: "Hz",
            step: Some(2.0),
            word: Some("tuned lower"),
            ..measure("fundamental", "%", -20.6, true)
        };
        let air = Measure {
            range_hz: Some((8000.0, 16_000.0)),
            word: Some("less air"),
            ..measure("air", "dB", -1.54, true)
        };
        let ring = Measure {
            range_hz: Some((100.0, 500.0)),
            word: Some("rings longer"),
            first: Some(0.31),
            later: Some(0.43),
            value_unit: "s",
            step: Some(20.0),
            ..measure("ring-low", "%", 38.7, true)
        };
        let list = [air, measure("snap", "dB", 0.1, false), ring, pitch];
        let answer = answer("deep", None, &list);
        assert_eq!(
            answer.sentence(),
            "is tuned lower (−4.0 semitones, 196 → 156 Hz, G3 → D♯3), \
             rings longer (100–500 Hz: +0.12 s) and has less air (8–16 kHz: −1.5 dB)"
        );
        assert_eq!(
            answer.rest().as_deref(),
            Some("No provable difference in snap.")
        );
        assert_eq!(
            wording::shown(&list[0]),
            ("−1.5 dB".to_owned(), Some("0.4".to_owned()))
        );
        assert_eq!(wording::verdict(&list[1]), "no: ± is larger");
        assert_eq!(
            [(1250.0, 2000.0), (90.0, 11_000.0)].map(wording::range),
            ["1.25–2 kHz", "90 Hz–11 kHz"]
        );
    }

    #[test]
    fn nothing_proven_is_said_so() {
        let list = [measure("snap", "dB", 0.1, false)];
        let answer = answer("deep", None, &list);
        assert_eq!(answer.sentence(), "differs in nothing that could be proven");
        assert_eq!(answer.rest(), None);
    }
}
