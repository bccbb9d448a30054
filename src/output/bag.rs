//! [`Bag`]: an output folder as a BagIt 1.0 bag, so that an archive can take it in.
//!
//! The outputs are the payload, in `data/`, with a manifest of their own as always; what runs remember
//! stays beside it in the program's own folder, which is no part of the payload.
//!
//! Source: RFC 8493, "The BagIt File Packaging Format (V1.0)".

use std::fs;
use std::path::{Path, PathBuf};

use super::ours::FOLDER;
use super::publish::{MANIFEST, Manifest, Outbox, sha256_file, sweep};
use crate::error::{Error, Kind, Result, if_there};

/// The folder of the payload.
pub const PAYLOAD: &str = "data";
/// Proves the other tag files.
pub const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
const DECLARATION: &str = "bagit.txt";
const DECLARED: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
const INFO: &str = "bag-info.txt";
/// What a run says in [`INFO`]; all else there is an archive's.
const AGENT: &str = "Bag-Software-Agent";
const OXUM: &str = "Payload-Oxum";

/// A bag that a run has begun, or is about to begin.
#[derive(Debug)]
pub struct Bag {
    dir: PathBuf,
}

impl Bag {
    /// The bag in `dir`, if a run has begun one there, or one is `wanted`. Nothing is written.
    ///
    /// # Errors
    /// [`Kind::Input`]: one is wanted where something else lies.
    pub fn of(dir: &Path, wanted: bool) -> Result<Option<Self>> {
        let there = |name: &&str| dir.join(name).symlink_metadata().is_ok();
        let begun = is_ours(dir) || there(&DECLARATION) && !(there(&PAYLOAD) || there(&MANIFEST));
        if wanted && !begun {
            let names = [DECLARATION, PAYLOAD, INFO, MANIFEST, TAG_MANIFEST, FOLDER];
            if let Some(name) = names.iter().find(|name| there(name)) {
                let reason = "is there already, and belongs to no bag that a run has begun";
                return Err(Error::input(reason)
                    .at(&dir.join(name))
                    .hint("give another folder with --out, or leave out --bag"));
            }
        }
        let dir = dir.to_owned();
        Ok((wanted || begun).then_some(Self { dir }))
    }

    /// Where its outputs lie.
    pub fn payload(&self) -> PathBuf {
        self.dir.join(PAYLOAD)
    }

    /// Begins it, or opens it again: from here on its folder is known as ours.
    pub fn open(&self) -> Result<()> {
        let outbox = Outbox::open(&self.dir)?;
        outbox.write(Path::new(DECLARATION), DECLARED.as_bytes())?;
        outbox.inside(FOLDER)?;
        outbox.inside(PAYLOAD)?;
        Ok(())
    }

    /// Lists all that lies in the payload, by the hashes of the payload's own manifest where that has
    /// them, and proves the list. `tool` made it.
    pub fn close(&self, tool: &str) -> Result<()> {
        sweep(&self.dir)?;
        let payload = self.payload();
        let known = Manifest::of(&payload)?.unwrap_or_default();
        let mut list = Manifest::default();
        let (mut bytes, mut files) = (0, 0);
        for entry in walkdir::WalkDir::new(&payload).sort_by_file_name() {
            let entry = entry.map_err(|e| Error::new(Kind::Environment, e.to_string()))?;
            if !entry.file_type().is_file() {
                continue;
            }
            let name = entry.path().strip_prefix(&payload).unwrap_or(entry.path());
            let name = name
                .to_string_lossy()
                .replace(std::path::MAIN_SEPARATOR, "/");
            let sha256 = match known.get(&name) {
                Some(sha256) => sha256.to_owned(),
                None => sha256_file(entry.path(), &|| false)?.unwrap_or_default(),
            };
            bytes += entry.metadata().map_or(0, |found| found.len());
            files += 1;
            list.insert(format!("{PAYLOAD}/{}", encoded(&name)), sha256);
        }
        let outbox = Outbox::open(&self.dir)?;
        let path = self.dir.join(INFO);
        let before = if_there(&path, fs::read_to_string(&path))?;
        let info = info(
            &before.unwrap_or_default(),
            tool,
            &format!("{bytes}.{files}"),
        );
        let (list, mut tags) = (list.plain_text(), Manifest::default());
        for (name, text) in [
            (DECLARATION, DECLARED),
            (INFO, info.as_str()),
            (MANIFEST, list.as_str()),
        ] {
            let published = outbox.write(Path::new(name), text.as_bytes())?;
            tags.insert(name, published.sha256);
        }
        let text = tags.plain_text();
        outbox
            .write(Path::new(TAG_MANIFEST), text.as_bytes())
            .map(drop)
    }
}

