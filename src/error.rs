//! [`Error`]: what failed, where, and what to do about it.

use std::fmt;
use std::path::{Path, PathBuf};

/// What kind of failure it is; the exit status follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// One file cannot be read, or its work failed: it costs itself, the rest goes on (exit 1).
    File,
    /// The system had no more open files or memory just then: what is left is tried again, one
    /// after the other. Where it ends a run, exit 3.
    Scarce,
    /// Wrong usage, preset, session or worksheet; nothing was written (exit 2).
    Input,
    /// Disk full, output folder gone or not writable (exit 3).
    Environment,
    /// Another run holds the output folder (exit 4).
    Locked,
    /// `verify` found a difference (exit 5).
    Difference,
    /// Stopped by SIGINT (exit 130).
    Interrupted,
    /// Stopped by SIGTERM or SIGHUP (exit 143).
    Terminated,
}

impl Kind {
    /// The exit status of the contract.
    pub fn exit_status(self) -> u8 {
        match self {
            Kind::File => 1,
            Kind::Input => 2,
            Kind::Environment | Kind::Scarce => 3,
            Kind::Locked => 4,
            Kind::Difference => 5,
            Kind::Interrupted => 130,
            Kind::Terminated => 143,
        }
    }
}

/// A failure in words for a person: the file, the place in it, the reason, and a way out.
#[derive(Clone, Debug)]
pub struct Error {
    /// Decides the exit status.
    pub kind: Kind,
    /// The file or folder it is about.
    pub path: Option<PathBuf>,
    /// What is wrong, with the place (byte, frame, line) where one is known; no final period.
    pub reason: String,
    /// What to do about it.
    pub hint: Option<String>,
}

/// The result of everything in this crate that can fail.
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// An error without a path or hint.
    pub fn new(kind: Kind, reason: impl Into<String>) -> Self {
        Self {
            kind,
            path: None,
            reason: reason.into(),
            hint: None,
        }
    }

    /// A file that cannot be used ([`Kind::File`]).
    pub fn file(path: &Path, reason: impl Into<String>) -> Self {
        Self::new(Kind::File, reason).at(path)
    }

    /// Something the user wrote is wrong ([`Kind::Input`]).
    pub fn input(reason: impl Into<String>) -> Self {
        Self::new(Kind::Input, reason)
    }

    /// Reading `path` failed with an operating-system error ([`Kind::File`], or [`Kind::Scarce`]).
    pub fn reading(path: &Path, error: &std::io::Error) -> Self {
        let kind = match scarce(error) {
            true => Kind::Scarce,
            false => Kind::File,
        };
        Self::new(kind, format!("cannot be read: {}", plain(error))).at(path)
    }

    /// Writing `path` failed; see [`Error::sink`] for the kind.
    pub fn writing(path: &Path, error: &std::io::Error) -> Self {
        Self::sink(error).at(path)
    }

    /// Writing failed, to a path that the caller adds. [`Kind::Environment`] where every other file
    /// would fail as well (disk or quota full, read-only, folder gone), else [`Kind::File`].
    pub fn sink(error: &std::io::Error) -> Self {
        use std::io::ErrorKind::{NotFound, QuotaExceeded, ReadOnlyFilesystem, StorageFull};
        let kind = match error.kind() {
            StorageFull | QuotaExceeded | ReadOnlyFilesystem | NotFound => Kind::Environment,
            _ if scarce(error) => Kind::Scarce,
            _ => Kind::File,
        };
        Self::new(kind, format!("cannot be written: {}", plain(error)))
    }

    /// Several errors as one, which says all of them; the first one's kind counts. `None` for none.
    pub fn all(errors: Vec<Error>) -> Option<Self> {
        let mut errors = errors.into_iter();
        let mut first = errors.next()?;
        for error in errors {
            let hint = error.hint.as_ref().map(|hint| format!("\nhint: {hint}"));
            let own = first.hint.take().map(|hint| format!("\nhint: {hint}"));
            let lead = first
                .path
                .take()
                .map(|path| format!("{}: ", path.display()));
            first.reason = format!(
                "{}{}{}\n\n{error}{}",
                lead.unwrap_or_default(),
                first.reason,
                own.unwrap_or_default(),
                hint.unwrap_or_default()
            );
        }
        Some(first)
    }

    /// Sets the path.
    pub fn at(mut self, path: &Path) -> Self {
        self.path = Some(path.to_owned());
        self
    }

    /// Sets what to do about it.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

/// Whether the system was out of something that other work will give back: open files (of the
/// process, of the system), memory.
fn scarce(error: &std::io::Error) -> bool {
    // ENFILE and EMFILE, which `ErrorKind` does not tell; the numbers of every Unix.
    let files = cfg!(unix) && matches!(error.raw_os_error(), Some(23 | 24));
    files || error.kind() == std::io::ErrorKind::OutOfMemory
}

/// An operating-system error in words, without Rust's "(os error 2)".
pub(crate) fn plain(error: &std::io::Error) -> String {
    let text = error.to_string();
    match text.find(" (os error") {
        Some(end) => text[..end].to_lowercase(),
        None => text,
    }
}

impl fmt::Display for Error {
    /// One line: `path: reason`. The path is escaped, so that a file name cannot drive a terminal.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(path) = &self.path {
            write!(f, "{}: ", printable(&path.to_string_lossy()))?;
        }
        f.write_str(&printable(&self.reason))
    }
}

impl std::error::Error for Error {}

/// Text from outside made safe for a terminal: control characters (C0, C1, DEL) and bidirectional
/// controls are shown as `\u{…}` escapes; line breaks are kept.
pub fn printable(text: &str) -> String {
    let unsafe_char = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if unsafe_char(c) {
            safe.extend(c.escape_unicode());
        } else {
            safe.push(c);
        }
    }
    safe
}
