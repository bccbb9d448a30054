//! Findings as sentences: what it is, the number behind it, what was done; then what to do.

use std::fmt;

use super::numbers::{
    counted, db, hz, length, level, percent, plain, rate, semitones, signed, size, time,
};
use super::{UNSURE, remark, text};
use crate::finding::{Finding, FindingKind, Gap, Part, Severity};
use crate::units::round_to;
use files::{padded, pair, truncated, wrong_rate};

mod files;

/// What is so, and what a person can do about it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Sentence {
    /// What it is, the number behind it, what was done.
    pub what: String,
    /// What to do, where there is something to do.
    pub advice: Option<String>,
}

impl Sentence {
    pub(super) fn new(what: impl Into<String>, advice: &str) -> Self {
        Self {
            what: what.into(),
            advice: (!advice.is_empty()).then(|| advice.to_owned()),
        }
    }
}

impl fmt::Display for Sentence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)?;
        match &self.advice {
            Some(advice) => write!(f, " {advice}"),
            None => Ok(()),
        }
    }
}

/// A finding in words. What is not sure asks for a check by ear.
pub fn finding(finding: &Finding) -> Sentence {
    let mut said = kind(&finding.kind, finding);
    let asks = said.advice.as_ref();
    if finding.confidence < UNSURE && !asks.is_some_and(|advice| advice.contains("by ear")) {
        said.advice = Some(match asks {
            Some(advice) => format!("Check by ear. {}", advice.trim_start_matches("Listen. ")),
            None => "Check by ear.".to_owned(),
        });
    }
    said
}

/// What is said once of a session with a hum too faint to be said of each track.
pub fn faint_hum(tracks: usize, level_dbfs: f64, frequency_hz: f64) -> String {
    format!(
        "Faint mains hum in {}: {} and harmonics, at most {}.",
        counted(tracks, "track"),
        hz(frequency_hz),
        level(level_dbfs, "dBFS")
    )
}

