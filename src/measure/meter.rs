//! [`Meter`]: blocks in, [`Levels`] out.

use super::Levels;
use super::clipped::{Clips, Plateaus};
use super::loudness::{KWeight, TAIL, Windows};
use super::ticks::{Tick, Ticks};
use super::true_peak::TruePeak;
use crate::block::Block;
use crate::units;

/// All figures of the contract of one track, in one pass; memory grows by 8 bytes for each 100 ms
/// (and a channel). Samples that are no numbers count as silence.
#[derive(Clone, Debug)]
pub struct Meter {
    ticks: Ticks,
    figures: Figures,
}

impl Meter {
    /// For a stream of `channels` channels whose samples have up to 24 bits (or are float).
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self::with_bit_depth(rate_hz, channels, 24)
    }

    /// The same where the samples have `bit_depth` bits: what counts as a flat top depends on it.
    pub fn with_bit_depth(rate_hz: u32, channels: usize, bit_depth: u16) -> Self {
        Self {
            ticks: Ticks::new(rate_hz, channels),
            figures: Figures::new(rate_hz, channels, bit_depth),
        }
    }

    /// Without the dear figures: loudness is absent, flat tops are not counted.
    pub fn without_loudness(rate_hz: u32, channels: usize) -> Self {
        let mut meter = Self::new(rate_hz, channels);
        meter.figures.all = false;
        meter
    }

    /// The next frames.
    pub fn push(&mut self, block: &Block) {
        let Self { ticks, figures } = self;
        ticks.push(block, |tick| figures.tick(tick));
    }

    /// The figures.
    pub fn finish(mut self) -> Levels {
        self.ticks.rest(|rest| self.figures.tick(rest));
        self.figures.finish().0
    }
}

/// What is gathered of one channel.
#[derive(Clone, Debug)]
struct Channel {
    low: f64,
    high: f64,
    sum: f64,
    squares: f64,
    true_peak: TruePeak,
    plateaus: Plateaus,
    /// Present where there are several channels.
    windows: Option<Windows>,
}

/// The working part of [`Meter`], fed with pieces of 10 ms.
#[derive(Clone, Debug)]
pub(crate) struct Figures {
    /// Whether loudness and flat tops are among them.
    all: bool,
    frames: u64,
    filter: KWeight,
    windows: Windows,
    channels: Vec<Channel>,
    /// Samples of the piece that was not whole.
    rest: Vec<Vec<f64>>,
    tick_frames: usize,
}

impl Figures {
    pub fn new(rate_hz: u32, channels: usize, bit_depth: u16) -> Self {
        let channel = || Channel {
            low: 0.0,
            high: 0.0,
            sum: 0.0,
            squares: 0.0,
            true_peak: TruePeak::new(),
            plateaus: Plateaus::new(rate_hz, bit_depth),
            windows: (channels > 1).then(|| Windows::new(rate_hz)),
        };
        Self {
            all: true,
            frames: 0,
            filter: KWeight::new(rate_hz, channels),
            windows: Windows::new(rate_hz),
            channels: (0..channels).map(|_| channel()).collect(),
            rest: Vec::new(),
            tick_frames: super::ticks::boundary(rate_hz, 1) as usize,
        }
    }

    pub fn tick(&mut self, tick: &Tick) {
        let mut energy = 0.0;
        let channels = self.channels.iter_mut().zip(tick.channels).enumerate();
        for (i, (channel, (samples, stats))) in channels {
            let peak = stats.peak();
            channel.sum += stats.sum;
            channel.squares += stats.squares;
            channel.true_peak.push_known(samples, peak);
            let peak_before = channel.high.max(-channel.low);
            channel.low = channel.low.min(stats.low);
            channel.high = channel.high.max(stats.high);
            if !self.all {
                continue;
            }
            let plateaus = &mut channel.plateaus;
            plateaus.push(tick.start, samples, peak, peak_before);
            if tick.whole {
                let own = self.filter.energy(i, samples);
                energy += own;
                if let Some(windows) = &mut channel.windows {
                    windows.tick(own);
                }
            }
        }
        self.frames += tick.channels.first().map_or(0, |first| first.0.len()) as u64;
        if !tick.whole {
            self.rest = tick
                .channels
                .iter()
                .map(|(samples, _)| samples.to_vec())
                .collect();
        } else if self.all {
            self.windows.tick(energy);
        }
    }

