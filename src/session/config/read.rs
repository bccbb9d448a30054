//! Values of a session file that are more than a number or a word. Each reader adds what is wrong to the
//! problems; a file with problems is refused as a whole, so what stands in for a wrong value is never used.

use std::ops::Range;

use super::key::{read_keys, read_list, read_table};
use super::naming::{self, Template};
use super::pattern::{self, Pattern};
use super::{
    Bits, Drum, FilePattern, Hits, Input, MicGroup, SessionFile, Strip, TRASHY_ROOM, keys,
};
use crate::problem::walk::{Value, entries};
use crate::problem::{Problem, Problems, suggest};
use crate::session::Mic;
use crate::session::label::Label;
use crate::session::mic::drum;
use crate::session::slug::slug;

pub(super) use super::key::read_list as list;

pub(super) fn pattern(value: Value, problems: &mut Problems) -> Option<Pattern> {
    let text = value.string(problems)?;
    match Pattern::parse(text) {
        Ok(pattern) => Some(pattern),
        Err((at, message, word)) => {
            let problem = Problem::at(inside(value, text, at, problems), message);
            let hint = match word {
                Some(word) => suggest(&word, &pattern::FIELDS, "Fields"),
                None => "for example `{song}/{take}/{mic}` or `{song}_T{take}_{mic}`".to_owned(),
            };
            problems.add(problem.hint(hint));
            None
        }
    }
}

pub(super) fn inputs(value: Value, problems: &mut Problems) -> Vec<Input> {
    for entry in value.0.get_ref().as_array().into_iter().flatten() {
        let Some(table) = entry.get_ref().as_table() else {
            continue; // said when it is read
        };
        if !table.contains_key("file") && !table.contains_key("channel") {
            let message = "expected `file = \"…\"` or `channel = …`: what it is about";
            problems.add(Problem::at(entry.span(), message));
        }
        let skipped = table.get("skip").and_then(|skip| skip.get_ref().as_bool());
        if table.contains_key("mic") == (skipped == Some(true)) {
            let message = "expected either `mic = \"…\"` or `skip = true`";
            problems.add(Problem::at(entry.span(), message));
        }
    }
    read_list(keys::INPUT, value, problems)
}

pub(super) fn file_patterns(value: Value, problems: &mut Problems) -> Vec<FilePattern> {
    let list = value.array(problems).into_iter().flatten();
    list.filter_map(|value| file_pattern(value, problems))
        .collect()
}

pub(super) fn file_pattern(value: Value, problems: &mut Problems) -> Option<FilePattern> {
    let text = value.string(problems)?;
    let glob = globset::GlobBuilder::new(text)
        .case_insensitive(true)
        .build();
    match glob {
        Ok(glob) => Some(FilePattern {
            text: text.to_owned(),
            glob: glob.compile_matcher(),
        }),
        Err(error) => {
            let what = error.kind();
            let message = format!("expected a pattern with `*`, `?` or `[…]`: {what}");
            problems.add(Problem::at(value.span(), message));
            None
        }
    }
}

pub(super) fn words(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    for (word, _, value) in value.table(problems).into_iter().flat_map(entries) {
        let label = label(value, problems);
        c.words.extend(label.map(|label| (word.to_owned(), label)));
    }
}

pub(super) fn presets(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    for (key, span, value) in value.table(problems).into_iter().flat_map(entries) {
        let preset = value.string(problems).map(str::to_owned);
        if key == "*" {
            c.preset_of_all = preset;
            continue;
        }
        let label = label_at(key, span, problems);
        c.presets.extend(label.zip(preset));
    }
}

pub(super) fn kit(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    for (key, span, value) in value.table(problems).into_iter().flat_map(entries) {
        let mut drum = Drum::default();
        read_table(keys::DRUM, &mut drum, value, problems);
        let mic = mic_at(key, span, problems);
        c.kit.extend(mic.map(|mic| (mic, drum)));
    }
}

