use super::*;

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};

const GIB: u64 = 1 << 30;

/// A sparse file: these bytes, then a hole up to `length`, its last bytes `end`.
fn sparse(head: &[u8], length: u64, end: &[u8]) -> tempfile::NamedTempFile {
    let file = tempfile::NamedTempFile::new().unwrap();
    let mut handle: &File = file.as_file();
    handle.write_all(head).unwrap();
    handle.set_len(length).unwrap();
    handle
        .seek(SeekFrom::Start(length - end.len() as u64))
        .unwrap();
    handle.write_all(end).unwrap();
    file
}

/// `ds64` of a file with this many bytes of samples; the outer size is that of `length`.
fn ds64(length: u64, data: u64) -> Vec<u8> {
    let sizes = [length - 8, data, data / 3]
        .into_iter()
        .flat_map(u64::to_le_bytes);
    sizes.chain([0; 4]).collect()
}

fn last_frame(file: &tempfile::NamedTempFile) -> (u64, f64) {
    let mut reader = batterhead::audio::open(file.path()).unwrap();
    assert_eq!(reader.info().truncated, None);
    let frames = reader.info().frames;
    reader.seek(frames - 1).unwrap();
    let mut block = Block::default();
    assert_eq!(reader.read(&mut block, 10).unwrap(), 1);
    (frames, block.channel(0)[0])
}

#[test]
fn rf64_and_bw64_are_read_beyond_4_gib() {
    for id in [b"RF64", b"BW64"] {
        let frames = 5 * GIB / 3 + 1;
        let length = 96 + 3 * frames + 1; // an odd number of bytes, so with a pad byte
        let mut head = riff(&[
            (b"ds64", ds64(length, 3 * frames)),
            (b"fmt ", fmt(1, 1, 48_000, 24, 3)),
            (b"wait", vec![0; 8]),
        ]);
        head[..8].copy_from_slice(&[id[0], id[1], id[2], id[3], 0xff, 0xff, 0xff, 0xff]);
        head.extend(b"data\xff\xff\xff\xff");
        assert_eq!(head.len(), 96);
        let file = sparse(&head, length, b"\x00\x00\x40\x00");
        let (read, last) = last_frame(&file);
        assert_eq!((read, last), (frames, 0.5));
    }
}

#[test]
fn a_plain_file_whose_32_bits_wrapped_is_read_whole() {
    let data = 5 * GIB;
    let mut head = riff(&[(b"fmt ", fmt_16())]);
    head.extend(b"data");
    head.extend(((data % (1 << 32)) as u32).to_le_bytes());
    let length = head.len() as u64 + data;
    let file = sparse(&head, length, b"\x00\x40");
    assert_eq!(last_frame(&file), (data / 2, 0.5));
    let reader = batterhead::audio::open(file.path()).unwrap();
    let odd = &reader.info().oddities;
    assert!(
        odd.iter().any(|text| text.contains("passes 4 GiB")),
        "{odd:?}"
    );
}

/// Keeps the head of what is written, and counts the rest.
struct Head {
    head: Vec<u8>,
    total: u64,
}

impl Write for Head {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let room = 4096 - self.head.len();
        self.head.extend_from_slice(&bytes[..bytes.len().min(room)]);
        self.total += bytes.len() as u64;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_file_beyond_4_gib_is_written_as_rf64() {
    // 64 channels of float, 4096 frames a block: 1 MiB a block.
    let blocks = 4 * 1024 + 1;
    let spec = WriteSpec {
        frames: blocks * 4096,
        ..spec(64, Depth::Float32, 0)
    };
    let sink = Head {
        head: Vec::new(),
        total: 0,
    };
    let mut writer = Writer::create(sink, &spec, &Metadata::default()).unwrap();
    let block = Block::new(64, 4096);
    for _ in 0..blocks {
        writer.write(&block).unwrap();
    }
    let (sink, written) = writer.finish().unwrap();
    assert_eq!(written.bytes, sink.total);
    let data = blocks * 4096 * 64 * 4;
    // EBU Tech 3306 v1.1: outer and data size are FFFFFFFFh, the true ones stand in `ds64`.
    let head = sink.head;
    assert_eq!(&head[..16], b"RF64\xff\xff\xff\xffWAVEds64");
    let long = |at: usize| u64::from_le_bytes(head[at..at + 8].try_into().unwrap());
    assert_eq!(long(20), written.bytes - 8);
    assert_eq!(long(28), data);
    assert_eq!(long(36), spec.frames);
    let at = head.windows(4).position(|four| four == b"data").unwrap();
    assert_eq!(&head[at + 4..at + 8], b"\xff\xff\xff\xff");
    let file = sparse(&head[..at + 8], written.bytes, &0.5f32.to_le_bytes());
    let mut reader = batterhead::audio::open(file.path()).unwrap();
    assert_eq!(
        (reader.info().frames, &reader.info().truncated),
        (spec.frames, &None)
    );
    reader.seek(spec.frames - 1).unwrap();
    let mut block = Block::default();
    reader.read(&mut block, 1).unwrap();
    assert_eq!(block.channel(63), [0.5]);
}
