//! [`Error`]: what failed, where, and what to do about it.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
    /// What is wrong in a text that a person wrote, each with its place.
    pub text: Option<Arc<Faulty>>,
    /// What else is wrong.
    pub more: Vec<Error>,
}

/// A text that a person wrote, and what is wrong in it.
#[derive(Clone, Debug)]
pub struct Faulty {
    /// The file, as it was named.
    pub name: String,
    /// All faults as a person reads them, with their lines; over several lines, safe for a terminal.
    pub drawn: String,
    /// The same one by one, in line order.
    pub faults: Vec<Fault>,
}

/// One thing that is wrong in a text.
#[derive(Clone, Debug)]
pub struct Fault {
    /// Line and column, both from 1; `None`: the text as a whole.
    pub place: Option<(usize, usize)>,
    /// What would be right.
    pub reason: String,
    /// Which part of the file it is about.
    pub context: Option<String>,
    /// What to write instead.
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
            text: None,
            more: Vec::new(),
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
        Self::new(kind, format!("cannot be read: {}", plain(error)))
            .open_elsewhere(error, &[SHARING_VIOLATION, LOCK_VIOLATION], cfg!(windows))
            .at(path)
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
        let refusals = [
            ACCESS_DENIED,
            SHARING_VIOLATION,
            LOCK_VIOLATION,
            USER_MAPPED_FILE,
        ];
        Self::new(kind, format!("cannot be written: {}", plain(error))).open_elsewhere(
            error,
            &refusals,
            cfg!(windows),
        )
    }

    /// Adds what to do where Windows refuses a file with one of these numbers, as it does while another
    /// program has it open.
    fn open_elsewhere(self, error: &std::io::Error, refusals: &[i32], windows: bool) -> Self {
        let number = error.raw_os_error().filter(|_| windows);
        if !number.is_some_and(|number| refusals.contains(&number)) {
            return self;
        }
        let reason = format!("{} (another program may have it open)", self.reason);
        Self { reason, ..self }.hint("close it there, then run the same command again")
    }

    /// Several errors as one, which says all of them; the first one's kind counts. `None` for none.
    pub fn all(errors: Vec<Error>) -> Option<Self> {
        let mut errors = errors.into_iter();
        let mut first = errors.next()?;
        for mut error in errors {
            let more = std::mem::take(&mut error.more);
            first.more.push(error);
            first.more.extend(more);
        }
        Some(first)
    }

    /// This error and all others that it carries.
    pub fn each(&self) -> impl Iterator<Item = &Error> {
        std::iter::once(self).chain(&self.more)
    }

    /// Sets the path.
    pub fn at(mut self, path: &Path) -> Self {
        self.path = Some(path.to_owned());
        self
    }

    /// The same of a file without which the run cannot go on: it is no longer about that file alone.
    pub fn of_the_run(self) -> Self {
        match self.kind {
            Kind::File | Kind::Scarce => Self {
                kind: Kind::Environment,
                ..self
            },
            _ => self,
        }
    }

    /// The same of a file that is needed to go on, where work may be tried again.
    pub fn needed(self) -> Self {
        match self.kind {
            Kind::File => self.of_the_run(),
            _ => self,
        }
    }

    /// Sets what to do about it.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

// Numbers of Windows. Source: Microsoft, "System Error Codes", from memory.
const ACCESS_DENIED: i32 = 5;
const SHARING_VIOLATION: i32 = 32;
const LOCK_VIOLATION: i32 = 33;
const USER_MAPPED_FILE: i32 = 1224;

/// Whether the system was out of something that other work will give back: open files (of the
/// process, of the system), memory.
fn scarce(error: &std::io::Error) -> bool {
    // ENFILE and EMFILE, which `ErrorKind` does not tell; the numbers of every Unix.
    let files = cfg!(unix) && matches!(error.raw_os_error(), Some(23 | 24));
    files || error.kind() == std::io::ErrorKind::OutOfMemory
}

/// What was read of `path`, where anything is there to be read.
///
/// # Errors
/// [`Kind::Environment`]: something is there, but cannot be read. To go on without it would lose what
/// it says.
pub fn if_there<T>(path: &Path, read: std::io::Result<T>) -> Result<Option<T>> {
    use std::io::ErrorKind::{NotADirectory, NotFound};
    match read {
        Ok(read) => Ok(Some(read)),
        Err(error) if matches!(error.kind(), NotFound | NotADirectory) => Ok(None),
        Err(error) => Err(Error::reading(path, &error)
            .needed()
            .hint("see to it that it can be read, then run the same command again")),
    }
}

