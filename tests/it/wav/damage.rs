use super::*;

use batterhead::audio::Truncation;
use std::io::{self, Read, Seek, SeekFrom};

/// Ten frames of stereo, 16 bits, with a chunk on either side.
fn whole() -> Vec<u8> {
    riff(&[
        (b"JUNK", vec![0; 28]),
        (b"fmt ", fmt(1, 2, 48_000, 16, 2)),
        (b"note", b"abc".to_vec()),
        (b"data", noise(40, 2)),
        (b"LIST", b"INFOICMT\x02\0\0\0hi".to_vec()),
    ])
}

/// The data chunk last, with these four bytes as its size and these samples.
fn unfinished(size: u32, samples: &[u8]) -> Vec<u8> {
    let mut file = riff(&[(b"fmt ", fmt_16()), (b"data", Vec::new())]);
    let at = file.len() - 4;
    file[at..].copy_from_slice(&size.to_le_bytes());
    file.extend(samples);
    file
}

/// Reads everything there is; the frames, or the error's text.
fn attempt(file: Vec<u8>) -> std::result::Result<u64, String> {
    let length = file.len() as u64;
    let mut reader = reader(file).map_err(|error| error.to_string())?;
    let frames = reader.info().frames;
    assert!(frames <= length, "more frames than bytes");
    let all = read_all(&mut reader, 4096).map_err(|error| error.to_string())?;
    assert!(all.iter().all(|channel| channel.len() as u64 == frames));
    reader.metadata().map_err(|error| error.to_string())?;
    Ok(frames)
}

#[test]
fn a_recording_that_was_never_finished_is_read_to_its_end() {
    let samples = noise(2001, 4); // one byte more than 1000 frames
    for size in [0, u32::MAX] {
        let mut reader = reader(unfinished(size, &samples)).unwrap();
        assert_eq!(reader.info().frames, 1000, "size {size}");
        let found = reader.info().truncated;
        assert!(
            matches!(found, Some(Truncation::NeverFinished { held_s }) if (held_s - 1000.0 / 48_000.0).abs() < 1e-9),
            "{found:?}"
        );
        let all = read_all(&mut reader, 4096).unwrap();
        let last = i16::from_le_bytes([samples[1998], samples[1999]]);
        assert_eq!(all[0][999], f64::from(last) / 32_768.0);
    }
}

#[test]
fn chunks_behind_an_unfinished_recording_are_not_taken_for_sound() {
    let mut file = unfinished(0, &noise(2000, 4));
    file.extend(b"iXML\x05\0\0\0<BWF>\0LIST\x04\0\0\0INFO");
    let mut reader = reader(file).unwrap();
    assert_eq!(reader.info().frames, 1000);
    assert!(reader.info().truncated.is_some());
    let kept = reader.metadata().unwrap();
    assert_eq!(kept.find(b"iXML"), Some(&b"<BWF>"[..]));
    assert_eq!(kept.find(b"LIST"), Some(&b"INFO"[..]));
}

#[test]
fn an_empty_recording_keeps_the_chunks_behind_it() {
    let file = riff(&[
        (b"fmt ", fmt_16()),
        (b"data", Vec::new()),
        (b"LIST", b"INFOICMT\x02\0\0\0hi".to_vec()),
    ]);
    let mut reader = reader(file).unwrap();
    assert_eq!((reader.info().frames, &reader.info().truncated), (0, &None));
    let kept = reader.metadata().unwrap();
    assert!(kept.find(b"LIST").is_some());
    let end = riff(&[(b"fmt ", fmt_16()), (b"data", Vec::new())]);
    assert_eq!(attempt(end), Ok(0));
}

#[test]
fn audio_beyond_the_end_is_what_is_there_and_said() {
    let file = unfinished(96_000, &noise(9_601, 4));
    let mut reader = reader(file).unwrap();
    assert_eq!(reader.info().frames, 4800);
    let (promised_s, held_s) = (1.0, 0.1);
    let short = Truncation::Short { promised_s, held_s };
    assert_eq!(reader.info().truncated, Some(short));
    assert_eq!(read_all(&mut reader, 999).unwrap()[0].len(), 4800);
}

#[test]
fn a_last_frame_that_is_not_whole_is_left_out_and_said() {
    let reader = reader(riff(&[(b"fmt ", fmt_16()), (b"data", noise(7, 1))])).unwrap();
    assert_eq!(reader.info().frames, 3);
    assert_eq!(
        reader.info().oddities,
        ["the last 1 bytes of its audio are no whole frame"]
    );
}

#[test]
fn the_outer_size_is_not_believed() {
    for size in [0, 1, 4, 1_000_000, u32::MAX - 1, u32::MAX] {
        let mut file = whole();
        file[4..8].copy_from_slice(&size.to_le_bytes());
        assert_eq!(attempt(file), Ok(10), "outer size {size}");
    }
}

