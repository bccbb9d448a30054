//! Whole folders of names as people write them, with their truth: `tests/data/names`.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use batterhead::audio::{Info, SampleFormat};
use batterhead::session::{Label, Session, SessionFile, Side, arrange};

use super::support::Place;

const BUILD: &str = include_str!("../data/names/build.txt");
const PROVE: &str = include_str!("../data/names/prove.txt");

/// One folder of the corpus.
#[derive(Default)]
struct Folder<'a> {
    style: &'a str,
    root: &'a str,
    song: &'a str,
    take: &'a str,
    toml: String,
    files: Vec<Truth<'a>>,
}

/// One file: what it is.
struct Truth<'a> {
    path: &'a str,
    /// Label, or `?` and candidates.
    label: &'a str,
    stereo: bool,
    song: &'a str,
    take: &'a str,
}

fn corpus(text: &str) -> Vec<Folder<'_>> {
    let mut folders: Vec<Folder> = Vec::new();
    for line in text.lines().filter(|line| !line.is_empty()) {
        if let Some(style) = line.strip_prefix("= ") {
            folders.push(Folder {
                style,
                ..Folder::default()
            });
            continue;
        }
        let folder = folders.last_mut().expect("a style comes first");
        if let Some((path, truth)) = line.split_once(" > ") {
            let (label, at) = truth.split_once(" @ ").unwrap_or((truth, ""));
            let (song, take) = at.split_once('/').unwrap_or((folder.song, folder.take));
            folder.files.push(Truth {
                path,
                label: label.trim_end_matches(" stereo"),
                stereo: label.ends_with(" stereo"),
                song,
                take,
            });
        } else {
            match line.split_once(": ").expect("a key") {
                ("root", value) => folder.root = value,
                ("song", value) => folder.song = value,
                ("take", value) => folder.take = value,
                ("toml", value) => folder.toml = value.to_owned(),
                (key, _) => panic!("no key is called {key}"),
            }
        }
    }
    folders
}

impl Folder<'_> {
    /// Files of one take have one length, those of another take another.
    fn session(&self) -> Session {
        let takes: BTreeSet<_> = self.files.iter().map(|f| (f.song, f.take)).collect();
        let length = |file: &Truth| {
            let at = takes.iter().position(|t| *t == (file.song, file.take));
            4_000_000 + 150_000 * at.expect("a take") as u64
        };
        let files = self.files.iter().map(|file| {
            let info = Info {
                rate_hz: 48_000,
                channels: if file.stereo { 2 } else { 1 },
                bit_depth: 24,
                sample_format: SampleFormat::Int,
                frames: length(file),
                time_reference_samples: None,
                inside: Default::default(),
                oddities: Vec::new(),
                truncated: None,
            };
            (PathBuf::from(format!("{}.wav", file.path)), info)
        });
        let config = SessionFile::load(&self.toml, "session.toml").expect("a session file");
        arrange(Path::new(self.root), files.collect(), &config).expect("a session")
    }
}

/// What became of a corpus.
#[derive(Default)]
struct Score {
    files: usize,
    right: usize,
    /// Unknown, with the truth among its candidates.
    asked: usize,
    /// Unknown, without it.
    lost: usize,
    /// Taken for something else.
    wrong: usize,
    takes: usize,
    songs: usize,
    pairs: (usize, usize),
    failures: String,
}

fn score(folders: &[Folder]) -> Score {
    let mut score = Score::default();
    for folder in folders {
        let session = folder.session();
        let mut got = BTreeMap::new();
        for (song, take, track) in session.tracks() {
            for (at, source) in track.sources.iter().enumerate() {
                let joined = track.sources.len() == 2;
                let side = match at {
                    _ if !joined => track.side,
                    0 => Some(Side::L),
                    _ => Some(Side::R),
                };
                let (mic, index) = (track.mic, track.index);
                let label = match mic.is_unknown() {
                    true => None,
                    false => Some(Label { mic, side, index }.to_string()),
                };
                let path = source.path.with_extension("");
                got.insert(
                    path.to_string_lossy().into_owned(),
                    (
                        &song.slug,
                        &take.slug,
                        label,
                        track.candidates.join(" or "),
                        joined,
                    ),
                );
            }
        }
        let _ = writeln!(score.failures, "= {}", folder.style);
        for file in &folder.files {
            let name = file.path;
            let (song, take, label, proposal, joined) =
                got.get(name.trim_end_matches(".wav")).expect("every file");
            score.files += 1;
            let candidates: Vec<&str> = file.label.split(' ').collect();
            let offered = |wanted: &str| proposal.contains(wanted);
            let mut fail = |what: &str| {
                let text = format!("{what}: {name}: {label:?} ({proposal}), not {}", file.label);
                let _ = writeln!(score.failures, "  {text}");
            };
            match (label, &candidates[..]) {
                (None, ["?", wanted @ ..]) if wanted.iter().all(|w| offered(w)) => score.right += 1,
                (Some(label), [wanted]) if label == wanted => score.right += 1,
                (None, wanted) if wanted.iter().any(|w| offered(w)) => {
                    score.asked += 1;
                    fail("asked");
                }
                (None, _) => {
                    score.lost += 1;
                    fail("lost");
                }
                (Some(_), _) => {
                    score.wrong += 1;
                    fail("wrong");
                }
            }
            let pair = file.label.starts_with("overhead-") || file.label.starts_with("room");
            if pair && (file.label.ends_with("-l") || file.label.ends_with("-r")) {
                score.pairs.1 += 1;
                score.pairs.0 += usize::from(*joined);
                if !joined {
                    fail("no pair");
                }
            }
            match *song == file.song {
                true => score.songs += 1,
                false => {
                    let text = format!("song: {name}: {song}, not {}", file.song);
                    let _ = writeln!(score.failures, "  {text}");
                }
            }
            match *take == file.take {
                true => score.takes += 1,
                false => {
                    let text = format!("take: {name}: {take}, not {}", file.take);
                    let _ = writeln!(score.failures, "  {text}");
                }
            }
        }
    }
    score
}

