//! What a run remembers in `DIR/.batterhead/`: the lock, measurements by content, finished outputs.
//!
//! All of it is sealed: a line of the journal begins with its own SHA-256, a kept result with that of
//! its key and itself. What does not hold is as good as absent, so a torn write or a flipped bit costs work, never truth.

use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};

use super::journal::Journal;
use super::lock;
use crate::error::{Error, Kind, Result, plain};
use crate::files::{self, hex};
use crate::output::ours::{SONGS, song_file};
use crate::output::publish::{self, Content, Outbox};

pub use super::journal::Done;
pub use crate::cache::key::{Key, Origin};
pub use crate::output::ours::FOLDER;

const JOURNAL: &str = "journal.jsonl";
/// Ending of the journal of a song.
const SONG_JOURNAL: &str = "journal.jsonl";
/// The folder of kept results.
const CACHE: &str = "cache";

/// The memory of an output folder, or of a folder that is thrown away.
pub struct Store {
    root: PathBuf,
    outbox: Outbox,
    journal: Mutex<Journal>,
    notices: Mutex<Notices>,
    /// Hashes of files that several tracks lie in.
    hashes: Mutex<HashMap<PathBuf, Arc<OnceLock<Result<String>>>>>,
    /// Nothing was kept in it when it was opened.
    fresh: bool,
    _locks: Vec<File>,
    _thrown_away: Option<tempfile::TempDir>,
}

/// What a person should know of the memory.
#[derive(Default)]
struct Notices {
    warnings: Vec<String>,
    /// Reason → how many outputs are made again, and the first of them.
    again: BTreeMap<String, (usize, Vec<String>)>,
}

impl Store {
    /// Takes the lock of the output folder `dir` and reads what was finished before.
    pub fn open(dir: &Path) -> Result<Self> {
        Self::locked(dir, &[]).map_err(Error::needed)
    }

    /// The same for a run that makes stems of these songs only, beside others that make those of
    /// other songs: what it finishes is noted in a journal of the first of them.
    pub fn share(dir: &Path, songs: &[String]) -> Result<Self> {
        Self::locked(dir, songs).map_err(Error::needed)
    }

    fn locked(dir: &Path, songs: &[String]) -> Result<Self> {
        let outbox = Outbox::open(dir)?.own()?;
        let root = outbox.root().to_owned();
        let mut notices = Notices::default();
        let common = || outbox.keep(Path::new(JOURNAL));
        let (locks, journal) = match songs.first() {
            None => {
                let lock = lock::whole(&outbox, dir, &mut notices.warnings)?;
                publish::sweep(dir)?;
                (vec![lock], Journal::read(Vec::new(), common()?))
            }
            Some(first) => {
                let locks = lock::songs(&outbox, dir, songs, &mut notices.warnings)?;
                let own = outbox.keep(&song_file(first, SONG_JOURNAL))?;
                (locks, Journal::read(vec![common()?], own))
            }
        };
        // Without it a run would forget what it has made.
        let mut journal = journal.map_err(|error| Error::reading(&root.join(JOURNAL), &error))?;
        if songs.is_empty() {
            join_songs(&outbox, &mut journal)?;
        }
        Ok(Self {
            fresh: !root.join(CACHE).exists(),
            outbox,
            root,
            journal: Mutex::new(journal),
            notices: Mutex::new(notices),
            hashes: Mutex::default(),
            _locks: locks,
            _thrown_away: None,
        })
    }

    /// A memory that is gone when it is dropped: for commands that store nothing.
    pub fn passing() -> Result<Self> {
        let folder = tempfile::Builder::new()
            .prefix("batterhead-")
            .tempdir()
            .map_err(|e| {
                let reason = format!("no temporary folder can be made: {}", plain(&e));
                Error::new(Kind::Environment, reason)
                    .at(&std::env::temp_dir())
                    .hint("name a folder that can be written in TMPDIR")
            })?;
        let outbox = Outbox::open(folder.path())?.own()?;
        let journal = Journal::read(Vec::new(), outbox.keep(Path::new(JOURNAL))?);
        let journal = journal.map_err(|e| Error::reading(&outbox.root().join(JOURNAL), &e))?;
        Ok(Self {
            root: outbox.root().to_owned(),
            outbox,
            journal: Mutex::new(journal),
            notices: Mutex::default(),
            hashes: Mutex::default(),
            fresh: true,
            _locks: Vec::new(),
            _thrown_away: Some(folder),
        })
    }

