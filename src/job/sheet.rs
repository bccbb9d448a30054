//! The worksheet that a run leaves behind: its text, and what is kept beside it for the next run.

use std::collections::{BTreeMap, BTreeSet};

use super::keep::Anew;
use super::render::Rendered;
use super::standing::{Kept, KeptMix, PresetId, Sheet};
use super::union::Unread;
use super::{Job, Plan};
use crate::error::Result;
use crate::output::layout::report_path;
use crate::report::session::MixReport;
use crate::worksheet::{self, Entry, Notes};

/// A worksheet about to be written.
pub struct Written {
    /// As a person reads it.
    pub text: String,
    /// As the next run does.
    pub sheet: Sheet,
}

/// What was decided and done, over what earlier runs left: nothing that a person gave is lost.
///
/// A track whose stem this run did not make keeps the entry that it was delivered by, for the next
/// run to compare the worksheet with; so does one whose source could not be read this time.
///
/// # Errors
/// Those of [`Unread::made`].
pub fn sheet(
    job: &Job<'_>,
    plan: &Plan,
    stems: &[Option<Result<Rendered>>],
    mixes: &[MixReport],
) -> Result<Written> {
    let before = &job.standing.sheet;
    let whole = job.mixes && job.only.is_none();
    let mut shown: Vec<Entry> = Vec::new();
    let mut entries: Vec<Kept> = Vec::new();
    // What is decided again as a whole is a first delivery: nothing is as it was before.
    let restarts = whole && job.anew == Anew::All;
    let before_this = if restarts { 0 } else { before.delivery };
    let number = before_this + 1;
    let mut newly = false;
    let mut owed = BTreeMap::new();
    for (i, unit) in job.units.iter().enumerate() {
        let kept = job.standing.kept(&unit.key);
        let owes = (before.owed.get(&unit.key).copied()).filter(|_| !restarts);
        let mut owe = || owed.insert(unit.key.clone(), owes.unwrap_or(number));
        let (Ok(entry), Ok(measured)) = (&plan.entries[i], &plan.measured[unit.track_index]) else {
            if let Some(kept) = kept {
                stay(kept, with_edits(job, kept), &mut shown, &mut entries);
            }
            if kept.is_none_or(|kept| kept.delivered.is_none()) {
                owe();
            }
            continue;
        };
        let rendered = matches!(stems.get(i), Some(Some(Ok(stem))) if !stem.standing);
        let done = rendered || whole && entry.left_out.value;
        let delivered = kept.filter(|kept| kept.delivered.is_some());
        if !done && let Some(kept) = delivered {
            stay(kept, entry.clone(), &mut shown, &mut entries);
            continue;
        }
        shown.push(entry.clone());
        let same = |kept: &&Kept| kept.sources.is_empty() || kept.sources == measured.sha256;
        let first = delivered.filter(same).and_then(|kept| kept.delivered);
        let first = first.filter(|_| !restarts).or(owes);
        newly |= done && first.is_none_or(|first| first > before_this);
        let failed = matches!(stems.get(i), Some(Some(Err(_))));
        if !done && (failed || owes.is_some()) {
            owe();
        }
        entries.push(Kept {
            entry: entry.clone(),
            delivered: done.then_some(first.unwrap_or(number)),
            sources: measured.sha256.clone(),
            preset: Some(PresetId::of(unit.preset)),
        });
    }
    let unread = Unread::of(job);
    let ours: BTreeSet<&str> = job.units.iter().map(|unit| unit.key.as_str()).collect();
    for kept in before
        .entries
        .iter()
        .filter(|kept| !ours.contains(&*kept.entry.key))
    {
        let key = &kept.entry.key;
        if job.is_of_another_session(key) || unread.made(&report_path(key))? {
            stay(kept, with_edits(job, kept), &mut shown, &mut entries);
        }
    }
    let mut all_mixes: Vec<KeptMix> = mixes.iter().map(KeptMix::of).collect();
    let is_new = |old: &&KeptMix| {
        let same = |mix: &MixReport| (&mix.song, &mix.take) == (&old.report.song, &old.report.take);
        !mixes.iter().any(same)
    };
    all_mixes.extend(before.mixes.iter().filter(is_new).cloned());
    let keys: BTreeSet<&str> = shown.iter().map(|entry| entry.key.as_str()).collect();
    let mut notes = job.standing.notes.clone();
    notes.bury(&job.standing.text, &|key| keys.contains(key));
    if let Some(more) = &job.worksheet_notes {
        let mut more = more.clone();
        more.bury("", &|key| keys.contains(key));
        notes = notes.with(more);
    }
    let text = |notes: &Notes| {
        let mut text = Vec::new();
        worksheet::write(&shown, notes, &mut text).expect("memory takes it");
        String::from_utf8_lossy(&text).into_owned()
    };
    Ok(Written {
        text: text(&notes),
        sheet: Sheet {
            plain: text(&Notes::default()),
            delivery: if newly { number } else { before_this },
            session_file_sha256: job.session_file_sha256().map(str::to_owned),
            entries,
            mixes: all_mixes,
            owed,
        },
    })
}

/// An entry that stays as it was delivered, and is shown with what a person made of it since.
fn stay(kept: &Kept, show: Entry, shown: &mut Vec<Entry>, entries: &mut Vec<Kept>) {
    entries.push(kept.clone());
    shown.push(show);
}

/// An entry that this run does not speak of, with what a person made of it since.
fn with_edits(job: &Job<'_>, kept: &Kept) -> Entry {
    let mut entry = kept.entry.clone();
    if let Some(edits) = job.standing.edits(&entry.key) {
        edits.put_over(&mut entry);
        if let Some(gain_db) = edits.gain_db {
            entry.gain_db = worksheet::Decided::edited(gain_db);
        }
    }
    entry
}

/// Takes of which every track came with the last of several deliveries, `song take`.
pub fn new_takes(job: &Job<'_>, sheet: &Sheet) -> Vec<(String, String)> {
    let mut takes = Vec::new();
    if sheet.delivery < 2 {
        return takes;
    }
    for song in &job.session.songs {
        for take in &song.takes {
            let here = format!("{}/{}/", song.slug, take.slug);
            let mut delivered = (sheet.entries.iter())
                .filter(|kept| kept.entry.key.starts_with(&here))
                .filter_map(|kept| kept.delivered)
                .peekable();
            if delivered.peek().is_some() && delivered.all(|number| number == sheet.delivery) {
                takes.push((song.slug.clone(), take.slug.clone()));
            }
        }
    }
    takes
}
