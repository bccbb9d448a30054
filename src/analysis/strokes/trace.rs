//! [`Listener`] hears one track from start to end and leaves a [`Trace`]: what all decisions about
//! hits go by, twelve bytes a millisecond.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::analysis::strokes::bank::{BANDS, Bank};
use crate::analysis::strokes::onset::{self, Onset};
use crate::block::Block;
use crate::dsp::maths;
use crate::error::{Error, Result};
use crate::measure::lanes;
use crate::session::Family;

/// Step of a band level in decibels, and the level of step 0, which also stands for silence.
const LEVEL_STEP_DB: f64 = 0.625;
const LEVEL_FLOOR_DB: f64 = -132.0;
/// The same for peaks.
pub(crate) const PEAK_STEP_DB: f64 = 0.0025;
const PEAK_FLOOR_DB: f64 = -136.0;

/// Marks a stored trace and its version.
const MAGIC: &[u8; 8] = b"bhtrace2";

/// Parts of a millisecond in which attacks are kept: sound travels nine centimetres in one.
pub(crate) const PARTS: usize = 4;
/// The bands that an attack is heard in, above the ring of any drum.
const ATTACK_BANDS: std::ops::Range<usize> = 4..BANDS;

/// Steps of a mean square, without a logarithm: a sixteenth of an octave, which the bits of a number
/// tell, holds one border between steps at most.
struct Steps {
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
    fn of(&self, power: f64) -> u8 {
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

static STEPS: LazyLock<Steps> = LazyLock::new(Steps::new);

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

fn peak_step(peak: f64) -> u16 {
    if peak <= 0.0 {
        return 0;
    }
    let steps = (20.0 * maths::log10(peak) - PEAK_FLOOR_DB) / PEAK_STEP_DB;
    (steps.max(0.0) + 0.5) as u16
}

/// First sample of a millisecond.
pub(crate) fn sample_of_ms(ms: u64, rate_hz: u32) -> u64 {
    (ms * u64::from(rate_hz)).div_ceil(1000)
}

/// What was heard of one track. Levels are mean squares of six bands a millisecond (of a stereo
/// track: the sum of both channels), in steps of 0.625 dB; attacks are those of the two highest bands
/// together, a quarter of a millisecond each; peaks are the largest absolute sample of each
/// millisecond (of both channels), in steps of 0.0025 dB. Times are whole milliseconds from the start
/// of the track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Frames a second of the track.
    pub rate_hz: u32,
    /// Frames of the track.
    pub frames: u64,
    /// Band levels in steps, one row a millisecond.
    pub(crate) levels: Vec<[u8; BANDS]>,
    /// Levels from 1.8 to 12 kHz in steps, four a millisecond.
    pub(crate) attacks: Vec<[u8; PARTS]>,
    /// Peaks in steps, one a millisecond.
    pub(crate) peaks: Vec<u16>,
    /// Where something was struck, whichever drum it was.
    pub onsets: Vec<Onset>,
}

impl Trace {
    /// Length in milliseconds; a last one that is not full counts.
    pub fn len_ms(&self) -> usize {
        self.peaks.len()
    }

    /// Largest absolute sample from `first_ms` on, for `count` milliseconds, in dBFS, rounded to
    /// 0.01 dB; `None` for silence or outside the track.
    pub fn peak_dbfs(&self, first_ms: i64, count: usize) -> Option<f64> {
        let first = usize::try_from(first_ms.max(0)).ok()?;
        let last = usize::try_from(first_ms + count as i64)
            .ok()?
            .min(self.peaks.len());
        let step = *self.peaks.get(first..last)?.iter().max()?;
        let db = PEAK_FLOOR_DB + PEAK_STEP_DB * f64::from(step);
        (step > 0).then(|| crate::units::round_to(db, 2))
    }

