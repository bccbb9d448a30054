//! What is written and how it is mixed: groups, faders, names, format, derived stems.

use std::collections::BTreeSet;
use std::ops::Range;

use super::{inside, label, label_at, mic};
use crate::problem::walk::{Fields, Value, entries};
use crate::problem::{Problem, Problems, suggest};
use crate::session::Mic;
use crate::session::config::naming::{self, Template};
use crate::session::config::{
    Bits, Derived, Hits, MicGroup, Mix, Naming, Output, SessionFile, Start, Strip, TRASHY_ROOM,
    View,
};
use crate::session::mic::drum;
use crate::session::slug::slug;

pub(super) fn groups(value: Value, problems: &mut Problems) -> Vec<MicGroup> {
    if value.0.get_ref().as_str().is_some() {
        return match value.one_of(&["standard"], problems) {
            Some(_) => MicGroup::standard(),
            None => Vec::new(),
        };
    }
    let mut groups: Vec<MicGroup> = Vec::new();
    for (name, span, value) in value.table(problems).into_iter().flat_map(entries) {
        if !MicGroup::lawful_name(name) {
            let message =
                "expected lower-case letters, digits and `-`: it becomes part of file names";
            let hint = format!("write `{}`", slug(name));
            problems.add(Problem::at(span, message).hint(hint));
        }
        let Some(list) = value.array(problems) else {
            continue;
        };
        let mut group = Vec::new();
        for value in list {
            let Some(mic) = mic(value, problems) else {
                continue;
            };
            let holds = groups.iter().find(|g| g.mics.contains(&mic));
            if let Some(other) = holds {
                let message = format!("`{mic}` is in the group `{}` already", other.name);
                let hint = "a mic may be in one group only: the sum of all groups is the mix";
                problems.add(Problem::at(value.span(), message).hint(hint));
            }
            group.push(mic);
        }
        let name = name.to_owned();
        groups.push(MicGroup { name, mics: group });
    }
    groups
}

pub(super) fn mix(mut f: Fields, c: &SessionFile) -> Mix {
    let mut mix = Mix::default();
    if f.one_of("view", &["player", "audience"]) == Some("audience") {
        mix.view = View::Audience;
    }
    mix.left_handed = f.bool("left-handed").unwrap_or(false);
    mix.target_lufs = f
        .f64("target_lufs", Mix::TARGET_LUFS)
        .unwrap_or(mix.target_lufs);
    mix.ceiling_dbtp = f
        .f64("ceiling_dbtp", Mix::CEILING_DBTP)
        .unwrap_or(mix.ceiling_dbtp);
    mix.listening_copy = f.bool("listening-copy").unwrap_or(false);
    mix.dry = f.bool("dry").unwrap_or(false);
    let derived: Vec<&str> = match &c.derived {
        Some(derived) => derived.iter().map(|d| d.name.as_str()).collect(),
        None => vec![TRASHY_ROOM],
    };
    for (key, span, value) in f.table("mic").into_iter().flat_map(entries) {
        let of_derived = derived.contains(&key);
        let label = match of_derived {
            true => None,
            false => label_at(key, span.clone(), f.problems),
        };
        let Some(table) = value.table(f.problems) else {
            continue;
        };
        let mut strip = Fields::new(table, Some(span), f.problems);
        let read = Strip {
            fader_db: strip.f64("fader_db", Strip::FADER_DB),
            pan: strip.f64("pan", Strip::PAN),
            mute: strip.bool("mute"),
        };
        strip.finish();
        mix.mics.extend(label.map(|label| (label, read)));
        if of_derived {
            mix.derived.push((key.to_owned(), read));
        }
    }
    let groups = match c.groups.is_empty() {
        true => MicGroup::standard(),
        false => c.groups.clone(),
    };
    let names: Vec<&str> = groups.iter().map(|g| g.name.as_str()).collect();
    for (key, span, value) in f.table("group").into_iter().flat_map(entries) {
        if !names.contains(&key) {
            let problem = Problem::at(span.clone(), "no group has this name");
            f.problems.add(problem.hint(suggest(key, &names, "Groups")));
        }
        let Some(table) = value.table(f.problems) else {
            continue;
        };
        let mut strip = Fields::new(table, Some(span), f.problems);
        strip.require("fader_db");
        let fader = strip.f64("fader_db", Strip::FADER_DB);
        strip.finish();
        mix.groups
            .extend(fader.map(|fader| (key.to_owned(), fader)));
    }
    f.finish();
    mix
}

