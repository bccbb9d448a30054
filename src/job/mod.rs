//! The run: measure jobs, one decide, render jobs, reports. Everything from a scanned session to a
//! finished output folder; prints nothing.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::Path;
use std::sync::LazyLock;

pub use crate::cache::Store;
pub use crate::output::{Presets, Unit, check_places, units};
pub use earlier::Earlier;
pub use estimate::Estimate;
pub use event::{Event, Listener};
pub use finish::WORKSHEET;
pub use folder::Folder;
pub use foreign::{check_demo, check_foreign};
pub use keep::Anew;
pub use keys::check_keys;
pub use pool::Pool;
pub use share::{Share, share};
pub use standing::{LARGEST_WORKSHEET, Standing};
pub use stop::Stop;
pub(crate) use track::{TrackReader, mend};

use crate::decide::heard::Heard;
use crate::error::{Error, Kind, Result};
use crate::files;
use crate::finding::Severity;
use crate::output::layout::stem_path;
use crate::output::publish::Outbox;
use crate::report::page::{self, About, Line};
use crate::report::session::MixReport;
use crate::session::{Session, SessionFile, Track};
use crate::wording;
use crate::worksheet::{Entry, Notes, Worksheet};
use hear::{Hearing, TakePlayed};
use measure::Measured;

pub mod apply;
mod cues;
mod earlier;
mod estimate;
mod event;
mod excerpts;
mod finish;
mod folder;
mod foreign;
mod hear;
mod keep;
mod keys;
mod levels_after;
mod measure;
pub(crate) mod mixes;
mod plan;
mod pool;
mod record;
mod render;
mod share;
mod sheet;
pub(crate) mod space;
mod standing;
mod stop;
mod take;
mod track;
mod union;
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
    /// What need not be hashed or heard again; `None` in a run that is to prove its sources.
    pub earlier: Option<&'a Earlier>,
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

    /// Maps over `items` in the pool. Files that failed are reported and listed; an error of another
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
    /// A worksheet that was named, whose entries win.
    pub worksheet: Option<&'a Worksheet>,
    /// What a person wrote beside its values.
    pub worksheet_notes: Option<Notes>,
    /// What earlier runs decided.
    pub standing: &'a Standing,
    /// What of that is decided again.
    pub anew: Anew,
    /// The sessions of the output folder.
    pub folder: &'a Folder,
    /// Remove the outputs that no source makes any more.
    pub prune: bool,
    /// Render only these units (by index), and no mixes.
    pub only: Option<&'a [usize]>,
    /// Make rough mixes.
    pub mixes: bool,
}

static NO_STANDING: LazyLock<Standing> = LazyLock::new(Standing::default);
static NO_FOLDER: LazyLock<Folder> = LazyLock::new(Folder::default);

impl<'a> Job<'a> {
    /// All stems, no mixes, and nothing that an earlier run left.
    pub fn new(session: &'a Session, config: &'a SessionFile, units: &'a [Unit<'a>]) -> Self {
        Self {
            session,
            config,
            units,
            worksheet: None,
            worksheet_notes: None,
            standing: &NO_STANDING,
            anew: Anew::Nothing,
            folder: &NO_FOLDER,
            prune: false,
            only: None,
            mixes: false,
        }
    }
}

impl Job<'_> {
    /// Whether a worksheet key is that of a track of another session in the same folder.
    fn is_of_another_session(&self, key: &str) -> bool {
        let song = key.split('/').next().unwrap_or_default();
        self.folder.is_of_another(song)
    }

    /// Whether outputs of this song, as they are named, are those of the session.
    fn is_own_song(&self, song: &str) -> bool {
        !self.folder.is_of_another(song)
    }

    /// SHA-256 of the session file; `None` without one.
    fn session_file_sha256(&self) -> Option<&str> {
        self.config.sha256.as_deref()
    }
}

/// All that is known before anything is written.
pub struct Plan {
    /// What was measured, by track; behind them the pairs whose sides are two tracks.
    measured: Vec<Result<Measured>>,
    /// What was heard, in the same order.
    heard: Vec<Heard>,
    /// How each take was played.
    takes: Vec<TakePlayed>,
    /// What will be done, by unit; or why nothing can be.
    entries: Vec<Result<Entry>>,
}

