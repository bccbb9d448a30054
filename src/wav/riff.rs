//! Walks the chunks of a RIFF, RF64 or BW64 file: ids, sizes, pad bytes. Knows nothing of audio.
//!
//! No size of the header is believed beyond the real length of the file. The walk is one loop, it
//! keeps at most [`MAX_CHUNKS`] chunks, and allocates nothing of a size that the file names.
//!
//! Sources: Microsoft/IBM "Multimedia Programming Interface and Data Specifications 1.0" for RIFF;
//! EBU Tech 3306 v1.1 and ITU-R BS.2088 for RF64, BW64 and `ds64`.
#![deny(clippy::arithmetic_side_effects)]

use std::io::{self, Read, Seek, SeekFrom};

/// Chunks that are kept; a file with more is refused, or cut here where `data` was found already.
pub const MAX_CHUNKS: usize = 10_000;

/// A 32-bit size that stands for "see `ds64`", or "not known".
const UNKNOWN: u32 = u32::MAX;

/// A chunk's four letters.
pub type Id = [u8; 4];

/// Where a chunk's payload lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chunk {
    /// Its four letters.
    pub id: Id,
    /// Byte of the file at which the payload starts.
    pub start: u64,
    /// Bytes of payload that are really there.
    pub size: u64,
    /// The header promised more than `size`.
    pub cut: bool,
}

/// Why the size of `data` is not the one that its header names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DataSize {
    /// As the header says.
    Stated,
    /// The recorder never wrote the size: `data` was taken to the end of the file.
    NeverWritten,
    /// The header promises this many bytes; the file ends before.
    Beyond(u64),
}

/// What the walk found.
#[derive(Debug)]
pub struct Layout {
    /// All chunks in order, from the first after the form type.
    pub chunks: Vec<Chunk>,
    /// How far the size of the first `data` chunk can be trusted.
    pub data_size: DataSize,
    /// The outer size promises more bytes than the file has.
    pub outer_beyond: bool,
    /// What was odd but could be read, in words.
    pub oddities: Vec<String>,
}

/// Why a file was not walked.
#[derive(Debug)]
pub enum Refusal {
    /// The operating system could not read it.
    Io(io::Error),
    /// It is not what it should be.
    Reason(String),
}

impl From<io::Error> for Refusal {
    fn from(error: io::Error) -> Self {
        Refusal::Io(error)
    }
}

impl Layout {
    /// The first chunk with this id, and its place among the chunks.
    pub fn first(&self, id: &Id) -> Option<(usize, Chunk)> {
        let index = self.chunks.iter().position(|chunk| chunk.id == *id)?;
        Some((index, *self.chunks.get(index)?))
    }
}

/// An id in words: `'fmt '`, with what is not printable escaped.
pub fn name(id: &Id) -> String {
    format!("'{}'", id.escape_ascii())
}

/// Walks the file from its first byte.
pub fn walk<R: Read + Seek>(source: &mut R) -> Result<Layout, Refusal> {
    let length = source.seek(SeekFrom::End(0))?;
    let mut walk = Walk {
        source,
        length,
        long: None,
        layout: Layout {
            chunks: Vec::new(),
            data_size: DataSize::Stated,
            outer_beyond: false,
            oddities: Vec::new(),
        },
    };
    walk.run()?;
    Ok(walk.layout)
}

/// `ds64`: the sizes that do not fit in 32 bits.
struct Long {
    data: u64,
    table: Vec<(Id, u64)>,
}

/// Id and 32-bit size as they stand in the file.
#[derive(Clone, Copy)]
struct Header {
    id: Id,
    size: u32,
}

struct Walk<'a, R> {
    source: &'a mut R,
    length: u64,
    long: Option<Long>,
    layout: Layout,
}

