//! [`Listener`] hears one track from start to end and leaves a [`Trace`]: what all decisions about
//! hits go by, twelve bytes a millisecond.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};

use crate::analysis::strokes::bank::{ATTACK_BANDS, BANDS, Bank};
use crate::analysis::strokes::onset::{self, Onset};
use crate::analysis::strokes::rows::{BYTES, Growing, PARTS, Row, Rows};
use crate::analysis::strokes::steps::{PEAK_FLOOR_DB, STEPS, peak_step};
pub(crate) use crate::analysis::strokes::steps::{PEAK_STEP_DB, powers};
use crate::block::Block;
use crate::error::{Error, Kind, Result};
use crate::measure::lanes;
use crate::session::Family;

/// Marks a stored trace and its version.
const MAGIC: &[u8] = b"bhtrace3";
/// Bytes of what stands before the rows, and of an onset behind them.
const HEAD: usize = 8 + 4 + 3 * 8 + 4 * BANDS;
const ONSET: usize = 6;

/// What was heard of one track. Levels are mean squares of six bands a millisecond (of a stereo
/// track: the sum of both channels), in steps of 0.625 dB; attacks are those of the two highest bands
/// together, a quarter of a millisecond each; peaks are the largest absolute sample of each
/// millisecond (of both channels), in steps of 0.0025 dB. Times are whole milliseconds from the start
/// of the track.
#[derive(Debug)]
pub struct Trace {
    /// Frames a second of the track.
    pub rate_hz: u32,
    /// Frames of the track.
    pub frames: u64,
    rows: Rows,
    /// Below this a rise of a band does not count.
    pub(crate) floors: [f32; BANDS],
    /// Where something was struck, whichever drum it was.
    pub onsets: Vec<Onset>,
}

impl Trace {
    /// Length in milliseconds; a last one that is not full counts.
    pub fn len_ms(&self) -> usize {
        self.rows.len()
    }

    /// Whether all of it is in memory; of others only the pages that were asked for last are.
    pub fn is_in_memory(&self) -> bool {
        self.rows.is_in_memory()
    }

    /// All that is kept of a millisecond.
    pub(crate) fn row(&self, ms: usize) -> Option<Row> {
        self.rows.get(ms)
    }

    /// Band levels of a millisecond, in steps.
    pub(crate) fn levels(&self, ms: usize) -> Option<[u8; BANDS]> {
        Some(self.rows.get(ms)?.levels)
    }

    /// Its peak, in steps.
    pub(crate) fn peak(&self, ms: usize) -> Option<u16> {
        Some(self.rows.get(ms)?.peak)
    }

    /// The largest of all.
    pub(crate) fn top(&self) -> Option<u16> {
        self.rows.iter().map(|row| row.peak).max()
    }

    /// Largest absolute sample from `first_ms` on, for `count` milliseconds, in dBFS, rounded to
    /// 0.01 dB; `None` for silence or outside the track.
    pub fn peak_dbfs(&self, first_ms: i64, count: usize) -> Option<f64> {
        let first = usize::try_from(first_ms.max(0)).ok()?;
        let last = usize::try_from(first_ms + count as i64).ok()?;
        let peaks = (first..last.min(self.len_ms())).filter_map(|ms| self.peak(ms));
        let step = peaks.max()?;
        let db = PEAK_FLOOR_DB + PEAK_STEP_DB * f64::from(step);
        (step > 0).then(|| crate::units::round_to(db, 2))
    }

    /// An error if something of it could not be read when it was asked for, or not be kept.
    pub fn whole(&self) -> Result<()> {
        match self.rows.lost() {
            None => Ok(()),
            Some(error) => Err(Error::new(
                Kind::Environment,
                format!("what was heard of a track cannot be kept or read again: {error}"),
            )),
        }
    }

    /// Writes all of it, to be read by [`Trace::read`].
    pub fn write(&self, sink: &mut dyn Write) -> io::Result<()> {
        let mut head = Vec::with_capacity(HEAD);
        head.extend(MAGIC);
        head.extend(self.rate_hz.to_le_bytes());
        head.extend(self.frames.to_le_bytes());
        head.extend((self.len_ms() as u64).to_le_bytes());
        head.extend((self.onsets.len() as u64).to_le_bytes());
        head.extend(self.floors.iter().flat_map(|floor| floor.to_le_bytes()));
        sink.write_all(&head)?;
        self.rows.write(&mut *sink)?;
        for onset in &self.onsets {
            sink.write_all(&onset.at_ms.to_le_bytes())?;
            sink.write_all(&onset.strength.to_le_bytes())?;
        }
        Ok(())
    }

    /// Reads what was written to `source` from `first` on. Of more milliseconds than `in_memory` only
    /// those that are asked for are read, when they are.
    ///
    /// # Errors
    /// It is something else: the track has to be heard again.
    pub fn read(
        mut source: impl Read + Seek + Send + 'static,
        first: u64,
        in_memory: usize,
    ) -> io::Result<Self> {
        let bad = || io::Error::from(io::ErrorKind::InvalidData);
        let length = source.seek(SeekFrom::End(0))?;
        source.seek(SeekFrom::Start(first))?;
        let mut head = [0; HEAD];
        source.read_exact(&mut head)?;
        let mut rest = &head[..];
        if rest.split_off(..8) != Some(MAGIC) {
            return Err(bad());
        }
        let rate_hz = u32::from_le_bytes(array(&mut rest)?);
        let frames = u64::from_le_bytes(array(&mut rest)?);
        let count = u64::from_le_bytes(array(&mut rest)?);
        let onsets = u64::from_le_bytes(array(&mut rest)?);
        let mut floors = [0.0; BANDS];
        for floor in &mut floors {
            *floor = f32::from_le_bytes(array(&mut rest)?);
        }
        let first = first + HEAD as u64;
        let size = |count: u64, each: usize| count.checked_mul(each as u64).ok_or_else(bad);
        let behind = size(count, BYTES)?.checked_add(first).ok_or_else(bad)?;
        if size(onsets, ONSET)?.checked_add(behind) != Some(length) {
            return Err(bad());
        }
        source.seek(SeekFrom::Start(behind))?;
        let mut bytes = Vec::new();
        source.read_to_end(&mut bytes)?;
        let onset = |&[a, b, c, d, e, f]: &[u8; ONSET]| Onset {
            at_ms: u32::from_le_bytes([a, b, c, d]),
            strength: u16::from_le_bytes([e, f]),
        };
        Ok(Self {
            rate_hz,
            frames,
            rows: Rows::read(Box::new(source), first, count as usize, in_memory)?,
            floors,
            onsets: bytes.as_chunks().0.iter().map(onset).collect(),
        })
    }
}

