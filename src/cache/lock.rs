//! Who works in an output folder: one run, or several that make the stems of different songs.
//!
//! A lock dies with its process, so a crash leaves none behind.

use std::fs::{self, File, TryLockError};
use std::io::{Read, Write};
use std::path::Path;

use crate::error::{Error, Kind, Result, printable};
use crate::output::bag::own_folder;
use crate::output::ours::{SONGS, song_file};
use crate::output::publish::Outbox;

const LOCK: &str = "lock";
/// Ending of the lock of a song.
const SONG_LOCK: &str = "lock";

/// Takes the whole folder.
pub fn whole(own: &Outbox, dir: &Path, warnings: &mut Vec<String>) -> Result<File> {
    let mut file = own.hold(Path::new(LOCK))?;
    take(&file, File::try_lock, warnings, || held(dir))?;
    sign(&mut file, &own.root().join(LOCK))?;
    Ok(file)
}

/// Takes some songs of it, beside runs that hold others.
pub fn songs(
    own: &Outbox,
    dir: &Path,
    songs: &[String],
    warnings: &mut Vec<String>,
) -> Result<Vec<File>> {
    let all = own.hold(Path::new(LOCK))?;
    take(&all, File::try_lock_shared, warnings, || held(dir))?;
    let mut locks = vec![all];
    for song in songs {
        let name = song_file(song, SONG_LOCK);
        let mut file = own.hold(&name)?;
        let holder = || {
            locked(
                dir,
                &format!("the song {song}"),
                signature(&own.root().join(&name)),
            )
        };
        take(&file, File::try_lock, warnings, holder)?;
        sign(&mut file, &own.root().join(&name))?;
        locks.push(file);
    }
    Ok(locks)
}

/// An error if another run holds the output folder just now. Nothing is written.
pub fn check_free(dir: &Path) -> Result<()> {
    match File::open(own_folder(dir).join(LOCK)) {
        Ok(file) => match file.try_lock_shared() {
            Err(TryLockError::WouldBlock) => Err(held(dir)),
            _ => Ok(()),
        },
        Err(_) => Ok(()),
    }
}

fn take(
    file: &File,
    lock: impl Fn(&File) -> std::result::Result<(), TryLockError>,
    warnings: &mut Vec<String>,
    held: impl Fn() -> Error,
) -> Result<()> {
    match lock(file) {
        Ok(()) => Ok(()),
        Err(TryLockError::WouldBlock) => Err(held()),
        Err(TryLockError::Error(_)) => {
            let warning = "the file system of the output folder has no locks: see that no second \
                           run uses it";
            if !warnings.iter().any(|said| said == warning) {
                warnings.push(warning.to_owned());
            }
            Ok(())
        }
    }
}

/// Writes into a lock who holds it.
fn sign(file: &mut File, path: &Path) -> Result<()> {
    let host = fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let mut text = format!("process {}", std::process::id());
    if !host.trim().is_empty() {
        text += &format!(" on {}", host.trim());
    }
    text.push('\n');
    file.set_len(0)
        .and_then(|()| file.write_all(text.as_bytes()))
        .map_err(|e| Error::writing(path, &e))
}

/// Who wrote into a lock, where that can be read: on Windows nobody else reads what is locked. Only for
/// messages.
fn signature(path: &Path) -> Option<String> {
    let mut text = String::new();
    let _ = File::open(path).ok()?.take(1000).read_to_string(&mut text);
    text.lines().next().map(str::to_owned)
}

/// The error of a folder that other runs hold: those that make some of its songs, or one that makes
/// everything.
fn held(dir: &Path) -> Error {
    let own = own_folder(dir);
    let found = fs::read_dir(own.join(SONGS))
        .into_iter()
        .flatten()
        .flatten();
    let song = found.map(|entry| entry.path()).find(|path| {
        path.extension().is_some_and(|ending| ending == SONG_LOCK)
            && File::open(path)
                .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
    });
    locked(
        dir,
        "this output folder",
        signature(&song.unwrap_or_else(|| own.join(LOCK))),
    )
}

fn locked(dir: &Path, what: &str, holder: Option<String>) -> Error {
    let mut reason = format!("another run holds {what}");
    if let Some(holder) = holder {
        reason += &format!(": {}", printable(&holder));
    }
    Error::new(Kind::Locked, reason)
        .at(dir)
        .hint("wait until it has finished, or give another folder with --out")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_holds_a_folder_is_named_where_that_is_known() {
        let dir = tempfile::tempdir().unwrap();
        let lock = dir.path().join(LOCK);
        let said = || locked(dir.path(), "this output folder", signature(&lock)).reason;
        assert_eq!(said(), "another run holds this output folder");
        fs::write(&lock, "").unwrap();
        assert_eq!(said(), "another run holds this output folder");
        fs::write(&lock, "process 12 on a\u{1b}studio\n").unwrap();
        assert_eq!(
            said(),
            "another run holds this output folder: process 12 on a\\u{1b}studio"
        );
    }
}