impl<R: Read + Seek> Walk<'_, R> {
    fn run(&mut self) -> Result<(), Refusal> {
        let long_form = self.outer()?;
        let mut at = 12;
        let mut data_found = false;
        while let Some(header) = self.header(at)? {
            if self.layout.chunks.len() >= MAX_CHUNKS {
                if !data_found {
                    return reason(format!(
                        "has more than {MAX_CHUNKS} chunks before its audio"
                    ));
                }
                self.odd(format!("chunks after the first {MAX_CHUNKS} were not read"));
                return Ok(());
            }
            if !printable(&header.id) {
                break;
            }
            let start = at.saturating_add(8);
            let left = self.length.saturating_sub(start);
            let is_audio = header.id == *b"data" && !data_found;
            let (size, cut) = if is_audio {
                data_found = true;
                self.data(header, start, long_form)?
            } else {
                let stated = self.stated(header, long_form);
                if stated > left {
                    self.odd(format!(
                        "chunk {} is cut off by the end of the file",
                        name(&header.id)
                    ));
                }
                (stated.min(left), stated > left)
            };
            if header.id == *b"ds64" && long_form && self.long.is_none() {
                self.ds64(start, size)?;
            }
            self.layout.chunks.push(Chunk {
                id: header.id,
                start,
                size,
                cut,
            });
            at = self.next(start, size)?;
        }
        if at < self.length {
            let rest = self.length.saturating_sub(at);
            self.odd(format!(
                "{rest} bytes from byte {at} on are no chunk and were not read"
            ));
        }
        Ok(())
    }

    /// The first 12 bytes. Whether sizes may stand in `ds64`.
    fn outer(&mut self) -> Result<bool, Refusal> {
        self.source.rewind()?;
        let mut outer = [0; 12];
        if fill(self.source, &mut outer)? < outer.len() {
            return reason(format!(
                "holds {} bytes, too few for a WAV file",
                self.length
            ));
        }
        let [a, b, c, d, s0, s1, s2, s3, form @ ..] = outer;
        let long_form = match &[a, b, c, d] {
            b"RIFF" => false,
            b"RF64" | b"BW64" => true,
            b"RIFX" => return reason("is a big-endian WAV file (RIFX), which is not supported"),
            other => return reason(format!("starts with {}, not RIFF", name(other))),
        };
        if form != *b"WAVE" {
            return reason(format!("is a RIFF file of type {}, not WAVE", name(&form)));
        }
        let stated = u32::from_le_bytes([s0, s1, s2, s3]);
        let real = self.length.saturating_sub(8);
        self.layout.outer_beyond = !long_form && u64::from(stated) > real;
        if !long_form && u64::from(stated) != real && u64::from(stated) != real.saturating_add(1) {
            self.odd(format!(
                "the outer size says {stated} bytes, the file has {real}"
            ));
        }
        Ok(long_form)
    }

    /// The size that a chunk's header names, through `ds64` where it says so.
    fn stated(&self, header: Header, long_form: bool) -> u64 {
        if header.size != UNKNOWN || !long_form {
            return u64::from(header.size);
        }
        let Some(long) = &self.long else {
            return u64::MAX;
        };
        if header.id == *b"data" {
            return long.data;
        }
        let entry = long.table.iter().find(|(id, _)| *id == header.id);
        entry.map_or(u64::MAX, |(_, size)| *size)
    }

    /// Size of the audio chunk. Three things go wrong with recorders: they die before they write
    /// it, the file is copied in part, or 32 bits are too few.
    fn data(
        &mut self,
        header: Header,
        start: u64,
        long_form: bool,
    ) -> Result<(u64, bool), Refusal> {
        let left = self.length.saturating_sub(start);
        let stated = self.stated(header, long_form);
        let unknown = stated == u64::MAX || (!long_form && header.size == UNKNOWN);
        if unknown || (stated == 0 && left > 0 && !self.chunks_to_the_end(start)?) {
            self.layout.data_size = DataSize::NeverWritten;
            return Ok((self.up_to_trailing_chunks(start, left)?, false));
        }
        if stated > left {
            self.layout.data_size = DataSize::Beyond(stated);
            return Ok((left, true));
        }
        let wrap = 1u64 << 32;
        if !long_form
            && left.saturating_sub(stated) >= wrap
            && !self.chunks_follow(start, stated)?
        {
            // 32 bits wrapped: the true size is the largest that fits and has the same low part.
            let whole = left.saturating_sub(stated) & !(wrap.wrapping_sub(1));
            self.odd("passes 4 GiB without being RF64: the size of its audio was taken from the length of the file");
            return Ok((stated.saturating_add(whole), false));
        }
        Ok((stated, false))
    }

    /// Bytes from `start` to the chunks that end the file, where it ends with chunks known here.
    fn up_to_trailing_chunks(&mut self, start: u64, left: u64) -> Result<u64, Refusal> {
        const TAIL: usize = 1 << 16;
        let mut tail = vec![0; usize::try_from(left).unwrap_or(usize::MAX).min(TAIL)];
        let tail_start = start.saturating_add(left.saturating_sub(tail.len() as u64));
        self.source.seek(SeekFrom::Start(tail_start))?;
        fill(self.source, &mut tail)?;
        let ids = tail.windows(4).enumerate();
        let trailing = ids.filter(|(_, id)| {
            id.first_chunk()
                .is_some_and(|id| known(id) && id != b"data")
        });
        // Few stand in audio by chance; a file full of them is not worth the time.
        for (offset, _) in trailing.take(16) {
            let at = tail_start.saturating_add(offset as u64);
            if self.chunks_to_the_end(at)? {
                return Ok(at.saturating_sub(start));
            }
        }
        Ok(left)
    }

    /// Whether a chunk, or nothing but its pad byte, follows after `size` bytes.
    fn chunks_follow(&mut self, start: u64, size: u64) -> Result<bool, Refusal> {
        let end = start.saturating_add(size);
        self.chunks_to_the_end(end.saturating_add(size & 1))
    }

    /// Whether sane chunks fill the file from here to its end.
    fn chunks_to_the_end(&mut self, mut at: u64) -> Result<bool, Refusal> {
        for _ in 0..MAX_CHUNKS {
            if at >= self.length {
                return Ok(true);
            }
            match self.header(at)? {
                Some(header) if printable(&header.id) => {
                    let end = at.saturating_add(8).saturating_add(u64::from(header.size));
                    if end > self.length {
                        return Ok(false);
                    }
                    at = end.saturating_add(u64::from(header.size & 1));
                }
                _ => return Ok(false),
            }
        }
        Ok(false)
    }

    /// Reads the sizes of `ds64`: data size at byte 8, table from byte 28 on.
    fn ds64(&mut self, start: u64, size: u64) -> Result<(), Refusal> {
        let mut fixed = [0; 28];
        self.source.seek(SeekFrom::Start(start))?;
        if size < 28 || fill(self.source, &mut fixed)? < fixed.len() {
            self.odd("chunk 'ds64' is too short and was not used");
            return Ok(());
        }
        let table_length = u32_at(&fixed, 24);
        let mut table = Vec::new();
        for _ in 0..table_length.min(1000) {
            let mut entry = [0; 12];
            if fill(self.source, &mut entry)? < entry.len() {
                break;
            }
            let [a, b, c, d, ..] = entry;
            table.push(([a, b, c, d], u64_at(&entry, 4)));
        }
        let data = u64_at(&fixed, 8);
        self.layout.outer_beyond = u64_at(&fixed, 0) > self.length.saturating_sub(8);
        self.long = Some(Long { data, table });
        Ok(())
    }

    /// Where the next chunk starts: after the pad byte of an odd chunk, unless a chunk clearly
    /// starts in its place. (A pad byte is 0, as a rule, and no id starts with 0.)
    fn next(&mut self, start: u64, size: u64) -> Result<u64, Refusal> {
        let end = start.saturating_add(size);
        if size & 1 == 0 {
            return Ok(end);
        }
        let padded = end.saturating_add(1);
        let sane = |header: Option<Header>, at: u64, length: u64| {
            header.is_some_and(|header| {
                let end = at.saturating_add(8).saturating_add(u64::from(header.size));
                printable(&header.id) && (end <= length || header.id == *b"data")
            })
        };
        let here = self.header(end)?;
        if !sane(here, end, self.length) {
            return Ok(padded);
        }
        let there = self.header(padded)?;
        let known = |header: Option<Header>| header.is_some_and(|header| known(&header.id));
        if sane(there, padded, self.length) && (known(there) || !known(here)) {
            return Ok(padded);
        }
        self.odd("an odd chunk has no pad byte");
        Ok(end)
    }

    /// Id and size at a byte of the file; `None` where fewer than 8 bytes are left.
    fn header(&mut self, at: u64) -> Result<Option<Header>, Refusal> {
        if self.length.saturating_sub(at) < 8 {
            return Ok(None);
        }
        self.source.seek(SeekFrom::Start(at))?;
        let mut bytes = [0; 8];
        if fill(self.source, &mut bytes)? < bytes.len() {
            return Ok(None);
        }
        let [a, b, c, d, ..] = bytes;
        Ok(Some(Header {
            id: [a, b, c, d],
            size: u32_at(&bytes, 4),
        }))
    }

    fn odd(&mut self, text: impl Into<String>) {
        let text = text.into();
        if self.layout.oddities.len() < 20 && !self.layout.oddities.contains(&text) {
            self.layout.oddities.push(text);
        }
    }
}

