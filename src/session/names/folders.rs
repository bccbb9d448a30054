//! What the folders above a file say of it: song, take, mic.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Component, Path, PathBuf};

use super::reading::{Guess, LastIs, Reading, TakeWord};
use super::token::{self, Kind, Token};
use super::words::Vocabulary;
use crate::session::{Family, slug};

/// Words of folders that only hold files together.
const NEUTRAL: &[&str] = &[
    "audio",
    "file",
    "files",
    "wav",
    "wave",
    "wavs",
    "flac",
    "aiff",
    "sound",
    "sounds",
    "stem",
    "stems",
    "raw",
    "track",
    "tracks",
    "recording",
    "recordings",
    "multitrack",
    "multitracks",
    "drum",
    "drums",
    "day",
    "session",
    "sessions",
    "reel",
    "disk",
    "disc",
    "card",
    "song",
    "songs",
    "take",
    "takes",
    "export",
    "exports",
    "bounce",
    "bounces",
    "media",
    "backup",
    "original",
    "originals",
    "the",
    "all",
    "rec",
    "multi",
    "poly",
];

/// Whether a word says nothing of the song.
pub(in crate::session) fn is_neutral(word: &str) -> bool {
    NEUTRAL.contains(&word.to_lowercase().as_str()) || token::is_neutral(word)
}

/// What the folders above a file say.
#[derive(Clone, Debug, Default)]
pub(in crate::session) struct Place {
    /// The folder that stands for a song or a take: files below it belong together.
    pub home: PathBuf,
    /// Name of the song, as written.
    pub song: Option<String>,
    pub take: Option<TakeWord>,
    /// What people noted of the take.
    pub notes: Vec<String>,
    /// The folder's name is a mic's, and the files in it do not say one.
    pub mic: Option<String>,
    /// Names of all folders above as lower-case words: where a file's name begins with one, that is
    /// not its mic.
    pub names: Vec<Vec<String>>,
}

/// One folder by its own name.
#[derive(Debug, Default)]
struct Folder {
    /// Words that may be a song's.
    words: Vec<String>,
    /// Words behind the take: a song's, or notes.
    behind: Vec<String>,
    notes: Vec<String>,
    take: Option<TakeWord>,
    /// A number at the end: a take, if other folders beside it have the same words.
    number: Option<u32>,
    mic: Option<Reading>,
}

/// The places of all folders that hold files. `files`: paths relative to `root`.
pub(in crate::session) fn places(
    root: &Path,
    files: &[PathBuf],
    vocabulary: &Vocabulary,
) -> BTreeMap<PathBuf, Place> {
    let mut parents: BTreeMap<PathBuf, Vec<&PathBuf>> = BTreeMap::new();
    for file in files {
        let parent = file.parent().unwrap_or(Path::new(""));
        parents.entry(parent.to_owned()).or_default().push(file);
    }
    let mut folders: BTreeMap<PathBuf, Folder> = BTreeMap::new();
    let mut numbered: BTreeMap<(PathBuf, Vec<String>), BTreeSet<u32>> = BTreeMap::new();
    for parent in parents.keys() {
        for path in parent.ancestors().filter(|p| *p != Path::new("")) {
            if folders.contains_key(path) {
                break; // and so are those above it
            }
            let folder = Folder::new(&name(path), vocabulary);
            if let Some(number) = folder.number {
                let above = path.parent().unwrap_or(Path::new("")).to_owned();
                let words = folder.words.iter().map(|w| w.to_lowercase()).collect();
                numbered.entry((above, words)).or_default().insert(number);
            }
            folders.insert(path.to_owned(), folder);
        }
    }
    for (path, folder) in &mut folders {
        let Some(number) = folder.number else {
            continue;
        };
        let above = path.parent().unwrap_or(Path::new("")).to_owned();
        let words = folder.words.iter().map(|w| w.to_lowercase()).collect();
        let siblings = numbered.get(&(above, words)).map_or(0, BTreeSet::len);
        if siblings > 1 {
            folder.take = Some(TakeWord::Number(number));
        } else {
            folder.words.push(number.to_string());
        }
    }
    settle_behind(&mut folders);
    let root_words = vocabulary.lower(&name(root));
    let mut places = BTreeMap::new();
    for (parent, files) in parents {
        let place = place(&parent, &files, &folders, &root_words, vocabulary);
        places.insert(parent, place);
    }
    places
}

