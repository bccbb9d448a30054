//! Opening what may be anything: a pipe has no end to wait for, a device may have none. And stamps: what
//! tells that a file has changed.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::time::SystemTime;

use crate::error::{Result, if_there};

/// What the file system says of a file: where any of it has changed, so may have the content.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stamp {
    bytes: u64,
    modified: Option<SystemTime>,
    /// Device, file, and the last change of either content or properties, in seconds and
    /// nanoseconds.
    identity: (u64, u64, i64, i64),
}

impl Stamp {
    /// Of the file at `path`, which is not opened.
    pub fn of(path: &Path) -> io::Result<Self> {
        let found = std::fs::metadata(path)?;
        #[cfg(unix)]
        let identity = {
            use std::os::unix::fs::MetadataExt;
            (found.dev(), found.ino(), found.ctime(), found.ctime_nsec())
        };
        #[cfg(not(unix))]
        let identity = (0, 0, 0, 0);
        Ok(Self {
            bytes: found.len(),
            modified: found.modified().ok(),
            identity,
        })
    }
}

/// Opens a file for reading. What is no regular file is an error and is never waited for, even if it
/// was put there a moment ago.
pub fn open(path: &Path) -> io::Result<File> {
    regular(&std::fs::metadata(path)?)?;
    let mut options = File::options();
    options.read(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.custom_flags(libc::O_NONBLOCK); // says nothing about a regular file
    }
    let file = options.open(path)?;
    regular(&file.metadata()?)?;
    Ok(file)
}

/// The whole of a file, opened the same way.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Whether a file stands there.
///
/// # Errors
/// Those of [`if_there`].
pub fn stands(path: &Path) -> Result<bool> {
    let found = if_there(path, std::fs::symlink_metadata(path))?;
    Ok(found.is_some_and(|found| found.is_file()))
}

/// What lies in a folder, by name; nothing where the folder is not there. Names that are not UTF-8,
/// which no file of ours has, are passed over.
///
/// # Errors
/// Those of [`if_there`].
pub fn names(folder: &Path) -> Result<Vec<String>> {
    let Some(entries) = if_there(folder, std::fs::read_dir(folder))? else {
        return Ok(Vec::new());
    };
    let mut names = Vec::new();
    for entry in entries {
        let entry = if_there(folder, entry)?;
        names.extend(entry.and_then(|entry| entry.file_name().into_string().ok()));
    }
    names.sort();
    Ok(names)
}

/// Bytes as lower-case hexadecimal digits.
pub fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn regular(found: &std::fs::Metadata) -> io::Result<()> {
    let what = match found {
        found if found.is_file() => return Ok(()),
        found if found.is_dir() => "it is a folder, not a file",
        _ => "it is a pipe, socket or device, not a file",
    };
    Err(io::Error::new(io::ErrorKind::InvalidInput, what))
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_pipe_is_refused_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status();
        assert!(made.unwrap().success());
        let error = open(&pipe).unwrap_err();
        assert!(error.to_string().contains("a pipe"), "{error}");
        assert!(open(folder.path()).is_err() && open(Path::new("/dev/null")).is_err());
        let file = folder.path().join("file");
        std::fs::write(&file, "abc").unwrap();
        assert_eq!(read(&file).unwrap(), b"abc");
    }
}
