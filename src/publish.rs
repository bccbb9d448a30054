//! The only place that creates output files: each is absent, old, or whole and read back.
//!
//! A [`Draft`] is a temporary file in the folder of its target. [`Draft::publish`] flushes it to
//! the disk, reads it back, holds what it read against what was written, and only then renames it.
//! Nothing is written through a symbolic link or outside the output folder.
//!
//! What the manifest says is in [`Manifest`].

use std::fs::{self, File};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Component, Path, PathBuf};

use sha2::{Digest, Sha256};

pub use manifest::Manifest;

/// Where the manifest lies in an output folder.
pub const MANIFEST: &str = "manifest-sha256.txt";

use crate::error::{Error, Kind, Result, plain};

mod manifest;

/// Names of temporary files: `.bh-` + 6 letters or digits + `.part`, whatever the target is called.
const PREFIX: &str = ".bh-";
const SUFFIX: &str = ".part";
const RANDOM: usize = 6;

/// The output folder.
#[derive(Clone, Debug)]
pub struct Outbox {
    root: PathBuf,
    identity: Identity,
}

/// A file that is there, whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    /// Relative to the output folder.
    pub path: PathBuf,
    /// SHA-256 of what was read back, in lower-case hexadecimal digits.
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
        let identity = Identity::of(root).map_err(environment)?;
        let outbox = Self {
            root: root.to_owned(),
            identity,
        };
        drop(temporary_in(root).map_err(environment)?);
        Ok(outbox)
    }

    /// The folder, as given.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Starts a file at `relative`, which stays as it is until the draft is published. Missing
    /// folders are made.
    pub fn create(&self, relative: &Path) -> Result<Draft> {
        let target = self.root.join(relative);
        let folder = self.folder_of(relative)?;
        match fs::symlink_metadata(&target) {
            Ok(found) if !found.is_file() => {
                let what = if found.is_symlink() {
                    "symbolic link"
                } else {
                    "folder or device"
                };
                return Err(Error::file(
                    &target,
                    format!("is a {what}, it was not replaced"),
                ));
            }
            _ => {}
        }
        let file = temporary_in(&folder).map_err(|error| self.making(&target, &error))?;
        Ok(Draft {
            outbox: self.clone(),
            relative: relative.to_owned(),
            folder,
            file,
            meant: Some(Sha256::new()),
            position: 0,
            length: 0,
        })
    }

    /// Publishes a small file; one that is there already with the same bytes is not touched.
    pub fn write(&self, relative: &Path, bytes: &[u8]) -> Result<Published> {
        let there = self.root.join(relative);
        let is_file = fs::symlink_metadata(&there)
            .is_ok_and(|m| m.is_file() && m.len() == bytes.len() as u64);
        if is_file && fs::read(&there).is_ok_and(|found| found == bytes) {
            return Ok(Published {
                path: relative.to_owned(),
                sha256: hex(&Sha256::digest(bytes)),
                bytes: bytes.len() as u64,
            });
        }
        let mut draft = self.create(relative)?;
        draft
            .write_all(bytes)
            .map_err(|error| draft.failed(&error))?;
        draft.publish()
    }

    /// Makes the folders above `relative`, each a real folder, none a symbolic link.
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
        let mut folder = self.root.clone();
        for name in names {
            folder.push(name);
            match fs::create_dir(&folder) {
                Ok(()) => sync_folder(folder.parent().unwrap_or(&self.root))
                    .map_err(|error| Error::writing(&folder, &error))?,
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(error) => return Err(self.making(&folder, &error)),
            }
            let found = fs::symlink_metadata(&folder);
            let found = found.map_err(|error| Error::writing(&folder, &error))?;
            if !found.is_dir() {
                let what = if found.is_symlink() {
                    "a symbolic link"
                } else {
                    "no folder"
                };
                return Err(Error::file(
                    &folder,
                    format!("is {what}, nothing was written there"),
                ));
            }
        }
        Ok(folder)
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

    /// A failure to make a file or folder, with "no inodes" told from "no space".
    fn making(&self, path: &Path, error: &io::Error) -> Error {
        let mut told = Error::writing(path, error);
        if error.kind() == ErrorKind::StorageFull
            && fs4::available_space(&self.root).is_ok_and(|bytes| bytes > 1 << 20)
        {
            told.reason = "cannot be written: the disk has space, but no room for more files \
                           (inodes)"
                .to_owned();
        }
        told
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
            fs::remove_file(entry.path()).map_err(|error| Error::writing(entry.path(), &error))?;
            removed += 1;
        }
    }
    Ok(removed)
}

