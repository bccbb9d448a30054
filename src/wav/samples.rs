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

use super::format::Codec;

/// Noise that makes the rounding error independent of the signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dither {
    /// For what must come back with the same bits, and for float.
    None,
    /// Triangular, 2 LSB wide. The same seed gives the same noise.
    Tpdf {
        /// Anything that tells files apart.
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
        let lost = match (self.codec, self.dither) {
            (Codec::I16, Dither::None) => weave(samples, bytes, channel, count, |x| {
                quantise::<16>(x, 0.0).split(|v| (v as i16).to_le_bytes())
            }),
            (Codec::I24, Dither::None) => weave(samples, bytes, channel, count, |x| {
                quantise::<24>(x, 0.0).split(low_three)
            }),
            (Codec::I16, Dither::Tpdf { seed }) => {
                let mut noise = Tpdf::new(seed, channel, first_frame);
                weave(samples, bytes, channel, count, |x| {
                    quantise::<16>(x, noise.next_lsb()).split(|v| (v as i16).to_le_bytes())
                })
            }
            (Codec::I24, Dither::Tpdf { seed }) => {
                let mut noise = Tpdf::new(seed, channel, first_frame);
                weave(samples, bytes, channel, count, |x| {
                    quantise::<24>(x, noise.next_lsb()).split(low_three)
                })
            }
            _ => weave(samples, bytes, channel, count, |x| {
                let finite = x.is_finite();
                let clamped = x.clamp(-f64::from(f32::MAX), f64::from(f32::MAX));
                let value = if finite { clamped as f32 } else { 0.0 };
                let over = finite && x.abs() > 1.0;
                (value.to_le_bytes(), over, !finite)
            }),
        };
        self.lost.over_full_scale += lost.over_full_scale;
        self.lost.non_finite += lost.non_finite;
    }
}

/// Planar to interleaved. `bytes_of` gives a sample's bytes, whether it was over full scale, and
/// whether it was no number.
fn weave<const N: usize>(
    samples: &[f64],
    bytes: &mut [u8],
    channel: usize,
    count: usize,
    mut bytes_of: impl FnMut(f64) -> ([u8; N], bool, bool),
) -> Lost {
    let (slots, _) = bytes.as_chunks_mut::<N>();
    let mut lost = Lost::default();
    let mut put = |slot: &mut [u8; N], x: f64| {
        let (bytes, over, bad) = bytes_of(x);
        *slot = bytes;
        lost.over_full_scale += u64::from(over);
        lost.non_finite += u64::from(bad);
    };
    if count == 1 {
        for (slot, x) in slots.iter_mut().zip(samples) {
            put(slot, *x);
        }
    } else {
        for (slot, x) in slots.iter_mut().skip(channel).step_by(count).zip(samples) {
            put(slot, *x);
        }
    }
    lost
}

struct Quantised {
    value: i32,
    over: bool,
    bad: bool,
}

impl Quantised {
    fn split<const N: usize>(self, bytes: impl Fn(i32) -> [u8; N]) -> ([u8; N], bool, bool) {
        (bytes(self.value), self.over, self.bad)
    }
}

fn low_three(value: i32) -> [u8; 3] {
    let [a, b, c, _] = value.to_le_bytes();
    [a, b, c]
}

/// To an integer of `BITS` bits; `noise` in LSB.
#[inline(always)]
fn quantise<const BITS: u32>(x: f64, noise: f64) -> Quantised {
    /// Adding it to a number below 2^51 leaves no bits below the point: the processor rounds, to
    /// the nearest, halves to even, and the low bits of the sum are the integer.
    const ROUND: f64 = 6_755_399_441_055_744.0; // 1.5 × 2^52
    let full = f64::from(1u32 << (BITS - 1));
    let bad = !x.is_finite();
    let scaled = if bad { 0.0 } else { x * full + noise };
    let held = scaled.clamp(-full - 1.0, full);
    let rounded = (held + ROUND) - ROUND;
    let over = rounded > full - 1.0 || rounded < -full;
    let value = (rounded.clamp(-full, full - 1.0) + ROUND).to_bits() as u32 as i32;
    Quantised { value, over, bad }
}

/// Triangular noise by frame number: one step of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014) gives
/// two uniform numbers of 32 bits; their sum is triangular.
struct Tpdf {
    state: u64,
}

/// SplitMix64's step.
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

impl Tpdf {
    fn new(seed: u64, channel: usize, first_frame: u64) -> Self {
        // Mixed twice, so that near seeds and channels start far apart.
        let key = mix(mix(seed).wrapping_add(channel as u64));
        Self {
            state: key.wrapping_add(first_frame.wrapping_mul(GOLDEN)),
        }
    }

    /// Above −1 and below 1 LSB.
    #[inline(always)]
    fn next_lsb(&mut self) -> f64 {
        self.state = self.state.wrapping_add(GOLDEN);
        let bits = mix(self.state);
        let sum = (bits >> 32) + (bits & 0xffff_ffff) + 1;
        sum as f64 / 4_294_967_296.0 - 1.0
    }
}

/// SplitMix64's output function.
#[inline(always)]
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
