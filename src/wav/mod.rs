//! WAV files, block by block: [`Reader`] and [`Writer`] are the only doors.
//!
//! ```text
//! bytes ─ riff: chunks ─ format: bytes of a sample ─ samples: planar f64 ─▶ Block
//!              └──────── metadata: everything else, carried to the new file
//! ```
//!
//! Read are RIFF, RF64 and BW64 files with 8, 16, 24 and 32 bits (20 and 24 in a larger container
//! too) or 32 and 64 bits of float; written are RIFF and, from 4 GiB on, RF64 files with 16 or 24
//! bits or 32 bits of float.

mod delivery;
mod format;
mod inside;
mod metadata;
mod reader;
mod riff;
mod samples;
mod update;
mod writer;

pub use format::{Codec, MAX_CHANNELS, RATES_HZ};
pub use metadata::{Metadata, bext};
pub use reader::Reader;
pub use samples::{Dither, Encoder, Lost, decode};
pub use update::{Change, Loudness, history_line};
pub use writer::{Depth, WriteSpec, Writer, Written};

/// Bytes that are read, decoded, encoded and written at a time: they stay in the processor's cache.
const TILE_BYTES: usize = 1 << 16;