    /// The largest absolute sample of each millisecond as a ratio, to 0.0013 dB.
    pub fn peak_ratios(&self) -> Vec<f32> {
        // A product of two: 65,536 powers would be dear.
        let power = |steps: usize| maths::db_to_ratio(PEAK_STEP_DB * steps as f64) as f32;
        let coarse: [f32; 256] = std::array::from_fn(|i| power(i << 8));
        let floor = maths::db_to_ratio(PEAK_FLOOR_DB) as f32;
        let fine: [f32; 256] = std::array::from_fn(|i| floor * power(i));
        let ratio = |&step: &u16| match step {
            0 => 0.0,
            _ => coarse[usize::from(step >> 8)] * fine[usize::from(step & 255)],
        };
        self.peaks.iter().map(ratio).collect()
    }

    /// The same as bytes, to be kept in a file.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(40 + self.peaks.len() * 12 + self.onsets.len() * 6);
        bytes.extend(MAGIC);
        bytes.extend(self.rate_hz.to_le_bytes());
        bytes.extend(self.frames.to_le_bytes());
        bytes.extend((self.peaks.len() as u64).to_le_bytes());
        bytes.extend((self.onsets.len() as u64).to_le_bytes());
        bytes.extend(self.levels.iter().flatten());
        bytes.extend(self.attacks.iter().flatten());
        bytes.extend(self.peaks.iter().flat_map(|p| p.to_le_bytes()));
        for onset in &self.onsets {
            bytes.extend(onset.at_ms.to_le_bytes());
            bytes.extend(onset.strength.to_le_bytes());
        }
        bytes
    }

    /// Reads what [`Trace::to_bytes`] wrote. Anything else is an error: the track has to be heard
    /// again.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self> {
        let bad = || Error::new(crate::error::Kind::File, "not a trace of this version");
        let mut rest = bytes;
        let mut take = |count: usize| {
            let (head, tail) = rest.split_at_checked(count).ok_or_else(bad)?;
            rest = tail;
            Ok::<_, Error>(head)
        };
        if take(8)? != MAGIC {
            return Err(bad());
        }
        let rate_hz = u32::from_le_bytes(array(take(4)?)?);
        let frames = u64::from_le_bytes(array(take(8)?)?);
        let count = usize::try_from(u64::from_le_bytes(array(take(8)?)?)).map_err(|_| bad())?;
        let onset_count =
            usize::try_from(u64::from_le_bytes(array(take(8)?)?)).map_err(|_| bad())?;
        let size = |n: usize, each: usize| n.checked_mul(each).ok_or_else(bad);
        let levels = take(size(count, BANDS)?)?.as_chunks().0.to_vec();
        let attacks = take(size(count, PARTS)?)?.as_chunks().0.to_vec();
        let peaks = take(size(count, 2)?)?
            .as_chunks()
            .0
            .iter()
            .map(|&b| u16::from_le_bytes(b))
            .collect();
        let onsets = take(size(onset_count, 6)?)?
            .as_chunks()
            .0
            .iter()
            .map(|&[a, b, c, d, e, f]| Onset {
                at_ms: u32::from_le_bytes([a, b, c, d]),
                strength: u16::from_le_bytes([e, f]),
            })
            .collect();
        Ok(Self {
            rate_hz,
            frames,
            levels,
            attacks,
            peaks,
            onsets,
        })
    }
}

fn array<const N: usize>(bytes: &[u8]) -> Result<[u8; N]> {
    bytes
        .try_into()
        .map_err(|_| Error::new(crate::error::Kind::File, "not a trace of this version"))
}

/// First sample of a part of a millisecond, counted from the start of the track.
fn sample_of_part(part: u64, rate_hz: u32) -> u64 {
    (part * u64::from(rate_hz)).div_ceil(1000 * PARTS as u64)
}

