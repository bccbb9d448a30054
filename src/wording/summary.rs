//! What a command says when it is done: the last lines of a night. Names and paths come as they are
//! shown.

use super::numbers::{counted, plain};
use super::text;

/// Shown before anything that plays.
pub const LOUD: &str = "Turn the volume down first: stems and mixes can be loud.";

/// How long a run takes on so many threads, and what it needs of disk and memory, both as shown.
pub fn estimate(seconds: f64, threads: usize, disk: &str, memory: &str) -> String {
    format!(
        "prep will take about {} on {}, {disk} of disk and {memory} of memory.",
        text::about(seconds),
        counted(threads, "thread")
    )
}

/// What a session holds.
pub fn held(songs: usize, takes: usize, tracks: usize, audio_s: f64) -> String {
    format!(
        "{}, {}, {}, {} minutes of audio",
        counted(songs, "song"),
        counted(takes, "take"),
        counted(tracks, "track"),
        plain(audio_s / 60.0, 1)
    )
}

/// What was written.
pub fn written(stems: usize, mixes: usize, folder: &str) -> String {
    format!(
        "{} and {} in {folder}",
        counted(stems, "stem"),
        counted(mixes, "rough mix")
    )
}

/// What was written of some songs alone.
pub fn written_of(stems: usize, songs: &[String], folder: &str) -> String {
    format!(
        "{} of {} in {folder}",
        counted(stems, "stem"),
        songs.join(", ")
    )
}

/// What was written of files that were given by name.
pub fn files_written(files: usize, folder: &str) -> String {
    format!("{} in {folder}", counted(files, "file"))
}

/// A file that was given by name, and its gain.
pub fn with_gain(path: &str, gain_db: f64) -> String {
    format!("{path}  gain {gain_db} dB")
}

/// Where to go on.
pub fn page(path: &str) -> String {
    format!("What to look at and listen to: {path}")
}

/// Where the reports of a check are.
pub fn reports(path: &str) -> String {
    format!("Reports: {path}")
}

/// After some songs alone.
pub fn rest_follows() -> &'static str {
    "Mixes, reports and manifest follow when all songs are there: the same command without --song."
}

/// Takes that somebody noted as not to be used.
pub fn no_good(takes: &[String]) -> String {
    format!(
        "Noted as no good, and prepared all the same: {}",
        takes.join(", ")
    )
}

/// Takes that no earlier delivery had.
pub fn new_takes(takes: &[String]) -> String {
    format!("New in this delivery: {}", takes.join(", "))
}

/// A file that was removed.
pub fn removed(path: &str) -> String {
    format!("Removed: {path}")
}

/// Ahead of files that nothing makes any more.
pub fn left_over() -> &'static str {
    "Left over, since nothing makes them any more (--prune removes them):"
}

/// Whether a check asks for something: how many files failed, how many problems were found.
pub fn verdict(failed: usize, problems: usize) -> String {
    let (failures, problems) = match (failed, problems) {
        (0, 0) => return "Nothing has to be played again.".to_owned(),
        (0, n) => (None, Some(counted(n, "problem"))),
        (n, 0) => (Some(counted(n, "failed file")), None),
        (n, m) => (Some(counted(n, "failed file")), Some(counted(m, "problem"))),
    };
    let both: Vec<String> = problems.into_iter().chain(failures).collect();
    format!("Listen before the kit is packed up: {}.", text::list(&both))
}

/// When a watch is ended.
pub fn watched(takes: usize, problems: usize, warnings: usize) -> String {
    format!(
        "{} checked: {}, {}.",
        counted(takes, "take"),
        counted(problems, "problem"),
        counted(warnings, "warning")
    )
}

/// When a watch begins.
pub fn watching(folder: &str) -> String {
    format!("watching {folder}; Ctrl-C ends it")
}

/// When the folder is there again.
pub fn watching_again() -> &'static str {
    "watching goes on"
}

/// A take that was checked just now: its tracks and length, how many problems and warnings.
pub fn take(
    (song, slug): (&str, &str),
    (tracks, length_s): (usize, f64),
    (problems, warnings): (usize, usize),
) -> String {
    let found = match (problems, warnings) {
        (0, 0) => "nothing wrong".to_owned(),
        (0, n) => counted(n, "warning"),
        (n, 0) => counted(n, "problem"),
        (n, m) => format!("{}, {}", counted(n, "problem"), counted(m, "warning")),
    };
    format!(
        "{song}, {} ({}, {}): {found}",
        text::take(slug),
        counted(tracks, "track"),
        text::time(length_s, 0),
    )
}

/// Something that was found: who shows it, what it is, what to do.
pub fn matter(who: &str, what: &str, advice: Option<&str>) -> String {
    let advice = advice.map_or(String::new(), |advice| format!(" → {advice}"));
    format!("{who}: {what}{advice}")
}

/// The command that follows on a watch.
pub fn next(path: &str, out: &str) -> String {
    format!("Next: batterhead prep {path} --out {out}")
}

/// Ahead of lines of one severity: "2 problems:".
pub fn severity(lines: usize, what: &str) -> String {
    format!("{}:", counted(lines, what))
}

/// Notes are a number.
pub fn notes(notes: usize) -> String {
    format!("{}, nothing to do", counted(notes, "note"))
}

/// What is not shown, and where it is.
pub fn more(lines: usize, place: &str) -> String {
    format!("and {lines} more {place}")
}

/// Ahead of files that failed.
pub fn failed(files: usize) -> String {
    format!("{} failed:", counted(files, "file"))
}

/// The first of `files` that failed for one reason.
pub fn failure(first: &str, files: usize, reason: &str) -> String {
    match files {
        1 => format!("{first}: {reason}"),
        n => format!("{first} and {} more: {reason}", n - 1),
    }
}

/// One candidate of a shootout, as it was placed.
pub fn candidate(
    (letter, name): (char, &str),
    offset_samples: i64,
    gain_db: f64,
    (matched, hits): (usize, usize),
) -> String {
    format!(
        "{letter}  {name}  {offset_samples:+} samples, gain {gain_db:+.2} dB, {matched} of {hits} \
         hits matched"
    )
}

/// What an answer rests on: pairs of hits, in one mic or all, against the first candidate.
pub fn pairs(pairs: usize, mic: Option<&str>, first: &str) -> String {
    let place = mic.map_or(String::new(), |mic| format!(" in {mic}"));
    format!(
        "({} of hits{place}, against {first})",
        counted(pairs, "pair")
    )
}

/// Ahead of the page of a shootout.
pub fn loud_shootout() -> &'static str {
    "Turn the volume down before you listen."
}

/// How many files are as they were written, and how many are not.
pub fn verified(whole: usize, different: usize) -> String {
    match different {
        0 => format!("{whole} files, all as they were written"),
        n => format!("{whole} files as they were written, {n} different"),
    }
}

/// Ahead of what a dry run would write.
pub fn nothing_written() -> &'static str {
    "nothing was written; these stems would be:"
}

/// A stem of a dry run.
pub fn would_be(path: &str, left_out: bool) -> String {
    match left_out {
        true => format!("{path} left out"),
        false => path.to_owned(),
    }
}

/// Ahead of what was spoilt in the demo session.
pub fn mishaps() -> &'static str {
    "The demo session holds these mishaps; see what was found of them:"
}

/// Where the demo's takes lie, and what was made of them.
pub fn demo(takes: &str, prepared: &str) -> String {
    format!("Takes: {takes}\nPrepared: {prepared}")
}
