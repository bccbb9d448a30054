//! Sound files from outside: every format to the bit, chunks kept, damaged files told.

use std::io::Cursor;
use std::path::Path;

use batterhead::audio::{AudioRead, SampleFormat};
use batterhead::block::Block;
use batterhead::error::Result;
use batterhead::wav::{Depth, Dither, Metadata, Reader, WriteSpec, Writer, Written};

mod chunks; // metadata carried and updated
mod damage; // truncated, interrupted, mutated, hostile files
#[cfg(feature = "symphonia")]
mod decoded; // FLAC and AIFF
mod formats; // depths, channels, rates, refusals
mod large; // beyond 4 GiB
mod other; // what is no WAV file

/// A RIFF file of these chunks, with pad bytes.
fn riff(chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    for (id, payload) in chunks {
        body.extend(*id);
        body.extend((payload.len() as u32).to_le_bytes());
        body.extend(payload);
        body.extend(vec![0; payload.len() % 2]);
    }
    let mut file = b"RIFF".to_vec();
    file.extend((body.len() as u32).to_le_bytes());
    file.extend(body);
    file
}

/// The 16 bytes of a plain `fmt `.
fn fmt(tag: u16, channels: u16, rate_hz: u32, bits: u16, sample_bytes: u16) -> Vec<u8> {
    let frame_bytes = channels * sample_bytes;
    let mut payload = Vec::new();
    payload.extend(tag.to_le_bytes());
    payload.extend(channels.to_le_bytes());
    payload.extend(rate_hz.to_le_bytes());
    payload.extend((rate_hz * u32::from(frame_bytes)).to_le_bytes());
    payload.extend(frame_bytes.to_le_bytes());
    payload.extend(bits.to_le_bytes());
    payload
}

/// The 40 bytes of an extensible `fmt ` with a PCM (1) or float (3) sub-format.
fn extensible(sub: u16, channels: u16, rate_hz: u32, valid: u16, bytes: u16, mask: u32) -> Vec<u8> {
    let mut payload = fmt(0xfffe, channels, rate_hz, bytes * 8, bytes);
    payload.extend(22u16.to_le_bytes());
    payload.extend(valid.to_le_bytes());
    payload.extend(mask.to_le_bytes());
    payload.extend(sub.to_le_bytes());
    payload.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    payload
}

/// Mono, 48 kHz, 16 bits.
fn fmt_16() -> Vec<u8> {
    fmt(1, 1, 48_000, 16, 2)
}

/// Opens bytes as if they were a file.
fn reader(bytes: Vec<u8>) -> Result<Reader<Cursor<Vec<u8>>>> {
    Reader::new(Cursor::new(bytes), Path::new("take.wav"))
}

/// All samples, one vector a channel, read in blocks of `frames`.
fn read_all(reader: &mut dyn AudioRead, frames: usize) -> Result<Vec<Vec<f64>>> {
    let mut all = vec![Vec::new(); reader.info().channels];
    let mut block = Block::default();
    while reader.read(&mut block, frames)? > 0 {
        for (all, channel) in all.iter_mut().zip(block.channels()) {
            all.extend_from_slice(channel);
        }
    }
    Ok(all)
}

fn spec(channels: usize, depth: Depth, frames: usize) -> WriteSpec {
    WriteSpec {
        rate_hz: 48_000,
        channels,
        depth,
        dither: Dither::None,
        frames: frames as u64,
    }
}

/// Writes channels in blocks of `frames`.
fn write_all(
    spec: &WriteSpec,
    metadata: &Metadata,
    channels: &[Vec<f64>],
    frames: usize,
) -> Result<(Vec<u8>, Written)> {
    let mut writer = Writer::create(Vec::new(), spec, metadata)?;
    let length = channels.first().map_or(0, Vec::len);
    for start in (0..length).step_by(frames) {
        let end = length.min(start + frames);
        let cut = channels.iter().map(|channel| channel[start..end].to_vec());
        writer.write(&Block::from_channels(cut.collect()))?;
    }
    writer.finish()
}

/// Bytes without a pattern, the same at every run.
fn noise(count: usize, seed: u64) -> Vec<u8> {
    let mut random = batterhead::dsp::random::Random::new(seed);
    (0..count).map(|_| random.bits() as u8).collect()
}

/// Start and end of the payload of the first chunk with this id, by a plain walk of its own.
fn payload<'a>(file: &'a [u8], id: &[u8; 4]) -> Option<&'a [u8]> {
    chunk_list(file)
        .into_iter()
        .find_map(|(found, payload)| (found == id).then_some(payload))
}

/// All chunks of a well-formed RIFF file.
fn chunk_list(file: &[u8]) -> Vec<(&[u8], &[u8])> {
    let mut at = 12;
    let mut chunks = Vec::new();
    while at + 8 <= file.len() {
        let size = u32::from_le_bytes(file[at + 4..at + 8].try_into().unwrap()) as usize;
        chunks.push((&file[at..at + 4], &file[at + 8..at + 8 + size]));
        at += 8 + size + size % 2;
    }
    chunks
}

fn error_of<T>(result: Result<T>) -> String {
    match result {
        Ok(_) => panic!("should have been refused"),
        Err(error) => error.to_string(),
    }
}

const INT: SampleFormat = SampleFormat::Int;
