//! [`Journal`]: finished outputs, a sealed line each.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};

use serde::{Deserialize, Serialize};

use crate::cache::key::Origin;
use crate::cache::store::{sealed, unsealed};

/// A finished output, so that the next run need not make it again.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Done {
    /// Relative to the output folder, with `/`.
    pub path: String,
    /// All that it was made from.
    pub origin: Origin,
    /// Of the file as it was published.
    pub sha256: String,
    /// What was measured on it, as JSON.
    pub figures: serde_json::Value,
}

/// Lines of finished outputs. They stay in the file, and are read again when asked for: of a long
/// session they would not fit in memory.
pub struct Journal {
    /// What is only read, the oldest first; the last is the journal that grows.
    files: Vec<File>,
    /// Path of each output → file, where its last line begins, and its length.
    lines: HashMap<String, (usize, u64, usize)>,
    length: u64,
    /// The last line may not be whole.
    torn: bool,
}

impl Journal {
    /// With all lines that hold of the files `older` and of `own`, to which lines are added.
    pub fn read(older: Vec<File>, own: File) -> io::Result<Self> {
        let mut journal = Self {
            files: Vec::new(),
            lines: HashMap::new(),
            length: 0,
            torn: false,
        };
        for file in older.into_iter().chain([own]) {
            journal.files.push(file);
            journal.add_last()?;
        }
        Ok(journal)
    }

    /// Reads the lines of the last file.
    fn add_last(&mut self) -> io::Result<()> {
        (self.length, self.torn) = (0, false);
        let at = self.files.len() - 1;
        let mut reader = BufReader::new(&self.files[at]);
        let mut line = Vec::new();
        loop {
            line.clear();
            if reader.read_until(b'\n', &mut line)? == 0 {
                return Ok(());
            }
            self.torn = line.pop_if(|last| *last == b'\n').is_none();
            if let Some(done) = parse(&line) {
                self.lines.insert(done.path, (at, self.length, line.len()));
            }
            self.length += line.len() as u64 + u64::from(!self.torn);
        }
    }

    /// The last line about an output.
    pub fn get(&mut self, path: &str) -> io::Result<Option<Done>> {
        let Some(&(file, at, length)) = self.lines.get(path) else {
            return Ok(None);
        };
        let mut line = vec![0; length];
        let file = &mut self.files[file];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut line)?;
        Ok(parse(&line))
    }

    /// Appends a line and flushes it to the disk.
    pub fn note(&mut self, done: &Done) -> io::Result<()> {
        let line = sealed(&serde_json::to_vec(done)?, "", b' ');
        let mut text = Vec::with_capacity(line.len() + 2);
        text.extend(self.torn.then_some(b'\n'));
        let begin = self.length + text.len() as u64;
        text.extend(&line);
        text.push(b'\n');
        // What a failed write leaves behind is not known: the length is asked for anew.
        self.torn = true;
        let at = self.files.len() - 1;
        let own = &mut self.files[at];
        let written = own.write_all(&text);
        self.length = own.metadata()?.len();
        written?;
        self.torn = false;
        let place = (at, begin, line.len());
        self.lines.insert(done.path.clone(), place);
        self.files[at].sync_data()
    }

    /// Appends all lines of another journal.
    pub fn take_over(&mut self, other: File) -> io::Result<()> {
        for line in BufReader::new(other).split(b'\n') {
            if let Some(done) = parse(&line?) {
                self.note(&done)?;
            }
        }
        Ok(())
    }
}

fn parse(line: &[u8]) -> Option<Done> {
    serde_json::from_slice(unsealed(line, "", b' ')?).ok()
}
