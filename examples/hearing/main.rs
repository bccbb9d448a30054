//! Prints how well recorded drums are heard, beside the first figures to hold and the goals.
//!
//! `cargo run --release --example hearing [-- --fit] [--more] [--kit kit-2b] [--keep FOLDER]
//! [--disk FOLDER] [--hold]`
//!
//! The kits of the test bed are split in halves: weights and thresholds are found on those of `--fit`
//! (and the same kits in the other shapes of `--more`, and two more kits, out of a sound font that Debian's
//! `fluid-soundfont-gm` has); without either, the table is that of the others. `--keep` leaves the rendered
//! takes in a folder (85 MB each) and takes them from there. `--disk` also writes each set-up as a session,
//! runs the built program on it, and counts its findings. `--hold` fails where a figure that was reached
//! once is no longer reached.

#[path = "../../tests/bed/mod.rs"]
mod bed;

use std::path::PathBuf;
use std::process::Command;

use bed::judge::{Score, hear, judge};
use bed::{Half, Session, Setup};
use clap::Parser;

#[derive(Parser)]
struct Arguments {
    /// The kits that may be tuned to
    #[arg(long)]
    fit: bool,
    /// The same in further shapes and rooms, and two more kits
    #[arg(long)]
    more: bool,
    /// Where rendered takes are kept from run to run
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Only the set-ups whose name begins so
    #[arg(long)]
    kit: Option<String>,
    /// Write sessions here, and run the program on them
    #[arg(long)]
    disk: Option<PathBuf>,
    /// Only write them
    #[arg(long, requires = "disk")]
    only_write: bool,
    /// What each drum is tuned to, by the recordings and as heard, stroke by stroke
    #[arg(long)]
    pitches: bool,
    /// Fail where drums are heard worse than they were
    #[arg(long)]
    hold: bool,
}

fn main() {
    let arguments = Arguments::parse();
    let Some(sources) = bed::sources() else {
        std::process::exit(1)
    };
    let halves: &[Half] = match (&arguments.kit, arguments.fit, arguments.more) {
        (Some(_), ..) => &[Half::Fit, Half::More, Half::Prove],
        (None, true, true) => &[Half::Fit, Half::More],
        (None, true, false) => &[Half::Fit],
        (None, false, true) => &[Half::More],
        (None, false, false) => &[Half::Prove],
    };
    let mut setups: Vec<Setup> = halves.iter().flat_map(|half| bed::setups(*half)).collect();
    if let Some(kit) = &arguments.kit {
        setups.retain(|s| s.name.starts_with(kit));
    }
    let mut total = Score::default();
    for setup in &setups {
        let start = std::time::Instant::now();
        let mut session = Session::new(&sources, setup);
        session.keep.clone_from(&arguments.keep);
        if let Some(folder) = &arguments.disk {
            let folder = folder.join(&setup.name);
            let files = bed::disk::write(&session, &folder).expect("a folder that can be written");
            println!("{}: {files} files in {}", setup.name, folder.display());
            if arguments.only_write {
                continue;
            }
            findings(setup, &folder);
        }
        let heard = hear(&session);
        let score = judge(setup, &heard);
        let seconds = start.elapsed().as_secs_f64();
        println!(
            "{} (room {:.2} s{}), {seconds:.1} s",
            setup.name,
            session.t60_s(),
            if setup.clean { ", clean" } else { "" }
        );
        if arguments.pitches {
            for (number, (take, evidence)) in heard.takes.iter().enumerate() {
                for (voice, pitch) in &take.pitch {
                    let drum = voice.drum();
                    let tunings = heard.setup.tunings.iter();
                    let own = evidence.drums.iter().find(|d| d.name == drum);
                    let own = own.map_or("", |d| d.own.as_str());
                    let found = tunings.clone().find(|t| t.label == own);
                    let found = found.and_then(|t| t.takes[number].as_ref());
                    println!(
                        "  take {} {voice:?}: early {:.1}, settled {:.1} Hz, found {:?}",
                        number + 1,
                        pitch.early_hz,
                        pitch.settled_hz,
                        found.map(|t| (t.fundamental_hz, t.confidence, t.hits)),
                    );
                    let track = evidence.tracks.iter().find(|t| t.label == own);
                    let strokes = track.into_iter().flat_map(|t| &t.tuning_hits);
                    let strokes: Vec<String> = strokes
                        .map(|h| {
                            let next = h.next_partial_hz.unwrap_or(0.0);
                            format!("{:.1} ({next:.0} {:.0})", h.fundamental_hz, h.clear_db)
                        })
                        .collect();
                    println!("      by strokes: {}", strokes.join(", "));
                }
            }
        }
        print(&score);
        total.add(&score);
    }
    if setups.len() > 1 && !arguments.only_write {
        println!(
            "all {}",
            if arguments.fit || arguments.more {
                "kits of the fit"
            } else {
                "kits that prove"
            }
        );
        print(&total);
        goals(&total);
    }
    if arguments.hold && !hold(&total) {
        std::process::exit(1);
    }
}