fn kind(kind: &FindingKind, finding: &Finding) -> Sentence {
    let sure = percent(finding.confidence);
    match kind {
        FindingKind::Clipped {
            tops,
            longest_samples,
            level_dbfs,
            ..
        } => clipped(*tops, *longest_samples, *level_dbfs),
        FindingKind::Silent { part, peak_dbfs } => {
            let who = match part {
                Part::Whole => "Silent",
                Part::Left => "Left side silent",
                Part::Right => "Right side silent",
                Part::Some => "Some channels silent",
            };
            let what = match peak_dbfs {
                Some(peak) => format!("{who}: nothing above {}.", level(*peak, "dBFS")),
                None => format!("{who} from start to end."),
            };
            Sentence::new(what, "Muted, unplugged or not armed?")
        }
        FindingKind::DigitalSilence { seconds, share } => Sentence::new(
            format!(
                "Digital silence for {}, {} of the track.",
                length(*seconds),
                percent(*share)
            ),
            "Edited or muted there?",
        ),
        FindingKind::NotPlayed => Sentence::new(
            format!(
                "Not played in this take: nothing in it comes near the hits of the other takes ({sure} sure)."
            ),
            "",
        ),
        FindingKind::FewHits { hits: 0 } => Sentence::new(
            "No hits in the whole set-up: no gain can be set. Left at 0 dB.".to_owned(),
            "",
        ),
        FindingKind::FewHits { hits } => Sentence::new(
            format!(
                "Only {} in the whole set-up: too few to set a gain. Left at 0 dB.",
                counted(*hits, "hit")
            ),
            "",
        ),
        FindingKind::Dropout {
            count, content, ms, ..
        } => dropout(*count, *content, *ms),
        FindingKind::Click {
            count,
            level_dbfs,
            compared,
        } => clicks(*count, *level_dbfs, *compared),
        FindingKind::Hum {
            frequency_hz,
            harmonics,
            level_dbfs,
            exact,
        } => {
            let around = if *exact { "" } else { "about " };
            let what = format!(
                "Mains hum: {} and {}, {around}{}.",
                hz(*frequency_hz),
                counted(*harmonics, "harmonic"),
                level(*level_dbfs, "dBFS")
            );
            match finding.severity {
                Severity::Note => Sentence::new(what, ""),
                _ => Sentence::new(what, "Check ground and cables, or notch each of them."),
            }
        }
        FindingKind::HumOffMains {
            frequency_hz,
            mains_hz,
            rate_ratio,
            level_dbfs,
        } => Sentence::new(
            format!(
                "Hum of {}, {}: mains of {} under a wrong sample rate. The true rate is probably {} times the header's.",
                hz(*frequency_hz),
                level(*level_dbfs, "dBFS"),
                hz(*mains_hz),
                round_to(*rate_ratio, 4)
            ),
            "Correct the header before you use this take.",
        ),
        FindingKind::DcOffset {
            percent,
            level_dbfs,
        } => Sentence::new(
            format!(
                "DC offset of {} of full scale ({}).",
                signed(*percent, 2, "%"),
                level(*level_dbfs, "dBFS")
            ),
            "A high-pass removes it.",
        ),
        FindingKind::PolarityOpposed {
            against,
            hits,
            corrected,
            ..
        } => {
            let (done, advice) = polarity(*corrected);
            Sentence::new(
                format!(
                    "Opposite polarity to {against} ({}, {sure} sure). {done}",
                    counted(*hits, "hit")
                ),
                advice,
            )
        }
        FindingKind::PolarityChanged { against } => Sentence::new(
            format!("Polarity against {against} is not that of the other takes ({sure} sure)."),
            "Cable or switch changed? Listen to both.",
        ),
        FindingKind::Delay {
            against,
            ms,
            distance_m,
        } => Sentence::new(
            format!(
                "{} behind {against} ({}). Moved forward to line up.",
                size(*ms, "ms"),
                size(*distance_m, "m")
            ),
            "",
        ),
        FindingKind::SumMoved(sum) => {
            let done = if sum.samples == 0 {
                "Not moved."
            } else {
                "Moved there."
            };
            Sentence::new(format!("Delay: {}. {done}", super::reason::moved(sum)), "")
        }
        FindingKind::DelayUndecided => Sentence::new(
            "Delay undecided: no other mic shows it clearly. Not moved.",
            "",
        ),
        FindingKind::SameFile { of, take } => Sentence::new(
            format!("Identical to {of} of {}.", text::take(take)),
            "Misnamed, or a copy?",
        ),
        FindingKind::SameSignal {
            of,
            lag_ms,
            gain_db,
        } => {
            let later = match lag_ms {
                0 => String::new(),
                1.. => format!(", {lag_ms} ms later"),
                _ => format!(", {} ms earlier", -lag_ms),
            };
            Sentence::new(
                format!("The same signal as {of}, {}{later}.", db(*gain_db)),
                "A copy, or patched twice?",
            )
        }
        FindingKind::PairMismatch { difference } => pair(difference),
        FindingKind::SumOpposed { sum, corrected } => {
            let (done, advice) = polarity(*corrected);
            Sentence::new(
                format!("Polarity: {}. {done}", super::reason::summed(sum)),
                advice,
            )
        }
        FindingKind::SidesPadded {
            right_starts_later_s,
            right_ends_later_s,
        } => padded(*right_starts_later_s, *right_ends_later_s),
        FindingKind::SidesSwapped { than, in_a_take } => {
            let advice = match in_a_take {
                true => "Patched or named differently?",
                false => "Swap the sides of one of them if you hear it too.",
            };
            Sentence::new(
                format!(
                    "Left and right are reversed compared with {} ({sure} sure). Not changed.",
                    text::take(than)
                ),
                advice,
            )
        }
        FindingKind::WrongRate {
            header_hz,
            true_hz,
            semitones,
            drums,
            hums,
            sure,
        } => wrong_rate(*header_hz, *true_hz, *semitones, [*drums, *hums], *sure),
        FindingKind::LengthMismatch { seconds, others_s } => {
            let way = if seconds < others_s {
                "shorter"
            } else {
                "longer"
            };
            Sentence::new(
                format!(
                    "{} {way} than the other tracks of this take ({} against {}).",
                    length((seconds - others_s).abs()),
                    time(*seconds),
                    time(*others_s)
                ),
                "Right take? Copied whole?",
            )
        }
        FindingKind::LevelStep {
            step_db,
            clipped,
            trimmed,
        } => {
            let done = match trimmed {
                true => "Trimmed by as much.",
                false => "One gain kept for all.",
            };
            let least = if *clipped { "at least " } else { "" };
            let (way, advice) = match *step_db > 0.0 {
                true => ("louder", "Preamp turned up between takes?"),
                false => ("softer", "Preamp turned down between takes?"),
            };
            Sentence::new(
                format!(
                    "Hits {least}{} {way} than in the other takes. {done}",
                    size(*step_db, "dB")
                ),
                advice,
            )
        }
        FindingKind::Detuned { from_hz, to_hz } => {
            let way = if to_hz < from_hz { "lower" } else { "higher" };
            Sentence::new(
                format!(
                    "Tuned {way} from this take on: {} before, {} now ({}).",
                    hz(*from_hz),
                    hz(*to_hz),
                    semitones(*from_hz, *to_hz)
                ),
                "Tune it and play it again, or don't comp earlier takes with later ones.",
            )
        }
        FindingKind::LikeCymbal { mic, weaker_db } => Sentence::new(
            format!(
                "Sounds like a cymbal, not like {mic}: {} weaker below 600 Hz than above 1.8 kHz.",
                size(*weaker_db, "dB")
            ),
            "Wrong name? Listen.",
        ),
        FindingKind::LedBy { by, lead_ms } => Sentence::new(
            format!(
                "Its loudest hits arrive {} earlier in {by}.",
                size(*lead_ms, "ms")
            ),
            &format!("Names of this mic and {by} swapped? Listen to both."),
        ),
        FindingKind::UnknownMic {
            candidates,
            because,
        } => match (&candidates[..], because) {
            ([], Some(because)) => Sentence::new(
                format!("Unknown mic: {}.", remark(because)),
                "Name it in session.toml.",
            ),
            (candidates, Some(because)) => Sentence::new(
                format!(
                    "Unknown mic, perhaps {}: {}.",
                    candidates.join(" or "),
                    remark(because)
                ),
                "Name it in session.toml.",
            ),
            _ => Sentence::new(
                "Unknown mic: no word of its name is a mic's. Not in the rough mix.",
                "Name it in session.toml.",
            ),
        },
        FindingKind::Truncated(truncation) => truncated(truncation),
        FindingKind::OtherRate { rate_hz, take_hz } => Sentence::new(
            format!(
                "Sample rate {}, the take has {}: its stem is made, but it is not in the rough mix.",
                rate(f64::from(*rate_hz)),
                rate(f64::from(*take_hz))
            ),
            "Convert the file, or correct its header.",
        ),
        FindingKind::OddHeader { what } => Sentence::new(
            format!("Odd header: {what}."),
            "Listen to it, or export the file again.",
        ),
        FindingKind::NonFinite { samples } => Sentence::new(
            format!(
                "{} (not a number, or beyond any level), taken as silence.",
                counted(*samples, "broken sample")
            ),
            "Export the file again.",
        ),
        FindingKind::Metronome {
            beats_per_minute,
            beats,
            level_dbfs,
        } => Sentence::new(
            format!(
                "Metronome audible between the strokes: {} a minute, {} at about {}. It bleeds from a headphone.",
                plain(*beats_per_minute, 1),
                counted(*beats, "beat"),
                level(*level_dbfs, "dBFS")
            ),
            "Turn the headphone down or close it; fade the beats out where the kit is silent.",
        ),
    }
}

