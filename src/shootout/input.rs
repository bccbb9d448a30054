//! What is compared: files, or folders that hold one take each.

use std::path::{Path, PathBuf};

use super::sound::{Placed, Sound};
use crate::compared::Note;
use crate::error::{Error, Kind, Result};
use crate::job;
use crate::mix;
use crate::session::{self, Family};

/// Most candidates: each has a letter, a file and a key on the page.
pub(super) const MOST: usize = 8;

/// Tracks of a take begin within so many seconds of each other, or their clocks are wrong.
const MOST_APART_S: u64 = 30;

/// One of the things compared.
#[derive(Debug)]
pub(super) struct Candidate {
    /// `a`, `b`, …: what its files are called.
    pub letter: char,
    /// File name without ending, or name of the folder.
    pub name: String,
    /// As given.
    pub path: PathBuf,
    /// Sources are relative to it.
    pub root: PathBuf,
    pub rate_hz: u32,
    /// Tracks of a folder, click included; of a file it alone.
    pub tracks: Vec<Placed>,
    pub is_folder: bool,
    /// Labels that all candidates have, and that are music: what is mixed and compared.
    pub shared: Vec<String>,
}

impl Candidate {
    /// Length in the time of the take.
    pub fn frames(&self) -> u64 {
        self.tracks.iter().map(Placed::end).max().unwrap_or(0)
    }

    /// What is heard of it: the file, or the mix of the mics that all candidates have.
    pub fn sound(&self) -> Result<Sound> {
        match self.tracks.first() {
            Some(only) if !self.is_folder => Sound::track(&self.root, only),
            _ => Sound::mix(
                &self.root,
                self.shared.iter().filter_map(|label| self.track(label)),
            ),
        }
    }

    /// The track of this label.
    pub fn track(&self, label: &str) -> Option<&Placed> {
        self.tracks.iter().find(|t| t.track.label == label)
    }

    /// The files that it is read from.
    pub fn sources(&self) -> Vec<PathBuf> {
        let sources = self.tracks.iter().flat_map(|placed| &placed.track.sources);
        sources.map(|source| self.root.join(&source.path)).collect()
    }

    /// Its click track, where it is a take with one.
    pub fn click(&self) -> Option<&Placed> {
        self.tracks
            .iter()
            .find(|t| self.is_folder && t.track.mic.name() == "click")
    }

    /// The part of the kit: a mix is heard as overheads are.
    pub fn family(&self) -> Family {
        match self.tracks.first() {
            Some(only) if !self.is_folder => only.track.mic.family,
            _ => Family::Overhead,
        }
    }
}

/// Opens what was named on the command line and finds the mics that all have. `notes` gets what
/// a person should know.
///
/// # Errors
/// [`Kind::Input`], with the reason: fewer than two or too many candidates, files and folders mixed,
/// a folder with several takes, different sample rates, no mic in common, or what cannot be read.
pub(super) fn open(paths: &[PathBuf], out: &Path, notes: &mut Vec<Note>) -> Result<Vec<Candidate>> {
    if !(2..=MOST).contains(&paths.len()) {
        return Err(Error::input(format!(
            "{} candidates were given, 2 to {MOST} can be compared",
            paths.len()
        )));
    }
    for path in paths {
        if !path.exists() {
            return Err(Error::input("there is no such file or folder").at(path));
        }
    }
    let folders = paths.iter().filter(|p| p.is_dir()).count();
    if folders != 0 && folders != paths.len() {
        return Err(
            Error::input("files and folders cannot be compared with each other")
                .hint("give two files, or two folders that hold one take each"),
        );
    }
    let opened = paths.iter().zip('a'..).map(|(path, letter)| match folders {
        0 => file(path, letter, out),
        _ => folder(path, letter, out, notes),
    });
    let mut candidates = opened.collect::<Result<Vec<_>>>().map_err(|error| {
        if error.kind == Kind::File {
            Error {
                kind: Kind::Input,
                ..error
            }
        } else {
            error
        }
    })?;
    same_rate(&candidates)?;
    name_apart(&mut candidates);
    if folders > 0 {
        share(&mut candidates, notes)?;
    }
    twice(&candidates, notes);
    Ok(candidates)
}

fn file(path: &Path, letter: char, out: &Path) -> Result<Candidate> {
    job::apply::check_places(&[path.to_owned()], out)?;
    let (session, _) = job::apply::session(&[path.to_owned()], false)?;
    if let Some(failed) = session.failed.first() {
        return Err(Error::input(failed.reason.clone()).at(path));
    }
    let track = session.tracks().map(|(_, _, track)| track.clone()).next();
    let track = track.ok_or_else(|| Error::input("holds no sound").at(path))?;
    Ok(Candidate {
        letter,
        name: track.label.clone(),
        path: path.to_owned(),
        root: session.root,
        rate_hz: track.rate_hz(),
        tracks: vec![Placed { track, offset: 0 }],
        is_folder: false,
        shared: Vec::new(),
    })
}

