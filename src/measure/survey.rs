//! [`Survey`]: the one pass over a source that gives its figures and its findings.

use super::Levels;
use super::inspect::{Inspection, Inspector};
use super::meter::Figures;
use super::ticks::Ticks;
use crate::audio::Info;
use crate::block::Block;

/// Measures a source and looks for what is wrong with it. One flat-top detector serves both, so
/// `Levels::clipped_samples` is the count in the finding.
#[derive(Debug)]
pub struct Survey {
    ticks: Ticks,
    figures: Figures,
    inspector: Inspector,
}

impl Survey {
    /// For a track of `channels` channels in files of this format (a pair of mono files has two).
    pub fn new(info: &Info, channels: usize) -> Self {
        Self {
            ticks: Ticks::new(info.rate_hz, channels),
            figures: Figures::new(info.rate_hz, channels, info.bit_depth),
            inspector: Inspector::new(info.rate_hz, channels, info.bit_depth, info.sample_format),
        }
    }

    /// The next frames.
    pub fn push(&mut self, block: &Block) {
        let Self {
            ticks,
            figures,
            inspector,
        } = self;
        ticks.push(block, |tick| {
            figures.tick(tick);
            inspector.tick(tick);
        });
    }

    /// Figures and findings.
    pub fn finish(mut self) -> (Levels, Inspection) {
        self.ticks.rest(|rest| {
            self.figures.tick(rest);
            self.inspector.tick(rest);
        });
        let (levels, clips) = self.figures.finish();
        let inspection = self.inspector.finish(&clips, self.ticks.non_finite());
        (levels, inspection)
    }
}

#[cfg(test)]
pub(crate) mod tests;
