//! What a file carries besides its samples: `bext`, `iXML`, `LIST`, `cue `, `smpl` and every chunk
//! that is not known here, byte for byte, in order, on their side of `data`.
//!
//! Small chunks are held in memory, larger ones are copied from the source file when the new file
//! is written. Left behind is what the new file has of its own (`fmt `, `data`, `ds64`, `fact`),
//! filler (`JUNK`, `PAD `, `FLLR`), and what describes the old samples only (`PEAK`, `levl`).
//!
//! Sources: EBU Tech 3285 v2 (2011) for `bext`, EBU R 98-1999 for its coding history; Microsoft/IBM
//! "Multimedia Programming Interface and Data Specifications 1.0" for `cue ` and `LIST`/`adtl`;
//! `smpl` as in Microsoft's "New Multimedia Data Types and Data Techniques" (1994), from memory.
#![deny(clippy::arithmetic_side_effects)]

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::riff::{Id, Layout, name, u16_at, u32_at};
use crate::error::{Error, Result};

/// Largest chunk that is held in memory.
const CHUNK_LIMIT: u64 = 1 << 20;
/// Most bytes of chunks that are held in memory for one file.
const FILE_LIMIT: u64 = 16 << 20;
/// Size of `bext` without its coding history.
const BEXT_FIXED: usize = 602;
/// "Not used", in the loudness fields of `bext`.
const NOT_USED: i16 = 0x7fff;

/// The chunks of a file beside its samples, and where its channels belong.
#[derive(Clone, Debug, Default)]
pub struct Metadata {
    /// Speakers of the channels, one bit each, where the header names them.
    pub mask: Option<u32>,
    before: Vec<Kept>,
    after: Vec<Kept>,
}

#[derive(Clone, Debug)]
struct Kept {
    id: Id,
    payload: Payload,
}

#[derive(Clone, Debug)]
enum Payload {
    Held(Vec<u8>),
    /// Lies in the source file.
    Left {
        path: PathBuf,
        start: u64,
        size: u64,
    },
}

/// Loudness as `bext` version 2 holds it; `None` where there is none (silence).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Loudness {
    /// Integrated, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range, LU.
    pub range_lu: Option<f64>,
    /// True peak, dBTP.
    pub true_peak_dbtp: Option<f64>,
    /// Largest momentary loudness, LUFS.
    pub momentary_max_lufs: Option<f64>,
    /// Largest short-term loudness, LUFS.
    pub short_term_max_lufs: Option<f64>,
}

/// What happened to the samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change<'a> {
    /// Line for the coding history, as [`history_line`] gives it, without line end.
    pub history: &'a str,
    /// Loudness of the new samples; the default writes "not used".
    pub loudness: Loudness,
    /// Sample rate before and after, in hertz.
    pub rates_hz: (u32, u32),
    /// Channels were left out, joined or reordered.
    pub channels_changed: bool,
}

/// One step of a coding history (EBU R 98-1999): `A=PCM,F=48000,W=24,M=mono,T=text`.
pub fn history_line(rate_hz: u32, bits: u16, channels: usize, text: &str) -> String {
    let mode = match channels {
        1 => "M=mono,",
        2 => "M=stereo,",
        _ => "",
    };
    let clean = |c: char| c.is_ascii_graphic() && c != ',' || c == ' ';
    let text: String = text.chars().filter(|&c| clean(c)).collect();
    format!("A=PCM,F={rate_hz},W={bits},{mode}T={text}")
}

/// A `bext` payload, version 1, with a description, an originator and the time reference in
/// samples since midnight. Texts are cut to 256 and 32 bytes; what is not ASCII becomes `?`.
pub fn bext(description: &str, originator: &str, time_reference_samples: u64) -> Vec<u8> {
    let mut payload = vec![0; BEXT_FIXED];
    let mut put = |offset: usize, bytes: &[u8]| {
        let target = payload.get_mut(offset..).unwrap_or_default();
        target
            .iter_mut()
            .zip(bytes)
            .for_each(|(to, from)| *to = *from);
    };
    let ascii = |text: &str, size: usize| -> Vec<u8> {
        let plain = |c: char| if c.is_ascii() { c as u8 } else { b'?' };
        text.chars().map(plain).take(size).collect()
    };
    put(0, &ascii(description, 256));
    put(256, &ascii(originator, 32));
    put(338, &time_reference_samples.to_le_bytes());
    put(346, &1u16.to_le_bytes());
    payload
}

