//! The only place that creates output files: each is absent, old, or whole and read back.
//!
//! A [`Draft`] is a temporary file in the folder of its target. [`Draft::publish`] flushes it to
//! the disk, reads it back, compares what it read with what was written, and only then renames it.
//! Nothing is written through a symbolic link or outside the output folder: the folder is held open,
//! and every path is resolved beneath it by the system, whatever happens to the folders meanwhile.
//!
//! What the manifest says is in [`Manifest`].

use std::fs::{self, File};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use cap_std::ambient_authority;
use cap_std::fs::{Dir, OpenOptions};
use sha2::{Digest, Sha256};

pub use draft::Draft;
pub use hashing::{Hashing, Seen, SharedHashing};
pub use manifest::Manifest;

use super::bag::bag_around;
use super::ours::{FOLDER, Ours};
use crate::error::{Error, Kind, Result, if_there, plain};
use crate::files::hex;

mod beneath;
mod draft;
mod hashing;
mod manifest;

/// Where the manifest lies in an output folder.
pub const MANIFEST: &str = "manifest-sha256.txt";

/// Names of temporary files: `.bh-` + 6 letters or digits + `.part`, whatever the target is called.
const PREFIX: &str = ".bh-";
const SUFFIX: &str = ".part";
const RANDOM: usize = 6;

/// The output folder.
#[derive(Clone, Debug)]
pub struct Outbox {
    root: PathBuf,
    dir: Arc<Dir>,
    identity: Identity,
    /// Whether what is published outlasts a power cut.
    durable: bool,
    /// What is ours in it, where that is known: nothing else is written over.
    ours: Option<Arc<Ours>>,
}

/// What is only hashed.
struct Meant(Sha256);

impl Write for Meant {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Writes the whole content of a file to what it is given.
pub type Content<'a> = dyn Fn(&mut dyn Write) -> io::Result<()> + 'a;

/// A file that is there, whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    /// Relative to the output folder.
    pub path: PathBuf,
    /// SHA-256 of what was read back, in lower-case hexadecimal digits; empty where nothing is read
    /// back (see [`Outbox::inside`]).
    pub sha256: String,
    /// Length.
    pub bytes: u64,
}

impl Outbox {
    /// Opens an output folder, creates it where it is absent, and proves that it can be written.
    pub fn open(root: &Path) -> Result<Self> {
        let environment = |error: io::Error| {
            Error::new(
                Kind::Environment,
                format!("the output folder cannot be written: {}", plain(&error)),
            )
            .at(root)
        };
        fs::create_dir_all(root).map_err(environment)?;
        let outbox = Self {
            root: root.to_owned(),
            dir: Arc::new(Dir::open_ambient_dir(root, ambient_authority()).map_err(environment)?),
            identity: Identity::of(root).map_err(environment)?,
            durable: true,
            ours: None,
        };
        drop(outbox.temporary_in(Path::new("")).map_err(environment)?);
        Ok(outbox)
    }

    /// The same of a folder that runs come back to: what is written is noted before it gets its
    /// name, and what this program did not write is never written over.
    pub fn owning(root: &Path) -> Result<Self> {
        Self::noting(root, None)
    }

    /// The same for a run that makes stems of single songs, beside others: it notes what it writes
    /// in the ledger of `song`.
    pub fn sharing(root: &Path, song: &str) -> Result<Self> {
        Self::noting(root, Some(song))
    }

    fn noting(root: &Path, song: Option<&str>) -> Result<Self> {
        let mut outbox = Self::open(root)?;
        let ours = Ours::of(root)?;
        ours.begin(&outbox, song).map_err(Error::of_the_run)?;
        outbox.ours = Some(Arc::new(ours));
        Ok(outbox)
    }

    /// What is ours in it; `None` unless it was opened by [`Outbox::owning`].
    pub fn ours(&self) -> Option<&Ours> {
        self.ours.as_deref()
    }

