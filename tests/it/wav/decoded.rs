use super::other::opened;
use super::*;

use std::fs;

/// An AIFF file: big-endian chunks, the rate as an 80-bit float.
fn aiff(
    channels: u16,
    rate_hz: u32,
    bits: u16,
    compression: Option<&[u8; 4]>,
    sound: &[u8],
) -> Vec<u8> {
    let frames = sound.len() / (usize::from(channels) * usize::from(bits.div_ceil(8)));
    let mut comm = channels.to_be_bytes().to_vec();
    comm.extend((frames as u32).to_be_bytes());
    comm.extend(bits.to_be_bytes());
    let exponent = 31 - rate_hz.leading_zeros();
    comm.extend((16_383 + exponent as u16).to_be_bytes());
    comm.extend((u64::from(rate_hz) << (63 - exponent)).to_be_bytes());
    if let Some(compression) = compression {
        comm.extend(compression);
        comm.extend([0, 0]); // an empty name
    }
    let mut body = if compression.is_some() {
        b"AIFC".to_vec()
    } else {
        b"AIFF".to_vec()
    };
    let ssnd = [&[0; 8], sound].concat();
    for (id, payload) in [(b"COMM", comm), (b"SSND", ssnd)] {
        body.extend(id);
        body.extend((payload.len() as u32).to_be_bytes());
        body.extend(&payload);
        body.extend(vec![0; payload.len() % 2]);
    }
    [&b"FORM"[..], &(body.len() as u32).to_be_bytes(), &body].concat()
}

/// Bits from the highest down.
#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    free: u32,
}

impl Bits {
    fn put(&mut self, value: u64, count: u32) {
        for bit in (0..count).rev() {
            if self.free == 0 {
                self.bytes.push(0);
                self.free = 8;
            }
            self.free -= 1;
            *self.bytes.last_mut().unwrap() |= ((value >> bit & 1) as u8) << self.free;
        }
    }
}

fn crc(bytes: &[u8], polynomial: u32, bits: u32) -> u64 {
    let mut crc = 0u32;
    for byte in bytes {
        crc ^= u32::from(*byte) << (bits - 8);
        for _ in 0..8 {
            let carry = crc >> (bits - 1) & 1;
            crc = ((crc << 1) ^ (carry * polynomial)) & ((1 << bits) - 1);
        }
    }
    u64::from(crc)
}

/// A FLAC file of verbatim subframes (RFC 9639), `block` frames each.
fn flac(bits: u32, rate_hz: u32, block: usize, channels: &[Vec<i32>], total: u64) -> Vec<u8> {
    let frames = channels[0].len();
    let mut out = Bits::default();
    out.put(u64::from(u32::from_be_bytes(*b"fLaC")), 32);
    out.put(0x80, 8); // STREAMINFO, the last
    out.put(34, 24);
    out.put(block as u64, 16);
    out.put(block as u64, 16);
    out.put(0, 48);
    out.put(u64::from(rate_hz), 20);
    out.put(channels.len() as u64 - 1, 3);
    out.put(u64::from(bits) - 1, 5);
    out.put(total, 36);
    (0..16).for_each(|_| out.put(0, 8));
    let mut file = out.bytes;
    for (number, start) in (0..frames).step_by(block).enumerate() {
        let end = frames.min(start + block);
        let mut frame = Bits::default();
        frame.put(0b11_1111_1111_1110 << 2, 16);
        frame.put(0b0111, 4); // block size in 16 bits below
        frame.put(0, 4); // rate as in STREAMINFO
        frame.put(channels.len() as u64 - 1, 4);
        frame.put(
            match bits {
                16 => 0b100,
                24 => 0b110,
                _ => 0,
            } << 1,
            4,
        );
        assert!(number < 128);
        frame.put(number as u64, 8);
        frame.put((end - start) as u64 - 1, 16);
        frame.put(crc(&frame.bytes, 0x07, 8), 8);
        for channel in channels {
            frame.put(1 << 1, 8); // verbatim
            channel[start..end]
                .iter()
                .for_each(|v| frame.put(*v as u64, bits));
        }
        let crc = crc(&frame.bytes, 0x8005, 16);
        file.extend(frame.bytes);
        file.extend((crc as u16).to_be_bytes());
    }
    file
}

fn integers(bits: u32, count: usize, seed: u64) -> Vec<i32> {
    let top = i32::MAX >> (32 - bits);
    let bytes = noise(count * 4, seed);
    let random = bytes
        .chunks_exact(4)
        .map(|b| i32::from_le_bytes(b.try_into().unwrap()));
    let mut values = vec![0, 1, -1, top, -top - 1];
    values.extend(random.map(|v| v >> (32 - bits)));
    values.truncate(count);
    values
}

fn full_scale(channels: &[Vec<i32>], bits: u32) -> Vec<Vec<f64>> {
    let full = 2f64.powi(bits as i32 - 1);
    channels
        .iter()
        .map(|channel| channel.iter().map(|v| f64::from(*v) / full).collect())
        .collect()
}

