//! [`TrackReader`]: the samples of one track, whatever files and channels they come from.

use std::path::Path;

use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::error::Result;
use crate::session::Track;

/// Reads a track from its start: one file, one channel of a file, or the two sides of a pair.
pub struct TrackReader {
    parts: Vec<Part>,
}

struct Part {
    reader: Box<dyn AudioRead>,
    channel: Option<usize>,
    block: Block,
}

impl TrackReader {
    /// Opens the sources of `track`, whose paths are relative to `root`, read-only.
    pub fn open(root: &Path, track: &Track) -> Result<Self> {
        Self::open_by(root, track, |_, path| audio::open(path))
    }

    /// The same, each source opened by what is given its place in the track and its path.
    pub fn open_by(
        root: &Path,
        track: &Track,
        mut open: impl FnMut(usize, &Path) -> Result<Box<dyn AudioRead>>,
    ) -> Result<Self> {
        let part = |(i, source): (usize, &crate::session::Source)| {
            let path = root.join(&source.path);
            let reader = open(i, &path)?;
            let (found, scanned) = (reader.info(), &source.info);
            if found.frames != scanned.frames
                || found.channels != scanned.channels
                || found.rate_hz != scanned.rate_hz
            {
                return Err(super::measure::changed(&path));
            }
            Ok(Part {
                reader,
                channel: source.channel,
                block: Block::default(),
            })
        };
        Ok(Self {
            parts: track
                .sources
                .iter()
                .enumerate()
                .map(part)
                .collect::<Result<_>>()?,
        })
    }

    /// Fills `block` with at most `frames` frames, all channels of the track; 0 at the end.
    /// Samples are as stored: a non-finite one is not mended here.
    pub fn read(&mut self, block: &mut Block, frames: usize) -> Result<usize> {
        if let [
            Part {
                reader,
                channel: None,
                ..
            },
        ] = &mut self.parts[..]
        {
            return reader.read(block, frames);
        }
        let mut got = usize::MAX;
        for part in &mut self.parts {
            got = got.min(part.reader.read(&mut part.block, frames)?);
        }
        let channels = self.parts.iter_mut().flat_map(|part| {
            let only = part.channel;
            let count = part.block.count();
            (0..count)
                .filter(move |c| only.is_none_or(|o| o == *c))
                .map(|c| &part.block.channel(c)[..got])
        });
        let target = block.vectors_mut();
        target.resize_with(channels.size_hint().0.max(target.len()), Vec::new);
        let mut count = 0;
        for samples in channels {
            if count == target.len() {
                target.push(Vec::new());
            }
            target[count].clear();
            target[count].extend_from_slice(samples);
            count += 1;
        }
        target.truncate(count);
        Ok(got)
    }

    /// The next frame to read.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        self.parts
            .iter_mut()
            .try_for_each(|part| part.reader.seek(frame))
    }
}

/// Replaces what is not a number, or infinite, by silence: it must never enter a filter.
pub fn mend(block: &mut Block) {
    for samples in block.channels_mut() {
        for sample in samples {
            if !sample.is_finite() {
                *sample = 0.0;
            }
        }
    }
}