pub(super) fn naming(mut f: Fields) -> Naming {
    let mut c = Naming::default();
    for (key, text) in [("text", &mut c.text), ("date", &mut c.date)] {
        let Some(value) = f.get(key) else { continue };
        let Some(given) = value.string(f.problems) else {
            continue;
        };
        if given.chars().all(naming::is_portable) && given.len() <= 60 {
            *text = given.to_owned();
        } else {
            let message = "expected up to 60 ASCII letters, digits, spaces and `-`, `_`, `.`, `+`";
            f.problems.add(Problem::at(value.span(), message));
        }
    }
    if let Some(value) = f.get("template")
        && let Some(text) = value.string(f.problems)
    {
        match Template::parse(text) {
            Ok(template) => c.template = template,
            Err(faults) => {
                for fault in faults {
                    let at = inside(value, text, fault.at, f.problems);
                    let mut problem = Problem::at(at, fault.message);
                    problem.hint = fault.word.map(|w| suggest(&w, &naming::FIELDS, "Fields"));
                    f.problems.add(problem);
                }
            }
        }
        for (field, given) in [("text", &c.text), ("date", &c.date)] {
            if c.template.has(field) && given.is_empty() {
                let message =
                    format!("`{{{field}}}` stands for `{field} = \"…\"` here, which is missing");
                f.problems.add(Problem::at(value.span(), message));
            }
        }
    }
    f.finish();
    c
}

pub(super) fn output(mut f: Fields) -> Output {
    let rate = f.i64("rate_hz", Output::RATE_HZ);
    let bits = f.get("bits").and_then(|value| {
        // `16` and `24` are numbers, `"float"` is a word: 32 alone would leave the kind open.
        let text = match value.0.get_ref().as_str() {
            Some(text) => text.to_owned(),
            None => value.i64(16..=32, f.problems)?.to_string(),
        };
        match text.as_str() {
            "16" => Some(Bits::Int16),
            "24" => Some(Bits::Int24),
            "float" | "32f" => Some(Bits::Float32),
            "source" => Some(Bits::Source),
            _ => {
                let message = "expected 16, 24, \"float\" (32 bits) or \"source\"";
                f.problems.add(Problem::at(value.span(), message));
                None
            }
        }
    });
    let dither = f.bool("dither");
    let start = match f.one_of("start", &["file", "take"]) {
        Some("take") => Start::Take,
        _ => Start::File,
    };
    f.finish();
    Output {
        rate_hz: rate.and_then(|rate| u32::try_from(rate).ok()),
        bits: bits.unwrap_or_default(),
        dither: dither.unwrap_or(true),
        start,
    }
}

pub(super) fn hits(mut f: Fields) -> Hits {
    let mut hits = Hits::default();
    hits.threshold = f
        .f64("threshold", Hits::THRESHOLD)
        .unwrap_or(hits.threshold);
    hits.file_per_drum = f.bool("file-per-drum").unwrap_or(false);
    hits.cues = f.bool("cues").unwrap_or(false);
    let drums: BTreeSet<String> = Mic::all()
        .filter_map(|mic| drum(mic.family, mic.name(), None))
        .collect();
    for (key, span, value) in f.table("notes").into_iter().flat_map(entries) {
        let note = value.i64(Hits::NOTE, f.problems);
        let whole = (key.strip_suffix("-l"))
            .or_else(|| key.strip_suffix("-r"))
            .unwrap_or(key);
        if !drums.contains(whole) {
            let names: Vec<&str> = drums.iter().map(String::as_str).collect();
            let message = "expected a drum, with its side (`-l`, `-r`) where it has one";
            let problem = Problem::at(span, message).hint(suggest(key, &names, "Drums"));
            f.problems.add(problem);
        }
        let note = note.and_then(|note| u8::try_from(note).ok());
        hits.notes.extend(note.map(|note| (key.to_owned(), note)));
    }
    f.finish();
    hits
}

pub(super) fn derived(mut f: Fields, _: Range<usize>) -> Option<Derived> {
    for key in ["of", "preset", "name"] {
        f.require(key);
    }
    let value = f.get("of");
    let of = value.and_then(|v| label(v, f.problems));
    let preset = f.string("preset").map(str::to_owned);
    let value = f.get("name");
    let name = value.and_then(|v| v.string(f.problems));
    if let (Some(value), Some(name)) = (value, name)
        && !MicGroup::lawful_name(name)
    {
        let message = "expected lower-case letters, digits and `-`: it becomes part of file names";
        let hint = format!("write `{}`", slug(name));
        f.problems
            .add(Problem::at(value.span(), message).hint(hint));
    }
    f.finish();
    Some(Derived {
        of: of?.to_string(),
        preset: preset?,
        name: name?.to_owned(),
    })
}
