//! How a take was played.

use super::numbers::plain;
use crate::reason::{Against, Undecided};

/// What timing was measured against.
pub fn against(against: Against) -> &'static str {
    match against {
        Against::Click => "click",
        Against::Own => "own grid",
    }
}

/// By how many percent a take is faster at its end: `gets faster by 0.9 %`.
pub fn drift(percent: f64) -> String {
    let way = if percent > 0.0 { "faster" } else { "slower" };
    format!("gets {way} by {} %", plain(percent.abs(), 1))
}

/// How much later a drum is than the rest of its take: `snare 6.0 ms late`.
pub fn late(drum: &str, by_ms: f64) -> String {
    let way = if by_ms > 0.0 { "late" } else { "early" };
    format!("{drum} {} ms {way}", plain(by_ms.abs(), 1))
}

/// Why the timing of a take is undecided.
pub fn undecided(why: Undecided) -> &'static str {
    match why {
        Undecided::TooFewStrokes => "too few strokes",
        Undecided::NoPulse => "no even pulse",
    }
}

/// The same as a sentence of its own.
pub fn no_timing(why: Undecided) -> String {
    match why {
        Undecided::TooFewStrokes => format!("{} for tempo and timing", undecided(why)),
        Undecided::NoPulse => format!("tempo and timing undecided: {}", undecided(why)),
    }
}

/// A pulse of which nobody knows whether it is the beat.
pub fn pulses(per_minute: f64) -> String {
    format!(
        "{} pulses a minute; which of them is the beat is undecided",
        plain(per_minute, 1)
    )
}
