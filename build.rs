//! Hashes the code whose results are kept from run to run, so that a kept result is found only by the
//! code that made it.

use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// What measures, analyses, decides and processes, and the versions of what it is built on.
const ROOMS: &[&str] = &[
    "src/analysis",
    "src/audio",
    "src/cache",
    "src/decide",
    "src/dsp",
    "src/job",
    "src/measure",
    "src/mix",
    "src/stage",
    "src/wav",
    "src/block.rs",
    "src/finding.rs",
    "src/units.rs",
    "Cargo.lock",
];

fn main() {
    let mut files = Vec::new();
    for room in ROOMS {
        println!("cargo:rerun-if-changed={room}");
        gather(Path::new(room), &mut files);
        // A room may be a folder, a file, or both.
        let file = PathBuf::from(format!("{room}.rs"));
        if file.exists() {
            println!("cargo:rerun-if-changed={}", file.display());
            files.push(file);
        }
    }
    files.sort();
    let mut hash = Sha256::new();
    for file in files {
        let name = file.to_string_lossy().replace('\\', "/");
        let text = fs::read(&file).unwrap_or_default();
        for part in [name.as_bytes(), &text] {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part);
        }
    }
    let digits: String = (hash.finalize().iter().take(8))
        .map(|byte| format!("{byte:02x}"))
        .collect();
    println!("cargo:rustc-env=BATTERHEAD_CODE={digits}");
}

fn gather(path: &Path, files: &mut Vec<PathBuf>) {
    match fs::read_dir(path) {
        Ok(entries) => {
            for entry in entries.flatten() {
                gather(&entry.path(), files);
            }
        }
        Err(_) if path.is_file() => files.push(path.to_owned()),
        Err(_) => {}
    }
}
