//! What a comparison comes to, in one sentence, and each measure as people read it.

use super::compare::Measure;
use super::report::Report;
use crate::wording::numbers::{plain, semitones};
use crate::wording::text::{list, note, signed};

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
        let topic = topic(measure.name);
        if !unproven.contains(&topic) && !said.iter().any(|m| self::topic(m.name) == topic) {
            unproven.push(topic);
        }
    }
    Answer {
        name,
        mic,
        measures,
        claims: said.iter().map(|m| (claim(m), evidence(m))).collect(),
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
        let claims: Vec<String> = (self.claims.iter())
            .map(|(claim, evidence)| format!("{claim} ({evidence})"))
            .collect();
        match claims.is_empty() {
            true => "differs in nothing that could be proven".to_owned(),
            false => list(&claims),
        }
    }

    /// "No provable difference in attack and rattle."
    pub fn rest(&self) -> Option<String> {
        let topics: Vec<String> = self.unproven.iter().map(|t| (*t).to_owned()).collect();
        let ends = match topics.as_slice() {
            [] => return None,
            [one] => one.clone(),
            [first @ .., last] => format!("{} or {last}", first.join(", ")),
        };
        (!self.claims.is_empty()).then(|| format!("No provable difference in {ends}."))
    }
}

/// What a measure is about, as it stands in a sentence.
fn topic(name: &str) -> &'static str {
    match name {
        "tilt" => "brightness",
        "body" => "body",
        "low-mid" => "boxiness",
        "presence" => "presence",
        "harshness" => "harshness",
        "air" => "air",
        "snap" => "snap",
        "attack" => "attack",
        "wires" => "rattle",
        "fundamental" => "pitch",
        _ => "ring",
    }
}

/// Its name, and what it is.
pub fn described(measure: &Measure) -> (&'static str, String) {
    let range = measure.range_hz.map(range).unwrap_or_default();
    match measure.name {
        "level" => (
            "Level",
            "as recorded; made equal before all else".to_owned(),
        ),
        "tilt" => ("Brightness", format!("slope, {range}")),
        "centroid" => ("Centre of the spectrum", String::new()),
        "body" => ("Body", format!("{range}, of the whole hit")),
        "low-mid" => ("Boxiness", format!("{range}, of the whole hit")),
        "presence" => ("Presence", format!("{range}, of the whole hit")),
        "harshness" => ("Harshness", format!("{range}, of the whole hit")),
        "air" => ("Air", format!("{range}, of the whole hit")),
        "snap" => ("Snap", "first 12 ms over 30 to 250 ms".to_owned()),
        "crest-factor" => ("Crest factor", "peak over RMS".to_owned()),
        "attack" => ("Attack", "rise from 10 to 90 %".to_owned()),
        "wires" => ("Rattle", format!("wires, {range}, under the ring")),
        "fundamental" => (
            "Pitch",
            "fundamental, 20 to 150 ms after the stroke".to_owned(),
        ),
        "fundamental-ring" => (
            "Ring of the fundamental",
            "until it is 60 dB down".to_owned(),
        ),
        "next-partial-ring" => (
            "Ring of the next partial",
            "until it is 60 dB down".to_owned(),
        ),
        _ => ("Ring", format!("{range}, until it is 60 dB down")),
    }
}

/// "80–315 Hz", "8–16 kHz".
pub fn range((low_hz, high_hz): (f64, f64)) -> String {
    let number = |hz: f64, per: f64| {
        let text = format!("{:.2}", hz / per);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    match low_hz >= 1000.0 {
        true => format!("{}–{} kHz", number(low_hz, 1000.0), number(high_hz, 1000.0)),
        false if high_hz >= 10_000.0 => {
            format!("{} Hz–{} kHz", number(low_hz, 1.0), number(high_hz, 1000.0))
        }
        false => format!("{}–{} Hz", number(low_hz, 1.0), number(high_hz, 1.0)),
    }
}

/// "is tuned lower", "has more air".
fn claim(measure: &Measure) -> String {
    let word = measure.word.unwrap_or_default();
    let verb = match word {
        "rings longer" | "rings shorter" => return word.to_owned(),
        "slower attack" | "faster attack" => return format!("has a {word}"),
        word if word.starts_with("tuned ") => "is",
        "brighter" | "darker" | "boxier" | "less boxy" | "harsher" | "less harsh" => "is",
        _ => "has",
    };
    format!("{verb} {word}")
}

/// "−4.0 semitones, 196 → 156 Hz, G3 → D♯3"; "8–16 kHz: −1.5 dB".
fn evidence(measure: &Measure) -> String {
    let (difference, _) = shown(measure);
    match (measure.name, measure.first, measure.later) {
        ("fundamental", Some(a), Some(b)) => format!(
            "{difference}, {} → {} Hz, {} → {}",
            plain(a, 0),
            plain(b, 0),
            note(a),
            note(b)
        ),
        _ => match measure.range_hz {
            Some(hz) => format!("{}: {difference}", range(hz)),
            None => difference,
        },
    }
}

/// A difference with its unit, and half its 95 % interval in the same unit.
pub fn shown(measure: &Measure) -> (String, Option<String>) {
    let part = measure.difference / 100.0;
    let plus_minus = measure.plus_minus;
    match (measure.name, measure.first, measure.later) {
        ("fundamental", Some(a), Some(_)) => (
            semitones(a, a * (1.0 + part)),
            plus_minus.map(|pm| plain(12.0 * (1.0 + pm / 100.0).log2(), 1)),
        ),
        (_, Some(a), Some(_)) if measure.unit == "%" => {
            let digits = digits(measure.value_unit);
            (
                format!("{} {}", signed(a * part, digits), measure.value_unit),
                plus_minus.map(|pm| plain(a * pm / 100.0, digits)),
            )
        }
        _ => {
            let unit = match measure.unit {
                "dB/octave" => "dB an octave",
                unit => unit,
            };
            (
                format!("{} {unit}", signed(measure.difference, 1)),
                plus_minus.map(|pm| plain(pm, 1)),
            )
        }
    }
}

/// A value of one candidate.
pub fn value(measure: &Measure, value: Option<f64>) -> Option<String> {
    let value = value?;
    let number = plain(value, digits(measure.value_unit));
    Some(match measure.name {
        "fundamental" => format!("{number} Hz, {}", note(value)),
        _ => format!("{number} {}", measure.value_unit),
    })
}

fn digits(unit: &str) -> u32 {
    match unit {
        "s" => 2,
        _ => 1,
    }
}

/// Whether a word is said of it, and if not, why.
pub fn verdict(measure: &Measure) -> String {
    let beyond = (measure.plus_minus).is_some_and(|pm| measure.difference.abs() > pm);
    match (measure.word, measure.step) {
        (Some(word), _) => word.to_owned(),
        (None, None) => "for information".to_owned(),
        _ if !beyond => "no: ± is larger".to_owned(),
        (None, Some(step)) if measure.difference.abs() < step => "too small to matter".to_owned(),
        _ => "no: too few hits, or not borne out by the rest".to_owned(),
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
            shown(&list[0]),
            ("−1.5 dB".to_owned(), Some("0.4".to_owned()))
        );
        assert_eq!(verdict(&list[1]), "no: ± is larger");
        assert_eq!(
            [range((1250.0, 2000.0)), range((90.0, 11_000.0))],
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
