//! The manual page, made from the same definitions as `--help`.

use std::io::{self, Write};

use clap::{Arg, Command, CommandFactory as _};
use clap_mangen::Man;
use clap_mangen::roff::{Inline, Roff, bold, italic, roman};

/// Writes the whole page, as `man -l` reads it.
pub fn write(mut page: &mut dyn Write) -> io::Result<()> {
    let mut command = super::arguments::Cli::command().disable_help_subcommand(true);
    command.build();
    let man = Man::new(command.clone()).manual("Drum recordings");
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    man.render_description_section(&mut page)?;

    let mut roff = Roff::new();
    roff.control("PP", []);
    roff.text([roman(super::arguments::HEARING)]);
    roff.control("SH", ["COMMANDS"]);
    for command in command.get_subcommands() {
        describe(&mut roff, command);
    }
    roff.control("SH", ["OPTIONS OF EVERY COMMAND"]);
    command
        .get_arguments()
        .for_each(|arg| option(&mut roff, arg));
    roff.control("SH", ["EXIT STATUS"]);
    for (status, meaning) in super::arguments::STATUSES {
        roff.control("TP", []);
        roff.text([bold(*status)]);
        roff.text([roman(*meaning)]);
    }
    roff.control("SH", ["FILES"]);
    for (place, what) in FILES {
        roff.control("TP", []);
        roff.text([italic(*place)]);
        roff.text([roman(*what)]);
    }
    roff.control("SH", ["ENVIRONMENT"]);
    for (variable, what) in ENVIRONMENT {
        roff.control("TP", []);
        roff.text([bold(*variable)]);
        roff.text([roman(*what)]);
    }
    roff.control("SH", ["EXAMPLES"]);
    as_typed(&mut roff, super::arguments::EXAMPLES);
    roff.to_writer(&mut page)
}

const FILES: &[(&str, &str)] = &[
    (
        "TAKES/session.toml",
        "what the file names leave open: mics, presets, set-ups, groups, naming, output format; \
         `batterhead scan TAKES --init` prints one to begin with",
    ),
    (
        "PREPARED/session.html",
        "what to look at first, with everything to listen to",
    ),
    (
        "PREPARED/hits, PREPARED/notes",
        "every stroke as a table and as MIDI, and the track sheet of each song",
    ),
    (
        "PREPARED/worksheet.toml",
        "every decision with its reason; edit it and give it back with --worksheet",
    ),
    (
        "PREPARED/manifest-sha256.txt",
        "every output; `sha256sum -c` reads it too",
    ),
    (
        "PREPARED/.batterhead",
        "lock, journal and kept measurements: without it the next run does everything again",
    ),
];

const ENVIRONMENT: &[(&str, &str)] = &[
    ("NO_COLOR", "no colours on the terminal"),
    (
        "TMPDIR",
        "where a command that stores nothing keeps what it measures while it runs",
    ),
];

/// A command with its arguments and examples; of a group, each of its commands.
fn describe(roff: &mut Roff, command: &Command) {
    if command.has_subcommands() {
        return command.get_subcommands().for_each(|c| describe(roff, c));
    }
    let name = command.get_bin_name().unwrap_or(command.get_name());
    let mut heading = vec![bold(name)];
    let own = |arg: &&Arg| !arg.is_hide_set() && !arg.is_global_set() && arg.get_id() != "help";
    for arg in command.get_arguments().filter(own) {
        let (open, close) = match arg.is_required_set() {
            true => ("", ""),
            false => ("[", "]"),
        };
        heading.push(roman(format!(" {open}")));
        heading.extend(written(arg));
        heading.push(roman(close));
    }
    roff.control("SS", [name.trim_start_matches("batterhead ")]);
    roff.text(heading);
    roff.control("PP", []);
    roff.text([roman(text(command.get_about()) + ".")]);
    command
        .get_arguments()
        .filter(own)
        .for_each(|arg| option(roff, arg));
    let examples = text(command.get_after_help());
    if !examples.is_empty() {
        roff.control("PP", []);
        as_typed(roff, &examples);
    }
}

fn text(styled: Option<&clap::builder::StyledStr>) -> String {
    styled.map(ToString::to_string).unwrap_or_default()
}

/// An argument and what it does.
fn option(roff: &mut Roff, arg: &Arg) {
    roff.control("TP", []);
    roff.text(written(arg));
    roff.text([roman(text(arg.get_help()))]);
}

/// An argument as it is typed.
fn written(arg: &Arg) -> Vec<Inline> {
    let value = || {
        let names = arg.get_value_names().unwrap_or_default();
        let more = match arg.get_num_args() {
            Some(range) if range.max_values() > names.len().max(1) => " …",
            _ => "",
        };
        italic(names.join(" ") + more)
    };
    let takes_a_value = arg.get_num_args().is_some_and(|range| range.takes_values());
    match (arg.get_long(), arg.get_short()) {
        (None, None) => vec![value()],
        (long, short) => {
            let name = long.map(|name| format!("--{name}"));
            let name = name.or_else(|| short.map(|name| format!("-{name}")));
            let mut parts = vec![bold(name.unwrap_or_default())];
            if takes_a_value {
                parts.push(roman(" "));
                parts.push(value());
            }
            parts
        }
    }
}

/// Lines as they stand.
fn as_typed(roff: &mut Roff, lines: &str) {
    roff.control("nf", []);
    for line in lines.lines() {
        roff.text([roman(line)]);
    }
    roff.control("fi", []);
}
