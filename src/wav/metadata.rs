//! What a file carries besides its samples: `bext`, `iXML`, `LIST`, `cue `, `smpl` and every chunk
//! that is not known here, byte for byte, in order, on their side of `data`.
//!
//! Small chunks are held in memory, larger ones are copied from the source file when the new file
//! is written. Left behind is what the new file has of its own (`fmt `, `data`, `ds64`, `fact`),
//! filler (`JUNK`, `PAD `, `FLLR`), and what describes the old samples only (`PEAK`, `levl`).
//!
//! Source: EBU Tech 3285 v2 (2011) for `bext`.
#![deny(clippy::arithmetic_side_effects)]

use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::riff::{Id, Layout, name};
use crate::error::{Error, Result};

/// Largest chunk that is held in memory.
const CHUNK_LIMIT: u64 = 1 << 20;
/// Most bytes of chunks that are held in memory for one file.
const FILE_LIMIT: u64 = 16 << 20;
/// Size of `bext` without its coding history.
pub(super) const BEXT_FIXED: usize = 602;

/// The chunks of a file beside its samples, and where its channels belong.
#[derive(Clone, Debug, Default)]
pub struct Metadata {
    /// Speakers of the channels, one bit each, where the header names them.
    pub mask: Option<u32>,
    pub(super) before: Vec<Kept>,
    pub(super) after: Vec<Kept>,
}

#[derive(Clone, Debug)]
pub(super) struct Kept {
    pub id: Id,
    pub payload: Payload,
}

#[derive(Clone, Debug)]
pub(super) enum Payload {
    Held(Vec<u8>),
    /// Lies in the source file.
    Left {
        path: PathBuf,
        start: u64,
        size: u64,
    },
}

/// A `bext` payload, version 1, with a description, an originator and the time reference in
/// samples since midnight. Texts are cut to 256 and 32 bytes; what is not ASCII becomes `?`.
pub fn bext(description: &str, originator: &str, time_reference_samples: u64) -> Vec<u8> {
    let mut payload = vec![0; BEXT_FIXED];
    let mut put = |offset: usize, bytes: &[u8]| {
        let target = payload.get_mut(offset..).unwrap_or_default();
        target
            .iter_mut()
            .zip(bytes)
            .for_each(|(to, from)| *to = *from);
    };
    let ascii = |text: &str, size: usize| -> Vec<u8> {
        let plain = |c: char| if c.is_ascii() { c as u8 } else { b'?' };
        text.chars().map(plain).take(size).collect()
    };
    put(0, &ascii(description, 256));
    put(256, &ascii(originator, 32));
    put(338, &time_reference_samples.to_le_bytes());
    put(346, &1u16.to_le_bytes());
    payload
}

/// The time reference of a `bext` payload, samples since midnight.
pub fn time_reference(bext: &[u8]) -> Option<u64> {
    bext.get(338..346)?
        .first_chunk()
        .copied()
        .map(u64::from_le_bytes)
}

impl Metadata {
    /// Reads what a walked file carries. `path` is where the large chunks are fetched later.
    /// `odd` gets what is left behind.
    pub(super) fn read<R: Read + Seek>(
        source: &mut R,
        path: &Path,
        layout: &Layout,
        mask: Option<u32>,
    ) -> io::Result<Self> {
        let data = layout.first(b"data").map(|(index, _)| index);
        let mut metadata = Self::with_mask(mask);
        let mut held: u64 = 0;
        for (index, chunk) in layout.chunks.iter().enumerate() {
            if chunk.cut || !is_kept(&chunk.id) || u32::try_from(chunk.size).is_err() {
                continue;
            }
            let payload =
                if chunk.size <= CHUNK_LIMIT && held.saturating_add(chunk.size) <= FILE_LIMIT {
                    held = held.saturating_add(chunk.size);
                    source.seek(SeekFrom::Start(chunk.start))?;
                    let mut bytes = Vec::new();
                    source.by_ref().take(chunk.size).read_to_end(&mut bytes)?;
                    Payload::Held(bytes)
                } else {
                    Payload::Left {
                        path: path.to_owned(),
                        start: chunk.start,
                        size: chunk.size,
                    }
                };
            let side = if data.is_some_and(|data| index > data) {
                &mut metadata.after
            } else {
                &mut metadata.before
            };
            side.push(Kept {
                id: chunk.id,
                payload,
            });
        }
        Ok(metadata)
    }

