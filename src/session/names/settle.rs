//! What only the files of a folder together can tell: which numbers are takes, which words songs.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::folders::{self, song_key, stem};
use super::numbers::{Numbered, judge};
use super::reading::{Guess, LastIs, Reading, TakeWord};
use super::takes::take_word;
use super::words::Vocabulary;
use crate::remark::Remark;
use crate::session::arrange::Item;

/// A name's words in lower case → the name.
type Names = BTreeMap<Vec<String>, String>;

/// Decides, for each folder and song, what numbers at the end of names are.
pub(in crate::session) fn settle_numbers(items: &mut [Item], vocabulary: &Vocabulary) {
    let read =
        |item: &Item, last_is| vocabulary.read(&stem(&item.path), last_is, &item.place.names);
    let of_mic = |item: &Item| item.reading.last.is_some_and(|last| last.of_mic);
    // Where the folder says the take, a number is the mic's, unless it is written as a recorder does.
    for item in items.iter_mut().filter(|i| i.take.is_some() && !i.fixed) {
        let plain = item
            .reading
            .last
            .is_some_and(|last| last.written.width == 0);
        let own = item.reading.take.is_none() && item.place.mic.is_none() && !item.reading.given;
        if plain && own && !of_mic(item) {
            item.reading = read(item, LastIs::Mic);
        }
    }
    let mut groups: BTreeMap<(&Path, String), Vec<&mut Item>> = BTreeMap::new();
    for item in items.iter_mut().filter(|i| i.take.is_none() && !i.fixed) {
        let song = item.reading.song.join(" ").to_lowercase();
        let home = item.place.home.as_path();
        groups.entry((home, song)).or_default().push(item);
    }
    for members in groups.into_values() {
        let as_take: Vec<Option<Reading>> = (members.iter())
            .map(|item| of_mic(item).then(|| read(item, LastIs::Take)))
            .collect();
        let numbered = members.iter().zip(&as_take);
        let numbered = numbered.map(|(item, as_take)| Numbered {
            reading: &item.reading,
            as_take: as_take.as_ref(),
            info: &item.info,
        });
        let verdicts = judge(&numbered.collect::<Vec<_>>());
        for (item, verdict) in members.into_iter().zip(verdicts) {
            let changed = match verdict.last_is {
                LastIs::Take => of_mic(item),
                LastIs::Mic => !of_mic(item),
                LastIs::Either => false,
            };
            if changed && !item.reading.given && item.place.mic.is_none() {
                item.reading = read(item, verdict.last_is);
            }
            let inside = item.info.inside.take.as_deref().and_then(take_word);
            let number = verdict.take.map(TakeWord::Number);
            // `REC_0001` is the recorder's own count of files.
            let made_up = item.info.channels > 2 && item.reading.song.is_empty();
            item.take = match made_up {
                true => inside.or(number),
                false => number.or(inside),
            };
            if verdict.disagrees {
                item.reading.warnings.push(Remark::NumberIsNoTake);
            }
        }
    }
}

/// Decides what the songs are called. `root`: the session folder, whose name is the last resort.
pub(in crate::session) fn settle_songs(items: &mut [Item], root: &Path, vocabulary: &Vocabulary) {
    let root_name = match folders::name(root) {
        name if name.is_empty() => "song".to_owned(),
        name => name,
    };
    let songs = songs(items, vocabulary);
    let none = Names::new();
    for item in items {
        let scene = item
            .info
            .inside
            .scene
            .as_ref()
            .filter(|scene| is_song(scene));
        let own = item.place.song.as_ref().or(scene).unwrap_or(&root_name);
        if item.fixed {
            if item.song.0.is_empty() {
                item.song = (song_key(own), own.clone());
            }
            continue;
        }
        let names = songs.get(item.place.home.as_path()).unwrap_or(&none);
        let reading = &mut item.reading;
        let said_song = |words: &[String]| {
            let name = words.join(" ");
            let known = || names.contains_key(&vocabulary.lower(&name));
            !words.is_empty() && (song_key(&name) == song_key(own) || known())
        };
        let said = said_song(&reading.song);
        let words = if said {
            reading.song.join(" ")
        } else if said_song(&reading.song_after) {
            reading.song_after.join(" ")
        } else if reading.guess == Guess::Nothing {
            // An unknown name that begins as a song of this folder does.
            let lower = vocabulary.lower(&stem(&item.path));
            let mut known = names.iter().filter(|(song, _)| lower.starts_with(song));
            known
                .next_back()
                .map(|(_, name)| name.clone())
                .unwrap_or_default()
        } else {
            String::new()
        };
        if reading.doubtful_song && !said {
            let words = reading.song.join(" ");
            reading.ask(reading.labels(), Remark::SongMayBeMic { words });
        }
        // In a song's folder the folder's name counts, unless a take in the file's name or a second
        // song makes sure that its words are a song's.
        let sure = reading.take.is_some() || names.len() > 1 || item.place.song.is_none();
        let name = match words {
            words if !words.is_empty() && sure => words,
            _ => own.clone(),
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

/// Whether a scene is a song: it has a word.
fn is_song(scene: &str) -> bool {
    let mut words = scene.split(|c: char| !c.is_alphanumeric());
    words.any(|word| {
        word.chars().filter(|c| c.is_alphabetic()).count() > 2 && !folders::is_neutral(word)
    })
}

/// Words that may be a song's.
struct Claim<'a> {
    name: String,
    /// What stands beside them.
    mics: BTreeSet<&'a str>,
    /// A take stands behind them.
    certain: bool,
}

/// Per folder: words that several mics share, or that stand before a take, are a song's.
fn songs<'p>(items: &[Item<'p>], vocabulary: &Vocabulary) -> BTreeMap<&'p Path, Names> {
    let mut claims: BTreeMap<(&'p Path, Vec<String>), Claim> = BTreeMap::new();
    for item in items.iter().filter(|item| !item.fixed) {
        let reading = &item.reading;
        let sure = reading.take.is_some() || item.info.channels > 2;
        for words in [&reading.song, &reading.song_after] {
            if words.is_empty() {
                continue;
            }
            let name = words.join(" ");
            let key = (item.place.home.as_path(), vocabulary.lower(&name));
            let claim = claims.entry(key).or_insert_with(|| Claim {
                name,
                mics: BTreeSet::new(),
                certain: false,
            });
            claim.mics.insert(&reading.matched);
            claim.certain |= sure && !reading.doubtful_song;
        }
    }
    let mut songs: BTreeMap<&Path, Names> = BTreeMap::new();
    for ((home, words), claim) in claims {
        if claim.certain || claim.mics.len() > 1 {
            songs.entry(home).or_default().insert(words, claim.name);
        }
    }
    songs
}