pub(super) fn groups(value: Value, problems: &mut Problems) -> Vec<MicGroup> {
    if value.0.get_ref().as_str().is_some() {
        return match value.one_of(&["standard"], problems) {
            Some(_) => MicGroup::standard(),
            None => Vec::new(),
        };
    }
    let mut groups: Vec<MicGroup> = Vec::new();
    for (name, span, value) in value.table(problems).into_iter().flat_map(entries) {
        lawful_name(name, span, problems);
        let mut group = Vec::new();
        for value in value.array(problems).into_iter().flatten() {
            let Some(mic) = mic(value, problems) else {
                continue;
            };
            if let Some(other) = groups.iter().find(|g| g.mics.contains(&mic)) {
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

/// Behind the derived stems, whose names may stand here.
pub(super) fn strips(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    let derived: Vec<&str> = match &c.derived {
        Some(derived) => derived.iter().map(|d| d.name.as_str()).collect(),
        None => vec![TRASHY_ROOM],
    };
    for (key, span, value) in value.table(problems).into_iter().flat_map(entries) {
        let mut strip = Strip::default();
        read_table(keys::STRIP, &mut strip, value, problems);
        if derived.contains(&key) {
            c.mix.derived.push((key.to_owned(), strip));
        } else if let Some(label) = label_at(key, span, problems) {
            c.mix.mics.push((label, strip));
        }
    }
}

/// Behind the groups, whose names may stand here.
pub(super) fn group_faders(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    let groups = match c.groups.is_empty() {
        true => MicGroup::standard(),
        false => c.groups.clone(),
    };
    let names: Vec<&str> = groups.iter().map(|g| g.name.as_str()).collect();
    for (key, span, value) in value.table(problems).into_iter().flat_map(entries) {
        if !names.contains(&key) {
            let problem = Problem::at(span.clone(), "no group has this name");
            problems.add(problem.hint(suggest(key, &names, "Groups")));
        }
        let mut fader_db = 0.0;
        if let Some(table) = value.table(problems) {
            read_keys(keys::GROUP, &mut fader_db, table, Some(span), problems);
        }
        c.mix.groups.push((key.to_owned(), fader_db));
    }
}

/// Text that may be part of a file name.
pub(super) fn portable(value: Value, problems: &mut Problems) -> String {
    let text = value.string(problems).unwrap_or_default();
    if !text.chars().all(naming::is_portable) || text.len() > 60 {
        let message = "expected up to 60 ASCII letters, digits, spaces and `-`, `_`, `.`, `+`";
        problems.add(Problem::at(value.span(), message));
    }
    text.to_owned()
}

/// Behind the texts that its fields stand for.
pub(super) fn template(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    let Some(text) = value.string(problems) else {
        return;
    };
    match Template::parse(text) {
        Ok(template) => c.naming.template = template,
        Err(faults) => {
            for fault in faults {
                let at = inside(value, text, fault.at, problems);
                let mut problem = Problem::at(at, fault.message);
                problem.hint = fault.word.map(|w| suggest(&w, &naming::FIELDS, "Fields"));
                problems.add(problem);
            }
        }
    }
    for (field, given) in [("text", &c.naming.text), ("date", &c.naming.date)] {
        if c.naming.template.has(field) && given.is_empty() {
            let message =
                format!("`{{{field}}}` stands for `{field} = \"…\"` here, which is missing");
            problems.add(Problem::at(value.span(), message));
        }
    }
}

/// `16` and `24` are numbers, `"float"` is a word: 32 alone would leave the kind open.
pub(super) fn bits(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    let text = match value.0.get_ref().as_str() {
        Some(text) => text.to_owned(),
        None => match value.i64(16..=32, problems) {
            Some(number) => number.to_string(),
            None => return,
        },
    };
    c.output.bits = match text.as_str() {
        "16" => Bits::Int16,
        "24" => Bits::Int24,
        "float" | "32f" => Bits::Float32,
        "source" => Bits::Source,
        _ => {
            let message = "expected 16, 24, \"float\" (32 bits) or \"source\"";
            problems.add(Problem::at(value.span(), message));
            return;
        }
    };
}

pub(super) fn notes(c: &mut SessionFile, value: Value, problems: &mut Problems) {
    let mut drums = drums();
    drums.sort();
    for (key, span, value) in value.table(problems).into_iter().flat_map(entries) {
        let whole = (key.strip_suffix("-l"))
            .or_else(|| key.strip_suffix("-r"))
            .unwrap_or(key);
        if !drums.iter().any(|drum| drum == whole) {
            let names: Vec<&str> = drums.iter().map(String::as_str).collect();
            let message = "expected a drum, with its side (`-l`, `-r`) where it has one";
            let problem = Problem::at(span, message).hint(suggest(key, &names, "Drums"));
            problems.add(problem);
        }
        let note = value.i64(Hits::NOTE, problems);
        let note = note.and_then(|note| u8::try_from(note).ok());
        c.hits.notes.extend(note.map(|note| (key.to_owned(), note)));
    }
}

/// `kick`, `snare`, `tom-1`, and so on, in the order of the mics.
pub(super) fn drums() -> Vec<String> {
    let mut all: Vec<String> = Mic::all()
        .filter_map(|mic| drum(mic.family, mic.name(), None))
        .collect();
    all.dedup();
    all
}

/// The name of a derived stem.
pub(super) fn slug_text(value: Value, problems: &mut Problems) -> String {
    let name = value.string(problems);
    if let Some(name) = name {
        lawful_name(name, value.span(), problems);
    }
    name.unwrap_or_default().to_owned()
}

fn lawful_name(name: &str, span: Range<usize>, problems: &mut Problems) {
    if !MicGroup::lawful_name(name) {
        let message = "expected lower-case letters, digits and `-`: it becomes part of file names";
        let hint = format!("write `{}`", slug(name));
        problems.add(Problem::at(span, message).hint(hint));
    }
}

pub(super) fn mics(list: Vec<Value>, problems: &mut Problems) -> Vec<Mic> {
    list.into_iter()
        .filter_map(|value| mic(value, problems))
        .collect()
}

fn mic(value: Value, problems: &mut Problems) -> Option<Mic> {
    let text = value.string(problems)?;
    mic_at(text, value.span(), problems)
}

fn mic_at(text: &str, span: Range<usize>, problems: &mut Problems) -> Option<Mic> {
    let mic = Mic::named(text);
    if mic.is_none() {
        problems.add(no_mic(text, span, "no mic has this name"));
    }
    mic
}

pub(super) fn label(value: Value, problems: &mut Problems) -> Option<Label> {
    let text = value.string(problems)?;
    label_at(text, value.span(), problems)
}

fn label_at(text: &str, span: Range<usize>, problems: &mut Problems) -> Option<Label> {
    let label = Label::parse(text);
    if label.is_none() {
        let message =
            "expected a mic, with its side (`-l`, `-r`, `-c`) or number (`-2`) where it has one";
        problems.add(no_mic(text, span, message));
    }
    label
}

fn no_mic(text: &str, span: Range<usize>, message: &str) -> Problem {
    let names: Vec<&str> = Mic::all().map(Mic::name).collect();
    Problem::at(span, message).hint(suggest(text, &names, "Mics"))
}

/// Bytes of a text value that `at` means, where it stands in the file without escapes; else all.
fn inside(value: Value, text: &str, at: Range<usize>, problems: &Problems) -> Range<usize> {
    let span = value.span();
    let file = problems.text();
    let written = file.get(span.clone()).unwrap_or_default();
    match written.find(text) {
        Some(start) => span.start + start + at.start..span.start + start + at.end,
        None => span,
    }
}
