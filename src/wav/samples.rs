//! Bytes ↔ planar `f64`, a block at a time.
//!
//! - Reading: an integer of N bits is divided by 2^(N−1), which is exact.
//! - Writing: times 2^(N−1), plus dither where asked for, rounded to the nearest integer, halves to
//!   the even one. What was read and not touched comes back with the same bits, as long as no
//!   dither is added.
//! - What lies outside the range of an integer is clamped and counted. A float is written as it is
//!   and counted above ±1. A NaN or an infinity is written as 0 and counted.
//! - Dither: triangular, 2 LSB wide, of zero mean (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5),
//!   1992). Its value follows from seed, channel and frame number alone, so that how the stream is
//!   cut cannot be heard.

use multiversion::multiversion;

use super::format::Codec;
use crate::dsp::random::{STEP, mix};

/// Noise that makes the rounding error independent of the signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dither {
    /// For what must come back with the same bits, and for float.
    None,
    /// Triangular, 2 LSB wide. The same seed gives the same noise.
    Tpdf {
        /// Anything that differs between files.
        seed: u64,
    },
}

/// Samples that could not be written as they were.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lost {
    /// Beyond full scale: clamped in an integer file, kept in a float file.
    pub over_full_scale: u64,
    /// NaN or infinite: written as 0.
    pub non_finite: u64,
}

/// Reads whole frames from `bytes` into `channels`, from their index `at` on. The channels must
/// have room for them.
#[multiversion(targets("x86_64+avx2"))]
pub fn decode(codec: Codec, bytes: &[u8], channels: &mut [Vec<f64>], at: usize) {
    match codec {
        Codec::U8 => spread(bytes, channels, at, |[b]| (f64::from(b) - 128.0) / 128.0),
        Codec::I16 => spread(bytes, channels, at, |b| {
            f64::from(i16::from_le_bytes(b)) / 32_768.0
        }),
        Codec::I24 => spread(bytes, channels, at, |[a, b, c]| {
            f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0
        }),
        Codec::I32 => spread(bytes, channels, at, |b| {
            f64::from(i32::from_le_bytes(b)) / 2_147_483_648.0
        }),
        Codec::F32 => spread(bytes, channels, at, |b| f64::from(f32::from_le_bytes(b))),
        Codec::F64 => spread(bytes, channels, at, f64::from_le_bytes),
    }
}

/// Interleaved to planar: one pass a channel over a tile that stays in the cache.
#[inline(always)]
fn spread<const N: usize>(
    bytes: &[u8],
    channels: &mut [Vec<f64>],
    at: usize,
    value: impl Fn([u8; N]) -> f64,
) {
    let (samples, _) = bytes.as_chunks::<N>();
    let count = channels.len();
    if let [only] = channels {
        for (out, sample) in only[at..].iter_mut().zip(samples) {
            *out = value(*sample);
        }
        return;
    }
    for (index, channel) in channels.iter_mut().enumerate() {
        let own = samples.iter().skip(index).step_by(count);
        for (out, sample) in channel[at..].iter_mut().zip(own) {
            *out = value(*sample);
        }
    }
}

/// Turns samples into bytes.
#[derive(Clone, Debug)]
pub struct Encoder {
    codec: Codec,
    dither: Dither,
    lost: Lost,
}

impl Encoder {
    /// For [`Codec::I16`], [`Codec::I24`] or [`Codec::F32`]; a float takes no dither.
    pub fn new(codec: Codec, dither: Dither) -> Self {
        Self {
            codec,
            dither,
            lost: Lost::default(),
        }
    }

    /// What could not be written as it was, so far.
    pub fn lost(&self) -> Lost {
        self.lost
    }

