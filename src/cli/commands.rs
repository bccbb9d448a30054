//! One function a command: its arguments in, an exit status out.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::voice::Voice;
use super::{print, print_from, signals, summary};
use crate::error::{Error, Kind, Result};
use crate::job::{self, Anew, Folder, Job, Pool, Presets, Share, Standing, Stop, Store, Work};
use crate::output::bag::Bag;
use crate::problem::read_text;
use crate::report::{TOOL, write_json};
use crate::session::{Session, SessionFile, table};
use crate::worksheet::Worksheet;
use crate::{demo, preset, session, shootout};

/// A session that was scanned, with its settings. Files that cannot be read are told.
fn open(path: &Path, voice: &Voice) -> Result<(Session, SessionFile)> {
    let (root, config) = session::open(path)?;
    let session = session::scan(&root, &config)?;
    tell_failed(&session, voice);
    Ok((session, config))
}

fn tell_failed(session: &Session, voice: &Voice) {
    for failed in &session.failed {
        voice.hear(job::Event::Failed {
            path: &failed.path,
            reason: &failed.reason,
        });
    }
}

/// Prints the summary of a run, unless nothing but errors is wanted.
fn sum_up(text: &str, voice: &Voice) -> Result<()> {
    match voice.is_quiet() {
        true => Ok(()),
        false => print(text),
    }
}

/// What becomes of the session file that `scan` makes.
pub enum Init {
    /// None is made.
    No,
    /// It is printed.
    Print,
    /// It is written, where nothing lies yet.
    Write(PathBuf),
}

/// The bag in `out`, and where outputs lie: in it, or in `out` itself.
fn bagged(out: &Path, wanted: bool) -> Result<(Option<Bag>, PathBuf)> {
    let bag = Bag::of(out, wanted)?;
    let inside = bag.as_ref().map_or_else(|| out.to_owned(), Bag::payload);
    Ok((bag, inside))
}

/// Outputs of commands that know no session, or only a part of one, do not belong into a bag of one.
pub(super) fn refuse_bag(out: &Path) -> Result<()> {
    match Bag::of(out, false)? {
        None => Ok(()),
        Some(_) => Err(Error::input("is a bag of the outputs of a session")
            .at(out)
            .hint("give another folder with --out")),
    }
}

/// Options of `scan`.
pub struct ScanOptions {
    /// Print JSON.
    pub json: bool,
    /// A session file to start from.
    pub init: Init,
    /// List every file.
    pub files: bool,
    /// The output folder that `prep` will be given.
    pub out: Option<PathBuf>,
    /// The worksheet that `prep` will be given.
    pub worksheet: Option<PathBuf>,
    /// How much is worked on at a time.
    pub power: Power,
}

/// What `scan --json` prints.
#[derive(serde::Serialize)]
struct Scanned<'a> {
    #[serde(flatten)]
    session: table::Json<'a>,
    /// `null` where `prep` would refuse the session.
    estimate: Option<job::Estimate>,
}

pub fn scan(path: &Path, options: &ScanOptions, voice: &Voice) -> Result<u8> {
    if matches!(options.init, Init::Print) {
        refuse_own_input(path)?;
    }
    let (mut session, config) = open(path, voice)?;
    match &options.init {
        Init::No => {}
        Init::Print => {
            print(&session::init_toml(&session))?;
            return Ok(u8::from(!session.failed.is_empty()));
        }
        Init::Write(file) => {
            let text = session::init_toml(&session);
            crate::output::publish::write_new(file, text.as_bytes())?;
            let name = crate::error::printable(&file.to_string_lossy());
            let text = format!("{name}: written; every line of it is optional\n");
            sum_up(&text, voice)?;
            return Ok(u8::from(!session.failed.is_empty()));
        }
    }
    // What was found is shown, whatever `prep` would say of it.
    let estimate = prospect(&mut session, &config, options, voice);
    let known = estimate.as_ref().ok().copied();
    match options.json {
        true => {
            let scanned = Scanned {
                session: table::json(&session),
                estimate: known,
            };
            print_from(&|out| write_json(&scanned, out))?;
        }
        false => {
            let mut text = table::text(&session, columns());
            if options.files {
                text += &table::files(&session);
            }
            text += &known
                .map(|known| summary::estimate(&known))
                .unwrap_or_default();
            sum_up(&text, voice)?;
        }
    }
    estimate?;
    Ok(u8::from(!session.failed.is_empty()))
}