/// Writes the worksheet that a run would leave behind.
pub fn write_worksheet(job: &Job<'_>, plan: &Plan, mut sink: impl Write) -> io::Result<()> {
    let written = sheet::sheet(job, plan, &[], &[]).map_err(io::Error::other)?;
    sink.write_all(written.text.as_bytes())
}

/// Measures everything and decides; writes nothing but the store.
pub fn plan(work: &Work<'_>, job: &Job<'_>) -> Result<Plan> {
    decide(work, job, listen(work, job)?)
}

/// The first half of that: all that is found, with no gain decided yet.
pub fn listen(work: &Work<'_>, job: &Job<'_>) -> Result<Plan> {
    for note in &job.session.notes {
        work.warn(&wording::remark(note));
    }
    let tracks = job.session.tracks().map(|(_, _, track)| track);
    let pairs = job.session.pairs().map(|(pair, _)| pair);
    let tracks: Vec<&Track> = tracks.chain(pairs).collect();
    let mut measured = work.each(
        "measure",
        &tracks,
        |track| track.frames() * track.channels() as u64,
        |track| measure::measure(work, track),
    )?;
    let Hearing {
        tracks: heard,
        takes,
    } = hear::hear(work, job, &mut measured)?;
    let entries = plan::begun(job, &measured, &heard);
    Ok(Plan {
        measured,
        heard,
        takes,
        entries,
    })
}

