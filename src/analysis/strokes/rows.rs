//! [`Rows`]: what is kept of each millisecond of a track: in memory, or of a long one in a file that
//! is read again page by page.

use std::fmt;
use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::sync::{Mutex, OnceLock, PoisonError};

use crate::analysis::strokes::bank::BANDS;

/// Parts of a millisecond in which attacks are kept: sound travels nine centimetres in one.
pub(crate) const PARTS: usize = 4;
/// Bytes of a row.
pub(crate) const BYTES: usize = BANDS + PARTS + 2;
/// Rows that are read at once.
const PAGE: usize = 4096;

/// A millisecond of a track, in steps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Row {
    /// Band levels.
    pub levels: [u8; BANDS],
    /// Levels from 1.8 to 12 kHz, of each part of it.
    pub attacks: [u8; PARTS],
    /// Largest absolute sample.
    pub peak: u16,
}

impl Row {
    fn bytes(self) -> [u8; BYTES] {
        let mut bytes = [0; BYTES];
        bytes[..BANDS].copy_from_slice(&self.levels);
        bytes[BANDS..BANDS + PARTS].copy_from_slice(&self.attacks);
        bytes[BANDS + PARTS..].copy_from_slice(&self.peak.to_le_bytes());
        bytes
    }

    fn of(bytes: &[u8; BYTES]) -> Self {
        Self {
            levels: std::array::from_fn(|band| bytes[band]),
            attacks: std::array::from_fn(|part| bytes[BANDS + part]),
            peak: u16::from_le_bytes([bytes[BYTES - 2], bytes[BYTES - 1]]),
        }
    }
}

/// Where rows are read from.
pub(crate) trait Source: Read + Seek + Send {}
impl<T: Read + Seek + Send> Source for T {}

/// Rows of a track, one a millisecond.
pub(crate) enum Rows {
    Memory(Vec<Row>),
    Pages(Pages),
}

/// Rows in a file.
pub(crate) struct Pages {
    /// Place of the first one.
    first: u64,
    count: usize,
    open: Mutex<Open>,
    /// The error that ended the reading: from there on there is nothing.
    lost: OnceLock<io::Error>,
}

struct Open {
    source: Box<dyn Source>,
    /// The two pages that were asked for last, an even and an odd one.
    near: [(usize, Vec<Row>); 2],
}

impl fmt::Debug for Rows {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} rows", self.len())
    }
}

impl Rows {
    /// `count` rows at `first` of a source; up to `in_memory` of them are read at once.
    pub fn read(
        mut source: Box<dyn Source>,
        first: u64,
        count: usize,
        in_memory: usize,
    ) -> io::Result<Self> {
        if count <= in_memory {
            source.seek(SeekFrom::Start(first))?;
            return Ok(Self::Memory(rows(&mut *source, count)?));
        }
        Ok(Self::Pages(Pages::new(source, first, count)))
    }

    pub fn len(&self) -> usize {
        match self {
            Self::Memory(rows) => rows.len(),
            Self::Pages(pages) => pages.count,
        }
    }

    pub fn is_in_memory(&self) -> bool {
        matches!(self, Self::Memory(_))
    }

    pub fn get(&self, ms: usize) -> Option<Row> {
        match self {
            Self::Memory(rows) => rows.get(ms).copied(),
            Self::Pages(pages) => pages.get(ms),
        }
    }

    /// All of them, or what could be read.
    pub fn iter(&self) -> impl Iterator<Item = Row> {
        (0..self.len()).map_while(|ms| self.get(ms))
    }

    /// The error that [`Rows::get`] met.
    pub fn lost(&self) -> Option<&io::Error> {
        match self {
            Self::Memory(_) => None,
            Self::Pages(pages) => pages.lost.get(),
        }
    }

    /// Writes all of them.
    pub fn write(&self, mut sink: impl Write) -> io::Result<()> {
        for row in self.iter() {
            sink.write_all(&row.bytes())?;
        }
        match self.lost() {
            Some(error) => Err(io::Error::new(error.kind(), error.to_string())),
            None => Ok(()),
        }
    }
}

impl Pages {
    fn new(source: Box<dyn Source>, first: u64, count: usize) -> Self {
        let open = Open {
            source,
            near: [(usize::MAX, Vec::new()), (usize::MAX, Vec::new())],
        };
        Self {
            first,
            count,
            open: Mutex::new(open),
            lost: OnceLock::new(),
        }
    }

