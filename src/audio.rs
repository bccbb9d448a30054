//! One door to sound files: [`open`] gives a stream of [`Block`]s whatever the format.
//!
//! Samples are `f64` with full scale ±1.0 (an integer sample of N bits is divided by 2^(N−1)), so
//! that writing them back unchanged at the same depth gives the same bits.

use std::fs::File;
use std::io::{Read, Seek};
use std::path::Path;

use crate::block::Block;
use crate::error::{Error, Result};
use crate::files;
use crate::wav::{Metadata, Reader};

#[cfg(feature = "symphonia")]
mod aiff;
#[cfg(feature = "symphonia")]
mod decoder;
mod kind;

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SampleFormat {
    /// Integer PCM.
    Int,
    /// IEEE floating point.
    Float,
}

/// What a recorder wrote into a file about its channels and its take.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Inside {
    /// Names of the channels in their order; empty where none has one.
    pub tracks: Vec<Option<String>>,
    /// The scene: in music mostly the song.
    pub scene: Option<String>,
    /// The take, a number or a word.
    pub take: Option<String>,
}

/// What a file's header says.
#[derive(Clone, Debug, PartialEq)]
pub struct Info {
    /// Frames a second, 8,000 to 384,000.
    pub rate_hz: u32,
    /// 1 to 64.
    pub channels: usize,
    /// Valid bits of a sample (24 for 24 bits in a container of 32).
    pub bit_depth: u16,
    /// Integer or float.
    pub sample_format: SampleFormat,
    /// Frames that are really there.
    pub frames: u64,
    /// First sample since midnight, from `bext`.
    pub time_reference_samples: Option<u64>,
    /// Names that a recorder wrote into it.
    pub inside: Inside,
    /// What was odd about the file, in words.
    pub oddities: Vec<String>,
    /// The file ends before it should.
    pub truncated: Option<Truncation>,
}

/// How a file ends before it should.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "end", rename_all = "kebab-case")]
pub enum Truncation {
    /// The recorder never wrote how long it is.
    NeverFinished {
        /// Length of what is there.
        held_s: f64,
    },
    /// The header promises more than there is.
    Short {
        /// Length by the header.
        promised_s: f64,
        /// Length of what is there.
        held_s: f64,
    },
}

/// The rate of most tracks; of several, the highest.
pub fn common_rate_hz(rates: impl Iterator<Item = u32>) -> u32 {
    let mut counts: std::collections::BTreeMap<u32, usize> = Default::default();
    rates.for_each(|rate| *counts.entry(rate).or_default() += 1);
    let most = counts
        .into_iter()
        .max_by_key(|&(rate, count)| (count, rate));
    most.map_or(48_000, |(rate, _)| rate)
}

/// A sound file being read from its start.
pub trait AudioRead: Send {
    /// What the header says.
    fn info(&self) -> &Info;
    /// What the file carries besides its samples, to be written with them; empty where the format
    /// holds nothing that a WAV file could carry.
    fn metadata(&mut self) -> Result<Metadata> {
        Ok(Metadata::default())
    }
    /// Fills `block` with the next at most `frames` frames (its channels become the file's) and
    /// returns how many there were; 0 at the end.
    fn read(&mut self, block: &mut Block, frames: usize) -> Result<usize>;
    /// The next frame to read, counted from the start; beyond the end means the end.
    fn seek(&mut self, frame: u64) -> Result<()>;
}

/// Opens a sound file read-only: WAV, RF64 and BW64 by the project's own reader; FLAC and
/// AIFF/AIFF-C by symphonia (feature `symphonia`). What it is goes by content, not by name.
///
/// What is no regular file (a FIFO, a device, a socket) is refused without being opened. Other
/// errors say what the file looks like.
pub fn open(path: &Path) -> Result<Box<dyn AudioRead>> {
    open_through(path, |file| file)
}

/// The same; a WAV, RF64 or BW64 file is read through what `wrap` makes of it. Other formats are read
/// in their own order, and not through it.
pub fn open_through<R: Read + Seek + Send + 'static>(
    path: &Path,
    wrap: impl FnOnce(File) -> R,
) -> Result<Box<dyn AudioRead>> {
    let failed = |error: std::io::Error| Error::reading(path, &error);
    let mut file = files::open(path).map_err(failed)?;
    let mut head = Vec::new();
    (&mut file)
        .take(512)
        .read_to_end(&mut head)
        .map_err(failed)?;
    match kind::of(&head) {
        kind::Kind::Wav => Ok(Box::new(Reader::new(wrap(file), path)?)),
        found @ (kind::Kind::Flac | kind::Kind::Aiff) => open_other(file, path, &found),
        kind::Kind::Not(reason) => Err(Error::file(path, reason)),
    }
}

#[cfg(feature = "symphonia")]
fn open_other(mut file: File, path: &Path, kind: &kind::Kind) -> Result<Box<dyn AudioRead>> {
    let header = match kind {
        kind::Kind::Aiff => aiff::header(&mut file).map_err(|e| Error::reading(path, &e))?,
        _ => None,
    };
    Ok(Box::new(decoder::Decoder::open(file, path, header)?))
}

#[cfg(not(feature = "symphonia"))]
fn open_other(_: File, path: &Path, _: &kind::Kind) -> Result<Box<dyn AudioRead>> {
    Err(Error::file(
        path,
        "is a FLAC or AIFF file, which this build does not read",
    )
    .hint("build with the feature `symphonia`, or convert it to WAV"))
}