fn folder(path: &Path, letter: char, out: &Path, notes: &mut Vec<Note>) -> Result<Candidate> {
    let (root, config) = session::open(path)?;
    job::check_places(&root, out)?;
    let session = session::scan(&root, &config)?;
    for failed in &session.failed {
        notes.push(Note::Unread {
            candidate: letter,
            path: failed.path.display().to_string(),
            reason: failed.reason.clone(),
        });
    }
    let mut takes = session.songs.iter().flat_map(|song| &song.takes);
    let take = takes
        .next()
        .ok_or_else(|| Error::input("holds no take that can be read").at(path))?;
    let more = takes.count();
    if more > 0 {
        return Err(
            Error::input(format!("holds {} takes, a candidate is one", more + 1))
                .at(path)
                .hint("name the folder of one take, or two of its files"),
        );
    }
    // The rate that most of its tracks have; the first of them where they are tied.
    let count = |rate: u32| take.tracks.iter().filter(|t| t.rate_hz() == rate).count();
    let rates = take.tracks.iter().map(|t| t.rate_hz());
    let rate_hz = rates.rev().max_by_key(|&rate| count(rate)).unwrap_or(0);
    let time = |track: &session::Track| {
        track
            .sources
            .first()
            .and_then(|s| s.info.time_reference_samples)
    };
    let kept: Vec<_> = take
        .tracks
        .iter()
        .filter(|t| t.rate_hz() == rate_hz)
        .collect();
    for track in take.tracks.iter().filter(|t| t.rate_hz() != rate_hz) {
        notes.push(Note::OtherRate {
            candidate: letter,
            label: track.label.clone(),
            rate_hz: track.rate_hz(),
            others_hz: rate_hz,
        });
    }
    let times: Vec<_> = kept
        .iter()
        .map(|track| (time(track), track.frames()))
        .collect();
    let placed = mix::place(&times);
    let latest = placed.offsets.iter().max().copied().unwrap_or(0);
    let believed = !placed.disbelieved && latest <= MOST_APART_S * u64::from(rate_hz);
    if !believed {
        notes.push(Note::TimesTooFarApart { candidate: letter });
    }
    let place = |(track, offset): (&session::Track, u64)| Placed {
        track: track.clone(),
        offset: if believed { offset } else { 0 },
    };
    let real = root.canonicalize().unwrap_or_else(|_| root.clone());
    Ok(Candidate {
        letter,
        name: real
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        path: path.to_owned(),
        tracks: kept.into_iter().zip(placed.offsets).map(place).collect(),
        root,
        rate_hz,
        is_folder: true,
        shared: Vec::new(),
    })
}

fn same_rate(candidates: &[Candidate]) -> Result<()> {
    let rates: Vec<u32> = candidates.iter().map(|c| c.rate_hz).collect();
    if rates.windows(2).all(|pair| pair[0] == pair[1]) {
        return Ok(());
    }
    let list: Vec<String> = candidates
        .iter()
        .map(|c| format!("{} has {} Hz", c.name, c.rate_hz))
        .collect();
    Err(Error::input(format!(
        "the sample rates are different: {}",
        list.join(", ")
    ))
    .hint("convert them to one rate first; a conversion here would be part of what you hear"))
}

/// Two candidates of one name get the folder above them in front; where that is the same too, letters differ.
fn name_apart(candidates: &mut [Candidate]) {
    let names: Vec<String> = candidates.iter().map(|c| c.name.clone()).collect();
    for candidate in candidates.iter_mut() {
        if names.iter().filter(|n| **n == candidate.name).count() > 1 {
            let real = candidate
                .path
                .canonicalize()
                .unwrap_or_else(|_| candidate.path.clone());
            let above = real.parent().and_then(Path::file_name).unwrap_or_default();
            candidate.name = format!("{}/{}", above.to_string_lossy(), candidate.name);
        }
    }
}

/// Finds the mics that all takes have.
fn share(candidates: &mut [Candidate], notes: &mut Vec<Note>) -> Result<()> {
    let labels = |c: &Candidate| -> Vec<String> {
        let music = c
            .tracks
            .iter()
            .filter(|t| t.track.mic.family != Family::Utility);
        music.map(|t| t.track.label.clone()).collect()
    };
    let all: Vec<Vec<String>> = candidates.iter().map(labels).collect();
    let shared: Vec<String> = all[0]
        .iter()
        .filter(|label| all.iter().all(|labels| labels.contains(label)))
        .cloned()
        .collect();
    if shared.is_empty() {
        let lists: Vec<String> = candidates
            .iter()
            .zip(&all)
            .map(|(c, l)| format!("{}: {}", c.name, l.join(", ")))
            .collect();
        return Err(Error::input(format!(
            "the takes have no mic in common ({})",
            lists.join("; ")
        ))
        .hint("name the files alike, or give the two files instead of the folders"));
    }
    for (candidate, labels) in candidates.iter_mut().zip(&all) {
        let alone = labels.iter().filter(|label| !shared.contains(label));
        let alone: Vec<String> = alone.cloned().collect();
        if !alone.is_empty() {
            notes.push(Note::NotInEveryTake {
                candidate: candidate.letter,
                labels: alone,
            });
        }
        candidate.shared.clone_from(&shared);
    }
    Ok(())
}

/// Says where two candidates are the same file or folder.
fn twice(candidates: &[Candidate], notes: &mut Vec<Note>) {
    let real: Vec<_> = candidates
        .iter()
        .map(|c| c.path.canonicalize().ok())
        .collect();
    for (i, one) in candidates.iter().enumerate() {
        for (j, other) in candidates.iter().enumerate().skip(i + 1) {
            if real[i].is_some() && real[i] == real[j] {
                notes.push(Note::SamePlace {
                    pair: (one.letter, other.letter),
                    folder: one.is_folder,
                });
            }
        }
    }
}
