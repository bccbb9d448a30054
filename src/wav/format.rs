//! `fmt `: which bytes a sample has. Says by name what cannot be read.
//!
//! Source of the layout: Microsoft "Multiple channel audio data and WAVE files" (2001), RFC 2361
//! for the codec tags.
#![deny(clippy::arithmetic_side_effects)]

use super::riff::{u16_at, u32_at};
use crate::audio::SampleFormat;

/// Most channels of a file.
pub const MAX_CHANNELS: u16 = 64;
/// Lowest and highest sample rate, in hertz.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=384_000;

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;
/// What follows the two bytes of the tag in a sub-format.
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

/// How one sample lies in the file, little-endian.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Codec {
    /// Unsigned, 128 is zero.
    U8,
    /// Two bytes.
    I16,
    /// Three bytes; 20 valid bits stand at the top.
    I24,
    /// Four bytes; 20 or 24 valid bits stand at the top.
    I32,
    /// IEEE single precision.
    F32,
    /// IEEE double precision.
    F64,
}

impl Codec {
    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
        match self {
            Codec::U8 => 1,
            Codec::I16 => 2,
            Codec::I24 => 3,
            Codec::I32 | Codec::F32 => 4,
            Codec::F64 => 8,
        }
    }

    /// Integer or float.
    pub fn sample_format(self) -> SampleFormat {
        match self {
            Codec::F32 | Codec::F64 => SampleFormat::Float,
            _ => SampleFormat::Int,
        }
    }
}

/// What `fmt ` says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Format {
    /// Bytes of a sample.
    pub codec: Codec,
    /// Valid bits of a sample.
    pub bit_depth: u16,
    /// 1 to [`MAX_CHANNELS`].
    pub channels: u16,
    /// Within [`RATES_HZ`].
    pub rate_hz: u32,
    /// Speakers, in the extensible form: one bit each, 0 for none.
    pub mask: Option<u32>,
}

impl Format {
    /// Bytes of a frame: at most 64 × 8.
    pub fn frame_bytes(&self) -> usize {
        self.codec
            .bytes()
            .saturating_mul(usize::from(self.channels))
    }

    /// Reads the payload of `fmt `. Gives what was odd but can be read; refuses in words.
    pub fn parse(payload: &[u8]) -> Result<(Self, Vec<String>), String> {
        let size = payload.len();
        if size < 14 {
            return Err(format!(
                "chunk 'fmt ' has {size} bytes, at least 14 are needed"
            ));
        }
        let mut odd = Vec::new();
        if !matches!(size, 14 | 16 | 18 | 40) {
            odd.push(format!("chunk 'fmt ' has the unusual size of {size} bytes"));
        }
        let tag = u16_at(payload, 0);
        let channels = u16_at(payload, 2);
        let rate_hz = u32_at(payload, 4);
        let block_align = u16_at(payload, 12);
        if channels == 0 || channels > MAX_CHANNELS {
            return Err(format!(
                "has {channels} channels, 1 to {MAX_CHANNELS} can be read"
            ));
        }
        if !RATES_HZ.contains(&rate_hz) {
            let (low, high) = (RATES_HZ.start(), RATES_HZ.end());
            return Err(format!(
                "has a sample rate of {rate_hz} Hz, {low} to {high} can be read"
            ));
        }
        let container_bytes = block_align.checked_div(channels).unwrap_or(0);
        if container_bytes.checked_mul(channels) != Some(block_align) || container_bytes == 0 {
            return Err(format!(
                "has frames of {block_align} bytes, which do not divide into {channels} channels"
            ));
        }
        let container_bits = container_bytes.saturating_mul(8);
        // The 14-byte form has no depth: its container is its depth.
        let stated_bits = if size < 16 {
            container_bits
        } else {
            u16_at(payload, 14)
        };
        if stated_bits == 0 {
            return Err("states 0 bits a sample: its header is damaged".to_owned());
        }
        let (tag, valid_bits, mask) = if tag == EXTENSIBLE {
            extensible(payload, stated_bits, &mut odd)?
        } else {
            (tag, stated_bits, None)
        };
        let valid_bits = if valid_bits > container_bits {
            odd.push(format!(
                "states {valid_bits} valid bits, read as {container_bits}"
            ));
            container_bits
        } else {
            valid_bits
        };
        let codec = codec(tag, container_bits, valid_bits)?;
        if codec == Codec::I32 && valid_bits < 32 {
            odd.push(format!(
                "{valid_bits} bits in a container of 32, read as standing at its top"
            ));
        }
        let stated_rate = u64::from(u32_at(payload, 8));
        if stated_rate != u64::from(rate_hz).saturating_mul(u64::from(block_align)) {
            odd.push(format!(
                "states {stated_rate} bytes a second, which is wrong"
            ));
        }
        let format = Self {
            codec,
            bit_depth: valid_bits,
            channels,
            rate_hz,
            mask,
        };
        Ok((format, odd))
    }

