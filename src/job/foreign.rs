//! What stands in the way of the outputs, found before anything is written.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use crate::cache::store;
use crate::error::{Error, Result};
use crate::job::finish::WORKSHEET;
use crate::job::mixes;
use crate::job::record::RECORD;
use crate::output::layout::Unit;
use crate::output::publish::{MANIFEST, Manifest};
use crate::session::Session;

/// So many are named at once.
const NAMED: usize = 5;

/// Refuses an output folder in which something else than an output has the name of one: a folder, a
/// link, a device; or, where no run has been yet, a file that somebody put there.
pub fn check_foreign(out: &Path, session: &Session, units: &[Unit<'_>]) -> Result<()> {
    let is_ours = |path: &Path| {
        std::fs::symlink_metadata(path.join(store::FOLDER)).is_ok_and(|found| found.is_dir())
    };
    let ours = is_ours(out);
    let manifest = Manifest::of(out).and_then(Result::ok).unwrap_or_default();
    let mut errors = Vec::new();
    let mut folders = BTreeSet::new();
    for name in names(session, units) {
        folders.extend(name.ancestors().skip(1).map(Path::to_owned));
        let path = out.join(&name);
        let known = || name.to_str().is_some_and(|n| manifest.get(n).is_some());
        let what = match std::fs::symlink_metadata(&path) {
            Ok(found) if found.is_symlink() => "is a symbolic link",
            Ok(found) if !found.is_file() => "is a folder or device",
            Ok(_) if !ours && name != Path::new(MANIFEST) && !known() => {
                "is there already, and no run has written it"
            }
            _ => continue,
        };
        let reason = format!("{what}: an output of this name would have to replace it");
        errors.push(Error::input(reason).at(&path));
    }
    for folder in folders.into_iter().filter(|f| f != Path::new("")) {
        let path = out.join(folder);
        match std::fs::symlink_metadata(&path) {
            Ok(found) if found.is_symlink() => errors.push(
                Error::input("is a symbolic link: outputs are never written through one").at(&path),
            ),
            Ok(found) if !found.is_dir() => {
                errors.push(Error::input("is no folder, but outputs belong into one").at(&path));
            }
            _ => {}
        }
    }
    errors.truncate(NAMED);
    Error::all(errors).map_or(Ok(()), |error| {
        Err(match error.hint {
            None => error.hint("move it away, or give another folder with --out"),
            Some(_) => error,
        })
    })
}

/// Every name that a run is going to write, apart from the page's own files.
fn names(session: &Session, units: &[Unit<'_>]) -> Vec<PathBuf> {
    let mut names: Vec<PathBuf> = [
        MANIFEST,
        RECORD,
        WORKSHEET,
        "session.json",
        "session.csv",
        "session.html",
    ]
    .map(PathBuf::from)
    .into();
    for unit in units {
        names.push(PathBuf::from(&unit.stem_path));
        names.push(PathBuf::from(&unit.report_path));
    }
    for song in session.songs.iter().filter(|song| !song.slug.is_empty()) {
        let mix = |take: &crate::session::Take| mixes::path(&song.slug, &take.slug);
        names.extend(song.takes.iter().map(|take| PathBuf::from(mix(take))));
    }
    names
}
