//! [`Writer`]: a stream of blocks as a WAV file, RF64 from 4 GiB on.
//!
//! The number of frames is known before the first one, so the header is right from its first byte:
//! nothing is patched, and the sink need not seek.
//!
//! ```text
//! RIFF, or RF64      12
//! JUNK, or ds64   8 + 28   so that the samples stand at the same place in both (EBU Tech 3306)
//! fmt             8 + 16   18 for float, 40 for more than two channels or named speakers
//! fact            8 +  4   float only
//! kept chunks
//! data            8 +  n   and a pad byte where n is odd
//! kept chunks
//! ```

use std::io::Write;

use super::TILE_BYTES;
use super::format::{Codec, Format, MAX_CHANNELS, RATES_HZ};
use super::metadata::Metadata;
use super::samples::{Dither, Encoder, Lost, decode};
use super::update::Loudness;
use crate::block::Block;
use crate::error::{Error, Result};

/// Depths that are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// 16 bits.
    Int16,
    /// 24 bits.
    Int24,
    /// 32 bits of float.
    Float32,
}

impl Depth {
    /// Bits of a sample.
    pub fn bits(self) -> u16 {
        match self {
            Depth::Int16 => 16,
            Depth::Int24 => 24,
            Depth::Float32 => 32,
        }
    }

    fn codec(self) -> Codec {
        match self {
            Depth::Int16 => Codec::I16,
            Depth::Int24 => Codec::I24,
            Depth::Float32 => Codec::F32,
        }
    }
}

/// What is going to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WriteSpec {
    /// Frames a second, 8,000 to 384,000.
    pub rate_hz: u32,
    /// 1 to 64.
    pub channels: usize,
    /// Bits of a sample.
    pub depth: Depth,
    /// Every integer sample gets it, so ask for it only where bits are lost.
    pub dither: Dither,
    /// Exactly as many frames have to come.
    pub frames: u64,
}

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Written {
    /// Frames.
    pub frames: u64,
    /// Bytes of the file.
    pub bytes: u64,
    /// Samples that could not be written as they were.
    pub lost: Lost,
    /// Bytes that have to be written over those at a place of the file, where the loudness was not
    /// known before the samples were: see [`Writer::finish_with`].
    pub patch: Option<(u64, [u8; 10])>,
}

/// Writes samples and metadata. Errors of the sink carry no path: whoever gave it knows it.
#[derive(Debug)]
pub struct Writer<W> {
    sink: W,
    spec: WriteSpec,
    metadata: Metadata,
    encoder: Encoder,
    frames: u64,
    /// Of them, those that [`Writer::silence`] wrote.
    silence: u64,
    /// Where the loudness fields of `bext` lie, if they stand before the samples.
    loudness_at: Option<u64>,
    file_bytes: u64,
    bytes: Vec<u8>,
}

impl<W: Write> Writer<W> {
    /// Writes everything that stands before the samples.
    pub fn create(sink: W, spec: &WriteSpec, metadata: &Metadata) -> Result<Self> {
        Self::with_limit(sink, spec, metadata, u64::from(u32::MAX))
    }

    /// `limit`: outer size from which on the file is RF64.
    fn with_limit(mut sink: W, spec: &WriteSpec, metadata: &Metadata, limit: u64) -> Result<Self> {
        let format = format(spec, metadata.mask)?;
        let sizes = Sizes::new(spec, &format, metadata)
            .ok_or_else(|| Error::input(format!("{} frames are too many", spec.frames)))?;
        let outer = sizes.file - 8;
        let long = outer >= limit;
        let short = |size: u64| match u32::try_from(size) {
            Ok(size) if !long => size.to_le_bytes(),
            _ => u32::MAX.to_le_bytes(),
        };
        let mut header = Vec::with_capacity(128);
        header.extend(if long { b"RF64" } else { b"RIFF" });
        header.extend(short(outer));
        header.extend(b"WAVE");
        header.extend(if long { b"ds64" } else { b"JUNK" });
        header.extend(28u32.to_le_bytes());
        let long_sizes = if long {
            [outer, sizes.data, spec.frames]
        } else {
            [0; 3]
        };
        header.extend(long_sizes.into_iter().flat_map(u64::to_le_bytes));
        header.extend(0u32.to_le_bytes()); // no table
        let payload = format.payload();
        header.extend(b"fmt ");
        header.extend((payload.len() as u32).to_le_bytes());
        header.extend(payload);
        if spec.depth == Depth::Float32 {
            header.extend(b"fact");
            header.extend(4u32.to_le_bytes());
            header.extend(short(spec.frames));
        }
        let failed = |error: std::io::Error| Error::sink(&error);
        let loudness_at = (metadata.loudness_offset()).map(|at| header.len() as u64 + at);
        sink.write_all(&header).map_err(failed)?;
        metadata.write_before(&mut sink)?;
        sink.write_all(b"data").map_err(failed)?;
        sink.write_all(&short(sizes.data)).map_err(failed)?;
        Ok(Self {
            sink,
            spec: *spec,
            metadata: metadata.clone(),
            encoder: Encoder::new(format.codec, spec.dither),
            frames: 0,
            silence: 0,
            loudness_at,
            file_bytes: sizes.file,
            bytes: Vec::new(),
        })
    }

