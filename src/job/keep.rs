//! What was delivered stays: decisions of earlier runs and of people, put over those of today.

use std::collections::{BTreeMap, BTreeSet};

use super::measure::Measured;
use super::standing::{Kept, same_preset};
use super::{Job, Work};
use crate::error::Result;
use crate::output::layout::Unit;
use crate::preset::Link;
use crate::reason::Reason;
use crate::worksheet::{Decided, Entry, Given};

/// What is decided anew although it was delivered.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Anew {
    /// Nothing.
    #[default]
    Nothing,
    /// Everything.
    All,
    /// The tracks of these mics.
    Mics(Vec<String>),
}

impl Anew {
    fn holds(&self, unit: &Unit<'_>) -> bool {
        match self {
            Anew::Nothing => false,
            Anew::All => true,
            Anew::Mics(mics) => mics.iter().any(|mic| unit.goes_by(mic)),
        }
    }
}

/// What is known of the entry of a unit before anything is tried.
#[derive(Clone, Debug, Default)]
pub struct Held {
    /// All of it is as it was delivered: nothing has to be tried.
    pub whole: bool,
    /// Its gain, where that is not decided by what is tried.
    pub gain: Option<Decided<f64>>,
    /// The gain that the mic was delivered with in other takes.
    pub of_mic: Option<Decided<f64>>,
}

/// Puts over what was decided today: for tracks that were delivered, what they were delivered with;
/// for other takes of their mics what holds for all takes; and what a person gave in a worksheet.
/// Says what differs. One answer a unit.
pub fn keep(
    work: &Work<'_>,
    job: &Job<'_>,
    measured: &[Result<Measured>],
    entries: &mut [Option<Entry>],
) -> Vec<Held> {
    let mut held = vec![Held::default(); entries.len()];
    let today: Vec<Option<Entry>> = entries.to_vec();
    let mut delivered: Vec<Option<&Kept>> = vec![None; entries.len()];
    let mut other_preset: BTreeMap<&str, usize> = BTreeMap::new();
    for (i, unit) in job.units.iter().enumerate() {
        let (Some(kept), Some(_), Ok(measured)) = (
            job.standing.kept(&unit.key),
            &entries[i],
            &measured[unit.track_index],
        ) else {
            continue;
        };
        let same_sources = kept.sources.is_empty() || kept.sources == measured.sha256;
        if kept.delivered.is_none() || !same_sources || job.anew.holds(unit) {
            continue;
        }
        match same_preset(kept, unit) {
            true => delivered[i] = Some(kept),
            false => *other_preset.entry(&unit.preset.name).or_default() += 1,
        }
    }
    for (preset, tracks) in other_preset {
        work.warn(&format!(
            "the preset {preset} was changed since its stems were delivered: {tracks} tracks are decided anew"
        ));
    }
    for (i, unit) in job.units.iter().enumerate() {
        let Some(entry) = &mut entries[i] else {
            continue;
        };
        match delivered[i] {
            Some(kept) => {
                *entry = kept.entry.clone();
                held[i].whole = true;
                held[i].gain = Some(kept.entry.gain_db.clone());
            }
            None => {
                let mic = |j: &usize| {
                    let other = &job.units[*j];
                    (other.setup, other.linked_mic()) == (unit.setup, unit.linked_mic())
                        && other.preset.name == unit.preset.name
                };
                let sibling = (0..job.units.len())
                    .filter(|&j| delivered[j].is_some())
                    .find(mic);
                if let Some(j) = sibling
                    && let (Some(kept), Some(its_today)) = (delivered[j], &today[j])
                {
                    take_over(entry, its_today, &kept.entry);
                }
                held[i].of_mic = gain_of_mic(job, unit, &delivered);
            }
        }
        let edits = edits(job, unit);
        if let Some(edits) = edits {
            overlay(work, entry, &edits, &mut held[i]);
        }
    }
    say_what_would_differ(work, job, &today, &delivered);
    held
}

/// What holds for a mic in all its takes is as it was delivered in another one.
fn take_over(entry: &mut Entry, its_today: &Entry, its_delivered: &Entry) {
    if entry.stages.len() == its_today.stages.len()
        && its_today.stages.len() == its_delivered.stages.len()
    {
        let others = its_today.stages.iter().zip(&its_delivered.stages);
        for (stage, (today, delivered)) in entry.stages.iter_mut().zip(others) {
            if stage.value == today.value && !delivered.edited {
                *stage = delivered.clone();
            }
        }
    }
    fn same<T: PartialEq + Clone>(mine: &mut Decided<T>, today: &Decided<T>, before: &Decided<T>) {
        if mine.value == today.value && !before.edited {
            *mine = before.clone();
        }
    }
    let (today, before) = (its_today, its_delivered);
    same(
        &mut entry.polarity_inverted,
        &today.polarity_inverted,
        &before.polarity_inverted,
    );
    same(
        &mut entry.delay_samples,
        &today.delay_samples,
        &before.delay_samples,
    );
}