/// The time reference of a `bext` payload, samples since midnight.
pub fn time_reference(bext: &[u8]) -> Option<u64> {
    bext.get(338..346)?
        .first_chunk()
        .copied()
        .map(u64::from_le_bytes)
}

impl Metadata {
    /// Reads what a walked file carries. `path` is where the large chunks are fetched later.
    /// `odd` is told what is left behind.
    pub(super) fn read<R: Read + Seek>(
        source: &mut R,
        path: &Path,
        layout: &Layout,
        mask: Option<u32>,
    ) -> io::Result<Self> {
        let data = layout.first(b"data").map(|(index, _)| index);
        let mut metadata = Self::with_mask(mask);
        let mut held: u64 = 0;
        for (index, chunk) in layout.chunks.iter().enumerate() {
            if chunk.cut || !is_kept(&chunk.id) || u32::try_from(chunk.size).is_err() {
                continue;
            }
            let payload =
                if chunk.size <= CHUNK_LIMIT && held.saturating_add(chunk.size) <= FILE_LIMIT {
                    held = held.saturating_add(chunk.size);
                    source.seek(SeekFrom::Start(chunk.start))?;
                    let mut bytes = Vec::new();
                    source.by_ref().take(chunk.size).read_to_end(&mut bytes)?;
                    Payload::Held(bytes)
                } else {
                    Payload::Left {
                        path: path.to_owned(),
                        start: chunk.start,
                        size: chunk.size,
                    }
                };
            let side = if data.is_some_and(|data| index > data) {
                &mut metadata.after
            } else {
                &mut metadata.before
            };
            side.push(Kept {
                id: chunk.id,
                payload,
            });
        }
        Ok(metadata)
    }

    /// Nothing but speakers.
    pub fn with_mask(mask: Option<u32>) -> Self {
        Self {
            mask,
            ..Self::default()
        }
    }

    /// Adds a chunk before `data`.
    pub fn push(&mut self, id: Id, payload: Vec<u8>) {
        self.before.push(Kept {
            id,
            payload: Payload::Held(payload),
        });
    }

    /// The payload of the first chunk with this id that is held in memory.
    pub fn find(&self, id: &Id) -> Option<&[u8]> {
        let mut all = self.before.iter().chain(&self.after);
        all.find_map(|kept| match &kept.payload {
            Payload::Held(bytes) if kept.id == *id => Some(bytes.as_slice()),
            _ => None,
        })
    }

    /// The time reference of `bext`, samples since midnight.
    pub fn time_reference_samples(&self) -> Option<u64> {
        time_reference(self.find(b"bext")?)
    }

    /// The same after the samples were changed: what would no longer be true is updated or left
    /// out. The notes say what, in words.
    pub fn updated(&self, change: &Change) -> (Self, Vec<String>) {
        let mut new = self.clone();
        let mut notes = Vec::new();
        if change.channels_changed {
            new.mask = None;
        }
        for side in [&mut new.before, &mut new.after] {
            side.retain_mut(|kept| update(kept, change, &mut notes));
        }
        notes.dedup();
        (new, notes)
    }

    /// Bytes that the chunks before `data` and after it take, headers and pad bytes included.
    pub(super) fn sizes(&self) -> (u64, u64) {
        let size = |side: &[Kept]| {
            side.iter().fold(0u64, |sum, kept| {
                let size = kept.size();
                sum.saturating_add(8)
                    .saturating_add(size)
                    .saturating_add(size & 1)
            })
        };
        (size(&self.before), size(&self.after))
    }

    /// Writes the chunks that stand before `data`.
    pub(super) fn write_before(&self, sink: &mut impl Write) -> Result<()> {
        self.before.iter().try_for_each(|kept| kept.write(sink))
    }

    /// Writes the chunks that stand after `data`.
    pub(super) fn write_after(&self, sink: &mut impl Write) -> Result<()> {
        self.after.iter().try_for_each(|kept| kept.write(sink))
    }
}

impl Kept {
    fn size(&self) -> u64 {
        match &self.payload {
            Payload::Held(bytes) => bytes.len() as u64,
            Payload::Left { size, .. } => *size,
        }
    }

