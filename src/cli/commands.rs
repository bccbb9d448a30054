//! One function a command: its arguments in, an exit status out.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::voice::Voice;
use super::{print, print_from, signals, summary};
use crate::error::{Error, Kind, Result};
use crate::job::{self, Job, Pool, Presets, Stop, Store, Work};
use crate::problem::read_text;
use crate::report::write_json;
use crate::session::{Session, SessionFile, table};
use crate::worksheet::Worksheet;
use crate::{demo, preset, session, shootout};

/// A worksheet may have no more bytes than this: 20,000 tracks with gates fit.
const LARGEST_WORKSHEET: u64 = 64_000_000;

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

pub fn scan(path: &Path, json: bool, init: bool, voice: &Voice) -> Result<u8> {
    let (session, _) = open(path, voice)?;
    match (json, init) {
        (true, _) => print_from(&|out| write_json(&table::json(&session), out))?,
        (_, true) => print(&session::init_toml(&session))?,
        _ => sum_up(&table::text(&session), voice)?,
    }
    Ok(u8::from(!session.failed.is_empty()))
}

pub fn check(
    path: &Path,
    out: Option<&Path>,
    json: bool,
    power: Power,
    voice: &Voice,
) -> Result<u8> {
    let (session, config) = open(path, voice)?;
    if let Some(out) = out {
        job::check_places(&session.root, out)?;
    }
    let presets = Presets::load(&session, &config)?;
    let units = job::units(&session, &config, &presets)?;
    if let Some(out) = out {
        job::check_foreign(out, &session, &units)?;
    }
    let job = Job {
        session: &session,
        config: &config,
        units: &units,
        worksheet: None,
        only: None,
        mixes: false,
    };
    let store = match out {
        Some(out) => Store::open(out)?,
        None => Store::passing()?,
    };
    let outcome = run(&session.root, &store, power, voice, |work| {
        let plan = job::plan(work, &job)?;
        let outcome = job::report(&job, &plan);
        if let Some(out) = out {
            job::write_reports(work, &job, &plan, &outcome, out)?;
        }
        Ok(outcome)
    })?;
    match json {
        true => print_from(&|out| outcome.write_json(out))?,
        false => sum_up(&summary::check(&outcome, out), voice)?,
    }
    Ok(outcome.status())
}

/// How much is worked on at a time.
#[derive(Clone, Copy)]
pub struct Power {
    /// Threads.
    pub jobs: usize,
    /// Frames read at a time.
    pub block_frames: usize,
}

/// Options of `prep`.
pub struct PrepOptions {
    /// Print the worksheet, write nothing.
    pub dry_run: bool,
    /// An edited worksheet.
    pub worksheet: Option<PathBuf>,
    /// The preset of all mics.
    pub preset: Option<String>,
    /// Mics to render.
    pub only: Option<Vec<String>>,
    /// Threads and blocks.
    pub power: Power,
}

pub fn prep(path: &Path, out: &Path, options: PrepOptions, voice: &Voice) -> Result<u8> {
    let (session, mut config) = open(path, voice)?;
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
    let presets = Presets::load(&session, &config)?;
    let units = job::units(&session, &config, &presets)?;
    let only = options
        .only
        .as_deref()
        .map(|mics| only(&units, mics))
        .transpose()?;
    let worksheet = options.worksheet.as_deref().map(worksheet).transpose()?;
    if let Some(sheet) = &worksheet {
        job::check_keys(sheet, &units, options.worksheet.as_deref())?;
    } else if !options.dry_run {
        job::check_worksheet(out)?;
    }
    if !options.dry_run {
        job::check_foreign(out, &session, &units)?;
    }
    let job = Job {
        session: &session,
        config: &config,
        units: &units,
        worksheet: worksheet.as_ref(),
        only: only.as_deref(),
        mixes: only.is_none(),
    };
    if options.dry_run {
        let store = Store::passing()?;
        let plan = run(&session.root, &store, options.power, voice, |work| {
            job::plan(work, &job)
        })?;
        print_from(&|out| plan.write_worksheet(out))?;
        let outcome = job::report(&job, &plan);
        voice.note(&summary::dry_run(&units, &outcome));
        return Ok(outcome.status());
    }
    let store = Store::open(out)?;
    let outcome = run(&session.root, &store, options.power, voice, |work| {
        let plan = job::plan(work, &job)?;
        job::render(work, &job, &plan, out)
    })?;
    sum_up(&summary::prep(&outcome, out), voice)?;
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
    let preset = preset::find(preset)?;
    let (session, config) = job::apply::session(files, together)?;
    tell_failed(&session, voice);
    job::apply::check_places(files, out)?;
    let units = job::apply::units(&session, &preset);
    job::check_foreign(out, &session, &units)?;
    let job = Job {
        session: &session,
        config: &config,
        units: &units,
        worksheet: None,
        only: None,
        mixes: false,
    };
    let store = Store::open(out)?;
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
    voice.note(&format!("synthesising a session in {}", takes.display()));
    let planted = demo::write(&takes, &|_, _| {})?;
    let status = prep(
        &takes,
        &prepared,
        PrepOptions {
            dry_run: false,
            worksheet: None,
            preset: None,
            only: None,
            power,
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
    let pool = Pool::new(power.jobs);
    let result = job(&Work {
        root,
        store,
        pool: &pool,
        stop: &stop,
        tell: &tell,
        block_frames: power.block_frames,
    });
    voice.end();
    let (warnings, again) = store.tell();
    warnings.iter().for_each(|text| voice.warning(text));
    again.iter().for_each(|text| voice.note(text));
    result.map_err(|error| match error.kind {
        Kind::Interrupted | Kind::Terminated | Kind::Environment if error.hint.is_none() => {
            error.hint("what is written is whole; run the same command again to go on")
        }
        _ => error,
    })
}

fn worksheet(path: &Path) -> Result<Worksheet> {
    let text = read_text(path, LARGEST_WORKSHEET)?;
    Ok(Worksheet::parse(&text, &path.to_string_lossy())?)
}

/// The units of some mics, by mic name or by the last part of the output name.
fn only(units: &[job::Unit<'_>], mics: &[String]) -> Result<Vec<usize>> {
    let fits = |unit: &job::Unit<'_>, mic: &str| match &unit.derived {
        Some(derived) => derived.name == mic,
        None => unit.track.mic.name() == mic || unit.track.label == mic,
    };
    let mut chosen: Vec<usize> = Vec::new();
    for mic in mics {
        let found: Vec<usize> = (0..units.len()).filter(|&i| fits(&units[i], mic)).collect();
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
                Error::input(format!("--only: no track of this session is `{mic}`"))
                    .hint(crate::problem::suggest(mic, &names, "Mics of this session")),
            );
        }
        chosen.extend(found);
    }
    chosen.sort_unstable();
    chosen.dedup();
    Ok(chosen)
}