    /// The hash of a file that several tracks lie in: who asks first takes it, the others wait.
    pub fn hash_once(&self, path: &Path, hash: impl FnOnce() -> Result<String>) -> Result<String> {
        let mut hashes = self.hashes.lock().unwrap_or_else(PoisonError::into_inner);
        let slot = Arc::clone(hashes.entry(path.to_owned()).or_default());
        drop(hashes);
        slot.get_or_init(hash).clone()
    }

    fn path(&self, key: &Key, ending: &str) -> String {
        let (folder, name) = key.parts();
        format!("{CACHE}/{folder}/{name}.{ending}")
    }

    /// Whether nothing was kept before this run: to look for something is in vain then.
    pub fn is_fresh(&self) -> bool {
        self.fresh
    }

    /// A result kept before. A file that cannot be read or understood is no result.
    pub fn get<T: DeserializeOwned>(&self, key: &Key) -> Option<T> {
        serde_json::from_slice(&self.read(key, "json")?).ok()
    }

    /// Keeps a result. Where that fails the result is none the worse, and the next run finds it out
    /// again; only what stops the whole run is an error.
    pub fn put(&self, key: &Key, value: &impl Serialize) -> Result<()> {
        self.tolerate(self.keep(key, value))
    }

    /// Keeps a result that this run is going to ask for.
    pub fn keep(&self, key: &Key, value: &impl Serialize) -> Result<()> {
        let bytes = serde_json::to_vec(value)
            .map_err(|e| Error::new(Kind::File, format!("a result cannot be stored: {e}")))?;
        self.write(key, "json", &bytes)
    }

    /// Where a result lies; for messages.
    pub fn place_of(&self, key: &Key) -> PathBuf {
        self.place(key, "json")
    }

    /// The file of bytes kept before, and where in it they begin.
    pub fn get_file(&self, key: &Key) -> Option<(File, u64)> {
        let mut file = files::open(&self.place(key, "bin")).ok()?;
        let mut head = [0; SEAL + 1];
        file.read_exact(&mut head).ok()?;
        let mut sealing = Sealing::new(key, io::sink());
        io::copy(&mut file, &mut sealing).ok()?;
        (head == sealing.head().0).then_some((file, head.len() as u64))
    }

    /// Keeps bytes that need not fit in memory.
    pub fn put_file(&self, key: &Key, content: &Content<'_>) -> Result<()> {
        let path = PathBuf::from(self.path(key, "bin"));
        let failed = |error: io::Error| Error::writing(&self.root.join(&path), &error);
        let mut draft = self.outbox.create(&path)?;
        draft.write_all(&[0; SEAL + 1]).map_err(failed)?;
        let mut sealing = Sealing::new(key, BufWriter::new(draft));
        content(&mut sealing).map_err(failed)?;
        let (head, draft) = sealing.head();
        let draft = draft.into_inner();
        let mut draft = draft.map_err(|error| failed(error.into_error()))?;
        draft.patch(0, &head).map_err(failed)?;
        draft.publish().map(drop)
    }

    /// A file without a name, which is gone when it is closed.
    pub fn scratch(&self) -> Result<File> {
        self.outbox.scratch()
    }

    fn place(&self, key: &Key, ending: &str) -> PathBuf {
        self.root.join(self.path(key, ending))
    }

    fn read(&self, key: &Key, ending: &str) -> Option<Vec<u8>> {
        let bytes = files::read(&self.place(key, ending)).ok()?;
        unsealed(&bytes, key.text(), b'\n').map(<[u8]>::to_vec)
    }

    fn write(&self, key: &Key, ending: &str, bytes: &[u8]) -> Result<()> {
        let path = self.path(key, ending);
        self.outbox
            .write(Path::new(&path), &sealed(bytes, key.text(), b'\n'))
            .map(drop)
    }

    /// The output `path` as finished before from the same origin, with its figures; whether the file
    /// is still there and whole is for the caller to see.
    pub fn done(&self, path: &str, origin: &Origin) -> Option<Done> {
        let done = self.journal().get(path).ok()??;
        if !done.origin.same(origin) {
            self.again(path, &origin.changed_since(&done.origin));
            return None;
        }
        Some(done)
    }

    /// The output `path` as it was last noted, whatever it was made from.
    ///
    /// # Errors
    /// [`Kind::Environment`]: the journal cannot be read.
    pub fn noted_as(&self, path: &str) -> Result<Option<Done>> {
        let noted = self.journal().get(path);
        noted.map_err(|error| Error::reading(&self.root.join(JOURNAL), &error).needed())
    }

