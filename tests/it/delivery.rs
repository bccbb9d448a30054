//! What a delivered file says of itself, and where it starts and ends.

use crate::support::{KIT, Place, RATE};

/// A chunk of a WAV file.
fn chunk(bytes: &[u8], id: &[u8; 4]) -> Option<Vec<u8>> {
    let mut at = 12;
    while at + 8 <= bytes.len() {
        let size = u32::from_le_bytes(bytes[at + 4..at + 8].try_into().unwrap()) as usize;
        if &bytes[at..at + 4] == id {
            return Some(bytes[at + 8..at + 8 + size].to_vec());
        }
        at += 8 + size + size % 2;
    }
    None
}

/// Puts a `bext` of version 1 in front of the samples, as a recorder does.
fn stamp(place: &Place, relative: &str, time_reference: u64) {
    let path = place.path(relative);
    let bytes = std::fs::read(&path).unwrap();
    let mut bext = vec![0u8; 602];
    bext[..12].copy_from_slice(b"as it stands");
    bext[320..338].copy_from_slice(b"2031-05-0614:02:11");
    bext[338..346].copy_from_slice(&time_reference.to_le_bytes());
    bext[346] = 1;
    bext[348] = 0x77;
    bext.extend(b"A=ANALOGUE\r\n");
    let mut new = bytes[..12].to_vec();
    new.extend(b"bext");
    new.extend((bext.len() as u32).to_le_bytes());
    new.extend(bext);
    new.extend(&bytes[12..]);
    let size = new.len() as u32 - 8;
    new[4..8].copy_from_slice(&size.to_le_bytes());
    std::fs::write(path, new).unwrap();
}

fn short(bext: &[u8], at: usize) -> f64 {
    f64::from(i16::from_le_bytes([bext[at], bext[at + 1]])) / 100.0
}

#[test]
fn every_stem_and_mix_carries_its_own_loudness_and_what_the_source_said() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    stamp(&place, "takes/low tide/take 1/Kick In.wav", 7_000_000);
    place.prep(&[], 0);
    let mut seen = 0;
    for entry in walkdir::WalkDir::new(place.path("out")) {
        let entry = entry.unwrap();
        let path = entry.path();
        if path.extension().is_none_or(|e| e != "wav") {
            continue;
        }
        seen += 1;
        let bext = chunk(&std::fs::read(path).unwrap(), b"bext").expect("bext");
        assert_eq!(bext[346..348], [2, 0], "{}", path.display());
        let history = String::from_utf8(bext[602..].to_vec()).unwrap();
        let history = history.trim_end_matches('\0');
        assert!(
            history.ends_with("\r\n") && history.contains("T=batterhead"),
            "{history:?}"
        );
        let name = path.file_stem().unwrap().to_str().unwrap();
        let figures = match name.contains("take-01_") {
            true => {
                place.json(&format!("out/reports/low-tide/take-01/{name}.json"))["after"].clone()
            }
            false => place.json("out/session.json")["mixes"][0]["after"].clone(),
        };
        for (at, key) in [
            (412, "integrated_lufs"),
            (414, "loudness_range_lu"),
            (416, "true_peak_dbtp"),
            (418, "momentary_max_lufs"),
            (420, "short_term_max_lufs"),
        ] {
            match figures[key].as_f64() {
                Some(value) => assert!((short(&bext, at) - value).abs() < 0.006, "{name} {key}"),
                None => assert_eq!(bext[at..at + 2], [0xff, 0x7f], "{name} {key}"),
            }
        }
        if name.ends_with("kick-in") {
            assert!(bext.starts_with(b"as it stands\0"));
            assert_eq!(&bext[320..338], b"2031-05-0614:02:11");
            assert_eq!(bext[338..346], 7_000_000u64.to_le_bytes());
            assert_eq!(bext[348], 0x77);
            assert!(history.starts_with("A=ANALOGUE\r\nA=PCM,F=48000,W=24,M=mono,T="));
            assert!(history.contains("preset kick-in"));
        }
    }
    // four mics, the trashy room, the mix
    assert_eq!(seen, 6);
    let take = &place.json("out/session.json")["takes"][0];
    assert_eq!(take["recorded"], "2031-05-06");
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

/// Two mics of a take, the second of which starts a second later and ends earlier.
fn staggered(place: &Place) {
    for (mic, start) in KIT.iter().zip([7_000_000u64, 7_048_000]) {
        let path = format!("takes/low tide/take 1/{}.wav", mic.name);
        place.mic(&path, mic, 3 + start);
        stamp(place, &path, start);
    }
}