    /// Writes one channel into its places among `bytes`, which hold frames of `count` channels.
    /// `first_frame` is the number of the first frame in the file.
    pub fn encode(
        &mut self,
        samples: &[f64],
        bytes: &mut [u8],
        channel: usize,
        count: usize,
        first_frame: u64,
    ) {
        let noise = match self.dither {
            Dither::Tpdf { seed } => Some(Tpdf::new(seed, channel, first_frame)),
            Dither::None => None,
        };
        let place = Place {
            bytes,
            channel,
            count,
        };
        let lost = fill(self.codec, place, samples, noise);
        self.lost.over_full_scale += lost.over_full_scale;
        self.lost.non_finite += lost.non_finite;
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn fill(codec: Codec, place: Place<'_>, samples: &[f64], noise: Option<Tpdf>) -> Lost {
    let two = |value: i32| (value as i16).to_le_bytes();
    let three = |value: i32| {
        let [a, b, c, _] = value.to_le_bytes();
        [a, b, c]
    };
    match codec {
        Codec::I16 => place.fill(samples, noise, rounded::<16>, quantised::<16>, two),
        Codec::I24 => place.fill(samples, noise, rounded::<24>, quantised::<24>, three),
        _ => place.fill(samples, None, single, float, i32::to_le_bytes),
    }
}

/// Where the samples of one channel go: every `count`th sample of `bytes`, from `channel` on.
struct Place<'a> {
    bytes: &'a mut [u8],
    channel: usize,
    count: usize,
}

/// Samples below this can neither reach full scale with their noise nor be no number.
const TAME: f64 = 0.999;

impl Place<'_> {
    /// In short runs, the arithmetic apart from the bytes, and without a check where the whole run
    /// is [`TAME`]: the compiler then does several samples at a time. `plain` and `checked` take a
    /// sample and its noise, and agree on all that is tame.
    #[inline(always)]
    fn fill<const N: usize>(
        self,
        samples: &[f64],
        mut noise: Option<Tpdf>,
        plain: impl Fn(f64, f64) -> i32,
        checked: impl Fn(f64, f64) -> Value,
        bytes_of: impl Fn(i32) -> [u8; N],
    ) -> Lost {
        const RUN: usize = 256;
        let (mut slots, _) = self.bytes.as_chunks_mut::<N>();
        let mut drawn = [0.0; RUN];
        let mut bits = [0; RUN];
        let mut lost = Lost::default();
        for run in samples.chunks(RUN) {
            if let Some(noise) = &mut noise {
                drawn[..run.len()].fill_with(|| noise.next_lsb());
            }
            let each = bits.iter_mut().zip(run.iter().zip(&drawn));
            if run.iter().fold(true, |tame, x| tame & (x.abs() < TAME)) {
                each.for_each(|(bits, (x, noise))| *bits = plain(*x, *noise));
            } else {
                for (bits, (x, noise)) in each {
                    let value = checked(*x, *noise);
                    *bits = value.bits;
                    lost.over_full_scale += u64::from(value.over);
                    lost.non_finite += u64::from(value.bad);
                }
            }
            let (frames, behind) = slots.split_at_mut(run.len() * self.count);
            slots = behind;
            // one channel apart: a step that is not known beforehand is dear
            if self.count == 1 {
                for (bits, slot) in bits.iter().zip(frames) {
                    *slot = bytes_of(*bits);
                }
            } else {
                let own = frames.iter_mut().skip(self.channel).step_by(self.count);
                for (bits, slot) in bits.iter().zip(own) {
                    *slot = bytes_of(*bits);
                }
            }
        }
        lost
    }
}

/// A sample ready to be written.
struct Value {
    /// The integer, or the bits of the float.
    bits: i32,
    over: bool,
    bad: bool,
}

/// To an integer of `BITS` bits without a check; `noise` in LSB.
#[inline(always)]
fn rounded<const BITS: u32>(x: f64, noise: f64) -> i32 {
    /// Adding it to a number below 2^51 leaves no bits below the point: the processor rounds, to
    /// the nearest, halves to even, and the low bits of the sum are the integer.
    const ROUND: f64 = 6_755_399_441_055_744.0; // 1.5 × 2^52
    let full = f64::from(1u32 << (BITS - 1));
    (x * full + noise + ROUND).to_bits() as i32
}

