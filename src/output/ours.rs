//! [`Ours`]: which files of an output folder the program made itself, and the one guard against
//! writing over any other.
//!
//! The manifest says it of every run that has ended, the ledger in the program's own folder of one
//! that was stopped: each file is noted there, with its hash, before it gets its name.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

use super::bag::own_folder;
use super::publish::{MANIFEST, Manifest, Outbox, sha256_file, sync};
use crate::error::{Error, Result, if_there};
use crate::files;

/// The program's own folder in an output folder.
pub const FOLDER: &str = ".batterhead";

/// Inside it: a line for every file that was written since the last manifest.
const LEDGER: &str = "written.jsonl";

/// Inside it: what runs note that make the stems of single songs.
pub const SONGS: &str = "songs";

/// Inside it: what a person had made of our files, kept when they were made again.
const ASIDE: &str = "set-aside";

/// So many are named at once.
const NAMED: usize = 5;

/// A file as it was when it got its name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Written {
    path: String,
    sha256: String,
    bytes: u64,
    modified_ns: u64,
}

/// What stands in the place of an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Nothing.
    Nothing,
    /// A file as we wrote it.
    Written,
    /// A file that we wrote, and that was changed since.
    Changed,
    /// Something that we did not write.
    Foreign,
}

/// Which files of an output folder are ours.
#[derive(Debug)]
pub struct Ours {
    root: PathBuf,
    /// Whether any run has been here.
    known_folder: bool,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    known: BTreeMap<String, Vec<Written>>,
    manifest: Manifest,
    ledger: Option<File>,
    /// The last line of the ledger may not be whole.
    torn: bool,
    /// What was set aside, in words.
    said: Vec<String>,
}

impl Ours {
    /// What is known of an output folder, which need not exist. Nothing is written.
    ///
    /// # Errors
    /// [`crate::error::Kind::Environment`]: what earlier runs noted there cannot be read.
    pub fn of(root: &Path) -> Result<Self> {
        let own = own_folder(root);
        let mut state = State::default();
        let manifest = Manifest::of(root)?;
        let found = if_there(&own, fs::symlink_metadata(&own))?;
        let has_own = found.is_some_and(|found| found.is_dir());
        let known_folder = has_own || manifest.is_some();
        state.manifest = manifest.unwrap_or_default();
        if has_own {
            let ledgers = [PathBuf::from(LEDGER)].into_iter();
            for name in ledgers.chain(song_ledgers(&own)?) {
                let path = own.join(name);
                if let Some(file) = if_there(&path, File::open(&path))? {
                    if_there(&path, state.read(BufReader::new(file)))?;
                }
            }
        }
        Ok(Self {
            root: root.to_owned(),
            known_folder,
            state: Mutex::new(state),
        })
    }

    /// Whether any run has been here.
    pub fn is_known_folder(&self) -> bool {
        self.known_folder
    }

    /// Whether a file of this name (relative, with `/`) was ever ours.
    pub fn knows(&self, path: &str) -> bool {
        let state = self.state();
        state.manifest.get(path).is_some()
            || state.known.contains_key(path)
            || (path == MANIFEST && self.known_folder)
    }

    /// The manifest that the last run left, and what was written since and stands as it was written:
    /// a run may have been stopped before it listed that, and the manifest may have been lost.
    ///
    /// # Errors
    /// Those of [`Ours::standing`].
    pub fn manifest(&self) -> Result<Manifest> {
        let mut manifest = self.state().manifest.clone();
        let unlisted: Vec<(String, String)> = (self.state().known.iter())
            .filter(|(path, _)| *path != MANIFEST && manifest.get(path).is_none())
            .filter_map(|(path, noted)| {
                let last = noted.iter().rfind(|written| written.bytes != u64::MAX)?;
                Some((path.clone(), last.sha256.clone()))
            })
            .collect();
        for (path, sha256) in unlisted {
            if self.standing(Path::new(&path))? == Standing::Written {
                manifest.insert(path, sha256);
            }
        }
        Ok(manifest)
    }

