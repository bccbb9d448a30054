//! What only the track sheet says.

use super::numbers::{counted, plain};
use super::text::{signed, time};

/// The day on which takes were recorded, where it is known.
pub fn recorded(days: &str) -> String {
    match days.is_empty() {
        true => "day not known".to_owned(),
        false => format!("recorded {days}"),
    }
}

/// Who wrote it.
pub fn written_by(tool: &str) -> String {
    format!("Written by {tool}.")
}

/// What the columns of the takes are.
pub fn columns() -> &'static str {
    "LUFS and dBTP are those of the rough mix as written; tempo is in beats a minute; timing is how far \
     the strokes scatter (standard deviation), against the click or the take's own grid."
}

/// No drum has a pitch.
pub fn no_pitch() -> &'static str {
    "No pitch was found in any take."
}

/// A channel (from 1) of a file.
pub fn channel_of(file: &str, channel: usize) -> String {
    format!("{file} channel {channel}")
}

/// Where a derived stem comes from.
pub fn derived() -> &'static str {
    "derived from the same files"
}

/// The preset of a track.
pub fn preset(name: &str) -> String {
    format!("preset {name}")
}

/// A gate; for toms there is a preset without.
pub fn gate(tom: bool) -> &'static str {
    match tom {
        true => "gate (preset tom-open has none)",
        false => "gate",
    }
}

/// Its polarity.
pub fn inverted() -> &'static str {
    "polarity inverted"
}

/// Findings that are not written out.
pub fn more_found(count: usize, severity: &str) -> String {
    format!("{count} more of severity {severity} in the reports.")
}

/// Nothing was found, or is left to do.
pub fn nothing() -> &'static str {
    "Nothing."
}

/// A file that failed.
pub fn failed(path: &str, reason: &str) -> String {
    format!("failed: {path}: {reason}")
}

/// A take that has no rough mix.
pub fn no_mix(take: &str) -> String {
    format!("{take}: no rough mix")
}

/// Problems and warnings that somebody has to hear.
pub fn listen(problems: usize, warnings: usize) -> String {
    format!(
        "listen to what is above: {}, {}",
        counted(problems, "problem"),
        counted(warnings, "warning")
    )
}

/// Mics that nobody named.
pub fn unknown(labels: &str) -> String {
    format!("say in session.toml what these are: {labels}")
}

/// Where a take was struck hardest and softest: from, to (seconds), level beside the take's (dB).
pub fn passages(hardest: (f64, f64, f64), softest: (f64, f64, f64)) -> String {
    let span = |(from_s, to_s, level_db): (f64, f64, f64)| {
        format!(
            "{} to {} ({} dB)",
            time(from_s, 1),
            time(to_s, 1),
            signed(level_db, 1)
        )
    };
    format!(
        "struck hardest {}, softest {}",
        span(hardest),
        span(softest)
    )
}

/// A drum's strokes, and by how much their levels spread.
pub fn strokes_of(drum: &str, hits: usize, spread_db: Option<f64>) -> String {
    match spread_db {
        Some(spread) => format!("{drum} {hits} (spread {} dB)", plain(spread, 1)),
        None => format!("{drum} {hits}"),
    }
}

/// The strokes of a take, drum by drum.
pub fn strokes(drums: &[String]) -> String {
    match drums.is_empty() {
        true => "no strokes heard".to_owned(),
        false => format!("strokes: {}", drums.join(", ")),
    }
}

/// A take and how far its strokes scatter.
pub fn scatter(take: &str, spread_ms: f64) -> String {
    format!("{take} ({} ms)", plain(spread_ms, 1))
}

/// The steadiest take, and those that are looser beyond doubt.
pub fn steadiest(take: &str, looser: &[String]) -> String {
    format!(
        "Steadiest: {take}; beyond doubt looser: {}.",
        looser.join(", ")
    )
}

/// No take stands out.
pub fn none_steadier() -> &'static str {
    "No take is steadier than another by more than is uncertain."
}

/// Drums that have no mic.
pub fn without_mic(drums: &[&str]) -> String {
    format!(
        "No mic of their own, so no strokes listed: {}.",
        drums.join(", ")
    )
}