/// Columns of the screen that results go to, if they go to one.
fn columns() -> usize {
    let size = terminal_size::terminal_size_of(std::io::stdout());
    size.map_or(table::NO_SCREEN, |(width, _)| usize::from(width.0))
}

/// Refuses to print into the session file that is being read.
#[cfg(unix)]
fn refuse_own_input(path: &Path) -> Result<()> {
    use std::os::fd::AsFd;
    use std::os::unix::fs::MetadataExt;
    let file = match path.is_dir() {
        true => path.join("session.toml"),
        false => path.to_owned(),
    };
    let out = std::io::stdout()
        .as_fd()
        .try_clone_to_owned()
        .map(std::fs::File::from);
    let out = out.and_then(|out| out.metadata());
    let same = |out: &std::fs::Metadata, file: &std::fs::Metadata| {
        out.is_file() && (out.dev(), out.ino()) == (file.dev(), file.ino())
    };
    match (out, std::fs::metadata(&file)) {
        (Ok(out), Ok(found)) if same(&out, &found) => Err(Error::input(
            "is read by this very command, and would be written over",
        )
        .at(&file)
        .hint(format!("write a new one: --init {}", file.display()))),
        _ => Ok(()),
    }
}

/// Elsewhere a file that is being written cannot be read.
#[cfg(not(unix))]
fn refuse_own_input(_: &Path) -> Result<()> {
    Ok(())
}

/// Everything that `prep` checks before it reads a sample, and what it will take.
fn prospect(
    session: &mut Session,
    config: &SessionFile,
    options: &ScanOptions,
    voice: &Voice,
) -> Result<job::Estimate> {
    let (mut standing, mut folder) = (Standing::default(), Folder::default());
    let out = match &options.out {
        Some(out) => Some(bagged(out, false)?.1),
        None => None,
    };
    if let Some(out) = &out {
        job::check_places(&session.root, out)?;
        folder = claim(out, session, false, voice)?;
        standing = Standing::of(out)?;
    }
    let presets = Presets::load(session, config)?;
    let units = job::units(session, config, &presets)?;
    if let Some(file) = &options.worksheet {
        let sheet = worksheet(file)?;
        job::check_keys(&sheet, &standing, &units, file)?;
    }
    if let Some(out) = &out {
        job::check_foreign(out, session, config, &units)?;
        let file = out.join(job::WORKSHEET);
        job::check_keys(&standing.given, &standing, &units, &file)?;
    }
    let job = Job {
        mixes: true,
        standing: &standing,
        folder: &folder,
        ..Job::new(session, config, &units)
    };
    Ok(job::Estimate::of(&job, options.power.jobs))
}

/// A worksheet that a person gives.
fn worksheet(file: &Path) -> Result<Worksheet> {
    let text = read_text(file, job::LARGEST_WORKSHEET)?;
    Ok(Worksheet::parse(&text, &file.to_string_lossy())?)
}

pub fn check(
    path: &Path,
    out: Option<&Path>,
    (json, also): (bool, bool),
    power: Power,
    voice: &Voice,
) -> Result<u8> {
    let (mut session, config) = open(path, voice)?;
    let (bag, inside) = match out {
        Some(out) => bagged(out, false).map(|(bag, inside)| (bag, Some(inside)))?,
        None => (None, None),
    };
    let out = inside.as_deref();
    let (standing, folder) = beside(out, &mut session, also, voice)?;
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
    voice.begin("try");
    let outcome = run(&session.root, &store, power, voice, |work| {
        let plan = job::plan(work, &job)?;
        match out {
            Some(out) => job::write_reports(work, &job, &plan, out),
            None => Ok(job::report(&job, &plan)),
        }
    })?;
    if let Some(bag) = bag {
        bag.close(TOOL)?;
    }
    match json {
        true => print_from(&|out| outcome.write_json(out))?,
        false => sum_up(&summary::check(&outcome, out), voice)?,
    }
    Ok(outcome.status())
}

