//! What has to hold for any bytes. Used by the fuzzer, and by `cargo test` on seeds and regressions.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use batterhead::audio::{AudioRead, Info, SampleFormat};
use batterhead::block::Block;
use batterhead::error::Error;
use batterhead::preset;
use batterhead::session::config::naming::{Fields, Template};
use batterhead::session::slug::slug;
use batterhead::session::{SessionFile, arrange};
use batterhead::wav::{
    Change, Depth, Dither, Loudness, Metadata, Reader, WriteSpec, Writer, history_line,
};
use batterhead::worksheet::{self, Notes, Worksheet};

/// Panics where something does not hold.
pub type Target = fn(&[u8]);

/// All targets by name.
pub const ALL: [(&str, Target); 8] = [
    ("header", header),
    ("chunks", chunks),
    ("rewrite", rewrite),
    ("differential", differential),
    ("preset", preset_text),
    ("session", session_text),
    ("worksheet", worksheet_text),
    ("template", template_text),
];

type Open = Reader<Cursor<Vec<u8>>>;

fn open(bytes: &[u8]) -> Result<Open, Error> {
    Reader::new(Cursor::new(bytes.to_vec()), Path::new("take.wav"))
}

/// An error is told with the file's name and on lines that a terminal survives.
fn told(error: &Error) {
    let text = error.to_string();
    assert!(text.starts_with("take.wav: "), "{text}");
    assert!(!text.contains('\u{1b}'), "{text}");
}

/// A header is read, or refused by name; what it says is within what the file can hold.
pub fn header(bytes: &[u8]) {
    match open(bytes) {
        Ok(reader) => {
            let info = reader.info();
            assert!(info.frames <= bytes.len() as u64);
            assert!((1..=64).contains(&info.channels));
            assert!((8_000..=384_000).contains(&info.rate_hz));
            assert!(info.oddities.len() < 100);
        }
        Err(error) => told(&error),
    }
}

/// What a file carries besides its samples comes back from a file that it is written to.
pub fn chunks(bytes: &[u8]) {
    let Ok(mut reader) = open(bytes) else { return };
    let info = reader.info().clone();
    let Ok(metadata) = reader.metadata() else {
        return;
    };
    let change = Change {
        history: &history_line(info.rate_hz, 24, info.channels, "fuzz"),
        loudness: Loudness::default(),
        rates_hz: (info.rate_hz, 44_100),
        channels_changed: info.channels != 1,
    };
    let (updated, _) = metadata.updated(&change);
    for (metadata, rate_hz) in [(&metadata, info.rate_hz), (&updated, 44_100)] {
        let spec = WriteSpec {
            rate_hz,
            channels: info.channels,
            depth: Depth::Int24,
            dither: Dither::None,
            frames: 0,
        };
        let again = write(&spec, metadata, &[]);
        let mut reader = open(&again).expect("what was written can be read");
        let back = reader.metadata().expect("what was written can be read");
        assert_eq!(
            back.time_reference_samples(),
            metadata.time_reference_samples()
        );
        for id in [b"bext", b"iXML", b"LIST", b"cue ", b"smpl", b"note"] {
            assert_eq!(back.find(id), metadata.find(id), "{id:?}");
        }
        assert_eq!(write(&spec, &back, &[]), again, "written again");
    }
}

fn write(spec: &WriteSpec, metadata: &Metadata, channels: &[Vec<f64>]) -> Vec<u8> {
    let mut writer = Writer::create(Vec::new(), spec, metadata).expect("a lawful header");
    if spec.frames > 0 {
        let block = Block::from_channels(channels.to_vec());
        writer.write(&block).expect("room in memory");
    }
    writer.finish().expect("as many frames as were promised").0
}

fn read_all(reader: &mut Open, frames: usize) -> Result<Vec<Vec<f64>>, Error> {
    let mut all = vec![Vec::new(); reader.info().channels];
    let mut block = Block::default();
    while reader.read(&mut block, frames)? > 0 {
        for (all, channel) in all.iter_mut().zip(block.channels()) {
            all.extend_from_slice(channel);
        }
    }
    Ok(all)
}

fn bits(channels: &[Vec<f64>]) -> Vec<u64> {
    channels.iter().flatten().map(|s| s.to_bits()).collect()
}