    /// What the last run listed of this folder and what still is there: a run adds to it, and takes
    /// nothing off that it does not remove.
    ///
    /// # Errors
    /// [`Kind::Environment`]: what stands there cannot be seen.
    pub fn standing_manifest(&self) -> Result<Manifest> {
        let mut standing = Manifest::default();
        let Some(ours) = &self.ours else {
            return Ok(standing);
        };
        for (path, sha256) in ours.manifest()?.entries() {
            let found = self.dir.symlink_metadata(path);
            let found = if_there(&self.root.join(path), found)?;
            if found.is_some_and(|found| found.is_file()) {
                standing.insert(path, sha256);
            }
        }
        Ok(standing)
    }

    /// A folder inside this one, made where it is absent, for what may be lost in a power cut: its
    /// files are renamed when whole too, but neither flushed to the disk nor read back.
    pub fn inside(&self, name: &str) -> Result<Self> {
        let folder = self.folder_of(&Path::new(name).join("any"))?;
        let root = self.root.join(&folder);
        let failed = |error: io::Error| Error::writing(&root, &error);
        Ok(Self {
            dir: Arc::new(self.dir.open_dir(&folder).map_err(failed)?),
            identity: Identity::of(&root).map_err(failed)?,
            root,
            durable: false,
            ours: None,
        })
    }

    /// The program's own folder for what lies in this one.
    pub fn own(&self) -> Result<Self> {
        match bag_around(&self.root) {
            Some(bag) => Self::open(bag)?.inside(FOLDER),
            None => self.inside(FOLDER),
        }
    }

    /// A file without a name in it, which is gone when it is closed.
    pub fn scratch(&self) -> Result<File> {
        tempfile::tempfile_in(&self.root).map_err(|error| Error::writing(&self.root, &error))
    }

    /// The folder, as given.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Starts a file at `relative`, which stays as it is until the draft is published. Missing
    /// folders are made.
    pub fn create(&self, relative: &Path) -> Result<Draft> {
        let folder = self.folder_of(relative)?;
        self.only_a_file(relative)?;
        let file = self
            .temporary_in(&folder)
            .map_err(|error| self.making(&self.root.join(relative), &error))?;
        Ok(Draft::new(self.clone(), relative.to_owned(), folder, file))
    }

    /// Opens a file that grows in place, to be read and appended to; made where it is absent.
    pub fn keep(&self, relative: &Path) -> Result<File> {
        self.in_place(relative, OpenOptions::new().append(true))
    }

    /// The same of a file that is written over: elsewhere than on Unix, what is only appended to
    /// cannot be emptied.
    pub fn hold(&self, relative: &Path) -> Result<File> {
        self.in_place(relative, OpenOptions::new().write(true))
    }

    fn in_place(&self, relative: &Path, options: &mut OpenOptions) -> Result<File> {
        self.folder_of(relative)?;
        self.only_a_file(relative)?;
        let file = self
            .dir
            .open_with(relative, options.read(true).create(true));
        file.map(cap_std::fs::File::into_std)
            .map_err(|error| self.making(&self.root.join(relative), &error))
    }

    /// An error if something else than a file stands in its place.
    fn only_a_file(&self, relative: &Path) -> Result<()> {
        let what = match self.dir.symlink_metadata(relative) {
            Ok(found) if found.is_symlink() => "symbolic link",
            Ok(found) if !found.is_file() => "folder or device",
            _ => return Ok(()),
        };
        let reason = format!("is a {what}, it was not replaced");
        Err(Error::file(&self.root.join(relative), reason))
    }

    /// Publishes a small file; one that is there already with the same bytes is not touched.
    pub fn write(&self, relative: &Path, bytes: &[u8]) -> Result<Published> {
        self.write_from(relative, &|sink| sink.write_all(bytes))
    }

    /// The same of a file that need not fit in memory. `content` is asked for it a second time where
    /// the first one was compared with a file that is there.
    pub fn write_from(&self, relative: &Path, content: &Content<'_>) -> Result<Published> {
        let failed = |error: io::Error| Error::writing(&self.root.join(relative), &error);
        let there = self.dir.symlink_metadata(relative);
        if there.is_ok_and(|found| found.is_file()) {
            let mut meant = Meant(Sha256::new());
            content(&mut meant).map_err(failed)?;
            let meant = hex(&meant.0.finalize());
            let found = (self.dir.open(relative))
                .and_then(|file| Hashing::new(file.into_std()).finish(&|| false));
            if let Ok(Some(found)) = found
                && found.sha256 == meant
            {
                return Ok(Published {
                    path: relative.to_owned(),
                    sha256: found.sha256,
                    bytes: found.bytes,
                });
            }
        }
        let mut draft = BufWriter::new(self.create(relative)?);
        content(&mut draft).map_err(failed)?;
        let draft = draft.into_inner();
        draft.map_err(|error| failed(error.into_error()))?.publish()
    }