    /// The hashes that a file was written with since the last manifest, oldest first; the one in the
    /// manifest before them.
    pub fn hashes(&self, path: &str) -> Vec<String> {
        let state = self.state();
        let listed = state.manifest.get(path).map(str::to_owned);
        let noted = state.known.get(path).into_iter().flatten();
        listed
            .into_iter()
            .chain(noted.map(|written| written.sha256.clone()))
            .collect()
    }

    /// What stands in the place of an output. A file is hashed only where its length or its time of
    /// change is not what it was.
    ///
    /// # Errors
    /// [`crate::error::Kind::Environment`]: something stands there that cannot be read.
    pub fn standing(&self, path: &Path) -> Result<Standing> {
        let file = self.root.join(path);
        let Some(found) = if_there(&file, fs::symlink_metadata(&file))? else {
            return Ok(Standing::Nothing);
        };
        let Some(name) = path.to_str().filter(|_| found.is_file()) else {
            return Ok(Standing::Foreign);
        };
        if !self.knows(name) {
            return Ok(Standing::Foreign);
        }
        let state = self.state();
        let noted = state.known.get(name).map_or(&[][..], Vec::as_slice);
        let stamp = (found.len(), modified_ns(&found));
        if noted.iter().any(|w| (w.bytes, w.modified_ns) == stamp) {
            return Ok(Standing::Written);
        }
        drop(state);
        let hash = sha256_file(&file, &|| false).map_err(Error::needed)?;
        Ok(
            match hash.is_some_and(|hash| self.hashes(name).contains(&hash)) {
                true => Standing::Written,
                false => Standing::Changed,
            },
        )
    }

    /// Takes what a person made of one of our files for ours: it was read, and is not lost when the
    /// file is written again.
    pub fn adopt(&self, path: &str, sha256: &str) {
        self.state().remember(Written {
            path: path.to_owned(),
            sha256: sha256.to_owned(),
            bytes: u64::MAX,
            modified_ns: 0,
        });
    }

    /// Begins to note what is written, in the program's own folder; a run that makes single songs
    /// in the ledger of `song`.
    pub(super) fn begin(&self, outbox: &Outbox, song: Option<&str>) -> Result<()> {
        let own = outbox.own()?;
        let ledger = song.map_or(PathBuf::from(LEDGER), |song| song_file(song, LEDGER));
        let file = own.keep(&ledger)?;
        let mut state = self.state();
        state.torn = ends_torn(&own.root().join(&ledger));
        state.ledger = Some(file);
        Ok(())
    }

    /// Notes a file that is about to get its name.
    pub(super) fn note(&self, path: &Path, sha256: &str, part: &fs::Metadata) -> Result<()> {
        let Some(name) = path.to_str() else {
            return Ok(()); // no output has such a name
        };
        let written = Written {
            path: name.to_owned(),
            sha256: sha256.to_owned(),
            bytes: part.len(),
            modified_ns: modified_ns(part),
        };
        let mut line = serde_json::to_vec(&written).unwrap_or_default();
        line.push(b'\n');
        let mut state = self.state();
        if state.torn {
            line.insert(0, b'\n');
        }
        state.torn = true;
        if let Some(ledger) = &mut state.ledger {
            let noted = ledger.write_all(&line).and_then(|()| sync(ledger));
            noted.map_err(|e| Error::writing(&own_folder(&self.root).join(LEDGER), &e))?;
        }
        state.torn = false;
        state.remember(written);
        Ok(())
    }

