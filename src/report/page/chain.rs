//! What was done to a track, in plain words; and which of it could be wrong.

use super::Shown;
use crate::reason::Reason;
use crate::wording::{self, done};

/// The whole chain in one line: `inverted, high-pass 80 Hz, +3 dB at 196 Hz`.
pub fn line(track: &Shown<'_>) -> String {
    let decisions = &track.report.decisions;
    if decisions.left_out {
        return done::left_out().to_owned();
    }
    let mut parts = Vec::new();
    if decisions.polarity_inverted {
        parts.push(done::inverted().to_owned());
    }
    if decisions.delay_samples != 0 {
        parts.push(moved(track));
    }
    parts.extend(decisions.stages.iter().map(|s| wording::stage(&s.stage)));
    let text = match parts.is_empty() {
        true => done::passed_through().to_owned(),
        false => parts.join(", "),
    };
    match &track.report.derived_from {
        Some(_) => done::from_another(&text),
        None => text,
    }
}

/// `moved 1.2 ms forward`.
pub fn moved(track: &Shown<'_>) -> String {
    done::moved(track.report.decisions.delay_samples, track.report.rate_hz())
}

/// Decisions that a person may want otherwise, each with its reason.
pub fn doubts(track: &Shown<'_>) -> Vec<String> {
    let decisions = &track.report.decisions;
    let why = |name: &str| decisions.reasons.get(name);
    let because = |words: &str, reason: Option<&Reason>| {
        done::because(words, reason.map(wording::reason).as_deref())
    };
    let mut doubts = Vec::new();
    if decisions.delay_samples != 0 {
        doubts.push(because(&moved(track), why("delay_samples")));
    }
    if decisions.left_out {
        doubts.push(because(done::left_out(), why("left_out")));
    } else if decisions.muted {
        doubts.push(because(done::muted(), why("muted")));
    }
    for stage in &decisions.stages {
        if let Some(reason) = stage
            .reason
            .as_ref()
            .filter(|reason| reason.may_be_wanted_otherwise())
        {
            doubts.push(because(&wording::stage(&stage.stage), Some(reason)));
        }
    }
    if let Some(reason) = why("gain_db").filter(|reason| reason.is_held() || reason.is_undecided())
    {
        doubts.push(because(&done::gain(decisions.gain_db), Some(reason)));
    }
    doubts
}