/// What stands in the output folder of a `check`, if it has one, and whose folder it is.
pub(super) fn beside(
    out: Option<&Path>,
    session: &mut Session,
    also: bool,
    voice: &Voice,
) -> Result<(Standing, Folder)> {
    let Some(out) = out else {
        return Ok((Standing::default(), Folder::default()));
    };
    job::check_places(&session.root, out)?;
    let folder = claim(out, session, also, voice)?;
    Ok((Standing::of(out)?, folder))
}

/// Whether a `check` may write to its output folder.
pub(super) fn check_out(job: &Job<'_>, out: &Path) -> Result<()> {
    job::check_foreign(out, job.session, job.config, job.units)?;
    job::check_keys(
        &job.standing.given,
        job.standing,
        job.units,
        &out.join(job::WORKSHEET),
    )
}

/// How much is worked on at a time.
#[derive(Clone, Copy, Default)]
pub struct Power {
    /// Threads.
    pub jobs: usize,
    /// Frames read at a time.
    pub block_frames: usize,
}

/// Finds out whose folder `out` is.
fn claim(out: &Path, session: &mut Session, also: bool, voice: &Voice) -> Result<Folder> {
    let (folder, notes) = Folder::of(out, session, also)?;
    notes.iter().for_each(|note| voice.note(note));
    Ok(folder)
}

/// Options of `prep`.
#[derive(Default)]
pub struct PrepOptions {
    /// Print the worksheet, write nothing.
    pub dry_run: bool,
    /// An edited worksheet.
    pub worksheet: Option<PathBuf>,
    /// The preset of all mics.
    pub preset: Option<String>,
    /// Mics to render.
    pub only: Option<Vec<String>>,
    /// Songs whose stems to make, as one of several machines.
    pub songs: Option<Vec<String>>,
    /// What was delivered and is decided again.
    pub anew: Anew,
    /// Put the session beside another one.
    pub also: bool,
    /// Remove what nothing makes any more.
    pub prune: bool,
    /// Make the folder a bag.
    pub bag: bool,
    /// Threads and blocks.
    pub power: Power,
}