/// Whether drums are heard at least as well as the first figures that were reached ask for.
fn hold(score: &Score) -> bool {
    let near = score.snare_off_hz.iter().flatten();
    let near = near.filter(|off| **off <= 2.0).count();
    let apart = score.snare_drift_hz.iter().filter(|hz| **hz <= 0.7).count();
    let verdicts = || score.polarity.values();
    let wrong: usize = verdicts().map(|v| v.wrong).sum();
    let right: usize = verdicts().map(|v| v.right).sum();
    let (kick, snare, toms, hat) = (
        score.family("kick"),
        score.family("snare"),
        score.family("tom"),
        score.family("hat"),
    );
    let figures = [
        ("moments that are strokes", score.all().precision(), 0.95),
        ("kick, precision", kick.precision(), 0.97),
        ("kick, recall", kick.recall(), 0.965),
        ("snare, precision", snare.precision(), 0.95),
        ("snare, recall", snare.recall(), 0.85),
        ("toms, precision", toms.precision(), 0.95),
        ("toms, recall", toms.recall(), 0.95),
        ("hat, precision", hat.precision(), 0.85),
        ("hat, recall", hat.recall(), 0.85),
        (
            "snares with a pitch within 2 Hz",
            bed::judge::share(near, score.snare_off_hz.len()),
            1.0,
        ),
        (
            "takes of a snare that are as far apart as they were tuned, within 0.7 Hz",
            bed::judge::share(apart, score.snare_drift_hz.len()),
            1.0,
        ),
        (
            "played toms with a pitch",
            bed::judge::share(score.toms_pitched, score.toms),
            0.95,
        ),
        (
            "pitches of toms that are inside",
            bed::judge::share(score.toms_inside, score.toms_pitched),
            0.9,
        ),
        (
            "polarities that are not wrong",
            bed::judge::share(right, right + wrong),
            1.0,
        ),
        (
            "toms at rest that are found",
            bed::judge::share(score.unplayed.right, score.unplayed.all()),
            1.0,
        ),
        (
            "played drums that are not called unplayed",
            if score.false_unplayed.is_empty() {
                1.0
            } else {
                0.0
            },
            1.0,
        ),
    ];
    let lost = figures.iter().filter(|(_, figure, least)| figure < least);
    let lost = lost.inspect(|(what, figure, least)| {
        eprintln!("{what}: {figure:.3}, where it was {least} at least");
    });
    lost.count() == 0
}