    /// Nothing but speakers.
    pub fn with_mask(mask: Option<u32>) -> Self {
        Self {
            mask,
            ..Self::default()
        }
    }

    /// Adds a chunk before `data`.
    pub fn push(&mut self, id: Id, payload: Vec<u8>) {
        self.before.push(Kept {
            id,
            payload: Payload::Held(payload),
        });
    }

    /// The payload of the first chunk with this id that is held in memory.
    pub fn find(&self, id: &Id) -> Option<&[u8]> {
        let mut all = self.before.iter().chain(&self.after);
        all.find_map(|kept| match &kept.payload {
            Payload::Held(bytes) if kept.id == *id => Some(bytes.as_slice()),
            _ => None,
        })
    }

    /// The time reference of `bext`, samples since midnight.
    pub fn time_reference_samples(&self) -> Option<u64> {
        time_reference(self.find(b"bext")?)
    }

    /// Bytes that the chunks before `data` and after it take, headers and pad bytes included.
    pub(super) fn sizes(&self) -> (u64, u64) {
        let size = |side: &[Kept]| {
            side.iter().fold(0u64, |sum, kept| {
                let size = kept.size();
                sum.saturating_add(8)
                    .saturating_add(size)
                    .saturating_add(size & 1)
            })
        };
        (size(&self.before), size(&self.after))
    }

    /// Writes the chunks that stand before `data`.
    pub(super) fn write_before(&self, sink: &mut impl Write) -> Result<()> {
        self.before.iter().try_for_each(|kept| kept.write(sink))
    }

    /// Writes the chunks that stand after `data`.
    pub(super) fn write_after(&self, sink: &mut impl Write) -> Result<()> {
        self.after.iter().try_for_each(|kept| kept.write(sink))
    }
}

impl Kept {
    pub(super) fn size(&self) -> u64 {
        match &self.payload {
            Payload::Held(bytes) => bytes.len() as u64,
            Payload::Left { size, .. } => *size,
        }
    }

    fn write(&self, sink: &mut impl Write) -> Result<()> {
        let failed = |error: io::Error| Error::sink(&error);
        let size = u32::try_from(self.size())
            .map_err(|_| Error::input(format!("chunk {} passes 4 GiB", name(&self.id))))?;
        sink.write_all(&self.id).map_err(failed)?;
        sink.write_all(&size.to_le_bytes()).map_err(failed)?;
        match &self.payload {
            Payload::Held(bytes) => sink.write_all(bytes).map_err(failed)?,
            Payload::Left { path, start, size } => copy(path, *start, *size, sink)?,
        }
        if size & 1 == 1 {
            sink.write_all(&[0]).map_err(failed)?;
        }
        Ok(())
    }
}

/// Copies a chunk from the source file.
fn copy(path: &Path, start: u64, size: u64, sink: &mut impl Write) -> Result<()> {
    let reading = |error: io::Error| Error::reading(path, &error);
    let mut file = crate::files::open(path).map_err(reading)?;
    file.seek(SeekFrom::Start(start)).map_err(reading)?;
    let mut rest = file.take(size);
    let mut buffer = vec![0; 1 << 16];
    let mut copied: u64 = 0;
    loop {
        let count = rest.read(&mut buffer).map_err(reading)?;
        if count == 0 {
            break;
        }
        let bytes = buffer.get(..count).unwrap_or_default();
        sink.write_all(bytes).map_err(|error| Error::sink(&error))?;
        copied = copied.saturating_add(count as u64);
    }
    if copied < size {
        return Err(Error::file(path, "became shorter while it was read"));
    }
    Ok(())
}

/// Chunks that would be kept but cannot be, in words; what is cut off was said by the walk.
pub(super) fn left_out(layout: &Layout) -> Vec<String> {
    let chunks = layout.chunks.iter();
    let large = chunks.filter(|chunk| is_kept(&chunk.id) && u32::try_from(chunk.size).is_err());
    large
        .map(|chunk| format!("chunk {} passes 4 GiB and is left out", name(&chunk.id)))
        .collect()
}

fn is_kept(id: &Id) -> bool {
    const LEFT_BEHIND: [&Id; 9] = [
        b"fmt ", b"data", b"ds64", b"fact", b"JUNK", b"PAD ", b"FLLR", b"PEAK", b"levl",
    ];
    !LEFT_BEHIND.contains(&id)
}