    /// Removes a leftover, if it is there.
    pub fn remove(&self, relative: &Path) -> Result<()> {
        was_there(&self.root.join(relative), self.unlink(relative)).map(drop)
    }

    /// Moves a file to `target` in another folder, or beside it where that is taken, and gives where it
    /// is there.
    pub(super) fn move_to(&self, relative: &Path, other: &Self, target: &Path) -> Result<PathBuf> {
        let failed = |error: io::Error| Error::writing(&self.root.join(relative), &error);
        other.folder_of(target)?;
        let mut free = target.to_owned();
        let mut n = 1;
        while other.dir.symlink_metadata(&free).is_ok() {
            n += 1;
            let mut name = target.as_os_str().to_owned();
            name.push(format!(".{n}"));
            free = PathBuf::from(name);
        }
        self.rename(relative, other, &free).map_err(failed)?;
        Ok(free)
    }

    /// Makes the folders above `relative`, each a real folder, none a symbolic link. Gives the
    /// innermost one, relative too.
    fn folder_of(&self, relative: &Path) -> Result<PathBuf> {
        self.is_still_there()?;
        let mut names = Vec::new();
        for component in relative.components() {
            match component {
                Component::Normal(name) => names.push(name),
                _ => {
                    let reason = "does not lie inside the output folder";
                    return Err(Error::input(reason).at(relative));
                }
            }
        }
        if names.pop().is_none() {
            return Err(Error::input("names no file").at(relative));
        }
        let mut folder = PathBuf::new();
        for name in names {
            let above = folder.clone();
            folder.push(name);
            let path = self.root.join(&folder);
            match self.make_folder(&folder) {
                Ok(()) => self
                    .sync_folder(&above)
                    .map_err(|error| Error::writing(&path, &error))?,
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(error) => return Err(self.making(&path, &error)),
            }
            let found = self.dir.symlink_metadata(&folder);
            let found = found.map_err(|error| Error::writing(&path, &error))?;
            if !found.is_dir() {
                let what = if found.is_symlink() {
                    "a symbolic link"
                } else {
                    "no folder"
                };
                return Err(Error::file(
                    &path,
                    format!("is {what}, nothing was written there"),
                ));
            }
        }
        Ok(folder)
    }

    /// A new temporary file in a folder of this one.
    fn temporary_in(&self, folder: &Path) -> io::Result<tempfile::NamedTempFile> {
        let mut options = OpenOptions::new();
        options.read(true).write(true).create_new(true);
        tempfile::Builder::new()
            .prefix(PREFIX)
            .suffix(SUFFIX)
            .rand_bytes(RANDOM)
            .make_in(self.root.join(folder), |path| {
                let name = path.file_name().unwrap_or_default();
                let file = self.dir.open_with(folder.join(name), &options)?;
                Ok(file.into_std())
            })
    }

    /// Makes what was renamed or made in a folder durable.
    #[cfg(unix)]
    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        if !self.durable {
            return Ok(());
        }
        let folder = match folder.as_os_str().is_empty() {
            true => Path::new("."),
            false => folder,
        };
        sync(&self.dir.open(folder)?.into_std())
    }

    /// Elsewhere a folder cannot be opened, and a rename is durable by itself.
    #[cfg(not(unix))]
    fn sync_folder(&self, _: &Path) -> io::Result<()> {
        Ok(())
    }

    /// Whether the folder is the one that was opened: a disk may have been taken away.
    fn is_still_there(&self) -> Result<()> {
        match Identity::of(&self.root) {
            Ok(identity) if identity == self.identity => Ok(()),
            Ok(_) => Err("was replaced by another folder"),
            Err(_) => Err("is gone"),
        }
        .map_err(|what| {
            Error::new(Kind::Environment, format!("the output folder {what}"))
                .at(&self.root)
                .hint("bring it back; the same command goes on from there")
        })
    }

    /// A failure to make a file or folder, with "no inodes" apart from "no space".
    fn making(&self, path: &Path, error: &io::Error) -> Error {
        let mut failed = Error::writing(path, error);
        if error.kind() == ErrorKind::StorageFull
            && fs4::available_space(&self.root).is_ok_and(|bytes| bytes > 1 << 20)
        {
            failed.reason = "cannot be written: the disk has space, but no room for more files \
                           (inodes)"
                .to_owned();
        }
        failed
    }
}

