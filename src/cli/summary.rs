//! What a command says on standard output when it is done: the last screen of a night.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use super::progress::duration;

use crate::demo::Summary as Planted;
use crate::error::printable;
use crate::finding::Severity;
use crate::job::space::size;
use crate::job::verify::Verified;
use crate::job::{Estimate, Outcome, Share};
use crate::session::is_no_good;
use crate::wording::counted;

/// Lines that are shown at most: the whole is to fit a screen.
const PROBLEMS: usize = 5;
const WARNINGS: usize = 4;
const FILES: usize = 5;

/// After `scan`: what a `prep` will take.
pub fn estimate(estimate: &Estimate) -> String {
    format!(
        "\nprep will take about {} on {}, {} of disk and {} of memory.\n",
        duration(estimate.elapsed_s),
        counted(estimate.threads, "thread"),
        size(estimate.output_bytes),
        size(estimate.memory_bytes),
    )
}

/// After `prep`.
pub fn prep(outcome: &Outcome, out: &Path) -> String {
    if let Some(songs) = &outcome.share {
        return share(outcome, songs, out);
    }
    let mut text = head(outcome);
    matters(&mut text, outcome);
    failed(&mut text, outcome);
    left_over(&mut text, outcome);
    let totals = &outcome.report.totals;
    let _ = writeln!(
        text,
        "{} and {} in {}\nWhat to look at and listen to: {}",
        counted(totals.stems, "stem"),
        counted(totals.mixes, "rough mix"),
        shown(out),
        shown(&out.join("session.html")),
    );
    no_good(&mut text, outcome);
    let _ = writeln!(
        text,
        "Turn the volume down first: stems and mixes can be loud."
    );
    text
}

/// After `prep --song`.
fn share(outcome: &Outcome, share: &Share, out: &Path) -> String {
    let mut text = String::new();
    failed(&mut text, outcome);
    let _ = writeln!(
        text,
        "{} of {} in {}",
        counted(outcome.report.totals.stems, "stem"),
        share.songs().join(", "),
        shown(out)
    );
    let _ = writeln!(
        text,
        "Mixes, reports and manifest follow when all songs are there: the same command without --song."
    );
    text
}

/// Takes of which somebody noted that they are not to be used: prepared like all others, and named.
fn no_good(text: &mut String, outcome: &Outcome) {
    let takes: BTreeSet<String> = (outcome.tracks.iter())
        .filter(|track| is_no_good(&track.take_notes))
        .filter_map(|track| {
            let (song, take) = (track.song.as_ref()?, track.take.as_ref()?);
            Some(format!("{song} {take} ({})", track.take_notes.join(", ")))
        })
        .collect();
    if !takes.is_empty() {
        let takes: Vec<String> = takes.into_iter().collect();
        let _ = writeln!(
            text,
            "Noted as no good, and prepared all the same: {}",
            printable(&takes.join(", "))
        );
    }
}

/// What came new, what nothing makes any more, and what was removed.
fn left_over(text: &mut String, outcome: &Outcome) {
    let report = &outcome.report;
    if !report.new_takes.is_empty() {
        let takes: Vec<String> = (report.new_takes.iter())
            .map(|(song, take)| format!("{song} {take}"))
            .collect();
        let _ = writeln!(text, "New in this delivery: {}", takes.join(", "));
    }
    let removed: Vec<&String> = (outcome.removed.iter())
        .filter(|path| path.ends_with(".wav"))
        .collect();
    for path in &removed {
        let _ = writeln!(text, "Removed: {}", printable(path));
    }
    let stays =
        || (report.past.left_over.iter()).filter(|file| !removed.contains(&&file.path.path));
    if stays().next().is_none() {
        return;
    }
    let _ = writeln!(
        text,
        "\nLeft over, since nothing makes them any more (--prune removes them):"
    );
    for file in stays() {
        let _ = writeln!(
            text,
            "  {}: {}",
            printable(&file.path.path),
            printable(&file.reason)
        );
    }
    text.push('\n');
}

/// After `check`.
pub fn check(outcome: &Outcome, out: Option<&Path>) -> String {
    let mut text = head(outcome);
    matters(&mut text, outcome);
    failed(&mut text, outcome);
    let totals = &outcome.report.totals;
    let listen = "Listen before the kit is packed up:";
    let problems = counted(totals.problems, "problem");
    let failures = counted(totals.failed, "failed file");
    let verdict = match (totals.failed, totals.problems) {
        (0, 0) => "Nothing has to be played again.".to_owned(),
        (0, _) => format!("{listen} {problems}."),
        (_, 0) => format!("{listen} {failures}."),
        _ => format!("{listen} {problems} and {failures}."),
    };
    let _ = writeln!(text, "{verdict}");
    if let Some(out) = out {
        let _ = writeln!(text, "Reports: {}", shown(&out.join("session.html")));
    }
    text
}

/// When `watch` is ended.
pub fn watch(
    takes: usize,
    problems: usize,
    warnings: usize,
    path: &Path,
    out: Option<&Path>,
) -> String {
    let mut text = format!(
        "\n{} checked: {}, {}.\n",
        counted(takes, "take"),
        counted(problems, "problem"),
        counted(warnings, "warning")
    );
    if let Some(out) = out {
        if takes > 0 {
            let _ = writeln!(text, "{}", shown(&out.join("session.html")));
        }
        let _ = writeln!(
            text,
            "Next: batterhead prep {} --out {}",
            shown(path),
            shown(out)
        );
    }
    text
}

