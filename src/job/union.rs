//! What an output folder holds beside the tracks of this run: it stays in the manifest, in
//! `session.json` and on the page, and what no source makes any more is named.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::{Job, Plan, Work, foreign};
use crate::error::{Result, if_there};
use crate::files;
use crate::output::layout::report_path;
use crate::output::ours::Ours;
use crate::output::publish::Manifest;
use crate::remark::Remark;
use crate::report::PathText;
use crate::report::page;
use crate::report::session::{FailedReport, Past};
use crate::wording;

/// What there is of it in the folder `out`, of which `manifest` is what still stands of the last one
/// and `made` what this run makes; and the files that are to be removed.
///
/// # Errors
/// [`crate::error::Kind::Environment`]: what the folder holds cannot be read, and would be dropped.
pub fn past(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    out: &Path,
    manifest: &Manifest,
    made: &BTreeSet<String>,
) -> Result<(Past, Vec<String>)> {
    let mut past = Past::default();
    let mut removed = Vec::new();
    let ours = Ours::of(out)?;
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
    let unread = Unread::of(job);
    let mut unread_songs = BTreeSet::new();
    for (path, _) in manifest.entries() {
        if path.starts_with("reports/") && unread.made(path)? {
            unread_songs.extend(song_of(path));
        }
    }
    let mut pruned = BTreeSet::new();
    for (path, _) in manifest.entries() {
        if !of_this_session(path) || expected.contains(path) || made.contains(path) {
            continue;
        }
        let is_sound = path.starts_with("stems/") || path.starts_with("mixes/");
        let between =
            |begin: &str, end: &str| path.strip_prefix(begin).and_then(|p| p.strip_suffix(end));
        let track = between("stems/", ".wav").or_else(|| between("reports/", ".json"));
        let reason = match track {
            Some(key) => why_left(job, key, &unread)?,
            None if song_of(path).is_some_and(|song| unread_songs.contains(song)) => None,
            None => Some(Remark::NoTakeMakesIt),
        };
        let Some(reason) = reason else {
            continue; // its source could not be read this time
        };
        if job.prune {
            pruned.insert(path.to_owned());
        }
        if is_sound && !job.prune {
            past.left_over.push(FailedReport {
                path: PathText::from(Path::new(path)),
                reason: wording::remark(&reason),
            });
        }
    }
    removed.extend(pruned.iter().cloned());
    removed.sort();
    removed.dedup();
    read(work, &mut past, out, &ours, made, &pruned)?;
    Ok((past, removed))
}

/// The same for files that were processed without a session: all else stays.
///
/// # Errors
/// Those of [`past`].
pub fn beside(work: &Work<'_>, out: &Path, made: &BTreeSet<String>) -> Result<Past> {
    let mut past = Past::default();
    let ours = Ours::of(out)?;
    read(work, &mut past, out, &ours, made, &BTreeSet::new())?;
    Ok(past)
}

fn read(
    work: &Work<'_>,
    past: &mut Past,
    out: &Path,
    ours: &Ours,
    made: &BTreeSet<String>,
    pruned: &BTreeSet<String>,
) -> Result<()> {
    let name = "session.json";
    let path = out.join(name);
    let bytes = match ours.knows(name) {
        true => if_there(&path, fs::read(&path))?,
        false => None,
    };
    let Some(bytes) = bytes else {
        return Ok(());
    };
    let Ok(Value::Object(before)) = serde_json::from_slice(&bytes) else {
        work.warn(&format!(
            "{} is damaged: what it said of tracks that this run does not process is not known any more",
            path.display()
        ));
        return Ok(());
    };
    let rows = |key: &str| match before.get(key) {
        Some(Value::Array(rows)) => rows.clone(),
        _ => Vec::new(),
    };
    let stands = |path: &str| -> Result<bool> {
        Ok(!pruned.contains(path) && files::stands(&out.join(path))?)
    };
    for row in rows("tracks") {
        let Value::Object(row) = row else { continue };
        let report = text(row.get("report"));
        if !made.contains(report) && ours.knows(report) && stands(report)? {
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
    for row in rows("mixes") {
        if of_kept(&row) && !made.contains(&path(&row)) && stands(&path(&row))? {
            past.mixes.push(row);
        }
    }
    past.takes = rows("takes").into_iter().filter(of_kept).collect();
    Ok(())
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
fn why_left(job: &Job<'_>, key: &str, unread: &Unread<'_>) -> Result<Option<Remark>> {
    if job.units.iter().any(|unit| unit.key == key) {
        return Ok(Some(Remark::TrackLeftOut));
    }
    let report = report_path(key);
    if unread.made(&report)? {
        return Ok(None);
    }
    let sources = sources(&job.standing.root, &report)?;
    let mut gone = Vec::new();
    for source in &sources {
        let path = job.session.root.join(source);
        if if_there(&path, fs::metadata(&path))?.is_none() {
            gone.push(source.clone());
        }
    }
    Ok(Some(match gone.is_empty() {
        true => Remark::SourceMakesAnother,
        false => Remark::SourceGone { sources: gone },
    }))
}

/// The sources that a report names.
fn sources(out: &Path, report: &str) -> Result<Vec<String>> {
    let path = out.join(report);
    let report = if_there(&path, fs::read(&path))?;
    let report: Option<Value> = report.and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let sources = (report.as_ref())
        .and_then(|report| report.get("sources")?.as_array())
        .into_iter()
        .flatten();
    Ok(sources
        .map(|source| text(source.get("path")).to_owned())
        .collect())
}

/// Sources that could not be read this time: what was made of them is not given up.
pub struct Unread<'a> {
    out: &'a Path,
    failed: Vec<&'a Path>,
}

impl<'a> Unread<'a> {
    /// Those of a run.
    pub fn of(job: &Job<'a>) -> Self {
        let failed = job.session.failed.iter().map(|failed| &*failed.path);
        Self {
            out: &job.standing.root,
            failed: failed.collect(),
        }
    }

    /// Whether the report at this path is of one of them, or of one in a folder that is among them.
    ///
    /// # Errors
    /// [`crate::error::Kind::Environment`]: the report cannot be read.
    pub fn made(&self, report: &str) -> Result<bool> {
        if self.failed.is_empty() {
            return Ok(false);
        }
        let sources = sources(self.out, report)?;
        let lost = |source: &String| {
            self.failed
                .iter()
                .any(|path| Path::new(source).starts_with(path))
        };
        Ok(sources.iter().any(lost))
    }
}
