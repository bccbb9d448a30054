//! What is measured of the output of a chain.

use super::{Asked, Figures, Tried};
use crate::analysis::level_ms;
use crate::block::Block;
use crate::dsp::resample::Resampler;
use crate::error::Result;
use crate::measure::Meter;
use crate::output::layout::Unit;
use crate::units;

/// Measures what comes out of a chain.
pub struct OutputMeter {
    meter: Meter,
    peaks: HitPeaks,
    resampled: Option<Resampled>,
}

/// The same at the rate of the stem: its peaks lie elsewhere.
struct Resampled {
    resampler: Resampler,
    meter: Meter,
    block: Block,
}

impl OutputMeter {
    pub fn new(unit: &Unit<'_>, asked: Asked<'_>) -> Result<Self> {
        let (rate_hz, channels) = (unit.track.rate_hz(), unit.track.channels());
        let resampled = match asked.other_rate_hz {
            Some(other_hz) => {
                let start = unit.track.time_reference_samples();
                Some(Resampled {
                    resampler: Resampler::new(rate_hz, other_hz, channels, start.unwrap_or(0))?,
                    meter: Meter::without_loudness(other_hz, channels),
                    block: Block::default(),
                })
            }
            None => None,
        };
        Ok(Self {
            meter: match asked.figures {
                Figures::All => Meter::new(rate_hz, channels),
                _ => Meter::without_loudness(rate_hz, channels),
            },
            peaks: HitPeaks::new(unit, asked.hits),
            resampled,
        })
    }

    pub fn push(&mut self, block: &Block) {
        self.meter.push(block);
        self.peaks.push(block);
        if let Some(Resampled {
            resampler,
            meter,
            block: out,
        }) = &mut self.resampled
        {
            resampler.process(block, out);
            meter.push(out);
        }
    }

    pub fn finish(self) -> Tried {
        let mut levels = self.meter.finish();
        if let Some(Resampled {
            mut resampler,
            mut meter,
            mut block,
        }) = self.resampled
        {
            resampler.finish(&mut block);
            meter.push(&block);
            let peaks = [levels.true_peak_dbtp, meter.finish().true_peak_dbtp];
            levels.true_peak_dbtp = peaks.into_iter().flatten().max_by(f64::total_cmp);
        }
        Tried {
            levels,
            hit_peaks_dbfs: self.peaks.finish(),
        }
    }
}

/// The largest sample after each hit.
struct HitPeaks {
    /// First and last frame of each window, in order; windows may overlap.
    windows: Vec<(u64, u64)>,
    peaks: Vec<f64>,
    /// Windows before this one are over.
    first: usize,
    at: u64,
}

impl HitPeaks {
    /// Of hits at these frames of the track of `unit`.
    pub fn new(unit: &Unit<'_>, hits: &[u64]) -> Self {
        let level_ms = level_ms(unit.track.mic.family) as u64;
        Self::within(hits, u64::from(unit.track.rate_hz()) * level_ms / 1000)
    }

    fn within(hits: &[u64], length: u64) -> Self {
        let windows: Vec<_> = hits.iter().map(|&hit| (hit, hit + length)).collect();
        Self {
            peaks: vec![0.0; windows.len()],
            windows,
            first: 0,
            at: 0,
        }
    }

    /// The next frames.
    pub fn push(&mut self, block: &Block) {
        let end = self.at + block.frames() as u64;
        while self.windows.get(self.first).is_some_and(|w| w.1 <= self.at) {
            self.first += 1;
        }
        for (window, peak) in self.windows.iter().zip(&mut self.peaks).skip(self.first) {
            if window.0 >= end {
                break;
            }
            let from = window.0.saturating_sub(self.at) as usize;
            let to = (window.1.min(end).saturating_sub(self.at)) as usize;
            for samples in block.channels() {
                for sample in samples.get(from..to).unwrap_or_default() {
                    *peak = peak.max(sample.abs());
                }
            }
        }
        self.at = end;
    }

    /// The peaks in dBFS, without those of silence.
    pub fn finish(self) -> Vec<f32> {
        let levels = self.peaks.into_iter().filter_map(units::ratio_to_db);
        levels.map(|db| units::round_to(db, 2) as f32).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hit_peaks_do_not_depend_on_how_the_stream_is_cut() {
        let samples: Vec<f64> = (0..10_000)
            .map(|i| (f64::from(i) * 0.37).sin() * f64::from(i % 997) / 997.0)
            .collect();
        let hits = [0, 100, 900, 905, 5_000, 9_990];
        let found = |frames: usize| {
            let mut peaks = HitPeaks::within(&hits, 1_000);
            for part in samples.chunks(frames) {
                peaks.push(&Block::from_channels(vec![part.to_vec()]));
            }
            peaks.finish()
        };
        let slow: Vec<f32> = hits
            .iter()
            .map(|&hit| {
                let end = (hit as usize + 1_000).min(samples.len());
                let peak = samples[hit as usize..end]
                    .iter()
                    .fold(0.0f64, |m, s| m.max(s.abs()));
                units::round_to(20.0 * peak.log10(), 2) as f32
            })
            .collect();
        for frames in [1, 7, 64, 4096, 10_000] {
            assert_eq!(found(frames), slow);
        }
    }
}
