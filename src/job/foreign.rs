//! What stands in the way of the outputs, found before anything is written.

use std::path::{Path, PathBuf};

use crate::cache;
use crate::error::Result;
use crate::files;
use crate::job::excerpts;
use crate::job::finish::WORKSHEET;
use crate::job::record::RECORD;
use crate::job::take::{self, drum_path};
use crate::output::layout::Unit;
use crate::output::mixes;
use crate::output::ours::{Ours, check_no_recordings};
use crate::output::publish::MANIFEST;
use crate::report::page;
use crate::session::mic::drum;
use crate::session::{Session, SessionFile};

/// Refuses an output folder that another run holds, that is a session itself, or in which something
/// else than an output has the name of one.
pub fn check_foreign(
    out: &Path,
    session: &Session,
    config: &SessionFile,
    units: &[Unit<'_>],
) -> Result<()> {
    cache::check_free(out)?;
    let ours = Ours::of(out)?;
    if session.songs.iter().any(|song| !song.slug.is_empty()) {
        ours.check_no_session()?;
    }
    let sources: Vec<PathBuf> = (session.tracks())
        .flat_map(|(_, _, track)| &track.sources)
        .map(|source| session.root.join(&source.path))
        .collect();
    // A worksheet that a person put there has been read by now, and is gone on with.
    let is_file = files::stands(&out.join(WORKSHEET))?;
    let read = |name: &PathBuf| is_file && ours.is_known_folder() && name == Path::new(WORKSHEET);
    let names = names(session, config, units);
    ours.check(
        names.into_iter().filter(|name| !read(name)),
        sources.iter().map(PathBuf::as_path),
    )
}

/// The same of the folder of a demo, before its takes are made: nothing but a demo may lie there.
pub fn check_demo(out: &Path, prepared: &Path) -> Result<()> {
    check_no_recordings(out, &["takes", "prepared"])?;
    cache::check_free(prepared)?;
    let ours = Ours::of(prepared)?;
    ours.check_no_session()?;
    let names = [
        MANIFEST,
        RECORD,
        WORKSHEET,
        "session.json",
        "session.csv",
        page::PAGE,
    ];
    let folders = ["stems", "mixes", "reports", "hits", "notes", page::FOLDER];
    let any_file = folders.map(|folder| format!("{folder}/any"));
    let names = names
        .iter()
        .copied()
        .chain(any_file.iter().map(String::as_str));
    ours.check(names.map(PathBuf::from), [])
}

/// Every name that a run may write.
pub fn names(session: &Session, config: &SessionFile, units: &[Unit<'_>]) -> Vec<PathBuf> {
    let mut names: Vec<String> = [
        MANIFEST,
        RECORD,
        WORKSHEET,
        "session.json",
        "session.csv",
        page::PAGE,
    ]
    .map(str::to_owned)
    .into();
    names.extend(page::parts());
    for unit in units {
        names.push(unit.stem_path.clone());
        names.push(unit.report_path.clone());
        names.push(excerpts::path(unit));
    }
    for song in session.songs.iter().filter(|song| !song.slug.is_empty()) {
        names.push(take::notes_path(&song.slug));
        names.push(page::song_page(&song.slug));
        for take in &song.takes {
            names.extend(mixes::names(config, song, take));
            names.push(excerpts::mix_path(&song.slug, &take.slug));
            names.extend(take::hits_paths(&song.slug, &take.slug));
            if config.hits.file_per_drum {
                let drums = take
                    .tracks
                    .iter()
                    .filter_map(|track| drum(track.mic.family, track.mic.name(), track.side));
                names.extend(drums.map(|drum| drum_path(&song.slug, &take.slug, &drum)));
            }
        }
    }
    names.into_iter().map(PathBuf::from).collect()
}