/// Hears a track block by block; keeps twelve bytes a millisecond.
#[derive(Clone, Debug)]
pub struct Listener {
    family: Family,
    rate_hz: u32,
    banks: Vec<Bank>,
    /// Frames so far.
    frame: u64,
    /// Parts of milliseconds that are over, and the first frame of the next one.
    parts: u64,
    next: u64,
    /// Energies of the millisecond, and of the part of it.
    sums: [f64; BANDS],
    part: [f64; BANDS],
    peak: f64,
    /// First frames of the millisecond and of the part.
    begun: u64,
    part_begun: u64,
    levels: Vec<[u8; BANDS]>,
    attack: [u8; PARTS],
    attacks: Vec<[u8; PARTS]>,
    peaks: Vec<u16>,
}

impl Listener {
    /// For a track of this family, rate (8,000 to 384,000 Hz) and number of channels.
    pub fn new(family: Family, rate_hz: u32, channels: usize) -> Self {
        Self {
            family,
            rate_hz,
            banks: vec![Bank::new(rate_hz); channels],
            frame: 0,
            parts: 0,
            next: sample_of_part(1, rate_hz),
            sums: [0.0; BANDS],
            part: [0.0; BANDS],
            peak: 0.0,
            begun: 0,
            part_begun: 0,
            levels: Vec::new(),
            attack: [0; PARTS],
            attacks: Vec::new(),
            peaks: Vec::new(),
        }
    }

    /// The next frames; finite samples only.
    pub fn push(&mut self, block: &Block) {
        let mut at = 0;
        while at < block.frames() {
            let left = (self.next - self.frame) as usize;
            let count = left.min(block.frames() - at);
            for (bank, channel) in self.banks.iter_mut().zip(block.channels()) {
                let samples = &channel[at..at + count];
                self.peak = self.peak.max(lanes::peak(samples));
                bank.run(samples, &mut self.part);
            }
            at += count;
            self.frame += count as u64;
            if self.frame == self.next {
                self.close_part();
            }
        }
    }

    fn close_part(&mut self) {
        let frames = (self.frame - self.part_begun) as f64;
        let attack: f64 = self.part[ATTACK_BANDS].iter().sum();
        self.attack[(self.parts % PARTS as u64) as usize] = STEPS.of(attack / frames);
        for (sum, part) in self.sums.iter_mut().zip(self.part) {
            *sum += part;
        }
        self.part = [0.0; BANDS];
        self.part_begun = self.frame;
        self.parts += 1;
        self.next = sample_of_part(self.parts + 1, self.rate_hz);
        if self.parts.is_multiple_of(PARTS as u64) {
            self.close_ms();
        }
    }

    fn close_ms(&mut self) {
        let frames = (self.frame - self.begun) as f64;
        self.levels.push(self.sums.map(|s| STEPS.of(s / frames)));
        self.attacks.push(std::mem::take(&mut self.attack));
        self.peaks.push(peak_step(self.peak));
        self.begun = self.frame;
        self.sums = [0.0; BANDS];
        self.peak = 0.0;
        for bank in &mut self.banks {
            bank.settle();
        }
    }

