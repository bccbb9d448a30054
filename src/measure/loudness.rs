//! Loudness: gating and loudness range (ITU-R BS.1770-5 Annex 1, EBU Tech 3341 and
//! 3342), from 10 ms energies.

use serde::{Deserialize, Serialize};

pub use super::k_weighting::KWeight;
use super::ticks::{Tick, Ticks, boundary};
use crate::block::Block;
use crate::dsp::maths;
use crate::units;

/// The constant of BS.1770-5 Annex 1 eq. (2), which cancels the K gain at 997 Hz.
const OFFSET_LU: f64 = -0.691;
/// Absolute gate (eq. 5) and the relative ones of BS.1770-5 (eq. 6) and of Tech 3342.
const ABSOLUTE_GATE_LUFS: f64 = -70.0;
const RELATIVE_GATE_POWER: f64 = 0.1;
const RANGE_GATE_POWER: f64 = 0.01;
/// 10 ms pieces in 100 ms, 400 ms and 3 s.
const HUNDRED: usize = 10;
const MOMENTARY: usize = 40;
const SHORT_TERM: usize = 300;
/// Tech 3342 has file meters append at least 1.5 s of silence: 100 ms steps, the first of which may
/// hold the end of the programme.
const APPENDED: usize = 16;
/// Fewest 3 s windows for a loudness range. With fewer, the appended silence alone would be more
/// than the tenth of all windows that sets the lower percentile: a programme needs 16.9 s.
const FEWEST_WINDOWS: usize = 140;

/// Mean square of the K-weighted signal, summed over the channels → LUFS; `None` for silence.
pub fn lufs(power: f64) -> Option<f64> {
    units::power_to_db(power).map(|db| OFFSET_LU + db)
}

/// 100 ms energies of a programme: all that integrated loudness and loudness range need.
/// 8 bytes for each 100 ms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gating {
    rate_hz: u32,
    /// Sums of squares of the K-weighted signal over all channels, of each whole 100 ms.
    energies: Vec<f64>,
}

impl Gating {
    fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz,
            energies: Vec::new(),
        }
    }

    /// Powers of all windows of `steps` × 100 ms, one each 100 ms.
    fn powers(&self, steps: usize) -> impl Iterator<Item = f64> {
        self.energies
            .windows(steps)
            .zip(0u64..)
            .map(move |(window, i)| {
                window.iter().sum::<f64>()
                    / frames(self.rate_hz, HUNDRED as u64 * i, HUNDRED * steps)
            })
    }

    /// Integrated loudness in LUFS; `None` where no gating block of 400 ms lies above −70 LUFS.
    pub fn integrated(&self) -> Option<f64> {
        Self::pool(&[self])
    }

    /// What it would be with so much gain: the absolute gate does not move with it.
    pub fn louder_by(&self, db: f64) -> Self {
        let ratio = maths::pow(10.0, db / 10.0);
        Self {
            rate_hz: self.rate_hz,
            energies: self.energies.iter().map(|energy| energy * ratio).collect(),
        }
    }

    /// Integrated loudness of several programmes as if their gating blocks were one programme's:
    /// both gates go over all of them. Programmes may differ in rate.
    pub fn pool(programmes: &[&Gating]) -> Option<f64> {
        let blocks = || {
            programmes
                .iter()
                .flat_map(|g| g.powers(MOMENTARY / HUNDRED))
        };
        let absolute = power_of(ABSOLUTE_GATE_LUFS);
        let relative = RELATIVE_GATE_POWER * mean(blocks().filter(|&p| p > absolute))?;
        lufs(mean(blocks().filter(|&p| p > absolute && p > relative))?)
    }

    /// Loudness range in LU by the element rule of Tech 3342 (no interpolation); `None` for a
    /// programme too short to have one, or silent.
    fn range(&self) -> Option<f64> {
        if self.energies.len() < FEWEST_WINDOWS + APPENDED + SHORT_TERM / HUNDRED - 1 {
            return None;
        }
        let absolute = power_of(ABSOLUTE_GATE_LUFS);
        let mut kept: Vec<f64> = self
            .powers(SHORT_TERM / HUNDRED)
            .filter(|&p| p >= absolute)
            .collect();
        let relative = RANGE_GATE_POWER * mean(kept.iter().copied())?;
        kept.retain(|&p| p >= relative);
        kept.sort_by(f64::total_cmp);
        let element = |percent: usize| kept.get(((kept.len() - 1) * percent + 50) / 100);
        Some(lufs(*element(95)?)? - lufs(*element(10)?)?)
    }
}

fn frames(rate_hz: u32, first_tick: u64, ticks: usize) -> f64 {
    (boundary(rate_hz, first_tick + ticks as u64) - boundary(rate_hz, first_tick)) as f64
}

fn power_of(lufs: f64) -> f64 {
    maths::pow(10.0, (lufs - OFFSET_LU) / 10.0)
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0u64), |(sum, n), v| (sum + v, n + 1));
    (n > 0).then(|| sum / n as f64)
}