    fn get(&self, ms: usize) -> Option<Row> {
        if ms >= self.count || self.lost.get().is_some() {
            return None;
        }
        let (page, at) = (ms / PAGE, ms % PAGE);
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let Open { source, near } = &mut *open;
        let slot = &mut near[page % 2];
        if slot.0 != page {
            let place = SeekFrom::Start(self.first + (page * PAGE * BYTES) as u64);
            let count = PAGE.min(self.count - page * PAGE);
            let read = source.seek(place).and_then(|_| rows(&mut **source, count));
            match read {
                Ok(rows) => *slot = (page, rows),
                Err(error) => {
                    let _ = self.lost.set(error);
                    return None;
                }
            }
        }
        slot.1.get(at).copied()
    }
}

fn rows(source: &mut dyn Read, count: usize) -> io::Result<Vec<Row>> {
    let mut all = Vec::with_capacity(count);
    let mut bytes = vec![0; PAGE.min(count) * BYTES];
    while all.len() < count {
        let bytes = &mut bytes[..PAGE.min(count - all.len()) * BYTES];
        source.read_exact(bytes)?;
        all.extend(bytes.as_chunks().0.iter().map(Row::of));
    }
    Ok(all)
}

/// Rows that come one by one.
#[derive(Debug, Default)]
pub(crate) struct Growing {
    rows: Vec<Row>,
    /// Where they go instead, where they are many.
    file: Option<BufWriter<File>>,
    count: usize,
    lost: Option<io::Error>,
}

impl Growing {
    /// Into a file, which is read again afterwards.
    pub fn into_file(file: File) -> Self {
        Self {
            file: Some(BufWriter::new(file)),
            ..Self::default()
        }
    }

    pub fn push(&mut self, row: Row) {
        self.count += 1;
        match &mut self.file {
            None => self.rows.push(row),
            Some(file) => {
                let written = file.write_all(&row.bytes());
                self.lost = self.lost.take().or(written.err());
            }
        }
    }

    /// All of them. What could not be written is known by [`Rows::lost`].
    pub fn finish(self) -> Rows {
        let Some(file) = self.file else {
            return Rows::Memory(self.rows);
        };
        let file = file.into_inner().map_err(|error| error.into_error());
        match self.lost.map_or(file, Err) {
            Ok(file) => Rows::Pages(Pages::new(Box::new(file), 0, self.count)),
            Err(error) => {
                let pages = Pages::new(Box::new(io::empty()), 0, self.count);
                let _ = pages.lost.set(error);
                Rows::Pages(pages)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(ms: usize) -> Row {
        Row {
            levels: std::array::from_fn(|band| (ms * 7 + band) as u8),
            attacks: std::array::from_fn(|part| (ms * 11 + part) as u8),
            peak: (ms * 13) as u16,
        }
    }

    #[test]
    fn many_rows_come_from_a_file_as_they_would_from_memory() {
        let mut plain = Growing::default();
        let mut filed = Growing::into_file(tempfile::tempfile().unwrap());
        for ms in 0..10 * PAGE + 5 {
            plain.push(row(ms));
            filed.push(row(ms));
        }
        let (plain, filed) = (plain.finish(), filed.finish());
        assert!(plain.is_in_memory() && !filed.is_in_memory());
        assert_eq!(plain.len(), filed.len());
        assert!(plain.iter().eq(filed.iter()));
        // back and forth over the end of a page
        for ms in [
            0,
            PAGE,
            PAGE - 1,
            9 * PAGE,
            PAGE,
            plain.len() - 1,
            plain.len(),
        ] {
            assert_eq!(plain.get(ms), filed.get(ms), "{ms}");
        }
        let mut bytes = Vec::new();
        filed.write(&mut bytes).unwrap();
        let again = |in_memory| {
            let source = Box::new(io::Cursor::new(bytes.clone()));
            Rows::read(source, 0, plain.len(), in_memory).unwrap()
        };
        assert!(again(usize::MAX).iter().eq(again(0).iter()));
    }

    #[test]
    fn what_cannot_be_read_is_an_error_and_no_end() {
        let bytes = vec![1; 5 * BYTES];
        let short = Rows::read(Box::new(io::Cursor::new(bytes)), 0, 6, 0).unwrap();
        assert_eq!(short.get(0), None);
        assert!(short.lost().is_some() && short.write(io::sink()).is_err());
        // opened for reading only
        let named = tempfile::NamedTempFile::new().unwrap();
        let mut growing = Growing::into_file(File::open(named.path()).unwrap());
        (0..PAGE).for_each(|ms| growing.push(row(ms)));
        let lost = growing.finish();
        assert!(lost.lost().is_some() && lost.get(0).is_none());
    }
}