fn print(score: &Score) {
    for (drum, s) in &score.strokes {
        println!(
            "  {drum:8} {:5} played, precision {:.3}, recall {:.3}, ghosts {:.2}; wrong: {} bleed, {} ring, {} double, {} other; counts off by {:.0} %",
            s.played(),
            s.precision(),
            s.recall(),
            s.ghost_recall(),
            s.bleed,
            s.ring,
            s.double,
            s.other,
            100.0 * s.count_error()
        );
        if s.missed > 0 {
            let kinds = [
                "alone",
                "with the kick",
                "with the snare",
                "with another drum",
            ];
            let kinds = kinds
                .iter()
                .zip(s.with)
                .filter(|(_, (_, missed))| *missed > 0);
            let kinds =
                kinds.map(|(kind, (played, missed))| format!("{missed} of {played} {kind}"));
            println!(
                "           missed: {}; of those 15 dB under its loud ones {} of {}",
                kinds.collect::<Vec<_>>().join(", "),
                s.soft.1,
                s.soft.0
            );
        }
    }
    let found: Vec<f64> = score.snare_off_hz.iter().flatten().copied().collect();
    let worst = found.iter().fold(0.0f64, |a, b| a.max(*b));
    let within = found.iter().filter(|o| **o <= 2.0).count();
    println!(
        "  snare pitch: {within} of {} takes within 2 Hz, {} without one, worst {worst:.1} Hz; between takes worst {:.1} Hz",
        score.snare_off_hz.len(),
        score.snare_off_hz.len() - found.len(),
        score.snare_drift_hz.iter().fold(0.0f64, |a, b| a.max(*b))
    );
    println!(
        "  toms with a pitch {} of {}, {} inside; {} more without a clear one in the recordings",
        score.toms_pitched, score.toms, score.toms_inside, score.toms_unclear
    );
    for note in &score.tom_notes {
        println!("      {note}");
    }
    println!(
        "  not played: {} found, {} missed, {} not sure; played but called unplayed: {}",
        score.unplayed.right,
        score.unplayed.wrong,
        score.unplayed.undecided,
        score.false_unplayed.len()
    );
    for note in &score.false_unplayed {
        println!("      {note}");
    }
    for (kind, v) in &score.polarity {
        println!(
            "  polarity, {kind}: {} right, {} wrong, {} undecided",
            v.right, v.wrong, v.undecided
        );
    }
    for note in &score.polarity_notes {
        println!("      {note}");
    }
    boxy(&score.boxy);
}

/// Where kick and toms sound boxy.
fn boxy(drums: &[bed::boxy::BoxyFigures]) {
    if drums.is_empty() {
        return;
    }
    let found = || drums.iter().filter(|drum| drum.found_hz.is_some());
    let ratio = |drum: &&bed::boxy::BoxyFigures| {
        let (found, truth) = drum.found_hz.zip(drum.true_hz)?;
        Some((found / truth).ln().abs())
    };
    let near = |within: f64| {
        found()
            .filter_map(|drum| ratio(&drum))
            .filter(|r| *r < within)
            .count()
    };
    let mean = |of: fn(&bed::boxy::BoxyFigures) -> f64| {
        found().map(of).sum::<f64>() / found().count().max(1) as f64
    };
    println!(
        "  boxy partial of {} of {} kicks and toms, {} within 6 %, {} within 12 %; the third of an octave there {:.1} dB by a fixed cut, {:.1} dB by one that follows",
        found().count(),
        drums.len(),
        near(0.06),
        near(0.12),
        mean(|drum| drum.fixed_db),
        mean(|drum| drum.followed_db)
    );
    for drum in drums {
        let hz = |hz: Option<f64>| hz.map_or("none".to_owned(), |hz| format!("{hz:.0} Hz"));
        println!(
            "      {}: {}, is {}; {:.1} and {:.1} dB",
            drum.drum,
            hz(drum.found_hz),
            hz(drum.true_hz),
            drum.fixed_db,
            drum.followed_db
        );
    }
}