/// Ids that a WAV file is known to hold: where a pad byte is in doubt, they decide.
fn known(id: &Id) -> bool {
    const KNOWN: [&Id; 14] = [
        b"fmt ", b"data", b"fact", b"LIST", b"bext", b"iXML", b"cue ", b"smpl", b"JUNK", b"PAD ",
        b"FLLR", b"PEAK", b"axml", b"chna",
    ];
    KNOWN.contains(&id)
}

fn printable(id: &Id) -> bool {
    id.iter().all(|byte| (0x20..0x7f).contains(byte))
}

fn reason<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal::Reason(text.into()))
}

/// Fills `bytes` as far as the source goes.
fn fill(source: &mut impl Read, bytes: &mut [u8]) -> io::Result<usize> {
    let wanted = bytes.len();
    let mut rest = bytes;
    while !rest.is_empty() {
        match source.read(rest) {
            Ok(0) => break,
            Ok(count) => rest = rest.get_mut(count..).unwrap_or_default(),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(wanted.saturating_sub(rest.len()))
}

/// Little-endian u16 at `offset`; 0 beyond the end.
pub fn u16_at(bytes: &[u8], offset: usize) -> u16 {
    array_at(bytes, offset).map_or(0, u16::from_le_bytes)
}

/// Little-endian u32 at `offset`; 0 beyond the end.
pub fn u32_at(bytes: &[u8], offset: usize) -> u32 {
    array_at(bytes, offset).map_or(0, u32::from_le_bytes)
}

/// Little-endian u64 at `offset`; 0 beyond the end.
pub fn u64_at(bytes: &[u8], offset: usize) -> u64 {
    array_at(bytes, offset).map_or(0, u64::from_le_bytes)
}

fn array_at<const N: usize>(bytes: &[u8], offset: usize) -> Option<[u8; N]> {
    bytes.get(offset..)?.first_chunk().copied()
}
