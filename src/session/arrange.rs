//! [`arrange`]: files and their headers → songs, takes and tracks. Touches no disk.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::config::{Input, SessionFile};
use super::folders::{Place, places, song_key, stem};
use super::label::Label;
use super::numbers::{Numbered, judge};
use super::reading::{Guess, LastIs, Reading, TakeWord};
use super::slug::{slug, unique};
use super::tracks::{Part, number_toms, tracks_of};
use super::words::Vocabulary;
use super::{Session, Skipped, Song, Take, folders};
use crate::audio::Info;
use crate::error::Result;

/// A file on its way into the session.
pub(super) struct Item {
    pub path: PathBuf,
    pub info: Info,
    pub reading: Reading,
    place: usize,
    /// Key and name of the song.
    song: (String, String),
    take: Option<TakeWord>,
    /// The session file's pattern fits: nothing is guessed about song and take.
    fixed: bool,
}

/// Builds the session from the sound files under `root` (paths relative to it, in any order) and
/// their headers.
///
/// # Errors
/// [`Kind::Input`](crate::error::Kind::Input): two outputs of a take would have one name, or the
/// naming template gives a name that cannot be.
pub fn arrange(root: &Path, files: Vec<(PathBuf, Info)>, config: &SessionFile) -> Result<Session> {
    let mut files = files;
    files.sort_by(|(a, _), (b, _)| a.as_os_str().cmp(b.as_os_str()));
    files.dedup_by(|(a, _), (b, _)| a == b);
    let mut session = Session {
        root: root.to_owned(),
        songs: Vec::new(),
        skipped: Vec::new(),
        failed: Vec::new(),
        notes: Vec::new(),
    };
    let vocabulary = Vocabulary::new(&config.words);
    let mut used = vec![false; config.inputs.len()];
    let paths: Vec<PathBuf> = files.iter().map(|(path, _)| path.clone()).collect();
    let places = places(root, &paths, &vocabulary);
    let (keys, places): (Vec<PathBuf>, Vec<Place>) = places.into_iter().unzip();
    let mut items = Vec::new();
    for (path, info) in files {
        let parent = path.parent().unwrap_or(Path::new(""));
        let Ok(at) = keys.binary_search_by(|key| key.as_path().cmp(parent)) else {
            continue; // every parent has its place
        };
        let Some(place) = places.get(at) else { continue };
        let input = input_of(&path, config, &mut used);
        if input.is_some_and(|input| input.mic.is_none()) {
            session.skipped.push(Skipped {
                path,
                reason: "left out by the session file".to_owned(),
            });
            continue;
        }
        let label = input.and_then(|input| input.mic);
        items.push(Item::new(path, info, (at, place), label, config, &vocabulary));
    }
    settle_numbers(&mut items, &places, &vocabulary);
    settle_songs(&mut items, &places, root, &vocabulary);
    for (input, used) in config.inputs.iter().zip(used) {
        if let (Some(file), false, None) = (&input.file, used, input.channel) {
            session.notes.push(format!("the session file names `{}`: no file fits", file.text));
        }
    }
    build(&mut session, items, &places, config)?;
    session.notes.extend(nothing_fits(&session, config));
    Ok(session)
}

/// The first entry of the session file that names this file as a whole.
fn input_of<'c>(path: &Path, config: &'c SessionFile, used: &mut [bool]) -> Option<&'c Input> {
    let name = folders::name(path);
    let stem = stem(path);
    let whole = path.to_string_lossy();
    let fits = |input: &&Input| {
        let file = input.file.as_ref().filter(|_| input.channel.is_none());
        file.is_some_and(|p| [&name, &stem, &*whole].iter().any(|text| p.glob.is_match(text)))
    };
    let mut inputs = config.inputs.iter().enumerate();
    let (at, input) = inputs.find(|(_, input)| fits(input))?;
    if let Some(used) = used.get_mut(at) {
        *used = true;
    }
    Some(input)
}

