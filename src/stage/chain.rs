//! [`Chain`]: the stages of a track in series, aligned with their source.
//!
//! Frames out are exactly frames in, and what a stage hears lines up with the source: after every
//! stage its latency is dropped at the start, and at the end as many zeros follow the source as was
//! dropped, so that what still rings in the stages comes out.
//!
//! ```no_run
//! # use batterhead::{audio::AudioRead, block::{self, Block}, error::Result, stage::{Chain, Stage}};
//! # fn run(stages: &[Stage], reader: &mut dyn AudioRead, write: &mut dyn FnMut(&Block)) -> Result<()> {
//! let mut chain = Chain::start(stages, f64::from(reader.info().rate_hz), reader.info().channels);
//! let mut block = Block::default();
//! while reader.read(&mut block, block::FRAMES)? > 0 {
//!     chain.process(&mut block);
//!     write(&block);
//! }
//! while chain.finish(&mut block) > 0 {
//!     write(&block);
//! }
//! # Ok(()) }
//! ```

use super::cascade::Cascade;
use super::{Fault, Running, Stage};
use crate::block::{self, Block};

/// Stages at work on one track.
pub struct Chain {
    links: Vec<Link>,
    channels: usize,
    /// Zeros that still have to follow the source.
    owed: usize,
}

struct Link {
    running: Box<dyn Running>,
    /// Frames of its latency still to be dropped.
    ahead: usize,
}

impl Chain {
    /// Every fault of every stage at this rate, with the index of its stage.
    pub fn check(stages: &[Stage], rate_hz: f64) -> Vec<(usize, Fault)> {
        let faults = |(i, stage): (usize, &Stage)| {
            let of_stage = stage.settings().check(rate_hz);
            of_stage.into_iter().map(move |fault| (i, fault))
        };
        stages.iter().enumerate().flat_map(faults).collect()
    }

    /// The stages at work on one track. They must have passed [`Chain::check`] at this rate.
    /// Sections of neighbouring stages run in one pass: the same bits, in less time.
    pub fn start(stages: &[Stage], rate_hz: f64, channels: usize) -> Self {
        let mut links = Vec::new();
        let mut link = |running: Box<dyn Running>| {
            let ahead = running.latency();
            links.push(Link { running, ahead });
        };
        let mut sections = Vec::new();
        for stage in stages.iter().map(Stage::settings) {
            if let Some(more) = stage.sections(rate_hz) {
                sections.extend(more);
                continue;
            }
            if !sections.is_empty() {
                link(Box::new(Cascade::new(
                    std::mem::take(&mut sections),
                    channels,
                )));
            }
            link(stage.start(rate_hz, channels));
        }
        if !sections.is_empty() {
            link(Box::new(Cascade::new(sections, channels)));
        }
        let owed = links.iter().map(|link| link.ahead).sum();
        Self {
            links,
            channels,
            owed,
        }
    }

    /// In place, the next frames of the source. The block may come back shorter, even empty: what
    /// is missing comes with [`Chain::finish`].
    pub fn process(&mut self, block: &mut Block) {
        for link in &mut self.links {
            link.running.process(block);
            if link.ahead > 0 {
                let dropped = link.ahead.min(block.frames());
                block.drop_front(dropped);
                link.ahead -= dropped;
            }
        }
    }

    /// After the source's last frame: replaces the block by the next frames that the chain still
    /// holds, and returns their number; 0 when all is out.
    pub fn finish(&mut self, block: &mut Block) -> usize {
        while self.owed > 0 {
            let frames = self.owed.min(block::FRAMES);
            self.owed -= frames;
            *block = Block::new(self.channels, frames);
            self.process(block);
            if block.frames() > 0 {
                return block.frames();
            }
        }
        block.resize(0);
        0
    }

    /// Frames that come out later than they went in, until [`Chain::finish`]: the sum of all
    /// latencies.
    pub fn latency(stages: &[Stage], rate_hz: f64) -> usize {
        Self::start(stages, rate_hz, 1).owed
    }

    /// Magnitude in dB of the linear stages in series at a frequency from 0 to half the rate;
    /// `None` where none is linear.
    pub fn response(stages: &[Stage], rate_hz: f64, freq_hz: f64) -> Option<f64> {
        let of_stage = |stage: &Stage| stage.settings().magnitude_db(rate_hz, freq_hz);
        stages.iter().filter_map(of_stage).reduce(|a, b| a + b)
    }
}
