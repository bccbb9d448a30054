//! What an output folder holds beside the tracks of this run: it stays in the manifest, in
//! `session.json` and on the page, and what no source makes any more is named.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::{Job, Plan, foreign};
use crate::output::ours::Ours;
use crate::output::publish::Manifest;
use crate::report::PathText;
use crate::report::page;
use crate::report::session::{FailedReport, Past};

/// What there is of it in the folder `out`, of which `manifest` is what still stands of the last one
/// and `made` what this run makes; and the files that are to be removed.
pub fn past(
    job: &Job<'_>,
    plan: &Plan,
    out: &Path,
    manifest: &Manifest,
    made: &BTreeSet<String>,
) -> (Past, Vec<String>) {
    let mut past = Past::default();
    let mut removed = Vec::new();
    let ours = Ours::of(out);
    let whole = job.mixes && job.only.is_none();
    let expected = expected(job, plan, whole);
    let of_this_session = |path: &str| song_of(path).is_some_and(|song| job.is_own_song(song));
    // What the page no longer shows goes with it.
    if whole {
        let page_files = format!("{}/", page::FOLDER);
        let stale = |path: &&str| {
            path.starts_with(&page_files)
                && !made.contains(*path)
                && (of_this_session(path) || !path.contains("/excerpts/"))
        };
        let paths = manifest.entries().map(|(path, _)| path).filter(stale);
        removed.extend(paths.map(str::to_owned));
    }
    let failed: BTreeSet<&str> = (job.session.failed.iter())
        .filter_map(|failed| failed.path.to_str())
        .collect();
    let mut pruned = BTreeSet::new();
    for (path, _) in manifest.entries() {
        if !of_this_session(path) || expected.contains(path) || made.contains(path) {
            continue;
        }
        let is_sound = path.starts_with("stems/") || path.starts_with("mixes/");
        let stem = path
            .strip_prefix("stems/")
            .and_then(|p| p.strip_suffix(".wav"));
        let reason = match stem {
            Some(key) => match why_left(job, out, key, &failed) {
                Some(reason) => reason,
                None => continue, // it could not be read this time
            },
            None => "no take of the session makes this file any more".to_owned(),
        };
        if job.prune {
            pruned.insert(path.to_owned());
        }
        if is_sound && !job.prune {
            past.left_over.push(FailedReport {
                path: PathText::from(Path::new(path)),
                reason,
            });
        }
    }
    removed.extend(pruned.iter().cloned());
    removed.sort();
    removed.dedup();
    read(&mut past, out, &ours, made, &pruned);
    (past, removed)
}

/// The same for files that were processed without a session: all else stays.
pub fn beside(out: &Path, made: &BTreeSet<String>) -> Past {
    let mut past = Past::default();
    read(&mut past, out, &Ours::of(out), made, &BTreeSet::new());
    past
}

fn read(
    past: &mut Past,
    out: &Path,
    ours: &Ours,
    made: &BTreeSet<String>,
    pruned: &BTreeSet<String>,
) {
    let name = "session.json";
    if !ours.knows(name) {
        return;
    }
    let Some(Value::Object(before)) =
        (fs::read(out.join(name)).ok()).and_then(|bytes| serde_json::from_slice(&bytes).ok())
    else {
        return;
    };
    let rows = |key: &str| match before.get(key) {
        Some(Value::Array(rows)) => rows.clone(),
        _ => Vec::new(),
    };
    let stands = |path: &str| !pruned.contains(path) && out.join(path).is_file();
    for row in rows("tracks") {
        let Value::Object(row) = row else { continue };
        let report = text(row.get("report"));
        if !made.contains(report) && stands(report) && ours.knows(report) {
            past.tracks.push(row);
        }
    }
    let of = |row: &Value| -> Vec<String> {
        ["song", "take", "name"]
            .iter()
            .map(|key| text(row.get(key)).to_owned())
            .collect()
    };
    let kept: BTreeSet<Vec<String>> = past
        .tracks
        .iter()
        .map(|row| of(&row.clone().into()))
        .collect();
    past.findings = rows("findings")
        .into_iter()
        .filter(|row| kept.contains(&of(row)))
        .collect();
    let takes: BTreeSet<(String, String)> = (past.tracks.iter())
        .map(|row| {
            (
                text(row.get("song")).to_owned(),
                text(row.get("take")).to_owned(),
            )
        })
        .collect();
    let of_kept = |row: &Value| {
        takes.contains(&(
            text(row.get("song")).to_owned(),
            text(row.get("take")).to_owned(),
        ))
    };
    let path = |row: &Value| text(row.get("path")).to_owned();
    past.mixes = (rows("mixes").into_iter())
        .filter(|row| of_kept(row) && !made.contains(&path(row)) && stands(&path(row)))
        .collect();
    past.takes = rows("takes").into_iter().filter(of_kept).collect();
}

fn text(value: Option<&Value>) -> &str {
    value.and_then(Value::as_str).unwrap_or_default()
}

/// Every name that the tracks of the session may have an output under.
fn expected(job: &Job<'_>, plan: &Plan, whole: bool) -> BTreeSet<String> {
    let names = foreign::names(job.session, job.config, job.units);
    let mut expected: BTreeSet<String> = (names.iter())
        .filter_map(|name| Some(name.to_str()?.to_owned()))
        .collect();
    for (unit, entry) in job.units.iter().zip(&plan.entries) {
        if whole && entry.as_ref().is_ok_and(|entry| entry.left_out.value) {
            expected.remove(&unit.stem_path);
        }
    }
    expected
}

/// The song that an output belongs to, by its path.
fn song_of(path: &str) -> Option<&str> {
    let mut parts = path.split('/');
    match parts.next()? {
        "stems" | "mixes" | "reports" | "hits" => {
            let song = parts.next()?;
            parts.next().map(|_| song)
        }
        "notes" => parts.next()?.strip_suffix(".txt"),
        page::FOLDER if parts.next()? == "excerpts" => {
            let song = parts.next()?;
            parts.next().map(|_| song)
        }
        _ => None,
    }
}

/// Why a stem is made no more; `None` where its source could only not be read this time.
fn why_left(job: &Job<'_>, out: &Path, key: &str, failed: &BTreeSet<&str>) -> Option<String> {
    if job.units.iter().any(|unit| unit.key == key) {
        return Some("its track is left out now".to_owned());
    }
    let report = fs::read(out.join(format!("reports/{key}.json"))).ok();
    let report: Option<Value> = report.and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let sources: Vec<String> = (report.as_ref())
        .and_then(|report| report.get("sources")?.as_array().cloned())
        .into_iter()
        .flatten()
        .map(|source| text(source.get("path")).to_owned())
        .collect();
    if sources
        .iter()
        .any(|source| failed.contains(source.as_str()))
    {
        return None;
    }
    let gone: Vec<&str> = (sources.iter())
        .filter(|source| !job.session.root.join(source).exists())
        .map(String::as_str)
        .collect();
    Some(match gone.as_slice() {
        [] => "its source makes another stem now".to_owned(),
        gone => format!("its source is gone: {}", gone.join(", ")),
    })
}