impl Item {
    fn new(
        path: PathBuf,
        info: Info,
        (at, place): (usize, &Place),
        label: Option<Label>,
        config: &SessionFile,
        vocabulary: &Vocabulary,
    ) -> Self {
        let whole = path.with_file_name(stem(&path)).to_string_lossy().replace('\\', "/");
        let fits = config.pattern.as_ref().and_then(|pattern| pattern.fits(&whole));
        let name = match (&fits, &place.mic) {
            (Some(fits), _) => fits.mic.clone().unwrap_or_default(),
            (None, Some(folder)) => format!("{}_{folder}", stem(&path)),
            (None, None) => stem(&path),
        };
        let mut reading = vocabulary.read(&name, LastIs::Either, &place.names);
        if let Some(label) = label {
            reading.give(label, "the session file names this file");
        }
        let fixed = fits.is_some();
        let fits = fits.unwrap_or_default();
        let song = fits.song.map_or_else(Default::default, |name| (song_key(&name), name));
        let take = match &fits.take {
            Some(text) => take_word(text),
            None => reading.take.filter(|_| !fixed).or(place.take),
        };
        let lone = reading.lone_t.filter(|_| info.channels > 2 && take.is_none());
        let take = take.or(lone.map(TakeWord::Number));
        Self {
            path,
            info,
            reading,
            place: at,
            song,
            take,
            fixed,
        }
    }
}

/// `3`, `T03`, `take 3`, `comp`: the last number, else a comp.
fn take_word(text: &str) -> Option<TakeWord> {
    let digits = |c: &char| c.is_ascii_digit();
    let from_end = text.chars().rev().skip_while(|c| !digits(c)).take_while(digits);
    let number: String = from_end.collect::<Vec<_>>().into_iter().rev().collect();
    match number.parse() {
        Ok(number) => Some(TakeWord::Number(number)),
        Err(_) if text.to_lowercase().contains("comp") => Some(TakeWord::Comp),
        Err(_) => None,
    }
}

/// Decides, for each folder and song, what numbers at the end of names are.
fn settle_numbers(items: &mut [Item], places: &[Place], vocabulary: &Vocabulary) {
    let mut groups: BTreeMap<(PathBuf, String), Vec<usize>> = BTreeMap::new();
    for (at, item) in items.iter().enumerate() {
        let home = places.get(item.place).map(|p| p.home.clone()).unwrap_or_default();
        let song = item.reading.song.join(" ").to_lowercase();
        if item.take.is_none() && !item.fixed {
            groups.entry((home, song)).or_default().push(at);
        }
    }
    for members in groups.into_values() {
        let read = |item: &Item, last_is| {
            let names = places.get(item.place).map(|p| &p.names[..]).unwrap_or_default();
            vocabulary.read(&stem(&item.path), last_is, names)
        };
        let as_take: Vec<Option<Reading>> = (members.iter())
            .filter_map(|at| items.get(*at))
            .map(|item| {
                let of_mic = item.reading.last.is_some_and(|last| last.of_mic);
                of_mic.then(|| read(item, LastIs::Take))
            })
            .collect();
        let numbered: Vec<Numbered> = (members.iter().filter_map(|at| items.get(*at)))
            .zip(&as_take)
            .map(|(item, as_take)| Numbered {
                reading: &item.reading,
                as_take: as_take.as_ref(),
                info: &item.info,
            })
            .collect();
        let verdicts = judge(&numbered);
        for (at, verdict) in members.into_iter().zip(verdicts) {
            let Some(item) = items.get_mut(at) else { continue };
            let of_mic = item.reading.last.is_some_and(|last| last.of_mic);
            let changed = match verdict.last_is {
                LastIs::Take => of_mic,
                LastIs::Mic => !of_mic,
                LastIs::Either => false,
            };
            if changed && !item.reading.given && places.get(item.place).is_some_and(|p| p.mic.is_none()) {
                item.reading = read(item, verdict.last_is);
            }
            item.take = verdict.take.map(TakeWord::Number);
            if verdict.disagrees {
                let text = "the number at its end is not a take's: the files that share it differ \
                            in start or length";
                item.reading.warnings.push(text.to_owned());
            }
        }
    }
}