    /// Notes that a finished output is made again, and why.
    pub fn again(&self, path: &str, why: &str) {
        let mut notices = self.notices();
        let (count, first) = notices.again.entry(why.to_owned()).or_default();
        *count += 1;
        if first.len() < 3 {
            first.push(path.to_owned());
        }
    }

    /// Notes a finished output at once, so that a crash after it costs nothing.
    pub fn note(&self, done: Done) -> Result<()> {
        let noted = self.journal().note(&done);
        self.tolerate(noted.map_err(|e| Error::writing(&self.root.join(JOURNAL), &e)))
    }

    /// A memory that cannot be kept costs the next run time, and this one nothing.
    fn tolerate(&self, kept: Result<()>) -> Result<()> {
        match kept {
            Err(error) if error.kind == Kind::File => {
                let mut notices = self.notices();
                if notices.warnings.len() < 3 {
                    notices.warnings.push(format!(
                        "{error}; the next run will have to do this work again"
                    ));
                }
                Ok(())
            }
            kept => kept,
        }
    }

    /// Warnings about the memory itself, and which outputs were made again and why. Once asked for,
    /// they are gone.
    pub fn messages(&self) -> (Vec<String>, Vec<String>) {
        let Notices { warnings, again } = std::mem::take(&mut *self.notices());
        let again = again.into_iter().map(|(why, (count, first))| {
            let more = if count > first.len() { ", …" } else { "" };
            format!(
                "made again, since {why}: {count} outputs: {}{more}",
                first.join(", ")
            )
        });
        (warnings, again.collect())
    }

    fn journal(&self) -> MutexGuard<'_, Journal> {
        self.journal.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn notices(&self) -> MutexGuard<'_, Notices> {
        self.notices.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Takes what runs noted of single songs into the one journal.
fn join_songs(outbox: &Outbox, journal: &mut Journal) -> Result<()> {
    for name in files::names(&outbox.root().join(SONGS))? {
        let song = name.strip_suffix(SONG_JOURNAL);
        let Some(song) = song.and_then(|song| song.strip_suffix('.')) else {
            continue;
        };
        let name = song_file(song, SONG_JOURNAL);
        let path = outbox.root().join(&name);
        let file = files::open(&path).map_err(|e| Error::reading(&path, &e))?;
        let taken = journal.take_over(file);
        taken.map_err(|e| Error::writing(&outbox.root().join(JOURNAL), &e))?;
        outbox.remove(&name)?;
    }
    Ok(())
}

/// The SHA-256 of the key that bytes are kept under and of the bytes: one result in the place of
/// another does not hold.
fn seal(bytes: &[u8], key: &str) -> String {
    hex(&sealing(key).chain_update(bytes).finalize())
}

fn sealing(key: &str) -> Sha256 {
    Sha256::new().chain_update(key)
}

/// Bytes of a seal.
const SEAL: usize = 64;

/// Bytes with their seal in front.
pub(crate) fn sealed(bytes: &[u8], key: &str, between: u8) -> Vec<u8> {
    let mut sealed = seal(bytes, key).into_bytes();
    sealed.push(between);
    sealed.extend_from_slice(bytes);
    sealed
}

/// What was sealed, if it still holds.
pub(crate) fn unsealed<'a>(sealed: &'a [u8], key: &str, between: u8) -> Option<&'a [u8]> {
    let (before, rest) = sealed.split_at_checked(SEAL)?;
    let (first, bytes) = rest.split_first()?;
    let holds = *first == between && seal(bytes, key).as_bytes() == before;
    holds.then_some(bytes)
}

/// Hashes what is written, as [`seal`] does.
struct Sealing<W> {
    hash: Sha256,
    to: W,
}

impl<W: Write> Sealing<W> {
    fn new(key: &Key, to: W) -> Self {
        let hash = sealing(key.text());
        Self { hash, to }
    }

    /// What stands in front of it.
    fn head(self) -> ([u8; SEAL + 1], W) {
        let mut head = [b'\n'; SEAL + 1];
        head[..SEAL].copy_from_slice(hex(&self.hash.finalize()).as_bytes());
        (head, self.to)
    }
}

impl<W: Write> Write for Sealing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = self.to.write(bytes)?;
        self.hash.update(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests;
