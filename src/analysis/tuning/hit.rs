//! What one stroke shows of a drum's tuning.

use serde::{Deserialize, Serialize};

use crate::analysis::tuning::fade::Fade;

/// Lines of a stroke that are remembered beside its fundamental.
const BESIDE: usize = 3;

/// The pitch of one hit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HitTuning {
    /// Early pitch of the fundamental, in as much of the window as there is.
    pub fundamental_hz: f64,
    /// Amplitude of its line over the strongest one in the range of the drum.
    pub amplitude: f64,
    /// The strongest other lines within 10 dB of that one: frequency and amplitude.
    pub lines: [Option<(f64, f64)>; BESIDE],
    /// Whether `fundamental_hz` is one of the other lines, which all hits together show to be the
    /// fundamental: what else is known is of the line that this hit alone would name.
    pub beside: bool,
    /// The same in the window up to 120 ms, up to 160 ms, and in the whole of it.
    pub early_hz: [Option<f64>; 3],
    /// Time for 60 dB of the fundamental, where it fades within the window.
    pub ring_s: Option<f64>,
    /// The strongest ring at 1.4 to 2.3 times the fundamental.
    pub next_partial_hz: Option<f64>,
    /// Its time for 60 dB.
    pub next_ring_s: Option<f64>,
    /// Its ring over that of the fundamental, in decibels.
    pub next_level_db: Option<f64>,
    /// The fundamental 100 to 500 ms after the stroke, where enough of that is its own ring.
    pub settled_hz: Option<f64>,
    /// How fast it fades at first and later.
    pub fade: Fade,
    /// How hard, for comparing takes: energy in the own mic over 10 ms.
    pub force_db: Option<f64>,
    /// How far the ring stands above what sounded before the stroke, in decibels.
    pub clear_db: f64,
}

impl HitTuning {
    /// How much it counts: a ring that bleed is near to counts less, and one that was cut short.
    pub(crate) fn weight(&self) -> f64 {
        let length = self.early_hz.iter().flatten().count().max(1) as f64;
        weight(self.clear_db) * length
    }

    /// Frequency and amplitude of all its lines.
    pub(crate) fn all_lines(&self) -> impl Iterator<Item = (f64, f64)> {
        let own = [Some((self.fundamental_hz, self.amplitude))];
        own.into_iter().chain(self.lines).flatten()
    }

    /// The line near a frequency (`within` is a logarithm of a ratio): its own fundamental, else the
    /// strongest of the others.
    pub(crate) fn line_near(&self, hz: f64, within: f64) -> Option<(f64, f64)> {
        let near = |line: &(f64, f64)| (line.0 / hz).ln().abs() < within;
        let own = Some((self.fundamental_hz, self.amplitude)).filter(near);
        own.or_else(|| {
            let others = self.lines.into_iter().flatten().filter(near);
            others.max_by(|a, b| a.1.total_cmp(&b.1))
        })
    }

    /// The hit with its line near a frequency as its fundamental.
    pub(crate) fn read_near(&self, hz: f64, within: f64) -> Option<Self> {
        let near @ (fundamental_hz, amplitude) = self.line_near(hz, within)?;
        let mut others = self.all_lines().filter(|line| *line != near);
        Some(Self {
            fundamental_hz,
            amplitude,
            lines: std::array::from_fn(|_| others.next()),
            beside: self.beside || fundamental_hz != self.fundamental_hz,
            ..*self
        })
    }

    /// Brings its pitch down or up by a ratio.
    pub(crate) fn shift(&mut self, ratio: f64) {
        self.fundamental_hz *= ratio;
        self.lines.iter_mut().flatten().for_each(|l| l.0 *= ratio);
    }
}

/// How much a ring counts that stands so far above what sounded before it.
pub(crate) fn weight(clear_db: f64) -> f64 {
    clear_db.clamp(1.0, 30.0)
}

#[cfg(test)]
impl HitTuning {
    /// A clear hit of this pitch, of which nothing else is known.
    pub(crate) fn plain(fundamental_hz: f64) -> Self {
        Self {
            fundamental_hz,
            amplitude: 1.0,
            lines: [None; BESIDE],
            beside: false,
            early_hz: [None; 3],
            ring_s: Some(0.3),
            next_partial_hz: None,
            next_ring_s: None,
            next_level_db: None,
            settled_hz: None,
            fade: Fade::default(),
            force_db: None,
            clear_db: 20.0,
        }
    }
}