/// The same for any number, held within the range.
fn quantised<const BITS: u32>(x: f64, noise: f64) -> Value {
    let (low, high) = (-(1i32 << (BITS - 1)), (1i32 << (BITS - 1)) - 1);
    if !x.is_finite() {
        return Value {
            bits: 0,
            over: false,
            bad: true,
        };
    }
    let value = rounded::<BITS>(x.clamp(-2.0, 2.0), noise);
    Value {
        bits: value.clamp(low, high),
        over: value < low || value > high,
        bad: false,
    }
}

#[inline(always)]
fn single(x: f64, _: f64) -> i32 {
    (x as f32).to_bits() as i32
}

fn float(x: f64, noise: f64) -> Value {
    let bad = !x.is_finite();
    let held = x.clamp(-f64::from(f32::MAX), f64::from(f32::MAX));
    Value {
        bits: if bad { 0 } else { single(held, noise) },
        over: !bad && x.abs() > 1.0,
        bad,
    }
}

/// Triangular noise by frame number: one step of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014) gives
/// two uniform numbers of 32 bits; their sum is triangular.
struct Tpdf {
    state: u64,
}

impl Tpdf {
    fn new(seed: u64, channel: usize, first_frame: u64) -> Self {
        // Mixed twice, so that near seeds and channels start far apart.
        let key = mix(mix(seed).wrapping_add(channel as u64));
        Self {
            state: key.wrapping_add(first_frame.wrapping_mul(STEP)),
        }
    }