#[test]
fn stems_of_a_take_start_and_end_together_where_that_is_asked_for() {
    let place = Place::new();
    staggered(&place);
    let stem = |mic: &str| format!("out/stems/low-tide/take-01/low-tide_take-01_{mic}.wav");
    for dither in [true, false] {
        let _ = std::fs::remove_dir_all(place.path("out"));
        std::fs::write(
            place.path("takes/session.toml"),
            format!("groups = \"standard\"\n[output]\ndither = {dither}\nbits = 16\n"),
        )
        .unwrap();
        place.prep(&[], 0);
        let summed = |path: &str| place.samples(&format!("out/{path}.wav"));
        let sums = [
            "mixes/low-tide/take-01",
            "stems/low-tide/take-01/group_low-tide_take-01_snare",
        ];
        let before = sums.map(summed);
        let alone: Vec<Vec<i32>> = ["kick-in", "snare-top"]
            .map(|m| place.samples(&stem(m)))
            .into();
        std::fs::write(
            place.path("takes/session.toml"),
            format!(
                "groups = \"standard\"\n[output]\ndither = {dither}\nbits = 16\nstart = \"take\"\n"
            ),
        )
        .unwrap();
        place.prep(&[], 0);
        let together: Vec<Vec<i32>> = ["kick-in", "snare-top"]
            .map(|m| place.samples(&stem(m)))
            .into();
        let (own, lead) = (4 * RATE as usize, RATE as usize);
        assert_eq!([alone[0].len(), alone[1].len()], [own, own]);
        assert_eq!(
            [together[0].len(), together[1].len()],
            [own + lead, own + lead]
        );
        assert!(together[0][..own] == alone[0] && together[1][lead..] == alone[1]);
        assert!(
            together[0][own..]
                .iter()
                .chain(&together[1][..lead])
                .all(|&s| s == 0)
        );
        for mic in ["kick-in", "snare-top"] {
            let bext = chunk(&std::fs::read(place.path(&stem(mic))).unwrap(), b"bext").unwrap();
            assert_eq!(bext[338..346], 7_000_000u64.to_le_bytes());
        }
        // Sums start and end with the take in any case.
        assert!(sums.map(summed) == before);
        assert_eq!(before.map(|sum| sum.len()), [2 * (own + lead); 2]);
        let mix = place.path("out/mixes/low-tide/take-01.wav");
        let mix = hound::WavReader::open(mix).unwrap();
        assert_eq!(mix.duration(), 5 * RATE);
        assert_eq!(mix.spec().bits_per_sample, 16);
    }
    let report = place.json("out/reports/low-tide/take-01/low-tide_take-01_snare-top.json");
    assert_eq!(report["output"]["lead_frames"], RATE);
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn stems_can_have_the_depth_of_their_sources() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    // one mic in 16 bits, one in float
    let again = |name: &str, bits: u16, format: hound::SampleFormat| {
        let relative = format!("takes/low tide/take 1/{name}.wav");
        let samples = place.samples(&relative);
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE,
            bits_per_sample: bits,
            sample_format: format,
        };
        let mut writer = hound::WavWriter::create(place.path(&relative), spec).unwrap();
        for sample in samples {
            match format {
                hound::SampleFormat::Int => writer.write_sample(sample >> 8).unwrap(),
                hound::SampleFormat::Float => {
                    writer.write_sample(sample as f32 / 8_388_608.0).unwrap()
                }
            }
        }
        writer.finalize().unwrap();
    };
    again("Kick In", 16, hound::SampleFormat::Int);
    again("SN TOP", 32, hound::SampleFormat::Float);
    let setting = "groups = \"standard\"\n[output]\nbits = \"source\"\n";
    std::fs::write(place.path("takes/session.toml"), setting).unwrap();
    place.prep(&[], 0);
    let spec = |path: &str| {
        let spec = hound::WavReader::open(place.path(&format!("out/{path}.wav")))
            .expect(path)
            .spec();
        (spec.bits_per_sample, spec.sample_format)
    };
    let stem = |name: &str| spec(&format!("stems/low-tide/take-01/{name}"));
    let (int, float) = (hound::SampleFormat::Int, hound::SampleFormat::Float);
    assert_eq!(stem("low-tide_take-01_kick-in"), (16, int));
    assert_eq!(stem("low-tide_take-01_snare-top"), (32, float));
    assert_eq!(stem("low-tide_take-01_overhead"), (24, int));
    assert_eq!(stem("group_low-tide_take-01_kick"), (16, int));
    assert_eq!(stem("group_low-tide_take-01_snare"), (32, float));
    assert_eq!(spec("mixes/low-tide/take-01"), (32, float));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

/// The error of quantisation with triangular dither has the variance of a quarter of a step squared,
/// whatever the signal; without it a twelfth. Source: Lipshitz, Wannamaker and Vanderkooy,
/// "Quantization and dither: a theoretical survey", JAES 40 (1992), from memory.
#[test]
fn sixteen_bits_are_dithered_as_the_theory_says() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    let stem = "out/stems/low-tide/take-01/low-tide_take-01_snare-top.wav";
    let written = |output: &str| -> Vec<i32> {
        let _ = std::fs::remove_dir_all(place.path("out"));
        std::fs::write(place.path("takes/session.toml"), output).unwrap();
        place.prep(&[], 0);
        place.samples(stem)
    };
    let fine = written("[output]\nbits = 24\ndither = false\n");
    for (dither, variance, most) in [(true, 0.25, 1.51), (false, 1.0 / 12.0, 0.51)] {
        let coarse = written(&format!("[output]\nbits = 16\ndither = {dither}\n"));
        let errors: Vec<f64> = (coarse.iter().zip(&fine))
            .map(|(c, f)| f64::from(c * 256 - f) / 256.0)
            .collect();
        let n = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let found = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / n;
        assert!(mean.abs() < 0.01, "{dither}: {mean}");
        assert!((found / variance - 1.0).abs() < 0.05, "{dither}: {found}");
        assert!(errors.iter().all(|e| e.abs() <= most), "{dither}");
    }
}
