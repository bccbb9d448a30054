//! The commands as functions: paths in, what came of it out. They print nothing and end no process;
//! what happens on the way goes to [`Options::tell`]. The command line is one user of them.
//!
//! ```no_run
//! use batterhead::{Options, prepare};
//!
//! # fn main() -> batterhead::error::Result<()> {
//! let outcome = prepare("takes".as_ref(), "prepared".as_ref(), &Options::default())?;
//! for track in &outcome.tracks {
//!     println!("{}: {} findings", track.name, track.findings.len());
//! }
//! # Ok(())
//! # }
//! ```

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::{Error, Kind, Result};
use crate::job::{
    self, Anew, Earlier, Event, Folder, Job, Listener, Outcome, Pool, Presets, Standing, Stop,
    Store, Work,
};
use crate::output::bag::Bag;
use crate::problem::read_text;
use crate::report::TOOL;
use crate::session::{Session, SessionFile};
use crate::wording;
use crate::worksheet::Worksheet;
use crate::{preset, session, shootout as comparison};

pub use prepare::{prepare, preview};

mod prepare;

/// How a command works, beyond what it works on. The default is what the program does without options;
/// what only some commands look at names them.
#[derive(Clone)]
pub struct Options<'a> {
    /// Threads.
    pub jobs: usize,
    /// Frames read at a time; nothing that comes out depends on it.
    pub block_frames: usize,
    /// Ends the run early, from another thread.
    pub stop: Arc<Stop>,
    /// Hears what happens, from any thread.
    pub tell: Listener<'a>,
    /// Put the session beside another one in the folder ([`prepare`], [`check`]).
    pub also: bool,
    /// An edited worksheet ([`prepare`]).
    pub worksheet: Option<PathBuf>,
    /// One preset for all mics, by name or path ([`prepare`]).
    pub preset: Option<String>,
    /// Mics to render, all else is left alone ([`prepare`]).
    pub only: Option<Vec<String>>,
    /// Songs whose stems to make, as one of several machines ([`prepare`]).
    pub songs: Option<Vec<String>>,
    /// What was delivered and is decided again ([`prepare`]).
    pub anew: Anew,
    /// Remove what nothing makes any more ([`prepare`]).
    pub prune: bool,
    /// Make the folder a bag ([`prepare`]).
    pub bag: bool,
    /// The files are takes of one mic ([`apply`]).
    pub together: bool,
    /// By how many seconds the pattern begins later in the others than in the first ([`shootout`]).
    pub later_s: f64,
}

impl Default for Options<'_> {
    fn default() -> Self {
        Self {
            jobs: std::thread::available_parallelism().map_or(1, usize::from),
            block_frames: crate::block::FRAMES,
            stop: Arc::default(),
            tell: &|_| {},
            also: false,
            worksheet: None,
            preset: None,
            only: None,
            songs: None,
            anew: Anew::Nothing,
            prune: false,
            bag: false,
            together: false,
            later_s: 0.0,
        }
    }
}

/// Measures and reports; audio is not written, and nothing at all without `out`.
///
/// # Errors
/// As [`prepare`].
pub fn check(path: &Path, out: Option<&Path>, options: &Options<'_>) -> Result<Outcome> {
    let (mut session, config) = open(path, options)?;
    let (bag, inside) = out.map(|out| bagged(out, false)).transpose()?.unzip();
    let out = inside.as_deref();
    let (standing, folder) = beside(out, &mut session, options)?;
    let presets = Presets::load(&session, &config)?;
    let units = job::units(&session, &config, &presets)?;
    let job = Job {
        standing: &standing,
        folder: &folder,
        ..Job::new(&session, &config, &units)
    };
    let store = match out {
        Some(out) => {
            check_out(&job, out)?;
            Store::open(out)?
        }
        None => Store::passing()?,
    };
    let outcome = run(&session.root, &store, options, None, |work| {
        let plan = job::plan(work, &job)?;
        match out {
            Some(out) => job::write_reports(work, &job, &plan, out),
            None => Ok(job::report(&job, &plan)),
        }
    })?;
    bag.flatten().map_or(Ok(()), |bag| bag.close(TOOL))?;
    Ok(outcome)
}

/// One preset (a name or a file) on any sound files, without a session; one stem a file in `out`.
///
/// # Errors
/// As [`prepare`].
pub fn apply(
    preset: &str,
    files: &[PathBuf],
    out: &Path,
    options: &Options<'_>,
) -> Result<Outcome> {
    refuse_bag(out)?;
    let preset = preset::find(preset)?;
    let (session, config) = job::apply::session(files, options.together)?;
    report_failed(&session, options);
    job::apply::check_places(files, out)?;
    let units = job::apply::units(&session, &preset);
    job::check_foreign(out, &session, &config, &units)?;
    let job = Job::new(&session, &config, &units);
    let store = Store::open(out)?;
    run(&session.root, &store, options, None, |work| {
        let plan = job::plan(work, &job)?;
        job::render(work, &job, &plan, out)
    })
}

/// Compares files, or folders that hold one take each, with the first: aligned, equally loud.
///
/// # Errors
/// As [`comparison::run`].
pub fn shootout(
    candidates: &[PathBuf],
    out: &Path,
    options: &Options<'_>,
) -> Result<comparison::Report> {
    refuse_bag(out)?;
    comparison::run(candidates, options.later_s, out, &|| options.stop.check())
}