    /// Writes the frames of a block, which must have the file's channels.
    pub fn write(&mut self, block: &Block) -> Result<()> {
        self.write_seen(block, None)
    }

    /// Channels of the file.
    pub fn channels(&self) -> usize {
        self.spec.channels
    }

    /// Writes so many frames of silence: exact zeros, never with dither. The noise of what follows is
    /// what it would be without them.
    pub fn silence(&mut self, frames: u64) -> Result<()> {
        let total = self.frames.saturating_add(frames);
        if total > self.spec.frames {
            return Err(self.wrong_length(total, "at least "));
        }
        let frame_bytes = self.spec.depth.codec().bytes() * self.spec.channels;
        let zeros = vec![0; TILE_BYTES / frame_bytes * frame_bytes];
        let mut left = frames * frame_bytes as u64;
        while left > 0 {
            let size = left.min(zeros.len() as u64);
            let written = self.sink.write_all(&zeros[..size as usize]);
            written.map_err(|error| Error::sink(&error))?;
            left -= size;
        }
        self.frames = total;
        self.silence += frames;
        Ok(())
    }

    /// The same as [`Writer::write`]; `seen` becomes what a reader will find there.
    pub fn write_seen(&mut self, block: &Block, mut seen: Option<&mut Block>) -> Result<()> {
        let count = self.spec.channels;
        assert_eq!(
            block.count(),
            count,
            "a block must have the channels of its file"
        );
        let frames = block.frames();
        let total = self.frames + frames as u64;
        if total > self.spec.frames {
            return Err(self.wrong_length(total, "at least "));
        }
        let frame_bytes = self.spec.depth.codec().bytes() * count;
        let tile = TILE_BYTES / frame_bytes; // at least 256 frames
        if let Some(seen) = &mut seen {
            seen.vectors_mut().resize_with(count, Vec::new);
            seen.resize(frames);
        }
        let mut done = 0;
        while done < frames {
            let size = tile.min(frames - done);
            self.bytes.resize(size * frame_bytes, 0);
            for (index, channel) in block.channels().enumerate() {
                let samples = &channel[done..done + size];
                let first = self.frames - self.silence + done as u64;
                self.encoder
                    .encode(samples, &mut self.bytes, index, count, first);
            }
            let written = self.sink.write_all(&self.bytes);
            written.map_err(|error| Error::sink(&error))?;
            if let Some(seen) = &mut seen {
                decode(
                    self.spec.depth.codec(),
                    &self.bytes,
                    seen.vectors_mut(),
                    done,
                );
            }
            done += size;
        }
        self.frames = total;
        Ok(())
    }

    /// The same as [`Writer::finish`] for a file whose `bext` is to hold the loudness of its samples:
    /// where that stands before them, [`Written::patch`] is what the caller has to put there.
    pub fn finish_with(mut self, loudness: &Loudness) -> Result<(W, Written)> {
        self.metadata.set_loudness(loudness);
        let patch = self.loudness_at.map(|at| (at, loudness.fields()));
        let (sink, written) = self.finish()?;
        Ok((sink, Written { patch, ..written }))
    }

    /// Writes what stands behind the samples and gives the sink back, flushed.
    pub fn finish(mut self) -> Result<(W, Written)> {
        if self.frames != self.spec.frames {
            return Err(self.wrong_length(self.frames, ""));
        }
        let frame_bytes = self.spec.depth.codec().bytes() * self.spec.channels;
        let failed = |error: std::io::Error| Error::sink(&error);
        if self.frames & 1 == 1 && frame_bytes & 1 == 1 {
            self.sink.write_all(&[0]).map_err(failed)?;
        }
        self.metadata.write_after(&mut self.sink)?;
        self.sink.flush().map_err(failed)?;
        let written = Written {
            frames: self.frames,
            bytes: self.file_bytes,
            lost: self.encoder.lost(),
            patch: None,
        };
        Ok((self.sink, written))
    }

    fn wrong_length(&self, frames: u64, at_least: &str) -> Error {
        let promised = self.spec.frames;
        Error::new(
            crate::error::Kind::File,
            format!("{promised} frames were promised, {at_least}{frames} came"),
        )
    }
}

/// Sizes that the header names, in bytes.
struct Sizes {
    data: u64,
    file: u64,
}