    /// Above −1 and below 1 LSB.
    #[inline(always)]
    fn next_lsb(&mut self) -> f64 {
        self.state = self.state.wrapping_add(STEP);
        let bits = mix(self.state);
        let sum = (bits >> 32) + (bits & 0xffff_ffff) + 1;
        // The bits of 2^52 with those of an integer below are their sum: several at a time, where
        // a conversion is one by one.
        const LARGE: f64 = 4_503_599_627_370_496.0; // 2^52
        let sum = f64::from_bits(LARGE.to_bits() | sum) - LARGE;
        sum / 4_294_967_296.0 - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn encoded(codec: Codec, dither: Dither, samples: &[f64]) -> Vec<u8> {
        let mut bytes = vec![0; samples.len() * codec.bytes()];
        Encoder::new(codec, dither).encode(samples, &mut bytes, 0, 1, 0);
        bytes
    }

    fn decoded(codec: Codec, bytes: &[u8]) -> Vec<f64> {
        let mut channels = [vec![0.0; bytes.len() / codec.bytes()]];
        decode(codec, bytes, &mut channels, 0);
        let [samples] = channels;
        samples
    }

    #[test]
    fn every_integer_of_16_bits_comes_back() {
        let bytes: Vec<u8> = (i16::MIN..=i16::MAX).flat_map(i16::to_le_bytes).collect();
        let samples = decoded(Codec::I16, &bytes);
        assert_eq!(samples[0], -1.0);
        assert_eq!(encoded(Codec::I16, Dither::None, &samples), bytes);
    }

    #[test]
    fn every_integer_of_24_bits_comes_back() {
        let bytes: Vec<u8> = (-8_388_608..8_388_608)
            .flat_map(|v: i32| v.to_le_bytes().into_iter().take(3))
            .collect();
        let samples = decoded(Codec::I24, &bytes);
        assert_eq!(samples[0], -1.0);
        assert_eq!(samples[8_388_609], 1.0 / 8_388_608.0);
        assert_eq!(encoded(Codec::I24, Dither::None, &samples), bytes);
    }

    #[test]
    fn halves_round_to_even_and_the_ends_hold() {
        let lsb = 1.0 / 32_768.0;
        let cases = [
            (0.5 * lsb, 0),
            (1.5 * lsb, 2),
            (-0.5 * lsb, 0),
            (-1.5 * lsb, -2),
            (2.4999 * lsb, 2),
            (2.5001 * lsb, 3),
            (32_766.5 * lsb, 32_766),
            (32_767.4 * lsb, 32_767),
            (1.0, 32_767),
            (1e300, 32_767),
            (-1.0 - 0.5 * lsb, -32_768),
            (-1e300, -32_768),
            (f64::NAN, 0),
            (f64::NEG_INFINITY, 0),
            (-1e-310, 0),
        ];
        for (x, want) in cases {
            let want = i16::to_le_bytes(want).to_vec();
            assert_eq!(encoded(Codec::I16, Dither::None, &[x]), want, "{x}");
        }
    }

    #[test]
    fn only_what_is_clamped_counts_as_over_full_scale() {
        let lsb = 1.0 / 8_388_608.0;
        let mut encoder = Encoder::new(Codec::I24, Dither::None);
        let samples = [
            1.0 - lsb,
            1.0 - 0.6 * lsb,
            1.0 - 0.5 * lsb,
            1.0,
            -1.0,
            -1.0 - lsb,
        ];
        encoder.encode(&samples, &mut [0; 18], 0, 1, 0);
        // 8388607.5 rounds to the even 8388608, which is one too many.
        assert_eq!(
            encoder.lost(),
            Lost {
                over_full_scale: 3,
                non_finite: 0
            }
        );
    }

    #[test]
    fn the_error_with_dither_has_the_published_moments() {
        // Lipshitz, Wannamaker, Vanderkooy 1992: with triangular dither of 2 LSB the total error has
        // mean 0 and variance Δ²/4 whatever the signal. Standard error of the variance of n values
        // of kurtosis below 3: √(2/n) × variance, 0.0014 × variance for n = 10^6; five of them.
        const COUNT: usize = 1_000_000;
        for offset in [0.0, 0.25, 0.5] {
            let samples = vec![(1000.0 + offset) / 32_768.0; COUNT];
            let bytes = encoded(Codec::I16, Dither::Tpdf { seed: 7 }, &samples);
            let error = |got: &f64| got * 32_768.0 - 1000.0 - offset;
            let errors: Vec<f64> = decoded(Codec::I16, &bytes).iter().map(error).collect();
            let mean = errors.iter().sum::<f64>() / COUNT as f64;
            let square = errors.iter().map(|e| e * e).sum::<f64>() / COUNT as f64;
            assert!(
                mean.abs() < 5.0 * 0.5 / 1000.0,
                "offset {offset}: mean {mean}"
            );
            assert!(
                (square / 0.25 - 1.0).abs() < 0.007,
                "offset {offset}: {square}"
            );
        }
    }

    #[test]
    fn channels_and_seeds_have_noise_of_their_own() {
        let noise = |seed, channel| -> Vec<f64> {
            let mut tpdf = Tpdf::new(seed, channel, 0);
            (0..100_000).map(|_| tpdf.next_lsb()).collect()
        };
        let correlation = |a: &[f64], b: &[f64]| -> f64 {
            let product: f64 = a.iter().zip(b).map(|(a, b)| a * b).sum();
            product / (a.len() as f64 / 6.0) // the variance of the noise is 1/6
        };
        let first = noise(1, 0);
        assert!((correlation(&first, &first) - 1.0).abs() < 0.02);
        for other in [noise(1, 1), noise(2, 0), noise(0, 0)] {
            // Standard error 1/√100000 = 0.0032; five of them.
            assert!(correlation(&first, &other).abs() < 0.016);
        }
        assert!(
            correlation(&first[1..], &first).abs() < 0.016,
            "neighbours in time"
        );
        let mut later = Tpdf::new(1, 0, 99_999);
        assert_eq!(later.next_lsb(), first[99_999]);
    }

    #[test]
    fn channels_are_woven_in_frames() {
        let mut bytes = [0; 12];
        let mut encoder = Encoder::new(Codec::I16, Dither::None);
        for (channel, value) in [0.125, 0.25, 0.5].into_iter().enumerate() {
            encoder.encode(&[value, -value], &mut bytes, channel, 3, 0);
        }
        let words: Vec<i16> = bytes
            .chunks_exact(2)
            .map(|pair| i16::from_le_bytes([pair[0], pair[1]]))
            .collect();
        assert_eq!(words, [4096, 8192, 16384, -4096, -8192, -16384]);
        let mut channels = vec![vec![0.0; 3]; 3];
        decode(Codec::I16, &bytes, &mut channels, 1);
        assert_eq!(channels[2], [0.0, 0.5, -0.5]);
    }
}
