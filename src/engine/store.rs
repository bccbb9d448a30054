//! What a run remembers in `DIR/.batterhead/`: the lock, measurements by content, finished outputs.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Error, Kind, Result, printable};
use crate::publish::Outbox;

/// The folder inside the output folder.
pub const FOLDER: &str = ".batterhead";

/// Part of every key: raise it when a measure or a stage changes what it gives.
const GENERATION: &str = concat!(env!("CARGO_PKG_VERSION"), "/2");

/// Identifies a result by all that it depends on: content, settings, version; never by time.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Key(String);

impl Key {
    /// The SHA-256 of a kind of result and what went into it, as JSON.
    pub fn of(kind: &str, inputs: &impl Serialize) -> Self {
        let inputs = serde_json::to_vec(inputs).unwrap_or_default();
        let mut hash = Sha256::new();
        for part in [GENERATION.as_bytes(), kind.as_bytes(), &inputs] {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part);
        }
        Self(
            hash.finalize()
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect(),
        )
    }
}

/// A finished output, so that the next run need not make it again.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Done {
    /// Relative to the output folder, with `/`.
    pub path: String,
    /// All that it was made from.
    pub key: Key,
    /// Of the file as it was published.
    pub sha256: String,
    /// What was measured on it, as JSON.
    pub figures: serde_json::Value,
}

/// The memory of an output folder, or of a folder that is thrown away.
pub struct Store {
    root: PathBuf,
    outbox: Outbox,
    journal: Mutex<Journal>,
    _lock: Option<File>,
    _thrown_away: Option<tempfile::TempDir>,
}

struct Journal {
    done: HashMap<String, Done>,
    file: Option<File>,
}

impl Store {
    /// Takes the lock of the output folder `dir` and reads what was finished before.
    pub fn open(dir: &Path) -> Result<Self> {
        let root = dir.join(FOLDER);
        fs::create_dir_all(&root).map_err(|e| Error::writing(&root, &e))?;
        let lock = lock(&root.join("lock"), dir)?;
        crate::publish::sweep(dir)?;
        let path = root.join("journal.jsonl");
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(_) => String::new(), // not text: nothing in it can be trusted, all is done again
        };
        // A line that was torn by a crash is no line.
        let done = text
            .lines()
            .filter_map(|line| serde_json::from_str::<Done>(line).ok())
            .map(|done| (done.path.clone(), done))
            .collect();
        let mut file = File::options()
            .append(true)
            .create(true)
            .open(&path)
            .map_err(|e| Error::writing(&path, &e))?;
        if !text.is_empty() && !text.ends_with('\n') {
            file.write_all(b"\n")
                .map_err(|e| Error::writing(&path, &e))?;
        }
        Ok(Self {
            outbox: Outbox::open(&root)?,
            root,
            journal: Mutex::new(Journal {
                done,
                file: Some(file),
            }),
            _lock: Some(lock),
            _thrown_away: None,
        })
    }

    /// A memory that is gone when it is dropped: for commands that store nothing.
    pub fn passing() -> Result<Self> {
        let folder = tempfile::Builder::new()
            .prefix("batterhead-")
            .tempdir()
            .map_err(|e| Error::writing(&std::env::temp_dir(), &e))?;
        Ok(Self {
            root: folder.path().to_owned(),
            outbox: Outbox::open(folder.path())?,
            journal: Mutex::new(Journal {
                done: HashMap::new(),
                file: None,
            }),
            _lock: None,
            _thrown_away: Some(folder),
        })
    }

    fn path(&self, key: &Key, ending: &str) -> String {
        format!("cache/{}/{}.{ending}", &key.0[..2], &key.0[2..])
    }

    /// A result kept before. A file that cannot be read or understood is no result.
    pub fn get<T: DeserializeOwned>(&self, key: &Key) -> Option<T> {
        let bytes = fs::read(self.root.join(self.path(key, "json"))).ok()?;
        serde_json::from_slice(&bytes).ok()
    }

    /// Keeps a result.
    pub fn put(&self, key: &Key, value: &impl Serialize) -> Result<()> {
        let bytes = serde_json::to_vec(value)
            .map_err(|e| Error::new(Kind::File, format!("a result cannot be stored: {e}")))?;
        self.outbox
            .write(Path::new(&self.path(key, "json")), &bytes)
            .map(drop)
    }

    /// Bytes kept before.
    pub fn get_bytes(&self, key: &Key) -> Option<Vec<u8>> {
        fs::read(self.root.join(self.path(key, "bin"))).ok()
    }

    /// Keeps bytes.
    pub fn put_bytes(&self, key: &Key, bytes: &[u8]) -> Result<()> {
        self.outbox
            .write(Path::new(&self.path(key, "bin")), bytes)
            .map(drop)
    }

    /// The output `path` as finished before with the same key; whether the file is still there and
    /// whole is for the caller to see.
    pub fn done(&self, path: &str) -> Option<Done> {
        self.journal
            .lock()
            .expect("no panic while the journal is held")
            .done
            .get(path)
            .cloned()
    }

    /// Notes a finished output at once, so that a crash after it costs nothing.
    pub fn note(&self, done: Done) -> Result<()> {
        let mut line = serde_json::to_vec(&done).map_err(|e| {
            Error::new(Kind::File, format!("the journal cannot hold a result: {e}"))
        })?;
        line.push(b'\n');
        let mut journal = self
            .journal
            .lock()
            .expect("no panic while the journal is held");
        if let Some(file) = &mut journal.file {
            file.write_all(&line)
                .and_then(|()| file.sync_data())
                .map_err(|e| Error::writing(&self.root.join("journal.jsonl"), &e))?;
        }
        journal.done.insert(done.path.clone(), done);
        Ok(())
    }
}