impl Sizes {
    fn new(spec: &WriteSpec, format: &Format, metadata: &Metadata) -> Option<Self> {
        let (before, after) = metadata.sizes();
        let data = spec.frames.checked_mul(format.frame_bytes() as u64)?;
        let fact = if spec.depth == Depth::Float32 { 12 } else { 0 };
        let fixed = 12 + 36 + 8 + format.payload().len() as u64 + fact + 8;
        let file = [before, data, data & 1, after]
            .into_iter()
            .try_fold(fixed, u64::checked_add)?;
        Some(Self { data, file })
    }
}

fn format(spec: &WriteSpec, mask: Option<u32>) -> Result<Format> {
    let channels = u16::try_from(spec.channels).unwrap_or(u16::MAX);
    if !(1..=MAX_CHANNELS).contains(&channels) || !RATES_HZ.contains(&spec.rate_hz) {
        return Err(Error::input(format!(
            "a WAV file with {} channels at {} Hz cannot be written, expected 1 to {MAX_CHANNELS} \
             channels at {} to {} Hz",
            spec.channels,
            spec.rate_hz,
            RATES_HZ.start(),
            RATES_HZ.end()
        )));
    }
    Ok(Format {
        codec: spec.depth.codec(),
        bit_depth: spec.depth.bits(),
        channels,
        rate_hz: spec.rate_hz,
        mask,
    })
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;
    use std::path::Path;

    use super::*;
    use crate::audio::AudioRead;
    use crate::wav::Reader;

    fn written(limit: u64, depth: Depth, frames: usize) -> Vec<u8> {
        let spec = WriteSpec {
            rate_hz: 48_000,
            channels: 1,
            depth,
            dither: Dither::None,
            frames: frames as u64,
        };
        let mut metadata = Metadata::default();
        metadata.push(*b"note", vec![1, 2, 3]);
        let mut writer = Writer::with_limit(Vec::new(), &spec, &metadata, limit).unwrap();
        let ramp = (0..frames).map(|i| i as f64 / 65_536.0).collect();
        writer.write(&Block::from_channels(vec![ramp])).unwrap();
        let (file, written) = writer.finish().unwrap();
        assert_eq!(written.bytes, file.len() as u64);
        file
    }

    #[test]
    fn past_the_limit_only_the_sizes_move_to_ds64() {
        // Offsets of EBU Tech 3306 v1.1: outer size at 0, data size at 8, frames at 16, table length
        // at 24 of the chunk's 28 bytes.
        for (depth, bytes) in [(Depth::Int16, 2), (Depth::Int24, 3), (Depth::Float32, 4)] {
            let short = written(u64::MAX, depth, 1001);
            let long = written(100, depth, 1001);
            assert_eq!(short.len(), long.len());
            assert_eq!(&short[..4], b"RIFF");
            assert_eq!(&short[8..20], b"WAVEJUNK\x1c\0\0\0");
            assert_eq!(&long[..20], b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0");
            let at = |offset: usize| {
                u64::from_le_bytes(long[20 + offset..28 + offset].try_into().unwrap())
            };
            assert_eq!(at(0), long.len() as u64 - 8);
            assert_eq!(at(8), 1001 * bytes);
            assert_eq!(at(16), 1001);
            assert_eq!(long[44..48], [0; 4]);
            let (mut reads, samples): (Vec<_>, Vec<_>) = [short, long]
                .into_iter()
                .map(|file| {
                    let mut reader = Reader::new(Cursor::new(file), Path::new("a")).unwrap();
                    let mut block = Block::default();
                    assert_eq!(reader.read(&mut block, 2000).unwrap(), 1001);
                    (reader.info().clone(), block)
                })
                .unzip();
            assert_eq!(samples[0], samples[1]);
            assert_eq!(reads.pop(), reads.pop());
        }
    }

    #[test]
    fn the_limit_is_the_first_size_that_32_bits_cannot_tell_from_unknown() {
        let file = written(u64::MAX, Depth::Int16, 10);
        let outer = file.len() as u64 - 8;
        assert_eq!(&written(outer + 1, Depth::Int16, 10)[..4], b"RIFF");
        assert_eq!(&written(outer, Depth::Int16, 10)[..4], b"RF64");
    }

    #[test]
    fn mono_and_stereo_have_the_plain_format() {
        let file = written(u64::MAX, Depth::Int24, 10);
        let fmt = [1, 0, 1, 0, 0x80, 0xbb, 0, 0, 0x80, 0x32, 2, 0, 3, 0, 24, 0];
        assert_eq!(&file[48..56], b"fmt \x10\0\0\0");
        assert_eq!(&file[56..72], fmt);
        let file = written(u64::MAX, Depth::Float32, 10);
        assert_eq!(&file[48..56], b"fmt \x12\0\0\0");
        assert_eq!(&file[74..86], b"fact\x04\0\0\0\x0a\0\0\0");
    }
}
