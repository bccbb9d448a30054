//! One preset on any files: a session of its own kind, without songs and takes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::audio;
use crate::error::{Error, Kind, Result};
use crate::files::hex;
use crate::output::layout::{Unit, fault};
use crate::preset::Preset;
use crate::remark::Remark;
use crate::session::config::SessionFile;
use crate::session::{Failed, Label, Mic, Session, Song, Source, Take, Track, arrange};
use crate::wording;

/// Bytes of a file name at most, on every common file system.
const LONGEST: usize = 255;

/// The files as tracks named after them, each a take and a set-up of its own, so that none shares a
/// figure with another; or, where `together`, all of them takes of one mic. Files that cannot be
/// read are listed as failed; what is not there at all is a wrong usage.
pub fn session(files: &[PathBuf], together: bool) -> Result<(Session, SessionFile)> {
    let mut takes: Vec<Take> = Vec::new();
    let mut failed = Vec::new();
    let mut notes = Vec::new();
    for (path, name) in names(files, &mut notes)? {
        let mut fail = |reason: String| {
            let path = path.clone();
            failed.push(Failed { path, reason });
        };
        let info = match audio::open(&path) {
            Ok(reader) => reader.info().clone(),
            Err(error) if error.kind == Kind::File => {
                fail(error.reason);
                continue;
            }
            Err(error) => return Err(error),
        };
        let bytes = name.len() + ".wav".len();
        if bytes > LONGEST {
            fail(format!(
                "has too long a name: no output can have {bytes} bytes; rename it"
            ));
            continue;
        }
        let setup = match together {
            true => "together".to_owned(),
            false => takes.len().to_string(),
        };
        let track = Track {
            mic: mic(&path, &info),
            side: None,
            index: 1,
            label: name.clone(),
            name,
            sources: vec![Source {
                path,
                info,
                channel: None,
                lead_frames: 0,
            }],
            why: wording::remark::given_by_name(),
            notes: Vec::new(),
            candidates: Vec::new(),
            already_driven: false,
        };
        takes.push(Take {
            slug: String::new(),
            number: None,
            setup,
            notes: Vec::new(),
            tracks: vec![track],
            pairs: Vec::new(),
        });
    }
    if together {
        let tracks = || takes.iter().flat_map(|take| &take.tracks);
        let one = tracks()
            .map(|track| track.mic)
            .find(|mic| !mic.is_unknown());
        let one = one.unwrap_or_else(Mic::unknown);
        for track in takes.iter_mut().flat_map(|take| &mut take.tracks) {
            track.mic = one;
            track.label = one.name().to_owned();
        }
    }
    let song = Song {
        name: String::new(),
        slug: String::new(),
        takes,
    };
    // Paths stay as they were given: relative to where the program was started.
    let session = Session {
        root: PathBuf::new(),
        songs: vec![song],
        skipped: Vec::new(),
        failed,
        notes,
    };
    Ok((session, SessionFile::default()))
}

/// A name for each file: its own without the ending; where several would share one, with as many of
/// its folders in front as tell it from the others, then with its ending. A file that is given twice
/// counts once, and `notes` say so.
fn names(files: &[PathBuf], notes: &mut Vec<Remark>) -> Result<Vec<(PathBuf, String)>> {
    let mut real: BTreeMap<PathBuf, (&PathBuf, usize)> = BTreeMap::new();
    let mut named: Vec<(&PathBuf, Vec<String>)> = Vec::new();
    for path in files {
        let place = path.canonicalize().map_err(|error| {
            let reason = match error.kind() {
                std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
                _ => Error::reading(path, &error).reason,
            };
            Error::input(reason).at(path)
        })?;
        let (_, times) = real.entry(place.clone()).or_insert((path, 0));
        *times += 1;
        if *times > 1 {
            continue;
        }
        let text = |name: Option<&std::ffi::OsStr>| {
            name.unwrap_or_default().to_string_lossy().into_owned()
        };
        // Forms of the name, each longer than the one before; the last is different for every file.
        let mut name = text(path.file_stem());
        let mut forms = vec![name.clone()];
        for folder in place.ancestors().skip(1).filter_map(Path::file_name) {
            name = format!("{}_{name}", folder.to_string_lossy());
            forms.push(name.clone());
        }
        forms.push(format!(
            "{}-{}",
            forms[forms.len().min(2) - 1],
            text(path.extension())
        ));
        let hash = hex(&Sha256::digest(place.as_os_str().as_encoded_bytes()));
        forms.push(format!(
            "{}-{}",
            forms[0],
            hash.get(..8).unwrap_or_default()
        ));
        named.push((path, forms));
    }
    let again = real.values().filter(|(_, times)| *times > 1);
    notes.extend(again.map(|(path, times)| Remark::GivenAgain {
        path: path.display().to_string(),
        times: *times,
    }));
    let mut chosen = vec![0; named.len()];
    loop {
        // Names that differ in case only are one name on some file systems.
        let mut taken: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, (_, forms)) in named.iter().enumerate() {
            taken
                .entry(forms[chosen[i]].to_lowercase())
                .or_default()
                .push(i);
        }
        let mut again = false;
        for i in taken
            .into_values()
            .filter(|users| users.len() > 1)
            .flatten()
        {
            again |= chosen[i] + 1 < named[i].1.len();
            chosen[i] = (chosen[i] + 1).min(named[i].1.len() - 1);
        }
        if !again {
            break;
        }
    }
    let all = named.into_iter().zip(chosen);
    Ok(all
        .map(|((path, mut forms), form)| (path.clone(), forms.swap_remove(form)))
        .collect())
}

