//! The command line: what was typed, turned into calls of the library and an exit status.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Args, Parser, Subcommand};

use crate::error::{Error, Kind, Result, printable};
use crate::job::Anew;
use crate::output::publish::Content;
use voice::Voice;

mod commands;
mod completions;
mod manual;
mod nearest;
mod progress;
mod signals;
mod summary;
mod voice;
mod watch;

const EXAMPLES: &str = "\
    batterhead demo\n\
    batterhead scan TAKES\n\
    batterhead prep TAKES --out PREPARED";

/// Exit statuses.
const STATUSES: &[(&str, &str)] = &[
    ("0", "all done"),
    (
        "1",
        "finished, but some files failed; each is listed with its reason",
    ),
    (
        "2",
        "wrong usage, preset, session or worksheet; nothing was written",
    ),
    (
        "3",
        "stopped by the environment (disk full, folder gone); the same command goes on from there",
    ),
    ("4", "another run holds the output folder"),
    ("5", "verify found a difference"),
    (
        "130, 143",
        "stopped by a signal; the same command goes on from there",
    ),
];

const HEARING: &str =
    "The stems can be loud. Turn the volume down before you listen; protect your hearing.";

fn after_help() -> String {
    let examples = EXAMPLES.replace('\n', "\n  ");
    let mut text = format!("Examples:\n  {examples}\n\nExit status:\n");
    for (status, meaning) in STATUSES {
        text += &format!("  {status:<9} {meaning}\n");
    }
    text + "\n" + HEARING
}

