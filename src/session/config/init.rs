//! [`init_toml`]: a commented session file from what was found.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::key::{Key, Shown};
use super::{Derived, FURTHER, MicGroup, keys};
use crate::error::printable;
use crate::problem::{quoted, wrap};
use crate::session::label::Label;
use crate::session::{Family, Mic, Session, SessionFile, Track};

/// Width of comments, in characters.
const WIDTH: usize = 100;

/// What was found in a session, for the lines that show it.
pub(super) struct Found<'s> {
    session: &'s Session,
    mics: BTreeSet<Mic>,
    derived: Option<Derived>,
}

impl Found<'_> {
    fn tracks(&self) -> impl Iterator<Item = &Track> {
        let takes = self.session.songs.iter().flat_map(|song| &song.takes);
        takes.flat_map(|take| &take.tracks)
    }
}

/// A session file that changes nothing: every line that would is a comment, with what was found
/// filled in. It reads back without a fault.
pub fn init_toml(session: &Session) -> String {
    let default = SessionFile::default();
    let mut takes = session.songs.iter().flat_map(|song| &song.takes);
    let mut found = Found {
        session,
        mics: BTreeSet::new(),
        derived: takes.find_map(|take| default.derived_of(take).into_iter().next()),
    };
    found.mics = found
        .tracks()
        .map(|t| t.mic)
        .filter(|m| !m.is_unknown())
        .collect();
    let mut out = String::new();
    out.push_str("# Session file: how the takes in this folder are read and worked on.\n");
    comment(
        &mut out,
        "Everything here is optional. Behind a # stands what was found, or an example: take the # away to set it.",
    );
    out.push_str("#\n");
    for song in &session.songs {
        let slugs: Vec<_> = song.takes.iter().map(|take| take.slug.as_str()).collect();
        let list = match &slugs[..] {
            [first, .., last] if slugs.len() > 3 => format!("{first} … {last} ({})", slugs.len()),
            _ => slugs.join(", "),
        };
        let _ = writeln!(out, "# found: {}: {list}", song.slug);
    }
    let shown = |key: &&Key<SessionFile>| !matches!(key.shown, Shown::Not);
    for key in keys::FILE.iter().filter(shown) {
        out.push('\n');
        comment(&mut out, &format!("{}.", key.about));
        let Some(inner) = key.kind.keys() else {
            for line in lines(key, &found) {
                let _ = writeln!(out, "{line}");
            }
            continue;
        };
        let _ = writeln!(out, "[{}]", key.name);
        for key in inner {
            in_table(&mut out, key.about, &lines(key, &found));
        }
    }
    out
}

/// The lines of a key.
fn lines(key: &Key<SessionFile>, found: &Found) -> Vec<String> {
    let name = key.name;
    match &key.shown {
        Shown::Default => {
            let default = key.kind.written(&mut SessionFile::default());
            default
                .map(|default| format!("{name} = {default}"))
                .into_iter()
                .collect()
        }
        Shown::Example(value) => vec![format!("# {name} = {value}")],
        Shown::Lines(lines) => lines(found),
        Shown::Not | Shown::Required => Vec::new(),
    }
}

/// The lines of a key in a table; what it means stands beside it, or above where there is no room.
fn in_table(out: &mut String, about: &str, lines: &[String]) {
    let Some((first, others)) = lines.split_first() else {
        return;
    };
    let beside = format!("{first:<26} # {about}");
    if beside.chars().count() <= WIDTH && !first.starts_with("# ") {
        let _ = writeln!(out, "{beside}");
    } else {
        comment(out, &format!("{about}:"));
        let _ = writeln!(out, "{first}");
    }
    for line in others {
        let _ = writeln!(out, "{line}");
    }
}

/// Words in lines of comment.
fn comment(out: &mut String, text: &str) {
    for line in wrap(text, WIDTH - "# ".len()) {
        let _ = writeln!(out, "# {line}");
    }
}

pub(super) fn further(_: &Found) -> Vec<String> {
    let further = FURTHER.map(quoted);
    vec![format!("# polarity = [{}]", further.join(", "))]
}