/// What the file's name alone says.
fn mic(path: &Path, info: &audio::Info) -> Mic {
    let name = PathBuf::from(path.file_name().unwrap_or_default());
    let session = arrange(
        Path::new(""),
        vec![(name, info.clone())],
        &SessionFile::default(),
    );
    let found = session.ok().and_then(|session| {
        let (_, _, track) = session.tracks().next()?;
        // Which tom `Floor` is does not matter here: it is one.
        let labels = track.candidates.iter().map(|text| Label::parse(text));
        let mics: Option<Vec<Mic>> = labels.map(|label| Some(label?.mic)).collect();
        let mics = mics.filter(|mics| mics.windows(2).all(|two| two[0].family == two[1].family));
        let likeliest = mics.and_then(|mics| mics.first().copied());
        Some(likeliest.unwrap_or(track.mic))
    });
    found.unwrap_or_else(Mic::unknown)
}

/// One stem a file, `DIR/FILESTEM.wav`.
pub fn units<'a>(session: &'a Session, preset: &'a Preset) -> Vec<Unit<'a>> {
    let unit = |(track_index, (_, take, track)): (usize, (_, &'a Take, &'a Track))| Unit {
        song: None,
        take: None,
        setup: &take.setup,
        track,
        track_index,
        clean_index: track_index,
        derived: None,
        name: track.name.clone(),
        preset,
        fault: fault(preset, track),
        stem_path: format!("{}.wav", track.name),
        report_path: format!("reports/{}.json", fitting(&track.name)),
        key: track.name.clone(),
    };
    session.tracks().enumerate().map(unit).collect()
}

/// A name that fits with the ending of a report: a long one is cut, and kept apart from others by its hash.
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
    fn files_of_one_name_are_told_apart_by_their_folders_in_any_order() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        for name in [
            "a/kick.wav",
            "b/Kick.wav",
            "b/hat.wav",
            "c/d/hat.wav",
            "d/hat.wav",
            "a/kick.flac",
        ] {
            std::fs::create_dir_all(at(name).parent().unwrap()).unwrap();
            std::fs::write(at(name), name).unwrap();
        }
        let of = |files: &[&str]| {
            let files: Vec<PathBuf> = files.iter().map(|name| at(name)).collect();
            let mut found: Vec<String> = names(&files, &mut Vec::new())
                .unwrap()
                .into_iter()
                .map(|n| n.1)
                .collect();
            found.sort();
            found
        };
        assert_eq!(
            of(&["a/kick.wav", "b/Kick.wav", "b/hat.wav"]),
            ["a_kick", "b_Kick", "hat"]
        );
        assert_eq!(
            of(&["b/hat.wav", "b/Kick.wav", "a/kick.wav"]),
            ["a_kick", "b_Kick", "hat"]
        );
        assert_eq!(of(&["a/kick.wav", "a/kick.wav"]), ["kick"]);
        let three = of(&["c/d/hat.wav", "d/hat.wav", "b/hat.wav"]);
        assert!(
            three.contains(&"b_hat".to_owned()) && three.contains(&"c_d_hat".to_owned()),
            "{three:?}"
        );
        assert_eq!(
            of(&["a/kick.wav", "a/kick.flac"]),
            ["a_kick-flac", "a_kick-wav"]
        );
    }

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
