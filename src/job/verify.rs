//! `verify`: every output read again and compared with the manifest.

use std::collections::BTreeSet;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Component, Path};

use crate::cache::store;
use crate::error::{Error, Kind, Result};
use crate::files;
use crate::output::bag::{self, TAG_MANIFEST};
use crate::output::publish::{self, MANIFEST, Manifest};
use crate::wav::Reader;

/// What was found.
#[derive(Debug, Default, PartialEq)]
pub struct Verified {
    /// Files that are as they were written.
    pub whole: usize,
    /// All others, in the order of the manifest; then what was added.
    pub differences: Vec<Difference>,
}

/// A file that is not as it was written.
#[derive(Debug, PartialEq)]
pub struct Difference {
    /// Relative to the output folder.
    pub name: String,
    /// What happened to it.
    pub what: What,
    /// More about it, where there is more to say.
    pub detail: Option<String>,
}

/// What can happen to a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// It is in the manifest and not in the folder.
    Missing,
    /// Its bytes are others than those that were written.
    Changed,
    /// It ends too early.
    Truncated,
    /// It is in the folder and not in the manifest.
    Added,
    /// Nobody can say: it cannot be read.
    Unreadable,
}

impl What {
    /// One word for it.
    pub fn word(self) -> &'static str {
        match self {
            What::Missing => "missing",
            What::Changed => "changed",
            What::Truncated => "truncated",
            What::Added => "added",
            What::Unreadable => "unreadable",
        }
    }
}

impl Difference {
    fn new(name: &str, what: What, detail: impl Into<Option<&'static str>>) -> Self {
        Self {
            name: name.to_owned(),
            what,
            detail: detail.into().map(str::to_owned),
        }
    }
}

/// Hashes every file of the manifest in `dir`, and reads the header of every WAV file among them. A
/// file that no run wrote is a difference too, and so is whatever happened to the manifest itself.
///
/// # Errors
/// [`Kind::Input`]: no run has written into this folder.
pub fn verify(dir: &Path) -> Result<Verified> {
    if !dir.is_dir() {
        return Err(Error::input("is not a folder")
            .at(dir)
            .hint("name the output folder of an earlier run"));
    }
    let mut verified = Verified::default();
    let found = &mut verified.differences;
    let (manifest, wrong_lines) = read_manifest(dir, found)?;
    found.extend(wrong_lines.into_iter().map(|line| Difference {
        name: MANIFEST.to_owned(),
        what: What::Changed,
        detail: Some(format!("line {line} is no entry")),
    }));
    let mut listed = BTreeSet::from([dir.join(MANIFEST)]);
    let mut entries: Vec<(String, &str)> = Vec::new();
    let tags = tags(dir, found);
    if let Some(tags) = &tags {
        listed.insert(dir.join(TAG_MANIFEST));
        entries.extend(
            tags.entries()
                .map(|(name, sha256)| (name.to_owned(), sha256)),
        );
    }
    entries.extend(manifest.entries().map(|(name, sha256)| match tags {
        Some(_) => (bag::decoded(name), sha256),
        None => (name.to_owned(), sha256),
    }));
    for (name, expected) in &entries {
        let inside = |part| matches!(part, Component::Normal(_));
        if !Path::new(name).components().all(inside) {
            let detail = "the manifest names a place outside the output folder";
            found.push(Difference::new(name, What::Changed, detail));
            continue;
        }
        let file = dir.join(name);
        match compare(&file, name, expected) {
            None => verified.whole += 1,
            Some(difference) => found.push(difference),
        }
        listed.insert(file);
    }
    let walk = walkdir::WalkDir::new(dir).min_depth(1).sort_by_file_name();
    let own = |entry: &walkdir::DirEntry| entry.depth() == 1 && entry.file_name() == store::FOLDER;
    for entry in walk.into_iter().filter_entry(|entry| !own(entry)) {
        let entry = entry.map_err(|e| Error::new(Kind::Environment, e.to_string()))?;
        if !entry.file_type().is_dir() && !listed.contains(entry.path()) {
            let name = entry.path().strip_prefix(dir).unwrap_or(entry.path());
            found.push(Difference::new(&name.to_string_lossy(), What::Added, None));
        }
    }
    Ok(verified)
}