#[test]
fn an_odd_chunk_is_read_with_and_without_its_pad_byte() {
    for pad in [Some(0), Some(b'x'), None] {
        for next in [&b"bext"[..], b"zzzz"] {
            let mut file = riff(&[(b"fmt ", fmt_16())]);
            file.extend(b"odd \x05\0\0\0abcde");
            file.extend(pad);
            file.extend(next);
            file.extend(b"\x04\0\0\0wxyz");
            file.extend(b"data\x04\0\0\0\x00\x40\x00\xc0");
            let mut reader = reader(file).unwrap();
            assert_eq!(
                read_all(&mut reader, 9).unwrap(),
                [[0.5, -0.5]],
                "{pad:?} {next:?}"
            );
            let kept = reader.metadata().unwrap();
            assert_eq!(kept.find(b"odd "), Some(&b"abcde"[..]));
            assert_eq!(kept.find(next.try_into().unwrap()), Some(&b"wxyz"[..]));
            let odd = reader
                .info()
                .oddities
                .iter()
                .any(|text| text.contains("no pad byte"));
            assert_eq!(odd, pad.is_none());
        }
    }
}

#[test]
fn a_file_cut_anywhere_is_read_or_refused_by_name() {
    let file = whole();
    for length in 0..file.len() {
        match attempt(file[..length].to_vec()) {
            Ok(frames) => assert!(frames <= 10, "cut at {length}"),
            Err(text) => assert!(text.starts_with("take.wav: "), "cut at {length}: {text}"),
        }
    }
}

#[test]
fn a_header_with_any_byte_wrong_is_read_or_refused_by_name() {
    let mut long = riff(&[
        (
            b"ds64",
            [60u64, 40, 10]
                .into_iter()
                .flat_map(u64::to_le_bytes)
                .chain([0; 4])
                .collect(),
        ),
        (b"bext", vec![0x55; 610]),
        (b"cue ", [vec![1, 0, 0, 0], vec![0; 24]].concat()),
        (b"fmt ", extensible(1, 2, 48_000, 16, 2, 3)),
        (b"data", noise(40, 2)),
        (
            b"LIST",
            b"adtlltxt\x14\0\0\0\x01\0\0\0\x08\0\0\0rgn \0\0\0\0\0\0\0\0".to_vec(),
        ),
    ]);
    long[..4].copy_from_slice(b"RF64");
    for file in [whole(), long] {
        for at in 0..file.len() {
            for value in [0x00, 0x01, 0x7f, 0x80, 0xff] {
                let mut changed = file.clone();
                changed[at] = value;
                if let Err(text) = attempt(changed) {
                    assert!(
                        text.starts_with("take.wav: "),
                        "byte {at} = {value:#x}: {text}"
                    );
                }
            }
        }
    }
}

#[test]
fn pairs_of_wrong_bytes_do_no_harm() {
    let file = whole();
    let random = noise(4 * 20_000, 11);
    for bytes in random.chunks_exact(4) {
        let mut changed = file.clone();
        let length = changed.len();
        changed[usize::from(bytes[0]) % length] = bytes[1];
        changed[usize::from(bytes[2]) % length] = bytes[3];
        let _ = attempt(changed);
    }
}

#[test]
fn sizes_in_ds64_are_not_believed() {
    for (data, table) in [(u64::MAX, 0), (1 << 60, u32::MAX), (0, 1)] {
        let mut ds64 = Vec::new();
        ds64.extend(
            [u64::MAX, data, u64::MAX]
                .into_iter()
                .flat_map(u64::to_le_bytes),
        );
        ds64.extend(u32::to_le_bytes(table));
        let mut file = riff(&[(b"ds64", ds64), (b"fmt ", fmt_16())]);
        file[..4].copy_from_slice(b"RF64");
        file.extend(b"data\xff\xff\xff\xff");
        file.extend(noise(2000, 1));
        let reader = reader(file).unwrap();
        assert_eq!(reader.info().frames, 1000);
        assert!(reader.info().truncated.is_some());
    }
    let mut none = riff(&[(b"fmt ", fmt_16())]);
    none[..4].copy_from_slice(b"BW64");
    none.extend(b"data\xff\xff\xff\xff");
    none.extend(noise(2000, 1));
    assert_eq!(attempt(none), Ok(1000));
}

#[test]
fn a_million_chunks_cost_neither_time_nor_memory() {
    let mut file = riff(&[(b"fmt ", fmt_16())]);
    for _ in 0..1_000_000 {
        file.extend(b"a   \x01\0\0\0xy");
    }
    file.extend(b"data\x02\0\0\0\0\0");
    assert!(error_of(reader(file)).contains("more than 10000 chunks before its audio"));
    // The same behind the audio costs only the chunks.
    let mut file = riff(&[(b"fmt ", fmt_16()), (b"data", vec![0; 2])]);
    for _ in 0..20_000 {
        file.extend(b"a   \x01\0\0\0xy");
    }
    let reader = reader(file).unwrap();
    assert!(
        reader
            .info()
            .oddities
            .iter()
            .any(|text| text.contains("first 10000"))
    );
}

