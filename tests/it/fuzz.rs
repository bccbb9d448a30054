//! The fuzz targets on their seeds, on what the fuzzer has ever found, and on damage to both.

#[path = "../../fuzz/src/targets.rs"]
mod targets;

use std::path::{Path, PathBuf};

fn files(folder: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let walk = walkdir::WalkDir::new(root).sort_by_file_name().into_iter();
    walk.filter_map(Result::ok)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let bytes = std::fs::read(entry.path()).expect("readable");
            (entry.into_path(), bytes)
        })
        .collect()
}

fn seeds(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    match target {
        "header" | "chunks" | "rewrite" | "differential" => files("fuzz/seeds/wav"),
        "preset" => [files("tests/data/presets"), files("presets")].concat(),
        other => files(&format!("fuzz/seeds/{other}")),
    }
}

#[test]
fn what_the_fuzzer_begins_with_and_has_found_holds() {
    for (name, target) in targets::ALL {
        let seeds = seeds(name);
        assert!(!seeds.is_empty(), "{name} has no seeds");
        for (path, bytes) in seeds
            .iter()
            .chain(&files(&format!("fuzz/regressions/{name}")))
        {
            println!("{name}: {}", path.display());
            target(bytes);
        }
    }
}

#[test]
fn every_target_survives_a_cut_and_a_wrong_byte_anywhere_in_its_small_seeds() {
    for (name, target) in targets::ALL {
        for (path, bytes) in seeds(name).iter().filter(|(_, bytes)| bytes.len() < 1200) {
            println!("{name}: {}", path.display());
            for at in 0..bytes.len() {
                target(&bytes[..at]);
                let mut changed = bytes.clone();
                changed[at] = changed[at].wrapping_add(0x55);
                target(&changed);
            }
        }
    }
}