pub(super) fn derived(found: &Found) -> Vec<String> {
    let of = found
        .derived
        .as_ref()
        .map_or("room-far", |derived| derived.of.as_str());
    vec![format!(
        "# derived = [{{ of = \"{of}\", preset = \"trashy-room\", name = \"trashy-room\" }}]"
    )]
}

pub(super) fn presets(found: &Found) -> Vec<String> {
    let head = ["[presets]", "# \"*\" = \"level-only\""].map(str::to_owned);
    let mics = found.mics.iter().map(|mic| format!("# {mic} = \"{mic}\""));
    head.into_iter().chain(mics).collect()
}

pub(super) fn strips(found: &Found) -> Vec<String> {
    let faders = found
        .mics
        .iter()
        .filter_map(|mic| Some((mic, mic.fader_db?)));
    let strip = |(mic, fader): (&Mic, f64)| {
        let pan = match mic.pair {
            true => String::new(),
            false => format!("pan = {}, ", mic.pan),
        };
        format!("# mic.{mic} = {{ fader_db = {fader}, {pan}mute = false }}")
    };
    let derived = found.derived.iter();
    let derived = derived.map(|d| format!("# mic.{} = {{ fader_db = -14, mute = false }}", d.name));
    faders.map(strip).chain(derived).collect()
}

pub(super) fn group_faders(_: &Found) -> Vec<String> {
    let groups = MicGroup::standard().into_iter();
    groups
        .map(|g| format!("# group.{} = {{ fader_db = 0 }}", g.name))
        .collect()
}

pub(super) fn kit(found: &Found) -> Vec<String> {
    let is_drum = |mic: &&Mic| matches!(mic.family, Family::Kick | Family::Snare | Family::Tom);
    let drums = found.mics.iter().filter(is_drum);
    // Usual sizes and tunings; common practice, no source.
    let drum = |mic: &Mic| {
        let (diameter_in, tuning_hz) = match mic.family {
            Family::Kick => (22, 60),
            Family::Snare => (14, 190),
            _ => (12, 130),
        };
        format!("# {mic} = {{ diameter_in = {diameter_in}, tuning_hz = {tuning_hz}, note = \"\" }}")
    };
    std::iter::once("[kit]".to_owned())
        .chain(drums.map(drum))
        .collect()
}

pub(super) fn setup(found: &Found) -> Vec<String> {
    let song = found
        .session
        .songs
        .first()
        .map_or("low-tide", |song| song.slug.as_str());
    vec![
        "# [[setup]]".to_owned(),
        "# name = \"small kit\"".to_owned(),
        format!("# takes = [\"{song}/*\"]"),
    ]
}

/// An entry for every file or channel that is unknown, as a comment, with its candidates.
pub(super) fn inputs(found: &Found) -> Vec<String> {
    let mut lines: BTreeSet<String> = BTreeSet::new();
    for track in found.tracks().filter(|t| t.mic.is_unknown()) {
        let label = track.candidates.first().and_then(|text| Label::parse(text));
        let mic = label.map_or_else(|| "unknown-mic".to_owned(), |label| label.to_string());
        for source in &track.sources {
            let what = match source.channel {
                Some(channel) => format!("channel = {}", channel + 1),
                None => {
                    let stem = crate::session::names::folders::stem(&source.path);
                    format!("file = {}", quoted(&pattern_of(&stem)))
                }
            };
            let mut line = format!("#   {{ {what}, mic = \"{mic}\" }},");
            if let [_, others @ ..] = &track.candidates[..]
                && !others.is_empty()
            {
                let _ = write!(line, "  # or {}", printable(&others.join(" or ")));
            }
            lines.insert(line);
        }
    }
    if lines.is_empty() {
        lines.insert("#   { file = \"*spare*\", skip = true },".to_owned());
    }
    let head = std::iter::once("# inputs = [".to_owned());
    head.chain(lines).chain(["# ]".to_owned()]).collect()
}

/// The characters that mean something in a pattern, taken literally.
pub(in crate::session) fn pattern_of(name: &str) -> String {
    let mut pattern = String::new();
    for c in name.chars() {
        match c {
            '*' | '?' | '[' | ']' | '{' | '}' | '\\' => {
                let _ = write!(pattern, "[{c}]");
            }
            '\u{fffd}' => pattern.push('?'),
            c => pattern.push(c),
        }
    }
    pattern
}
