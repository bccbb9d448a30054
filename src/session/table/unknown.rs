//! What is unknown, and the lines of a session file that settle it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::{folded, line, stem};
use crate::finding::FindingKind;
use crate::problem::quoted;
use crate::remark::Remark;
use crate::session::config::pattern_of;
use crate::session::{Session, Track};
use crate::wording;

/// Files of one kind: called alike but for numbers, and doubted for one reason.
struct Kind<'s> {
    tracks: Vec<&'s Track>,
    takes: usize,
}

/// Each kind of unknown file with its candidates, and an entry for `inputs` that names the first.
pub(super) fn list(out: &mut String, session: &Session, width: usize) {
    let mut kinds: BTreeMap<String, Kind> = BTreeMap::new();
    for (_, _, track) in session
        .tracks()
        .filter(|(_, _, track)| track.mic.is_unknown())
    {
        let Some(source) = track.sources.first() else {
            continue;
        };
        let name: String = stem(&source.path)
            .chars()
            .filter(|c| !c.is_ascii_digit())
            .collect();
        let key = match source.channel {
            Some(channel) => format!("{:03}", channel + 1),
            None => name,
        };
        let kind = kinds.entry(key).or_insert(Kind {
            tracks: Vec::new(),
            takes: 0,
        });
        kind.tracks.push(track);
        kind.takes += 1;
    }
    if kinds.is_empty() {
        return;
    }
    line(out, "\nUnknown: put what is right into session.toml");
    line(out, "inputs = [");
    let mut entries: Vec<(String, String)> = kinds.values().filter_map(entry).collect();
    entries.sort();
    let mut said = String::new();
    for (why, entry) in entries {
        if why != said {
            folded(out, "  # ", &why, width);
        }
        line(out, &entry);
        said = why;
    }
    line(out, "]");
}

/// What it may be and why that is open; the line that settles it.
fn entry(kind: &Kind) -> Option<(String, String)> {
    let track = kind.tracks.first()?;
    let source = track.sources.first()?;
    let what = match source.channel {
        Some(channel) => format!("channel = {}", channel + 1),
        None => format!("file = {}", quoted(&pattern(kind))),
    };
    let mic = (track.candidates.first()).map_or("unknown-mic", String::as_str);
    let because = track.notes.iter().find_map(|note| match &note.finding {
        Some(FindingKind::UnknownMic { because, .. }) => because.as_ref(),
        _ => None,
    });
    let because = wording::remark(because.unwrap_or(&Remark::NoWordOfAMic));
    let why = match track.candidates.is_empty() {
        true => because,
        false => format!("{}: {because}", track.candidates.join(" or ")),
    };
    let mut entry = format!("  {{ {what}, mic = \"{mic}\" }},");
    if kind.takes > 1 {
        let _ = write!(entry, "  # {} files", kind.takes);
    }
    Some((why, entry))
}

/// The name of one file, or of several with `*` for the numbers in which they differ.
fn pattern(kind: &Kind) -> String {
    let stems = kind.tracks.iter().filter_map(|track| track.sources.first());
    let mut stems = stems.map(|source| stem(&source.path));
    let first = stems.next().unwrap_or_default();
    if stems.all(|other| other == first) {
        return pattern_of(&first);
    }
    let mut pattern = String::new();
    for piece in first.split_inclusive(|c: char| c.is_ascii_digit()) {
        let text = piece.trim_end_matches(|c: char| c.is_ascii_digit());
        pattern += &pattern_of(text);
        if text.len() < piece.len() && !pattern.ends_with('*') {
            pattern.push('*');
        }
    }
    pattern
}
