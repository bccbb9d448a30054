use super::*;

/// hound is the independent reader and writer.
fn by_hound(channels: u16, bits: u16, values: &[i32]) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels,
        sample_rate: 48_000,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    for value in values {
        writer.write_sample(*value).unwrap();
    }
    writer.finalize().unwrap();
    file.into_inner()
}

/// Integers of `bits` bits: the extremes, the values around zero, and noise.
fn integers(bits: u32, count: usize) -> Vec<i32> {
    let (top, shift) = (i32::MAX >> (32 - bits), 32 - bits);
    let mut values = vec![0, 1, -1, top, -top - 1, top - 1];
    let bytes = noise(count * 4, 1);
    let random = bytes
        .chunks_exact(4)
        .map(|b| i32::from_le_bytes(b.try_into().unwrap()) >> shift);
    values.extend(random);
    values.truncate(count);
    values
}

fn interleave(channels: &[Vec<f64>]) -> Vec<f64> {
    let frames = channels[0].len();
    (0..frames)
        .flat_map(|i| channels.iter().map(move |channel| channel[i]))
        .collect()
}

#[test]
fn every_depth_that_hound_writes_is_read_to_the_bit() {
    for channels in [1, 2, 3] {
        for bits in [8, 16, 24, 32u16] {
            let values = integers(u32::from(bits), 300 * usize::from(channels));
            let file = by_hound(channels, bits, &values);
            let mut reader = reader(file).unwrap();
            let info = reader.info().clone();
            assert_eq!((info.bit_depth, info.sample_format), (bits, INT));
            assert_eq!((info.frames, info.channels), (300, usize::from(channels)));
            assert_eq!(info.truncated, None);
            let full = 2f64.powi(i32::from(bits) - 1);
            let want: Vec<f64> = values.iter().map(|v| f64::from(*v) / full).collect();
            let got = interleave(&read_all(&mut reader, 77).unwrap());
            assert!(got == want, "{channels} channels of {bits} bits");
        }
    }
}

#[test]
fn floats_that_hound_writes_are_read_to_the_bit() {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 96_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let values = [0.0f32, -0.0, 1.0, -1.0, 1e-40, 1.5, -3.25e7, 0.1];
    let mut file = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    values
        .iter()
        .for_each(|value| writer.write_sample(*value).unwrap());
    writer.finalize().unwrap();
    let mut reader = reader(file.into_inner()).unwrap();
    assert_eq!(reader.info().sample_format, SampleFormat::Float);
    let got = interleave(&read_all(&mut reader, 4096).unwrap());
    assert_eq!(got, values.map(f64::from));
}

#[test]
fn hound_reads_every_depth_that_is_written() {
    for channels in [1usize, 2, 3, 8] {
        for (depth, bits) in [(Depth::Int16, 16), (Depth::Int24, 24)] {
            for frames in [0, 1, 2, 301] {
                let values = integers(bits, frames * channels);
                let full = 2f64.powi(bits as i32 - 1);
                let planar: Vec<Vec<f64>> = (0..channels)
                    .map(|c| {
                        let own = values.iter().skip(c).step_by(channels);
                        own.map(|v| f64::from(*v) / full).collect()
                    })
                    .collect();
                for mask in [None, Some(3)] {
                    let mut metadata = Metadata::with_mask(mask);
                    metadata.push(*b"odd ", vec![7; 5]);
                    let spec = spec(channels, depth, frames);
                    let (file, written) = write_all(&spec, &metadata, &planar, 100).unwrap();
                    assert_eq!(written.bytes, file.len() as u64);
                    assert_eq!(written.lost, Default::default());
                    // hound stumbles over a pad byte before `data`, so it gets the file without
                    // that chunk; the pad byte after `data` stays.
                    let plain = Metadata::with_mask(mask);
                    let (plain, _) = write_all(&spec, &plain, &planar, 100).unwrap();
                    let mut hound = hound::WavReader::new(Cursor::new(plain)).unwrap();
                    assert_eq!(u32::from(hound.spec().bits_per_sample), bits);
                    assert_eq!(usize::from(hound.spec().channels), channels);
                    let got: Vec<i32> = hound.samples().map(|v| v.unwrap()).collect();
                    assert_eq!(got, values, "{channels} channels of {bits} bits");
                    let mut own = reader(file).unwrap();
                    assert_eq!(own.info().oddities, Vec::<String>::new());
                    assert!(read_all(&mut own, 64).unwrap() == planar);
                }
            }
        }
    }
}