/// Whether a folder is a bag, whoever made it.
pub fn is_bag(dir: &Path) -> bool {
    dir.join(DECLARATION).is_file() && dir.join(PAYLOAD).is_dir()
}

/// Whether it is one that a run has begun.
fn is_ours(dir: &Path) -> bool {
    is_bag(dir) && dir.join(FOLDER).is_dir()
}

/// The program's own folder for the outputs in `root`: inside it, and of a bag beside the payload.
pub fn own_folder(root: &Path) -> PathBuf {
    bag_around(root).unwrap_or(root).join(FOLDER)
}

/// The bag whose payload `root` is.
pub fn bag_around(root: &Path) -> Option<&Path> {
    let is_payload = root.file_name().is_some_and(|name| name == PAYLOAD);
    root.parent().filter(|dir| is_payload && is_ours(dir))
}

/// A path as it stands in a manifest of a bag (section 2.1.3).
fn encoded(path: &str) -> String {
    let path = path.replace('%', "%25");
    path.replace('\n', "%0A").replace('\r', "%0D")
}

/// A path of a manifest of a bag as it is called.
pub fn decoded(path: &str) -> String {
    let path = path.replace("%0A", "\n").replace("%0D", "\r");
    path.replace("%25", "%")
}

/// What the bag says of itself: the lines of `before` that are not ours, then ours.
fn info(before: &str, tool: &str, oxum: &str) -> String {
    let mut text = String::new();
    let mut kept = true;
    for line in before.lines() {
        // A line that begins with a blank goes on with the one before it.
        if !line.starts_with([' ', '\t']) {
            let label = line.split(':').next().unwrap_or_default().trim();
            kept = label != AGENT && label != OXUM && !label.is_empty();
        }
        if kept {
            text += line;
            text.push('\n');
        }
    }
    text + &format!("{AGENT}: {tool}\n{OXUM}: {oxum}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_archive_wrote_about_a_bag_stays() {
        let before = "Source-Organization: The Archive\n  of the house\nPayload-Oxum: 1.1\n  more\n\
                      Bag-Size: 3 GB\n";
        let written = info(before, "batterhead 7", "77.3");
        let want = "Source-Organization: The Archive\n  of the house\nBag-Size: 3 GB\n\
                    Bag-Software-Agent: batterhead 7\nPayload-Oxum: 77.3\n";
        assert_eq!(written, want);
        assert_eq!(info(&written, "batterhead 7", "77.3"), want);
    }

    #[test]
    fn names_are_encoded_as_the_standard_says() {
        let name = "100 %25/a\nb\r.wav";
        assert_eq!(encoded(name), "100 %2525/a%0Ab%0D.wav");
        assert_eq!(decoded(&encoded(name)), name);
    }

    #[test]
    fn a_bag_is_begun_only_where_nothing_else_lies() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path();
        assert!(Bag::of(dir, false).unwrap().is_none());
        let bag = Bag::of(dir, true).unwrap().unwrap();
        assert!(!is_ours(dir), "nothing is written yet");
        bag.open().unwrap();
        assert!(Bag::of(dir, false).unwrap().is_some());
        assert_eq!(own_folder(&bag.payload()), dir.join(FOLDER));
        assert_eq!(own_folder(dir), dir.join(FOLDER));
        let foreign = tempfile::tempdir().unwrap();
        fs::create_dir(foreign.path().join(PAYLOAD)).unwrap();
        fs::write(foreign.path().join(DECLARATION), DECLARED).unwrap();
        assert!(Bag::of(foreign.path(), true).is_err());
        assert!(Bag::of(foreign.path(), false).unwrap().is_none());
        let inside = foreign.path().join(PAYLOAD);
        assert_eq!(own_folder(&inside), inside.join(FOLDER));
    }
}
