//! Which files are one take, what it is called, and what people noted of it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::reading::TakeWord;
use crate::session::arrange::Item;
use crate::session::slug::slug;

/// Files that belong to one take: its number or name, and the folder, since two folders may number
/// their takes alike.
pub(in crate::session) type Takes<'p> = BTreeMap<(Option<TakeWord>, PathBuf), Vec<Item<'p>>>;

/// A take with its name.
pub(in crate::session) struct NamedTake<'p> {
    /// `take-03`, `comp`; not yet unique.
    pub slug: String,
    pub number: Option<u32>,
    pub home: PathBuf,
    /// `alt`, where the same take is there without it too.
    pub variant: Option<String>,
    /// `keep`, `ng`: as people wrote them.
    pub notes: Vec<String>,
    pub items: Vec<Item<'p>>,
}

/// Notes that make another recording of a take.
const VARIANTS: [&str; 8] = [
    "alt",
    "alternate",
    "pickup",
    "pickups",
    "pu",
    "safety",
    "x2",
    "x3",
];

/// The takes of a song, in order.
pub(in crate::session) fn named_takes(takes: Takes<'_>) -> Vec<NamedTake<'_>> {
    let takes = join_unnumbered(takes);
    let numbers = takes.keys().filter_map(|(take, _)| match take {
        Some(TakeWord::Number(number)) => Some(*number),
        _ => None,
    });
    let largest = numbers.max().unwrap_or(0);
    let has_first = takes
        .keys()
        .any(|(take, _)| *take == Some(TakeWord::Number(1)));
    let width = largest.to_string().len().max(2);
    let mut named = Vec::new();
    for ((word, home), items) in takes {
        let slug = match &word {
            Some(TakeWord::Number(number)) => format!("take-{number:0width$}"),
            Some(TakeWord::Named(name)) => name.clone(),
            None if has_first => "take-unnumbered".to_owned(),
            None => format!("take-{:0width$}", 1),
        };
        let number = match word {
            Some(TakeWord::Number(number)) => Some(number),
            _ => None,
        };
        for (variant, items) in variants(items) {
            let notes = items
                .iter()
                .flat_map(|item| item.reading.take_notes.iter().chain(&item.place.notes));
            let mut seen = BTreeSet::new();
            let notes = notes
                .filter(|note| seen.insert(note.to_lowercase()))
                .cloned();
            named.push(NamedTake {
                slug: slug.clone(),
                number,
                home: home.clone(),
                variant,
                notes: notes.collect(),
                items,
            });
        }
    }
    named
}

/// One take, or that and its `alt`: where a mic is there both with such a note and without.
fn variants<'p>(items: Vec<Item<'p>>) -> Vec<(Option<String>, Vec<Item<'p>>)> {
    let of = |item: &Item| {
        let mut notes = item.reading.take_notes.iter();
        notes
            .find(|note| VARIANTS.contains(&note.as_str()))
            .cloned()
    };
    let mut groups: BTreeMap<Option<String>, Vec<Item<'p>>> = BTreeMap::new();
    let mics: BTreeSet<(Option<String>, String)> = items
        .iter()
        .map(|item| (of(item), item.reading.would_be()))
        .collect();
    let twice = mics
        .iter()
        .any(|(variant, mic)| variant.is_some() && mics.contains(&(None, mic.clone())));
    for item in items {
        let variant = of(&item).filter(|_| twice);
        groups.entry(variant).or_default().push(item);
    }
    groups.into_iter().collect()
}

/// `3`, `T03`, `take 3`: the last number; `comp`, `last one`: the text itself.
pub(in crate::session) fn take_word(text: &str) -> Option<TakeWord> {
    let digits = |c: &char| c.is_ascii_digit();
    let from_end = text
        .chars()
        .rev()
        .skip_while(|c| !digits(c))
        .take_while(digits);
    let number: String = from_end.collect::<Vec<_>>().into_iter().rev().collect();
    match (number.parse(), slug(text)) {
        (Ok(number), _) => Some(TakeWord::Number(number)),
        (Err(_), name) if !name.is_empty() => Some(TakeWord::Named(name)),
        (Err(_), _) => None,
    }
}

/// Files without a number join the only take of their folder where no mic of theirs is in it (a
/// click that was bounced later); else they are a take of their own.
fn join_unnumbered(mut takes: Takes) -> Takes {
    let loose: Vec<_> = takes
        .keys()
        .filter(|(take, _)| take.is_none())
        .cloned()
        .collect();
    for key in loose {
        let others = |other: &&(Option<TakeWord>, PathBuf)| other.1 == key.1 && **other != key;
        let mut others = takes.keys().filter(others);
        let (Some(only), None) = (others.next().cloned(), others.next()) else {
            continue;
        };
        let mics = |key| -> BTreeSet<String> {
            let items = takes.get(key).into_iter().flatten();
            items.map(|item| item.reading.would_be()).collect()
        };
        if mics(&key).is_disjoint(&mics(&only)) {
            let items = takes.remove(&key).unwrap_or_default();
            takes.entry(only).or_default().extend(items);
        }
    }
    takes
}
