//! [`arrange`]: files and their headers → songs, takes and tracks. Touches no disk.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::config::unused;
use super::config::{Input, SessionFile};
use super::label::Label;
use super::names::company;
use super::names::folders;
use super::names::folders::{Place, places, song_key, stem};
use super::names::reading::{Guess, LastIs, Reading, TakeWord};
use super::names::settle::{settle_numbers, settle_songs};
use super::names::takes::{Takes, named_takes, take_word};
use super::names::token::{Kind, Token};
use super::names::toms::number_toms;
use super::names::words::Vocabulary;
use super::rates::note_other_rates;
use super::slug::{Names, slug};
use super::tracks::{Part, tracks_of};
use super::{Session, Skipped, Song, Take};
use crate::audio::Info;
use crate::error::Result;
use crate::remark::{Remark, SecondTake};
use crate::wording;

/// A file on its way into the session.
pub(super) struct Item<'p> {
    pub path: PathBuf,
    pub info: Info,
    pub reading: Reading,
    pub place: &'p Place,
    /// Key and name of the song.
    pub song: (String, String),
    pub take: Option<TakeWord>,
    /// The session file's pattern fits: nothing is guessed about song and take.
    pub fixed: bool,
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
    let mut items = Vec::new();
    for (path, info) in files {
        let Some(place) = places.get(path.parent().unwrap_or(Path::new(""))) else {
            continue; // every parent has its place
        };
        let input = input_of(&path, config, &mut used);
        if input.is_some_and(|input| input.mic.is_none()) {
            session.skipped.push(Skipped {
                path,
                reason: Remark::LeftOutBySessionFile,
            });
            continue;
        }
        let label = input.and_then(|input| input.mic);
        items.push(Item::new(path, info, place, label, config, &vocabulary));
    }
    settle_numbers(&mut items, &vocabulary);
    settle_songs(&mut items, root, &vocabulary);
    for (input, used) in config.inputs.iter().zip(used) {
        if let (Some(file), false, None) = (&input.file, used, input.channel) {
            let pattern = file.text.clone();
            session.notes.push(Remark::NoFileFits { pattern });
        }
    }
    build(&mut session, items, config, &vocabulary)?;
    session.notes.extend(unused(&session, config));
    Ok(session)
}

/// The first entry of the session file that names this file as a whole.
fn input_of<'c>(path: &Path, config: &'c SessionFile, used: &mut [bool]) -> Option<&'c Input> {
    let name = folders::name(path);
    let stem = stem(path);
    let whole = path.to_string_lossy();
    let fits = |input: &&Input| {
        let file = input.file.as_ref().filter(|_| input.channel.is_none());
        file.is_some_and(|p| {
            [&name, &stem, &*whole]
                .iter()
                .any(|text| p.glob.is_match(text))
        })
    };
    let mut inputs = config.inputs.iter().enumerate();
    let (at, input) = inputs.find(|(_, input)| fits(input))?;
    if let Some(used) = used.get_mut(at) {
        *used = true;
    }
    Some(input)
}

impl<'p> Item<'p> {
    fn new(
        path: PathBuf,
        info: Info,
        place: &'p Place,
        label: Option<Label>,
        config: &SessionFile,
        vocabulary: &Vocabulary,
    ) -> Self {
        let whole = path
            .with_file_name(stem(&path))
            .to_string_lossy()
            .replace('\\', "/");
        let fits = config
            .pattern
            .as_ref()
            .and_then(|pattern| pattern.fits(&whole));
        let name = match (&fits, &place.mic) {
            (Some(fits), _) => fits.mic.clone().unwrap_or_default(),
            (None, Some(folder)) => format!("{}_{folder}", stem(&path)),
            (None, None) => stem(&path),
        };
        let mut reading = vocabulary.read(&name, LastIs::Either, &place.names);
        if let Some(label) = label {
            reading.give(label, wording::remark::by_session_file(None));
        }
        let unnamed = reading.guess == Guess::Nothing && info.channels <= 2 && label.is_none();
        if let (true, Some(Some(name))) = (unnamed, info.inside.tracks.first()) {
            let inside = vocabulary.read(name, LastIs::Mic, &[]);
            if inside.is_known() {
                reading.take_over(inside, name);
                if info.channels == 2 {
                    reading.side = None; // the name of its first side
                }
            }
        }
        let fixed = fits.is_some();
        let fits = fits.unwrap_or_default();
        let song = fits
            .song
            .map_or_else(Default::default, |name| (song_key(&name), name));
        // A file with all mics has no mic in its name: the whole name is its song's.
        if info.channels > 2 && label.is_none() {
            reading.take = reading.take.take().or(reading.lone_t.map(TakeWord::Number));
            if reading.lone_t.is_none() {
                reading.song = song_of_recording(&vocabulary.tokens(&name));
            }
            reading.doubtful_song = false;
            reading.given = true;
        }
        let take = match &fits.take {
            Some(text) => take_word(text),
            None => (reading.take.clone().filter(|_| !fixed)).or_else(|| place.take.clone()),
        };
        Self {
            path,
            info,
            reading,
            place,
            song,
            take,
            fixed,
        }
    }
}