/// The table of what has to be reached.
fn goals(score: &Score) {
    let (kick, snare, toms, hat) = (
        score.family("kick"),
        score.family("snare"),
        score.family("tom"),
        score.family("hat"),
    );
    let heads = [kick, snare, toms, hat];
    let played: usize = heads.iter().map(|s| s.played()).sum();
    let off: usize = heads.iter().map(|s| s.miscounted).sum();
    let mut polarity = bed::judge::Verdicts::default();
    score.polarity.values().for_each(|v| polarity += *v);
    let snare_within = |hz: f64| {
        let near = score
            .snare_off_hz
            .iter()
            .flatten()
            .filter(|o| **o <= hz)
            .count();
        format!("{near} of {} within {hz} Hz", score.snare_off_hz.len())
    };
    let row = |what: &str, today: String, first: &str, goal: &str| {
        println!("  {what:45} {today:22} {first:14} {goal}");
    };
    row("", "today".into(), "first", "goal");
    row(
        "moments in close mics that are strokes",
        format!("{:.3}", score.all().precision()),
        ".90",
        ".97",
    );
    for (name, s, first, goal) in [
        ("kick, precision / recall", kick, ".97 / .97", ".98 / .99"),
        ("snare, ghosts included", snare, ".95 / .85", ".97 / .88"),
        ("toms", toms, ".92 / .92", ".95 / .97"),
        ("hat", hat, ".85 / .85", ".90 / .92"),
    ] {
        row(
            name,
            format!("{:.3} / {:.3}", s.precision(), s.recall()),
            first,
            goal,
        );
    }
    row(
        "hat, without those 15 dB under its loud ones",
        format!("{:.3} / {:.3}", hat.precision(), hat.loud_recall()),
        "",
        "",
    );
    row(
        "strokes counted, wrong over files",
        format!("{:.1} %", 100.0 * bed::judge::share(off, played)),
        "8 %",
        "4 %",
    );
    row("snare pitch", snare_within(2.0), "all", "all within 1 Hz");
    row(
        "snare, difference of takes, worst",
        format!(
            "{:.2} Hz",
            score.snare_drift_hz.iter().fold(0.0f64, |a, b| a.max(*b))
        ),
        ".7 Hz",
        ".3 Hz",
    );
    row(
        "played toms with a pitch / inside",
        format!(
            "{:.2} / {:.2}",
            bed::judge::share(score.toms_pitched, score.toms),
            bed::judge::share(score.toms_inside, score.toms_pitched)
        ),
        ".95 / .90",
        ".99 / .97",
    );
    row(
        "unplayed found / false",
        format!(
            "{} of {} / {}",
            score.unplayed.right,
            score.unplayed.all(),
            score.false_unplayed.len()
        ),
        "all / 0",
        "all / 0",
    );
    row(
        "polarity wrong / undecided",
        format!(
            "{} / {:.0} %",
            polarity.wrong,
            100.0 * bed::judge::share(polarity.undecided, polarity.all())
        ),
        "0 / 20 %",
        "0 / 10 %",
    );
}

/// Runs the program that was built beside this one, and counts what it finds.
fn findings(setup: &Setup, folder: &std::path::Path) {
    let here = std::env::current_exe().expect("this program has a path");
    let program = here
        .parent()
        .and_then(|p| p.parent())
        .map(|p| p.join("batterhead"));
    let Some(program) = program.filter(|p| p.is_file()) else {
        println!("  the program is not built: cargo build --release --bin batterhead");
        return;
    };
    let ran = Command::new(program)
        .args(["--quiet", "check", "--json"])
        .arg(folder)
        .output()
        .expect("the program runs");
    let report: serde_json::Value = serde_json::from_slice(&ran.stdout).unwrap_or_default();
    let mut counts = std::collections::BTreeMap::new();
    for finding in report["findings"].as_array().into_iter().flatten() {
        let key = format!("{} {}", finding["severity"], finding["code"]).replace('"', "");
        *counts.entry(key).or_insert(0) += 1;
    }
    println!("  findings of {}: {counts:?}", setup.name);
    for finding in report["findings"].as_array().into_iter().flatten() {
        if finding["severity"] != "note" {
            println!("      {} {}", finding["name"], finding["message"]);
        }
    }
}
