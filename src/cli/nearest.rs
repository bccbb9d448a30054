//! The option that was meant: only one that the command has.

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Command, CommandFactory};

use super::arguments::Cli;
use crate::problem::nearest;

/// The error with the nearest option of its command as the proposal, or with none.
pub(super) fn option(mut error: clap::Error) -> clap::Error {
    let wrong = match (error.kind(), error.get(ContextKind::InvalidArg)) {
        (ErrorKind::UnknownArgument, Some(ContextValue::String(wrong))) => wrong.clone(),
        _ => return error,
    };
    let Some(word) = wrong.strip_prefix("--") else {
        return error;
    };
    let root = Cli::command();
    let mut options: Vec<String> = Vec::new();
    let mut command: &Command = &root;
    for argument in std::env::args().skip(1) {
        if let Some(below) = command.find_subcommand(&argument) {
            command = below;
        }
    }
    for argument in root.get_arguments().chain(command.get_arguments()) {
        options.extend(
            argument
                .get_long()
                .filter(|_| !argument.is_hide_set())
                .map(str::to_owned),
        );
    }
    options.push("help".to_owned());
    let names: Vec<&str> = options.iter().map(String::as_str).collect();
    // What would be passed as a value was not meant as one.
    error.remove(ContextKind::Suggested);
    error.remove(ContextKind::SuggestedArg);
    if let Some(near) = nearest(word, &names) {
        let near = ContextValue::String(format!("--{near}"));
        error.insert(ContextKind::SuggestedArg, near);
    }
    error
}
