//! What is wrong with files: sides that differ, rates, lengths.

use super::super::numbers::{counted, length, rate, size, time};
use super::Sentence;
use crate::audio::Truncation;
use crate::finding::Difference;

pub(super) fn pair(difference: &Difference) -> Sentence {
    let what = match difference {
        Difference::Channels => "channels: one of them is stereo".to_owned(),
        Difference::Rate { left_hz, right_hz } => format!(
            "sample rate ({} and {})",
            rate(f64::from(*left_hz)),
            rate(f64::from(*right_hz))
        ),
        Difference::Length {
            left_frames,
            right_frames,
            rate_hz,
        } => {
            let frames = left_frames.abs_diff(*right_frames);
            let apart = length(frames as f64 / f64::from((*rate_hz).max(1)));
            format!("length by {} ({apart})", counted(frames, "frame"))
        }
        Difference::Start {
            left_samples,
            right_samples,
            rate_hz,
        } => {
            let samples = left_samples.abs_diff(*right_samples);
            let apart = length(samples as f64 / f64::from((*rate_hz).max(1)));
            format!("start by {} ({apart})", counted(samples, "sample"))
        }
    };
    Sentence::new(
        format!("Left and right differ in {what}. Kept as two mono stems."),
        "",
    )
}

pub(super) fn padded(right_starts_later_s: f64, right_ends_later_s: f64) -> Sentence {
    let edge = |later_s: f64, does: &str| {
        let way = if later_s > 0.0 { "later" } else { "earlier" };
        (later_s != 0.0).then(|| format!("{does} {} {way}", length(later_s.abs())))
    };
    let edges = [
        edge(right_starts_later_s, "begins"),
        edge(right_ends_later_s, "ends"),
    ];
    let edges: Vec<String> = edges.into_iter().flatten().collect();
    Sentence::new(
        format!(
            "The right side {} than the left. Padded with silence: one stereo stem.",
            edges.join(" and ")
        ),
        "",
    )
}

pub(super) fn wrong_rate(
    header_hz: u32,
    true_hz: f64,
    semitones: f64,
    [drums, hums]: [usize; 2],
    sure: bool,
) -> Sentence {
    let way = if semitones > 0.0 { "flat" } else { "sharp" };
    let off = size(semitones, "semitones");
    let mut signs = Vec::new();
    match drums {
        0 => {}
        1 => signs.push(format!(
            "the one drum with a clear pitch is {off} {way} against the other takes"
        )),
        n => signs.push(format!(
            "all {n} drums with a clear pitch are {off} {way} against the other takes"
        )),
    }
    if hums > 0 {
        signs.push(format!(
            "mains hum is off by as much in {}",
            counted(hums, "track")
        ));
    }
    let doubt = if sure {
        ""
    } else {
        ", or the other take is wrong"
    };
    Sentence::new(
        format!(
            "Sample rate looks wrong: labelled {}, probably {}{doubt}; {}.",
            rate(f64::from(header_hz)),
            rate(true_hz),
            signs.join(", and ")
        ),
        "Correct the header before you use this take.",
    )
}

pub(super) fn truncated(truncation: &Truncation) -> Sentence {
    match truncation {
        Truncation::NeverFinished { held_s } => Sentence::new(
            format!(
                "Cut short: the recorder never finished this file. Read to its end at {}.",
                time(*held_s)
            ),
            "Check the end by ear, and copy it again if the recorder still has it.",
        ),
        Truncation::Short { promised_s, held_s } => Sentence::new(
            format!(
                "Cut short: the header promises {}, the file holds {}.",
                time(*promised_s),
                time(*held_s)
            ),
            "Copy it again from the recorder.",
        ),
    }
}