/// What is decoded does not depend on the block, and comes back from a file that it is written to,
/// to the bit where the file can hold it; no file holds what is no number.
pub fn rewrite(bytes: &[u8]) {
    let Ok(mut reader) = open(bytes) else { return };
    let info = reader.info().clone();
    let Ok(channels) = read_all(&mut reader, 4096) else {
        return;
    };
    assert!(
        channels
            .iter()
            .all(|channel| channel.len() as u64 == info.frames)
    );
    let block = 1 + usize::from(bytes.last().copied().unwrap_or_default());
    let mut again = open(bytes).expect("as before");
    let other = read_all(&mut again, block).expect("as before");
    assert_eq!(bits(&other), bits(&channels), "the block size can be heard");
    for depth in [Depth::Int16, Depth::Int24, Depth::Float32] {
        let spec = WriteSpec {
            rate_hz: info.rate_hz,
            channels: info.channels,
            depth,
            dither: Dither::None,
            frames: info.frames,
        };
        let file = write(&spec, &Metadata::default(), &channels);
        let mut reader = open(&file).expect("what was written can be read");
        assert!(reader.info().oddities.is_empty() && reader.info().truncated.is_none());
        let back = read_all(&mut reader, 4096).expect("what was written can be read");
        assert!(back.iter().flatten().all(|sample| sample.is_finite()));
        if info.sample_format == SampleFormat::Int && depth != Depth::Float32 {
            let scale = f64::from(1u32 << (depth.bits() - 1));
            let pairs = channels.iter().flatten().zip(back.iter().flatten());
            for (before, after) in pairs.filter(|(before, _)| (*before * scale).fract() == 0.0) {
                assert!(before == after, "{depth:?}: {before} became {after}");
            }
        }
    }
}

/// Files that a second reader takes are taken here with the same samples, or refused for a reason
/// that is a rule here. Where both differ, the rule stands beside it.
pub fn differential(bytes: &[u8]) {
    let Ok(second) = hound::WavReader::new(Cursor::new(bytes)) else {
        return;
    };
    let spec = second.spec();
    if second.len() as usize > bytes.len() {
        return; // it believes sizes beyond the end
    }
    let whole = match spec.sample_format {
        hound::SampleFormat::Int => samples::<i32>(second, |s| {
            f64::from(s) / f64::from(2f32.powi(i32::from(spec.bits_per_sample) - 1))
        }),
        hound::SampleFormat::Float => samples::<f32>(second, f64::from),
    };
    let Some(theirs) = whole else {
        return; // it gives up within the samples: here such a file is read to its end
    };
    let mut reader = match open(bytes) {
        Ok(reader) => reader,
        Err(error) => {
            // Rules: rates and channels of no recorder, bits that do not fill their container.
            let known = [
                "Hz", "channels", "bits", "chunk", "block", "frame", "codec", "format",
            ];
            let text = error.to_string();
            assert!(known.iter().any(|word| text.contains(word)), "{text}");
            return;
        }
    };
    let info = reader.info().clone();
    if !info.oddities.is_empty() || info.truncated.is_some() {
        return; // said, and decided by rules that are tested by name
    }
    assert_eq!(info.channels, usize::from(spec.channels));
    assert_eq!(info.rate_hz, spec.sample_rate);
    let ours = read_all(&mut reader, 999).expect("no damage was said");
    let ours: Vec<f64> = (0..info.frames as usize)
        .flat_map(|frame| ours.iter().map(move |channel| channel[frame]))
        .collect();
    assert_eq!(ours.len(), theirs.len(), "{info:?} {spec:?}");
    let same = |(a, b): (&f64, &f64)| a == b || (a.is_nan() && b.is_nan());
    assert!(ours.iter().zip(&theirs).all(same), "{info:?} {spec:?}");
}

fn samples<S: hound::Sample>(
    reader: hound::WavReader<Cursor<&[u8]>>,
    value: impl Fn(S) -> f64,
) -> Option<Vec<f64>> {
    let all: Result<Vec<S>, _> = reader.into_samples::<S>().collect();
    Some(all.ok()?.into_iter().map(value).collect())
}

fn text(bytes: &[u8]) -> Option<&str> {
    std::str::from_utf8(bytes).ok()
}

