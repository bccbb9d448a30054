//! One function a command: its arguments in, an exit status out.

use std::path::{Path, PathBuf};

use super::voice::Voice;
use super::{print, print_from, summary};
use crate::commands::{self, Options};
use crate::error::{Error, Kind, Result};
use crate::report::write_json;
use crate::session::table;
use crate::{demo, job, preset, session};

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

/// What `scan` shows, and of what.
pub struct Scan {
    /// Print JSON.
    pub json: bool,
    /// A session file to start from.
    pub init: Init,
    /// List every file.
    pub files: bool,
    /// The output folder that `prep` will be given.
    pub out: Option<PathBuf>,
}

/// What `scan --json` prints.
#[derive(serde::Serialize)]
struct Scanned<'a> {
    #[serde(flatten)]
    session: table::Json<'a>,
    /// `null` where `prep` would refuse the session.
    estimate: Option<job::Estimate>,
}

pub fn scan(path: &Path, scan: &Scan, options: &Options<'_>, voice: &Voice) -> Result<u8> {
    if matches!(scan.init, Init::Print) {
        refuse_own_input(path)?;
    }
    let (mut session, config) = commands::open(path, options)?;
    match &scan.init {
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
    let estimate = commands::estimate(&mut session, &config, scan.out.as_deref(), options);
    let known = estimate.as_ref().ok().copied();
    match scan.json {
        true => {
            let scanned = Scanned {
                session: table::json(&session),
                estimate: known,
            };
            print_from(&|out| write_json(&scanned, out))?;
        }
        false => {
            let mut text = table::text(&session, columns());
            if scan.files {
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

pub fn check(
    path: &Path,
    out: Option<&Path>,
    json: bool,
    options: &Options<'_>,
    voice: &Voice,
) -> Result<u8> {
    voice.begin("try");
    let outcome = commands::check(path, out, options)?;
    voice.end();
    match json {
        true => print_from(&|out| outcome.write_json(out))?,
        false => sum_up(&summary::check(&outcome, out), voice)?,
    }
    Ok(outcome.status())
}

pub fn prep(path: &Path, out: &Path, options: &Options<'_>, voice: &Voice) -> Result<u8> {
    voice.begin("excerpt");
    let outcome = commands::prepare(path, out, options)?;
    voice.end();
    sum_up(&summary::prep(&outcome, out), voice)?;
    Ok(outcome.status())
}

/// `prep --dry-run`: prints the worksheet, writes nothing.
pub fn preview(path: &Path, out: &Path, options: &Options<'_>, voice: &Voice) -> Result<u8> {
    voice.begin("try");
    let mut worksheet = Vec::new();
    let outcome = commands::preview(path, out, options, &mut worksheet)?;
    voice.end();
    print_from(&|out| out.write_all(&worksheet))?;
    // A message is one line.
    let text = summary::dry_run(&outcome);
    text.lines().for_each(|line| voice.note(line));
    Ok(outcome.status())
}

pub fn apply(
    preset: &str,
    files: &[PathBuf],
    out: &Path,
    options: &Options<'_>,
    voice: &Voice,
) -> Result<u8> {
    voice.begin("render");
    let outcome = commands::apply(preset, files, out, options)?;
    voice.end();
    sum_up(&summary::apply(&outcome, out), voice)?;
    Ok(outcome.status())
}

pub fn shootout(
    candidates: &[PathBuf],
    out: &Path,
    json: bool,
    options: &Options<'_>,
    voice: &Voice,
) -> Result<u8> {
    let report = commands::shootout(candidates, out, options)?;
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

pub fn demo(out: &Path, options: &Options<'_>, voice: &Voice) -> Result<u8> {
    let (takes, prepared) = (out.join("takes"), out.join("prepared"));
    job::check_demo(out, &prepared)?;
    voice.note(&format!("synthesising a session in {}", takes.display()));
    let planted = demo::write(&takes, &|_, _| {})?;
    let status = prep(&takes, &prepared, options, voice)?;
    sum_up(&summary::demo(&planted, &takes, &prepared), voice)?;
    // The demo plants a file that cannot be read to its end; that it is reported is what should happen.
    Ok(status)
}
