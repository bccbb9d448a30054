//! `watch`: while the band is still there, a `check` of each take as soon as its files are complete.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::mpsc::Receiver;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::follow::follow;
use super::voice::Voice;
use super::{print, summary};
use crate::commands::{Options, beside, check_out, refuse_bag, run};
use crate::error::{Error, Result, printable};
use crate::files::Stamp;
use crate::finding::{Code, Severity};
use crate::job::{self, Earlier, Event, Job, Outcome, Presets, Stop, Store};
use crate::report::page::{About, Line};
use crate::session::{self, Failed, Session, SessionFile, Song, Still, Take, Track};
use crate::wording::summary as wording;

/// Between two looks while something is being written.
const BUSY: Duration = Duration::from_millis(500);
/// The same while nothing happens. Network folders tell nothing, so they are looked at.
const IDLE: Duration = Duration::from_secs(4);
/// Before what went wrong is tried again.
const AGAIN: Duration = Duration::from_secs(10);
/// How soon a signal is seen.
const SIGNAL: Duration = Duration::from_millis(100);

/// Follows the session until it is stopped; the exit status of that.
pub fn watch(path: &Path, out: Option<&Path>, options: &Options<'_>, voice: &Voice) -> Result<u8> {
    let stop = &options.stop;
    let mut watch = Watch {
        path,
        out,
        options,
        voice,
        passing: match out {
            Some(_) => None,
            None => Some(Store::passing()?),
        },
        earlier: Earlier::default(),
        still: Still::default(),
        listing: Duration::ZERO,
        seen: BTreeMap::new(),
        said: Said::default(),
        warned: Mutex::default(),
        behind: false,
    };
    let root = watch.begin()?;
    voice.note(&wording::watching(&root.display().to_string()));
    let followed = follow(&root);
    let events = followed.as_ref().map(|(_, events)| events);
    let mut last_error = String::new();
    loop {
        // What has happened until now is seen by the look.
        while events.is_some_and(|events| events.try_recv().is_ok()) {}
        let mut idle = false;
        let pause = match watch.look() {
            Ok(busy) => {
                last_error.clear();
                idle = !busy;
                // A folder that is slow to list is not asked all the time.
                if busy { BUSY } else { IDLE }.max(4 * watch.listing)
            }
            Err(error) if stop.is_set() => return watch.end(&error),
            Err(error) => {
                let said = error.to_string();
                if said != last_error {
                    voice.error(&error);
                    voice.note(wording::watching_again());
                    last_error = said;
                }
                AGAIN
            }
        };
        if let Err(error) = wait(pause, stop, events.filter(|_| idle)) {
            return watch.end(&error);
        }
    }
}

/// Waits, at most until something happens in the folder.
///
/// # Errors
/// Why the run is stopped.
fn wait(pause: Duration, stop: &Stop, events: Option<&Receiver<()>>) -> Result<()> {
    let begun = Instant::now();
    while begun.elapsed() < pause {
        stop.check()?;
        match events {
            Some(events) => match events.recv_timeout(SIGNAL) {
                Ok(()) => break,
                Err(_) => continue,
            },
            None => std::thread::sleep(SIGNAL),
        }
    }
    stop.check()
}

/// Files as they were when they were looked at.
type Files = BTreeMap<PathBuf, Stamp>;

struct Watch<'a> {
    path: &'a Path,
    out: Option<&'a Path>,
    options: &'a Options<'a>,
    voice: &'a Voice,
    /// Where measurements are kept without `out`.
    passing: Option<Store>,
    earlier: Earlier,
    still: Still,
    /// How long the last look at the folder took.
    listing: Duration,
    /// Files that were understood, as they were then.
    seen: Files,
    said: Said,
    /// Warnings that were given.
    warned: Mutex<BTreeSet<String>>,
    /// The last check did not come to its end.
    behind: bool,
}