/// The next bytes of `rest`.
fn array<const N: usize>(rest: &mut &[u8]) -> io::Result<[u8; N]> {
    let (head, tail) = rest
        .split_first_chunk()
        .ok_or(io::ErrorKind::UnexpectedEof)?;
    *rest = tail;
    Ok(*head)
}

/// First sample of a part of a millisecond, counted from the start of the track.
fn sample_of_part(part: u64, rate_hz: u32) -> u64 {
    (part * u64::from(rate_hz)).div_ceil(1000 * PARTS as u64)
}

/// Hears a track block by block; keeps twelve bytes a millisecond.
#[derive(Debug)]
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
    attack: [u8; PARTS],
    rows: Growing,
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
            attack: [0; PARTS],
            rows: Growing::default(),
        }
    }

    /// Keeps what it hears in a file, and leaves a trace that reads it there.
    pub fn in_file(self, file: File) -> Self {
        Self {
            rows: Growing::into_file(file),
            ..self
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
        self.rows.push(Row {
            levels: self.sums.map(|s| STEPS.of(s / frames)),
            attacks: std::mem::take(&mut self.attack),
            peak: peak_step(self.peak),
        });
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
        let rows = self.rows.finish();
        let floors = onset::floors(&rows);
        Trace {
            rate_hz: self.rate_hz,
            frames: self.frame,
            onsets: onset::detect(self.family, &rows, &floors),
            floors,
            rows,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;
    use crate::measure::testing::{KICK, room, strike};

    fn hear(samples: &[f64], family: Family, rate_hz: u32, sizes: &[usize]) -> Trace {
        hear_by(Listener::new(family, rate_hz, 1), samples, sizes)
    }

    fn hear_by(mut listener: Listener, samples: &[f64], sizes: &[usize]) -> Trace {
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

    /// What the mic of a kick hears that plays sixteen strokes a second alone, and the milliseconds of its
    /// strokes.
    fn kicks() -> (Vec<f64>, Vec<f64>) {
        let mut random = Random::new(5);
        let mut sound = vec![0.0; 9 * 48_000];
        room(&mut sound, &mut random);
        let mut truth = Vec::new();
        for i in 0..128 {
            let at_s = 0.1 + f64::from(i) / 16.0 + random.normal(0.004);
            let at = (at_s * 48_000.0) as usize;
            strike(
                &mut sound,
                48_000,
                at,
                &KICK,
                random.between(0.6, 0.9),
                &mut random,
            );
            truth.push(at_s * 1000.0);
        }
        (sound, truth)
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
        let pieces = hear(sound, Family::Snare, 44_100, &[1, 7, 4096, 333]);
        assert_eq!(bytes(&whole), bytes(&pieces));
        assert_eq!(whole.len_ms(), 2268); // 2267.6
    }

    fn bytes(trace: &Trace) -> Vec<u8> {
        let mut bytes = b"before".to_vec();
        trace.write(&mut bytes).unwrap();
        bytes
    }

    #[test]
    fn bytes_give_the_same_trace_again_and_nonsense_is_an_error() {
        let (sound, _) = kicks();
        let trace = hear(&sound[..50_000], Family::Kick, 48_000, &[4096]);
        let whole = bytes(&trace);
        let read =
            |bytes: &[u8], in_memory| Trace::read(io::Cursor::new(bytes.to_vec()), 6, in_memory);
        for in_memory in [0, usize::MAX] {
            let again = read(&whole, in_memory).unwrap();
            assert_eq!(again.is_in_memory(), in_memory > 0);
            assert_eq!(bytes(&again), whole);
            assert_eq!(again.floors, trace.floors);
        }
        for end in [0, 7, 26, whole.len() - 1] {
            assert!(read(&whole[..end], usize::MAX).is_err());
        }
        let mut lie = whole.clone();
        lie[26..34].fill(0xff);
        assert!(read(&lie, usize::MAX).is_err());
    }

    #[test]
    fn a_track_heard_into_a_file_leaves_the_same_trace() {
        // long enough for several pages, and for onsets to be looked for in several parts
        let (sound, _) = kicks();
        let sound: Vec<f64> = sound
            .iter()
            .cycle()
            .take(8 * sound.len())
            .copied()
            .collect();
        let listener = || Listener::new(Family::Kick, 48_000, 1);
        let memory = hear_by(listener(), &sound, &[4096]);
        let file = hear_by(
            listener().in_file(tempfile::tempfile().unwrap()),
            &sound,
            &[4096],
        );
        assert!(memory.is_in_memory() && !file.is_in_memory());
        assert!(memory.onsets.len() > 500 && file.whole().is_ok());
        assert_eq!(bytes(&memory), bytes(&file));
        assert_eq!(memory.peak_dbfs(100, 5000), file.peak_dbfs(100, 5000));
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
