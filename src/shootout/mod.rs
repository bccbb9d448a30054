//! Two or more takes, files or tracks of one pattern beside each other: aligned in time, made equally
//! loud, and compared hit by hit.
//!
//! ```text
//! paths ─ input ─▶ candidates ─ hear ─▶ onsets ─ align, exact ─▶ matched hits ─ hit, compare ─▶ differences, words
//!                        └────────────────────────── write ─▶ aligned, matched files, page
//! ```

use std::path::{Path, PathBuf};

pub use answer::{Answer, answers};
pub use compare::{Band, Comparison};
pub use report::Report;

use crate::cache;
use crate::error::{Error, Result};
use crate::job::Store;
use crate::output::ours::Ours;
use crate::output::publish::Outbox;
use crate::report::{PathText, SCHEMA, TOOL};
use crate::units::round_to;
use crate::wording;
use align::Map;
use attribution::Strokes;
use hear::{Heard, Onset, hear};
use input::Candidate;
use matched::{Matched, Side};
use report::By;

mod align;
mod answer;
mod attribution;
mod colour;
mod compare;
mod exact;
mod figures;
mod hear;
mod hit;
mod input;
mod matched;
mod page;
mod report;
mod sound;
mod starts;
mod write;

/// Asked between blocks whether to go on; an error ends the run.
pub type Check<'a> = &'a (dyn Fn() -> Result<()> + Sync);

/// Compares `paths` (files, or folders that hold one take each), whose pattern begins about `later_s`
/// seconds later than in the first, and writes `a.wav`, `b.wav`, …,
/// `shootout.json`, `shootout.html` and the manifest into `out`.
///
/// # Errors
/// [`crate::error::Kind::Input`], before anything is written, where there is nothing to compare: not
/// the same pattern, different rates, silence, too few hits, no mic in common. Otherwise what
/// reading and writing may meet.
pub fn run(paths: &[PathBuf], later_s: f64, out: &Path, check: Check<'_>) -> Result<Report> {
    let mut notes = Vec::new();
    let candidates = input::open(paths, out, &mut notes)?;
    cache::check_free(out)?;
    let sources: Vec<PathBuf> = candidates.iter().flat_map(Candidate::sources).collect();
    let sources = sources.iter().map(PathBuf::as_path);
    Ours::of(out)?.check(write::names(&candidates), sources)?;
    let heard = candidates
        .iter()
        .map(|c| hear_candidate(c, check))
        .collect::<Result<Vec<_>>>()?;
    let strokes = candidates
        .iter()
        .map(|c| Strokes::of(c, check))
        .collect::<Result<Vec<_>>>()?;
    let sides: Vec<Side<'_>> = (candidates.iter().zip(&heard).zip(&strokes))
        .map(|((candidate, heard), strokes)| Side {
            candidate,
            heard,
            strokes,
        })
        .collect();
    let mut matched = vec![Matched::itself()];
    for other in &sides[1..] {
        check()?;
        matched.push(matched::candidate(&sides[0], other, later_s, &mut notes)?);
    }
    let others = &candidates[1..];
    let mut comparisons: Vec<Comparison> = Vec::new();
    for (candidate, found) in others.iter().zip(&matched[1..]) {
        comparisons.push(compare::compare(
            &found.pairs,
            candidate.family(),
            candidate.rate_hz,
        ));
    }
    let mics = mics(&sides, &matched, check)?;
    let plan = write::Plan::new(&candidates, &heard, &matched, &mut notes, check)?;

    let confidence = matched[1..]
        .iter()
        .map(|m| m.confidence)
        .fold(1.0, f64::min);
    let by_click = matched[1..].iter().all(|m| m.by == By::Click);
    let of_first = matched[1].paired;
    let reported = candidates.iter().zip(&matched).zip(&heard).enumerate().map(
        |(i, ((candidate, found), heard))| report::Candidate {
            name: candidate.name.clone(),
            path: PathText::from(&*candidate.path),
            offset_samples: found.offset,
            drift_ppm: round_to(found.drift_ppm, 1),
            gain_db: plan.gains_db[i],
            hits: heard.onsets.len(),
            matched_hits: if i == 0 { of_first } else { found.paired },
            output: format!("{}.wav", candidate.letter),
        },
    );
    let mut comparisons = comparisons.into_iter();
    let Comparison {
        bands,
        measures,
        words,
    } = comparisons.next().unwrap_or_default();
    let named = candidates[2..].iter().zip(comparisons);
    let mut report = Report {
        schema: SCHEMA,
        tool: TOOL,
        candidates: reported.collect(),
        bands,
        measures,
        words,
        alignment: report::Alignment {
            by: if by_click { By::Click } else { By::Hits },
            confidence: round_to(confidence, 2),
        },
        more: named
            .map(|(c, comparison)| report::Named {
                name: c.name.clone(),
                comparison,
            })
            .collect(),
        mics,
        notes: notes.iter().map(wording::compared::note).collect(),
    };
    // the store holds the lock of the output folder until all is written
    let _store = Store::open(out)?;
    let outbox = Outbox::owning(out)?;
    let written = write::all(&outbox, &candidates, &matched, &plan, &report, check);
    written.map_err(Error::of_the_run)?;
    if let Some(ours) = outbox.ours() {
        ours.settle(&outbox).map_err(Error::of_the_run)?;
        report.notes.extend(ours.messages());
    }
    Ok(report)
}

fn hear_candidate(candidate: &Candidate, check: Check<'_>) -> Result<Heard> {
    let heard = hear(
        &mut candidate.sound()?,
        candidate.family(),
        candidate.rate_hz,
        candidate.frames(),
        check,
    )?;
    if heard.peak == 0.0 {
        return Err(Error::input("is silent: there is nothing to compare").at(&candidate.path));
    }
    Ok(heard)
}

/// Compares every mic that all takes have, over the strokes of its own drum where they are known.
fn mics(
    sides: &[Side<'_>],
    matched: &[Matched],
    check: Check<'_>,
) -> Result<Vec<report::MicComparison>> {
    let mut list = Vec::new();
    for label in &sides[0].candidate.shared {
        let mut base: Option<(sound::Sound, Vec<Onset>)> = None;
        for (side, found) in sides.iter().zip(matched) {
            let candidate = side.candidate;
            let Some(placed) = candidate.track(label) else {
                continue;
            };
            let (family, rate_hz) = (placed.track.mic.family, candidate.rate_hz);
            let mut sound = sound::Sound::track(&candidate.root, placed)?;
            let heard = hear(&mut sound, family, rate_hz, candidate.frames(), check)?;
            let onsets = side.strokes.own(label, heard.onsets);
            let Some((base_sound, base)) = &mut base else {
                base = Some((sound, onsets));
                continue;
            };
            let pairs = matched::measure(
                (base_sound, base),
                (&mut sound, &onsets),
                found,
                family,
                rate_hz,
            )?;
            if !pairs.is_empty() {
                let comparison = compare::compare(&pairs, family, rate_hz);
                list.push(report::MicComparison {
                    mic: label.clone(),
                    name: candidate.name.clone(),
                    own_hits: side.strokes.knows(label) && sides[0].strokes.knows(label),
                    comparison,
                });
            }
        }
    }
    Ok(list)
}

/// The map of nothing moved.
const STILL: Map = Map {
    offset_ms: 0.0,
    rate: 1.0,
};