/// After `apply`.
pub fn apply(outcome: &Outcome, out: &Path) -> String {
    let mut text = String::new();
    for track in &outcome.tracks {
        if let Some(output) = &track.output {
            let _ = writeln!(
                text,
                "{}  gain {} dB",
                printable(&output.path),
                track.decisions.gain_db
            );
        }
    }
    failed(&mut text, outcome);
    let _ = writeln!(
        text,
        "{} in {}",
        counted(
            outcome.tracks.iter().filter(|t| t.output.is_some()).count(),
            "file"
        ),
        shown(out)
    );
    text
}

/// After `shootout`.
pub fn shootout(report: &crate::shootout::Report, out: &Path) -> String {
    let mut text = String::new();
    for (candidate, letter) in report.candidates.iter().zip('a'..) {
        let _ = writeln!(
            text,
            "{letter}  {}  {:+} samples, gain {:+.2} dB, {} of {} hits matched",
            printable(&candidate.name),
            candidate.offset_samples,
            candidate.gain_db,
            candidate.matched_hits,
            candidate.hits
        );
    }
    text.push('\n');
    for answer in crate::shootout::answers(report) {
        let _ = writeln!(text, "{} {}.", printable(answer.name), answer.sentence());
        if let Some(rest) = answer.rest() {
            let _ = writeln!(text, "{rest}");
        }
        let place = answer
            .mic
            .map_or(String::new(), |mic| format!(" in {}", printable(mic)));
        let _ = writeln!(
            text,
            "({} of hits{place}, against {})\n",
            counted(answer.hits, "pair"),
            report
                .candidates
                .first()
                .map_or(String::new(), |c| printable(&c.name))
        );
    }
    let _ = writeln!(text, "Turn the volume down before you listen.");
    let _ = writeln!(text, "{}", shown(&out.join("shootout.html")));
    text
}

/// After `verify`: each file that is not as it was written, and unless `quiet`, how many are.
pub fn verify(verified: &Verified, quiet: bool) -> String {
    let mut text = String::new();
    for difference in &verified.differences {
        let detail = (difference.detail.as_deref()).map_or(String::new(), |d| format!(": {d}"));
        let _ = writeln!(
            text,
            "{}: {}{}",
            difference.what.word(),
            printable(&difference.name),
            printable(&detail)
        );
    }
    let _ = match verified.differences.len() {
        _ if quiet => Ok(()),
        0 => writeln!(text, "{} files, all as they were written", verified.whole),
        n => writeln!(
            text,
            "{} files as they were written, {n} different",
            verified.whole
        ),
    };
    text
}

/// After `prep --dry-run`: what would be written.
pub fn dry_run(outcome: &Outcome) -> String {
    let mut text = String::from("nothing was written; these stems would be:\n");
    for (path, left_out) in outcome.stems() {
        let mark = if left_out { " left out" } else { "" };
        let _ = writeln!(text, "  {path}{mark}");
    }
    text
}

/// After `demo`.
pub fn demo(planted: &Planted, takes: &Path, prepared: &Path) -> String {
    let mut text =
        String::from("\nThe demo session holds these mishaps; see what was found of them:\n");
    for mishap in &planted.planted {
        let _ = writeln!(text, "  {}", mishap.text);
    }
    let _ = writeln!(text, "Takes: {}", shown(takes));
    let _ = writeln!(text, "Prepared: {}", shown(prepared));
    text
}

/// A path on one line.
fn shown(path: &Path) -> String {
    printable(&path.to_string_lossy())
}

fn head(outcome: &Outcome) -> String {
    let t = &outcome.report.totals;
    format!(
        "{}, {}, {}, {:.1} minutes of audio\n",
        counted(t.songs, "song"),
        counted(t.takes, "take"),
        counted(t.tracks, "track"),
        t.audio_s / 60.0
    )
}

/// Problems by matter with what to do, warnings without; notes are a number.
fn matters(text: &mut String, outcome: &Outcome) {
    for (severity, what, most) in [
        (Severity::Problem, "problem", PROBLEMS),
        (Severity::Warning, "warning", WARNINGS),
    ] {
        let lines = outcome.lines(severity, &|_| true);
        if lines.is_empty() {
            continue;
        }
        let _ = writeln!(text, "\n{}:", counted(lines.len(), what));
        for line in lines.iter().take(most) {
            let who = format!("{} ({})", line.mics, line.takes);
            let todo = match (&line.said.advice, severity) {
                (Some(advice), Severity::Problem) => format!(" → {advice}"),
                _ => String::new(),
            };
            let said = format!("{who}: {}{todo}", line.said.what);
            let _ = writeln!(text, "  {}", printable(&said));
        }
        if lines.len() > most {
            let _ = writeln!(text, "  and {} more on the page", lines.len() - most);
        }
    }
    let notes = outcome.report.totals.notes;
    if notes > 0 {
        let _ = writeln!(text, "\n{}, nothing to do", counted(notes, "note"));
    }
    text.push('\n');
}

fn failed(text: &mut String, outcome: &Outcome) {
    let failed = &outcome.report.failed;
    if failed.is_empty() {
        return;
    }
    let _ = writeln!(text, "{} failed:", counted(failed.len(), "file"));
    let groups = outcome.report.failed_by_reason();
    let mut said = 0;
    for (reason, files) in groups.iter().take(FILES) {
        let more = match files.len() {
            1 => String::new(),
            n => format!(" and {} more", n - 1),
        };
        let line = format!("{}{more}: {reason}", files[0]);
        let _ = writeln!(text, "  {}", printable(&line));
        said += files.len();
    }
    if failed.len() > said {
        let _ = writeln!(text, "  and {} more in session.json", failed.len() - said);
    }
    text.push('\n');
}
