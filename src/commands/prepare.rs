//! [`prepare`], and [`preview`] of what it would do.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{Options, bagged, check_standing, open, run, standing, worksheet};
use crate::error::{Error, Result};
use crate::job::{self, Anew, Job, Outcome, Presets, Share, Store, Work};
use crate::output::bag::Bag;
use crate::preset;
use crate::report::TOOL;

/// The whole job: stems, rough mixes and reports of the session at `path` (a folder, or a session
/// file) in `out`.
///
/// # Errors
/// [`crate::error::Kind::Input`], before anything is written, for what people wrote and for what is in
/// the way; [`crate::error::Kind::Locked`] where another run holds `out`;
/// [`crate::error::Kind::Environment`] where nothing can be written any more; the kinds of
/// [`job::Stop`]. A file that fails is an entry of the outcome.
pub fn prepare(path: &Path, out: &Path, options: &Options<'_>) -> Result<Outcome> {
    planned(path, out, options, false, |work, job, (inside, share)| {
        let plan = job::plan(work, job)?;
        match share {
            Some(share) => job::share(work, job, &plan, inside, share),
            None => job::render(work, job, &plan, inside),
        }
    })
}

/// What [`prepare`] would do: nothing is written but the worksheet, into `sink`.
///
/// # Errors
/// As [`prepare`]; what `sink` says.
pub fn preview(
    path: &Path,
    out: &Path,
    options: &Options<'_>,
    sink: &mut dyn Write,
) -> Result<Outcome> {
    planned(path, out, options, true, |work, job, _| {
        let plan = job::plan(work, job)?;
        job::write_worksheet(job, &plan, sink)
            .map_err(|error| Error::writing(Path::new("worksheet"), &error))?;
        Ok(job::report(job, &plan))
    })
}

/// Where outputs lie, and the songs of one machine of several.
type Target<'a> = (&'a Path, Option<&'a Share>);

fn planned(
    path: &Path,
    out: &Path,
    options: &Options<'_>,
    dry: bool,
    go: impl FnOnce(&Work<'_>, &Job<'_>, Target<'_>) -> Result<Outcome>,
) -> Result<Outcome> {
    let (mut session, mut config) = open(path, options)?;
    if let Some(preset) = &options.preset {
        config.give_all(from_here(preset));
    }
    job::check_places(&session.root, out)?;
    let (bag, inside) = bagged(out, options.bag)?;
    let out = inside.as_path();
    let (standing, folder) = standing(out, &mut session, options)?;
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
            let (sheet, text) = worksheet(file)?;
            job::check_keys(&sheet, &standing, &units, file)?;
            (Some(sheet), Some(standing.added(&text)))
        }
        None => (None, None),
    };
    check_standing(&standing, &units, out)?;
    if !dry {
        job::check_foreign(out, &session, &config, &units)?;
    }
    let job = Job {
        worksheet: worksheet.as_ref(),
        worksheet_notes,
        only: only.as_deref(),
        mixes: only.is_none(),
        standing: &standing,
        folder: &folder,
        anew: options.anew.clone(),
        prune: options.prune,
        ..Job::new(&session, &config, &units)
    };
    let store = match (dry, &share) {
        (true, _) => Store::passing()?,
        (false, share) => {
            bag.as_ref().map_or(Ok(()), Bag::open)?;
            match share {
                Some(share) => Store::share(out, share.songs())?,
                None => Store::open(out)?,
            }
        }
    };
    let target = (out, share.as_ref());
    let outcome = run(&session.root, &store, options, None, |work| {
        go(work, &job, target)
    })?;
    // A run of single songs leaves it to the one that joins them.
    if let Some(bag) = bag.filter(|_| !dry && share.is_none()) {
        bag.close(TOOL)?;
    }
    Ok(outcome)
}

/// A preset as it was named from where the program was started, not from the session folder.
fn from_here(preset: &str) -> String {
    let named = || preset.to_owned();
    if !preset::is_path(preset) {
        return named();
    }
    let absolute = std::path::absolute(preset);
    absolute.map_or_else(
        |_| named(),
        |path: PathBuf| path.to_string_lossy().into_owned(),
    )
}

/// The units of some mics, by mic name or by the last part of the output name.
fn named(option: &str, units: &[job::Unit<'_>], mics: &[String]) -> Result<Vec<usize>> {
    let mut chosen: Vec<usize> = Vec::new();
    for mic in mics {
        let found: Vec<usize> = (0..units.len())
            .filter(|&i| units[i].goes_by(mic))
            .collect();
        if found.is_empty() {
            let label = |unit: &job::Unit<'_>| match &unit.derived {
                Some(derived) => derived.name.clone(),
                None => unit.track.label.clone(),
            };
            let mut names: Vec<String> = units.iter().map(label).collect();
            names.sort_unstable();
            names.dedup();
            let names: Vec<&str> = names.iter().map(String::as_str).collect();
            let error = Error::input(format!("{option}: no track of this session is `{mic}`"));
            return Err(error.hint(crate::problem::suggest(mic, &names, "Mics of this session")));
        }
        chosen.extend(found);
    }
    chosen.sort_unstable();
    chosen.dedup();
    Ok(chosen)
}