/// Windows of 400 ms and 3 s that move on every 10 ms, and the 100 ms energies.
///
/// Each window is added up anew from 100 ms sums, so nothing drifts.
#[derive(Clone, Debug)]
pub(crate) struct Windows {
    gating: Gating,
    ticks: u64,
    /// The last energies of 10 ms, and the last sums of ten of them: rings.
    tens: [f64; HUNDRED],
    hundreds: Vec<f64>,
    momentary: f64,
    short_term: f64,
    momentary_max: f64,
    short_term_max: f64,
}

/// What [`Windows`] found.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Loudest {
    /// Gated loudness.
    pub integrated_lufs: Option<f64>,
    /// Largest of 400 ms.
    pub momentary_max_lufs: Option<f64>,
    /// Largest of 3 s.
    pub short_term_max_lufs: Option<f64>,
    /// EBU Tech 3342.
    pub range_lu: Option<f64>,
}

impl Windows {
    pub fn new(rate_hz: u32) -> Self {
        Self {
            gating: Gating::new(rate_hz),
            ticks: 0,
            tens: [0.0; HUNDRED],
            hundreds: vec![0.0; SHORT_TERM],
            momentary: 0.0,
            short_term: 0.0,
            momentary_max: 0.0,
            short_term_max: 0.0,
        }
    }

    /// The energy of the next 10 ms.
    pub fn tick(&mut self, energy: f64) {
        let at = (self.ticks % SHORT_TERM as u64) as usize;
        self.tens[at % HUNDRED] = energy;
        // oldest first: the order of the sum does not depend on where the ring stands
        let (newer, older) = self.tens.split_at(at % HUNDRED + 1);
        let hundred = older.iter().chain(newer).sum::<f64>();
        self.hundreds[at] = hundred;
        self.ticks += 1;
        if self.ticks.is_multiple_of(HUNDRED as u64) {
            self.gating.energies.push(hundred);
        }
        self.momentary = self.window(at, MOMENTARY);
        self.momentary_max = self.momentary_max.max(self.momentary);
        self.short_term = self.window(at, SHORT_TERM);
        self.short_term_max = self.short_term_max.max(self.short_term);
    }

    /// Power of the last `ticks`; 0 while there are fewer.
    fn window(&self, at: usize, ticks: usize) -> f64 {
        if self.ticks < ticks as u64 {
            return 0.0;
        }
        let back = |steps: usize| (at + SHORT_TERM - HUNDRED * steps) % SHORT_TERM;
        let energy: f64 = (0..ticks / HUNDRED)
            .rev()
            .map(|i| self.hundreds[back(i)])
            .sum();
        energy / frames(self.gating.rate_hz, self.ticks - ticks as u64, ticks)
    }

    /// Power of the 400 ms and of the 3 s that end here; 0 before there are as many.
    #[cfg(test)]
    pub fn now(&self) -> (f64, f64) {
        (self.momentary, self.short_term)
    }

    /// The figures, where `tail` are the energies of the 10 ms pieces after the last whole one,
    /// with silence behind: at least 1.5 s of it, for the loudness range alone.
    pub fn finish(mut self, tail: &[f64]) -> Loudest {
        let mut found = Loudest {
            integrated_lufs: self.gating.integrated(),
            momentary_max_lufs: lufs(self.momentary_max),
            short_term_max_lufs: lufs(self.short_term_max),
            range_lu: None,
        };
        tail.iter().for_each(|&energy| self.tick(energy));
        found.range_lu = self.gating.range();
        found
    }
}

/// 10 ms pieces that [`Windows::finish`] wants: see [`APPENDED`].
pub(crate) const TAIL: usize = APPENDED * HUNDRED;

/// A loudness meter alone: for matching levels and for rough mixes, where no other figure counts.
#[derive(Clone, Debug)]
pub struct Loudness {
    ticks: Ticks,
    filter: KWeight,
    weights: Vec<f64>,
    windows: Windows,
}

impl Loudness {
    /// All channels count as front channels (weight 1), as those of mono and stereo do.
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self::weighted(rate_hz, &vec![1.0; channels])
    }

    /// With one weight a channel (BS.1770-5 Annex 1 Table 3: left and right surround 1.41).
    pub fn weighted(rate_hz: u32, weights: &[f64]) -> Self {
        Self {
            ticks: Ticks::new(rate_hz, weights.len()),
            filter: KWeight::new(rate_hz, weights.len()),
            weights: weights.to_vec(),
            windows: Windows::new(rate_hz),
        }
    }

    /// The next frames, one channel for each weight.
    pub fn push(&mut self, block: &Block) {
        let Self {
            ticks,
            filter,
            weights,
            windows,
        } = self;
        ticks.push(block, |tick| windows.tick(energy(filter, weights, tick)));
    }

    /// The 100 ms energies.
    pub fn finish(self) -> Gating {
        self.windows.gating
    }
}

fn energy(filter: &mut KWeight, weights: &[f64], tick: &Tick) -> f64 {
    let channels = tick.channels.iter().zip(weights).enumerate();
    channels
        .map(|(i, ((samples, _), weight))| weight * filter.energy(i, samples))
        .sum()
}

#[cfg(test)]
mod tests;