impl Watch<'_> {
    /// What is wrong from the start is wrong usage. Returns the session folder.
    fn begin(&mut self) -> Result<PathBuf> {
        self.out.map_or(Ok(()), refuse_bag)?;
        let (root, config) = session::open(self.path)?;
        let session = session::scan_so_far(&root, &config)?;
        self.with_job(session, &config, |_, _| Ok(()))?;
        Ok(root)
    }

    fn with_job(
        &self,
        mut session: Session,
        config: &SessionFile,
        go: impl FnOnce(&Session, &Job<'_>) -> Result<()>,
    ) -> Result<()> {
        let (standing, folder) = beside(self.out, &mut session, self.options)?;
        let presets = Presets::load(&session, config)?;
        let units = job::units(&session, config, &presets)?;
        let job = Job {
            standing: &standing,
            folder: &folder,
            ..Job::new(&session, config, &units)
        };
        if let Some(out) = self.out {
            check_out(&job, out)?;
        }
        go(&session, &job)
    }

    /// Checks the takes that have become complete. Returns whether something is being written.
    fn look(&mut self) -> Result<bool> {
        let (root, config) = session::open(self.path)?;
        let now = Instant::now();
        self.still.look(&root, now)?;
        self.listing = now.elapsed();
        let settled: Files = (self.still.settled(now))
            .map(|(path, stamp)| (path.to_owned(), stamp.clone()))
            .collect();
        let is_new =
            |seen: &Files| (settled.iter()).any(|(path, stamp)| seen.get(path) != Some(stamp));
        let (busy, new) = (settled.len() < self.still.count(), is_new(&self.seen));
        // What the newest takes show of the others is heard while nothing is recorded.
        let settle = self.earlier.is_rough() && !busy && !new;
        if self.behind || settle || new {
            let mut session = session::scan_so_far(&root, &config)?;
            self.listing = now.elapsed();
            let open = session::keep_complete(&mut session, &self.still, now);
            if self.behind || settle || self.said.lacks(&session, &settled) {
                self.behind = true;
                self.earlier.begin(!settle);
                let mut said = std::mem::take(&mut self.said);
                let checked = self.check(session, &config, &settled, &mut said);
                self.said = said;
                checked?;
                self.behind = false;
            }
            let understood = (settled.iter()).filter(|(path, _)| !open.contains(*path));
            self.seen = understood.map(|(p, s)| (p.clone(), s.clone())).collect();
        }
        Ok(busy || self.earlier.is_rough() || is_new(&self.seen))
    }

    fn check(
        &self,
        session: Session,
        config: &SessionFile,
        files: &Files,
        said: &mut Said,
    ) -> Result<()> {
        self.with_job(session, config, |session, job| {
            let opened = self.out.map(Store::open).transpose()?;
            let Some(store) = opened.as_ref().or(self.passing.as_ref()) else {
                return Ok(()); // there is one of both
            };
            let tell = |event: Event<'_>| match event {
                Event::Failed { .. } => {} // is a result, and said as one
                Event::Warning { text } if !self.is_new(text) => {}
                event => self.voice.hear(event),
            };
            self.voice.begin("try");
            let options = Options {
                tell: &tell,
                ..self.options.clone()
            };
            let checked = run(
                &session.root,
                store,
                &options,
                Some(&self.earlier),
                |work| {
                    let listened = job::listen(work, job)?;
                    // Before anything else is done: somebody waits for it.
                    said.say(self.voice, session, &job::report(job, &listened), files)?;
                    let Some(out) = self.out else { return Ok(()) };
                    let plan = job::decide(work, job, listened)?;
                    job::write_reports(work, job, &plan, out).map(drop)
                },
            );
            self.voice.end();
            checked
        })
    }

    fn is_new(&self, warning: &str) -> bool {
        let mut warned = self.warned.lock().unwrap_or_else(PoisonError::into_inner);
        warned.insert(warning.to_owned())
    }

    /// The last lines; everything is kept already.
    fn end(&self, error: &Error) -> Result<u8> {
        self.voice.end();
        if !self.voice.is_quiet() {
            let takes = self.said.takes.len();
            let [problems, warnings] = self.said.totals;
            print(&summary::watch(
                takes, problems, warnings, self.path, self.out,
            ))?;
        }
        Ok(error.kind.exit_status())
    }
}

/// The files of a take.
fn files_of(take: &Take, files: &Files) -> Files {
    let sources = take.tracks.iter().flat_map(|track| &track.sources);
    let known = sources.filter_map(|source| files.get_key_value(&source.path));
    known
        .map(|(path, stamp)| (path.clone(), stamp.clone()))
        .collect()
}

fn takes(session: &Session) -> impl Iterator<Item = (&Song, &Take)> {
    let of = |song| move |take| (song, take);
    (session.songs.iter()).flat_map(move |song| song.takes.iter().map(of(song)))
}

