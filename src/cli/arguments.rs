//! What may be typed: commands, options and their help.

use std::path::PathBuf;
use std::sync::Arc;

use clap::{Args, Parser, Subcommand};

use crate::commands::Options;
use crate::job::{Listener, Stop};

pub const EXAMPLES: &str = "\
    batterhead demo\n\
    batterhead scan TAKES\n\
    batterhead prep TAKES --out PREPARED";

/// Exit statuses.
pub const STATUSES: &[(&str, &str)] = &[
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
        "stopped by the environment (disk full, folder gone); run the same command again to resume",
    ),
    ("4", "another run holds the output folder"),
    ("5", "verify found a difference"),
    (
        "130, 143",
        "stopped by a signal; run the same command again to resume",
    ),
];

pub const HEARING: &str =
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
pub struct Cli {
    #[command(flatten)]
    pub global: Global,
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
pub struct Global {
    /// Print errors only, and the output of `--json`
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Write messages as JSON to standard error, one object a line
    #[arg(long, global = true)]
    pub log_json: bool,
}

#[derive(Debug, Subcommand)]
pub enum Command {
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
        /// Draft a commented session file from what was found and print it, or write it to FILE, which
        /// must not exist yet
        #[arg(long, value_name = "FILE", num_args = 0..=1, conflicts_with = "json")]
        init: Option<Option<PathBuf>>,
        /// List every file: what it is taken for, and why
        #[arg(long, conflicts_with_all = ["json", "init"])]
        files: bool,
        /// Check that prep could write here
        #[arg(long)]
        out: Option<PathBuf>,
        /// Check that prep would accept this worksheet
        #[arg(long, value_name = "FILE")]
        worksheet: Option<PathBuf>,
        #[command(flatten)]
        work: Work,
    },
    /// Measure everything and report what needs attention; writes no audio
    #[command(
        after_help = "Examples:\n  batterhead check TAKES\n  batterhead check TAKES --out CHECKED --json"
    )]
    Check {
        /// Folder of takes, or a session file
        session: PathBuf,
        /// Keep measurements and reports here; without it nothing is stored
        #[arg(long)]
        out: Option<PathBuf>,
        /// Print JSON
        #[arg(long)]
        json: bool,
        /// Add this session to a folder that already holds the reports of another one
        #[arg(long, requires = "out")]
        also: bool,
        #[command(flatten)]
        work: Work,
    },
    /// Check each take as soon as its files are complete, while the band is still there
    #[command(
        after_help = "Examples:\n  batterhead watch TAKES\n  batterhead watch TAKES --out PREPARED\n\n\
        Prints one line for each thing that is wrong with a take, a few seconds after the recorder has\n\
        finished it, and rings the terminal bell on a problem. With --out it keeps the page up to date, and\n\
        the `prep` that follows measures nothing again. Stop it with Ctrl-C."
    )]
    Watch {
        /// Folder that a recorder writes into, or a session file
        session: PathBuf,
        /// Keep reports and page here, for the `prep` that follows
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
        Run the same command again to resume an interrupted run.")]
    Prep {
        /// Folder of takes, or a session file
        session: PathBuf,
        /// Output folder; must not lie inside the session folder
        #[arg(long)]
        out: PathBuf,
        /// Measure, decide and print the worksheet; write nothing
        #[arg(long)]
        dry_run: bool,
        /// Use the decisions in this (edited) worksheet
        #[arg(long, value_name = "FILE")]
        worksheet: Option<PathBuf>,
        /// One preset for all mics, by name or path: `level-only`, `name-only`
        #[arg(long, value_name = "NAME")]
        preset: Option<String>,
        /// Render these mics only, and no mixes
        #[arg(long, value_name = "MIC,…", value_delimiter = ',')]
        only: Option<Vec<String>>,
        /// Make only the stems of these songs, while other machines make others in the same folder;
        /// then the same command without --song finishes the session
        #[arg(long, value_name = "SONG,…", value_delimiter = ',', conflicts_with_all = ["only", "prune", "worksheet"])]
        song: Option<Vec<String>>,
        /// Redo the decisions that an earlier run delivered by: all, or those of some mics
        #[arg(long, value_name = "MIC,…", value_delimiter = ',', num_args = 0.., require_equals = true)]
        decide_anew: Option<Vec<String>>,
        /// Add this session to a folder that already holds the outputs of another one
        #[arg(long)]
        also: bool,
        /// Remove outputs whose sources are gone
        #[arg(long)]
        prune: bool,
        /// Make the output folder a BagIt bag for an archive: outputs go into its data/ folder, and
        /// later runs keep the bag valid
        #[arg(long)]
        bag: bool,
        #[command(flatten)]
        work: Work,
    },
    /// Apply one preset to any files, without a session
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
    /// Align, level-match and compare two or more recordings of the same pattern
    #[command(
        after_help = "Examples:\n  batterhead shootout old-snare.wav new-snare.wav --out SNARES\n  \
        batterhead shootout takes/take-01 takes/take-02 --out KITS\n  \
        batterhead shootout kick-in.wav kick-out.wav --out KICKS\n\n\
        Record the same pattern each time: several bars, ideally to a click. Everything is compared with\n\
        the first name. Listen in shootout.html, which has a blind test, too."
    )]
    Shootout {
        /// Sound files, or folders that hold one take each
        #[arg(required = true, num_args = 2..)]
        candidates: Vec<PathBuf>,
        /// Output folder
        #[arg(long)]
        out: PathBuf,
        /// How much later the pattern starts in the others than in the first, roughly (negative:
        /// earlier); needed only beyond 30 s
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
    /// List, show, check or plot presets
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
    /// Print a completion script for a shell
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
        /// Where to put the session and its outputs
        #[arg(long, default_value = "batterhead-demo")]
        out: PathBuf,
        #[command(flatten)]
        work: Work,
    },
}

/// Options of the commands that process audio.
#[derive(Clone, Copy, Debug, Args)]
pub struct Work {
    /// Tracks processed at the same time; by default one per processor core
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Frames read at a time, for tests: nothing that is written depends on it
    #[arg(long, hide = true, default_value_t = crate::block::FRAMES as u32, value_parser = clap::value_parser!(u32).range(1..=1_048_576))]
    pub block_frames: u32,
}

impl Work {
    /// What these options and the rest of the program give a command.
    pub fn options<'a>(self, stop: &Arc<Stop>, tell: Listener<'a>) -> Options<'a> {
        let mut options = Options {
            block_frames: self.block_frames as usize,
            stop: Arc::clone(stop),
            tell,
            ..Options::default()
        };
        if let Some(jobs) = self.jobs {
            options.jobs = usize::from(jobs);
        }
        options
    }
}

#[derive(Debug, Subcommand)]
pub enum PresetCommand {
    /// List the presets that come with the program
    List,
    /// Print a preset
    Show {
        /// Name of a preset that comes with the program
        name: String,
    },
    /// Check preset files and report every mistake
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