impl Score {
    fn figures(&self) -> String {
        let percent = |n: usize| 100.0 * n as f64 / self.files as f64;
        format!(
            "{} names: mics {:.1} % right, {:.1} % unknown with the truth proposed, {:.1} % unknown \
             without it, {:.1} % wrong; takes {:.1} %, songs {:.1} %, pairs {:.1} %",
            self.files,
            percent(self.right),
            percent(self.asked),
            percent(self.lost),
            percent(self.wrong),
            percent(self.takes),
            percent(self.songs),
            100.0 * self.pairs.0 as f64 / self.pairs.1.max(1) as f64,
        )
    }

    fn is_good(&self) -> bool {
        let at_least = |n: usize, percent: usize| 100 * n >= percent * self.files;
        at_least(self.right, 98)
            && at_least(self.takes, 98)
            && at_least(self.songs, 98)
            && 200 * self.wrong <= self.files
            && 100 * self.pairs.0 >= 98 * self.pairs.1
    }
}

#[test]
fn folders_of_many_styles_are_understood() {
    let score = score(&corpus(BUILD));
    println!("{}", score.figures());
    assert!(score.is_good(), "{}\n{}", score.failures, score.figures());
}

/// Only figures are shown: the names of this half never lead the hand that writes the rules.
#[test]
fn folders_of_other_styles_are_understood_too() {
    let score = score(&corpus(PROVE));
    println!("{}", score.figures());
    assert!(score.is_good(), "{}", score.figures());
}

#[test]
fn what_people_noted_of_a_take_reaches_the_reports() {
    let place = Place::new();
    place.session(&["Low Tide"], 3);
    let folder = |name: &str| place.path(&format!("takes/Low Tide/{name}"));
    std::fs::rename(folder("take 1"), folder("take 1 KEEP")).unwrap();
    std::fs::rename(folder("take 2"), folder("take 2 NG")).unwrap();
    let ran = place.prep(&[], 0);
    let said: Vec<&str> = (ran.stdout.lines())
        .filter(|line| line.contains("no good"))
        .collect();
    assert_eq!(said.len(), 1, "{}", ran.stdout);
    assert!(said[0].contains("low-tide take-02 (ng)"), "{}", said[0]);
    assert!(!said[0].contains("take-01"), "{}", said[0]);
    for track in place.json("out/session.json")["tracks"].as_array().unwrap() {
        let noted = match track["take"].as_str().unwrap() {
            "take-01" => "keep",
            "take-02" => "ng",
            _ => "",
        };
        assert_eq!(track["take_notes"], noted, "{}", track["name"]);
    }
    let csv = std::fs::read_to_string(place.path("out/session.csv")).unwrap();
    let column = csv
        .lines()
        .next()
        .unwrap()
        .split(',')
        .position(|key| key == "take_notes");
    let column = column.expect("a column");
    for line in csv.lines().skip(1) {
        let noted = line.split(',').nth(column).unwrap();
        assert_eq!(
            noted == "ng",
            line.starts_with("low-tide,take-02,"),
            "{line}"
        );
    }
    let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
    for noted in ["noted: keep", "noted: ng", "take 2: ng"] {
        assert!(page.contains(noted), "{noted}");
    }
    // A take that is no good is prepared like every other.
    let stem = "out/stems/low-tide/take-02/low-tide_take-02_snare-top.wav";
    assert!(place.path(stem).is_file());
}
