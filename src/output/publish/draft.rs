//! [`Draft`]: a file that is being written under a temporary name.

use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

use super::{Hashing, Outbox, Published, Seen, sync};
use crate::error::{Error, Result};
use crate::output::ours::Standing;

/// A file that is being written. Dropped unpublished, it is removed.
#[derive(Debug)]
pub struct Draft {
    outbox: Outbox,
    /// Where it is going to be, relative to the output folder.
    relative: PathBuf,
    /// The folder of it.
    folder: PathBuf,
    file: tempfile::NamedTempFile,
    /// CRC-32 of what was written so far; `None` once something was overwritten, from where on only
    /// the length can be compared with what is read back.
    meant: Option<crc32fast::Hasher>,
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
    pub(super) fn new(
        outbox: Outbox,
        relative: PathBuf,
        folder: PathBuf,
        file: tempfile::NamedTempFile,
    ) -> Self {
        Self {
            outbox,
            relative,
            folder,
            file,
            meant: Some(crc32fast::Hasher::new()),
            position: 0,
            length: 0,
        }
    }

    /// Writes over bytes that were written already. Only from here is known what is meant to lie
    /// there, so that the whole file can still be compared with what is read back.
    pub fn patch(&mut self, at: u64, bytes: &[u8]) -> io::Result<()> {
        let file = self.file.as_file_mut();
        let mut old = vec![0; bytes.len()];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut old)?;
        file.seek(SeekFrom::Start(at))?;
        file.write_all(bytes)?;
        file.seek(SeekFrom::Start(self.position))?;
        if let Some(meant) = self.meant.take() {
            // CRC-32 is affine: that of a sum of three files is the sum of theirs.
            let changed: Vec<u8> = old.iter().zip(bytes).map(|(a, b)| a ^ b).collect();
            let mut difference = zeros(at);
            difference.update(&changed);
            difference.combine(&zeros(self.length - at - bytes.len() as u64));
            let sum = meant.finalize() ^ difference.finalize() ^ zeros(self.length).finalize();
            self.meant = Some(crc32fast::Hasher::new_with_initial_len(sum, self.length));
        }
        Ok(())
    }

    /// Where the file is going to be.
    pub fn target(&self) -> PathBuf {
        self.outbox.root.join(&self.relative)
    }

    /// Puts the file in its place: to the disk, read back, renamed, folder to the disk.
    pub fn publish(mut self) -> Result<Published> {
        let back = match self.outbox.durable {
            true => Some(self.read_back(|_| Ok(()))?.0),
            false => {
                self.flush().map_err(|error| self.failed(&error))?;
                None
            }
        };
        self.put(back)
    }

    /// The same where something else is to be known of the file too: `look` reads it, as it is on
    /// the disk, while it is hashed. Its error keeps the file from its place.
    pub fn publish_seen<T>(
        mut self,
        look: impl FnOnce(&mut Hashing) -> Result<T>,
    ) -> Result<(Published, T)> {
        let (back, seen) = self.read_back(look)?;
        Ok((self.put(Some(back))?, seen))
    }

    /// What is on the disk, and what `look` saw there.
    fn read_back<T>(&mut self, look: impl FnOnce(&mut Hashing) -> Result<T>) -> Result<(Seen, T)> {
        self.flush().map_err(|error| self.failed(&error))?;
        // Opened anew, to read what is there and not what this handle remembers.
        let there = sync(self.file.as_file()).and_then(|()| self.outbox.dir.open(self.part()));
        let there = there.map_err(|error| self.failed(&error))?;
        let mut back = Hashing::new(there.into_std());
        let seen = look(&mut back)?;
        let back = back
            .finish(&|| false)
            .map_err(|error| self.failed(&error))?;
        Ok((back.expect("nobody cancels"), seen))
    }

    /// The temporary name, relative to the output folder.
    fn part(&self) -> PathBuf {
        let name = self.file.path().file_name().unwrap_or_default();
        self.folder.join(name)
    }

    /// Gives the file its name, if `back` is what was written.
    fn put(mut self, back: Option<Seen>) -> Result<Published> {
        let (target, part) = (self.target(), self.part());
        let meant = self.meant.take().map(crc32fast::Hasher::finalize);
        let differs =
            |back: &Seen| back.bytes != self.length || meant.is_some_and(|sum| sum != back.sum);
        if back.as_ref().is_some_and(differs) {
            return Err(
                Error::file(&target, "what was read back is not what was written")
                    .hint("check the disk and its connection, then run the same command again"),
            );
        }
        let sha256 = back.map(|back| back.sha256).unwrap_or_default();
        self.outbox.is_still_there()?;
        let dir = &self.outbox.dir;
        if (dir.symlink_metadata(&self.relative)).is_ok_and(|found| !found.is_file()) {
            return Err(Error::file(
                &target,
                "was replaced by a link or folder meanwhile",
            ));
        }
        if let Some(ours) = &self.outbox.ours {
            match ours.standing(&self.relative)? {
                Standing::Foreign => {
                    let reason = "was put there by somebody else meanwhile: it was not replaced";
                    return Err(Error::file(&target, reason).hint("move it away, then run again"));
                }
                Standing::Changed => ours.set_aside(&self.outbox, &self.relative)?,
                Standing::Nothing | Standing::Written => {}
            }
            let found = self.file.as_file().metadata();
            let found = found.map_err(|error| self.failed(&error))?;
            ours.note(&self.relative, &sha256, &found)?;
        }
        (self.outbox.rename(&part, &self.outbox, &self.relative))
            .map_err(|error| self.failed(&error))?;
        // Nothing is left under the temporary name.
        let _ = self.file.keep();
        if let Err(error) = self.outbox.sync_folder(&self.folder) {
            // It may not outlast the next power cut: absent is better than uncertain.
            let _ = self.outbox.unlink(&self.relative);
            return Err(Error::writing(&target, &error));
        }
        Ok(Published {
            path: self.relative,
            sha256,
            bytes: self.length,
        })
    }

    fn failed(&self, error: &io::Error) -> Error {
        Error::writing(&self.target(), error)
    }
}

/// CRC-32 of so many zeros, by doubling.
fn zeros(count: u64) -> crc32fast::Hasher {
    let mut all = crc32fast::Hasher::new();
    let mut run = crc32fast::Hasher::new();
    run.update(&[0]);
    let mut left = count;
    while left > 0 {
        if left & 1 == 1 {
            all.combine(&run);
        }
        let same = run.clone();
        run.combine(&same);
        left >>= 1;
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_patched_file_is_still_compared_with_what_is_read_back() {
        let folder = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(folder.path()).unwrap();
        let bytes: Vec<u8> = (0..100_003u32)
            .map(|i| (i.wrapping_mul(i) >> 7) as u8)
            .collect();
        for (at, new) in [
            (0usize, &b"0123456789"[..]),
            (412, b"x"),
            (99_993, b"9876543210"),
        ] {
            let mut draft = outbox.create(std::path::Path::new("a")).unwrap();
            draft.write_all(&bytes).unwrap();
            draft.patch(at as u64, new).unwrap();
            draft.write_all(b"tail").unwrap();
            let mut want = bytes.clone();
            want[at..at + new.len()].copy_from_slice(new);
            want.extend(b"tail");
            assert!(draft.meant.is_some());
            let meant = draft.meant.clone().unwrap().finalize();
            assert_eq!(meant, crc32fast::hash(&want));
            draft.publish().unwrap();
            assert_eq!(std::fs::read(folder.path().join("a")).unwrap(), want);
        }
    }
}