/// Everything that [`prepare`] checks before it reads a sample, and what it will take: of a session
/// that was scanned, for the output folder `out` where one is given.
///
/// # Errors
/// As [`prepare`].
pub fn estimate(
    session: &mut Session,
    config: &SessionFile,
    out: Option<&Path>,
    options: &Options<'_>,
) -> Result<job::Estimate> {
    let inside = out.map(|out| bagged(out, false)).transpose()?;
    let out = inside.as_ref().map(|(_, inside)| inside.as_path());
    let (standing, folder) = beside(out, session, options)?;
    let presets = Presets::load(session, config)?;
    let units = job::units(session, config, &presets)?;
    if let Some(file) = &options.worksheet {
        job::check_keys(&worksheet(file)?.0, &standing, &units, file)?;
    }
    let job = Job {
        mixes: true,
        standing: &standing,
        folder: &folder,
        ..Job::new(session, config, &units)
    };
    if let Some(out) = out {
        check_out(&job, out)?;
    }
    Ok(job::Estimate::of(&job, options.jobs))
}

/// A session that was scanned, with its settings. Files that cannot be read are reported.
///
/// # Errors
/// [`Kind::Input`] where there is no such session, or its file says what it must not; the kinds of
/// [`Stop`].
pub fn open(path: &Path, options: &Options<'_>) -> Result<(Session, SessionFile)> {
    let (root, config) = session::open(path)?;
    let session = session::scan(&root, &config)?;
    options.stop.check()?;
    report_failed(&session, options);
    Ok((session, config))
}

fn report_failed(session: &Session, options: &Options<'_>) {
    for failed in &session.failed {
        let (path, reason) = (failed.path.as_path(), failed.reason.as_str());
        (options.tell)(Event::Failed { path, reason });
    }
}

/// A worksheet that a person gives, and its text.
fn worksheet(file: &Path) -> Result<(Worksheet, String)> {
    let text = read_text(file, job::LARGEST_WORKSHEET)?;
    let sheet = Worksheet::parse(&text, &file.to_string_lossy())?;
    Ok((sheet, text))
}

/// The bag in `out`, and where outputs lie: in it, or in `out` itself.
fn bagged(out: &Path, wanted: bool) -> Result<(Option<Bag>, PathBuf)> {
    let bag = Bag::of(out, wanted)?;
    let inside = bag.as_ref().map_or_else(|| out.to_owned(), Bag::payload);
    Ok((bag, inside))
}

/// Outputs of commands that know no session, or only a part of one, do not belong into a bag of one.
pub(crate) fn refuse_bag(out: &Path) -> Result<()> {
    match Bag::of(out, false)? {
        None => Ok(()),
        Some(_) => Err(Error::input("is a bag of the outputs of a session")
            .at(out)
            .hint("give another folder with --out")),
    }
}

/// What stands in the output folder, if there is one, and whose folder it is; it must lie apart from
/// the session.
pub(crate) fn beside(
    out: Option<&Path>,
    session: &mut Session,
    options: &Options<'_>,
) -> Result<(Standing, Folder)> {
    let Some(out) = out else {
        return Ok((Standing::default(), Folder::default()));
    };
    job::check_places(&session.root, out)?;
    standing(out, session, options)
}

fn standing(
    out: &Path,
    session: &mut Session,
    options: &Options<'_>,
) -> Result<(Standing, Folder)> {
    let (folder, notes) = Folder::of(out, session, options.also)?;
    for note in &notes {
        let text = &wording::remark(note);
        (options.tell)(Event::Note { text });
    }
    Ok((Standing::of(out)?, folder))
}

/// Whether the job may write to its output folder.
pub(crate) fn check_out(job: &Job<'_>, out: &Path) -> Result<()> {
    job::check_foreign(out, job.session, job.config, job.units)?;
    check_standing(job.standing, job.units, out)
}

/// The worksheet that lies in an output folder.
fn check_standing(standing: &Standing, units: &[job::Unit<'_>], out: &Path) -> Result<()> {
    job::check_keys(&standing.given, standing, units, &out.join(job::WORKSHEET))
}

/// Runs a job. `hashes` need not be taken again.
pub(crate) fn run<R>(
    root: &Path,
    store: &Store,
    options: &Options<'_>,
    earlier: Option<&Earlier>,
    job: impl FnOnce(&Work<'_>) -> Result<R>,
) -> Result<R> {
    let pool = Pool::new(options.jobs);
    let result = job(&Work {
        root,
        store,
        pool: &pool,
        stop: &options.stop,
        tell: options.tell,
        block_frames: options.block_frames,
        earlier,
    });
    let (warnings, again) = store.messages();
    for text in &warnings {
        (options.tell)(Event::Warning { text });
    }
    for text in &again {
        (options.tell)(Event::Note { text });
    }
    result.map_err(|error| match error.kind {
        Kind::Interrupted | Kind::Terminated | Kind::Environment if error.hint.is_none() => {
            error.hint("what is written is whole; run the same command again to go on")
        }
        _ => error,
    })
}
