use super::*;

use batterhead::wav::{Change, Loudness, bext, history_line};

/// A `bext` by the offsets of EBU Tech 3285 v2, not by the code under test.
fn bext_v2(time_reference: u64, history: &[u8]) -> Vec<u8> {
    let mut payload = vec![0u8; 602];
    payload[..11].copy_from_slice(b"Soundcheck\xe9"); // Latin-1, not UTF-8
    payload[256..260].copy_from_slice(b"desk");
    payload[320..338].copy_from_slice(b"2024-05-0612:34:56");
    payload[338..342].copy_from_slice(&(time_reference as u32).to_le_bytes());
    payload[342..346].copy_from_slice(&((time_reference >> 32) as u32).to_le_bytes());
    payload[346] = 2;
    payload[412..422].copy_from_slice(&[1; 10]);
    payload.extend(history);
    payload
}

fn change(rates_hz: (u32, u32)) -> Change<'static> {
    Change {
        history: "A=PCM,F=48000,W=24,M=mono,T=test",
        loudness: Loudness::default(),
        rates_hz,
        channels_changed: false,
    }
}

fn source() -> Vec<u8> {
    riff(&[
        (b"JUNK", vec![1; 28]),
        (b"bext", bext_v2(5_000_000_000, b"A=ANALOGUE\r\n")),
        (b"fmt ", fmt(1, 1, 48_000, 24, 3)),
        (b"fact", vec![9; 4]),
        (b"xyzw", noise(77, 5)),
        (b"PEAK", vec![2; 16]),
        (b"data", noise(33, 6)),
        (b"FLLR", vec![3; 6]),
        (b"LIST", b"INFOICMT\x03\0\0\0hi!\0".to_vec()),
        (b"iXML", b"<BWFXML><NOTE>caf\xe9</NOTE></BWFXML>".to_vec()),
        (b"levl", vec![4; 8]),
        (b"xyzw", vec![8; 3]),
    ])
}

#[test]
fn chunks_stay_in_order_on_their_side_byte_for_byte() {
    let source = source();
    let mut original = reader(source.clone()).unwrap();
    let samples = read_all(&mut original, 4096).unwrap();
    let kept = original.metadata().unwrap();
    let (copy, _) = write_all(&spec(1, Depth::Int24, 11), &kept, &samples, 11).unwrap();
    let ids = |file: &[u8]| -> Vec<Vec<u8>> {
        chunk_list(file).iter().map(|(id, _)| id.to_vec()).collect()
    };
    let want = [
        "JUNK", "fmt ", "bext", "xyzw", "data", "LIST", "iXML", "xyzw",
    ];
    assert_eq!(ids(&copy), want.map(|id| id.as_bytes().to_vec()));
    let contents = |file: &[u8], id: &[u8]| -> Vec<Vec<u8>> {
        let list = chunk_list(file);
        list.iter()
            .filter(|(found, _)| *found == id)
            .map(|(_, payload)| payload.to_vec())
            .collect()
    };
    for id in [&b"bext"[..], b"xyzw", b"data", b"LIST", b"iXML"] {
        assert_eq!(contents(&copy, id), contents(&source, id));
    }
    assert_eq!(copy.len() % 2, 0);
    assert_eq!(original.info().time_reference_samples, Some(5_000_000_000));
}

#[test]
fn a_chunk_too_large_for_memory_is_copied_from_the_source() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let large = noise((1 << 20) + 1, 9);
    let file = riff(&[
        (b"fmt ", fmt_16()),
        (b"data", vec![0; 4]),
        (b"wave", large.clone()),
        (b"tail", vec![1; 2]),
    ]);
    std::fs::write(&path, file).unwrap();
    let mut reader = batterhead::audio::open(&path).unwrap();
    let kept = reader.metadata().unwrap();
    assert_eq!(kept.find(b"wave"), None);
    let (copy, written) = write_all(&spec(1, Depth::Int16, 2), &kept, &[vec![0.0; 2]], 2).unwrap();
    assert_eq!(written.bytes, copy.len() as u64);
    assert!(payload(&copy, b"wave").unwrap() == large);
    assert_eq!(payload(&copy, b"tail"), Some(&[1, 1][..]));
    // The source is gone: an error that names it, no half chunk.
    std::fs::remove_file(&path).unwrap();
    let error = write_all(&spec(1, Depth::Int16, 2), &kept, &[vec![0.0; 2]], 2)
        .err()
        .unwrap();
    assert_eq!(error.path, Some(path));
}