/// The gain that was delivered for what a unit shares its gain with.
fn gain_of_mic(
    job: &Job<'_>,
    unit: &Unit<'_>,
    delivered: &[Option<&Kept>],
) -> Option<Decided<f64>> {
    let link = unit.preset.level.as_ref()?.link;
    let song = |unit: &Unit<'_>| unit.song.map(|song| song.slug.clone());
    let shares = |other: &Unit<'_>| match link {
        Link::File => false,
        Link::Mic => (other.setup, other.linked_mic()) == (unit.setup, unit.linked_mic()),
        Link::Song => song(other) == song(unit),
        Link::Session => true,
    };
    let linked = |other: &Unit<'_>| {
        other
            .preset
            .level
            .as_ref()
            .is_some_and(|rule| rule.link == link)
    };
    let mut found = (job.units.iter().zip(delivered))
        .filter_map(|(other, kept)| Some((other, (*kept)?)))
        .filter(|(other, kept)| linked(other) && shares(other) && !kept.entry.gain_db.edited)
        .filter(|(_, kept)| !matches!(kept.entry.gain_db.why, Some(Reason::Trimmed { .. })));
    found.next().map(|(_, kept)| kept.entry.gain_db.clone())
}

/// All that people gave for a track: what an earlier run took over, what stands in the worksheet of
/// the output folder, and, above both, in the one that was named.
fn edits(job: &Job<'_>, unit: &Unit<'_>) -> Option<Given> {
    let kept = job.standing.kept(&unit.key);
    let before = kept.map(|kept| Given::edited_in(&kept.entry));
    let there = job.standing.edits(&unit.key);
    let named = job
        .worksheet
        .and_then(|sheet| sheet.get(&unit.key))
        .cloned();
    let all = [before, there, named].into_iter().flatten();
    all.reduce(|below, above| below.with(&above))
        .filter(|given| !given.is_empty())
}

fn overlay(work: &Work<'_>, entry: &mut Entry, edits: &Given, held: &mut Held) {
    let changed = edits.put_over(entry);
    held.whole &= changed.is_empty();
    if let Some(gain_db) = edits.gain_db {
        let decided = held.gain.clone().or_else(|| held.of_mic.clone());
        if decided
            .as_ref()
            .is_none_or(|decided| decided.value != gain_db)
        {
            held.of_mic = decided;
            held.gain = Some(Decided::edited(gain_db));
            held.whole = false;
        }
    }
    if !changed.is_empty() {
        work.warn(&format!(
            "{}: by the worksheet {}",
            entry.key,
            changed.join(", ")
        ));
    }
}

/// Says where something would be decided otherwise today than it was delivered.
fn say_what_would_differ(
    work: &Work<'_>,
    job: &Job<'_>,
    today: &[Option<Entry>],
    delivered: &[Option<&Kept>],
) {
    let mut differing: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    let mut number = 0;
    for ((unit, today), kept) in job.units.iter().zip(today).zip(delivered) {
        let (Some(today), Some(kept)) = (today, kept) else {
            continue;
        };
        number += 1;
        let before = &kept.entry;
        let values = [
            (
                "left_out",
                today.left_out.value != before.left_out.value && !before.left_out.edited,
            ),
            (
                "muted",
                today.muted.value != before.muted.value && !before.muted.edited,
            ),
            (
                "polarity_inverted",
                today.polarity_inverted.value != before.polarity_inverted.value
                    && !before.polarity_inverted.edited,
            ),
            (
                "delay_samples",
                today.delay_samples.value != before.delay_samples.value
                    && !before.delay_samples.edited,
            ),
        ];
        for (name, _) in values.iter().filter(|value| value.1) {
            differing.entry(name).or_default().insert(&unit.key);
        }
    }
    if number == 0 {
        return;
    }
    for (name, keys) in differing {
        let first = keys.iter().next().copied().unwrap_or_default();
        let more = match keys.len() {
            1 => String::new(),
            n => format!(" and {} more", n - 1),
        };
        work.warn(&format!(
            "{name} is kept as delivered, and would be decided otherwise today: {first}{more}; --decide-anew decides everything again"
        ));
    }
    if job.standing.sheet.session_file_sha256.as_deref() != job.session_file_sha256() {
        work.warn(&format!(
            "the session file was changed since the last delivery: what was decided for {number} delivered tracks is kept; --decide-anew decides everything again"
        ));
    }
}
