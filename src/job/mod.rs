//! The run: measure jobs, one decide, render jobs, reports. Everything from a scanned session to a
//! finished output folder; prints nothing.

use std::io::{self, Write};
use std::path::Path;

pub use crate::cache::Store;
pub use crate::output::{Presets, Unit, check_places, units};
pub use event::{Event, Listener};
pub use finish::check_worksheet;
pub use foreign::check_foreign;
pub use pool::Pool;
pub use stop::Stop;
pub(crate) use track::{TrackReader, mend};

use crate::decide::heard::Heard;
use crate::error::{Error, Kind, Result};
use crate::session::{Session, SessionFile, Track};
use crate::worksheet::{self, Entry, Worksheet};
use measure::Measured;

pub mod apply;
mod attempt;
mod event;
mod excerpts;
mod finish;
mod foreign;
mod hear;
mod measure;
pub(crate) mod mixes;
mod plan;
mod pool;
mod record;
mod render;
mod space;
mod stop;
mod track;
pub mod verify;

/// What every job of a run needs.
pub struct Work<'a> {
    /// The session folder; sources are relative to it.
    pub root: &'a Path,
    /// Remembers results by content.
    pub store: &'a Store,
    /// Threads.
    pub pool: &'a Pool,
    /// Ends the run early.
    pub stop: &'a Stop,
    /// Hears what happens.
    pub tell: Listener<'a>,
    /// Frames read at a time; nothing that comes out depends on it.
    pub block_frames: usize,
}

impl Work<'_> {
    fn advance(&self, samples: u64) {
        (self.tell)(Event::Advance { samples });
    }

    fn warn(&self, text: &str) {
        (self.tell)(Event::Warning { text });
    }

    fn phase(&self, name: &'static str, samples: impl Iterator<Item = u64>) {
        let (mut sum, mut items) = (0, 0);
        for item in samples {
            sum += item;
            items += 1;
        }
        (self.tell)(Event::Phase {
            name,
            samples: sum,
            items,
        });
    }

    /// Maps over `items` in the pool. Files that failed are told and listed; an error of another
    /// kind (stopped, disk full) ends the phase.
    fn each<T: Sync, R: Send>(
        &self,
        name: &'static str,
        items: &[T],
        samples: impl Fn(&T) -> u64,
        job: impl Fn(&T) -> Result<R> + Sync,
    ) -> Result<Vec<Result<R>>> {
        self.phase(name, items.iter().map(&samples));
        let results = self.pool.map(items, self.stop, samples, job);
        for error in results.iter().filter_map(|result| result.as_ref().err()) {
            if let (Kind::File, Some(path)) = (error.kind, &error.path) {
                let reason = &error.reason;
                (self.tell)(Event::Failed { path, reason });
            }
        }
        // The reason of the stop counts, not what the other workers say of it.
        let worst = results
            .iter()
            .filter_map(|result| result.as_ref().err())
            .filter(|error| error.kind != Kind::File)
            .min_by_key(|error| error.path.is_none());
        match worst {
            Some(error) => Err(error.clone()),
            None => Ok(results),
        }
    }
}

/// What a run is asked to do, all of it checked before.
pub struct Job<'a> {
    /// What was scanned.
    pub session: &'a Session,
    /// Its settings.
    pub config: &'a SessionFile,
    /// All stems to make.
    pub units: &'a [Unit<'a>],
    /// An edited worksheet, whose entries win.
    pub worksheet: Option<&'a Worksheet>,
    /// Render only these units (by index), and no mixes.
    pub only: Option<&'a [usize]>,
    /// Make rough mixes.
    pub mixes: bool,
}

/// All that is known before anything is written.
pub struct Plan {
    /// What was measured, by track.
    measured: Vec<Result<Measured>>,
    /// What was heard, by track.
    heard: Vec<Heard>,
    /// What will be done, by unit; or why nothing can be.
    entries: Vec<Result<Entry>>,
}

impl Plan {
    /// Writes a worksheet, in the order of the session.
    pub fn write_worksheet(&self, sink: impl Write) -> io::Result<()> {
        worksheet::write(self.entries.iter().flatten(), sink)
    }
}

/// Measures everything and decides; writes nothing but the store.
pub fn plan(work: &Work<'_>, job: &Job<'_>) -> Result<Plan> {
    for note in &job.session.notes {
        work.warn(note);
    }
    let tracks: Vec<&Track> = job.session.tracks().map(|(_, _, track)| track).collect();
    let mut measured = work.each(
        "measure",
        &tracks,
        |track| track.frames() * track.channels() as u64,
        |track| measure::measure(work, track),
    )?;
    let mut heard = hear::hear(work, job, &mut measured)?;
    let entries = plan::decide(work, job, &measured, &heard)?;
    heard.iter_mut().for_each(Heard::forget_hits);
    Ok(Plan {
        measured,
        heard,
        entries,
    })
}

