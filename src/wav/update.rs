//! What of the metadata is no longer true once the samples were changed, and its update.
//!
//! Sources: EBU Tech 3285 v2 (2011) for `bext`, EBU R 98-1999 for its coding history; Microsoft/IBM
//! "Multimedia Programming Interface and Data Specifications 1.0" for `cue ` and `LIST`/`adtl`;
//! `smpl` as in Microsoft's "New Multimedia Data Types and Data Techniques" (1994), from memory.
#![deny(clippy::arithmetic_side_effects)]

use super::metadata::{BEXT_FIXED, Kept, Metadata, Payload, time_reference};
use super::riff::{name, u16_at, u32_at};

/// "Not used", in the loudness fields of `bext`.
const NOT_USED: i16 = 0x7fff;

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

impl Loudness {
    /// As the ten bytes of `bext`.
    pub(super) fn fields(&self) -> [u8; 10] {
        let fields = [
            self.integrated_lufs,
            self.range_lu,
            self.true_peak_dbtp,
            self.momentary_max_lufs,
            self.short_term_max_lufs,
        ];
        let mut bytes = [0; 10];
        for (to, value) in bytes.chunks_exact_mut(2).zip(fields) {
            to.copy_from_slice(&hundredths(value));
        }
        bytes
    }
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

impl Metadata {
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
        put(bytes, 412, &change.loudness.fields());
        note(if change.loudness != Loudness::default() {
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
pub(super) fn put(bytes: &mut [u8], offset: usize, new: &[u8]) {
    let target = bytes.get_mut(offset..).unwrap_or_default();
    target
        .iter_mut()
        .zip(new)
        .for_each(|(to, from)| *to = *from);
}