#[test]
fn hound_reads_the_floats_that_are_written() {
    for channels in [1usize, 2, 5] {
        for mask in [None, Some(0)] {
            let values: Vec<f32> = integers(24, 99 * channels)
                .iter()
                .map(|v| *v as f32 / 3e6)
                .collect();
            let planar: Vec<Vec<f64>> = (0..channels)
                .map(|c| {
                    values
                        .iter()
                        .skip(c)
                        .step_by(channels)
                        .map(|v| f64::from(*v))
                        .collect()
                })
                .collect();
            let metadata = Metadata::with_mask(mask);
            let spec = spec(channels, Depth::Float32, 99);
            let (file, _) = write_all(&spec, &metadata, &planar, 10).unwrap();
            assert_eq!(payload(&file, b"fact").unwrap(), 99u32.to_le_bytes());
            let mut hound = hound::WavReader::new(Cursor::new(file)).unwrap();
            let got: Vec<f32> = hound.samples().map(|v| v.unwrap()).collect();
            assert_eq!(got, values);
        }
    }
}

#[test]
fn untouched_samples_keep_their_bytes() {
    for (depth, tag) in [(Depth::Int16, 1), (Depth::Int24, 1), (Depth::Float32, 3)] {
        let bytes = depth.bits() / 8;
        let mut samples = noise(997 * 2 * usize::from(bytes), 3);
        if depth == Depth::Float32 {
            // No NaN and no infinity: exponents below 255.
            samples.chunks_exact_mut(4).for_each(|b| b[3] &= 0xbf);
        }
        let file = riff(&[
            (b"fmt ", fmt(tag, 2, 48_000, depth.bits(), bytes)),
            (b"data", samples.clone()),
        ]);
        let mut reader = reader(file).unwrap();
        let channels = read_all(&mut reader, 4096).unwrap();
        let (copy, _) =
            write_all(&spec(2, depth, 997), &Metadata::default(), &channels, 41).unwrap();
        assert!(payload(&copy, b"data").unwrap() == samples, "{depth:?}");
    }
}