/// Words behind a take (`Take 3 Low Tide`) are a song's where all takes beside it have some and no
/// folder above names a song; else they are notes.
fn settle_behind(folders: &mut BTreeMap<PathBuf, Folder>) {
    let above = |path: &Path| path.parent().unwrap_or(Path::new("")).to_owned();
    let mut all: BTreeMap<PathBuf, bool> = BTreeMap::new();
    let mut songs: BTreeSet<PathBuf> = BTreeSet::new();
    for (path, folder) in folders.iter() {
        if folder.take.is_some() {
            let all = all.entry(above(path)).or_insert(true);
            *all &= !folder.behind.is_empty() && folder.words.is_empty();
        }
        if folder.mic.is_none() && !folder.words.is_empty() {
            songs.insert(path.clone());
        }
    }
    for (path, folder) in folders.iter_mut() {
        let named = path.ancestors().skip(1).any(|above| songs.contains(above));
        let behind = std::mem::take(&mut folder.behind);
        let wordy = behind.iter().any(|word| word.chars().count() > 3);
        if !named && wordy && all.get(&above(path)) == Some(&true) {
            folder.words = behind;
        } else if !behind.is_empty() {
            folder.notes.push(behind.join(" "));
        }
    }
}

fn place(
    parent: &Path,
    files: &[&PathBuf],
    folders: &BTreeMap<PathBuf, Folder>,
    root_words: &[String],
    vocabulary: &Vocabulary,
) -> Place {
    let mut place = Place::default();
    place.names.push(root_words.to_vec());
    let mut path = PathBuf::new();
    for component in parent.components() {
        let Component::Normal(part) = component else {
            continue;
        };
        path.push(part);
        let Some(folder) = folders.get(&path) else {
            continue;
        };
        place.names.push(vocabulary.lower(&name(&path)));
        if let Some(mic) = &folder.mic {
            match mics_inside(mic, files, &place.names, vocabulary) {
                Inside::Unsaid => {
                    place.mic = Some(name(&path));
                    continue;
                }
                Inside::Same => continue,
                Inside::Other => {}
            }
        }
        if place.take.is_some() && folder.take.is_none() {
            continue; // below a take nothing is a song
        }
        place.notes.extend(folder.notes.iter().cloned());
        if !folder.words.is_empty() {
            place.song = Some(folder.words.join(" "));
        }
        if folder.take.is_some() {
            place.take = folder.take.clone();
        }
        if folder.take.is_some() || !folder.words.is_empty() {
            place.home = path.clone();
        }
    }
    place
}

/// What the files say in a folder that is called like a mic.
enum Inside {
    /// No mic: the folder's name is theirs.
    Unsaid,
    /// Mics of the same part of the kit.
    Same,
    /// Others: the folder is a song with an odd name.
    Other,
}

fn mics_inside(
    folder: &Reading,
    files: &[&PathBuf],
    names: &[Vec<String>],
    vocabulary: &Vocabulary,
) -> Inside {
    let mut inside = Inside::Unsaid;
    for file in files {
        let reading = vocabulary.read(&stem(file), LastIs::Either, names);
        match (family(&reading.guess), family(&folder.guess)) {
            (None, _) => {}
            (a, b) if a == b => inside = Inside::Same,
            _ => return Inside::Other,
        }
    }
    inside
}

fn family(guess: &Guess) -> Option<Family> {
    match guess {
        Guess::Mic(mic) | Guess::IfFree(mic) => Some(mic.family),
        Guess::Tom(_) => Some(Family::Tom),
        Guess::Ask { .. } | Guess::Nothing => None,
    }
}