pub fn prep(path: &Path, out: &Path, options: PrepOptions, voice: &Voice) -> Result<u8> {
    let (mut session, mut config) = open(path, voice)?;
    if let Some(preset) = options.preset {
        config.give_all(match preset::is_path(&preset) {
            // Named from where the program was started, not from the session folder.
            true => match std::path::absolute(&preset) {
                Ok(path) => path.to_string_lossy().into_owned(),
                Err(_) => preset,
            },
            false => preset,
        });
    }
    job::check_places(&session.root, out)?;
    let (bag, inside) = bagged(out, options.bag)?;
    let out = inside.as_path();
    let folder = claim(out, &mut session, options.also, voice)?;
    let standing = Standing::of(out)?;
    let presets = Presets::load(&session, &config)?;
    let share = (options.songs.as_deref())
        .map(|songs| Share::of(&session, songs))
        .transpose()?;
    if let Some(share) = &share {
        share.narrow(&mut session, &presets);
    }
    let units = job::units(&session, &config, &presets)?;
    let only = match (&share, options.only.as_deref()) {
        (Some(share), _) => Some(share.units(&units)),
        (None, Some(mics)) => Some(named("--only", &units, mics)?),
        (None, None) => None,
    };
    if let Anew::Mics(mics) = &options.anew {
        named("--decide-anew", &units, mics)?;
    }
    let (worksheet, worksheet_notes) = match &options.worksheet {
        Some(file) => {
            let text = read_text(file, job::LARGEST_WORKSHEET)?;
            let sheet = Worksheet::parse(&text, &file.to_string_lossy())?;
            job::check_keys(&sheet, &standing, &units, file)?;
            (Some(sheet), Some(standing.added(&text)))
        }
        None => (None, None),
    };
    job::check_keys(
        &standing.given,
        &standing,
        &units,
        &out.join(job::WORKSHEET),
    )?;
    if !options.dry_run {
        job::check_foreign(out, &session, &config, &units)?;
    }
    let job = Job {
        worksheet: worksheet.as_ref(),
        worksheet_notes,
        only: only.as_deref(),
        mixes: only.is_none(),
        standing: &standing,
        folder: &folder,
        anew: options.anew,
        prune: options.prune,
        ..Job::new(&session, &config, &units)
    };
    if options.dry_run {
        let store = Store::passing()?;
        voice.begin("try");
        let plan = run(&session.root, &store, options.power, voice, |work| {
            job::plan(work, &job)
        })?;
        print_from(&|out| job::write_worksheet(&job, &plan, out))?;
        let outcome = job::report(&job, &plan);
        voice.note(&summary::dry_run(&units, &outcome));
        return Ok(outcome.status());
    }
    if let Some(bag) = &bag {
        bag.open()?;
    }
    let store = match &share {
        Some(share) => Store::share(out, share.songs())?,
        None => Store::open(out)?,
    };
    voice.begin("excerpt");
    let outcome = run(&session.root, &store, options.power, voice, |work| {
        let plan = job::plan(work, &job)?;
        match &share {
            Some(share) => job::share(work, &job, &plan, out, share),
            None => job::render(work, &job, &plan, out),
        }
    })?;
    // A run of single songs leaves it to the one that joins them.
    if let (Some(bag), None) = (bag, &share) {
        bag.close(TOOL)?;
    }
    let text = match &share {
        Some(share) => summary::share(&outcome, share, out),
        None => summary::prep(&outcome, out),
    };
    sum_up(&text, voice)?;
    Ok(outcome.status())
}

pub fn apply(
    preset: &str,
    files: &[PathBuf],
    together: bool,
    out: &Path,
    power: Power,
    voice: &Voice,
) -> Result<u8> {
    refuse_bag(out)?;
    let preset = preset::find(preset)?;
    let (session, config) = job::apply::session(files, together)?;
    tell_failed(&session, voice);
    job::apply::check_places(files, out)?;
    let units = job::apply::units(&session, &preset);
    job::check_foreign(out, &session, &config, &units)?;
    let job = Job::new(&session, &config, &units);
    let store = Store::open(out)?;
    voice.begin("render");
    let outcome = run(&session.root, &store, power, voice, |work| {
        let plan = job::plan(work, &job)?;
        job::render(work, &job, &plan, out)
    })?;
    sum_up(&summary::apply(&outcome, out), voice)?;
    Ok(outcome.status())
}

pub fn shootout(
    candidates: &[PathBuf],
    later_s: f64,
    out: &Path,
    json: bool,
    voice: &Voice,
) -> Result<u8> {
    refuse_bag(out)?;
    let stop = Arc::new(Stop::default());
    signals::watch(&stop);
    let report = shootout::run(candidates, later_s, out, &|| stop.check())?;
    for note in &report.notes {
        voice.note(note);
    }
    match json {
        true => print_from(&|out| write_json(&report, out))?,
        false => sum_up(&summary::shootout(&report, out), voice)?,
    }
    Ok(0)
}

pub fn preset_list() -> Result<u8> {
    print(&preset::list())?;
    Ok(0)
}

pub fn preset_show(name: &str) -> Result<u8> {
    print(preset::show(name)?)?;
    Ok(0)
}

pub fn preset_check(files: &[PathBuf], voice: &Voice) -> Result<u8> {
    let mut failed = Vec::new();
    for file in files {
        match preset::read(file) {
            Ok(preset) => {
                let name = crate::error::printable(&file.to_string_lossy());
                let text = format!("{name}: good, {} stages\n", preset.stages.len());
                sum_up(&text, voice)?;
            }
            Err(error) => failed.push(error),
        }
    }
    Error::all(failed).map_or(Ok(0), Err)
}

