//! [`Reader`]: a WAV, RF64 or BW64 file as a stream of blocks.

use std::fs::File;
use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::TILE_BYTES;
use super::format::Format;
use super::inside;
use super::metadata::{self, Metadata};
use super::riff::{self, Chunk, DataSize, Layout, Refusal};
use super::samples;
use crate::audio::{AudioRead, Info, Truncation};
use crate::block::Block;
use crate::error::{Error, Result};

/// Bytes at most of a chunk that names channels.
const NAMES: u64 = 1 << 20;

/// Reads samples and metadata; never writes to its source.
#[derive(Debug)]
pub struct Reader<R> {
    source: R,
    path: PathBuf,
    layout: Layout,
    format: Format,
    data: Chunk,
    info: Info,
    /// Next frame to read.
    position: u64,
    /// What was read last, and the frame it begins with.
    bytes: Vec<u8>,
    first: u64,
}

impl Reader<File> {
    /// Opens a file.
    pub fn open(path: &Path) -> Result<Self> {
        let file = crate::files::open(path).map_err(|error| Error::reading(path, &error))?;
        Self::new(file, path)
    }
}

impl<R: Read + Seek> Reader<R> {
    /// Reads the header of an open source. `path` names it in messages, and is where chunks too
    /// large for memory are fetched when they are written elsewhere.
    pub fn new(mut source: R, path: &Path) -> Result<Self> {
        let failed = |error: std::io::Error| Error::reading(path, &error);
        let mut layout = riff::walk(&mut source).map_err(|refusal| match refusal {
            Refusal::Io(error) => failed(error),
            Refusal::Reason(text) => Error::file(path, text),
        })?;
        let (data_index, data) = layout.first(b"data").ok_or_else(|| {
            Error::file(path, "has no chunk 'data': there is no audio in it")
                .hint("copy it again from the recorder")
        })?;
        let (format_index, format) = layout
            .first(b"fmt ")
            .ok_or_else(|| Error::file(path, "has no chunk 'fmt ': its samples cannot be read"))?;
        if format_index > data_index {
            return Err(Error::file(path, "has its chunk 'fmt ' after 'data'"));
        }
        let payload = bytes_of(&mut source, format, 64).map_err(failed)?;
        let (format, mut oddities) =
            Format::parse(&payload).map_err(|reason| Error::file(path, reason))?;
        oddities.append(&mut layout.oddities);
        for id in [b"fmt ", b"data", b"bext"] {
            if layout.chunks.iter().filter(|chunk| chunk.id == *id).count() > 1 {
                oddities.push(format!("has more than one chunk {}", riff::name(id)));
            }
        }
        oddities.extend(metadata::left_out(&layout));
        let frame_bytes = format.frame_bytes() as u64;
        let frames = data.size / frame_bytes;
        let rest = data.size % frame_bytes;
        if rest > 0 && layout.data_size == DataSize::Stated {
            oddities.push(format!(
                "the last {rest} bytes of its audio are no whole frame"
            ));
        }
        let seconds = |frames: u64| frames as f64 / f64::from(format.rate_hz);
        let truncated = match layout.data_size {
            DataSize::Stated => None,
            DataSize::NeverWritten => Some(Truncation::NeverFinished {
                held_s: seconds(frames),
            }),
            DataSize::Beyond(stated) => Some(Truncation::Short {
                promised_s: seconds(stated / frame_bytes),
                held_s: seconds(frames),
            }),
        };
        let mut chunk = |id: &riff::Id, limit| -> Result<Option<Vec<u8>>> {
            let found = layout.first(id);
            let bytes = found.map(|(_, chunk)| bytes_of(&mut source, chunk, limit));
            bytes.transpose().map_err(failed)
        };
        let bext = chunk(b"bext", 346)?;
        let time_reference_samples = bext.as_deref().and_then(metadata::time_reference);
        let ixml = chunk(b"iXML", NAMES)?;
        let mut adtl = None;
        for list in layout.chunks.iter().filter(|chunk| chunk.id == *b"LIST") {
            let bytes = bytes_of(&mut source, *list, NAMES).map_err(failed)?;
            adtl = adtl.or(Some(bytes).filter(|bytes| bytes.starts_with(b"adtl")));
        }
        let channels = usize::from(format.channels);
        let inside = inside::read(ixml.as_deref(), bext.as_deref(), adtl.as_deref(), channels);
        let info = Info {
            rate_hz: format.rate_hz,
            channels: usize::from(format.channels),
            bit_depth: format.bit_depth,
            sample_format: format.codec.sample_format(),
            frames,
            time_reference_samples,
            inside,
            oddities,
            truncated,
        };
        Ok(Self {
            source,
            path: path.to_owned(),
            layout,
            format,
            data,
            info,
            position: 0,
            bytes: Vec::new(),
            first: 0,
        })
    }