/// Decides what the songs are called.
fn settle_songs(items: &mut [Item], places: &[Place], root: &Path, vocabulary: &Vocabulary) {
    let root_name = match folders::name(root) {
        name if name.is_empty() => "song".to_owned(),
        name => name,
    };
    // Per folder: words that several mics share, or that stand before a take, are a song's.
    let mut shared: BTreeMap<(PathBuf, String), BTreeSet<String>> = BTreeMap::new();
    let home = |item: &Item| places.get(item.place).map(|p| p.home.clone()).unwrap_or_default();
    for item in items.iter().filter(|item| !item.fixed) {
        let words = [&item.reading.song, &item.reading.song_after];
        let takes = item.reading.take.is_some() && !item.reading.doubtful_song;
        for words in words.into_iter().filter(|words| !words.is_empty()) {
            let mics = shared.entry((home(item), song_key(&words.join(" ")))).or_default();
            mics.insert(item.reading.matched.to_lowercase());
            if takes {
                mics.insert("take".to_owned()); // as good as a second mic
            }
        }
    }
    let is_song = |home: &Path, words: &[String], folder: Option<&str>| {
        let key = song_key(&words.join(" "));
        !words.is_empty()
            && (folder.is_some_and(|folder| song_key(folder) == key)
                || shared.get(&(home.to_owned(), key)).is_some_and(|mics| mics.len() > 1))
    };
    let mut per_home: BTreeMap<PathBuf, BTreeMap<Vec<String>, String>> = BTreeMap::new();
    for item in items.iter().filter(|item| !item.fixed) {
        let home = home(item);
        for words in [&item.reading.song, &item.reading.song_after] {
            if is_song(&home, words, None) {
                let name = words.join(" ");
                let songs = per_home.entry(home.clone()).or_default();
                songs.entry(vocabulary.lower(&name)).or_insert(name);
            }
        }
    }
    for item in items.iter_mut() {
        let Some(place) = places.get(item.place) else { continue };
        if item.fixed {
            if item.song.0.is_empty() {
                let name = place.song.as_ref().unwrap_or(&root_name);
                item.song = (song_key(name), name.clone());
            }
            continue;
        }
        let folder = place.song.as_deref();
        let own = folder.unwrap_or(&root_name);
        let songs = per_home.get(&place.home);
        let several = songs.is_some_and(|songs| songs.len() > 1);
        let reading = &mut item.reading;
        let said = is_song(&place.home, &reading.song, Some(own));
        let said_after = is_song(&place.home, &reading.song_after, Some(own));
        let words = match (said, said_after) {
            (true, _) => reading.song.join(" "),
            (false, true) => reading.song_after.join(" "),
            // An unknown name that begins as a song of this folder does.
            _ => {
                let lower = vocabulary.lower(&stem(&item.path));
                let known = songs.into_iter().flatten();
                let mut known = known.filter(|(song, _)| lower.starts_with(song));
                let unread = reading.guess == Guess::Nothing;
                known.next_back().filter(|_| unread).map(|(_, n)| n.clone()).unwrap_or_default()
            }
        };
        if reading.doubtful_song && !said {
            let text = format!("`{}` beside it may be another mic", reading.song.join(" "));
            let propose = reading.would_be();
            reading.ask(propose, text);
        }
        // One folder of one song: the folder's name, unless a take in the file's name makes sure.
        let sure = reading.take.is_some() || several || folder.is_none();
        let name = match words {
            words if !words.is_empty() && sure => words,
            _ => own.to_owned(),
        };
        let key = song_key(&name);
        for words in [&reading.song, &reading.song_after] {
            if !words.is_empty() && song_key(&words.join(" ")) != key {
                reading.ignored.extend(words.iter().cloned());
            }
        }
        item.song = (key, name);
    }
}

