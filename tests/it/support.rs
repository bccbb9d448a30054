//! A session in a temporary folder, the program run on it, and what came out.

use batterhead::dsp::random::Random;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

/// A folder of its own, removed when it goes out of scope.
pub struct Place(tempfile::TempDir);

/// What a check needs and Rust does not bring may be missing, unless `BATTERHEAD_REQUIRE_ALL` is set.
pub fn needed<T>(found: Option<T>, missing: &str) -> Option<T> {
    let all = std::env::var_os("BATTERHEAD_REQUIRE_ALL").is_some();
    assert!(found.is_some() || !all, "{missing}");
    found
}

/// What a run of the program said.
pub struct Ran {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

/// One mic of a generated take.
#[derive(Clone, Copy)]
pub struct MicFile<'a> {
    pub name: &'a str,
    /// Ringing frequency of its hits.
    pub hz: f64,
    /// Peak of its hits, full scale 1.
    pub peak: f64,
    pub channels: u16,
}

pub const RATE: u32 = 48_000;

/// A small kit.
pub const KIT: [MicFile<'_>; 5] = [
    MicFile {
        name: "Kick In",
        hz: 60.0,
        peak: 0.3,
        channels: 1,
    },
    MicFile {
        name: "SN TOP",
        hz: 210.0,
        peak: 0.25,
        channels: 1,
    },
    MicFile {
        name: "OHL",
        hz: 900.0,
        peak: 0.12,
        channels: 1,
    },
    MicFile {
        name: "OHR",
        hz: 910.0,
        peak: 0.12,
        channels: 1,
    },
    MicFile {
        name: "Room",
        hz: 300.0,
        peak: 0.15,
        channels: 2,
    },
];

/// Whole numbers of so many bits.
pub fn pcm(channels: u16, sample_rate: u32, bits_per_sample: u16) -> hound::WavSpec {
    hound::WavSpec {
        channels,
        sample_rate,
        bits_per_sample,
        sample_format: hound::SampleFormat::Int,
    }
}

/// The program; another build of it where `BATTERHEAD_BIN` names one, to see a case fail there.
pub fn program() -> Command {
    let built = env!("CARGO_BIN_EXE_batterhead").into();
    Command::new(std::env::var_os("BATTERHEAD_BIN").unwrap_or(built))
}

impl Place {
    pub fn new() -> Self {
        Self(
            tempfile::Builder::new()
                .prefix("batterhead-test-")
                .tempdir()
                .expect("a temporary folder"),
        )
    }

    pub fn path(&self, relative: &str) -> PathBuf {
        self.0.path().join(relative)
    }

    /// One file of a take: eight damped hits in four seconds, a little noise, all by a fixed seed.
    pub fn mic(&self, relative: &str, mic: &MicFile<'_>, seed: u64) {
        let path = self.path(relative);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
        let spec = pcm(mic.channels, RATE, 24);
        let mut writer = hound::WavWriter::create(path, spec).expect("a file");
        let mut random = Random::new(seed);
        for frame in 0..RATE * 4 {
            let since = f64::from(frame % (RATE / 2)) / f64::from(RATE) - 0.1;
            let ring = if since < 0.0 {
                0.0
            } else {
                mic.peak * (-since * 12.0).exp() * (std::f64::consts::TAU * mic.hz * since).cos()
            };
            for channel in 0..mic.channels {
                let hiss = random.unit() - 0.5;
                let side = 1.0 - 0.1 * f64::from(channel);
                let sample = ring * side + hiss * 2e-4;
                writer
                    .write_sample((sample * 8_388_607.0) as i32)
                    .expect("room on the disk");
            }
        }
        writer.finalize().expect("a whole file");
    }

    /// `takes/SONG/take N/MIC.wav` for some songs and takes.
    pub fn session(&self, songs: &[&str], takes: u64) {
        for (s, song) in songs.iter().enumerate() {
            for take in 1..=takes {
                for (m, mic) in KIT.iter().enumerate() {
                    let seed = 1 + take * 100 + m as u64 + 10_000 * s as u64;
                    self.mic(
                        &format!("takes/{song}/take {take}/{}.wav", mic.name),
                        mic,
                        seed,
                    );
                }
            }
        }
    }

    /// Runs the program in this folder.
    pub fn run(&self, args: &[&str]) -> Ran {
        let output: Output = program()
            .args(args)
            .current_dir(self.0.path())
            .output()
            .expect("the program starts");
        Ran {
            status: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// Runs `prep takes --out out` with more arguments; panics unless the status is as expected.
    pub fn prep(&self, more: &[&str], status: i32) -> Ran {
        let args = [&["prep", "takes", "--out", "out"], more].concat();
        let ran = self.run(&args);
        assert_eq!(ran.status, status, "{}\n{}", ran.stdout, ran.stderr);
        ran
    }

    pub fn json(&self, relative: &str) -> Value {
        let text = std::fs::read_to_string(self.path(relative)).expect(relative);
        serde_json::from_str(&text).expect("JSON")
    }

    /// Every file below a folder with its bytes' SHA-256, sorted, without the program's own memory.
    pub fn tree(&self, relative: &str) -> Vec<(String, String)> {
        let root = self.path(relative);
        let mut files = Vec::new();
        for entry in walkdir::WalkDir::new(&root).sort_by_file_name() {
            let entry = entry.expect("readable");
            let name = entry
                .path()
                .strip_prefix(&root)
                .expect("inside")
                .to_string_lossy()
                .into_owned();
            if entry.file_type().is_file() && !name.starts_with(".batterhead") {
                files.push((name, sha256(entry.path())));
            }
        }
        files
    }

    /// The integer samples of a WAV file, interleaved.
    pub fn samples(&self, relative: &str) -> Vec<i32> {
        let mut reader = hound::WavReader::open(self.path(relative)).expect(relative);
        reader
            .samples::<i32>()
            .map(|s| s.expect("a sample"))
            .collect()
    }
}

pub fn sha256(path: &Path) -> String {
    use sha2::{Digest, Sha256};
    let bytes = std::fs::read(path).expect("readable");
    Sha256::digest(bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}
