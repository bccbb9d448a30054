//! What a command says on standard output when it is done: the last screen of a night.

use std::collections::{BTreeSet, HashMap};
use std::fmt::Write as _;
use std::path::Path;

use crate::demo::Summary as Planted;
use crate::error::printable;
use crate::finding::{Finding, Severity};
use crate::job::space::size;
use crate::job::verify::Verified;
use crate::job::{Estimate, Outcome, Share, Unit};
use crate::report::TrackReport;
use crate::session::is_no_good;
use crate::wording;

/// Findings of the worst kind that are shown at most.
const SHOWN: usize = 12;

/// After `scan`: what a `prep` will take.
pub fn estimate(estimate: &Estimate) -> String {
    format!(
        "\nprep will take about {} on {}, {} of disk and {} of memory.\n",
        duration(estimate.elapsed_s),
        count(estimate.threads, "thread"),
        size(estimate.output_bytes),
        size(estimate.memory_bytes),
    )
}

/// Seconds as people say them: an estimate is good for two digits.
fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{:.0} s", s.max(1.0)),
        s if s < 5_400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3_600.0),
    }
}

/// After `prep`.
pub fn prep(outcome: &Outcome, out: &Path) -> String {
    let mut text = head(outcome);
    people_first(&mut text, outcome);
    failed(&mut text, outcome);
    let totals = &outcome.report.totals;
    let _ = writeln!(
        text,
        "{} and {} in {}",
        wording::counted(totals.stems, "stem"),
        wording::counted(totals.mixes, "rough mix"),
        shown(out)
    );
    no_good(&mut text, outcome);
    left_over(&mut text, outcome);
    let _ = writeln!(
        text,
        "Turn the volume down before you listen: stems and mixes can be loud."
    );
    let _ = writeln!(text, "{}", shown(&out.join("session.html")));
    text
}

/// After `prep --song`.
pub fn share(outcome: &Outcome, share: &Share, out: &Path) -> String {
    let mut text = String::new();
    failed(&mut text, outcome);
    let _ = writeln!(
        text,
        "{} of {} in {}",
        count(outcome.report.totals.stems, "stem"),
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
    people_first(&mut text, outcome);
    failed(&mut text, outcome);
    let totals = &outcome.report.totals;
    let verdict = match (totals.failed, totals.problems) {
        (0, 0) => "Nothing has to be played again.".to_owned(),
        (failed, problems) => {
            format!(
                "Listen before the kit is struck: {} and {}.",
                count(problems, "problem"),
                count(failed, "failed file")
            )
        }
    };
    let _ = writeln!(text, "{verdict}");
    if let Some(out) = out {
        let _ = writeln!(text, "Reports in {}", shown(out));
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
        count(
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
    let mut line = |name: &str, words: &[&str], measures: &[crate::shootout::Measure]| {
        let said = match words.is_empty() {
            true => "no difference that could be proven".to_owned(),
            false => words.join(", "),
        };
        let _ = writeln!(text, "{} against the first: {said}", printable(name));
        for m in measures.iter().filter(|m| m.said) {
            let _ = writeln!(
                text,
                "  {} {:+} {} ± {} ({} hits)",
                m.name, m.difference, m.unit, m.spread, m.hits
            );
        }
    };
    if let Some(second) = report.candidates.get(1) {
        line(&second.name, &report.words, &report.measures);
    }
    for other in &report.more {
        line(
            &other.name,
            &other.comparison.words,
            &other.comparison.measures,
        );
    }
    for mic in report
        .mics
        .iter()
        .filter(|m| !m.comparison.words.is_empty())
    {
        line(
            &format!("{}, {}", mic.name, mic.mic),
            &mic.comparison.words,
            &mic.comparison.measures,
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
pub fn dry_run(units: &[Unit<'_>], outcome: &Outcome) -> String {
    let mut text = String::from("nothing was written; these stems would be:\n");
    let tracks: HashMap<&str, &TrackReport> = (outcome.tracks.iter())
        .map(|t| (t.name.as_str(), t))
        .collect();
    for unit in units {
        if let Some(track) = tracks.get(unit.name.as_str()) {
            let mark = if track.decisions.left_out {
                "left out"
            } else {
                ""
            };
            let _ = writeln!(text, "  {} {mark}", unit.stem_path);
        }
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
        count(t.songs, "song"),
        count(t.takes, "take"),
        count(t.tracks, "track"),
        t.audio_s / 60.0
    )
}

/// Problems first, then what was changed and could be wrong; the rest is a count.
fn people_first(text: &mut String, outcome: &Outcome) {
    for (severity, title) in [
        (Severity::Problem, "Problems"),
        (Severity::Warning, "Warnings"),
    ] {
        let of = |track| move |finding| (track, finding);
        let found: Vec<(&TrackReport, &Finding)> = outcome
            .tracks
            .iter()
            .flat_map(|track| track.findings.iter().map(of(track)))
            .filter(|(_, finding)| finding.severity == severity)
            .collect();
        if found.is_empty() {
            continue;
        }
        let grouped = grouped(&found);
        let _ = writeln!(text, "\n{title}: {}", found.len());
        for (who, message) in grouped.iter().take(SHOWN) {
            let _ = writeln!(text, "  {}: {}", printable(who), printable(message));
        }
        if grouped.len() > SHOWN {
            let _ = writeln!(text, "  … and {} more in the report", grouped.len() - SHOWN);
        }
    }
    let notes = outcome.report.totals.notes;
    if notes > 0 {
        let _ = writeln!(text, "\nNotes: {notes}, in the report");
    }
    text.push('\n');
}

/// The same sentence about several takes of a song is said once: who it is about, and the sentence.
fn grouped(findings: &[(&TrackReport, &Finding)]) -> Vec<(String, String)> {
    let mut places = HashMap::new();
    let mut groups: Vec<(&TrackReport, String, usize)> = Vec::new();
    for (track, finding) in findings {
        let said = wording::finding(finding).to_string();
        let key = (&track.song, said.clone());
        let place = *places.entry(key).or_insert(groups.len());
        match groups.get_mut(place) {
            Some((_, _, count)) => *count += 1,
            None => groups.push((track, said, 1)),
        }
    }
    let who = |(track, said, count): (&TrackReport, String, usize)| {
        let more = match count {
            1 => String::new(),
            _ => format!(" and {} more", count - 1),
        };
        (format!("{}{more}", track.name), said)
    };
    groups.into_iter().map(who).collect()
}

fn failed(text: &mut String, outcome: &Outcome) {
    if outcome.report.failed.is_empty() {
        return;
    }
    let _ = writeln!(text, "Failed: {}", outcome.report.failed.len());
    for file in &outcome.report.failed {
        let _ = writeln!(
            text,
            "  {}: {}",
            printable(&file.path.path),
            printable(&file.reason)
        );
    }
    text.push('\n');
}

/// "1 take", "2 takes".
fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}
