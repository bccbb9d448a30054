//! The command line: what was typed, turned into calls of the library and an exit status.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;
use std::sync::Arc;

use clap::Parser as _;

use crate::commands::Options;
use crate::error::{Error, Kind, Result, printable};
use crate::job::{Anew, Event, Stop};
use crate::output::publish::Content;
use arguments::{Cli, Command, PresetCommand};
use voice::Voice;

mod arguments;
mod commands;
mod completions;
mod follow;
mod manual;
mod nearest;
mod powershell;
mod progress;
mod signals;
mod summary;
mod voice;
mod watch;

/// Runs the program: arguments in, exit status out.
pub fn run() -> ExitCode {
    signals::prepare();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return wrong_usage(error),
    };
    let voice = Arc::new(Voice::new(cli.global.quiet, cli.global.log_json));
    // A defect is told like everything else; what it costs is decided where it is caught.
    let of_defects = Arc::clone(&voice);
    std::panic::set_hook(Box::new(move |defect| {
        of_defects.defect(&defect.to_string())
    }));
    let outcome = catch_unwind(AssertUnwindSafe(|| dispatch(cli.command, &voice)));
    let status = match outcome {
        Ok(Ok(status)) => status,
        Ok(Err(error)) => {
            voice.error(&error);
            error.kind.exit_status()
        }
        Err(_) => Kind::Environment.exit_status(),
    };
    voice.exit(status);
    ExitCode::from(status)
}

/// Says what is wrong with the arguments, or prints the help that was asked for.
fn wrong_usage(error: clap::Error) -> ExitCode {
    // An argument may hold anything: it must not make lines of its own.
    let safe = std::env::args_os().map(|argument| printable(&argument.to_string_lossy()));
    let error = Cli::try_parse_from(safe).err().unwrap_or(error);
    let error = nearest::option(error);
    let status = u8::try_from(error.exit_code()).unwrap_or(2);
    let json = std::env::args_os()
        .take_while(|argument| argument != "--")
        .any(|argument| argument == "--log-json");
    if !(json && error.use_stderr()) {
        let _ = error.print();
        return ExitCode::from(status);
    }
    let voice = Voice::new(false, true);
    voice.error(&in_words(&error));
    voice.exit(status);
    ExitCode::from(status)
}

/// A usage error without its layout.
fn in_words(error: &clap::Error) -> Error {
    use clap::error::ErrorKind::{DisplayHelpOnMissingArgumentOrSubcommand, MissingSubcommand};
    let see_help = "see `batterhead --help`";
    if let DisplayHelpOnMissingArgumentOrSubcommand | MissingSubcommand = error.kind() {
        return Error::input("a command is missing").hint(see_help);
    }
    let text = error.render().to_string();
    let text = text.strip_prefix("error: ").unwrap_or(&text);
    let paragraph = text.split("\n\n").next().unwrap_or_default();
    let reason: Vec<&str> = paragraph.split_whitespace().collect();
    let tips: Vec<&str> = (text.lines())
        .filter_map(|line| line.trim().strip_prefix("tip: "))
        .collect();
    Error::input(reason.join(" ")).hint(match tips.is_empty() {
        true => see_help.to_owned(),
        false => tips.join("; "),
    })
}

fn dispatch(command: Command, voice: &Voice) -> Result<u8> {
    let stop = Arc::new(Stop::default());
    let tell = |event: Event<'_>| voice.hear(event);
    match command {
        Command::Scan {
            session,
            json,
            init,
            files,
            out,
            worksheet,
            work,
        } => {
            let (session, init) = match (session, init) {
                (Some(session), None) => (session, commands::Init::No),
                (Some(session), Some(None)) => (session, commands::Init::Print),
                (Some(session), Some(Some(file))) => (session, commands::Init::Write(file)),
                // `--init TAKES` names the session, not a file to be written.
                (None, Some(Some(session))) => (session, commands::Init::Print),
                (None, _) => {
                    return Err(Error::input("no session is given")
                        .hint("batterhead scan TAKES --init TAKES/session.toml"));
                }
            };
            let options = Options {
                worksheet,
                ..work.options(&stop, &tell)
            };
            let scan = commands::Scan {
                json,
                init,
                files,
                out,
            };
            commands::scan(&session, &scan, &options, voice)
        }
        Command::Check {
            session,
            out,
            json,
            also,
            work,
        } => {
            signals::watch(&stop);
            let options = Options {
                also,
                ..work.options(&stop, &tell)
            };
            commands::check(&session, out.as_deref(), json, &options, voice)
        }
        Command::Watch { session, out, work } => {
            signals::watch(&stop);
            let options = work.options(&stop, &tell);
            watch::watch(&session, out.as_deref(), &options, voice)
        }
        Command::Prep {
            session,
            out,
            dry_run,
            worksheet,
            preset,
            only,
            song,
            decide_anew,
            also,
            prune,
            bag,
            work,
        } => {
            signals::watch(&stop);
            let options = Options {
                worksheet,
                preset,
                only,
                songs: song,
                anew: match decide_anew {
                    None => Anew::Nothing,
                    Some(mics) if mics.is_empty() => Anew::All,
                    Some(mics) => Anew::Mics(mics),
                },
                also,
                prune,
                bag,
                ..work.options(&stop, &tell)
            };
            match dry_run {
                true => commands::preview(&session, &out, &options, voice),
                false => commands::prep(&session, &out, &options, voice),
            }
        }
        Command::Apply {
            preset,
            files,
            together,
            out,
            work,
        } => {
            signals::watch(&stop);
            let options = Options {
                together,
                ..work.options(&stop, &tell)
            };
            commands::apply(&preset, &files, &out, &options, voice)
        }
        Command::Shootout {
            candidates,
            out,
            offset,
            json,
        } => {
            signals::watch(&stop);
            let options = Options {
                stop,
                tell: &tell,
                later_s: offset,
                ..Options::default()
            };
            commands::shootout(&candidates, &out, json, &options, voice)
        }
        Command::Preset { command } => match command {
            PresetCommand::List => commands::preset_list(),
            PresetCommand::Show { name } => commands::preset_show(&name),
            PresetCommand::Check { files } => commands::preset_check(&files, voice),
            PresetCommand::Curve {
                name,
                json,
                svg,
                rate_hz,
            } => commands::preset_curve(&name, json, svg, rate_hz),
        },
        Command::Verify { dir } => commands::verify(&dir, voice),
        Command::Completions { shell } => commands::completions(shell),
        Command::Man => commands::man(),
        Command::Demo { out, work } => {
            signals::watch(&stop);
            commands::demo(&out, &work.options(&stop, &tell), voice)
        }
    }
}

/// Writes a result to standard output.
fn print(text: &str) -> Result<()> {
    print_from(&|out| out.write_all(text.as_bytes()))
}

/// The same of a result that is made as it is written. A reader that has gone away is no error: the
/// work is done.
fn print_from(content: &Content<'_>) -> Result<()> {
    use std::io::{BufWriter, ErrorKind, Write};
    let mut out = BufWriter::new(std::io::stdout().lock());
    match content(&mut out).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            let lost = Error::writing(std::path::Path::new("standard output"), &e);
            Err(Error {
                kind: Kind::Environment,
                ..lost
            })
        }
        _ => Ok(()),
    }
}
