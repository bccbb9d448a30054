//! [`TrackReader`]: the samples of one track, whatever files and channels they come from.

use std::ops::Range;
use std::path::{Path, PathBuf};

use super::measure::changed;
use crate::audio::{self, AudioRead};
use crate::block::{self, Block};
use crate::dsp::resample::Resampler;
use crate::error::Result;
use crate::session::{Source, Track};

/// Reads a track from its start: one file, one channel of a file, or the two sides of a pair, each
/// padded with silence where the other side is there and it is not.
pub struct TrackReader {
    parts: Vec<Part>,
    /// The next frame to read, and all there are.
    at: u64,
    frames: u64,
}

/// What one source gives.
struct Part {
    reader: Box<dyn AudioRead>,
    path: PathBuf,
    channel: Option<usize>,
    /// Where it lies in the track.
    span: Range<u64>,
    /// To the rate of the track, where it is another.
    resampled: Option<Resampled>,
    block: Block,
}

struct Resampled {
    resampler: Resampler,
    rates_hz: (u32, u32),
    /// What came out and was not asked for yet.
    rest: Block,
    ended: bool,
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
        let part = |(i, source): (usize, &Source)| {
            let path = root.join(&source.path);
            let reader = open(i, &path)?;
            Part::new(reader, path, source, track.rate_hz())
        };
        let parts = track.sources.iter().enumerate().map(part);
        Ok(Self {
            parts: parts.collect::<Result<_>>()?,
            at: 0,
            frames: track.frames(),
        })
    }

    /// Fills `block` with at most `frames` frames, all channels of the track; 0 at the end.
    /// Samples are as stored: a non-finite one is not mended here.
    pub fn read(&mut self, block: &mut Block, frames: usize) -> Result<usize> {
        if let [part] = &mut self.parts[..]
            && part.channel.is_none()
        {
            return part.reader.read(block, frames);
        }
        let frames = (self.frames - self.at).min(frames as u64) as usize;
        let count = self.parts.iter().map(Part::channels).sum();
        let target = block.vectors_mut();
        target.resize_with(count, Vec::new);
        for samples in &mut *target {
            samples.clear();
            samples.resize(frames, 0.0);
        }
        let mut rest = &mut target[..];
        for part in &mut self.parts {
            let (own, others) = rest.split_at_mut(part.channels());
            part.fill(self.at, own, frames)?;
            rest = others;
        }
        self.at += frames as u64;
        Ok(frames)
    }

    /// The next frame to read.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        self.at = frame.min(self.frames);
        self.parts.iter_mut().try_for_each(|part| part.seek(frame))
    }
}

impl Part {
    fn new(
        reader: Box<dyn AudioRead>,
        path: PathBuf,
        source: &Source,
        rate_hz: u32,
    ) -> Result<Self> {
        let (found, scanned) = (reader.info(), &source.info);
        if found.frames != scanned.frames
            || found.channels != scanned.channels
            || found.rate_hz != scanned.rate_hz
        {
            return Err(changed(&path));
        }
        let resampled = match scanned.rate_hz == rate_hz {
            true => None,
            false => Some(Resampled::new((scanned.rate_hz, rate_hz), found.channels)?),
        };
        Ok(Self {
            reader,
            path,
            channel: source.channel,
            span: source.lead_frames..source.end(rate_hz),
            resampled,
            block: Block::default(),
        })
    }

    fn channels(&self) -> usize {
        match self.channel {
            Some(_) => 1,
            None => self.reader.info().channels,
        }
    }

    /// Puts its samples into silence, one vector a channel, which begins at frame `at` of the track.
    fn fill(&mut self, at: u64, target: &mut [Vec<f64>], frames: usize) -> Result<()> {
        let mut next = at.max(self.span.start);
        let end = (at + frames as u64).min(self.span.end);
        while next < end {
            let got = self.more((end - next) as usize)?;
            if got == 0 {
                return Err(changed(&self.path));
            }
            let place = (next - at) as usize;
            let only = self.channel;
            let sounds = self.block.channels().enumerate();
            let sounds = sounds.filter(|(c, _)| only.is_none_or(|only| only == *c));
            for (target, (_, samples)) in target.iter_mut().zip(sounds) {
                target[place..place + got].copy_from_slice(samples);
            }
            next += got as u64;
        }
        Ok(())
    }

    /// Its next frames, at most so many.
    fn more(&mut self, frames: usize) -> Result<usize> {
        match &mut self.resampled {
            None => self.reader.read(&mut self.block, frames),
            Some(resampled) => resampled.read(&mut *self.reader, &mut self.block, frames),
        }
    }

    /// `frame` counts in the track.
    fn seek(&mut self, frame: u64) -> Result<()> {
        let own = frame.clamp(self.span.start, self.span.end) - self.span.start;
        let Some(resampled) = &mut self.resampled else {
            return self.reader.seek(own);
        };
        // Rare, and only ever asked for a place or two: read from the start.
        let (rates_hz, channels) = (resampled.rates_hz, self.reader.info().channels);
        self.resampled = Some(Resampled::new(rates_hz, channels)?);
        self.reader.seek(0)?;
        let mut left = own;
        while left > 0 {
            match self.more(left.min(block::FRAMES as u64) as usize)? {
                0 => break,
                got => left -= got as u64,
            }
        }
        Ok(())
    }
}

impl Resampled {
    fn new(rates_hz: (u32, u32), channels: usize) -> Result<Self> {
        Ok(Self {
            resampler: Resampler::new(rates_hz.0, rates_hz.1, channels, 0)?,
            rates_hz,
            rest: Block::new(channels, 0),
            ended: false,
        })
    }

    /// The next frames of `reader` at the other rate.
    fn read(
        &mut self,
        reader: &mut dyn AudioRead,
        out: &mut Block,
        frames: usize,
    ) -> Result<usize> {
        while self.rest.frames() == 0 && !self.ended {
            match reader.read(out, block::FRAMES)? {
                0 => {
                    self.ended = true;
                    self.resampler.finish(&mut self.rest);
                }
                _ => self.resampler.process(out, &mut self.rest),
            }
        }
        let got = frames.min(self.rest.frames());
        out.clone_from(&self.rest);
        out.resize(got);
        self.rest.drop_front(got);
        Ok(got)
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