#[test]
fn deep_lists_are_not_walked() {
    let mut list = Vec::new();
    for _ in 0..100_000 {
        list.extend(b"LIST\x00\x00\x00\x10adtl");
    }
    let file = riff(&[(b"LIST", list), (b"fmt ", fmt_16()), (b"data", vec![0; 2])]);
    assert_eq!(attempt(file), Ok(1));
}

#[test]
fn bytes_behind_the_last_chunk_are_said() {
    let mut file = whole();
    file.extend([0xff; 9]);
    let reader = reader(file).unwrap();
    let odd = &reader.info().oddities;
    assert!(
        odd.iter().any(|text| text.contains("9 bytes from byte")),
        "{odd:?}"
    );
}

/// Gives one byte at a time, is interrupted before each, and fails from byte `broken` on.
struct Slow {
    inner: Cursor<Vec<u8>>,
    interrupt: bool,
    broken: u64,
}

impl Read for Slow {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.interrupt = !self.interrupt;
        if self.interrupt {
            return Err(io::ErrorKind::Interrupted.into());
        }
        if self.inner.position() >= self.broken {
            return Err(io::Error::other("bad sector"));
        }
        let count = bytes.len().min(1);
        self.inner.read(&mut bytes[..count])
    }
}

impl Seek for Slow {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

fn slow(file: Vec<u8>, broken: u64) -> Result<Reader<Slow>> {
    let source = Slow {
        inner: Cursor::new(file),
        interrupt: false,
        broken,
    };
    Reader::new(source, Path::new("take.wav"))
}

#[test]
fn how_the_source_gives_its_bytes_does_not_matter() {
    let want = read_all(&mut reader(whole()).unwrap(), 4096).unwrap();
    let mut reader = slow(whole(), u64::MAX).unwrap();
    assert_eq!(read_all(&mut reader, 3).unwrap(), want);
    let kept = reader.metadata().unwrap();
    assert_eq!(kept.find(b"note"), Some(&b"abc"[..]));
}

#[test]
fn a_file_that_cannot_be_read_to_its_end_names_the_time() {
    let file = riff(&[(b"fmt ", fmt_16()), (b"data", noise(96_000, 1))]);
    let mut broken = slow(file.clone(), 50_000).unwrap();
    let text = error_of(read_all(&mut broken, 4096));
    assert!(
        text.contains("cannot be read after 0.512 s: bad sector"),
        "{text}"
    );

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    std::fs::write(&path, &file).unwrap();
    let mut reader = batterhead::audio::open(&path).unwrap();
    std::fs::write(&path, &file[..30_000]).unwrap();
    let text = error_of(read_all(&mut *reader, 4096));
    assert!(
        text.contains("became shorter while it was read, after 0.256 s"),
        "{text}"
    );
}

#[test]
fn one_walk_copes_with_every_size_and_order_of_chunks() {
    let audio = || (b"data", vec![0, 0x40, 0, 0xc0]);
    let bext = |first: u8| (b"bext", vec![first; 603]);
    let header = || (b"fmt ", fmt_16());
    let with_size = |id: &[u8; 4], size: u32, file: Vec<u8>| -> Vec<u8> {
        let mut file = file;
        let at = file.windows(4).rposition(|w| w == id).unwrap() + 4;
        file[at..at + 4].copy_from_slice(&size.to_le_bytes());
        file
    };
    let behind = riff(&[
        header(),
        audio(),
        (b"odd ", vec![1; 7]),
        (b"late", vec![2; 4]),
    ]);
    for (what, file, frames) in [
        (
            "odd chunks",
            riff(&[bext(1), (b"LIST", b"INFOx".to_vec()), header(), audio()]),
            Some(2),
        ),
        (
            "two bext",
            riff(&[bext(1), header(), bext(2), audio()]),
            Some(2),
        ),
        ("behind the audio", behind.clone(), Some(2)),
        (
            "behind it, as long as 32 bits say",
            with_size(b"late", u32::MAX, behind.clone()),
            Some(2),
        ),
        (
            "audio as long as 32 bits say",
            with_size(b"data", u32::MAX, riff(&[header(), audio()])),
            Some(2),
        ),
        (
            "a chunk before it as long as that",
            with_size(
                b"odd ",
                u32::MAX,
                riff(&[header(), (b"odd ", vec![]), audio()]),
            ),
            None,
        ),
    ] {
        let opened = reader(file);
        assert_eq!(
            opened.as_ref().ok().map(|r| r.info().frames),
            frames,
            "{what}"
        );
        let Ok(mut opened) = opened else { continue };
        assert_eq!(read_all(&mut opened, 9).unwrap(), [[0.5, -0.5]], "{what}");
        let odd = opened.info().oddities.join("; ");
        match what {
            "odd chunks" => assert_eq!(odd, ""),
            "two bext" => {
                assert!(odd.contains("more than one chunk 'bext'"), "{odd}");
                assert_eq!(opened.metadata().unwrap().find(b"bext").unwrap()[0], 1);
            }
            "behind the audio" => {
                assert_eq!(opened.metadata().unwrap().find(b"late"), Some(&[2; 4][..]));
            }
            _ => {}
        }
    }
}
