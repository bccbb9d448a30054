//! [`Hashing`]: a file that is hashed while it is read for another reason.

use std::fs::File;
use std::io::{self, ErrorKind, Read, Seek, SeekFrom};

use sha2::{Digest, Sha256};

use super::hex;

/// A file being read. What is read of it in order, from its start on, is hashed on the way.
pub struct Hashing {
    file: File,
    position: u64,
    /// So much of its start is in the hash.
    hashed: u64,
    hasher: Sha256,
}

impl Hashing {
    /// Of a file at its start.
    pub fn new(file: File) -> Self {
        Self {
            file,
            position: 0,
            hashed: 0,
            hasher: Sha256::new(),
        }
    }

    /// Reads what has not been read, and gives the SHA-256 of the whole file in lower-case
    /// hexadecimal digits and its length. `cancel` is asked every 64 KiB; where it says true, the
    /// answer is `None`.
    pub fn finish(mut self, cancel: &dyn Fn() -> bool) -> io::Result<Option<(String, u64)>> {
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
        Ok(Some((hex(&self.hasher.finalize()), self.hashed)))
    }
}

impl Read for Hashing {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        let end = self.position + count as u64;
        if self.position <= self.hashed && self.hashed < end {
            let known = (self.hashed - self.position) as usize;
            self.hasher.update(&buffer[known..count]);
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

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn the_hash_is_that_of_the_file_however_it_was_read() {
        let bytes: Vec<u8> = (0..300_000u64).map(|i| ((i * i) >> 5) as u8).collect();
        let want = hex(&Sha256::digest(&bytes));
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
            assert_eq!(found, Some((want.clone(), 300_000)));
        }
        assert_eq!(Hashing::new(file).finish(&|| true).unwrap(), None);
    }
}
