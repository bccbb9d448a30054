//! What an AIFF or AIFF-C file says of itself, read before a decoder believes it: its channels, and
//! whether the frames that it promises are there.
//!
//! Source: Apple "Audio Interchange File Format: AIFF" 1.3 (1989) and "AIFF-C" draft (1991).
#![deny(clippy::arithmetic_side_effects)]

use std::io::{self, Read, Seek, SeekFrom};

/// Chunks that are looked at; one file has some ten.
const MAX_CHUNKS: usize = 10_000;

/// What the header says, and what is there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Header {
    /// Of `COMM`.
    pub channels: u16,
    /// Frames that `COMM` promises.
    pub promised: u64,
    /// Frames that are really there; `None` where the bytes of a frame are not known.
    pub there: Option<u64>,
    /// Bytes that the file would have if all of its chunks were whole.
    pub whole_bytes: u64,
}

/// Reads the header; `None` where it has no `COMM` or no `SSND`.
pub fn header<R: Read + Seek>(source: &mut R) -> io::Result<Option<Header>> {
    let length = source.seek(SeekFrom::End(0))?;
    let mut found = Header {
        whole_bytes: length,
        ..Header::default()
    };
    let mut frame_bytes = None;
    let mut sound = None;
    let mut common = false;
    let mut at = 12u64;
    for _ in 0..MAX_CHUNKS {
        let mut head = [0; 8];
        source.seek(SeekFrom::Start(at))?;
        if !filled(source, &mut head)? {
            break;
        }
        let [a, b, c, d, size @ ..] = head;
        let size = u64::from(u32::from_be_bytes(size));
        let start = at.saturating_add(8);
        match &[a, b, c, d] {
            b"COMM" => {
                let mut fixed = [0; 22];
                let known = usize::try_from(size).unwrap_or(usize::MAX).min(22);
                if !filled(source, fixed.get_mut(..known).unwrap_or_default())? {
                    break;
                }
                let [c0, c1, f0, f1, f2, f3, b0, b1, rest @ ..] = fixed;
                found.channels = u16::from_be_bytes([c0, c1]);
                found.promised = u64::from(u32::from_be_bytes([f0, f1, f2, f3]));
                let bits = u16::from_be_bytes([b0, b1]);
                let codec = match known {
                    22 => rest.last_chunk::<4>().copied(),
                    _ => None,
                };
                frame_bytes = sample_bytes(codec, bits)
                    .map(|bytes| bytes.saturating_mul(u64::from(found.channels)));
                common = true;
            }
            b"SSND" => {
                let mut offset = [0; 4];
                if !filled(source, &mut offset)? {
                    break;
                }
                let skipped = u64::from(u32::from_be_bytes(offset)).saturating_add(8);
                let there = length.saturating_sub(start).min(size);
                sound = Some(there.saturating_sub(skipped));
            }
            _ => {}
        }
        at = start.saturating_add(size).saturating_add(size & 1);
        found.whole_bytes = found.whole_bytes.max(at);
    }
    found.there = sound
        .zip(frame_bytes)
        .and_then(|(bytes, frame)| bytes.checked_div(frame));
    Ok((common && sound.is_some()).then_some(found))
}

/// Bytes of a sample; `None` for a codec that packs them.
fn sample_bytes(codec: Option<[u8; 4]>, bits: u16) -> Option<u64> {
    match codec.as_ref() {
        None | Some(b"NONE" | b"twos" | b"sowt") => Some(u64::from(bits.div_ceil(8))),
        Some(b"in24") => Some(3),
        Some(b"in32" | b"fl32" | b"FL32") => Some(4),
        Some(b"fl64" | b"FL64") => Some(8),
        Some(_) => None,
    }
}

/// Whether the source had enough bytes.
fn filled(source: &mut impl Read, bytes: &mut [u8]) -> io::Result<bool> {
    match source.read_exact(bytes) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

/// A file that is read as if all of its chunks were whole: what is missing is silence, which is
/// never handed on. A decoder that wants a whole packet then gives what is there of the last one.
pub struct Padded<R> {
    inner: R,
    whole_bytes: u64,
    position: u64,
}

impl<R: Read + Seek> Padded<R> {
    /// Of a file at its start.
    pub fn new(inner: R, whole_bytes: u64) -> Self {
        Self {
            inner,
            whole_bytes,
            position: 0,
        }
    }

    /// Length with what is missing.
    pub fn whole_bytes(&self) -> u64 {
        self.whole_bytes
    }
}

impl<R: Read + Seek> Read for Padded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut count = self.inner.read(buffer)?;
        if count == 0 {
            let left = self.whole_bytes.saturating_sub(self.position);
            count = buffer
                .len()
                .min(usize::try_from(left).unwrap_or(usize::MAX));
            buffer.get_mut(..count).unwrap_or_default().fill(0);
        }
        self.position = self.position.saturating_add(count as u64);
        Ok(count)
    }
}

impl<R: Read + Seek> Seek for Padded<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let to = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(back) => self.whole_bytes.checked_add_signed(back),
            SeekFrom::Current(by) => self.position.checked_add_signed(by),
        };
        let to = to.ok_or(io::ErrorKind::InvalidInput)?;
        self.position = self.inner.seek(SeekFrom::Start(to))?;
        Ok(self.position)
    }
}
