//! What a whole `prep` costs, phase by phase, on this machine:
//!
//! ```text
//! cargo run --release --example make_session -- DIR --songs 1 --takes 3 --mics 16 --seconds 60
//! cargo run --release --example session_cost -- DIR --out OUT [--jobs 1] [--runs 5] [--against COMMAND]
//! ```
//!
//! In every run the bytes of the session are copied, `prep` is run into a new folder, and COMMAND, if
//! there is one, does the same work its own way: `{in}` and `{out}` in it stand for the folders. Times
//! are processor times where the system tells them (Linux), which a busy neighbour changes less; the
//! last lines are ratios of medians over all runs.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::copy;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::time::Instant;

use batterhead::job::{self, Event, Job, Pool, Presets, Stop, Store, Work};
use batterhead::session;
use clap::Parser;

#[derive(Parser)]
#[command(about = "Times the phases of prep on a session, beside a copy of its bytes")]
struct Arguments {
    /// The session
    folder: PathBuf,
    /// A folder for the outputs; its content is removed before each run and at the end
    #[arg(long)]
    out: PathBuf,
    #[arg(long, default_value_t = 1)]
    jobs: usize,
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u32).range(1..))]
    runs: u32,
    /// Another way to do the work, to compare with
    #[arg(long)]
    against: Option<String>,
}

/// What one piece of work took.
#[derive(Clone, Copy, Default)]
struct Cost {
    processor_s: f64,
    wall_s: f64,
    /// Held at its end.
    memory_mib: f64,
}

/// Processor time of this process and of the children it waited for, seconds in user and system
/// mode: fields 14 to 17 of proc(5)'s `stat`, in ticks of 10 ms.
fn processor_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let ticks = stat.rsplit_once(") ")?.1.split(' ').skip(11).take(4);
    ticks
        .map(|field| field.parse::<f64>().ok())
        .sum::<Option<f64>>()
        .map(|ticks| ticks / 100.0)
}

/// Measures from one point to the next.
struct Clock {
    wall: Instant,
    processor_s: f64,
}

impl Clock {
    fn start() -> Self {
        Self {
            wall: Instant::now(),
            processor_s: processor_s().unwrap_or(0.0),
        }
    }

    fn lap(&mut self) -> Cost {
        let now = Self::start();
        let cost = Cost {
            processor_s: now.processor_s - self.processor_s,
            wall_s: (now.wall - self.wall).as_secs_f64(),
            memory_mib: status_mib("VmRSS:").unwrap_or(0.0),
        };
        *self = now;
        cost
    }
}

type Anything<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Anything<()> {
    let arguments = Arguments::parse();
    let (root, config) = session::open(&arguments.folder)?;
    let found = session::scan(&root, &config)?;
    let seconds: f64 = found
        .tracks()
        .map(|(_, _, track)| {
            track.frames() as f64 * track.channels() as f64 / f64::from(track.rate_hz())
        })
        .sum();
    println!(
        "{seconds:.0} channel-seconds of audio, {} jobs",
        arguments.jobs
    );
    let mut rows: BTreeMap<String, Vec<Cost>> = BTreeMap::new();
    let mut order: Vec<String> = Vec::new();
    let mut note = |name: &str, cost: Cost| {
        if !rows.contains_key(name) {
            order.push(name.to_owned());
        }
        rows.entry(name.to_owned()).or_default().push(cost);
    };
    for _ in 0..arguments.runs {
        empty(&arguments.out)?;
        let mut clock = Clock::start();
        copy_all(&found, &arguments.out)?;
        note("copy the bytes", clock.lap());
        empty(&arguments.out)?;
        let phases = prep(&arguments, &found, &config)?;
        let sum = phases.iter().fold(Cost::default(), |sum, (_, cost)| Cost {
            processor_s: sum.processor_s + cost.processor_s,
            wall_s: sum.wall_s + cost.wall_s,
            memory_mib: sum.memory_mib.max(cost.memory_mib),
        });
        for (name, cost) in phases {
            note(&format!("  {name}"), cost);
        }
        note("prep, all of it", sum);
        if let Some(command) = &arguments.against {
            empty(&arguments.out)?;
            let mut clock = Clock::start();
            against(command, &arguments)?;
            note("the other way", clock.lap());
        }
        empty(&arguments.out)?;
    }
    println!(
        "medians of {} runs: processor s, wall s, channel-seconds per processor second",
        arguments.runs
    );
    for name in &order {
        let cost = median(&rows[name]);
        println!(
            "{name:<24} {:>8.2} {:>8.2} {:>9.0} {:>6.0}",
            cost.processor_s,
            cost.wall_s,
            seconds / cost.processor_s,
            cost.memory_mib
        );
    }
    let prep = median(&rows["prep, all of it"]).processor_s;
    for name in ["copy the bytes", "the other way"] {
        if let Some(costs) = rows.get(name) {
            println!("{name} / prep: {:.2}", median(costs).processor_s / prep);
        }
    }
    if let Some(mib) = status_mib("VmHWM:") {
        println!("peak memory: {mib:.0} MiB");
    }
    Ok(())
}