#[test]
fn changed_audio_marks_loudness_and_adds_a_line_of_history() {
    let mut reader = reader(source()).unwrap();
    let (kept, notes) = reader
        .metadata()
        .unwrap()
        .updated(&change((48_000, 48_000)));
    let bext = kept.find(b"bext").unwrap();
    let original = bext_v2(5_000_000_000, b"A=ANALOGUE\r\n");
    assert_eq!(bext[..412], original[..412]);
    assert_eq!(bext[412..422], [0xff, 0x7f].repeat(5)); // 7FFFh: not used
    assert_eq!(bext[422..602], original[422..602]);
    assert_eq!(
        &bext[602..],
        b"A=ANALOGUE\r\nA=PCM,F=48000,W=24,M=mono,T=test\r\n"
    );
    assert_eq!(
        notes,
        [
            "'bext': loudness of the old samples marked as not used",
            "'bext': a line was added to its coding history"
        ]
    );
}

#[test]
fn loudness_is_written_as_the_standard_rounds_it() {
    // EBU Tech 3285 v2, section 2.4: the three examples.
    let mut metadata = Metadata::default();
    metadata.push(*b"bext", bext_v2(0, b""));
    let loudness = Loudness {
        integrated_lufs: Some(-22.644),
        range_lu: Some(12.765),
        true_peak_dbtp: Some(-22.645),
        momentary_max_lufs: None,
        short_term_max_lufs: Some(-400.0), // does not fit
    };
    let (kept, _) = metadata.updated(&Change {
        loudness,
        ..change((48_000, 48_000))
    });
    let fields = &kept.find(b"bext").unwrap()[412..422];
    assert_eq!(
        fields,
        [0x28, 0xf7, 0xfd, 0x04, 0x27, 0xf7, 0xff, 0x7f, 0xff, 0x7f]
    );
}

#[test]
fn history_without_line_end_or_with_filler_gets_a_line_of_its_own() {
    for (history, want) in [
        (&b""[..], &b"A=PCM,F=48000,W=24,M=mono,T=test\r\n"[..]),
        (
            b"A=ANALOGUE",
            b"A=ANALOGUE\r\nA=PCM,F=48000,W=24,M=mono,T=test\r\n",
        ),
        (
            b"A=X\r\n\0\0\0",
            b"A=X\r\nA=PCM,F=48000,W=24,M=mono,T=test\r\n",
        ),
    ] {
        let mut metadata = Metadata::default();
        metadata.push(*b"bext", bext_v2(0, history));
        let (kept, _) = metadata.updated(&change((48_000, 48_000)));
        assert_eq!(&kept.find(b"bext").unwrap()[602..], want);
    }
    let line = history_line(96_000, 24, 2, "tool 1.0, snare\r\n");
    assert_eq!(line, "A=PCM,F=96000,W=24,M=stereo,T=tool 1.0 snare");
}

#[test]
fn version_1_has_no_loudness_to_mark() {
    let mut metadata = Metadata::default();
    metadata.push(*b"bext", bext("Take 3", "batterhead", u64::MAX - 1));
    let (kept, _) = metadata.updated(&change((48_000, 48_000)));
    let bext = kept.find(b"bext").unwrap();
    assert_eq!(bext[412..422], [0; 10]);
    assert_eq!(&bext[..7], b"Take 3\0");
    assert_eq!(kept.time_reference_samples(), Some(u64::MAX - 1));
}