/// Takes the lock: it dies with the process, so a crash leaves none behind.
fn lock(path: &Path, dir: &Path) -> Result<File> {
    let mut file = File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(|e| Error::writing(path, &e))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(fs::TryLockError::WouldBlock) => {
            let holder = fs::read_to_string(path).unwrap_or_default();
            let holder = printable(holder.lines().next().unwrap_or("an unknown process"));
            return Err(Error::new(
                Kind::Locked,
                format!("another run holds this output folder: {holder}"),
            )
            .at(dir)
            .hint("wait until it has finished, or give another folder with --out"));
        }
        // A file system without locks: the run goes on, since a second one is unlikely.
        Err(fs::TryLockError::Error(_)) => {}
    }
    let host = fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let text = format!("process {} on {}\n", std::process::id(), host.trim());
    file.set_len(0)
        .and_then(|()| file.write_all(text.as_bytes()))
        .map_err(|e| Error::writing(path, &e))?;
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn done(path: &str) -> Done {
        Done {
            path: path.to_owned(),
            key: Key::of("stem", &path),
            sha256: "00".to_owned(),
            figures: serde_json::json!({"gain_db": 1.5}),
        }
    }

    #[test]
    fn a_torn_last_line_of_the_journal_is_ignored_and_the_rest_kept() {
        let folder = tempfile::tempdir().unwrap();
        Store::open(folder.path())
            .unwrap()
            .note(done("stems/a.wav"))
            .unwrap();
        let journal = folder.path().join(FOLDER).join("journal.jsonl");
        let whole = fs::read(&journal).unwrap();
        for cut in 0..whole.len() {
            let mut bytes = whole.clone();
            bytes.extend_from_slice(&whole[..cut]);
            fs::write(&journal, bytes).unwrap();
            let store = Store::open(folder.path()).unwrap();
            assert!(store.done("stems/a.wav").is_some());
            store.note(done("stems/b.wav")).unwrap();
            drop(store);
            assert!(
                Store::open(folder.path())
                    .unwrap()
                    .done("stems/b.wav")
                    .is_some(),
                "cut at {cut}"
            );
        }
    }

    #[test]
    fn a_second_run_is_told_who_holds_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        let first = Store::open(folder.path()).unwrap();
        let error = Store::open(folder.path()).err().unwrap();
        assert_eq!(error.kind, Kind::Locked);
        assert!(error.reason.contains(&std::process::id().to_string()));
        drop(first);
        assert!(Store::open(folder.path()).is_ok());
    }

    #[test]
    fn keys_differ_with_kind_and_input() {
        assert_eq!(Key::of("a", &1), Key::of("a", &1));
        assert_ne!(Key::of("a", &1), Key::of("a", &2));
        assert_ne!(Key::of("a", &1), Key::of("b", &1));
    }
}
