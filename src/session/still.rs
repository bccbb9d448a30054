//! Which takes are complete: a recorder may still be writing to the others.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use walkdir::{DirEntry, WalkDir};

use super::Session;
use super::scan::is_output;
use crate::error::{Error, Kind, Result};
use crate::files::Stamp;

/// A file that has not changed for so long is taken to be written, if its header says how long it is
/// and it is so long. Recorders write several times a second; common practice, no source.
const SETTLED: Duration = Duration::from_millis(1500);

/// A file whose header is not whole may get one for so long; then it stays as it is, cut short.
const GIVEN_UP: Duration = Duration::from_secs(30);

/// What was seen of the files of a folder, look by look.
#[derive(Debug, Default)]
pub struct Still {
    seen: BTreeMap<PathBuf, Seen>,
}

#[derive(Debug)]
struct Seen {
    stamp: Stamp,
    since: Instant,
}

impl Still {
    /// Looks at every file under `root` at the time `now`. Hidden files and output folders are passed
    /// over.
    ///
    /// # Errors
    /// [`Kind::Environment`]: the folder itself cannot be read.
    pub fn look(&mut self, root: &Path, now: Instant) -> Result<()> {
        let hidden = |entry: &DirEntry| entry.file_name().as_encoded_bytes().first() == Some(&b'.');
        let passed_over = |entry: &DirEntry| {
            entry.depth() > 0
                && (hidden(entry) || (entry.file_type().is_dir() && is_output(entry.path())))
        };
        let mut here = BTreeMap::new();
        for entry in WalkDir::new(root)
            .into_iter()
            .filter_entry(|entry| !passed_over(entry))
        {
            let entry = match entry {
                Ok(entry) if entry.file_type().is_file() => entry,
                Err(error) if error.depth() == 0 => {
                    let lost = std::io::Error::from(error);
                    let lost = Error::reading(root, &lost);
                    return Err(Error::new(Kind::Environment, lost.reason).at(root));
                }
                // A folder, a link, or what is gone since: no file that could be written to.
                _ => continue,
            };
            let Ok(stamp) = Stamp::of(entry.path()) else {
                continue;
            };
            let path = entry.path().strip_prefix(root).unwrap_or(entry.path());
            let since = match self.seen.remove(path) {
                Some(before) if before.stamp == stamp => before.since,
                _ => now,
            };
            here.insert(path.to_owned(), Seen { stamp, since });
        }
        self.seen = here;
        Ok(())
    }

    /// For how long a file has been as it is. Zero where it is not known.
    fn still_for(&self, path: &Path, now: Instant) -> Duration {
        let seen = self.seen.get(path);
        seen.map_or(Duration::ZERO, |seen| now.duration_since(seen.since))
    }

    /// The files that hold still, as they are.
    pub fn settled(&self, now: Instant) -> impl Iterator<Item = (&Path, &Stamp)> {
        let settled = move |seen: &Seen| now.duration_since(seen.since) >= SETTLED;
        (self.seen.iter())
            .filter(move |(_, seen)| settled(seen))
            .map(|(path, seen)| (path.as_path(), &seen.stamp))
    }

    /// How many files there are.
    pub fn count(&self) -> usize {
        self.seen.len()
    }
}

/// Leaves the takes in `session` that are complete, and the files that have failed for good. Returns
/// the files of the others.
pub fn keep_complete(session: &mut Session, still: &Still, now: Instant) -> BTreeSet<PathBuf> {
    let mut open = BTreeSet::new();
    let mut open_folders = BTreeSet::new();
    session.failed.retain(|failed| {
        let given_up = still.still_for(&failed.path, now) >= GIVEN_UP;
        if !given_up {
            open.insert(failed.path.clone());
            open_folders.insert(failed.path.parent().map(Path::to_owned));
        }
        given_up
    });
    for song in &mut session.songs {
        song.takes.retain(|take| {
            let sources = || take.tracks.iter().flat_map(|track| &track.sources);
            let complete = sources().all(|source| {
                let wait = match source.info.truncated {
                    None => SETTLED,
                    Some(_) => GIVEN_UP,
                };
                // A file that cannot be read yet may be one more mic of the take.
                still.still_for(&source.path, now) >= wait
                    && !open_folders.contains(&source.path.parent().map(Path::to_owned))
            });
            if !complete {
                open.extend(sources().map(|source| source.path.clone()));
            }
            complete
        });
    }
    session.songs.retain(|song| !song.takes.is_empty());
    open
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(still: &Still, now: Instant) -> Vec<String> {
        let settled = still.settled(now);
        settled
            .map(|(path, _)| path.to_string_lossy().into_owned())
            .collect()
    }

    #[test]
    fn a_file_that_grows_or_is_renamed_starts_anew() {
        let folder = tempfile::tempdir().expect("a folder");
        let (mut still, start) = (Still::default(), Instant::now());
        let later = |s| start + Duration::from_secs(s);
        let path = folder.path().join("a.wav");
        std::fs::write(&path, b"1234").expect("written");
        std::fs::write(folder.path().join(".b.wav"), b"1234").expect("written");
        let mut look = |s| {
            still.look(folder.path(), later(s)).expect("there");
            paths(&still, later(s))
        };
        assert!(look(0).is_empty());
        assert_eq!(look(5), ["a.wav"]);
        std::fs::write(&path, b"123456").expect("written");
        assert!(look(6).is_empty());
        assert!(look(7).is_empty());
        assert_eq!(look(8), ["a.wav"]);
        std::fs::rename(&path, folder.path().join("c.wav")).expect("renamed");
        assert!(look(9).is_empty());
        assert_eq!(look(11), ["c.wav"]);
        std::fs::remove_file(folder.path().join("c.wav")).expect("removed");
        assert!(look(12).is_empty());
        assert!(still.look(&folder.path().join("gone"), later(13)).is_err());
    }
}
