//! What a shootout says: its notes, its answer, and each measure as people read it.

use super::numbers::{plain, semitones};
use super::text::{list, note as pitch, signed};
use crate::compared::{Measure, Note};

/// The sentence of a note, without a period.
pub fn note(note: &Note) -> String {
    let names = |pair: &(char, char)| format!("{} and {}", pair.0, pair.1);
    match note {
        Note::Unread {
            candidate,
            path,
            reason,
        } => format!("{candidate}: {path} is left out: {reason}"),
        Note::OtherRate {
            candidate,
            label,
            rate_hz,
            others_hz,
        } => format!(
            "{candidate}: {label} is left out: {rate_hz} Hz, the others have {others_hz} Hz"
        ),
        Note::TimesTooFarApart { candidate } => format!(
            "{candidate}: the time references of its tracks lie too far apart; they are taken to \
             start together"
        ),
        Note::NotInEveryTake { candidate, labels } => format!(
            "{candidate}: {} not in every take: written, but neither mixed nor compared",
            labels.join(", ")
        ),
        Note::SamePlace { pair, folder: true } => format!("{} are the same folder", names(pair)),
        Note::SamePlace { pair, .. } => format!("{} are the same file", names(pair)),
        Note::SameRecording { pair } => format!("{} are the same recording", names(pair)),
        Note::OnePerformance { pair } => format!(
            "{} are one performance: they were aligned by their sound",
            names(pair)
        ),
        Note::PatternRepeats { pair } => format!(
            "the pattern repeats: {} would fit just as well at another repeat; use takes that start \
             at the same point",
            names(pair)
        ),
        Note::PartsDiffer { pair, percent } => format!(
            "{} share {percent:.0} % of their hits: parts of the pattern differ, or were not heard",
            names(pair)
        ),
        Note::FewHits { pair, hits } => format!(
            "{}: only {hits} matched hits, too few for reliable figures",
            names(pair)
        ),
        Note::Drift { pair, apart_ms } => format!(
            "{} drift apart: aligned in the middle, {apart_ms:.0} ms apart at the ends; hits are \
             compared one by one",
            names(pair)
        ),
        Note::LengthsDiffer {
            pair,
            first_s,
            other_s,
        } => format!(
            "{} differ in length: {first_s:.1} s and {other_s:.1} s; only what both cover is written",
            names(pair)
        ),
        Note::HitsAlone { pair, hits } => {
            format!(
                "{}: {hits} hits have no counterpart in the other",
                names(pair)
            )
        }
        Note::AllQuieter { by_db } => {
            format!("all are {by_db:.2} dB quieter than the match needs, so that none clips")
        }
        Note::MixesQuieter { by_db } => format!(
            "the rough mixes are {by_db:.2} dB quieter than their tracks, so that none clips"
        ),
    }
}

/// What is proven of a candidate, without its name. `claims`: each with its evidence.
pub fn answer(claims: &[(String, String)]) -> String {
    let claims: Vec<String> = (claims.iter())
        .map(|(claim, evidence)| format!("{claim} ({evidence})"))
        .collect();
    match claims.is_empty() {
        true => "differs in nothing that could be proven".to_owned(),
        false => list(&claims),
    }
}

/// "No provable difference in attack or rattle." `None` where nothing is left to say.
pub fn unproven(topics: &[&str]) -> Option<String> {
    let ends = match topics {
        [] => return None,
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    };
    Some(format!("No provable difference in {ends}."))
}

/// What a measure is about, as it stands in a sentence.
pub fn topic(name: &str) -> &'static str {
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
pub fn claim(measure: &Measure) -> String {
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
pub fn evidence(measure: &Measure) -> String {
    let (difference, _) = shown(measure);
    match (measure.name, measure.first, measure.later) {
        ("fundamental", Some(a), Some(b)) => format!(
            "{difference}, {} → {} Hz, {} → {}",
            plain(a, 0),
            plain(b, 0),
            pitch(a),
            pitch(b)
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
        "fundamental" => format!("{number} Hz, {}", pitch(value)),
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