    /// Whether the header promises more bytes than the file has.
    pub fn lacks_bytes(&self) -> bool {
        self.layout.outer_beyond || self.info.truncated.is_some()
    }

    /// The frames that `bytes` holds.
    fn held(&self) -> Range<u64> {
        let count = self.bytes.len() / self.format.frame_bytes();
        self.first..self.first + count as u64
    }

    /// Reads the frames from `position` on into `bytes`: `frames` of them, or more where what is
    /// read goes on from what was read last.
    fn fetch(&mut self, frames: usize) -> Result<()> {
        let frame_bytes = self.format.frame_bytes();
        let tile = TILE_BYTES / frame_bytes; // at least 128 frames
        let goes_on = self.position == self.held().end && !self.bytes.is_empty();
        let left = self.info.frames - self.position;
        let count = if goes_on { tile } else { tile.min(frames) };
        let count = usize::try_from(left).unwrap_or(usize::MAX).min(count);
        if !goes_on {
            let start = self.data.start + self.position * frame_bytes as u64;
            let seeked = self.source.seek(SeekFrom::Start(start));
            seeked.map_err(|error| Error::reading(&self.path, &error))?;
        }
        self.first = self.position;
        self.bytes.resize(count * frame_bytes, 0);
        let Err(error) = self.source.read_exact(&mut self.bytes) else {
            return Ok(());
        };
        self.bytes.clear();
        if goes_on {
            return self.fetch(frames); // what was not asked for may be what failed
        }
        let at_s = self.at_s(self.position);
        let reason = match error.kind() {
            ErrorKind::UnexpectedEof => {
                format!("became shorter while it was read, after {at_s:.3} s")
            }
            _ => format!(
                "cannot be read after {at_s:.3} s: {}",
                crate::error::plain(&error)
            ),
        };
        Err(Error::file(&self.path, reason))
    }

    fn at_s(&self, frame: u64) -> f64 {
        frame as f64 / f64::from(self.info.rate_hz)
    }
}

impl<R: Read + Seek + Send> AudioRead for Reader<R> {
    fn info(&self) -> &Info {
        &self.info
    }

    fn metadata(&mut self) -> Result<Metadata> {
        self.bytes.clear(); // the next read has to seek
        Metadata::read(&mut self.source, &self.path, &self.layout, self.format.mask)
            .map_err(|error| Error::reading(&self.path, &error))
    }

    fn read(&mut self, block: &mut Block, frames: usize) -> Result<usize> {
        let left = self.info.frames.saturating_sub(self.position);
        let frames = usize::try_from(left).unwrap_or(usize::MAX).min(frames);
        let channels = block.vectors_mut();
        channels.resize_with(self.info.channels, Vec::new);
        for channel in channels.iter_mut() {
            channel.resize(frames, 0.0);
        }
        let frame_bytes = self.format.frame_bytes();
        let mut done = 0;
        while done < frames {
            if !self.held().contains(&self.position) {
                self.fetch(frames - done)?;
            }
            let held = self.held();
            let count = ((held.end - self.position) as usize).min(frames - done);
            let from = (self.position - held.start) as usize * frame_bytes;
            let bytes = &self.bytes[from..from + count * frame_bytes];
            samples::decode(self.format.codec, bytes, channels, done);
            done += count;
            self.position += count as u64;
        }
        Ok(frames)
    }

    fn seek(&mut self, frame: u64) -> Result<()> {
        self.position = frame.min(self.info.frames);
        Ok(())
    }
}

/// The first bytes of a chunk, at most `limit`.
fn bytes_of<R: Read + Seek>(source: &mut R, chunk: Chunk, limit: u64) -> std::io::Result<Vec<u8>> {
    source.seek(SeekFrom::Start(chunk.start))?;
    let mut bytes = Vec::new();
    source.take(chunk.size.min(limit)).read_to_end(&mut bytes)?;
    Ok(bytes)
}