/// How a run ended.
pub struct Outcome {
    /// The whole run on one page.
    pub report: crate::report::session::SessionReport,
    /// The page about each track.
    pub tracks: Vec<crate::report::TrackReport>,
    /// What the page shows of each beyond that, and where its report lies.
    subjects: Vec<crate::report::page::Subject>,
}

impl Outcome {
    /// Writes `session.json`.
    pub fn write_json(&self, sink: impl Write) -> io::Result<()> {
        self.report.write(&self.tracks, &self.subjects, sink)
    }

    /// 0, or 1 where files failed.
    pub fn status(&self) -> u8 {
        u8::from(!self.report.failed.is_empty())
    }
}

/// Reports of a run that renders nothing.
pub fn report(job: &Job<'_>, plan: &Plan) -> Outcome {
    finish::outcome(job, plan, &[], &[], Vec::new(), Vec::new())
}

/// Writes the reports of a run that renders nothing.
pub fn write_reports(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    outcome: &Outcome,
    out: &Path,
) -> Result<()> {
    let record = record::record(work, job, plan)?;
    let outbox = crate::output::publish::Outbox::open(out)?;
    finish::write(work, &outbox, outcome, &record, None).map(drop)
}

/// Refuses a worksheet that speaks of tracks which the session does not have, or of rates that a
/// stage does not allow.
pub fn check_keys(sheet: &Worksheet, units: &[Unit<'_>], path: Option<&Path>) -> Result<()> {
    let mut errors = Vec::new();
    for entry in &sheet.entries {
        match units.iter().find(|unit| unit.key == entry.key) {
            None => {
                let keys: Vec<&str> = units.iter().map(|u| u.key.as_str()).collect();
                let error = Error::input(format!("no track of this session is `{}`", entry.key));
                errors.push(match crate::problem::nearest(&entry.key, &keys) {
                    Some(near) => error.hint(format!("did you mean `{near}`?")),
                    None => error.hint("take the worksheet that `prep` wrote for this session"),
                });
            }
            Some(unit) => {
                let faults =
                    crate::stage::Chain::check(&entry.chain(), f64::from(unit.track.rate_hz()));
                errors.extend(
                    faults
                        .iter()
                        .map(|(_, fault)| Error::input(format!("track `{}`: {fault}", entry.key))),
                );
            }
        }
    }
    let at = |error: Error| path.map_or(error.clone(), |path| error.at(path));
    Error::all(errors.into_iter().map(at).collect()).map_or(Ok(()), Err)
}

/// Renders what was planned into `out`, mixes it, and writes reports, worksheet and manifest.
pub fn render(work: &Work<'_>, job: &Job<'_>, plan: &Plan, out: &Path) -> Result<Outcome> {
    let outbox = crate::output::publish::Outbox::open(out)?;
    let todo: Vec<usize> = (0..job.units.len())
        .filter(|i| job.only.is_none_or(|only| only.contains(i)))
        .filter(|&i| {
            plan.entries[i]
                .as_ref()
                .is_ok_and(|entry| !entry.left_out.value)
        })
        .collect();
    let shown = excerpts::wanted(job, plan);
    space::check(job, &todo, &shown, out)?;
    let rendered = work.each(
        "render",
        &todo,
        |&i| job.units[i].samples(),
        |&i| {
            let unit = &job.units[i];
            let (Ok(entry), Ok(measured)) = (&plan.entries[i], &plan.measured[unit.track_index])
            else {
                return Err(Error::new(Kind::File, "was not planned"));
            };
            render::render(work, &outbox, unit, entry, measured, &job.config.output)
        },
    )?;
    let mut stems: Vec<Option<Result<render::Rendered>>> = job.units.iter().map(|_| None).collect();
    for (i, result) in todo.into_iter().zip(rendered) {
        stems[i] = Some(result);
    }
    let mut failed = Vec::new();
    let mut mixes = if job.mixes && job.only.is_none() {
        mixes::mix(work, job, plan, &stems, &outbox, &mut failed)?
    } else {
        Vec::new()
    };
    let excerpts = excerpts::of_stems(work, job, plan, &shown, &stems, &outbox, &mut failed)?;
    excerpts::of_mixes(work, job, &mut mixes, &outbox, &mut failed)?;
    let mixes = mixes.into_iter().map(|mix| mix.report).collect();
    let record = record::record(work, job, plan)?;
    failed.extend_from_slice(&record.changed);
    let outcome = finish::outcome(job, plan, &stems, &excerpts, mixes, failed);
    let manifest = finish::write(work, &outbox, &outcome, &record, Some(plan))?;
    // A run of some mics leaves the excerpts of the others.
    if job.mixes {
        excerpts::sweep(work, &outbox, &manifest)?;
    }
    Ok(outcome)
}
