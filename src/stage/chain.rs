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

use std::f64::consts::PI;

use realfft::num_complex::Complex;

use super::cascade::Cascade;
use super::{Fault, Running, Stage};
use crate::block::{self, Block};
use crate::dsp::maths;

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

    /// Before the first frame: as though the source had been going on for ever as this constant of each
    /// channel, so that a DC offset makes no step where the track begins.
    pub fn settle(&mut self, constants: &[f64]) {
        let mut constants = constants.to_vec();
        for link in &mut self.links {
            link.running.settle(&mut constants);
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

    /// Complex response of the linear stages in series at a frequency: what a sine of it is multiplied
    /// by, phase and all. What depends on the level counts for nothing.
    pub fn complex_response(stages: &[Stage], rate_hz: f64, freq_hz: f64) -> Complex<f64> {
        let of_stage = |stage: &Stage| match stage {
            Stage::Gain(gain) => maths::db_to_ratio(gain.gain_db).into(),
            Stage::Polarity(polarity) => if polarity.inverted { -1.0 } else { 1.0 }.into(),
            Stage::Delay(delay) => {
                let turn = 2.0 * PI * freq_hz * delay.frames(rate_hz) as f64 / rate_hz;
                Complex::new(maths::cos(turn), -maths::sin(turn))
            }
            stage => {
                let sections = stage.settings().sections(rate_hz).unwrap_or_default();
                let each = sections.iter().map(|s| s.response(rate_hz, freq_hz));
                each.product()
            }
        };
        stages.iter().map(of_stage).product()
    }

    /// Magnitude in dB of the linear stages in series at a frequency from 0 to half the rate;
    /// `None` where none is linear.
    pub fn response(stages: &[Stage], rate_hz: f64, freq_hz: f64) -> Option<f64> {
        let of_stage = |stage: &Stage| stage.settings().magnitude_db(rate_hz, freq_hz);
        stages.iter().filter_map(of_stage).reduce(|a, b| a + b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{impulse, stages};

    #[test]
    fn says_the_complex_response_that_a_fourier_sum_measures() {
        let stages = stages(
            "{ high-pass = { freq_hz = 30, order = 2 } }, { low-pass = { freq_hz = 150, order = 3 } }, \
             { polarity = { inverted = true } }, { gain = { gain_db = -3 } }, { delay = { samples = 25 } }, \
             { peak = { freq_hz = 350, gain_db = -5, q = 1.2 } }",
        );
        let mut chain = Chain::start(&stages, 48_000.0, 1);
        let mut block = Block::from_channels(vec![impulse(1 << 15)]);
        chain.process(&mut block);
        for hz in [20.0, 60.0, 110.0, 400.0, 5_000.0] {
            let w = 2.0 * PI * hz / 48_000.0;
            let turned = block.channel(0).iter().enumerate().map(|(n, x)| {
                let turn = w * n as f64;
                Complex::new(x * turn.cos(), -x * turn.sin())
            });
            let measured: Complex<f64> = turned.sum();
            let said = Chain::complex_response(&stages, 48_000.0, hz);
            assert!((measured - said).norm() < 1e-6, "{hz}: {measured} {said}");
        }
    }
}