/// The tag files of a bag, by what proves them; `None` where the folder is no bag.
fn tags(dir: &Path, found: &mut Vec<Difference>) -> Option<Manifest> {
    let read = || files::read(&dir.join(TAG_MANIFEST));
    bag::is_bag(dir).then(|| match read() {
        Ok(bytes) => Manifest::lenient(&bytes).0,
        Err(_) => {
            found.push(Difference::new(TAG_MANIFEST, What::Missing, None));
            Manifest::default()
        }
    })
}

/// What can be read of the manifest, and the numbers of the lines that cannot.
fn read_manifest(dir: &Path, found: &mut Vec<Difference>) -> Result<(Manifest, Vec<usize>)> {
    let path = dir.join(MANIFEST);
    let mut lost = |what, detail: &'static str| {
        found.push(Difference::new(MANIFEST, what, detail));
        Ok(Default::default())
    };
    let bytes = match std::fs::symlink_metadata(&path) {
        Ok(meta) if !meta.is_file() => {
            return lost(What::Changed, "a link, folder or device is in its place");
        }
        Ok(_) => files::read(&path),
        Err(error) => Err(error),
    };
    match bytes {
        Ok(bytes) if bytes.is_empty() => lost(What::Truncated, "it is empty"),
        Ok(bytes) => Ok(Manifest::lenient(&bytes)),
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            lost(What::Unreadable, "check its permissions and the disk")
        }
        Err(_) if dir.join(store::FOLDER).is_dir() => lost(
            What::Missing,
            "run the command that made this folder again: it writes a new one",
        ),
        Err(_) => Err(Error::input("no run has written into this folder")
            .at(dir)
            .hint("name the output folder of an earlier run")),
    }
}

/// What happened to a file that should have this SHA-256; `None`: nothing.
fn compare(file: &Path, name: &str, expected: &str) -> Option<Difference> {
    let differs = |what, detail| Some(Difference::new(name, what, detail));
    match std::fs::symlink_metadata(file) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return differs(What::Missing, None);
        }
        Ok(meta) if !meta.is_file() => {
            return differs(
                What::Changed,
                Some("a link, folder or device is in its place"),
            );
        }
        _ => {}
    }
    let is_wav = file.extension().is_some_and(|ending| ending == "wav");
    match publish::sha256_file(file, &|| false) {
        Err(error) => Some(Difference {
            detail: Some(error.reason),
            ..Difference::new(name, What::Unreadable, None)
        }),
        Ok(sum) if sum.as_deref() == Some(expected) => {
            let error = is_wav.then(|| Reader::open(file).err())??;
            Some(Difference {
                detail: Some(format!("its bytes are as written, but it {}", error.reason)),
                ..Difference::new(name, What::Unreadable, None)
            })
        }
        Ok(_) => match ends_early(file, is_wav).unwrap_or(false) {
            true => differs(What::Truncated, None),
            false => differs(What::Changed, None),
        },
    }
}

/// Whether a file of ours lacks its end: every format that is written states its own.
fn ends_early(path: &Path, is_wav: bool) -> std::io::Result<bool> {
    let mut file = files::open(path)?;
    let length = file.metadata()?.len();
    if length == 0 {
        return Ok(true);
    }
    if is_wav {
        return Ok(match Reader::open(path) {
            Ok(reader) => reader.lacks_bytes(),
            Err(_) => length < 1024, // cut within the header
        });
    }
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    if ending == "json" {
        let parsed: serde_json::Result<serde::de::IgnoredAny> =
            serde_json::from_reader(BufReader::new(file));
        return Ok(parsed.is_err_and(|error| error.is_eof()));
    }
    let end: &[u8] = match &*ending {
        "csv" | "txt" | "toml" | "jsonl" => b"\n",
        "html" => b"</html>",
        "mid" => b"\xff\x2f\x00", // end of track
        _ => return Ok(false),
    };
    let mut tail = Vec::new();
    file.seek(SeekFrom::Start(length.saturating_sub(64)))?;
    file.read_to_end(&mut tail)?;
    let tail = match end {
        b"</html>" => tail.trim_ascii_end(),
        _ => &tail,
    };
    Ok(!tail.ends_with(end))
}
