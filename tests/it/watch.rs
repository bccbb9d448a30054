//! `watch` beside a writer that behaves like a recorder.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use crate::support::{KIT, Place, needed};

/// So long a line may take on a machine that does other things too.
const PATIENCE: Duration = Duration::from_secs(180);

/// A `watch` that runs beside the test.
struct Watching {
    child: Child,
    lines: Receiver<String>,
}

impl Watching {
    fn start(place: &Place, more: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_batterhead"))
            .args([&["watch", "takes"], more].concat())
            .current_dir(place.path(""))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let (sender, lines) = channel();
        let streams: [Box<dyn Read + Send>; 2] = [
            Box::new(child.stdout.take().expect("a pipe")),
            Box::new(child.stderr.take().expect("a pipe")),
        ];
        for stream in streams {
            let sender = sender.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    let _ = sender.send(line); // the test may be over
                }
            });
        }
        Self { child, lines }
    }

    /// All lines up to the first that holds `text`.
    fn until(&self, text: &str) -> Vec<String> {
        let mut seen = Vec::new();
        loop {
            let line = self.lines.recv_timeout(PATIENCE);
            let line = line.unwrap_or_else(|_| panic!("no line with {text:?} after {seen:#?}"));
            seen.push(line);
            if seen.last().is_some_and(|line| line.contains(text)) {
                return seen;
            }
        }
    }

    /// Ends it with Ctrl-C, or where that is ignored here, as by `nohup`, with a termination signal; its
    /// last lines.
    fn interrupt(self) -> Vec<String> {
        let own = fs::read_to_string("/proc/self/status").unwrap_or_default();
        let ignored = own.lines().find_map(|line| line.strip_prefix("SigIgn:"));
        let ignored = ignored.and_then(|digits| u64::from_str_radix(digits.trim(), 16).ok());
        let (signal, expected) = match ignored.is_some_and(|mask| mask & 2 != 0) {
            true => ("-TERM", 143),
            false => ("-INT", 130),
        };
        let (status, last) = self.end(signal);
        assert_eq!(status, Some(expected), "{last:?}");
        last
    }

    /// Ends it with a signal; its exit status and its last lines.
    fn end(mut self, signal: &str) -> (Option<i32>, Vec<String>) {
        let id = self.child.id().to_string();
        let sent = Command::new("kill").args([signal, &id]).status();
        assert!(sent.expect("kill is there").success());
        let status = self.child.wait().expect("it ends").code();
        (status, self.lines.iter().collect())
    }

    fn kill(mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How a recorder treats a file while it writes.
#[derive(Clone, Copy)]
enum Habit {
    /// Sizes are 0 until the end.
    Zero,
    /// Sizes are the largest number until the end.
    Largest,
    /// No header at all until the end.
    Blank,
    /// Another name until the end.
    Renamed,
}

/// A file that is being recorded.
struct Recording {
    file: File,
    whole: Vec<u8>,
    header: usize,
    written: usize,
    habit: Habit,
    path: PathBuf,
}

/// Where the samples of a file begin.
fn header_of(whole: &[u8]) -> usize {
    let at = whole.windows(4).position(|id| id == b"data");
    at.expect("a WAV file") + 8
}

impl Recording {
    fn begin(from: &Path, to: &Path, habit: Habit) -> Self {
        let whole = fs::read(from).expect("made before");
        let end = header_of(&whole);
        let mut header = whole[..end].to_vec();
        for at in [4, end - 4] {
            match habit {
                Habit::Zero | Habit::Renamed => header[at..at + 4].fill(0),
                Habit::Largest => header[at..at + 4].fill(0xff),
                Habit::Blank => header.fill(0),
            }
        }
        fs::create_dir_all(to.parent().expect("a folder")).expect("a folder");
        let path = match habit {
            Habit::Renamed => to.with_extension("wav.part"),
            _ => to.to_owned(),
        };
        let mut file = File::create(path).expect("a file");
        file.write_all(&header).expect("room");
        Self {
            file,
            whole,
            header: end,
            written: end,
            habit,
            path: to.to_owned(),
        }
    }

    /// Writes up to so much of the whole.
    fn grow(&mut self, share: f64) {
        let samples = self.whole.len() - self.header;
        let end = self.header + (samples as f64 * share) as usize;
        let end = end.max(self.written);
        self.file
            .write_all(&self.whole[self.written..end])
            .expect("room");
        self.written = end;
    }

    fn finish(mut self) {
        self.grow(1.0);
        self.file.seek(SeekFrom::Start(0)).expect("a file");
        self.file
            .write_all(&self.whole[..self.header])
            .expect("room");
        drop(self.file);
        if matches!(self.habit, Habit::Renamed) {
            fs::rename(self.path.with_extension("wav.part"), &self.path).expect("renamed");
        }
    }
}

const HABITS: [Habit; 4] = [Habit::Zero, Habit::Largest, Habit::Blank, Habit::Renamed];

/// All files of `made/FROM` whose names begin so, begun in `takes/FROM`.
fn record(place: &Place, from: &str, names: &str) -> Vec<Recording> {
    let made = fs::read_dir(place.path(&format!("made/{from}"))).expect("made before");
    let mut files: Vec<PathBuf> = made.map(|entry| entry.expect("readable").path()).collect();
    let name = |path: &Path| {
        path.file_name()
            .expect("a name")
            .to_string_lossy()
            .into_owned()
    };
    files.retain(|path| path.is_file() && name(path).starts_with(names));
    files.sort();
    assert!(!files.is_empty(), "{from} {names}");
    let to = place.path(&format!("takes/{from}"));
    (files.iter().zip(HABITS.into_iter().cycle()))
        .map(|(from, habit)| Recording::begin(from, &to.join(name(from)), habit))
        .collect()
}

/// A take of the small kit in `made`.
fn make(place: &Place, take: &str, seed: u64) {
    for (m, mic) in (0..).zip(&KIT) {
        place.mic(&format!("made/{take}/{}.wav", mic.name), mic, seed + m);
    }
}

/// Changes every sample of a file of 24 bits, full scale 1.
fn change(path: &Path, change: impl Fn(f64) -> f64) {
    let mut bytes = fs::read(path).expect("made before");
    let header = header_of(&bytes);
    for sample in bytes[header..].chunks_exact_mut(3) {
        let value = i32::from_le_bytes([0, sample[0], sample[1], sample[2]]) >> 8;
        let changed = change(f64::from(value) / 8_388_608.0) * 8_388_608.0;
        let changed = changed.round().clamp(-8_388_608.0, 8_388_607.0) as i32;
        sample.copy_from_slice(&changed.to_le_bytes()[..3]);
    }
    fs::write(path, bytes).expect("room");
}

fn place() -> Place {
    let place = Place::new();
    fs::create_dir(place.path("takes")).expect("a folder");
    place
}

#[test]
fn a_take_is_checked_once_the_recorder_has_finished_it_and_not_before() {
    let place = place();
    make(&place, "Low Tide/take 1", 10);
    make(&place, "Low Tide/take 2", 20);
    change(&place.path("made/Low Tide/take 2/SN TOP.wav"), |x| 16.0 * x);
    let watch = Watching::start(&place, &["--out", "out"]);
    watch.until("Ctrl-C");
    let mut all = Vec::new();
    for take in ["take 1", "take 2"] {
        let mut files = record(&place, &format!("Low Tide/{take}"), "");
        for share in [0.2, 0.5, 0.9] {
            files.iter_mut().for_each(|file| file.grow(share));
            std::thread::sleep(Duration::from_millis(1200));
        }
        all.extend(watch.lines.try_iter());
        let early = all.iter().any(|line: &String| line.contains(take));
        assert!(!early, "{all:?}");
        files.into_iter().for_each(Recording::finish);
        all.extend(watch.until(&format!("low-tide, {take} (4 tracks, 0:04)")));
    }
    all.extend(watch.until("snare-top: Clipped"));
    let clipped = all.last().expect("a line");
    assert!(clipped.starts_with("problem: low-tide, take 2"), "{all:?}");
    let heads = all.iter().filter(|line| line.contains("(4 tracks"));
    assert_eq!(heads.count(), 2, "{all:?}");
    let last = watch.interrupt().join("\n");
    assert!(last.contains("2 takes checked: "), "{last}");
}

#[test]
fn mics_that_are_dead_or_inverted_have_their_lines_and_the_page_shows_the_take() {
    let place = place();
    batterhead::demo::write(&place.path("made"), &|_, _| {}).expect("a demo session");
    change(&place.path("made/Low Tide_T02_SN TOP.wav"), |_| 0.0);
    let watch = Watching::start(&place, &["--out", "out"]);
    for (take, name) in [
        ("Low Tide_T01_", "low-tide, take 1 ("),
        ("Low Tide_T02_", "low-tide, take 2 ("),
    ] {
        record(&place, "", take)
            .into_iter()
            .for_each(Recording::finish);
        watch.until(name);
    }
    let mut all = Vec::new();
    for _ in 0..PATIENCE.as_secs() {
        std::thread::sleep(Duration::from_secs(1));
        all.extend(watch.lines.try_iter());
        let page = fs::read_to_string(place.path("out/session.html")).unwrap_or_default();
        if page.contains("takes 1 and 2") || page.contains("Silent from start to end") {
            break;
        }
    }
    let (status, last) = watch.end("-TERM");
    assert_eq!(status, Some(143));
    let all = [all, last].concat().join("\n");
    let has = |parts: &[&str]| {
        all.lines()
            .any(|line| parts.iter().all(|part| line.contains(part)))
    };
    assert!(
        has(&["problem: low-tide, take 2", "snare-top: Silent"]),
        "{all}"
    );
    let page = fs::read_to_string(place.path("out/session.html")).expect("a page");
    assert!(page.contains("Silent from start to end"), "{all}");
}

#[test]
fn a_humming_mic_has_its_line_in_each_take_and_each_line_is_said_once() {
    let place = place();
    batterhead::demo::write(&place.path("made"), &|_, _| {}).expect("a demo session");
    let watch = Watching::start(&place, &[]);
    let mut all = Vec::new();
    for (take, name) in [
        ("Low Tide_T01_", "low-tide, take 1 ("),
        ("Low Tide_T02_", "low-tide, take 2 ("),
    ] {
        record(&place, "", take)
            .into_iter()
            .for_each(Recording::finish);
        all.extend(watch.until(name));
        std::thread::sleep(Duration::from_secs(1));
        all.extend(watch.lines.try_iter());
    }
    all.extend(watch.interrupt());
    for take in ["take 1", "take 2"] {
        let said = all.iter().filter(|line| {
            line.starts_with(&format!("warning: low-tide, {take}, ride: Mains hum"))
        });
        assert_eq!(said.count(), 1, "{take}: {all:#?}");
    }
}

#[test]
fn killed_at_any_moment_and_begun_again_it_leaves_what_a_check_leaves_and_prep_goes_on_from_it() {
    let place = place();
    let mut random = 0x2545_f491_4f6c_dd1d_u64;
    for take in 1..=3 {
        make(&place, &format!("Low Tide/take {take}"), 10 * take);
        let mut watch = Watching::start(&place, &["--out", "out"]);
        let mut files = record(&place, &format!("Low Tide/take {take}"), "");
        for step in 1..=5 {
            files
                .iter_mut()
                .for_each(|file| file.grow(f64::from(step) / 6.0));
            random ^= random << 13;
            random ^= random >> 7;
            random ^= random << 17;
            std::thread::sleep(Duration::from_millis(random % 900));
            watch.kill();
            watch = Watching::start(&place, &["--out", "out"]);
        }
        files.into_iter().for_each(Recording::finish);
        // Within the check, and just before and after it.
        std::thread::sleep(Duration::from_millis(1500 + random % 2500));
        watch.kill();
    }
    let watch = Watching::start(&place, &["--out", "out"]);
    watch.until("take 3 (");
    watch.interrupt();
    // What was stopped is caught up with.
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let ran = place.run(&["check", "takes", "--out", "plain"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(place.tree("out"), place.tree("plain"));
    let kept = traces(&place.path("out"));
    assert_eq!(kept.len(), 12, "{kept:?}");
    place.prep(&[], 0);
    assert_eq!(traces(&place.path("out")), kept, "measured again");
}

/// What was measured of the tracks, with the time when it was written.
fn traces(out: &Path) -> Vec<(PathBuf, std::time::SystemTime)> {
    let mut found = Vec::new();
    for entry in walkdir::WalkDir::new(out.join(".batterhead/cache")).sort_by_file_name() {
        let entry = entry.expect("readable");
        if entry
            .path()
            .extension()
            .is_some_and(|ending| ending == "bin")
        {
            let written = entry.metadata().expect("there").modified().expect("a time");
            found.push((entry.path().to_owned(), written));
        }
    }
    found
}

#[test]
fn it_goes_on_after_a_mistake_in_the_session_file_and_a_file_that_cannot_be_read() {
    let place = place();
    make(&place, "Low Tide/take 1", 10);
    let watch = Watching::start(&place, &[]);
    watch.until("Ctrl-C");
    let config = place.path("takes/session.toml");
    fs::write(&config, "pairs = 7\n").expect("written");
    watch.until("error: ");
    fs::write(&config, "").expect("written");
    record(&place, "Low Tide/take 1", "")
        .into_iter()
        .for_each(Recording::finish);
    watch.until("take 1 (");
    fs::write(place.path("takes/broken.wav"), b"RIFF\x04\0\0\0WAVE").expect("written");
    let lines = watch.until("problem: broken.wav: ");
    assert!(
        !lines.iter().any(|line| line.contains("take 1 (")),
        "{lines:?}"
    );
    watch.interrupt();
}

#[test]
fn what_is_wrong_from_the_start_is_wrong_usage() {
    let place = place();
    for (args, says) in [
        (&["watch", "nowhere"][..], "nowhere"),
        (&["watch", "takes", "--out", "takes/out"], "takes"),
    ] {
        let ran = place.run(args);
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(ran.stderr.contains(says), "{}", ran.stderr);
    }
}

/// On a terminal a problem rings the bell; what is written to a file has none.
#[test]
fn a_problem_rings_the_bell_of_a_terminal() {
    let place = place();
    make(&place, "Low Tide/take 1", 10);
    change(&place.path("made/Low Tide/take 1/SN TOP.wav"), |x| 16.0 * x);
    let files = record(&place, "Low Tide/take 1", "");
    files.into_iter().for_each(Recording::finish);
    let program = env!("CARGO_BIN_EXE_batterhead");
    let started = Command::new("script")
        .args(["-qfec", &format!("{program} watch takes"), "typescript"])
        .current_dir(place.path(""))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .spawn();
    let missing = "script (util-linux) is not installed";
    let Some(mut child) = needed(started.ok(), missing) else {
        println!("{missing}: the bell was not heard");
        return;
    };
    let mut said = String::new();
    for _ in 0..PATIENCE.as_millis() / 100 {
        std::thread::sleep(Duration::from_millis(100));
        let bytes = fs::read(place.path("typescript")).unwrap_or_default();
        said = String::from_utf8_lossy(&bytes).into_owned();
        if said.contains('\x07') {
            break;
        }
    }
    let _ = child.kill();
    let _ = child.wait();
    assert!(said.contains("Clipped") && said.contains('\x07'), "{said}");
    let watch = Watching::start(&place, &[]);
    let lines = watch.until("Clipped");
    assert!(!lines.concat().contains('\x07'));
    watch.kill();
}