/// Turns folders of multi-microphone drum takes into processed stems, rough mixes and reports.
#[derive(Debug, Parser)]
#[command(
    name = "batterhead",
    version,
    max_term_width = 100,
    arg_required_else_help = true
)]
#[command(after_help = after_help())]
struct Cli {
    #[command(flatten)]
    global: Global,
    #[command(subcommand)]
    command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
struct Global {
    /// No progress, notes and summary; errors only, and what `--json` asks for
    #[arg(long, global = true)]
    quiet: bool,
    /// Messages as JSON, one object a line on standard error
    #[arg(long, global = true)]
    log_json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show what each file of a session is taken for; reads headers only
    #[command(
        after_help = "Examples:\n  batterhead scan TAKES\n  batterhead scan TAKES --json > scan.json\n  \
        batterhead scan TAKES --init TAKES/session.toml\n  \
        batterhead scan TAKES --out PREPARED --worksheet PREPARED/worksheet.toml"
    )]
    Scan {
        /// Folder of takes, or a session file
        #[arg(required_unless_present = "init")]
        session: Option<PathBuf>,
        /// Print JSON
        #[arg(long)]
        json: bool,
        /// Make a commented session file from what was found: written to FILE, which must not be
        /// there yet, or printed
        #[arg(long, value_name = "FILE", num_args = 0..=1, conflicts_with = "json")]
        init: Option<Option<PathBuf>>,
        /// List every file with what it is taken for and why
        #[arg(long, conflicts_with_all = ["json", "init"])]
        files: bool,
        /// Look whether prep could write here
        #[arg(long)]
        out: Option<PathBuf>,
        /// Look whether prep could take this worksheet
        #[arg(long, value_name = "FILE")]
        worksheet: Option<PathBuf>,
        #[command(flatten)]
        work: Work,
    },
    /// Measure everything and report what a person should know; writes no audio
    #[command(
        after_help = "Examples:\n  batterhead check TAKES\n  batterhead check TAKES --out CHECKED --json"
    )]
    Check {
        /// Folder of takes, or a session file
        session: PathBuf,
        /// Keep evidence and reports here; without it nothing is stored
        #[arg(long)]
        out: Option<PathBuf>,
        /// Print JSON
        #[arg(long)]
        json: bool,
        /// Put this session beside another one that has reports in the folder
        #[arg(long, requires = "out")]
        also: bool,
        #[command(flatten)]
        work: Work,
    },
    /// While the band is still there: check each take as soon as its files are complete
    #[command(
        after_help = "Examples:\n  batterhead watch TAKES\n  batterhead watch TAKES --out PREPARED\n\n\
        Says in one line each what is wrong with a take, a few seconds after the recorder has finished\n\
        it, and rings the bell of the terminal on a problem. With --out it keeps the page and all that it\n\
        measured there, for the `prep` that follows. Ctrl-C ends it."
    )]
    Watch {
        /// Folder that a recorder writes into, or a session file
        session: PathBuf,
        /// Keep reports and page here, for `prep` to go on from
        #[arg(long)]
        out: Option<PathBuf>,
        #[command(flatten)]
        work: Work,
    },
    /// Do the whole job: stems, rough mixes, reports
    #[command(after_help = "Examples:\n  batterhead prep TAKES --out PREPARED\n  \
        batterhead prep TAKES --out PREPARED --dry-run\n  \
        batterhead prep TAKES --out PREPARED --worksheet PREPARED/worksheet.toml\n  \
        batterhead prep TAKES --out PREPARED --only snare-top,overhead\n  \
        batterhead prep TAKES --out PREPARED --song low-tide,gravelight\n  \
        batterhead prep TAKES --out LEVELLED --preset level-only\n  \
        batterhead prep TAKES --out BAGGED --bag\n\n\
        The same command goes on where an interrupted run stopped.")]
    Prep {
        /// Folder of takes, or a session file
        session: PathBuf,
        /// Output folder; must not lie inside the session folder
        #[arg(long)]
        out: PathBuf,
        /// Measure and decide, print the worksheet, write nothing
        #[arg(long)]
        dry_run: bool,
        /// Take the decisions of this (edited) worksheet
        #[arg(long, value_name = "FILE")]
        worksheet: Option<PathBuf>,
        /// One preset for all mics, by name or path: `level-only`, `name-only`
        #[arg(long, value_name = "NAME")]
        preset: Option<String>,
        /// Render these mics only, and no mixes
        #[arg(long, value_name = "MIC,…", value_delimiter = ',')]
        only: Option<Vec<String>>,
        /// Make the stems of these songs only, beside other machines that make others in the same
        /// folder; the same command without --song then joins them
        #[arg(long, value_name = "SONG,…", value_delimiter = ',', conflicts_with_all = ["only", "prune", "worksheet"])]
        song: Option<Vec<String>>,
        /// Decide again what was delivered by an earlier run: everything, or some mics
        #[arg(long, value_name = "MIC,…", value_delimiter = ',', num_args = 0.., require_equals = true)]
        decide_anew: Option<Vec<String>>,
        /// Put this session beside another one that has outputs in the folder
        #[arg(long)]
        also: bool,
        /// Remove outputs that no source makes any more
        #[arg(long)]
        prune: bool,
        /// Make the output folder a BagIt bag for an archive: outputs lie in its data/, and later runs
        /// keep it one
        #[arg(long)]
        bag: bool,
        #[command(flatten)]
        work: Work,
    },
    /// Put one preset on any files, without a session
    #[command(
        after_help = "Examples:\n  batterhead apply trashy-room Room.wav --out TRASHED\n  \
        batterhead apply my-preset.toml *.wav --out DONE\n  \
        batterhead apply snare-top take-*/Snare.wav --out SNARES --together"
    )]
    Apply {
        /// Name of a preset, or a preset file
        preset: String,
        /// Sound files
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// The files are takes of one mic: one gain and one tuning for all of them
        #[arg(long)]
        together: bool,
        /// Output folder
        #[arg(long)]
        out: PathBuf,
        #[command(flatten)]
        work: Work,
    },
    /// Align, level-match and compare two or more takes, files or tracks of one pattern
    #[command(
        after_help = "Examples:\n  batterhead shootout old-snare.wav new-snare.wav --out SNARES\n  \
        batterhead shootout takes/take-01 takes/take-02 --out KITS\n  \
        batterhead shootout kick-in.wav kick-out.wav --out KICKS\n\n\
        Play the same pattern in all of them, best to a click; several bars. Names that follow the\n\
        first are compared with it. Listen in shootout.html, which can hide which is which."
    )]
    Shootout {
        /// Sound files, or folders that hold one take each
        #[arg(required = true, num_args = 2..)]
        candidates: Vec<PathBuf>,
        /// Output folder
        #[arg(long)]
        out: PathBuf,
        /// Where the pattern begins more than 30 s later in the others than in the first (earlier, if
        /// negative): by about so many seconds
        #[arg(
            long,
            value_name = "SECONDS",
            default_value_t = 0.0,
            allow_negative_numbers = true
        )]
        offset: f64,
        /// Print shootout.json
        #[arg(long)]
        json: bool,
    },
    /// Look at presets
    Preset {
        #[command(subcommand)]
        command: PresetCommand,
    },
    /// Read every output again and compare it with the manifest
    #[command(after_help = "Example:\n  batterhead verify PREPARED")]
    Verify {
        /// Output folder of an earlier run
        dir: PathBuf,
    },
    /// Print what a shell needs to complete commands, options, presets and mics
    #[command(after_help = "Examples:\n  \
        batterhead completions bash > ~/.local/share/bash-completion/completions/batterhead\n  \
        batterhead completions zsh > ~/.zfunc/_batterhead\n  \
        batterhead completions fish > ~/.config/fish/completions/batterhead.fish\n  \
        batterhead completions powershell >> $PROFILE")]
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    #[command(after_help = "Example:\n  batterhead man > batterhead.1 && man -l batterhead.1")]
    Man,
    /// Synthesise a small session and run prep on it
    #[command(after_help = "Example:\n  batterhead demo --out /tmp/batterhead-demo")]
    Demo {
        /// Where to put the session and what is made of it
        #[arg(long, default_value = "batterhead-demo")]
        out: PathBuf,
        #[command(flatten)]
        work: Work,
    },
}