    /// What was heard.
    pub fn finish(mut self) -> Trace {
        if self.frame > self.part_begun {
            self.close_part();
        }
        if self.frame > self.begun {
            self.close_ms();
        }
        let onsets = onset::detect(self.family, &self.levels);
        Trace {
            rate_hz: self.rate_hz,
            frames: self.frame,
            levels: self.levels,
            attacks: self.attacks,
            peaks: self.peaks,
            onsets,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::testbed::{Kit, Rig, Rng, Style, pattern, record};

    fn hear(samples: &[f64], family: Family, rate_hz: u32, sizes: &[usize]) -> Trace {
        let mut listener = Listener::new(family, rate_hz, 1);
        let mut at = 0;
        for size in sizes.iter().cycle() {
            if at >= samples.len() {
                break;
            }
            let end = (at + size).min(samples.len());
            listener.push(&Block::from_channels(vec![samples[at..end].to_vec()]));
            at = end;
        }
        listener.finish()
    }

    fn kicks() -> (Vec<f64>, Vec<f64>) {
        let kit = Kit::synthetic(1, 48_000.0);
        let mut rng = Rng::new(5);
        let strokes = pattern(Style::Double, 8.0, &mut rng);
        let take = record(
            &kit,
            &strokes,
            Rig {
                seconds: 9.0,
                ..Rig::with_bleed(-12.0)
            },
            &mut rng,
        );
        let truth = take
            .strokes
            .iter()
            .filter(|s| s.voice == crate::analysis::testbed::Voice::Kick)
            .map(|s| s.at_s * 1000.0)
            .collect();
        (take.mics[0].own.clone(), truth)
    }

    #[test]
    fn the_step_of_a_mean_square_is_the_rounded_level() {
        let mut rng = Rng::new(9);
        for _ in 0..100_000 {
            let db = rng.uniform(-160.0, 80.0);
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

    #[test]
    fn clean_kicks_at_sixteen_a_second_are_found() {
        let (sound, truth) = kicks();
        let trace = hear(&sound, Family::Kick, 48_000, &[4096]);
        let found = |t: f64| {
            trace
                .onsets
                .iter()
                .any(|o| (f64::from(o.at_ms) - t).abs() < 8.0)
        };
        let hit = truth.iter().filter(|&&t| found(t)).count();
        assert!(
            hit as f64 >= 0.98 * truth.len() as f64,
            "{hit} of {}",
            truth.len()
        );
        assert!(
            hit as f64 >= 0.95 * trace.onsets.len() as f64,
            "{hit} of {}",
            trace.onsets.len()
        );
    }

    #[test]
    fn block_sizes_leave_no_trace() {
        let (sound, _) = kicks();
        let sound = &sound[..100_000];
        let whole = hear(sound, Family::Snare, 44_100, &[sound.len()]);
        assert_eq!(
            whole,
            hear(sound, Family::Snare, 44_100, &[1, 7, 4096, 333])
        );
        assert_eq!(whole.len_ms(), 2268); // 2267.6
    }

    #[test]
    fn bytes_give_the_same_trace_again_and_nonsense_is_an_error() {
        let (sound, _) = kicks();
        let trace = hear(&sound[..50_000], Family::Kick, 48_000, &[4096]);
        let bytes = trace.to_bytes();
        assert_eq!(Trace::from_bytes(&bytes).ok(), Some(trace));
        for end in [0, 7, 20, bytes.len() - 1] {
            assert!(Trace::from_bytes(&bytes[..end]).is_err());
        }
        let mut lie = bytes.clone();
        lie[20..28].fill(0xff);
        assert!(Trace::from_bytes(&lie).is_err());
    }

    #[test]
    fn peaks_are_exact_to_a_hundredth_of_a_decibel() {
        let mut sound = vec![0.0; 4800];
        sound[480] = -0.5;
        let trace = hear(&sound, Family::Tom, 48_000, &[64]);
        assert_eq!(trace.peak_dbfs(10, 1), Some(-6.02));
        assert_eq!(trace.peak_dbfs(11, 30), None);
        assert_eq!(trace.peak_dbfs(-20, 31), Some(-6.02));
        assert_eq!(trace.peak_dbfs(5000, 30), None);
    }

    #[test]
    fn twenty_decibels_of_gain_move_no_onset() {
        let (sound, _) = kicks();
        let onsets = |gain: f64| {
            let sound: Vec<f64> = sound.iter().map(|x| x * gain).collect();
            hear(&sound, Family::Kick, 48_000, &[4096]).onsets
        };
        let (a, b) = (onsets(1.0), onsets(0.1));
        assert!(a.len().abs_diff(b.len()) <= 1);
    }

    #[test]
    fn foreign_samples_do_not_panic() {
        let trace = hear(
            &[f64::NAN, f64::INFINITY, 1e300, 0.0],
            Family::Hat,
            8000,
            &[3],
        );
        assert_eq!(trace.len_ms(), 1);
        assert_eq!(Listener::new(Family::Kick, 48_000, 0).finish().len_ms(), 0);
    }
}