impl Folder {
    fn new(name: &str, vocabulary: &Vocabulary) -> Self {
        let tokens = vocabulary.tokens(name);
        let mut folder = Folder::default();
        let reading = vocabulary.read(name, LastIs::Either, &[]);
        let clean = reading.song.is_empty() && reading.ignored.is_empty() && reading.take.is_none();
        if family(&reading.guess).is_some() && clean && reading.song_after.is_empty() {
            folder.mic = Some(reading);
        }
        let take = tokens.iter().position(|t| matches!(t.kind, Kind::Take(_)));
        let take = take.or_else(|| tokens.iter().rposition(|t| matches!(t.kind, Kind::T(_))));
        let comp = || {
            tokens
                .iter()
                .rposition(|t| t.kind == Kind::Comp)
                .filter(|at| at + 1 == tokens.len())
        };
        let take = take.or_else(comp);
        let token = take.and_then(|at| tokens.get(at));
        folder.take = token.and_then(|token| TakeWord::of(&token.kind));
        let notes = tokens.iter().filter(|t| t.kind == Kind::Note);
        folder.notes = notes.map(|t| t.text.to_lowercase()).collect();
        let all = || {
            tokens
                .iter()
                .enumerate()
                .filter(|(_, t)| t.kind != Kind::Note)
        };
        let said = |t: &Token| !matches!(t.kind, Kind::Number { .. } | Kind::Gear | Kind::Size(_));
        let behind = all().filter(|(at, t)| take.is_some_and(|take| *at > take) && said(t));
        let behind = behind.filter(|(_, t)| !is_neutral(&t.text));
        folder.behind = behind.map(|(_, t)| t.text.clone()).collect();
        let mut rest: Vec<&Token> = all()
            .filter(|(at, _)| take.is_none_or(|take| *at < take))
            .map(|(_, token)| token)
            .collect();
        // A rate or a date behind the name.
        while rest.len() > 1 && rest.last().is_some_and(|t| t.kind == Kind::Gear) {
            rest.pop();
        }
        let neutral = |t: &&Token| match t.kind {
            Kind::Number { .. } | Kind::Gear | Kind::Size(_) => true,
            _ => is_neutral(&t.text),
        };
        if let ([single], None) = (&rest[..], take)
            && let Kind::Number { value, .. } = single.kind
        {
            folder.take = Some(TakeWord::Number(value));
        } else if let [word, number] = rest[..]
            && word.text.eq_ignore_ascii_case("song")
            && matches!(number.kind, Kind::Number { .. })
        {
            // A working title: neither a take nor a word that could be left out.
            folder.words = [word, number].map(|t| t.text.clone()).into();
        } else if !rest.iter().all(neutral) {
            let mut words: Vec<String> = rest.iter().map(|t| t.text.clone()).collect();
            if let (Some(Kind::Number { value, .. }), None) = (rest.last().map(|t| &t.kind), take) {
                folder.number = Some(*value);
                words.pop();
            }
            folder.words = words;
        }
        folder
    }
}

/// The last part of a path as text; what is not UTF-8 becomes a replacement character.
pub(in crate::session) fn name(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default();
    name.to_string_lossy().into_owned()
}

/// Endings of sound files; any other belongs to the name.
pub(in crate::session) const ENDINGS: [&str; 8] =
    ["wav", "wave", "bwf", "rf64", "flac", "aif", "aiff", "aifc"];

/// The name of a file without its ending, as text.
pub(in crate::session) fn stem(path: &Path) -> String {
    let ending = path
        .extension()
        .and_then(|e| e.to_str())
        .unwrap_or_default();
    match ENDINGS
        .iter()
        .any(|known| ending.eq_ignore_ascii_case(known))
    {
        true => name(&path.with_extension("")),
        false => name(path),
    }
}

/// What two names of a song have in common if they mean the same: their slug, or where letters would
/// be lost, their own lower-case text.
pub(in crate::session) fn song_key(name: &str) -> String {
    let slug = slug::slug(name);
    let letters = name.chars().filter(|c| c.is_alphanumeric()).count();
    let kept = slug.chars().filter(char::is_ascii_alphanumeric).count();
    match kept >= letters && slug.len() < slug::MAX_SLUG {
        true => slug,
        false => name.to_lowercase(),
    }
}