/// One `prep` into the empty folder, by phases.
fn prep(
    arguments: &Arguments,
    found: &session::Session,
    config: &session::SessionFile,
) -> Anything<Vec<(String, Cost)>> {
    let clock = Mutex::new((Clock::start(), "scan".to_owned(), Vec::new()));
    let next = |name: &str| {
        let (clock, phase, done) = &mut *clock.lock().expect("no holder panics");
        let cost = clock.lap();
        done.push((std::mem::replace(phase, name.to_owned()), cost));
    };
    let again = session::scan(&found.root, config)?;
    let presets = Presets::load(&again, config)?;
    let units = job::units(&again, config, &presets)?;
    let job = Job {
        mixes: true,
        ..Job::new(&again, config, &units)
    };
    let store = Store::open(&arguments.out)?;
    let tell = |event: Event<'_>| {
        if let Event::Phase { name, .. } = event {
            next(name);
        }
    };
    let work = Work {
        root: &found.root,
        store: &store,
        pool: &Pool::new(arguments.jobs),
        stop: &Stop::default(),
        tell: &tell,
        block_frames: batterhead::block::FRAMES,
        earlier: None,
    };
    let plan = job::plan(&work, &job)?;
    job::render(&work, &job, &plan, &arguments.out)?;
    next("");
    let (_, _, done) = clock.into_inner().expect("no holder panics");
    let mut phases: Vec<(String, Cost)> = Vec::new();
    for (name, cost) in done {
        match phases.iter_mut().find(|(known, _)| *known == name) {
            Some((_, sum)) => {
                sum.processor_s += cost.processor_s;
                sum.wall_s += cost.wall_s;
                sum.memory_mib = cost.memory_mib;
            }
            None => phases.push((name, cost)),
        }
    }
    Ok(phases)
}

fn copy_all(found: &session::Session, out: &Path) -> Anything<()> {
    for (n, source) in found.tracks().flat_map(|(_, _, t)| &t.sources).enumerate() {
        let mut from = File::open(found.root.join(&source.path))?;
        copy(&mut from, &mut File::create(out.join(format!("{n}.copy")))?)?;
    }
    Ok(())
}

fn against(command: &str, arguments: &Arguments) -> Anything<()> {
    let place = |word: &str| match word {
        "{in}" => arguments.folder.clone().into_os_string(),
        "{out}" => arguments.out.clone().into_os_string(),
        word => word.into(),
    };
    let mut words = command.split_whitespace().map(place);
    let program = words.next().ok_or("--against names no program")?;
    let status = Command::new(program).args(words).status()?;
    if !status.success() {
        return Err(format!("{command}: {status}").into());
    }
    Ok(())
}

fn empty(folder: &Path) -> Anything<()> {
    match std::fs::remove_dir_all(folder) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error.into()),
        _ => {}
    }
    Ok(std::fs::create_dir_all(folder)?)
}

fn median(costs: &[Cost]) -> Cost {
    let middle = |of: fn(&Cost) -> f64| {
        let mut values: Vec<f64> = costs.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    Cost {
        processor_s: middle(|cost| cost.processor_s),
        wall_s: middle(|cost| cost.wall_s),
        memory_mib: middle(|cost| cost.memory_mib),
    }
}

/// A figure of proc(5)'s `status`: `VmRSS:` is the memory held now, `VmHWM:` the most ever held.
fn status_mib(name: &str) -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with(name))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}