fn is_ours(name: &str) -> bool {
    let random = name
        .strip_prefix(PREFIX)
        .and_then(|name| name.strip_suffix(SUFFIX));
    random.is_some_and(|random| {
        random.len() == RANDOM && random.bytes().all(|byte| byte.is_ascii_alphanumeric())
    })
}

fn temporary_in(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX).rand_bytes(RANDOM);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666)); // less the umask
    }
    builder.tempfile_in(folder)
}

/// A file that is being written. Dropped unpublished, it is removed.
#[derive(Debug)]
pub struct Draft {
    outbox: Outbox,
    relative: PathBuf,
    folder: PathBuf,
    file: tempfile::NamedTempFile,
    /// Hash of what was written so far; `None` once something was overwritten, from where on only
    /// the length can be held against what is read back.
    meant: Option<Sha256>,
    position: u64,
    length: u64,
}

impl Write for Draft {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = self.file.as_file_mut().write(bytes)?;
        if self.position != self.length {
            self.meant = None;
        }
        if let Some(meant) = &mut self.meant {
            meant.update(&bytes[..count]);
        }
        self.position += count as u64;
        self.length = self.length.max(self.position);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.as_file_mut().flush()
    }
}

impl Seek for Draft {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.file.as_file_mut().seek(to)?;
        Ok(self.position)
    }
}

impl Draft {
    /// Where the file is going to be.
    pub fn target(&self) -> PathBuf {
        self.outbox.root.join(&self.relative)
    }

    /// Puts the file in its place: to the disk, read back, renamed, folder to the disk.
    pub fn publish(mut self) -> Result<Published> {
        let target = self.target();
        self.flush().map_err(|error| self.failed(&error))?;
        sync(self.file.as_file()).map_err(|error| self.failed(&error))?;
        // Opened anew, to read what is there and not what this handle remembers.
        let (sha256, bytes) = hash(self.file.path(), &|| false)
            .map_err(|error| self.failed(&error))?
            .expect("nobody cancels");
        let meant = self.meant.take().map(|meant| hex(&meant.finalize()));
        if bytes != self.length || meant.is_some_and(|meant| meant != sha256) {
            return Err(
                Error::file(&target, "what was read back is not what was written")
                    .hint("check the disk and its connection, then run the same command again"),
            );
        }
        self.outbox.is_still_there()?;
        if fs::symlink_metadata(&target).is_ok_and(|found| !found.is_file()) {
            return Err(Error::file(
                &target,
                "was replaced by a link or folder meanwhile",
            ));
        }
        self.file
            .persist(&target)
            .map_err(|error| Error::writing(&target, &error.error))?;
        sync_folder(&self.folder).map_err(|error| Error::writing(&target, &error))?;
        Ok(Published {
            path: self.relative,
            sha256,
            bytes,
        })
    }

    fn failed(&self, error: &io::Error) -> Error {
        Error::writing(&self.target(), error)
    }
}

/// To the disk; a file system that cannot do that is taken as it is.
fn sync(file: &File) -> io::Result<()> {
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

#[cfg(unix)]
fn sync_folder(folder: &Path) -> io::Result<()> {
    sync(&File::open(folder)?)
}

#[cfg(not(unix))]
fn sync_folder(_: &Path) -> io::Result<()> {
    Ok(()) // elsewhere a folder cannot be opened, and a rename is durable by itself
}

/// What tells a folder from another one of the same name.
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
    let hashed = hash(path, cancel).map_err(|error| Error::reading(path, &error))?;
    Ok(hashed.map(|(sha256, _)| sha256))
}

fn hash(path: &Path, cancel: &dyn Fn() -> bool) -> io::Result<Option<(String, u64)>> {
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut bytes = 0u64;
    loop {
        if cancel() {
            return Ok(None);
        }
        let count = match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        hasher.update(&buffer[..count]);
        bytes += count as u64;
    }
    Ok(Some((hex(&hasher.finalize()), bytes)))
}

fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
