//! Prints how prepared sessions add up: loudness of mixes, rooms, sums of the mics of one drum, gates.
//!
//! `cargo run --release --example adding_up -- PROGRAM [--kit kit-2b] [--more] [--keep FOLDER] [--session FILE]`
//!
//! On set-ups of the test bed, which needs the recordings, and on the demo.

#[path = "../../tests/bed/mod.rs"]
mod bed;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use bed::gate::GateFigures;
use bed::sound::listen;
use bed::{Half, Session};
use clap::Parser;

#[derive(Parser)]
struct Arguments {
    /// The built program
    program: PathBuf,
    /// Only the set-ups whose name begins so
    #[arg(long, default_value = "")]
    kit: String,
    /// Also the further set-ups of the fitting half
    #[arg(long)]
    more: bool,
    /// Leave the sessions here
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Put this session file into each
    #[arg(long)]
    session: Option<PathBuf>,
}

const ALL: [Half; 3] = [Half::More, Half::Fit, Half::Prove];

fn main() {
    let arguments = Arguments::parse();
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let place = arguments.keep.as_deref().unwrap_or(temporary.path());
    let mut gates: BTreeMap<String, Vec<GateFigures>> = BTreeMap::new();
    if let Some(sources) = bed::sources() {
        let halves = if arguments.more { &ALL[..] } else { &ALL[1..] };
        let setups = halves.iter().flat_map(|half| bed::setups(*half));
        for setup in setups.filter(|setup| setup.name.starts_with(&arguments.kit)) {
            let session = Session::new(&sources, &setup);
            let (takes, out) = (
                place.join(&setup.name),
                place.join(format!("{}-prepared", setup.name)),
            );
            bed::disk::write(&session, &takes).expect("a folder that can be written");
            if let Some(file) = &arguments.session {
                std::fs::copy(file, takes.join("session.toml")).expect("a session file");
            }
            run(
                &arguments.program,
                &["prep", &text(&takes), "--out", &text(&out)],
            );
            let truth = |_: &str, take: &str| {
                let number: usize = take.strip_prefix("take-")?.parse().ok()?;
                Some(session.record(number - 1))
            };
            let figures = listen(&takes, &out, &truth);
            println!("{}\n{figures}", setup.name);
            gates
                .entry(setup.name[..5].to_owned())
                .or_default()
                .extend(figures.gates);
            if arguments.keep.is_none() {
                std::fs::remove_dir_all(&takes).expect("removable");
                std::fs::remove_dir_all(&out).expect("removable");
            }
        }
    }
    for (kit, gates) in gates.iter().filter(|(_, gates)| !gates.is_empty()) {
        print!("{kit}, all set-ups\n{}", GateFigures::all(gates));
    }
    let demo = place.join("demo");
    run(&arguments.program, &["demo", "--out", &text(&demo)]);
    let figures = listen(&demo.join("takes"), &demo.join("prepared"), &|_, _| None);
    println!("demo\n{figures}");
}

fn text(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

fn run(program: &Path, arguments: &[&str]) {
    let ran = Command::new(program)
        .arg("--quiet")
        .args(arguments)
        .status();
    assert!(ran.expect("the program starts").success(), "{arguments:?}");
}