    /// After the manifest was written: of what was noted, the last of each file is enough.
    pub fn settle(&self, outbox: &Outbox) -> Result<()> {
        let mut state = self.state();
        let mut text = Vec::new();
        for known in state.known.values_mut() {
            known.drain(..known.len().saturating_sub(1));
            for written in known.iter().filter(|written| written.bytes != u64::MAX) {
                text.extend(serde_json::to_vec(written).unwrap_or_default());
                text.push(b'\n');
            }
        }
        // Not every system replaces a file that is open.
        state.ledger = None;
        drop(state);
        let own = outbox.own()?;
        own.write(Path::new(LEDGER), &text)?;
        let ledgers = song_ledgers(own.root())?;
        ledgers.iter().try_for_each(|ledger| own.remove(ledger))?;
        self.begin(outbox, None)
    }

    /// Moves a file that a person has changed out of the way. What becomes of it is said by
    /// [`Ours::messages`].
    pub(super) fn set_aside(&self, outbox: &Outbox, path: &Path) -> Result<()> {
        let own = outbox.own()?;
        let kept = outbox.move_to(path, &own, &Path::new(ASIDE).join(path))?;
        self.state().said.push(format!(
            "{} was changed since it was written: made again; what was there is kept as {}",
            path.display(),
            own.root().join(kept).display()
        ));
        Ok(())
    }

    /// What was set aside, in words; once asked for, it is gone.
    pub fn messages(&self) -> Vec<String> {
        std::mem::take(&mut self.state().said)
    }

    /// Refuses an output folder in which something else than a file of ours has the name of an
    /// output: a file that somebody put there, a folder, a link, a device, a source of this very
    /// run. Nothing is written.
    ///
    /// # Errors
    /// [`crate::error::Kind::Input`], with the names; or it cannot be seen what is there.
    pub fn check<'a>(
        &self,
        names: impl IntoIterator<Item = PathBuf>,
        sources: impl IntoIterator<Item = &'a Path>,
    ) -> Result<()> {
        let sources: Vec<&Path> = sources.into_iter().collect();
        let mut errors = Vec::new();
        if let (false, Ok(root)) = (self.known_folder, self.root.canonicalize()) {
            let beneath = |path: &&&Path| {
                path.canonicalize()
                    .is_ok_and(|path| path.starts_with(&root))
            };
            if let Some(source) = sources.iter().find(beneath) {
                let reason = "lies in the output folder: outputs would mix with recordings";
                return Err(Error::input(reason)
                    .at(source)
                    .hint("give a folder of its own with --out"));
            }
        }
        let sources: BTreeSet<(u64, u64)> = sources.into_iter().filter_map(identity).collect();
        let mut folders = BTreeSet::new();
        for name in names {
            folders.extend(name.ancestors().skip(1).map(Path::to_owned));
            let path = self.root.join(&name);
            let known = || name.to_str().is_some_and(|name| self.knows(name));
            let what = match if_there(&path, fs::symlink_metadata(&path))? {
                Some(found) if found.is_symlink() => "is a symbolic link",
                Some(found) if !found.is_file() => "is a folder or device",
                Some(_) if identity(&path).is_some_and(|file| sources.contains(&file)) => {
                    "is read by this very run"
                }
                Some(_) if !known() => "is there already, and no run has written it",
                _ => continue,
            };
            let reason = format!("{what}: an output of this name would have to replace it");
            errors.push(Error::input(reason).at(&path));
        }
        for folder in folders.into_iter().filter(|f| f != Path::new("")) {
            let path = self.root.join(folder);
            let what = match fs::symlink_metadata(&path) {
                Ok(found) if found.is_symlink() => {
                    "is a symbolic link: outputs are never written through one"
                }
                Ok(found) if !found.is_dir() => "is no folder, but outputs belong into one",
                _ => continue,
            };
            errors.push(Error::input(what).at(&path));
        }
        let more = errors.len().saturating_sub(NAMED);
        errors.truncate(NAMED);
        let Some(mut error) = Error::all(errors) else {
            return Ok(());
        };
        if more > 0 {
            error.reason += &format!("\n\nand {more} more");
        }
        Err(match error.hint {
            None => error.hint("move it away, or give another folder with --out"),
            Some(_) => error,
        })
    }

    /// Refuses a folder that no run has been in and that holds recordings or a session file: outputs
    /// would mix with them.
    pub fn check_no_session(&self) -> Result<()> {
        match self.known_folder {
            true => Ok(()),
            false => {
                check_no_recordings(&self.root, &["stems", "mixes", "reports", "hits", "notes"])
            }
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn read(&mut self, mut ledger: impl BufRead) -> io::Result<()> {
        let mut line = Vec::new();
        while ledger.read_until(b'\n', &mut line)? > 0 {
            // A line that is not whole was never followed by its file.
            if let Ok(written) = serde_json::from_slice(&line) {
                self.remember(written);
            }
            line.clear();
        }
        Ok(())
    }

    fn remember(&mut self, written: Written) {
        let known = self.known.entry(written.path.clone()).or_default();
        known.retain(|before| before.sha256 != written.sha256);
        known.push(written);
    }
}

/// Refuses a folder that holds recordings or a session file, but for what lies in its folders `but`.
pub fn check_no_recordings(root: &Path, but: &[&str]) -> Result<()> {
    let refused = |path: &Path, what: &str| {
        let reason = format!("the output folder holds {what}: outputs would mix with them");
        Err(Error::input(reason)
            .at(path)
            .hint("give a folder of its own with --out"))
    };
    let session_file = root.join("session.toml");
    if session_file.exists() {
        return refused(&session_file, "a session file");
    }
    let skipped = |name: &std::ffi::OsStr| but.iter().any(|folder| name == *folder);
    let mut found = walkdir::WalkDir::new(root)
        .max_depth(4)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|entry| entry.depth() != 1 || !skipped(entry.file_name()))
        .filter_map(|entry| entry.ok())
        .filter(|entry| entry.file_type().is_file() && is_sound(entry.path()));
    match found.next() {
        Some(entry) => refused(entry.path(), "recordings"),
        None => Ok(()),
    }
}

