//! Instructions a sample of the hot kernels, held against `benches/instructions.toml`. Unlike time, a
//! count is the same on a busy machine. Needs valgrind, whose callgrind counts, and AVX2.
//!
//! ```text
//! cargo bench --bench instructions                             # fails where a count has grown
//! BATTERHEAD_WRITE_GOLDEN=1 cargo bench --bench instructions   # keeps the counts of today
//! ```

use std::collections::BTreeMap;
use std::hint::black_box;
use std::io::Cursor;
use std::path::Path;
use std::process::{Command, ExitCode};

use batterhead::analysis::{Listener, relate};
use batterhead::audio::{AudioRead, Info, SampleFormat};
use batterhead::block::{Block, FRAMES};
use batterhead::demo;
use batterhead::dsp::resample::Resampler;
use batterhead::measure::{Meter, Survey};
use batterhead::session::Family;
use batterhead::stage::drive::{Curve, Drive};
use batterhead::stage::{Cascade, Chain, Peak, Running, Section, Settings, Stage};
use batterhead::testing::noise;
use batterhead::wav::{Depth, Dither, Metadata, Reader, WriteSpec, Writer};

/// A count may exceed the kept one by so much: compilers and standard libraries differ a little.
const TOLERANCE: f64 = 0.1;
const RATE_HZ: u32 = 48_000;
/// Two seconds of one channel.
const SAMPLES: usize = 96_000;
/// Names the kernel that this process is to run.
const KERNEL: &str = "BATTERHEAD_KERNEL";
const KEPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/instructions.toml");

/// Work to be counted, and how many samples it goes through.
type Kernel = (Box<dyn FnOnce()>, usize);

type Make = fn() -> Kernel;

/// Every kernel by its name; what it needs is made outside the count.
const KERNELS: [(&str, Make); 13] = [
    ("8 sections, one channel", || sections(8, 1)),
    ("8 sections, a pair", || sections(8, 2)),
    ("drive, soft", || drive(Curve::Soft)),
    ("drive, tube", || drive(Curve::Tube)),
    ("drive, hard", || drive(Curve::Hard)),
    ("drive, fold", || drive(Curve::Fold)),
    ("drive, starve", || drive(Curve::Starve)),
    ("loudness and peaks", meter),
    ("findings of a track", survey),
    ("strokes of a track", strokes),
    ("strokes of a take", take),
    ("reading and writing, 24 bit", files),
    ("48 to 44.1 kHz", resample),
];

fn main() -> ExitCode {
    if let Ok(name) = std::env::var(KERNEL) {
        let (_, make) = (KERNELS.iter().find(|k| k.0 == name)).expect("a kernel of this name");
        let (work, samples) = make();
        counted(work);
        println!("{samples}");
        return ExitCode::SUCCESS;
    }
    match why_not() {
        Some(why) if std::env::var_os("BATTERHEAD_REQUIRE_ALL").is_none() => {
            println!("skipped: {why}");
            ExitCode::SUCCESS
        }
        Some(why) => {
            println!("cannot count: {why}");
            ExitCode::FAILURE
        }
        None => compare(),
    }
}

/// What hinders the counting.
fn why_not() -> Option<&'static str> {
    #[cfg(target_arch = "x86_64")]
    if is_x86_feature_detected!("avx2") {
        let there = Command::new("valgrind").arg("--version").output().is_ok();
        return (!there).then_some("valgrind is not there");
    }
    Some("the counts are of processors with AVX2")
}

