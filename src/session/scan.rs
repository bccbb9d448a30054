//! [`scan`]: a folder → [`Session`]. Reads headers only.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use walkdir::{DirEntry, WalkDir};

use super::config::SessionFile;
use super::names::folders::ENDINGS;
use super::{Failed, Session, Skipped, arrange};
use crate::audio;
use crate::error::{Error, Kind, Result};
use crate::files;
use crate::remark::Remark;

/// Folders below this depth are left out.
const MAX_DEPTH: usize = 32;
/// What a session file is called at the top of a session folder.
pub const SESSION_FILE: &str = "session.toml";
/// Where an output folder keeps what is the program's own.
const OWN_FOLDER: &str = ".batterhead";
/// First bytes of the formats that [`audio::open`] knows.
const MAGIC: [&[u8]; 5] = [b"RIFF", b"RF64", b"BW64", b"fLaC", b"FORM"];
/// Sound in formats that cannot be read.
const FOREIGN: &str = "mp3 m4a aac ogg opus wma caf w64 ac3 sd2 alac ape wv";

/// The folder and the settings that a SESSION argument names: a folder, with its `session.toml` if
/// it has one, or a session file.
///
/// # Errors
/// [`Kind::Input`](crate::error::Kind::Input): it is not there, or everything that is wrong in the
/// session file.
pub fn open(session: &Path) -> Result<(PathBuf, SessionFile)> {
    let missing = |e: std::io::Error| {
        let reason = Error::reading(session, &e).reason;
        Error::input(reason)
            .at(session)
            .hint("name a folder of takes, or a session file")
    };
    let meta = std::fs::metadata(session).map_err(missing)?;
    if !meta.is_dir() {
        let config = SessionFile::read(session)?;
        let parent = session.parent().unwrap_or(Path::new(""));
        let parent = if parent == Path::new("") {
            Path::new(".")
        } else {
            parent
        };
        let root = match &config.folder {
            Some(folder) => parent.join(folder),
            None => parent.to_owned(),
        };
        if !root.is_dir() {
            let reason = format!("`folder` names {}, which is not a folder", root.display());
            return Err(Error::input(reason).at(session));
        }
        return Ok((root, config));
    }
    // Whatever has this name is meant as the session file: what cannot be read is not passed over.
    let file = session.join(SESSION_FILE);
    match std::fs::symlink_metadata(&file) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            Ok((session.to_owned(), SessionFile::default()))
        }
        _ => Ok((session.to_owned(), SessionFile::read(&file)?)),
    }
}

/// Finds the sound files under `root` and sorts them into songs, takes and tracks.
///
/// Links are not followed; hidden files are passed over; a folder that this program wrote is left
/// out. What is not sound is in `skipped`, what cannot be read in `failed`.
///
/// # Errors
/// [`Kind::Input`]: no such folder, no sound file in it, an output
/// folder, or as [`arrange`]. [`Kind::Environment`]: the folder itself cannot be read.
pub fn scan(root: &Path, config: &SessionFile) -> Result<Session> {
    let (session, any) = found(root, config)?;
    if any {
        return Ok(session);
    }
    let hint = match session.skipped.len() {
        0 => "it is empty, or holds hidden files only".to_owned(),
        n => format!("{n} other files are there; WAV, FLAC and AIFF are read"),
    };
    Err(Error::input("no sound file in this folder")
        .at(root)
        .hint(hint))
}

/// The same of a folder that is being filled: there may be no sound file in it yet.
///
/// # Errors
/// As [`scan`] otherwise.
pub fn scan_so_far(root: &Path, config: &SessionFile) -> Result<Session> {
    found(root, config).map(|(session, _)| session)
}

/// The session, and whether there is any sound file.
fn found(root: &Path, config: &SessionFile) -> Result<(Session, bool)> {
    if !root.is_dir() {
        return Err(Error::input("is not a folder")
            .at(root)
            .hint("name a folder of takes"));
    }
    if is_output(root) {
        let hint = "name the folder of the recordings instead";
        return Err(Error::input("is an output folder of this program")
            .at(root)
            .hint(hint));
    }
    // A folder given as `.` still has a name, which may be the song's.
    let named = match root.file_name() {
        Some(_) => root.to_owned(),
        None => root.canonicalize().unwrap_or_else(|_| root.to_owned()),
    };
    let mut found = Found::default();
    found.walk(root)?;
    let candidates = std::mem::take(&mut found.candidates);
    let header = |path: &PathBuf| audio::open(&root.join(path)).map(|file| file.info().clone());
    let headers: Vec<_> = match rayon::ThreadPoolBuilder::new().build() {
        Ok(threads) => threads.install(|| candidates.par_iter().map(header).collect()),
        Err(_) => candidates.iter().map(header).collect(), // the system has no threads to give
    };
    let mut files = Vec::new();
    for (path, header) in candidates.into_iter().zip(headers) {
        match header {
            Ok(info) if info.frames == 0 => found.fail(path, "holds no samples"),
            Ok(info) => files.push((path, info)),
            Err(error) => {
                let hint = error.hint.map(|hint| format!("; {hint}"));
                found.fail(path, error.reason + &hint.unwrap_or_default());
            }
        }
    }
    let any = !(files.is_empty() && found.failed.is_empty());
    let mut session = arrange(&named, files, config)?;
    session.root = root.to_owned();
    session.skipped.append(&mut found.skipped);
    session.failed = found.failed;
    session.skipped.sort_by(|a, b| a.path.cmp(&b.path));
    session.failed.sort_by(|a, b| a.path.cmp(&b.path));
    Ok((session, any))
}

