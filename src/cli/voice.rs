//! [`Voice`]: progress and messages on standard error, for people or as JSON lines.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;

use serde_json::json;

use super::progress::Progress;
use crate::error::{Error, Fault, printable};
use crate::job::Event;

/// The only writer to standard error.
pub struct Voice {
    quiet: bool,
    json: bool,
    terminal: bool,
    progress: Mutex<Option<Progress>>,
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
            progress: Mutex::new(None),
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
            } => self.phase(name, samples, items),
            Event::Advance { samples } => self.advance(samples),
            Event::Warning { text } => self.warning(text),
            Event::Note { text } => self.note(text),
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

    /// Rings the bell of the terminal that standard output is.
    pub fn bell(&self) {
        if std::io::stdout().is_terminal() {
            let mut out = std::io::stdout().lock();
            let _ = out.write_all(b"\x07").and_then(|()| out.flush()); // a bell is no result
        }
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

    /// A run begins whose last phase is `last`.
    pub fn begin(&self, last: &str) {
        self.end();
        let drawn = self.terminal && !self.quiet && !self.json;
        *self.lock() = Some(Progress::new(last, drawn));
    }

    /// Ends the run and its bar.
    pub fn end(&self) {
        if let Some(bar) = self.lock().take().as_ref().and_then(Progress::bar) {
            bar.finish_and_clear();
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Option<Progress>> {
        self.progress
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn phase(&self, name: &'static str, samples: u64, items: usize) {
        if self.json {
            self.line(
                &json!({"type": "phase", "name": name, "samples": samples, "items": items})
                    .to_string(),
            );
        }
        if let Some(progress) = self.lock().as_mut() {
            progress.begin(name, samples);
        }
    }

    fn advance(&self, samples: u64) {
        let line = (self.lock().as_mut()).and_then(|progress| {
            let due = progress.advance(samples);
            due.then(|| progress.line(self.json))
        });
        if let Some(line) = line.filter(|_| !self.quiet) {
            self.line(&line);
        }
    }

    fn line(&self, text: &str) {
        // Standard error may be closed: the run goes on, its result is on disk.
        self.aside(|| {
            let _ = writeln!(std::io::stderr().lock(), "{text}");
        });
    }

    /// Does something that would spoil the bar.
    pub fn aside<T>(&self, write: impl FnOnce() -> T) -> T {
        let bar = self
            .lock()
            .as_ref()
            .and_then(|progress| progress.bar().cloned());
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
