//! A chain tried without writing: what comes out decides the gain.

use serde::{Deserialize, Serialize};

use super::Work;
use super::layout::Unit;
use super::store::Key;
use super::track::{TrackReader, mend};
use crate::block::Block;
use crate::error::Result;
use crate::evidence::level_ms;
use crate::measure::{Levels, Meter};
use crate::stage::{Chain, Stage};
use crate::units;

/// What came out of a chain.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Tried {
    /// Figures of the output.
    pub levels: Levels,
    /// The peak after each hit, dBFS, as many as were asked for and are not silent.
    pub hit_peaks_dbfs: Vec<f32>,
}

/// Runs `chain` over the track of `unit` and measures, without `loudness` where no level is decided
/// by it; `hits` are the frames of the hits whose level counts. Kept by content and settings.
pub fn attempt(
    work: &Work<'_>,
    unit: &Unit<'_>,
    measured: &Key,
    chain: &[Stage],
    hits: &[u64],
    loudness: bool,
) -> Result<Tried> {
    let key = Key::of("attempt", &(measured, chain, hits, loudness));
    if let Some(found) = work.store.get(&key) {
        work.advance(unit.samples());
        return Ok(found);
    }
    let (rate_hz, level_ms) = (unit.track.rate_hz(), level_ms(unit.track.mic.family));
    let mut meter = match loudness {
        true => Meter::new(rate_hz, unit.track.channels()),
        false => Meter::without_loudness(rate_hz, unit.track.channels()),
    };
    let mut peaks = HitPeaks::new(hits, u64::from(rate_hz) * level_ms as u64 / 1000);
    run(work, unit, chain, |block| {
        meter.push(block);
        peaks.push(block);
        Ok(())
    })?;
    let tried = Tried {
        levels: meter.finish(),
        hit_peaks_dbfs: peaks.finish(),
    };
    work.store.put(&key, &tried)?;
    Ok(tried)
}

/// Reads the track of `unit`, runs `chain` over it, and hands on every block that comes out.
pub fn run(
    work: &Work<'_>,
    unit: &Unit<'_>,
    chain: &[Stage],
    mut take: impl FnMut(&Block) -> Result<()>,
) -> Result<()> {
    let mut reader = TrackReader::open(work.root, unit.track)?;
    let mut chain = Chain::start(
        chain,
        f64::from(unit.track.rate_hz()),
        unit.track.channels(),
    );
    let mut block = Block::default();
    while reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        work.advance((block.frames() * block.count()) as u64);
        mend(&mut block);
        chain.process(&mut block);
        take(&block)?;
    }
    while chain.finish(&mut block) > 0 {
        take(&block)?;
    }
    Ok(())
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
    fn new(hits: &[u64], length: u64) -> Self {
        let windows: Vec<_> = hits.iter().map(|&hit| (hit, hit + length)).collect();
        Self {
            peaks: vec![0.0; windows.len()],
            windows,
            first: 0,
            at: 0,
        }
    }

    fn push(&mut self, block: &Block) {
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

    fn finish(self) -> Vec<f32> {
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
            let mut peaks = HitPeaks::new(&hits, 1_000);
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