    /// Energies of the pieces after the last whole one, of each channel.
    fn tails(&mut self) -> Vec<Vec<f64>> {
        let mut piece = vec![0.0; self.tick_frames];
        let mut tail = |i: usize, rest: &[f64]| {
            (0..TAIL)
                .map(|step| {
                    piece.fill(0.0);
                    if step == 0 {
                        piece[..rest.len()].copy_from_slice(rest);
                    }
                    self.filter.energy(i, &piece)
                })
                .collect()
        };
        self.rest
            .iter()
            .enumerate()
            .map(|(i, rest)| tail(i, rest))
            .collect()
    }

    /// The figures, and what was cut flat in each channel.
    pub fn finish(mut self) -> (Levels, Vec<Clips>) {
        let tails = self.tails();
        let both: Vec<f64> = (0..TAIL)
            .map(|step| {
                tails
                    .iter()
                    .map(|tail| tail.get(step).copied().unwrap_or(0.0))
                    .sum()
            })
            .collect();
        let frames = self.frames as f64;
        let count = self.channels.len();
        let (mut sum, mut squares) = (0.0, 0.0);
        let (mut sample_peak, mut true_peak) = (0.0f64, 0.0f64);
        let (mut channels, mut clips) = (Vec::new(), Vec::new());
        for (channel, tail) in self.channels.into_iter().zip(&tails) {
            let peak = channel.high.max(-channel.low);
            let over = channel.true_peak.finish();
            let cut = channel.plateaus.finish(channel.low, channel.high);
            sum += channel.sum;
            squares += channel.squares;
            sample_peak = sample_peak.max(peak);
            true_peak = true_peak.max(over);
            if let Some(windows) = channel.windows {
                let mut levels = plain(peak, over, channel.sum, channel.squares, frames);
                levels.set_loudness(windows, tail);
                levels.clipped_samples = cut.samples();
                channels.push(levels);
            }
            clips.push(cut);
        }
        let mut levels = plain(sample_peak, true_peak, sum, squares, frames * count as f64);
        levels.set_loudness(self.windows, &both);
        levels.clipped_samples = clips.iter().map(Clips::samples).sum();
        levels.channels = channels;
        (levels, clips)
    }
}

/// The figures that are not loudness.
fn plain(sample_peak: f64, true_peak: f64, sum: f64, squares: f64, samples: f64) -> Levels {
    let rms = if samples > 0.0 {
        (squares / samples).sqrt()
    } else {
        0.0
    };
    let sample_peak_dbfs = units::ratio_to_db(sample_peak);
    let rms_dbfs = units::ratio_to_db(rms);
    Levels {
        sample_peak_dbfs,
        true_peak_dbtp: units::ratio_to_db(true_peak),
        rms_dbfs,
        crest_factor_db: sample_peak_dbfs.zip(rms_dbfs).map(|(peak, rms)| peak - rms),
        dc_offset: if samples > 0.0 { sum / samples } else { 0.0 },
        ..Levels::default()
    }
}

impl Levels {
    fn set_loudness(&mut self, windows: Windows, tail: &[f64]) {
        let loudest = windows.finish(tail);
        self.integrated_lufs = loudest.integrated_lufs;
        self.momentary_max_lufs = loudest.momentary_max_lufs;
        self.short_term_max_lufs = loudest.short_term_max_lufs;
        self.loudness_range_lu = loudest.range_lu;
    }
}

#[cfg(test)]
mod tests;