    fn write(&self, sink: &mut impl Write) -> Result<()> {
        let failed = |error: io::Error| Error::sink(&error);
        let size = u32::try_from(self.size())
            .map_err(|_| Error::input(format!("chunk {} passes 4 GiB", name(&self.id))))?;
        sink.write_all(&self.id).map_err(failed)?;
        sink.write_all(&size.to_le_bytes()).map_err(failed)?;
        match &self.payload {
            Payload::Held(bytes) => sink.write_all(bytes).map_err(failed)?,
            Payload::Left { path, start, size } => copy(path, *start, *size, sink)?,
        }
        if size & 1 == 1 {
            sink.write_all(&[0]).map_err(failed)?;
        }
        Ok(())
    }
}

/// Copies a chunk from the source file.
fn copy(path: &Path, start: u64, size: u64, sink: &mut impl Write) -> Result<()> {
    let reading = |error: io::Error| Error::reading(path, &error);
    let mut file = File::open(path).map_err(reading)?;
    file.seek(SeekFrom::Start(start)).map_err(reading)?;
    let mut rest = file.take(size);
    let mut buffer = vec![0; 1 << 16];
    let mut copied: u64 = 0;
    loop {
        let count = rest.read(&mut buffer).map_err(reading)?;
        if count == 0 {
            break;
        }
        let bytes = buffer.get(..count).unwrap_or_default();
        sink.write_all(bytes).map_err(|error| Error::sink(&error))?;
        copied = copied.saturating_add(count as u64);
    }
    if copied < size {
        return Err(Error::file(path, "became shorter while it was read"));
    }
    Ok(())
}

fn is_kept(id: &Id) -> bool {
    const LEFT_BEHIND: [&Id; 9] = [
        b"fmt ", b"data", b"ds64", b"fact", b"JUNK", b"PAD ", b"FLLR", b"PEAK", b"levl",
    ];
    !LEFT_BEHIND.contains(&id)
}

/// Brings one chunk up to date; false where it has to go.
fn update(kept: &mut Kept, change: &Change, notes: &mut Vec<String>) -> bool {
    let (from, to) = change.rates_hz;
    let rate_changed = from != to && from != 0;
    let mut note = |text: &str| notes.push(format!("{}: {text}", name(&kept.id)));
    match (&kept.id, &mut kept.payload) {
        (b"chna" | b"axml", _) if change.channels_changed => {
            note("left out, it describes channels that are no longer the same");
            return false;
        }
        (b"iXML", _) => {
            if change.channels_changed {
                note("kept as it was, its track list is that of the source");
            }
            if rate_changed {
                note("kept as it was, its time stamps count in the sample rate of the source");
            }
        }
        (b"bext", Payload::Held(bytes)) => update_bext(bytes, change, rate_changed, note),
        (b"cue ", Payload::Held(bytes)) if rate_changed => {
            let count = usize::try_from(u32_at(bytes, 0)).unwrap_or(usize::MAX);
            for entry in entries(bytes, 4, 24, count) {
                scale(entry, 4, from, to);
                scale(entry, 20, from, to);
            }
            note("positions moved to the new sample rate");
        }
        (b"smpl", Payload::Held(bytes)) if rate_changed => {
            let period_ns = 1_000_000_000u32.checked_div(to).unwrap_or(0);
            put(bytes, 8, &period_ns.to_le_bytes());
            let count = usize::try_from(u32_at(bytes, 28)).unwrap_or(usize::MAX);
            for entry in entries(bytes, 36, 24, count) {
                scale(entry, 8, from, to);
                scale(entry, 12, from, to);
            }
            note("period and loops moved to the new sample rate");
        }
        (b"LIST", Payload::Held(bytes)) if rate_changed && bytes.starts_with(b"adtl") => {
            let regions = scale_adtl(bytes, from, to);
            if regions > 0 {
                note(&format!(
                    "{regions} lengths of regions moved to the new sample rate"
                ));
            }
        }
        (b"cue " | b"smpl", Payload::Left { .. }) if rate_changed => {
            note("left out, it is too large to be moved to the new sample rate");
            return false;
        }
        _ => {}
    }
    true
}

