//! The steps in which levels and peaks are kept.

use std::sync::LazyLock;

use crate::dsp::maths;

/// Step of a band level in decibels, and the level of step 0, which also stands for silence.
const LEVEL_STEP_DB: f64 = 0.625;
const LEVEL_FLOOR_DB: f64 = -132.0;
/// The same for peaks.
pub(crate) const PEAK_STEP_DB: f64 = 0.0025;
pub(crate) const PEAK_FLOOR_DB: f64 = -136.0;

/// Steps of a mean square, without a logarithm: a sixteenth of an octave, which the bits of a number
/// tell, holds one border between steps at most.
pub(crate) struct Steps {
    /// For each sixteenth of an octave from `first` on: the step at its start, and the mean square
    /// from which on it is the next one.
    parts: Vec<(u8, f64)>,
    first: u64,
}

impl Steps {
    /// Bits of a number below those that tell its sixteenth of an octave.
    const FINE_BITS: u32 = 48;

    fn new() -> Self {
        let steps =
            |power: f64| (10.0 * maths::log10(power) - LEVEL_FLOOR_DB) / LEVEL_STEP_DB + 0.5;
        let part = |power: f64| power.to_bits() >> Self::FINE_BITS;
        let border = |step: f64| power_at(step - 0.5);
        let (first, last) = (part(border(1.0)), part(border(256.0)));
        let parts = (first..last).map(|part| {
            let step = steps(f64::from_bits(part << Self::FINE_BITS)).max(0.0) as u8;
            (step, border(f64::from(step) + 1.0))
        });
        Self {
            parts: parts.collect(),
            first,
        }
    }

    /// The nearest step of a mean square, which is not negative.
    pub fn of(&self, power: f64) -> u8 {
        let part = power.to_bits() >> Self::FINE_BITS;
        match part.checked_sub(self.first) {
            None => 0,
            Some(part) => match self.parts.get(part as usize) {
                None => u8::MAX,
                Some(&(step, next)) => step.saturating_add(u8::from(power >= next)),
            },
        }
    }
}

pub(crate) static STEPS: LazyLock<Steps> = LazyLock::new(Steps::new);

/// Mean square at a step, or between two.
fn power_at(step: f64) -> f64 {
    maths::pow(10.0, (LEVEL_FLOOR_DB + LEVEL_STEP_DB * step) / 10.0)
}

/// Mean square for each step.
pub(crate) fn powers() -> [f32; 256] {
    let mut table = [0.0; 256];
    for (step, power) in table.iter_mut().enumerate().skip(1) {
        *power = power_at(step as f64) as f32;
    }
    table
}

/// The nearest step of a peak.
pub(crate) fn peak_step(peak: f64) -> u16 {
    if peak <= 0.0 {
        return 0;
    }
    let steps = (20.0 * maths::log10(peak) - PEAK_FLOOR_DB) / PEAK_STEP_DB;
    (steps.max(0.0) + 0.5) as u16
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;

    #[test]
    fn the_step_of_a_mean_square_is_the_rounded_level() {
        let mut rng = Random::new(9);
        for _ in 0..100_000 {
            let db = rng.between(-160.0, 80.0);
            let power = maths::pow(10.0, db / 10.0);
            let want = ((db - LEVEL_FLOOR_DB) / LEVEL_STEP_DB)
                .round()
                .clamp(0.0, 255.0);
            assert_eq!(STEPS.of(power), want as u8, "{db}");
        }
        assert_eq!(
            [0.0, 1e-300, 1e300, f64::INFINITY].map(|p| STEPS.of(p)),
            [0, 0, 255, 255]
        );
    }
}