#[test]
fn less_common_layouts_are_read_exactly() {
    let le = |value: i64, bytes: usize| value.to_le_bytes()[..bytes].to_vec();
    let half = |bits: u32| -(1i64 << (bits - 2)); // −0.5 of full scale
    type Case = (&'static str, Vec<u8>, Vec<u8>, f64, u16);
    let cases: [Case; 11] = [
        ("8 bits", fmt(1, 1, 48_000, 8, 1), vec![64], -0.5, 8),
        (
            "20 in 24",
            fmt(1, 1, 48_000, 20, 3),
            le(half(24), 3),
            -0.5,
            20,
        ),
        (
            "20 in 24, extensible",
            extensible(1, 1, 48_000, 20, 3, 4),
            le(half(24), 3),
            -0.5,
            20,
        ),
        (
            "24 in 32",
            fmt(1, 1, 48_000, 24, 4),
            le(half(32), 4),
            -0.5,
            24,
        ),
        (
            "24 in 32, extensible",
            extensible(1, 1, 48_000, 24, 4, 0),
            le(half(32), 4),
            -0.5,
            24,
        ),
        (
            "32 float, extensible",
            extensible(3, 1, 48_000, 32, 4, 0),
            (-0.5f32).to_le_bytes().into(),
            -0.5,
            32,
        ),
        (
            "64 float",
            fmt(3, 1, 48_000, 64, 8),
            0.1f64.to_le_bytes().into(),
            0.1,
            64,
        ),
        (
            "no valid bits",
            extensible(1, 1, 48_000, 0, 2, 4),
            le(half(16), 2),
            -0.5,
            16,
        ),
        (
            "40 valid bits",
            extensible(1, 1, 48_000, 40, 3, 4),
            le(half(24), 3),
            -0.5,
            24,
        ),
        (
            "14 bytes",
            fmt_16()[..14].to_vec(),
            le(half(16), 2),
            -0.5,
            16,
        ),
        (
            "18 bytes",
            [fmt_16(), vec![0, 0]].concat(),
            le(half(16), 2),
            -0.5,
            16,
        ),
    ];
    for (what, fmt, sample, want, bits) in cases {
        let mut reader = reader(riff(&[(b"fmt ", fmt), (b"data", sample)])).expect(what);
        assert_eq!(reader.info().bit_depth, bits, "{what}");
        assert_eq!(read_all(&mut reader, 9).unwrap(), [[want]], "{what}");
    }
}

#[test]
fn up_to_64_channels_and_from_8_to_384_khz() {
    for channels in [1usize, 7, 64] {
        for rate_hz in [8_000, 44_100, 192_000, 384_000] {
            let planar: Vec<Vec<f64>> = (0..channels)
                .map(|c| vec![c as f64 / 64.0, -1.0, 0.25])
                .collect();
            let spec = WriteSpec {
                rate_hz,
                ..spec(channels, Depth::Int24, 3)
            };
            let (file, _) = write_all(&spec, &Metadata::default(), &planar, 2).unwrap();
            let mut reader = reader(file).unwrap();
            assert_eq!(reader.info().rate_hz, rate_hz);
            assert!(
                read_all(&mut reader, 2).unwrap() == planar,
                "{channels} at {rate_hz}"
            );
        }
    }
}

#[test]
fn any_frame_can_be_sought() {
    let planar = vec![
        (0..5000)
            .map(|i| f64::from(i) / 8192.0)
            .collect::<Vec<f64>>();
        2
    ];
    let (file, _) = write_all(
        &spec(2, Depth::Int24, 5000),
        &Metadata::default(),
        &planar,
        999,
    )
    .unwrap();
    let mut reader = reader(file).unwrap();
    let mut block = Block::default();
    for frame in [4999u64, 0, 17, 2500] {
        reader.seek(frame).unwrap();
        assert_eq!(reader.read(&mut block, 1).unwrap(), 1);
        assert_eq!(block.channel(1), [frame as f64 / 8192.0]);
    }
    for frame in [5000, u64::MAX] {
        reader.seek(frame).unwrap();
        assert_eq!(reader.read(&mut block, 1).unwrap(), 0);
    }
}

#[test]
fn what_cannot_be_read_is_refused_by_name() {
    let with = |fmt: Vec<u8>| riff(&[(b"fmt ", fmt), (b"data", vec![0; 24])]);
    let cases = [
        (fmt(0x11, 1, 48_000, 4, 1), "codec 0x11 (ADPCM)"),
        (fmt(0x55, 1, 48_000, 16, 2), "codec 0x55 (MPEG layer 3)"),
        (fmt(0, 1, 48_000, 16, 2), "codec 0x0"),
        (fmt(1, 0, 48_000, 16, 2), "0 channels, 1 to 64"),
        (fmt(1, 65, 48_000, 16, 2), "65 channels"),
        (fmt(1, 1000, 48_000, 16, 2), "1000 channels"),
        (fmt(1, 1, 0, 16, 2), "0 Hz, 8000 to 384000"),
        (fmt(1, 1, 7_999, 16, 2), "7999 Hz"),
        (fmt(1, 1, 400_000, 16, 2), "400000 Hz"),
        (fmt(1, 1, 48_000, 12, 2), "12 bits in a container of 16"),
        (fmt(1, 1, 48_000, 1, 1), "1 bits in a container of 8"),
        (fmt(1, 1, 48_000, 64, 8), "64 bits in a container of 64"),
        (fmt(3, 1, 48_000, 16, 2), "16 bits of float"),
        (fmt(1, 1, 48_000, 16, 0), "frames of 0 bytes"),
        (fmt_16()[..12].to_vec(), "12 bytes, at least 14"),
        (
            extensible(1, 1, 48_000, 16, 2, 0)[..18].to_vec(),
            "extensible 'fmt ' of 18 bytes",
        ),
        (
            [
                extensible(1, 1, 48_000, 16, 2, 0)[..30].to_vec(),
                vec![9; 10],
            ]
            .concat(),
            "sub-format",
        ),
    ];
    for (fmt, words) in cases {
        let text = error_of(reader(with(fmt)));
        assert!(text.starts_with("take.wav: "), "{text}");
        assert!(text.contains(words), "{text}, expected {words}");
    }
    let mut align = fmt(1, 2, 48_000, 16, 2);
    align[12] = 3;
    assert!(error_of(reader(with(align))).contains("frames of 3 bytes"));
    let data = (b"data", vec![0; 4]);
    for (file, words) in [
        (riff(std::slice::from_ref(&data)), "no chunk 'fmt '"),
        (riff(&[(b"fmt ", fmt_16())]), "no chunk 'data'"),
        (riff(&[data, (b"fmt ", fmt_16())]), "'fmt ' after 'data'"),
    ] {
        let text = error_of(reader(file));
        assert!(text.contains(words), "{text}, expected {words}");
    }
}

#[test]
fn what_cannot_be_written_is_refused_before_a_byte() {
    for (channels, rate_hz) in [(0, 48_000), (65, 48_000), (1, 0), (1, 400_000)] {
        let spec = WriteSpec {
            rate_hz,
            ..spec(channels, Depth::Int16, 1)
        };
        let error = Writer::create(Vec::new(), &spec, &Metadata::default())
            .err()
            .unwrap();
        assert!(
            error
                .reason
                .contains("1 to 64 channels at 8000 to 384000 Hz"),
            "{error}"
        );
    }
    let endless = WriteSpec {
        frames: u64::MAX,
        ..spec(1, Depth::Int16, 0)
    };
    assert!(Writer::create(Vec::new(), &endless, &Metadata::default()).is_err());
}

#[test]
fn a_file_is_as_long_as_promised_or_an_error() {
    let short = write_all(
        &spec(1, Depth::Int16, 9),
        &Metadata::default(),
        &[vec![0.0; 8]],
        4,
    );
    assert!(error_of(short).contains("9 frames were promised, 8 came"));
    let long = write_all(
        &spec(1, Depth::Int16, 9),
        &Metadata::default(),
        &[vec![0.0; 10]],
        4,
    );
    assert!(error_of(long).contains("9 frames were promised, at least 10 came"));
}

#[test]
fn how_the_stream_is_cut_is_not_in_the_bytes() {
    let planar: Vec<Vec<f64>> = (0..3)
        .map(|c| {
            (0..9000)
                .map(|i| f64::from(i * (c + 1) % 977) / 977.0 - 0.4)
                .collect()
        })
        .collect();
    for depth in [Depth::Int16, Depth::Int24, Depth::Float32] {
        let spec = WriteSpec {
            dither: Dither::Tpdf { seed: 5 },
            ..spec(3, depth, 9000)
        };
        let (whole, _) = write_all(&spec, &Metadata::default(), &planar, 9000).unwrap();
        for frames in [1, 7, 64, 4096] {
            let (cut, _) = write_all(&spec, &Metadata::default(), &planar, frames).unwrap();
            assert!(cut == whole, "{depth:?} in blocks of {frames}");
        }
    }
}

#[test]
fn what_does_not_fit_is_counted() {
    let nan = f64::NAN;
    let planar = [vec![
        1.5,
        1.0,
        -1.0,
        -1.1,
        nan,
        f64::INFINITY,
        f64::NEG_INFINITY,
        0.5,
    ]];
    let (file, written) =
        write_all(&spec(1, Depth::Int16, 8), &Metadata::default(), &planar, 3).unwrap();
    assert_eq!(
        (written.lost.over_full_scale, written.lost.non_finite),
        (3, 3)
    );
    let mut back = reader(file).unwrap();
    let top = 32_767.0 / 32_768.0;
    let want = [[top, top, -1.0, -1.0, 0.0, 0.0, 0.0, 0.5]];
    assert_eq!(read_all(&mut back, 8).unwrap(), want);

    let (file, written) = write_all(
        &spec(1, Depth::Float32, 8),
        &Metadata::default(),
        &planar,
        3,
    )
    .unwrap();
    assert_eq!(
        (written.lost.over_full_scale, written.lost.non_finite),
        (2, 3)
    );
    let mut back = reader(file).unwrap();
    let want = [[1.5, 1.0, -1.0, f64::from(-1.1f32), 0.0, 0.0, 0.0, 0.5]];
    assert_eq!(read_all(&mut back, 8).unwrap(), want);
}
