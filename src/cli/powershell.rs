//! The completion script for PowerShell. The usual generator's knows no names of presets and mics, and
//! offers nothing once a command has an argument.

use clap::{Arg, Command};

const SCRIPT: &str = include_str!("completions.ps1");

/// The script, with all words and names of a command and those below it.
pub fn script(mut command: Command) -> String {
    command.build();
    let mut tables = (String::new(), String::new());
    add(&command, command.get_name(), &mut tables);
    let (words, names) = tables;
    let script = SCRIPT.replace("#words\n", &words);
    script.replace("#names\n", &names)
}

/// Adds what follows `place`, the words that lead to this command.
fn add(command: &Command, place: &str, tables: &mut (String, String)) {
    let mut words = String::new();
    for below in command.get_subcommands().filter(|c| !c.is_hide_set()) {
        let about = below.get_about().map(ToString::to_string);
        words += &word(below.get_name(), about);
    }
    for arg in command.get_arguments().filter(|arg| !arg.is_hide_set()) {
        let options: Vec<_> = (arg.get_short().map(|short| format!("-{short}")).into_iter())
            .chain(arg.get_long().map(|long| format!("--{long}")))
            .collect();
        for option in &options {
            words += &word(option, arg.get_help().map(ToString::to_string));
        }
        let named = options.iter().map(|option| format!("{place} {option}"));
        let first = (arg.get_index() == Some(1)).then(|| place.to_owned());
        let list = names(arg);
        for place in named.chain(first).filter(|_| !list.is_empty()) {
            tables.1 += &format!("        {} = @({list})\n", quoted(&place));
        }
    }
    let place_quoted = quoted(place);
    tables.0 += &format!("        {place_quoted} = [ordered]@{{\n{words}        }}\n");
    for below in command.get_subcommands() {
        add(below, &format!("{place} {}", below.get_name()), tables);
    }
}

/// A line of a table: a word with its meaning, which must not be empty.
fn word(word: &str, meaning: Option<String>) -> String {
    let meaning = meaning.filter(|text| !text.is_empty());
    let meaning = meaning.as_deref().unwrap_or(word);
    format!("            {} = {}\n", quoted(word), quoted(meaning))
}

/// The names that an argument takes.
fn names(arg: &Arg) -> String {
    let names = arg.get_possible_values().into_iter();
    let names: Vec<_> = names.map(|name| quoted(name.get_name())).collect();
    names.join(", ")
}

/// A literal: one line of ASCII, since an older PowerShell reads files in the alphabet of its country,
/// where other bytes may be quotation marks.
fn quoted(text: &str) -> String {
    let text = text.lines().next().unwrap_or_default();
    let text = text.replace('…', "...").replace('\'', "''");
    let ascii: String = text.chars().filter(char::is_ascii).collect();
    format!("'{ascii}'")
}