    /// The payload to write: the plain form of 16 bytes (18 for float) for mono and stereo
    /// without speakers, else the extensible form.
    pub fn payload(&self) -> Vec<u8> {
        let float = self.codec.sample_format() == SampleFormat::Float;
        let tag = if float { FLOAT } else { PCM };
        let extensible = self.channels > 2 || self.mask.is_some();
        let frame_bytes = u32::try_from(self.frame_bytes()).unwrap_or(u32::MAX);
        let container_bits = u16::try_from(self.codec.bytes().saturating_mul(8)).unwrap_or(0);
        let mut payload = Vec::with_capacity(40);
        payload.extend(if extensible { EXTENSIBLE } else { tag }.to_le_bytes());
        payload.extend(self.channels.to_le_bytes());
        payload.extend(self.rate_hz.to_le_bytes());
        payload.extend(self.rate_hz.saturating_mul(frame_bytes).to_le_bytes());
        payload.extend(u16::try_from(frame_bytes).unwrap_or(0).to_le_bytes());
        payload.extend(container_bits.to_le_bytes());
        if extensible {
            payload.extend(22u16.to_le_bytes());
            payload.extend(self.bit_depth.to_le_bytes());
            payload.extend(self.mask.unwrap_or(0).to_le_bytes());
            payload.extend(tag.to_le_bytes());
            payload.extend(GUID_TAIL);
        } else if float {
            payload.extend(0u16.to_le_bytes());
        }
        payload
    }
}

/// Tag, valid bits and speakers of the extensible form.
fn extensible(
    payload: &[u8],
    container_bits: u16,
    odd: &mut Vec<String>,
) -> Result<(u16, u16, Option<u32>), String> {
    if payload.len() < 40 {
        return Err(format!(
            "has an extensible 'fmt ' of {} bytes, 40 are needed to know its codec",
            payload.len()
        ));
    }
    let stated = u16_at(payload, 16);
    if stated != 22 {
        odd.push(format!(
            "the extension of 'fmt ' states {stated} bytes, it has 22"
        ));
    }
    if payload.get(26..40) != Some(&GUID_TAIL) {
        return Err("has a sub-format that is not known here".to_owned());
    }
    let valid_bits = match u16_at(payload, 18) {
        0 => {
            odd.push(format!("states no valid bits, read as {container_bits}"));
            container_bits
        }
        bits => bits,
    };
    Ok((u16_at(payload, 24), valid_bits, Some(u32_at(payload, 20))))
}

fn codec(tag: u16, container_bits: u16, valid_bits: u16) -> Result<Codec, String> {
    match (tag, container_bits, valid_bits) {
        (PCM, 8, 8) => Ok(Codec::U8),
        (PCM, 16, 16) => Ok(Codec::I16),
        (PCM, 24, 16 | 20 | 24) => Ok(Codec::I24),
        (PCM, 32, 16 | 20 | 24 | 32) => Ok(Codec::I32),
        (FLOAT, 32, 32) => Ok(Codec::F32),
        (FLOAT, 64, 64) => Ok(Codec::F64),
        (PCM | FLOAT, container, valid) => Err(format!(
            "has {valid} bits {}in a container of {container}, which cannot be read",
            if tag == FLOAT { "of float " } else { "" }
        )),
        (tag, ..) => Err(format!(
            "has codec {tag:#x}{}, which is not supported: convert it to PCM first",
            codec_name(tag)
        )),
    }
}

/// Names of RFC 2361 for what is met most.
fn codec_name(tag: u16) -> &'static str {
    match tag {
        0x02 | 0x11 => " (ADPCM)",
        0x06 => " (A-law)",
        0x07 => " (µ-law)",
        0x31 => " (GSM 6.10)",
        0x50 => " (MPEG layer 1 or 2)",
        0x55 => " (MPEG layer 3)",
        _ => "",
    }
}