/// The second half.
pub fn decide(work: &Work<'_>, job: &Job<'_>, listened: Plan) -> Result<Plan> {
    let Plan {
        measured,
        mut heard,
        takes,
        ..
    } = listened;
    let entries = plan::decide(work, job, &measured, &heard)?;
    heard.iter_mut().for_each(Heard::forget_hits);
    Ok(Plan {
        measured,
        heard,
        takes,
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
    /// Files that were removed, since nothing makes them any more.
    pub removed: Vec<String>,
    /// The songs whose stems were made, of a run that left the others to other machines.
    pub share: Option<Share>,
}

impl Outcome {
    /// Writes `session.json`.
    pub fn write_json(&self, sink: impl Write) -> io::Result<()> {
        self.report.write(&self.tracks, &self.subjects, sink)
    }

    /// What was found of this severity and `only` wants, one line a matter, worst first.
    pub fn lines(&self, severity: Severity, only: &dyn Fn(About<'_>) -> bool) -> Vec<Line> {
        page::lines(&self.report, &self.tracks, &self.subjects, severity, only)
    }

    /// Where the stem of each track lies or would lie, and whether it is left out.
    pub fn stems(&self) -> impl Iterator<Item = (String, bool)> {
        let left_out = self.tracks.iter().map(|track| track.decisions.left_out);
        let paths = self.subjects.iter().map(|subject| stem_path(&subject.key));
        paths.zip(left_out)
    }

    /// 0, or 1 where files failed.
    pub fn status(&self) -> u8 {
        u8::from(!self.report.failed.is_empty())
    }
}

/// Reports of a run that renders nothing, and keeps nothing.
pub fn report(job: &Job<'_>, plan: &Plan) -> Outcome {
    finish::outcome(job, plan, &[], &[], Vec::new(), Vec::new())
}

/// Reports of a run that renders nothing, written beside what stands in `out`.
pub fn write_reports(work: &Work<'_>, job: &Job<'_>, plan: &Plan, out: &Path) -> Result<Outcome> {
    let outbox = Outbox::owning(out)?;
    begin(job, &outbox)?;
    let record = record::record(work, job, plan)?;
    let stems = standing_stems(work, job, &outbox)?;
    let mixes = standing_mixes(job, &[], &outbox)?;
    let excerpts = standing_excerpts(work, job, &outbox)?;
    let mut outcome = finish::outcome(job, plan, &stems, &excerpts, mixes, record.changed.clone());
    finish::write(work, job, plan, &outbox, &mut outcome, &record, &stems)?;
    Ok(outcome)
}

/// Before anything is published: whose folder it is, and that the worksheet in it has been read.
fn begin(job: &Job<'_>, outbox: &Outbox) -> Result<()> {
    job.standing.adopt(outbox);
    match job.units.iter().any(|unit| unit.song.is_some()) {
        true => job.folder.keep(outbox).map_err(Error::of_the_run),
        false => Ok(()),
    }
}

/// Stems that earlier runs made and that stand as they were made, by unit.
fn standing_stems(
    work: &Work<'_>,
    job: &Job<'_>,
    outbox: &Outbox,
) -> Result<Vec<Option<Result<render::Rendered>>>> {
    let stem = |unit: &Unit<'_>| Ok(render::standing(work, outbox, unit)?.map(Ok));
    job.units.iter().map(stem).collect()
}

/// The excerpts of such stems.
fn standing_excerpts(
    work: &Work<'_>,
    job: &Job<'_>,
    outbox: &Outbox,
) -> Result<Vec<Option<crate::report::page::Excerpt>>> {
    let excerpt = |unit: &Unit<'_>| render::as_noted(work, outbox, &excerpts::path(unit));
    job.units.iter().map(excerpt).collect()
}

/// Mixes that earlier runs made, of takes of which `mixes` has none.
fn standing_mixes(job: &Job<'_>, mixes: &[MixReport], outbox: &Outbox) -> Result<Vec<MixReport>> {
    let of = |song: &str, take: &str| {
        (job.standing.sheet.mixes.iter())
            .find(|mix| mix.report.song == song && mix.report.take == take)
    };
    let mut found = Vec::new();
    for song in &job.session.songs {
        for take in &song.takes {
            let is_made = |mix: &MixReport| mix.song == song.slug && mix.take == take.slug;
            if let Some(mix) = of(&song.slug, &take.slug)
                && !mixes.iter().any(is_made)
                && let Some(path) = mix.report.path.as_deref()
                && files::stands(&outbox.root().join(path))?
            {
                found.push(mix.reported());
            }
        }
    }
    Ok(found)
}

/// Renders what was planned into `out`, mixes it, and writes reports, worksheet and manifest.
pub fn render(work: &Work<'_>, job: &Job<'_>, plan: &Plan, out: &Path) -> Result<Outcome> {
    let outbox = Outbox::owning(out)?;
    begin(job, &outbox)?;
    let shown = excerpts::wanted(job, plan);
    let mut stems = stems(work, job, plan, &outbox, &shown)?;
    let partial = job.only.is_some();
    if partial {
        let standing = standing_stems(work, job, &outbox)?;
        for (stem, standing) in stems.iter_mut().zip(standing) {
            *stem = stem.take().or(standing);
        }
    }
    let mut failed = Vec::new();
    let mut mixes = if job.mixes && job.only.is_none() {
        mixes::mix(work, job, plan, &stems, &outbox, &mut failed)?
    } else {
        Vec::new()
    };
    let mut excerpts = excerpts::of_stems(work, job, plan, &shown, &stems, &outbox, &mut failed)?;
    if partial {
        let standing = standing_excerpts(work, job, &outbox)?;
        for (excerpt, standing) in excerpts.iter_mut().zip(standing) {
            *excerpt = excerpt.take().or(standing);
        }
    }
    excerpts::of_mixes(work, job, &mut mixes, &outbox, &mut failed)?;
    let mut mixes: Vec<MixReport> = mixes.into_iter().map(|mix| mix.report).collect();
    if partial {
        mixes = standing_mixes(job, &mixes, &outbox)?;
    }
    let record = record::record(work, job, plan)?;
    failed.extend_from_slice(&record.changed);
    let mut outcome = finish::outcome(job, plan, &stems, &excerpts, mixes, failed);
    finish::write(work, job, plan, &outbox, &mut outcome, &record, &stems)?;
    Ok(outcome)
}

/// Renders what was planned and is wanted, by unit. `shown` units get an excerpt, for which there has
/// to be room.
fn stems(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    outbox: &Outbox,
    shown: &BTreeSet<usize>,
) -> Result<Vec<Option<Result<render::Rendered>>>> {
    let todo: Vec<usize> = (0..job.units.len())
        .filter(|i| job.only.is_none_or(|only| only.contains(i)))
        .filter(|&i| {
            plan.entries[i]
                .as_ref()
                .is_ok_and(|entry| !entry.left_out.value)
        })
        .collect();
    space::check(job, &todo, shown, outbox.root())?;
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
            let cues_s = cues::of(work, job, plan, unit)?;
            let format = &job.config.output;
            render::render(work, outbox, unit, (entry, &cues_s[..]), measured, format)
        },
    )?;
    let mut stems: Vec<_> = job.units.iter().map(|_| None).collect();
    for (i, result) in todo.into_iter().zip(rendered) {
        stems[i] = Some(result);
    }
    Ok(stems)
}