/// Counts all kernels, prints them beside what was kept, and fails where one has grown.
fn compare() -> ExitCode {
    let kept = std::fs::read_to_string(KEPT).unwrap_or_default();
    let kept: BTreeMap<String, f64> = toml::from_str(&kept).expect("a table of names and counts");
    let mut text =
        "# Instructions a sample; see instructions.rs, which writes this file.\n".to_owned();
    let mut grown = 0;
    println!("instructions a sample         now     kept");
    for (name, _) in KERNELS {
        let now = count(name);
        text += &format!("{name:?} = {now:.1}\n");
        let before = kept.get(name);
        let told = before.map_or("-".to_owned(), |before| format!("{before:.1}"));
        let more = before.is_none_or(|before| now > before * (1.0 + TOLERANCE));
        grown += usize::from(more);
        println!(
            "{name:28}{now:9.1}{told:>9}{}",
            if more { "  more" } else { "" }
        );
    }
    if std::env::var_os("BATTERHEAD_WRITE_GOLDEN").is_some() {
        std::fs::write(KEPT, text).expect("the table can be written");
    } else if grown > 0 {
        println!(
            "{grown} above what was kept by more than {} %",
            TOLERANCE * 100.0
        );
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

/// Instructions a sample of one kernel, run in a process of its own.
fn count(name: &str) -> f64 {
    let program = std::env::current_exe().expect("this program has a path");
    let ran = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg("--toggle-collect=*instructions*counted*")
        .arg(program)
        .env(KERNEL, name)
        .output()
        .expect("valgrind starts");
    let said = String::from_utf8_lossy(&ran.stderr);
    let collected = said.lines().find_map(|line| line.split_once("Collected :"));
    let instructions = collected.and_then(|(_, count)| count.trim().parse::<f64>().ok());
    let samples = String::from_utf8_lossy(&ran.stdout).trim().parse::<f64>();
    match (instructions, samples) {
        (Some(instructions), Ok(samples)) if instructions > 0.0 => instructions / samples,
        _ => panic!("{name} was not counted:\n{said}"),
    }
}

/// What happens in here is counted.
#[inline(never)]
fn counted(work: Box<dyn FnOnce()>) {
    black_box(work)();
}

/// Decaying strokes, four a second, over a little noise.
fn drumming() -> Vec<f64> {
    let noise = noise(1, SAMPLES);
    let sample = |(n, noise): (usize, f64)| {
        let since = (n % 12_000) as f64 / f64::from(RATE_HZ);
        let ring = (1200.0 * since).sin() * (-12.0 * since).exp();
        0.4 * ring + noise * (0.1 * (-40.0 * since).exp() + 3e-4)
    };
    noise.into_iter().enumerate().map(sample).collect()
}

fn blocks() -> Vec<Block> {
    let block = |part: &[f64]| Block::from_channels(vec![part.to_vec()]);
    drumming().chunks(FRAMES).map(block).collect()
}

fn sections(count: usize, channels: usize) -> Kernel {
    let peak = |i| Peak {
        freq_hz: 100.0 + 700.0 * i as f64,
        gain_db: 3.0,
        q: 1.0,
    };
    let all = (0..count).filter_map(|i| peak(i).sections(f64::from(RATE_HZ)));
    let sections: Vec<Section> = all.flatten().collect();
    let mut cascade = Cascade::new(sections, channels);
    let mut block = Block::from_channels(vec![drumming(); channels]);
    let work = move || {
        cascade.process(&mut block);
        black_box(&block);
    };
    (Box::new(work), SAMPLES * channels)
}

fn drive(curve: Curve) -> Kernel {
    let stage = Stage::Drive(Drive {
        curve,
        drive_db: 12.0,
        mix: 1.0,
        bias: 0.0,
        threshold_db: None,
        match_db: Some(-12.0),
    });
    let mut chain = Chain::start(&[stage], f64::from(RATE_HZ), 1);
    let mut blocks = blocks();
    let work = move || {
        for block in &mut blocks {
            chain.process(block);
        }
        black_box(&blocks);
    };
    (Box::new(work), SAMPLES)
}

/// The blocks of the drumming through what listens to them.
fn passing<T: 'static, F: 'static>(
    mut listener: T,
    push: fn(&mut T, &Block),
    finish: fn(T) -> F,
) -> Kernel {
    let blocks = blocks();
    let work = move || {
        blocks.iter().for_each(|block| push(&mut listener, block));
        black_box(finish(listener));
    };
    (Box::new(work), SAMPLES)
}

fn meter() -> Kernel {
    passing(Meter::new(RATE_HZ, 1), Meter::push, Meter::finish)
}

fn survey() -> Kernel {
    let info = Info {
        rate_hz: RATE_HZ,
        channels: 1,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames: SAMPLES as u64,
        time_reference_samples: None,
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    };
    passing(Survey::new(&info, 1), Survey::push, Survey::finish)
}

fn strokes() -> Kernel {
    let listener = Listener::new(Family::Snare, RATE_HZ, 1);
    passing(listener, Listener::push, Listener::finish)
}

fn take() -> Kernel {
    let songs = demo::songs();
    let song = &songs[1];
    let (mut recorded, _) = demo::heard(song, &song.takes[1], |_| true);
    let tracks = recorded.tracks.clone();
    let samples =
        (0..tracks.len()).map(|t| recorded.sound(t).iter().map(|c| c.len()).sum::<usize>());
    let samples = samples.sum();
    let work = move || {
        let heard = relate(&tracks, &mut recorded, None);
        black_box(heard.expect("simulated takes can be read"));
    };
    (Box::new(work), samples)
}

fn files() -> Kernel {
    let blocks = blocks();
    let mut read = Block::default();
    let spec = WriteSpec {
        rate_hz: RATE_HZ,
        channels: 1,
        depth: Depth::Int24,
        dither: Dither::Tpdf { seed: 1 },
        frames: SAMPLES as u64,
    };
    let work = move || {
        let bytes = Vec::with_capacity(SAMPLES * 3 + 1000);
        let mut writer = Writer::create(bytes, &spec, &Metadata::default()).expect("a valid spec");
        for block in &blocks {
            writer.write(block).expect("memory takes it");
        }
        let bytes = writer.finish().expect("all frames came").0;
        let mut reader =
            Reader::new(Cursor::new(&bytes), Path::new("a.wav")).expect("our own file");
        while reader.read(&mut read, FRAMES).expect("in memory") > 0 {
            black_box(&read);
        }
    };
    (Box::new(work), SAMPLES)
}

fn resample() -> Kernel {
    let mut resampler = Resampler::new(RATE_HZ, 44_100, 1, 0).expect("usual rates");
    let (blocks, mut out) = (blocks(), Block::default());
    let work = move || {
        for block in &blocks {
            resampler.process(block, &mut out);
        }
        black_box(&out);
    };
    (Box::new(work), SAMPLES)
}