/// Groups the files into takes, numbers the toms of each set-up, and makes the tracks.
fn build(
    session: &mut Session,
    items: Vec<Item>,
    places: &[Place],
    config: &SessionFile,
) -> Result<()> {
    type Key = (Option<u32>, bool, PathBuf);
    let mut songs: BTreeMap<String, (String, BTreeMap<Key, Vec<Item>>)> = BTreeMap::new();
    for item in items {
        let home = places.get(item.place).map(|p| p.home.clone()).unwrap_or_default();
        // A song's files of one take belong together wherever the pattern finds them.
        let home = if item.fixed { PathBuf::new() } else { home };
        let number = match item.take {
            Some(TakeWord::Number(number)) => Some(number),
            _ => None,
        };
        let key = (number, item.take == Some(TakeWord::Comp), home);
        let (key_of_song, name) = item.song.clone();
        let song = songs.entry(key_of_song).or_insert_with(|| (name, BTreeMap::new()));
        song.1.entry(key).or_default().push(item);
    }
    let mut slugs: BTreeSet<String> = BTreeSet::new();
    let mut built: Vec<(Song, Vec<Vec<Part>>)> = Vec::new();
    for (name, takes) in songs.into_values() {
        let plain = match slug(&name) {
            plain if plain.is_empty() => "song".to_owned(),
            plain => plain,
        };
        let song_slug = unique(&plain, |s| slugs.contains(s));
        if song_slug != plain {
            let text = format!("two songs would be called `{plain}`: `{name}` is `{song_slug}`");
            session.notes.push(text);
        }
        slugs.insert(song_slug.clone());
        let takes = join_unnumbered(takes);
        let first = takes.keys().any(|(number, _, _)| *number == Some(1));
        let mut taken: BTreeSet<String> = BTreeSet::new();
        let mut song = Song {
            name,
            slug: song_slug,
            takes: Vec::new(),
        };
        let mut parts = Vec::new();
        for ((number, comp, home), items) in takes {
            let plain = match (number, comp) {
                (Some(number), _) => format!("take-{number:02}"),
                (None, true) => "comp".to_owned(),
                (None, false) if first => "take-unnumbered".to_owned(),
                (None, false) => "take-01".to_owned(),
            };
            let take_slug = unique(&plain, |s| taken.contains(s));
            if take_slug != plain {
                session.notes.push(format!(
                    "{}: `{}` holds a second {plain}: it is {take_slug}",
                    song.slug,
                    home.display()
                ));
            }
            taken.insert(take_slug.clone());
            song.takes.push(Take {
                setup: config.setup_of(&song.slug, &take_slug),
                slug: take_slug,
                number,
                tracks: Vec::new(),
            });
            parts.push(items.into_iter().flat_map(|item| Part::of(item, config)).collect());
        }
        built.push((song, parts));
    }
    let mut setups: BTreeMap<String, Vec<&mut Vec<Part>>> = BTreeMap::new();
    for (song, parts) in &mut built {
        for (take, parts) in song.takes.iter().zip(parts) {
            setups.entry(take.setup.clone()).or_default().push(parts);
        }
    }
    for takes in setups.values_mut() {
        number_toms(takes);
    }
    for (mut song, parts) in built {
        for (take, parts) in song.takes.iter_mut().zip(parts) {
            take.tracks = tracks_of(parts, &song.slug, &take.slug, config)?;
        }
        song.takes.sort_by(|a, b| (a.number.is_none(), a.number, &a.slug).cmp(&(b.number.is_none(), b.number, &b.slug)));
        session.songs.push(song);
    }
    session.songs.sort_by(|a, b| a.slug.cmp(&b.slug));
    Ok(())
}

/// Files without a number join the only take of their folder where no mic of theirs is in it (a
/// click that was bounced later); else they are a take of their own.
fn join_unnumbered(
    takes: BTreeMap<(Option<u32>, bool, PathBuf), Vec<Item>>,
) -> BTreeMap<(Option<u32>, bool, PathBuf), Vec<Item>> {
    let mut takes = takes;
    let loose: Vec<_> = takes.keys().filter(|(n, comp, _)| n.is_none() && !comp).cloned().collect();
    for key in loose {
        let mut others = takes.keys().filter(|other| other.2 == key.2 && **other != key);
        let (Some(only), None) = (others.next().cloned(), others.next()) else {
            continue;
        };
        let mics = |items: &[Item]| -> BTreeSet<String> {
            items.iter().map(|item| item.reading.would_be()).collect()
        };
        let (Some(a), Some(b)) = (takes.get(&key), takes.get(&only)) else { continue };
        if mics(a).is_disjoint(&mics(b)) {
            let items = takes.remove(&key).unwrap_or_default();
            takes.entry(only).or_default().extend(items);
        }
    }
    takes
}

/// Entries of the session file for mics that the session lacks.
fn nothing_fits(session: &Session, config: &SessionFile) -> Vec<String> {
    let tracks = || session.songs.iter().flat_map(|s| &s.takes).flat_map(|t| &t.tracks);
    let mics: BTreeSet<_> = tracks().map(|t| t.mic).collect();
    let labels: BTreeSet<&str> = tracks().map(|t| t.label.as_str()).collect();
    let lacks = |label: &Label| {
        let whole = label.side.is_none() && label.index == 1;
        !labels.contains(label.to_string().as_str()) && !(whole && mics.contains(&label.mic))
    };
    let presets = config.presets.iter().map(|(label, _)| (label, "a preset"));
    let strips = config.mix.mics.iter().map(|(label, _)| (label, "a place in the mix"));
    let mut notes: Vec<String> = presets
        .chain(strips)
        .filter(|(label, _)| lacks(label))
        .map(|(label, what)| format!("the session file gives `{label}` {what}: no track is one"))
        .collect();
    let derived = config.derived.iter().flatten();
    notes.extend(derived.filter(|d| !labels.contains(d.of.as_str())).map(|d| {
        format!("the session file makes `{}` of `{}`: no track is called so", d.name, d.of)
    }));
    let setups = config.setups.iter().filter(|setup| {
        let mut takes = session.songs.iter().flat_map(|s| &s.takes);
        !takes.any(|take| take.setup == setup.name)
    });
    notes.extend(setups.map(|s| format!("no take belongs to the set-up `{}`", s.name)));
    notes
}