#[derive(Default)]
struct Found {
    candidates: Vec<PathBuf>,
    skipped: Vec<Skipped>,
    failed: Vec<Failed>,
}

impl Found {
    /// Only the session folder itself cannot be done without.
    fn walk(&mut self, root: &Path) -> Result<()> {
        let mut seen: BTreeMap<(u64, u64), PathBuf> = BTreeMap::new();
        let mut walk = WalkDir::new(root)
            .max_depth(MAX_DEPTH + 1)
            .sort_by_file_name()
            .into_iter();
        while let Some(entry) = walk.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    let path = error.path().unwrap_or(root).to_owned();
                    let reason = match error.io_error() {
                        Some(io) => Error::reading(&path, io).reason,
                        None => "cannot be read: a folder that holds itself".to_owned(),
                    };
                    if path == root {
                        return Err(Error::new(Kind::Environment, reason).at(root));
                    }
                    self.fail(relative(root, &path), reason);
                    continue;
                }
            };
            if entry.depth() == 0 {
                continue;
            }
            let path = relative(root, entry.path());
            let kind = entry.file_type();
            let hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
            if kind.is_dir() {
                let reason = match hidden {
                    true => None,
                    false if is_output(entry.path()) => Some(Remark::OutputFolder),
                    false if entry.depth() > MAX_DEPTH => Some(Remark::FolderTooDeep),
                    false => continue,
                };
                walk.skip_current_dir();
                if let Some(reason) = reason {
                    self.skip(path, reason);
                }
            } else if hidden {
                // `._` copies and other files that no person made: silently
            } else if kind.is_symlink() {
                self.skip(path, link(root, &entry));
            } else if !kind.is_file() {
                self.skip(path, Remark::NotAFile);
            } else if let Some(first) = same_file(&entry, &path, &mut seen) {
                let first = first.display().to_string();
                self.skip(path, Remark::SameFileAs { path: first });
            } else {
                self.file(&entry, path);
            }
        }
        Ok(())
    }

    fn file(&mut self, entry: &DirEntry, path: PathBuf) {
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        let ending = ending.unwrap_or_default();
        if ENDINGS.contains(&ending.as_str()) {
            return self.candidates.push(path);
        }
        if entry.depth() == 1 && entry.file_name() == SESSION_FILE {
            return;
        }
        if FOREIGN.split(' ').any(|foreign| foreign == ending) {
            return self.skip(path, Remark::ForeignFormat);
        }
        match first_bytes(entry.path()) {
            Ok(bytes) if MAGIC.iter().any(|magic| bytes == *magic) => self.candidates.push(path),
            Ok(_) => self.skip(path, Remark::NotSound),
            Err(error) => {
                let reason = Error::reading(entry.path(), &error).reason;
                self.skip(path, Remark::Unreadable { reason });
            }
        }
    }

    fn skip(&mut self, path: PathBuf, reason: Remark) {
        self.skipped.push(Skipped { path, reason });
    }

    fn fail(&mut self, path: PathBuf, reason: impl Into<String>) {
        let reason = reason.into();
        self.failed.push(Failed { path, reason });
    }
}

/// Whether this program wrote the folder.
pub(super) fn is_output(folder: &Path) -> bool {
    let own = || {
        let report = folder.join("session.json");
        let mut head = Vec::new();
        let read = report.is_file() && {
            let file = files::open(&report);
            file.and_then(|file| file.take(1000).read_to_end(&mut head))
                .is_ok()
        };
        read && String::from_utf8_lossy(&head).contains("\"batterhead")
    };
    folder.join(OWN_FOLDER).is_dir() || (folder.join("manifest-sha256.txt").is_file() && own())
}

fn relative(root: &Path, path: &Path) -> PathBuf {
    path.strip_prefix(root).unwrap_or(path).to_owned()
}

/// Why a link is left out.
fn link(root: &Path, entry: &DirEntry) -> Remark {
    match (entry.path().canonicalize(), root.canonicalize()) {
        (Err(_), _) => Remark::LinkToNothing,
        (Ok(target), Ok(root)) if target.starts_with(&root) => Remark::LinkInside,
        _ => Remark::LinkOutside,
    }
}

/// The path under which the same file was seen already.
#[cfg(unix)]
fn same_file(
    entry: &DirEntry,
    path: &Path,
    seen: &mut BTreeMap<(u64, u64), PathBuf>,
) -> Option<PathBuf> {
    use std::os::unix::fs::MetadataExt;
    let meta = entry.metadata().ok().filter(|meta| meta.nlink() > 1)?;
    let key = (meta.dev(), meta.ino());
    if let Some(first) = seen.get(&key) {
        return Some(first.clone());
    }
    seen.insert(key, path.to_owned());
    None
}

#[cfg(not(unix))]
fn same_file(_: &DirEntry, _: &Path, _: &mut BTreeMap<(u64, u64), PathBuf>) -> Option<PathBuf> {
    None
}

fn first_bytes(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    files::open(path)?.take(4).read_to_end(&mut bytes)?;
    Ok(bytes)
}
