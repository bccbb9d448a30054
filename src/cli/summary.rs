//! What a command says on standard output when it is done: the last screen of a night.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use crate::demo::Summary as Planted;
use crate::error::printable;
use crate::finding::Severity;
use crate::job::space::size;
use crate::job::verify::Verified;
use crate::job::{Estimate, Outcome, Share};
use crate::session::is_no_good;
use crate::wording::summary as wording;

/// Lines that are shown at most: the whole is to fit a screen.
const PROBLEMS: usize = 5;
const WARNINGS: usize = 4;
const FILES: usize = 5;

/// After `scan`: what a `prep` will take.
pub fn estimate(estimate: &Estimate) -> String {
    let said = wording::estimate(
        estimate.elapsed_s,
        estimate.threads,
        &size(estimate.output_bytes),
        &size(estimate.memory_bytes),
    );
    format!("\n{said}\n")
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
        "{}\n{}",
        wording::written(totals.stems, totals.mixes, &shown(out)),
        wording::page(&shown(&out.join("session.html"))),
    );
    no_good(&mut text, outcome);
    let _ = writeln!(text, "{}", wording::LOUD);
    text
}

/// After `prep --song`.
fn share(outcome: &Outcome, share: &Share, out: &Path) -> String {
    let mut text = String::new();
    failed(&mut text, outcome);
    let stems = outcome.report.totals.stems;
    let written = wording::written_of(stems, share.songs(), &shown(out));
    let _ = writeln!(text, "{written}\n{}", wording::rest_follows());
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
        let _ = writeln!(text, "{}", printable(&wording::no_good(&takes)));
    }
}

/// What came new, what nothing makes any more, and what was removed.
fn left_over(text: &mut String, outcome: &Outcome) {
    let report = &outcome.report;
    if !report.new_takes.is_empty() {
        let takes: Vec<String> = (report.new_takes.iter())
            .map(|(song, take)| format!("{song} {take}"))
            .collect();
        let _ = writeln!(text, "{}", wording::new_takes(&takes));
    }
    let removed: Vec<&String> = (outcome.removed.iter())
        .filter(|path| path.ends_with(".wav"))
        .collect();
    for path in &removed {
        let _ = writeln!(text, "{}", printable(&wording::removed(path)));
    }
    let stays =
        || (report.past.left_over.iter()).filter(|file| !removed.contains(&&file.path.path));
    if stays().next().is_none() {
        return;
    }
    let _ = writeln!(text, "\n{}", wording::left_over());
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
    let _ = writeln!(text, "{}", wording::verdict(totals.failed, totals.problems));
    if let Some(out) = out {
        let page = shown(&out.join("session.html"));
        let _ = writeln!(text, "{}", wording::reports(&page));
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
    let mut text = format!("\n{}\n", wording::watched(takes, problems, warnings));
    if let Some(out) = out {
        if takes > 0 {
            let _ = writeln!(text, "{}", shown(&out.join("session.html")));
        }
        let _ = writeln!(text, "{}", wording::next(&shown(path), &shown(out)));
    }
    text
}

/// After `apply`.
pub fn apply(outcome: &Outcome, out: &Path) -> String {
    let mut text = String::new();
    for track in &outcome.tracks {
        if let Some(output) = &track.output {
            let gain_db = track.decisions.gain_db;
            let line = wording::with_gain(&printable(&output.path), gain_db);
            let _ = writeln!(text, "{line}");
        }
    }
    failed(&mut text, outcome);
    let files = outcome.tracks.iter().filter(|t| t.output.is_some()).count();
    let _ = writeln!(text, "{}", wording::files_written(files, &shown(out)));
    text
}

/// After `shootout`.
pub fn shootout(report: &crate::shootout::Report, out: &Path) -> String {
    let mut text = String::new();
    for (candidate, letter) in report.candidates.iter().zip('a'..) {
        let line = wording::candidate(
            (letter, &printable(&candidate.name)),
            candidate.offset_samples,
            candidate.gain_db,
            (candidate.matched_hits, candidate.hits),
        );
        let _ = writeln!(text, "{line}");
    }
    text.push('\n');
    for answer in crate::shootout::answers(report) {
        let _ = writeln!(text, "{} {}.", printable(answer.name), answer.sentence());
        if let Some(rest) = answer.rest() {
            let _ = writeln!(text, "{rest}");
        }
        let first = report.candidates.first();
        let first = first.map_or(String::new(), |c| printable(&c.name));
        let mic = answer.mic.map(printable);
        let rests = wording::pairs(answer.hits, mic.as_deref(), &first);
        let _ = writeln!(text, "{rests}\n");
    }
    let _ = writeln!(text, "{}", wording::loud_shootout());
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
    if !quiet {
        let said = wording::verified(verified.whole, verified.differences.len());
        let _ = writeln!(text, "{said}");
    }
    text
}

/// After `prep --dry-run`: what would be written.
pub fn dry_run(outcome: &Outcome) -> String {
    let mut text = format!("{}\n", wording::nothing_written());
    for (path, left_out) in outcome.stems() {
        let _ = writeln!(text, "  {}", wording::would_be(&path, left_out));
    }
    text
}

/// After `demo`.
pub fn demo(planted: &Planted, takes: &Path, prepared: &Path) -> String {
    let mut text = format!("\n{}\n", wording::mishaps());
    for mishap in &planted.planted {
        let _ = writeln!(text, "  {}", mishap.text);
    }
    let _ = writeln!(text, "{}", wording::demo(&shown(takes), &shown(prepared)));
    text
}

/// A path on one line.
fn shown(path: &Path) -> String {
    printable(&path.to_string_lossy())
}

fn head(outcome: &Outcome) -> String {
    let t = &outcome.report.totals;
    let held = wording::held(t.songs, t.takes, t.tracks, t.audio_s);
    format!("{held}\n")
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
        let _ = writeln!(text, "\n{}", wording::severity(lines.len(), what));
        for line in lines.iter().take(most) {
            let who = format!("{} ({})", line.mics, line.takes);
            let advice = (line.said.advice.as_deref()).filter(|_| severity == Severity::Problem);
            let said = wording::matter(&who, &line.said.what, advice);
            let _ = writeln!(text, "  {}", printable(&said));
        }
        if lines.len() > most {
            let more = wording::more(lines.len() - most, "on the page");
            let _ = writeln!(text, "  {more}");
        }
    }
    let notes = outcome.report.totals.notes;
    if notes > 0 {
        let _ = writeln!(text, "\n{}", wording::notes(notes));
    }
    text.push('\n');
}

fn failed(text: &mut String, outcome: &Outcome) {
    let failed = &outcome.report.failed;
    if failed.is_empty() {
        return;
    }
    let _ = writeln!(text, "{}", wording::failed(failed.len()));
    let groups = outcome.report.failed_by_reason();
    let mut said = 0;
    for (reason, files) in groups.iter().take(FILES) {
        let line = wording::failure(files[0], files.len(), reason);
        let _ = writeln!(text, "  {}", printable(&line));
        said += files.len();
    }
    if failed.len() > said {
        let more = wording::more(failed.len() - said, "in session.json");
        let _ = writeln!(text, "  {more}");
    }
    text.push('\n');
}