/// A preset is read, or every mistake is drawn; what is read can be played.
pub fn preset_text(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    match preset::load(text, "any.toml") {
        Ok(preset) => {
            for rate_hz in [8_000.0, 44_100.0, 384_000.0] {
                if preset.check_at(rate_hz, "a track").is_ok() {
                    let mut block = Block::from_channels(vec![vec![0.5, -0.5, 1e-310, 0.0]; 2]);
                    let mut chain = batterhead::stage::Chain::start(&preset.fallback(), rate_hz, 2);
                    chain.process(&mut block);
                    let finite = |block: &Block| block.channels().flatten().all(|s| s.is_finite());
                    assert!(finite(&block), "{text}");
                }
            }
        }
        Err(problems) => drawn(&problems.render(false)),
    }
}

fn drawn(text: &str) {
    assert!(text.contains("any.toml"), "{text}");
}

/// A session file is read, or every mistake is drawn; what is read can be used.
pub fn session_text(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    match SessionFile::load(text, "any.toml") {
        Ok(config) => {
            let names = [
                "Low Tide/take 1/Kick In.wav",
                "Low Tide/take 1/SN TOP.wav",
                "Low Tide/take 1/OHL.wav",
                "Low Tide/take 1/OHR.wav",
                "Low Tide/take 2/Room.wav",
                "odd \u{301}.wav",
            ];
            let info = Info {
                rate_hz: 48_000,
                channels: 1,
                bit_depth: 24,
                sample_format: SampleFormat::Int,
                frames: 480_000,
                time_reference_samples: None,
                inside: Default::default(),
                oddities: Vec::new(),
                truncated: None,
            };
            let files = names.map(|name| (PathBuf::from(name), info.clone()));
            if let Ok(session) = arrange(Path::new("takes"), files.into(), &config) {
                for (_, _, track) in session.tracks() {
                    assert!(!track.name.contains('/') && !track.name.is_empty());
                }
            }
        }
        Err(problems) => drawn(&problems.render(false)),
    }
}

/// A worksheet is read, or every mistake is drawn; what is read is written and read again the same; its
/// comments stay, as comments, wherever they stand.
pub fn worksheet_text(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    match Worksheet::parse(text, "any.toml") {
        Ok(sheet) => {
            let written = sheet.to_toml();
            let again = Worksheet::parse(&written, "any.toml")
                .unwrap_or_else(|problems| panic!("{}\n{written}", problems.render(false)));
            assert_eq!(again.to_toml(), written, "from {text}");
            let mut notes = Notes::of(text);
            notes.bury(text, &|_| false);
            let mut kept = Vec::new();
            worksheet::write([], &notes, &mut kept).expect("memory takes it");
            let kept = String::from_utf8(kept).expect("it was text");
            let empty = Worksheet::parse(&kept, "any.toml");
            let empty =
                empty.unwrap_or_else(|problems| panic!("{}\n{kept}", problems.render(false)));
            assert_eq!(empty.entries, [], "from {text}");
        }
        Err(problems) => drawn(&problems.render(false)),
    }
}

/// A naming template is read, or every fault lies within it; the names that it makes are names of
/// files, and of nothing else.
pub fn template_text(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    let mut lines = text.lines();
    let template = lines.next().unwrap_or_default();
    match Template::parse(template) {
        Ok(parsed) => {
            let mut field = || slug(lines.next().unwrap_or("low tide"));
            let (song, take, mic, group) = (field(), field(), field(), field());
            let fields = Fields {
                song: &song,
                take: &take,
                mic: &mic,
                side: "l",
                group: &group,
                rate: "48000",
                bits: "24",
                ..Fields::default()
            };
            if let Ok(name) = parsed.name(&fields) {
                assert!(
                    name.is_ascii() && !name.is_empty() && name.len() <= 200,
                    "{name}"
                );
                assert!(!name.contains(['/', '\\', ':', '\0', '\n']), "{name}");
                assert!(!name.starts_with(['.', '-']) && !name.ends_with(['.', ' ']));
            }
        }
        Err(faults) => {
            assert!(!faults.is_empty());
            for fault in faults {
                assert!(template.get(fault.at.clone()).is_some(), "{fault:?}");
            }
        }
    }
}
