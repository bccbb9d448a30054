//! [`Matcher`]: how loud a drive's sound is, dry and distorted, before anything is rendered.
//!
//! One gain serves all takes of a mic, so the loudness is that of all of them together: each take
//! gives its gating blocks, they are joined, and the gates of ITU-R BS.1770-5 look at the whole.

use super::{Drive, Running, Settings};
use crate::block::Block;
use crate::maths;

/// Listens to the signal ahead of one drive, and to what the drive would make of it.
pub struct Matcher {
    drive: Box<dyn Running>,
    wet: Block,
    /// Frames of the distorted sound still to be dropped for the drive's latency.
    late: usize,
    dry_power: KPower,
    wet_power: KPower,
}

impl Matcher {
    /// `drive` must pass its `check` at this rate; its `mix` and `match_db` do not count.
    pub fn new(drive: &Drive, rate_hz: f64, channels: usize) -> Self {
        let alone = Drive {
            mix: 1.0,
            match_db: Some(0.0),
            ..drive.clone()
        };
        let drive = alone.start(rate_hz, channels);
        Self {
            late: drive.latency(),
            drive,
            wet: Block::default(),
            dry_power: KPower::new(rate_hz, channels),
            wet_power: KPower::new(rate_hz, channels),
        }
    }

    /// The next frames of the signal at the drive's input.
    pub fn push(&mut self, block: &Block) {
        self.dry_power.push(block);
        self.wet.clone_from(block);
        self.push_wet();
    }

    fn push_wet(&mut self) {
        self.drive.process(&mut self.wet);
        let drop = self.late.min(self.wet.frames());
        self.late -= drop;
        self.wet.drop_front(drop);
        self.wet_power.push(&self.wet);
    }

    /// The end of the take.
    pub fn finish(mut self) -> Loudness {
        let channels = self.wet.count();
        self.wet = Block::new(channels, self.drive.latency());
        self.push_wet();
        Loudness {
            dry: self.dry_power.blocks,
            wet: self.wet_power.blocks,
        }
    }
}

/// What a drive's sound measures: K-weighted powers of 400 ms blocks every 100 ms, ungated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Loudness {
    /// Ahead of the drive.
    pub dry: Vec<f64>,
    /// Behind it, not matched.
    pub wet: Vec<f64>,
}

impl Loudness {
    /// Adds another take of the same mic.
    pub fn join(&mut self, other: &Loudness) {
        self.dry.extend_from_slice(&other.dry);
        self.wet.extend_from_slice(&other.wet);
    }

    /// Integrated loudness ahead of the drive, LUFS; `None` where no block passes the gates.
    pub fn dry_lufs(&self) -> Option<f64> {
        integrated(&self.dry)
    }

    /// Integrated loudness behind the drive, LUFS, not matched.
    pub fn wet_lufs(&self) -> Option<f64> {
        integrated(&self.wet)
    }

    /// The `match_db` that makes both equally loud, rounded to 0.01 dB.
    pub fn match_db(&self) -> Option<f64> {
        let db = self.dry_lufs()? - self.wet_lufs()?;
        Some(crate::units::round_to(db, 2))
    }
}

/// LUFS of a mean square that has been K-weighted (BS.1770-5, Annex 1, equation 2).
fn lufs(power: f64) -> f64 {
    -0.691 + 10.0 * maths::log10(power)
}

/// Both gates of BS.1770-5, Annex 1, equations 4 to 7.
fn integrated(blocks: &[f64]) -> Option<f64> {
    let mean_above = |gate_lufs: f64| {
        let kept = blocks.iter().filter(|&&p| p > 0.0 && lufs(p) > gate_lufs);
        let (sum, count) = kept.fold((0.0, 0.0), |(sum, count), p| (sum + p, count + 1.0));
        (count > 0.0).then(|| lufs(sum / count))
    };
    mean_above(mean_above(-70.0)?.max(-60.0) - 10.0)
}

/// K-weighted powers, all channels weighted alike, as of front channels.
struct KPower {
    filters: Vec<[Section; 2]>,
    /// Frames a step of 100 ms.
    step: usize,
    filled: usize,
    sum: f64,
    /// Mean squares of the last steps of 100 ms, at most four.
    steps: Vec<f64>,
    blocks: Vec<f64>,
}

impl KPower {
    fn new(rate_hz: f64, channels: usize) -> Self {
        Self {
            filters: vec![k_weighting(rate_hz); channels],
            step: ((rate_hz / 10.0).round() as usize).max(1),
            filled: 0,
            sum: 0.0,
            steps: Vec::new(),
            blocks: Vec::new(),
        }
    }

    fn push(&mut self, block: &Block) {
        for frame in 0..block.frames() {
            for (filters, samples) in self.filters.iter_mut().zip(block.channels()) {
                let weighted = filters.iter_mut().fold(samples[frame], |x, f| f.next(x));
                self.sum += weighted * weighted;
            }
            self.filled += 1;
            if self.filled == self.step {
                self.steps.push(self.sum / self.step as f64);
                (self.filled, self.sum) = (0, 0.0);
                if self.steps.len() == 4 {
                    self.blocks.push(self.steps.iter().sum::<f64>() / 4.0);
                    self.steps.remove(0);
                }
            }
        }
    }
}

/// Second-order section, transposed direct form II.
#[derive(Clone)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    s: [f64; 2],
}

impl Section {
    fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.s[0];
        self.s[0] = super::envelope::flushed(self.b[1] * x - self.a[0] * y + self.s[1]);
        self.s[1] = super::envelope::flushed(self.b[2] * x - self.a[1] * y);
        y
    }
}