fn clipped(tops: u64, longest_samples: u64, level_dbfs: f64) -> Sentence {
    /// Within this of full scale it is full scale.
    const FULL_SCALE_DB: f64 = 0.02;
    let place = match level_dbfs {
        at if at.abs() <= FULL_SCALE_DB => "full scale".to_owned(),
        at => level(at, "dBFS"),
    };
    let trimmed = match level_dbfs < -FULL_SCALE_DB {
        true => format!(
            " Clipped first, turned down by {} later.",
            size(level_dbfs, "dB")
        ),
        false => String::new(),
    };
    Sentence::new(
        format!(
            "Clipped: {} at {place}, up to {} long.{trimmed}",
            counted(tops, "flat top"),
            counted(longest_samples, "sample")
        ),
        "Listen. If you hear it, play it again with less preamp gain.",
    )
}

/// What was done about a polarity, and what is left to do.
fn polarity(corrected: bool) -> (&'static str, &'static str) {
    match corrected {
        true => ("Inverted.", "Listen to both together."),
        false => (
            "Not changed.",
            "Listen to both together. `polarity` in session.toml inverts the mics that it lists.",
        ),
    }
}

fn dropout(count: u64, content: Gap, ms: f64) -> Sentence {
    let what = match content {
        Gap::Zeros => "of zeros",
        Gap::Stuck => "of one held value",
        Gap::Repeat => "played twice",
    };
    let ms = size(ms, "ms");
    let what = match count {
        1 => format!("Dropout: {ms} {what} in the middle of the sound."),
        _ => format!("{count} dropouts in the middle of the sound, the first {ms} {what}."),
    };
    Sentence::new(what, "Look for another copy of the file.")
}

fn clicks(count: usize, level_dbfs: f64, compared: bool) -> Sentence {
    let at = level(level_dbfs, "dBFS");
    let mut what = match count {
        1 => format!("One digital click, {at}."),
        _ => format!("{}, the loudest {at}.", counted(count, "digital click")),
    };
    let advice = match compared {
        true => {
            what += match count {
                1 => " No other mic has a stroke there.",
                _ => " No other mic has a stroke at any of them.",
            };
            "Listen, then check clock and edits."
        }
        false => "Check by ear: without another mic to compare, it may be a dry stroke.",
    };
    Sentence::new(what, advice)
}
