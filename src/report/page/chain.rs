//! What was done to a track, in plain words; and which of it could be wrong.

use super::Shown;
use crate::reason::Reason;
use crate::wording;

/// The whole chain in one line: `inverted, high-pass 80 Hz, +3 dB at 196 Hz`.
pub fn line(track: &Shown<'_>) -> String {
    let decisions = &track.report.decisions;
    if decisions.left_out {
        return "left out".to_owned();
    }
    let mut parts = Vec::new();
    if decisions.polarity_inverted {
        parts.push("inverted".to_owned());
    }
    if decisions.delay_samples != 0 {
        parts.push(moved(track));
    }
    parts.extend(decisions.stages.iter().map(|s| wording::stage(&s.stage)));
    let text = match parts.is_empty() {
        true => "passed through".to_owned(),
        false => parts.join(", "),
    };
    match &track.report.derived_from {
        Some(_) => format!("from another track: {text}"),
        None => text,
    }
}

/// `moved 1.2 ms forward`.
pub fn moved(track: &Shown<'_>) -> String {
    let samples = track.report.decisions.delay_samples;
    let rate_hz = track.rate_hz();
    let ms = samples.unsigned_abs() as f64 / rate_hz * 1000.0;
    let way = if samples < 0 { "forward" } else { "back" };
    format!("moved {} ms {way}", wording::numbers::plain(ms, 1))
}

/// Decisions that a person may want otherwise, each with its reason.
pub fn doubts(track: &Shown<'_>) -> Vec<String> {
    let decisions = &track.report.decisions;
    let why = |name: &str| decisions.reasons.get(name);
    let because = |words: String, reason: Option<&Reason>| match reason {
        Some(reason) => format!("{words}: {}", wording::reason(reason)),
        None => words,
    };
    let mut doubts = Vec::new();
    if decisions.delay_samples != 0 {
        doubts.push(because(moved(track), why("delay_samples")));
    }
    if decisions.left_out {
        doubts.push(because("left out".to_owned(), why("left_out")));
    } else if decisions.muted {
        doubts.push(because("muted in the rough mix".to_owned(), why("muted")));
    }
    for stage in &decisions.stages {
        if let Some(reason) = stage
            .reason
            .as_ref()
            .filter(|reason| reason.may_be_wanted_otherwise())
        {
            doubts.push(because(wording::stage(&stage.stage), Some(reason)));
        }
    }
    if let Some(reason) = why("gain_db").filter(|reason| reason.is_held() || reason.is_undecided())
    {
        let gain = wording::db(decisions.gain_db);
        doubts.push(because(format!("gain {gain}"), Some(reason)));
    }
    doubts
}