/// An operating-system error in words, without Rust's "(os error 2)".
pub(crate) fn plain(error: &std::io::Error) -> String {
    in_words(error.to_string())
}

/// The words of some systems end with a period.
fn in_words(text: String) -> String {
    match text.find(" (os error") {
        Some(end) => text[..end].trim_end_matches('.').to_lowercase(),
        None => text,
    }
}

impl fmt::Display for Error {
    /// `path: reason` on one line, each further error in a paragraph of its own with its hint; what
    /// is wrong in a text is drawn. Names cannot make a line or drive a terminal.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, error) in self.each().enumerate() {
            if i > 0 {
                f.write_str("\n\n")?;
            }
            if let Some(text) = &error.text {
                f.write_str(&text.drawn)?;
                continue;
            }
            if let Some(path) = &error.path {
                write!(f, "{}: ", printable(&path.to_string_lossy()))?;
            }
            f.write_str(&printable(&error.reason))?;
            if let Some(hint) = error.hint.as_ref().filter(|_| !self.more.is_empty()) {
                write!(f, "\nhint: {}", printable(hint))?;
            }
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

/// Text from outside on one line: control characters, line breaks of every kind, and what has no
/// width or changes the direction of writing are shown as `\u{…}` escapes, so that a name can
/// neither drive a terminal nor pass for another line or another name.
pub fn printable(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || is_invisible(c) {
            safe.extend(c.escape_unicode());
        } else {
            safe.push(c);
        }
    }
    safe
}

/// Unicode's default-ignorable characters that stand in no name for a reason (variation selectors
/// are left), the marks of direction, and its line and paragraph separators.
/// Source: Unicode Character Database, `DerivedCoreProperties.txt` and `PropList.txt`, from memory.
fn is_invisible(c: char) -> bool {
    matches!(c,
        '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}'
        | '\u{180b}'..='\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{feff}' | '\u{ffa0}'
        | '\u{fff0}'..='\u{fffb}' | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}'
        | '\u{e0000}'..='\u{e0fff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_makes_a_line_or_hides_a_letter() {
        for bad in [
            "\n",
            "\r",
            "\u{85}",
            "\u{2028}",
            "\u{2029}",
            "\u{b}",
            "\u{1b}",
            "\u{200b}",
            "\u{200d}",
            "\u{202e}",
            "\u{2066}",
            "\u{feff}",
            "\u{ad}",
            "\u{e0041}",
        ] {
            let shown = printable(&format!("a{bad}b"));
            assert!(
                shown.starts_with("a\\u{") && shown.ends_with("}b"),
                "{shown}"
            );
        }
        assert_eq!(printable("Größe 太鼓 é"), "Größe 太鼓 é");
    }

    #[test]
    fn what_another_program_has_open_on_windows_is_said_with_what_to_do() {
        let refused = |number, windows| {
            let system = std::io::Error::from_raw_os_error(number);
            Error::new(Kind::File, "cannot be written: access is denied").open_elsewhere(
                &system,
                &[ACCESS_DENIED, SHARING_VIOLATION],
                windows,
            )
        };
        for number in [5, 32] {
            let error = refused(number, true);
            assert_eq!(
                error.reason,
                "cannot be written: access is denied (another program may have it open)"
            );
            let hint = error.hint.expect("a hint");
            assert_eq!(hint, "close it there, then run the same command again");
        }
        // The disk is full; and the same numbers are other errors elsewhere.
        for other in [refused(112, true), refused(5, false), refused(32, false)] {
            assert_eq!(other.reason, "cannot be written: access is denied");
            assert_eq!(other.hint, None);
        }
    }

    #[test]
    fn words_of_the_system_end_without_number_and_period() {
        for (said, expected) in [
            ("Access is denied. (os error 5)", "access is denied"),
            (
                "No such file or directory (os error 2)",
                "no such file or directory",
            ),
            ("a defect of ours.", "a defect of ours."),
        ] {
            assert_eq!(in_words(said.to_owned()), expected);
        }
    }
}