/// Whether a file is a sound file by its name.
pub fn is_sound(path: &Path) -> bool {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let endings = [
        "wav", "wave", "bwf", "w64", "rf64", "aif", "aiff", "aifc", "flac",
    ];
    ending.is_some_and(|ending| endings.contains(&ending.as_str()))
}

/// What a run notes of a song, in the program's own folder.
pub fn song_file(song: &str, ending: &str) -> PathBuf {
    Path::new(SONGS).join(format!("{song}.{ending}"))
}

/// The ledgers of single songs, relative to the program's own folder.
fn song_ledgers(own: &Path) -> Result<Vec<PathBuf>> {
    let names = files::names(&own.join(SONGS))?;
    let ledgers = names.into_iter().filter(|name| name.ends_with(LEDGER));
    Ok(ledgers.map(|name| Path::new(SONGS).join(name)).collect())
}

/// Whether the last line may not be whole.
fn ends_torn(path: &Path) -> bool {
    !fs::read(path).is_ok_and(|bytes| bytes.last().is_none_or(|last| *last == b'\n'))
}

fn modified_ns(found: &fs::Metadata) -> u64 {
    let since = found
        .modified()
        .ok()
        .and_then(|at| at.duration_since(UNIX_EPOCH).ok());
    since.map_or(0, |since| since.as_nanos() as u64)
}

/// What makes a file different from every other one, whatever it is called.
#[cfg(unix)]
fn identity(path: &Path) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(path)
        .ok()
        .map(|found| (found.dev(), found.ino()))
}

/// Elsewhere by its real name.
#[cfg(not(unix))]
fn identity(path: &Path) -> Option<(u64, u64)> {
    use std::hash::{DefaultHasher, Hash, Hasher};
    let mut hasher = DefaultHasher::new();
    path.canonicalize().ok()?.hash(&mut hasher);
    Some((0, hasher.finish()))
}