/// The two K-weighting filters of BS.1770-5, Annex 1, Tables 1 and 2, at any rate: analogue prototypes
/// that give the printed coefficients at 48 kHz, the high-pass scaled to the same pass band elsewhere.
fn k_weighting(rate_hz: f64) -> [Section; 2] {
    let section = |b: [f64; 3], a: [f64; 2]| Section { b, a, s: [0.0; 2] };
    let tan = |freq_hz: f64, rate_hz: f64| maths::tan(std::f64::consts::PI * freq_hz / rate_hz);

    let (k, q) = (tan(1_681.974_450_955_533, rate_hz), 0.707_175_236_955_419_6);
    let v = maths::db_to_ratio(3.999_843_853_973_347);
    let w = maths::pow(v, 0.499_666_774_154_541_6);
    let d = 1.0 + k / q + k * k;
    let shelf = section(
        [
            (v + w * k / q + k * k) / d,
            2.0 * (k * k - v) / d,
            (v - w * k / q + k * k) / d,
        ],
        [2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d],
    );

    let q = 0.500_327_037_323_877_3;
    let prototype = |rate_hz: f64| {
        let k = tan(38.135_470_876_024_44, rate_hz);
        (k, 1.0 + k / q + k * k)
    };
    let ((k, d), (_, d_48)) = (prototype(rate_hz), prototype(48_000.0));
    let g = d_48 / d;
    let high_pass = section(
        [g, -2.0 * g, g],
        [2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d],
    );
    [shelf, high_pass]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::drive::Curve;

    fn sine(amplitude: f64, freq_hz: f64, frames: usize) -> Vec<f64> {
        let step = 2.0 * std::f64::consts::PI * freq_hz / 48e3;
        (0..frames)
            .map(|n| amplitude * maths::sin(step * n as f64))
            .collect()
    }

    fn heard(drive: &Drive, samples: Vec<f64>) -> Loudness {
        let mut matcher = Matcher::new(drive, 48e3, 1);
        for part in samples.chunks(4096) {
            matcher.push(&Block::from_channels(vec![part.to_vec()]));
        }
        matcher.finish()
    }

    fn drive(curve: Curve, drive_db: f64) -> Drive {
        Drive {
            curve,
            drive_db,
            mix: 1.0,
            bias: 0.0,
            threshold_db: None,
            match_db: None,
        }
    }

    #[test]
    fn a_full_scale_sine_of_997_hz_reads_minus_3_01_lufs() {
        // BS.1770-5, Annex 1, after equation 7.
        let loudness = heard(&drive(Curve::Soft, 0.0), sine(1.0, 997.0, 96_000));
        assert!((loudness.dry_lufs().unwrap() + 3.01).abs() < 0.005);
    }

    #[test]
    fn blocks_ten_lu_below_the_rest_do_not_count() {
        // EBU Tech 3341, table 1, case 3, in one channel: 3.01 LU less.
        let mut samples = sine(maths::db_to_ratio(-36.0), 1000.0, 480_000);
        samples.extend(sine(maths::db_to_ratio(-23.0), 1000.0, 2_880_000));
        samples.extend(sine(maths::db_to_ratio(-36.0), 1000.0, 480_000));
        let mut power = KPower::new(48e3, 1);
        power.push(&Block::from_channels(vec![samples]));
        assert!((integrated(&power.blocks).unwrap() + 26.01).abs() < 0.1);
    }

    #[test]
    fn the_matched_sound_is_as_loud_as_the_dry_one() {
        let mut samples = Vec::new();
        for hit in 0..16 {
            let level = maths::db_to_ratio(-10.0 - f64::from(hit % 5));
            let tone = sine(level, 140.0 + 900.0 * f64::from(hit % 3), 12_000);
            let ring = |n: usize| maths::exp(-(n as f64) / 3000.0);
            samples.extend(tone.iter().enumerate().map(|(n, x)| x * ring(n)));
        }
        for curve in [
            Curve::Soft,
            Curve::Tube,
            Curve::Hard,
            Curve::Fold,
            Curve::Starve,
        ] {
            let mut settings = drive(curve, 14.0);
            let match_db = heard(&settings, samples.clone()).match_db().unwrap();
            settings.match_db = Some(match_db);
            let mut block = Block::from_channels(vec![samples.clone()]);
            settings.start(48e3, 1).process(&mut block);
            let (mut dry, mut wet) = (KPower::new(48e3, 1), KPower::new(48e3, 1));
            dry.push(&Block::from_channels(vec![samples.clone()]));
            wet.push(&block);
            let gap = integrated(&wet.blocks).unwrap() - integrated(&dry.blocks).unwrap();
            println!("{curve:?}: match {match_db} dB, off by {gap:.3} LU");
            assert!(gap.abs() < 0.1, "{curve:?}: {gap}");
        }
    }

    #[test]
    fn silence_and_takes_without_a_block_give_none() {
        let settings = drive(Curve::Hard, 20.0);
        assert_eq!(heard(&settings, vec![0.0; 96_000]).match_db(), None);
        assert_eq!(heard(&settings, sine(0.5, 100.0, 4_000)).match_db(), None);
        assert_eq!(
            Matcher::new(&settings, 48e3, 1).finish(),
            Loudness::default()
        );
    }

    #[test]
    fn joining_a_take_with_itself_changes_nothing() {
        let settings = drive(Curve::Soft, 12.0);
        let one = heard(&settings, sine(0.2, 300.0, 96_000));
        let mut two = one.clone();
        two.join(&one);
        assert_eq!(two.match_db(), one.match_db());
    }
}
