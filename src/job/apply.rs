//! One preset on any files: a session of its own kind, without songs and takes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::audio;
use crate::error::{Error, Kind, Result};
use crate::output::layout::Unit;
use crate::output::publish::hex;
use crate::preset::Preset;
use crate::session::config::SessionFile;
use crate::session::{Failed, Mic, Session, Song, Source, Take, Track, arrange};

/// Bytes of a file name at most, on every common file system.
const LONGEST: usize = 255;

/// The files as one take, each a track named after its file. Files that cannot be read are listed as
/// failed; what is not there at all is a wrong usage.
pub fn session(files: &[PathBuf]) -> Result<(Session, SessionFile)> {
    let mut tracks = Vec::new();
    let mut failed = Vec::new();
    for path in files {
        if !path.exists() {
            return Err(Error::input("there is no such file").at(path));
        }
        let info = match audio::open(path) {
            Ok(reader) => reader.info().clone(),
            Err(error) if error.kind == Kind::File => {
                failed.push(Failed {
                    path: path.clone(),
                    reason: error.reason,
                });
                continue;
            }
            Err(error) => return Err(error),
        };
        let stem = path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        tracks.push(Track {
            mic: mic(path, &info),
            side: None,
            index: 1,
            label: stem.clone(),
            name: stem,
            sources: vec![Source {
                path: path.clone(),
                info,
                channel: None,
            }],
            why: "given by name".to_owned(),
            notes: Vec::new(),
            proposal: None,
            already_driven: false,
        });
    }
    let take = Take {
        slug: String::new(),
        number: None,
        setup: String::new(),
        tracks,
    };
    let song = Song {
        name: String::new(),
        slug: String::new(),
        takes: vec![take],
    };
    // Paths stay as they were given: relative to where the program was started.
    let root = PathBuf::new();
    Ok((
        Session {
            root: root.clone(),
            songs: vec![song],
            skipped: Vec::new(),
            failed,
            notes: Vec::new(),
        },
        SessionFile::default(),
    ))
}

/// What the file's name alone says.
fn mic(path: &Path, info: &audio::Info) -> Mic {
    let name = PathBuf::from(path.file_name().unwrap_or_default());
    let session = arrange(
        Path::new(""),
        vec![(name, info.clone())],
        &SessionFile::default(),
    );
    let found = session
        .ok()
        .and_then(|s| s.tracks().next().map(|(_, _, track)| track.mic));
    found.unwrap_or_else(Mic::unknown)
}

/// One stem a file, `DIR/FILESTEM.wav`.
///
/// # Errors
/// Two files with one name, or a stage that the rate of a file does not allow.
pub fn units<'a>(session: &'a Session, preset: &'a Preset) -> Result<Vec<Unit<'a>>> {
    let mut names: BTreeMap<String, &Path> = BTreeMap::new();
    let mut units = Vec::new();
    for (track_index, (_, _, track)) in session.tracks().enumerate() {
        let path = &track.sources[0].path;
        // Names that differ in case only are one name on some file systems.
        if let Some(other) = names.insert(track.name.to_lowercase(), path) {
            let reason = format!("would be written to the same name as {}", other.display());
            return Err(Error::input(reason)
                .at(path)
                .hint("rename one of them, or give it another --out"));
        }
        let stem_path = format!("{}.wav", track.name);
        if stem_path.len() > LONGEST {
            let reason = format!(
                "has too long a name: no output can have {} bytes",
                stem_path.len()
            );
            return Err(Error::input(reason).at(path).hint("rename it"));
        }
        preset.check_at(f64::from(track.rate_hz()), &format!("`{}`", track.name))?;
        units.push(Unit {
            song: None,
            take: None,
            track,
            track_index,
            derived: None,
            name: track.name.clone(),
            preset,
            stem_path,
            report_path: format!("reports/{}.json", fitting(&track.name)),
            key: track.name.clone(),
        });
    }
    Ok(units)
}

/// A name that fits with the ending of a report: a long one is cut, and told from others by its hash.
fn fitting(name: &str) -> String {
    let room = LONGEST - ".json".len();
    if name.len() <= room {
        return name.to_owned();
    }
    let hash = hex(&Sha256::digest(name));
    let hash = hash.get(..16).unwrap_or_default();
    let mut start = String::new();
    for c in name.chars() {
        if start.len() + c.len_utf8() + 1 + hash.len() > room {
            break;
        }
        start.push(c);
    }
    format!("{start}-{hash}")
}

/// Refuses to write over a source.
pub fn check_places(files: &[PathBuf], out: &Path) -> Result<()> {
    let out = out.canonicalize().unwrap_or_else(|_| out.to_owned());
    for file in files {
        let folder = file
            .canonicalize()
            .ok()
            .and_then(|f| f.parent().map(Path::to_owned));
        if folder.as_deref() == Some(&out) {
            return Err(Error::input(
                "the output folder is the folder of a source, which would be written over",
            )
            .at(file)
            .hint("give another folder with --out"));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_are_cut_to_fit_and_stay_apart() {
        assert_eq!(fitting("Kick In"), "Kick In");
        let (one, two) = (
            format!("{}a", "é".repeat(125)),
            format!("{}b", "é".repeat(125)),
        );
        assert!(fitting(&one).len() <= 250 && fitting(&one) != fitting(&two));
        assert!(fitting(&one).starts_with("éé"));
    }
}
