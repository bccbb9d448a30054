//! [`Hashing`]: a file that is hashed while it is read for another reason.

use std::fs::File;
use std::io::{self, ErrorKind, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sha2::{Digest, Sha256};

use crate::files::hex;

/// A gap up to here is read for the hash: a reader of chunks skips what it does not know.
const GAP: u64 = 1 << 16;

/// A file being read. What is read of it in order, from its start on, is hashed on the way.
pub struct Hashing {
    file: File,
    position: u64,
    /// So much of its start is in the hash.
    hashed: u64,
    hasher: Sha256,
    sum: crc32fast::Hasher,
}

/// What a file was found to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// SHA-256 of the whole file in lower-case hexadecimal digits.
    pub sha256: String,
    /// CRC-32 (ISO-HDLC) of it.
    pub sum: u32,
    /// Length.
    pub bytes: u64,
}

impl Hashing {
    /// Of a file at its start.
    pub fn new(file: File) -> Self {
        Self {
            file,
            position: 0,
            hashed: 0,
            hasher: Sha256::new(),
            sum: crc32fast::Hasher::new(),
        }
    }

    /// Reads what has not been read, and says what the whole file is. `cancel` is asked every 64 KiB;
    /// where it says true, the answer is `None`.
    pub fn finish(mut self, cancel: &dyn Fn() -> bool) -> io::Result<Option<Seen>> {
        self.seek(SeekFrom::Start(self.hashed))?;
        let mut buffer = vec![0; 1 << 16];
        loop {
            if cancel() {
                return Ok(None);
            }
            match self.read(&mut buffer) {
                Ok(0) => break,
                Err(error) if error.kind() != ErrorKind::Interrupted => return Err(error),
                _ => {}
            }
        }
        Ok(Some(Seen {
            sha256: hex(&self.hasher.finalize()),
            sum: self.sum.finalize(),
            bytes: self.hashed,
        }))
    }

    /// Reads what lies between what is hashed and the place of the next read, if that is little.
    fn fill_gap(&mut self) -> io::Result<()> {
        let to = self.position;
        if !(self.hashed + 1..=self.hashed + GAP).contains(&to) {
            return Ok(());
        }
        let mut gap = vec![0; (to - self.hashed) as usize];
        self.seek(SeekFrom::Start(self.hashed))?;
        // The file may end here, or be cut meanwhile: then the next read says so.
        while self.position < to {
            let left = (to - self.position) as usize;
            match self.read(&mut gap[..left]) {
                Ok(0) => break,
                Err(error) if error.kind() != ErrorKind::Interrupted => return Err(error),
                _ => {}
            }
        }
        self.seek(SeekFrom::Start(to)).map(drop)
    }
}

impl Read for Hashing {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.position > self.hashed {
            self.fill_gap()?;
        }
        let count = self.file.read(buffer)?;
        let end = self.position + count as u64;
        if self.position <= self.hashed && self.hashed < end {
            let known = (self.hashed - self.position) as usize;
            self.hasher.update(&buffer[known..count]);
            self.sum.update(&buffer[known..count]);
            self.hashed = end;
        }
        self.position = end;
        Ok(count)
    }
}

impl Seek for Hashing {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.file.seek(to)?;
        Ok(self.position)
    }
}

/// A [`Hashing`] that its reader gives back: what is asked for the hash stays with whoever asks, and
/// [`SharedHashing::on`] goes to the reader.
#[derive(Default)]
pub struct SharedHashing(Arc<Mutex<Option<Hashing>>>);

impl SharedHashing {
    /// The other end, for the reader of this file.
    pub fn on(&self, file: File) -> Self {
        *self.held() = Some(Hashing::new(file));
        Self(self.0.clone())
    }

    /// What [`Hashing::finish`] says; `None` where no file was ever read this way. The reader can
    /// read no more.
    pub fn finish(&self, cancel: &dyn Fn() -> bool) -> Option<io::Result<Option<Seen>>> {
        let hashing = self.held().take();
        hashing.map(|hashing| hashing.finish(cancel))
    }

    fn held(&self) -> MutexGuard<'_, Option<Hashing>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn with<T>(&self, act: impl FnOnce(&mut Hashing) -> io::Result<T>) -> io::Result<T> {
        let gone = || io::Error::other("the hash of this file was taken already");
        act(self.held().as_mut().ok_or_else(gone)?)
    }
}

impl Read for SharedHashing {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.with(|hashing| hashing.read(buffer))
    }
}

impl Seek for SharedHashing {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.with(|hashing| hashing.seek(to))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn the_hash_is_that_of_the_file_however_it_was_read() {
        let bytes: Vec<u8> = (0..300_000u64).map(|i| ((i * i) >> 5) as u8).collect();
        let want = Seen {
            sha256: hex(&Sha256::digest(&bytes)),
            sum: crc32fast::hash(&bytes),
            bytes: 300_000,
        };
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&bytes).unwrap();
        for places in [
            &[][..],
            &[(0, 300_000)],
            &[
                (0, 100),
                (50, 1000),
                (40, 20),
                (2000, 5000),
                (1000, 299_000),
            ],
            &[(299_990, 10), (1, 7), (0, 1)],
            &[
                (0, 12),
                (40, 8),
                (299_000, 500),
                (44, 200_000),
                (290_000, 9000),
            ],
        ] {
            let mut same = file.try_clone().unwrap();
            same.rewind().unwrap();
            let mut hashing = Hashing::new(same);
            for &(from, count) in places {
                let mut part = vec![0; count];
                hashing.seek(SeekFrom::Start(from as u64)).unwrap();
                hashing.read_exact(&mut part).unwrap();
                assert_eq!(part, bytes[from..from + count]);
            }
            let found = hashing.finish(&|| false).unwrap();
            assert_eq!(found.as_ref(), Some(&want));
        }
        let shared = SharedHashing::default();
        assert!(shared.finish(&|| false).is_none());
        file.rewind().unwrap();
        let mut reader = shared.on(file.try_clone().unwrap());
        reader.read_exact(&mut [0; 1000]).unwrap();
        let found = shared.finish(&|| false).unwrap().unwrap();
        assert_eq!(found, Some(want));
        assert!(reader.read(&mut [0]).is_err());
        assert_eq!(Hashing::new(file).finish(&|| true).unwrap(), None);
    }
}
