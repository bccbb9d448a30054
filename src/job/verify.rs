//! `verify`: every output read again and held against the manifest.

use std::collections::BTreeSet;
use std::path::{Component, Path};

use crate::cache::store;
use crate::error::{Error, Kind, Result};
use crate::output::publish::{self, MANIFEST, Manifest};

/// What was found.
#[derive(Debug, Default, PartialEq)]
pub struct Verified {
    /// Files that are as they were written.
    pub whole: usize,
    /// Differences, each in words: the file, and what is wrong with it.
    pub differences: Vec<String>,
}

/// Reads every file of the manifest in `dir` and compares its SHA-256; stems are also opened by a
/// second, independent WAV reader. A file that no run wrote is a difference too.
pub fn verify(dir: &Path) -> Result<Verified> {
    let path = dir.join(MANIFEST);
    let manifest = Manifest::of(dir).unwrap_or_else(|| {
        Err(Error::input("is not there, or cannot be read")
            .at(&path)
            .hint("give the output folder of an earlier run"))
    })?;
    let mut verified = Verified::default();
    let mut listed = BTreeSet::new();
    for (name, expected) in manifest.entries() {
        let file = dir.join(name);
        let inside = |part| matches!(part, Component::Normal(_));
        if !Path::new(name).components().all(inside) {
            let lead = "does not lie in the output folder";
            verified.differences.push(format!("{name}: {lead}"));
            continue;
        }
        listed.insert(file.clone());
        if std::fs::symlink_metadata(&file).is_ok_and(|found| !found.is_file()) {
            let what = "a link, folder or device stands in its place";
            verified.differences.push(format!("{name}: {what}"));
            continue;
        }
        match publish::sha256_file(&file, &|| false) {
            Err(error) => verified.differences.push(error.to_string()),
            Ok(found) if found.as_deref() != Some(expected) => verified
                .differences
                .push(format!("{name}: its bytes have changed")),
            Ok(_) => match second_reader(&file) {
                Ok(()) => verified.whole += 1,
                Err(why) => verified.differences.push(format!("{name}: {why}")),
            },
        }
    }
    for entry in walkdir::WalkDir::new(dir)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|e| e.file_name() != store::FOLDER)
    {
        let entry = entry.map_err(|e| Error::new(Kind::Environment, e.to_string()))?;
        if !entry.file_type().is_dir() && entry.path() != path && !listed.contains(entry.path()) {
            let name = entry.path().strip_prefix(dir).unwrap_or(entry.path());
            verified
                .differences
                .push(format!("{}: not in the manifest", name.display()));
        }
    }
    Ok(verified)
}

/// Whether a WAV file below 4 GiB opens with `hound`, and holds the bytes that its header promises.
fn second_reader(file: &Path) -> std::result::Result<(), String> {
    let small = std::fs::metadata(file).is_ok_and(|m| m.len() < u64::from(u32::MAX));
    if !small || file.extension().is_none_or(|e| e != "wav") {
        return Ok(());
    }
    let reader =
        hound::WavReader::open(file).map_err(|e| format!("a second reader refuses it: {e}"))?;
    let spec = reader.spec();
    let bytes = u64::from(reader.len()) * u64::from(spec.bits_per_sample.div_ceil(8));
    let there = std::fs::metadata(file).map_or(0, |m| m.len());
    if bytes > there {
        return Err("its header promises more than it holds".to_owned());
    }
    Ok(())
}
