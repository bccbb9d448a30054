//! Lines in a spectrum, and the hum that they make.

use super::hum::Hum;
use crate::dsp::vertex;
use crate::units;

/// Harmonics of a hum, and how many lines make one: of mains, and of another fundamental.
const HARMONICS: usize = 8;
const LINES: usize = 2;
const LINES_ELSEWHERE: usize = 3;
/// Least level.
const LEAST_DBFS: f64 = -100.0;
/// Harmonics this far below the strongest line do not count: those of a rounded test tone.
const FAINT: f64 = 0.003;
/// A line stands 12 dB over the median beside it and 6 dB over the largest value there.
const OVER_MEDIAN: f64 = 4.0;
const OVER_LARGEST: f64 = 2.0;

/// Mains frequencies, and what they look like where the header's rate is wrong: the true rate, and
/// the one in the header, in kHz.
const FUNDAMENTALS: [(f64, f64, f64); 10] = [
    (50.0, 1.0, 1.0),
    (60.0, 1.0, 1.0),
    (50.0, 48.0, 44.1),
    (50.0, 44.1, 48.0),
    (60.0, 48.0, 44.1),
    (60.0, 44.1, 48.0),
    (50.0, 96.0, 48.0),
    (50.0, 48.0, 96.0),
    (60.0, 96.0, 48.0),
    (60.0, 48.0, 96.0),
];

/// Amplitudes of sines at multiples of `step_hz`.
pub(super) struct Spectrum {
    pub amplitudes: Vec<f64>,
    pub step_hz: f64,
    /// How far a line may lie from where it is looked for, and where its neighbourhood begins and ends.
    pub search_hz: f64,
    pub near_hz: f64,
    pub far_hz: f64,
}

impl Spectrum {
    /// The strongest hum. `response` is the gain that the spectrum was taken with.
    pub fn hum(&self, in_a_gap: bool, response: &impl Fn(f64) -> f64) -> Option<Hum> {
        let mut best: Option<Hum> = None;
        for (mains_hz, truth, header) in FUNDAMENTALS {
            let ratio = truth / header;
            let wrong = ratio != 1.0;
            let Some(hum) = self.series(mains_hz / ratio, in_a_gap, response) else {
                continue;
            };
            let enough = if wrong { LINES_ELSEWHERE } else { LINES };
            // half a fundamental explains all lines of the whole one: it must explain more
            let least = best.map_or(LEAST_DBFS, |b| b.level_dbfs + if wrong { 1.0 } else { 0.0 });
            if hum.lines >= enough && hum.level_dbfs > least {
                best = Some(Hum {
                    wrong_rate: wrong.then_some((mains_hz, ratio)),
                    ..hum
                });
            }
        }
        best
    }

    /// The lines of one fundamental.
    fn series(
        &self,
        nominal_hz: f64,
        in_a_gap: bool,
        response: &impl Fn(f64) -> f64,
    ) -> Option<Hum> {
        // mains wander by 0.2 Hz: the strongest harmonic tells by how much
        let wide = |h: usize| self.largest(nominal_hz * h as f64, 0.2 * h as f64);
        let near =
            (1..=HARMONICS).filter_map(|h| self.line(wide(h)?).map(|(hz, a)| (hz / h as f64, a)));
        let (base_hz, _) = near.max_by(|a, b| a.1.total_cmp(&b.1))?;
        let mut lines = Vec::new();
        for h in 1..=HARMONICS {
            let target = base_hz * h as f64;
            if let Some((hz, amplitude)) = self
                .largest(target, self.search_hz)
                .and_then(|i| self.line(i))
            {
                lines.push((h, hz, amplitude / response(hz)));
            }
        }
        let strongest = lines.iter().map(|(.., a)| *a).fold(0.0, f64::max);
        lines.retain(|(.., a)| *a >= FAINT * strongest);
        if lines.first().is_none_or(|&(h, ..)| h > 3) || self.others(base_hz) > lines.len() {
            return None;
        }
        let power: f64 = lines.iter().map(|(_, _, a)| a * a / 2.0).sum();
        let weight: f64 = lines.iter().map(|(h, _, a)| a * *h as f64).sum();
        let frequency_hz = lines
            .iter()
            .map(|(h, hz, a)| hz / *h as f64 * (a * *h as f64) / weight)
            .sum();
        Some(Hum {
            frequency_hz: units::round_to(frequency_hz, 2),
            level_dbfs: units::round_to(units::power_to_db(power)?, 1),
            lines: lines.len(),
            in_a_gap,
            wrong_rate: None,
        })
    }

    fn bin(&self, hz: f64) -> usize {
        (hz / self.step_hz).max(0.0) as usize
    }

    /// The largest bin within `span_hz` of a frequency.
    fn largest(&self, hz: f64, span_hz: f64) -> Option<usize> {
        let from = self.bin(hz - span_hz);
        let to = (self.bin(hz + span_hz) + 2).min(self.amplitudes.len());
        (from..to).max_by(|&a, &b| self.amplitudes[a].total_cmp(&self.amplitudes[b]))
    }

    /// Frequency and amplitude of a bin, if it is a line.
    fn line(&self, bin: usize) -> Option<(f64, f64)> {
        let a = &self.amplitudes;
        let (near, far) = (self.bin(self.near_hz), self.bin(self.far_hz));
        let below = &a[bin.saturating_sub(far)..bin.saturating_sub(near)];
        let above = a.get(bin + near..(bin + far).min(a.len()))?;
        let mut beside: Vec<f64> = below.iter().chain(above).copied().collect();
        let largest = beside.iter().copied().fold(0.0, f64::max);
        if beside.len() < 8 || a[bin] <= OVER_LARGEST * largest {
            return None;
        }
        let middle = beside.len() / 2;
        let median = *beside.select_nth_unstable_by(middle, f64::total_cmp).1;
        if a[bin] <= OVER_MEDIAN * median {
            return None;
        }
        let (left, top, right) = (*a.get(bin.wrapping_sub(1))?, a[bin], *a.get(bin + 1)?);
        let shift = vertex(left, top, right).unwrap_or(0.0).clamp(-0.5, 0.5);
        Some((
            (bin as f64 + shift) * self.step_hz,
            top - 0.25 * (left - right) * shift,
        ))
    }

    /// Lines that are no multiples of a fundamental: a pattern played to a strict tempo has lines
    /// at all its multiples, among them some at those of mains.
    fn others(&self, base_hz: f64) -> usize {
        let a = &self.amplitudes;
        let peak = |i: &usize| a[*i] > a[i - 1] && a[*i] >= a[i + 1];
        let mut count = 0;
        for bin in
            (self.bin(20.0).max(1)..a.len().saturating_sub(1 + self.bin(self.far_hz))).filter(peak)
        {
            let multiple = bin as f64 * self.step_hz / base_hz;
            let off_hz = (multiple - multiple.round()).abs() * base_hz;
            if off_hz > 2.0 * self.search_hz && self.line(bin).is_some() {
                count += 1;
            }
        }
        count
    }
}