/// Options of the commands that process audio.
#[derive(Clone, Copy, Debug, Args)]
struct Work {
    /// How many tracks are worked on at the same time; by default one a processor core
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    jobs: Option<u16>,
    /// Frames read at a time, for tests: nothing that is written depends on it
    #[arg(long, hide = true, default_value_t = crate::block::FRAMES as u32, value_parser = clap::value_parser!(u32).range(1..=1_048_576))]
    block_frames: u32,
}

impl Work {
    fn power(self) -> commands::Power {
        let cores = || std::thread::available_parallelism().map_or(1, usize::from);
        commands::Power {
            jobs: self.jobs.map_or_else(cores, usize::from),
            block_frames: self.block_frames as usize,
        }
    }
}

#[derive(Debug, Subcommand)]
enum PresetCommand {
    /// List the presets that come with the program
    List,
    /// Print a preset
    Show {
        /// Name of a preset that comes with the program
        name: String,
    },
    /// Check preset files and name every mistake
    Check {
        /// Preset files
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Draw the magnitude response of a preset
    Curve {
        /// Name of a preset, or a preset file
        name: String,
        /// Print JSON
        #[arg(long)]
        json: bool,
        /// Print SVG
        #[arg(long, conflicts_with = "json")]
        svg: bool,
        /// Sample rate
        #[arg(long, default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(8_000..=384_000))]
        rate_hz: u32,
    },
}

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
            let power = work.power();
            let options = commands::ScanOptions {
                json,
                init,
                files,
                out,
                worksheet,
                power,
            };
            commands::scan(&session, &options, voice)
        }
        Command::Check {
            session,
            out,
            json,
            also,
            work,
        } => commands::check(&session, out.as_deref(), (json, also), work.power(), voice),
        Command::Watch { session, out, work } => {
            watch::watch(&session, out.as_deref(), work.power(), voice)
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
        } => commands::prep(
            &session,
            &out,
            commands::PrepOptions {
                dry_run,
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
                power: work.power(),
            },
            voice,
        ),
        Command::Apply {
            preset,
            files,
            together,
            out,
            work,
        } => commands::apply(&preset, &files, together, &out, work.power(), voice),
        Command::Shootout {
            candidates,
            out,
            offset,
            json,
        } => commands::shootout(&candidates, offset, &out, json, voice),
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
        Command::Demo { out, work } => commands::demo(&out, work.power(), voice),
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