/// The words of a name before its take or its last number; none if a recorder made them up.
fn song_of_recording(tokens: &[Token]) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        match token.kind {
            Kind::Take(_) | Kind::T(_) | Kind::Comp | Kind::Gear => break,
            Kind::Number { .. } if at + 1 == tokens.len() => break,
            Kind::Note => {}
            _ => words.push(token.text.clone()),
        }
    }
    match words.iter().all(|word| folders::is_neutral(word)) {
        true => Vec::new(),
        false => words,
    }
}

/// Groups the files into takes, numbers the toms of each set-up, and makes the tracks.
fn build(
    session: &mut Session,
    items: Vec<Item>,
    config: &SessionFile,
    vocabulary: &Vocabulary,
) -> Result<()> {
    let mut songs: BTreeMap<String, (String, Takes)> = BTreeMap::new();
    for mut item in items {
        // Wherever the session file's pattern finds them, files of one take belong together.
        let home = if item.fixed {
            PathBuf::new()
        } else {
            item.place.home.clone()
        };
        let (key, name) = std::mem::take(&mut item.song);
        let song = songs.entry(key).or_insert_with(|| (name, Takes::new()));
        song.1
            .entry((item.take.clone(), home))
            .or_default()
            .push(item);
    }
    let mut slugs = Names::default();
    let mut built: Vec<(Song, Vec<Vec<Part>>)> = Vec::new();
    for (name, takes) in songs.into_values() {
        let plain = match slug(&name) {
            plain if plain.is_empty() => "song".to_owned(),
            plain => plain,
        };
        let slug = slugs.take(&plain);
        if slug != plain {
            session.notes.push(Remark::SongsOfOneName {
                plain,
                name: name.clone(),
                slug: slug.clone(),
            });
        }
        built.push(song(
            name,
            slug,
            takes,
            config,
            vocabulary,
            &mut session.notes,
        ));
    }
    let mut setups: BTreeMap<String, Vec<&mut Vec<Part>>> = BTreeMap::new();
    for (song, parts) in &mut built {
        for (take, parts) in song.takes.iter().zip(parts) {
            setups.entry(take.setup.clone()).or_default().push(parts);
        }
    }
    for takes in setups.values_mut() {
        company::settle(takes);
    }
    number_toms(setups.values_mut().map(|takes| &mut takes[..]));
    for (mut song, parts) in built {
        for (take, parts) in song.takes.iter_mut().zip(parts) {
            (take.tracks, take.pairs) = tracks_of(parts, &song.slug, &take.slug, config)?;
            note_other_rates(&mut take.tracks);
        }
        let key = |take: &Take| (take.number.is_none(), take.number, take.slug.clone());
        song.takes.sort_by_key(key);
        session.songs.push(song);
    }
    session.songs.sort_by(|a, b| a.slug.cmp(&b.slug));
    Ok(())
}

/// A song with its takes still without tracks, and the parts of each.
fn song(
    name: String,
    slug: String,
    takes: Takes,
    config: &SessionFile,
    vocabulary: &Vocabulary,
    notes: &mut Vec<Remark>,
) -> (Song, Vec<Vec<Part>>) {
    let takes = named_takes(takes);
    let mut slugs = Names::default();
    let mut song = Song {
        name,
        slug,
        takes: Vec::new(),
    };
    let mut parts = Vec::new();
    for take in takes {
        let slug = match (slugs.has(&take.slug), &take.variant) {
            (true, Some(variant)) => slugs.take(&format!("{}-{variant}", take.slug)),
            _ => slugs.take(&take.slug),
        };
        if slug != take.slug {
            notes.push(Remark::TakesOfOneNumber {
                song: song.slug.clone(),
                plain: take.slug.clone(),
                slug: slug.clone(),
                of: match &take.variant {
                    Some(variant) => SecondTake::Variant(variant.clone()),
                    None => SecondTake::Folder(take.home.display().to_string()),
                },
            });
        }
        song.takes.push(Take {
            setup: config.setup_of(&song.slug, &slug),
            slug,
            number: take.number,
            notes: take.notes,
            tracks: Vec::new(),
            pairs: Vec::new(),
        });
        let items = take.items.into_iter();
        parts.push(
            items
                .flat_map(|item| Part::of(item, config, vocabulary))
                .collect(),
        );
    }
    (song, parts)
}