/// Loudness at 412, time reference at 338, version at 346, history from 602 on.
fn update_bext(
    bytes: &mut Vec<u8>,
    change: &Change,
    rate_changed: bool,
    mut note: impl FnMut(&str),
) {
    if bytes.len() < BEXT_FIXED {
        note("shorter than its standard says, kept as it was");
        return;
    }
    if rate_changed && let Some(old) = time_reference(bytes) {
        let (new, held) = scaled_time(old, change.rates_hz);
        put(bytes, 338, &new.to_le_bytes());
        note(if held {
            "time reference lies beyond 64 bits at the new sample rate and was held there"
        } else {
            "time reference moved to the new sample rate"
        });
    }
    if u16_at(bytes, 346) >= 2 {
        let new = change.loudness;
        let fields = [
            new.integrated_lufs,
            new.range_lu,
            new.true_peak_dbtp,
            new.momentary_max_lufs,
            new.short_term_max_lufs,
        ];
        let values: Vec<u8> = fields.into_iter().flat_map(hundredths).collect();
        put(bytes, 412, &values);
        note(if fields.iter().any(Option::is_some) {
            "loudness is that of the new samples"
        } else {
            "loudness of the old samples marked as not used"
        });
    }
    // Zeros after the text are filler: a line behind them would not be seen.
    while bytes.len() > BEXT_FIXED && bytes.last() == Some(&0) {
        bytes.pop();
    }
    if bytes.len() > BEXT_FIXED && !bytes.ends_with(b"\n") {
        bytes.extend(b"\r\n");
    }
    bytes.extend(change.history.as_bytes());
    bytes.extend(b"\r\n");
    note("a line was added to its coding history");
}

/// A loudness field: hundredths, halves away from zero (Tech 3285 v2, section 2.4), or not used.
fn hundredths(value: Option<f64>) -> [u8; 2] {
    let value = value.map(|value| (value * 100.0).round());
    let fits = value.filter(|value| (-32_768.0..=32_766.0).contains(value));
    fits.map_or(NOT_USED, |value| value as i16).to_le_bytes()
}

/// Samples at one rate in samples at another, to the nearest; held at the top of 64 bits (true).
fn scaled_time(samples: u64, (from, to): (u32, u32)) -> (u64, bool) {
    let product = u128::from(samples).saturating_mul(u128::from(to));
    let rounded = product.saturating_add(u128::from(from >> 1));
    let quotient = rounded.checked_div(u128::from(from)).unwrap_or(u128::MAX);
    u64::try_from(quotient).map_or((u64::MAX, true), |value| (value, false))
}

/// Moves a 32-bit position from one rate to another.
fn scale(entry: &mut [u8], offset: usize, from: u32, to: u32) {
    let (scaled, _) = scaled_time(u64::from(u32_at(entry, offset)), (from, to));
    put(
        entry,
        offset,
        &u32::try_from(scaled).unwrap_or(u32::MAX).to_le_bytes(),
    );
}

/// Up to `count` entries of `size` bytes from `start` on, as many as are there.
fn entries(
    bytes: &mut [u8],
    start: usize,
    size: usize,
    count: usize,
) -> impl Iterator<Item = &mut [u8]> {
    let table = bytes.get_mut(start..).unwrap_or_default();
    table.chunks_exact_mut(size).take(count)
}

/// Scales the length (byte 4) of every `ltxt` in a `LIST` of type `adtl`; how many there were.
fn scale_adtl(bytes: &mut [u8], from: u32, to: u32) -> usize {
    let mut at: usize = 4;
    let mut found = 0usize;
    while let Some(entry) = bytes.get_mut(at..).filter(|rest| rest.len() >= 8) {
        let size = usize::try_from(u32_at(entry, 4)).unwrap_or(usize::MAX);
        if entry.starts_with(b"ltxt") && size >= 8 {
            scale(entry, 12, from, to);
            found = found.saturating_add(1);
        }
        at = at
            .saturating_add(8)
            .saturating_add(size)
            .saturating_add(size & 1);
    }
    found
}

/// Overwrites bytes at `offset`, as far as there are any.
fn put(bytes: &mut [u8], offset: usize, new: &[u8]) {
    let target = bytes.get_mut(offset..).unwrap_or_default();
    target
        .iter_mut()
        .zip(new)
        .for_each(|(to, from)| *to = *from);
}
