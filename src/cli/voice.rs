//! [`Voice`]: progress and messages on standard error, for people or as JSON lines.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::json;

use crate::error::{Error, Fault, printable};
use crate::job::Event;

/// How often a line of progress is written where there is no terminal.
const PLAIN_EVERY: Duration = Duration::from_secs(30);

/// The only writer to standard error.
pub struct Voice {
    quiet: bool,
    json: bool,
    terminal: bool,
    phase: Mutex<Option<Phase>>,
}

struct Phase {
    name: &'static str,
    samples: u64,
    done: u64,
    begun: Instant,
    told: Instant,
    bar: Option<ProgressBar>,
}

impl Voice {
    /// `quiet`: errors only. `json`: one object a line.
    pub fn new(quiet: bool, json: bool) -> Self {
        let terminal = std::io::stderr().is_terminal()
            && std::env::var_os("TERM").is_none_or(|term| term != "dumb");
        Self {
            quiet,
            json,
            terminal,
            phase: Mutex::new(None),
        }
    }

    /// Whether nothing but errors is wanted.
    pub fn is_quiet(&self) -> bool {
        self.quiet
    }

    /// Takes events of the library.
    pub fn hear(&self, event: Event<'_>) {
        match event {
            Event::Phase {
                name,
                samples,
                items,
            } => self.begin(name, samples, items),
            Event::Advance { samples } => self.advance(samples),
            Event::Warning { text } => self.warning(text),
            Event::Failed { path, reason } => {
                let path = path.to_string_lossy();
                if self.json {
                    self.object("failed", json!({"path": path, "reason": reason}));
                } else {
                    self.line(&format!(
                        "failed: {}: {}",
                        printable(&path),
                        printable(reason)
                    ));
                }
            }
        }
    }

    /// Something a person should know.
    pub fn warning(&self, text: &str) {
        if self.json {
            self.line(&json!({"type": "warning", "text": text}).to_string());
        } else if !self.quiet {
            self.line(&format!("warning: {}", printable(text)));
        }
    }

    /// A defect of the program itself: where, and what it says. It may come from within the drawing
    /// of a bar, so that is left alone.
    pub fn defect(&self, text: &str) {
        let text = text.replace('\n', ": ").replacen("panicked at ", "", 1);
        let line = match self.json {
            true => json!({"type": "defect", "text": text}).to_string(),
            false => format!(
                "a defect in batterhead, please report it: {}",
                printable(&text)
            ),
        };
        let _ = writeln!(std::io::stderr().lock(), "{line}");
    }

    /// A plain message.
    pub fn note(&self, text: &str) {
        if self.json {
            self.line(&json!({"type": "note", "text": text}).to_string());
        } else if !self.quiet {
            self.line(&printable(text));
        }
    }

    /// The error that ends the run; as JSON one object for each thing that is wrong.
    pub fn error(&self, error: &Error) {
        self.end();
        if self.json {
            for error in error.each() {
                match &error.text {
                    Some(text) => (text.faults.iter())
                        .for_each(|fault| self.object("error", of_fault(&text.name, fault))),
                    None => self.object("error", of_error(error)),
                }
            }
            return;
        }
        self.line(&format!("error: {error}"));
        if let (Some(hint), true) = (&error.hint, error.more.is_empty()) {
            self.line(&format!("hint: {}", printable(hint)));
        }
    }

    /// An object of a JSON log; what is not known is left out.
    fn object(&self, kind: &str, members: serde_json::Value) {
        let mut object = serde_json::Map::new();
        object.insert("type".to_owned(), kind.into());
        let members = members.as_object().cloned().unwrap_or_default();
        object.extend(members.into_iter().filter(|(_, value)| !value.is_null()));
        self.line(&serde_json::Value::Object(object).to_string());
    }

    /// The last line of a JSON log.
    pub fn exit(&self, status: u8) {
        self.end();
        if self.json {
            self.line(&json!({"type": "exit", "status": status}).to_string());
        }
    }

    /// Ends the present phase and its bar.
    pub fn end(&self) {
        if let Some(Phase { bar: Some(bar), .. }) = self.lock().take() {
            bar.finish_and_clear();
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Option<Phase>> {
        self.phase
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn begin(&self, name: &'static str, samples: u64, items: usize) {
        self.end();
        if self.json {
            self.line(
                &json!({"type": "phase", "name": name, "samples": samples, "items": items})
                    .to_string(),
            );
        }
        let bar = (self.terminal && !self.quiet && !self.json).then(|| {
            let bar = ProgressBar::with_draw_target(Some(samples), ProgressDrawTarget::stderr());
            let style =
                ProgressStyle::with_template("{prefix:>8} {wide_bar} {percent:>3} %  {eta} left");
            bar.set_style(
                style
                    .unwrap_or_else(|_| ProgressStyle::default_bar())
                    .progress_chars("=> "),
            );
            bar.set_prefix(name);
            bar
        });
        let now = Instant::now();
        *self.lock() = Some(Phase {
            name,
            samples,
            done: 0,
            begun: now,
            told: now,
            bar,
        });
    }

    fn advance(&self, samples: u64) {
        let line = {
            let mut phase = self.lock();
            let Some(phase) = phase.as_mut() else { return };
            phase.done += samples;
            if let Some(bar) = &phase.bar {
                bar.set_position(phase.done);
            }
            let due = phase.bar.is_none() && !self.quiet && phase.told.elapsed() >= PLAIN_EVERY;
            due.then(|| {
                phase.told = Instant::now();
                phase.line(self.json)
            })
        };
        if let Some(line) = line {
            self.line(&line);
        }
    }

    fn line(&self, text: &str) {
        let write = || {
            // Standard error may be closed: the run goes on, its result is on disk.
            let _ = writeln!(std::io::stderr().lock(), "{text}");
        };
        let bar = self.lock().as_ref().and_then(|phase| phase.bar.clone());
        match bar {
            Some(bar) => bar.suspend(write),
            None => write(),
        }
    }
}

fn of_error(error: &Error) -> serde_json::Value {
    let path = error.path.as_ref().map(|path| path.to_string_lossy());
    json!({"path": path, "reason": error.reason, "hint": error.hint})
}

fn of_fault(name: &str, fault: &Fault) -> serde_json::Value {
    json!({
        "path": name,
        "line": fault.place.map(|(line, _)| line),
        "column": fault.place.map(|(_, column)| column),
        "reason": fault.reason,
        "context": fault.context,
        "hint": fault.hint,
    })
}

impl Phase {
    fn line(&self, json: bool) -> String {
        let share = if self.samples == 0 {
            1.0
        } else {
            self.done as f64 / self.samples as f64
        };
        let spent = self.begun.elapsed().as_secs_f64();
        let left = if share > 0.0 {
            spent / share - spent
        } else {
            0.0
        };
        if json {
            json!({"type": "status", "phase": self.name, "percent": (share * 100.0).round(), "left_s": left.round()}).to_string()
        } else {
            format!(
                "{}: {:.0} %, about {:.0} s left",
                self.name,
                share * 100.0,
                left
            )
        }
    }
}