/// What was said, so that nothing is said twice.
#[derive(Default)]
struct Said {
    /// Of each take that was checked.
    takes: BTreeSet<Files>,
    /// Song, take, mic and what.
    findings: BTreeSet<(String, String, String, Option<Code>)>,
    /// Files that failed, with their reasons.
    failed: BTreeSet<(PathBuf, String)>,
    /// Problems and warnings of all takes.
    totals: [usize; 2],
}

impl Said {
    /// Whether there is something to be checked.
    fn lacks(&self, session: &Session, files: &Files) -> bool {
        let failed = |f: &Failed| !self.failed.contains(&(f.path.clone(), f.reason.clone()));
        let now: BTreeSet<Files> = takes(session)
            .map(|(_, take)| files_of(take, files))
            .collect();
        session.failed.iter().any(failed) || now != self.takes
    }

    fn say(
        &mut self,
        voice: &Voice,
        session: &Session,
        outcome: &Outcome,
        files: &Files,
    ) -> Result<()> {
        let mut lines = Lines::new(voice);
        for file in &outcome.report.failed {
            let path = PathBuf::from(&file.path.path);
            if self.failed.insert((path, file.reason.clone())) {
                let said = format!("{}: {}", file.path.path, file.reason);
                lines.add(Severity::Problem, &said);
            }
        }
        let before = std::mem::take(&mut self.takes);
        for (song, take) in takes(session) {
            let own = files_of(take, files);
            if !before.contains(&own) {
                self.findings
                    .retain(|(s, t, ..)| (s, t) != (&song.slug, &take.slug));
                let of_take =
                    |about: About<'_>| (about.song, about.take) == (&*song.slug, &*take.slug);
                let found = GRAVE.map(|severity| self.new_lines(outcome, severity, &of_take));
                lines.head(song, take, found.each_ref().map(Vec::len));
                for (severity, found) in GRAVE.into_iter().zip(found) {
                    found
                        .iter()
                        .for_each(|line| lines.add(severity, &sentence(line)));
                }
            }
            self.takes.insert(own);
        }
        // What the new takes show of the others.
        for severity in GRAVE {
            for line in self.new_lines(outcome, severity, &|_| true) {
                lines.add(severity, &sentence(&line));
            }
        }
        self.totals = GRAVE.map(|severity| outcome.lines(severity, &|_| true).len());
        lines.print()
    }

    /// What has not been said yet, which is said now.
    fn new_lines(
        &mut self,
        outcome: &Outcome,
        severity: Severity,
        of: &dyn Fn(About<'_>) -> bool,
    ) -> Vec<Line> {
        let findings = RefCell::new(&mut self.findings);
        outcome.lines(severity, &|about| {
            let name = |text: &str| text.to_owned();
            let key = (
                name(about.song),
                name(about.take),
                name(about.label),
                about.code,
            );
            of(about) && findings.borrow_mut().insert(key)
        })
    }
}

/// What is worth a line.
const GRAVE: [Severity; 2] = [Severity::Problem, Severity::Warning];

fn sentence(line: &Line) -> String {
    let who = format!("{}, {}", line.takes, line.mics);
    wording::matter(&who, &line.said.what, line.said.advice.as_deref())
}

/// Lines that are printed together, and the bell behind them.
struct Lines<'a> {
    voice: &'a Voice,
    text: String,
    bell: bool,
}

impl<'a> Lines<'a> {
    fn new(voice: &'a Voice) -> Self {
        Self {
            voice,
            text: String::new(),
            bell: false,
        }
    }

    fn add(&mut self, severity: Severity, sentence: &str) {
        let word = match severity {
            Severity::Problem => "problem",
            _ if self.voice.is_quiet() => return,
            _ => "warning",
        };
        self.bell |= severity == Severity::Problem;
        self.text += &format!("{word}: {}\n", printable(sentence));
    }

    fn head(&mut self, song: &Song, take: &Take, [problems, warnings]: [usize; 2]) {
        if self.voice.is_quiet() {
            return;
        }
        let seconds = |track: &Track| track.frames() as f64 / f64::from(track.rate_hz());
        let length_s = take.tracks.iter().map(seconds).fold(0.0, f64::max);
        let said = wording::take(
            (&song.slug, &take.slug),
            (take.tracks.len(), length_s),
            (problems, warnings),
        );
        self.text += &printable(&said);
        self.text.push('\n');
    }

    fn print(self) -> Result<()> {
        if !self.text.is_empty() {
            self.voice.aside(|| print(&self.text))?;
        }
        if self.bell {
            self.voice.bell();
        }
        Ok(())
    }
}