pub fn preset_curve(name: &str, json: bool, svg: bool, rate_hz: u32) -> Result<u8> {
    let preset = preset::find(name)?;
    let curve = preset::curve::Curve::new(&preset, f64::from(rate_hz))?;
    print(&match (json, svg) {
        (true, _) => curve.json(),
        (_, true) => curve.svg(),
        _ => curve.text(),
    })?;
    Ok(0)
}

pub fn verify(dir: &Path, voice: &Voice) -> Result<u8> {
    let verified = job::verify::verify(dir)?;
    print(&summary::verify(&verified, voice.is_quiet()))?;
    Ok(match verified.differences.is_empty() {
        true => 0,
        false => Kind::Difference.exit_status(),
    })
}

pub fn completions(shell: clap_complete::Shell) -> Result<u8> {
    let script = super::completions::script(shell);
    print_from(&|out| out.write_all(&script))?;
    Ok(0)
}

pub fn man() -> Result<u8> {
    print_from(&|out| super::manual::write(out))?;
    Ok(0)
}

pub fn demo(out: &Path, power: Power, voice: &Voice) -> Result<u8> {
    let (takes, prepared) = (out.join("takes"), out.join("prepared"));
    job::check_demo(out, &prepared)?;
    voice.note(&format!("synthesising a session in {}", takes.display()));
    let planted = demo::write(&takes, &|_, _| {})?;
    let status = prep(
        &takes,
        &prepared,
        PrepOptions {
            power,
            ..PrepOptions::default()
        },
        voice,
    )?;
    sum_up(&summary::demo(&planted, &takes, &prepared), voice)?;
    // The demo plants a file that cannot be read to its end; that it is told is what should happen.
    Ok(status)
}

/// Runs a job with signals watched and events told.
fn run<R>(
    root: &Path,
    store: &Store,
    power: Power,
    voice: &Voice,
    job: impl FnOnce(&Work<'_>) -> Result<R>,
) -> Result<R> {
    let stop = Arc::new(Stop::default());
    signals::watch(&stop);
    let tell = |event: job::Event<'_>| voice.hear(event);
    let result = work(root, store, power, (voice, &tell), (&stop, None), job);
    result.map_err(|error| match error.kind {
        Kind::Interrupted | Kind::Terminated | Kind::Environment if error.hint.is_none() => {
            error.hint("what is written is whole; run the same command again to go on")
        }
        _ => error,
    })
}

/// Runs a job whose events go to `tell`, and which ends early when `stop` is set.
pub(super) fn work<R>(
    root: &Path,
    store: &Store,
    power: Power,
    (voice, tell): (&Voice, job::Listener<'_>),
    (stop, hashes): (&Stop, Option<&job::Hashes>),
    job: impl FnOnce(&Work<'_>) -> Result<R>,
) -> Result<R> {
    let pool = Pool::new(power.jobs);
    let result = job(&Work {
        root,
        store,
        pool: &pool,
        stop,
        tell,
        block_frames: power.block_frames,
        hashes,
    });
    voice.end();
    let (warnings, again) = store.tell();
    warnings.iter().for_each(|text| voice.warning(text));
    again.iter().for_each(|text| voice.note(text));
    result
}

/// The units of some mics, by mic name or by the last part of the output name.
fn named(option: &str, units: &[job::Unit<'_>], mics: &[String]) -> Result<Vec<usize>> {
    let mut chosen: Vec<usize> = Vec::new();
    for mic in mics {
        let found: Vec<usize> = (0..units.len())
            .filter(|&i| units[i].goes_by(mic))
            .collect();
        if found.is_empty() {
            let mut names: Vec<&str> = units
                .iter()
                .map(|u| {
                    u.derived
                        .as_ref()
                        .map_or(u.track.label.as_str(), |d| d.name.as_str())
                })
                .collect();
            names.sort_unstable();
            names.dedup();
            return Err(
                Error::input(format!("{option}: no track of this session is `{mic}`"))
                    .hint(crate::problem::suggest(mic, &names, "Mics of this session")),
            );
        }
        chosen.extend(found);
    }
    chosen.sort_unstable();
    chosen.dedup();
    Ok(chosen)
}