/// Writes a small file that a person asked for, whole, where nothing lies yet.
///
/// # Errors
/// [`Kind::Input`] where something does; what writing may meet.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<()> {
    if path.symlink_metadata().is_ok() {
        return Err(Error::input("is there already: it was not written over")
            .at(path)
            .hint("move it away, or give another name"));
    }
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let failed = |error: &io::Error| Error::writing(path, error);
    let mut file = tempfile::Builder::new()
        .prefix(PREFIX)
        .suffix(SUFFIX)
        .rand_bytes(RANDOM)
        .make_in(folder, |path| {
            File::options().write(true).create_new(true).open(path)
        })
        .map_err(|error| failed(&error))?;
    (file.write_all(bytes))
        .and_then(|()| sync(file.as_file()))
        .map_err(|error| failed(&error))?;
    match file.persist_noclobber(path) {
        Ok(_) => Ok(()),
        Err(error) => Err(failed(&error.error)),
    }
}

/// Removes what a killed run left behind in an output folder: temporary files with a name of ours,
/// and nothing else. Gives their number. Call it while the folder is locked.
pub fn sweep(root: &Path) -> Result<usize> {
    let mut removed = 0;
    for entry in walkdir::WalkDir::new(root)
        .into_iter()
        .filter_map(|entry| entry.ok())
    {
        if entry.file_type().is_file() && entry.file_name().to_str().is_some_and(is_ours) {
            // One that is gone by now was that of a second run, which is about to be refused.
            let there = was_there(entry.path(), fs::remove_file(entry.path()))?;
            removed += usize::from(there);
        }
    }
    Ok(removed)
}

/// Whether a leftover was there, by what its removal came to.
fn was_there(path: &Path, removal: io::Result<()>) -> Result<bool> {
    match removal {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(false),
        Err(error) => {
            let reason = format!("a leftover cannot be removed: {}", plain(&error));
            Err(Error::new(Kind::Environment, reason).at(path))
        }
    }
}

fn is_ours(name: &str) -> bool {
    let random = name
        .strip_prefix(PREFIX)
        .and_then(|name| name.strip_suffix(SUFFIX));
    random.is_some_and(|random| {
        random.len() == RANDOM && random.bytes().all(|byte| byte.is_ascii_alphanumeric())
    })
}

/// To the disk; a file system that cannot do that is taken as it is.
pub(super) fn sync(file: &File) -> io::Result<()> {
    match file.sync_all() {
        Err(error)
            if matches!(
                error.kind(),
                ErrorKind::Unsupported | ErrorKind::InvalidInput
            ) =>
        {
            Ok(())
        }
        result => result,
    }
}

/// What differs between two folders of one name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Identity(u64, u64);

impl Identity {
    #[cfg(unix)]
    fn of(folder: &Path) -> io::Result<Self> {
        use std::os::unix::fs::MetadataExt;
        let found = fs::metadata(folder)?;
        Ok(Self(found.dev(), found.ino()))
    }

    #[cfg(not(unix))]
    fn of(folder: &Path) -> io::Result<Self> {
        fs::metadata(folder).map(|_| Self(0, 0))
    }
}

/// SHA-256 of a file in lower-case hexadecimal digits. `cancel` is asked every 64 KiB; where it says
/// true, the answer is `None`.
pub fn sha256_file(path: &Path, cancel: &dyn Fn() -> bool) -> Result<Option<String>> {
    let hashed = crate::files::open(path)
        .and_then(|file| Hashing::new(file).finish(cancel))
        .map_err(|error| Error::reading(path, &error))?;
    Ok(hashed.map(|seen| seen.sha256))
}