#[test]
fn positions_follow_a_new_sample_rate() {
    let word = |value: u32| value.to_le_bytes().to_vec();
    let cue_point = |position: u32| {
        [
            word(1),
            word(position),
            b"data".to_vec(),
            word(0),
            word(0),
            word(position),
        ]
        .concat()
    };
    let mut metadata = Metadata::default();
    metadata.push(*b"bext", bext("", "", 3_600 * 48_000 + 1));
    metadata.push(
        *b"cue ",
        [word(2), cue_point(48_000), cue_point(96_001)].concat(),
    );
    let ltxt = |length: u32| [word(1), word(length), b"rgn ".to_vec(), word(0), word(0)].concat();
    let adtl = |length: u32| {
        [
            b"adtllabl".to_vec(),
            word(7),
            word(1),
            b"hi\0\0".to_vec(), // odd: a pad byte
            b"ltxt".to_vec(),
            word(20),
            ltxt(length),
        ]
        .concat()
    };
    metadata.push(*b"LIST", adtl(24_000));
    let smpl = |period: u32, start: u32, end: u32| {
        let head = [
            word(0),
            word(0),
            word(period),
            vec![0; 16],
            word(1),
            word(0),
        ]
        .concat();
        [
            head,
            word(5),
            word(0),
            word(start),
            word(end),
            word(0),
            word(0),
        ]
        .concat()
    };
    metadata.push(*b"smpl", smpl(20_833, 480, 4_800));
    let (kept, notes) = metadata.updated(&change((48_000, 44_100)));
    assert_eq!(kept.time_reference_samples(), Some(3_600 * 44_100 + 1)); // 0.919 rounds to 1
    // 96001 × 44100 / 48000 = 88200.92
    assert_eq!(
        kept.find(b"cue ").unwrap(),
        [word(2), cue_point(44_100), cue_point(88_201)].concat()
    );
    assert_eq!(kept.find(b"LIST").unwrap(), adtl(22_050));
    assert_eq!(kept.find(b"smpl").unwrap(), smpl(22_675, 441, 4_410)); // 10^9 / 44100 = 22675.7
    assert_eq!(notes.len(), 5, "{notes:?}");
    let (same, _) = metadata.updated(&change((48_000, 48_000)));
    assert_eq!(same.find(b"cue "), metadata.find(b"cue "));
}

#[test]
fn a_time_reference_beyond_64_bits_is_held_and_said() {
    let mut metadata = Metadata::default();
    metadata.push(*b"bext", bext("", "", u64::MAX - 5));
    let (kept, notes) = metadata.updated(&change((48_000, 96_000)));
    assert_eq!(kept.time_reference_samples(), Some(u64::MAX));
    assert!(
        notes.iter().any(|note| note.contains("beyond 64 bits")),
        "{notes:?}"
    );
}

#[test]
fn tables_that_lie_about_their_length_do_no_harm() {
    let mut metadata = Metadata::default();
    metadata.push(*b"cue ", [vec![0xff; 4], vec![0x01; 30]].concat());
    metadata.push(*b"smpl", vec![0xff; 37]);
    metadata.push(*b"LIST", b"adtlltxt\xff\xff\xff\xff\x01\0".to_vec());
    metadata.push(*b"bext", vec![0xff; 500]);
    let (kept, _) = metadata.updated(&change((48_000, 192_000)));
    assert_eq!(kept.find(b"bext").unwrap(), [0xff; 500]);
    assert_eq!(kept.find(b"cue ").unwrap().len(), 34);
    for length in 0..700 {
        let mut metadata = Metadata::default();
        for id in [*b"cue ", *b"smpl", *b"bext"] {
            metadata.push(id, noise(length, length as u64));
        }
        metadata.push(*b"LIST", [b"adtl".to_vec(), noise(length, 1)].concat());
        let (kept, _) = metadata.updated(&change((48_000, 384_000)));
        assert_eq!(kept.find(b"cue ").unwrap().len(), length);
    }
}

#[test]
fn what_describes_other_channels_goes_and_is_said() {
    let mut metadata = Metadata::with_mask(Some(3));
    for id in [*b"chna", *b"axml", *b"iXML"] {
        metadata.push(id, vec![1; 4]);
    }
    let channels_changed = true;
    let (kept, notes) = metadata.updated(&Change {
        channels_changed,
        ..change((48_000, 48_000))
    });
    assert_eq!(
        (kept.find(b"chna"), kept.find(b"axml"), kept.mask),
        (None, None, None)
    );
    assert_eq!(kept.find(b"iXML"), Some(&[1; 4][..]));
    assert_eq!(notes.len(), 3, "{notes:?}");
}
