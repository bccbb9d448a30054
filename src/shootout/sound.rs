//! [`Sound`]: a track, or the rough mix of a take, read anywhere.

use std::path::Path;

use crate::block::Block;
use crate::error::Result;
use crate::job::{TrackReader, mend};
use crate::mix::Strip;
use crate::session::{SessionFile, Track};

/// A track of a candidate, and where it begins in the time of its take.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub track: Track,
    /// Frames after the start of the take.
    pub offset: u64,
}

impl Placed {
    /// First frame after its end, in the time of the take.
    pub fn end(&self) -> u64 {
        self.offset.saturating_add(self.track.frames())
    }
}

/// Samples by their place in the time of a take; silence where there is nothing.
pub(super) struct Sound {
    parts: Vec<Part>,
    channels: usize,
    block: Block,
}

struct Part {
    reader: TrackReader,
    offset: u64,
    frames: u64,
    channels: usize,
    /// The next frame that the reader gives.
    next: u64,
    /// How it enters a mix; a track alone is read as it is.
    strip: Option<Strip>,
}

impl Sound {
    /// One track with its own channels.
    pub fn track(root: &Path, placed: &Placed) -> Result<Self> {
        let channels = placed.track.channels();
        Ok(Self {
            parts: vec![Part::open(root, placed, None)?],
            channels,
            block: Block::default(),
        })
    }

    /// A stereo mix: faders and positions of the mic table, no gain.
    pub fn mix<'a>(root: &Path, tracks: impl Iterator<Item = &'a Placed>) -> Result<Self> {
        let parts = tracks.map(|placed| {
            let track = &placed.track;
            let (fader_db, pan) = fader(track);
            Part::open(
                root,
                placed,
                Some(Strip::new(fader_db, pan, track.channels(), 0)),
            )
        });
        Ok(Self {
            parts: parts.collect::<Result<_>>()?,
            channels: 2,
            block: Block::default(),
        })
    }

    /// How many channels it gives.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// Fills `out` with `frames` frames from `first` on. Samples that are not finite come as 0.
    pub fn read(&mut self, first: i64, frames: usize, out: &mut Block) -> Result<()> {
        *out = Block::new(self.channels, frames);
        for part in &mut self.parts {
            part.add(first, frames, &mut self.block, out)?;
        }
        Ok(())
    }
}

impl Part {
    fn open(root: &Path, placed: &Placed, strip: Option<Strip>) -> Result<Self> {
        Ok(Self {
            reader: TrackReader::open(root, &placed.track)?,
            offset: placed.offset,
            frames: placed.track.frames(),
            channels: placed.track.channels(),
            next: 0,
            strip,
        })
    }

    fn add(&mut self, first: i64, frames: usize, block: &mut Block, out: &mut Block) -> Result<()> {
        let local = i128::from(first) - i128::from(self.offset);
        let from = local.clamp(0, i128::from(self.frames)) as u64;
        let end = (local + frames as i128).clamp(0, i128::from(self.frames)) as u64;
        let mut at = (i128::from(from) - local) as usize;
        if from >= end {
            return Ok(());
        }
        if self.next != from {
            self.reader.seek(from)?;
            self.next = from;
        }
        while self.next < end {
            let want = (end - self.next).min(crate::block::FRAMES as u64) as usize;
            let got = self.reader.read(block, want)?;
            if got == 0 {
                break;
            }
            block.resize(got);
            mend(block);
            match &self.strip {
                Some(strip) => strip.add(block, at as u64, out, 0),
                None => {
                    for (to, from) in out.channels_mut().zip(block.channels()).take(self.channels) {
                        to.iter_mut()
                            .skip(at)
                            .zip(from)
                            .for_each(|(to, from)| *to = *from);
                    }
                }
            }
            at += got;
            self.next += got as u64;
        }
        Ok(())
    }
}

/// Fader and position of a track in a rough mix of its own defaults.
fn fader(track: &Track) -> (f64, (f64, f64)) {
    let place = SessionFile::default().place_of(track);
    place.map_or((0.0, (0.0, 0.0)), |place| (place.fader_db, place.pan))
}