#[test]
fn aiff_of_every_depth_is_read_to_the_bit() {
    for (bits, compression) in [
        (8, None),
        (16, None),
        (24, None),
        (32, None),
        (24, Some(b"NONE")),
        (24, Some(b"in24")),
    ] {
        let channels: Vec<Vec<i32>> = (0..2).map(|c| integers(bits, 3000, c)).collect();
        let sound: Vec<u8> = (0..3000)
            .flat_map(|i| channels.iter().map(move |channel| channel[i]))
            .flat_map(|v| (v << (32 - bits)).to_be_bytes()[..bits as usize / 8].to_vec())
            .collect();
        let file = aiff(2, 44_100, bits as u16, compression, &sound);
        let mut reader = opened("a.wav", &file).unwrap();
        let info = reader.info().clone();
        assert_eq!(
            (info.frames, info.channels, info.rate_hz),
            (3000, 2, 44_100)
        );
        assert_eq!((info.bit_depth, info.sample_format), (bits as u16, INT));
        assert!(
            read_all(&mut *reader, 777).unwrap() == full_scale(&channels, bits),
            "{bits}"
        );
        reader.seek(2999).unwrap();
        assert_eq!(read_all(&mut *reader, 9).unwrap()[0].len(), 1);
    }
}

#[test]
fn aiff_of_float_and_of_the_other_byte_order_is_read() {
    let sound: Vec<u8> = [0.5f32, -1.25, 1e-30]
        .iter()
        .flat_map(|v| v.to_be_bytes())
        .collect();
    let mut reader = opened("a.aif", &aiff(1, 48_000, 32, Some(b"fl32"), &sound)).unwrap();
    assert_eq!(reader.info().sample_format, SampleFormat::Float);
    assert_eq!(reader.info().bit_depth, 32);
    let want = [[0.5, -1.25, f64::from(1e-30f32)]];
    assert_eq!(read_all(&mut *reader, 9).unwrap(), want);
    let mut reader = opened("a.aif", &aiff(1, 48_000, 16, Some(b"sowt"), &[0, 0x40])).unwrap();
    assert_eq!(read_all(&mut *reader, 9).unwrap(), [[0.5]]);
}

#[test]
fn flac_is_read_to_the_bit() {
    for bits in [8, 16, 20, 24] {
        for count in [1u64, 2, 3] {
            let channels: Vec<Vec<i32>> = (0..count).map(|c| integers(bits, 5001, c)).collect();
            for total in [5001, 0] {
                let file = flac(bits, 48_000, 512, &channels, total);
                let mut reader = opened("a.flac", &file).unwrap();
                let info = reader.info().clone();
                assert_eq!((info.frames, info.bit_depth), (5001, bits as u16));
                for _ in 0..2 {
                    assert!(
                        read_all(&mut *reader, 777).unwrap() == full_scale(&channels, bits),
                        "{count} channels of {bits} bits"
                    );
                    reader.seek(0).unwrap();
                }
            }
        }
    }
}

#[test]
fn any_frame_of_a_flac_can_be_sought() {
    let channels = vec![integers(16, 60_000, 1); 2];
    let want = full_scale(&channels, 16);
    let mut reader = opened("a.flac", &flac(16, 48_000, 1024, &channels, 60_000)).unwrap();
    let mut block = Block::default();
    for frame in [59_999usize, 0, 1023, 1024, 30_000, 7, 5] {
        reader.seek(frame as u64).unwrap();
        let count = reader.read(&mut block, 2000).unwrap();
        assert_eq!(count, 2000.min(60_000 - frame));
        assert!(
            block.channel(1) == &want[1][frame..frame + count],
            "{frame}"
        );
    }
    reader.seek(u64::MAX).unwrap();
    assert_eq!(reader.read(&mut block, 9).unwrap(), 0);
    reader.seek(0).unwrap();
    assert!(read_all(&mut *reader, 4096).unwrap() == want);
    reader.seek(3).unwrap();
    assert_eq!(reader.read(&mut block, 1).unwrap(), 1);
}

#[test]
fn a_damaged_flac_is_an_error_that_names_the_time() {
    let channels = vec![integers(16, 48_000, 1)];
    let file = flac(16, 48_000, 4800, &channels, 48_000);
    let mut damaged = file.clone();
    let middle = file.len() / 2 + 300;
    damaged[middle..middle + 40].fill(0x55);
    let mut reader = opened("a.flac", &damaged).unwrap();
    let text = error_of(read_all(&mut *reader, 4096));
    assert!(text.contains("at 0.5") || text.contains("at 0.4"), "{text}");

    let mut reader = opened("a.flac", &file[..file.len() / 2]).unwrap();
    let text = error_of(read_all(&mut *reader, 4096));
    assert!(text.contains("promises 1.000 s and ends at 0.4"), "{text}");
}

#[test]
fn damaged_headers_are_read_or_refused() {
    let channels = vec![integers(16, 200, 1)];
    let sound: Vec<u8> = channels[0]
        .iter()
        .flat_map(|v| (*v as i16).to_be_bytes())
        .collect();
    let flac = flac(16, 48_000, 100, &channels, 200);
    let aiff = aiff(1, 48_000, 16, None, &sound);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a");
    for (file, header) in [(flac, 60), (aiff, 60)] {
        for at in 0..header {
            for value in [0x00, 0x01, 0x7f, 0x80, 0xff] {
                let mut changed = file.clone();
                changed[at] = value;
                fs::write(&path, changed).unwrap();
                if let Ok(mut reader) = batterhead::audio::open(&path) {
                    let _ = read_all(&mut *reader, 4096);
                }
            }
        }
    }
}
