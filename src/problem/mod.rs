//! [`Problems`]: everything that is wrong with a text that a person wrote (a preset, a session
//! file, a worksheet), each with its place, drawn for a terminal. [`walk`] finds them.

use std::fmt::{self, Write as _};
use std::io::Read;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use crate::error::{Error, Fault, Faulty, Result, printable};
use crate::files;

pub mod walk;

/// A TOML basic string: of one line, as a key needs it too.
pub fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            // What `printable` would escape cannot stand in a file as it is either.
            c if printable(c.encode_utf8(&mut [0; 4])).len() > c.len_utf8() => {
                let _ = match u32::from(c) {
                    low @ ..=0xffff => write!(quoted, "\\u{low:04X}"),
                    high => write!(quoted, "\\U{high:08X}"),
                };
            }
            c => quoted.push(c),
        }
    }
    quoted + "\""
}

/// More than this is not shown: a file that is not TOML at all has a problem a line.
const SHOWN: usize = 30;
/// Width of hints, in characters.
const WIDTH: usize = 88;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Bytes of the text that are wrong; `None`: the text as a whole.
    pub span: Option<Range<usize>>,
    /// What would be right: "expected above 0 and below 24000".
    pub message: String,
    /// What to write instead; only if following it would work.
    pub hint: Option<String>,
    /// Which part of the file it is about: "in stage 2 (high-pass)".
    pub context: Option<String>,
}

impl Problem {
    /// About these bytes of the text.
    pub fn at(span: Range<usize>, message: impl Into<String>) -> Self {
        Self {
            span: Some(span),
            ..Self::whole(message)
        }
    }

    /// About the text as a whole.
    pub fn whole(message: impl Into<String>) -> Self {
        Self {
            span: None,
            message: message.into(),
            hint: None,
            context: None,
        }
    }

    /// Says what to write instead.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    fn start(&self) -> usize {
        self.span.as_ref().map_or(0, |span| span.start)
    }
}

/// Where a problem begins; both count from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Line.
    pub line: usize,
    /// Column, in characters.
    pub column: usize,
}

/// All problems of one text, in line order.
#[derive(Clone, Debug)]
pub struct Problems {
    what: &'static str,
    name: String,
    text: Arc<str>,
    context: Option<String>,
    list: Vec<Problem>,
}

impl Problems {
    /// None yet. `what` is the kind of text ("preset"), `name` its file; a byte order mark at the
    /// start of `text` is dropped.
    pub fn new(what: &'static str, name: impl Into<String>, text: &str) -> Self {
        Self {
            what,
            name: name.into(),
            text: text.strip_prefix('\u{feff}').unwrap_or(text).into(),
            context: None,
            list: Vec::new(),
        }
    }

    /// The text that all spans refer to.
    pub fn text(&self) -> Arc<str> {
        self.text.clone()
    }

    /// Adds one, which gets the context of the [`Problems::within`] around it unless it has its own.
    pub fn add(&mut self, mut problem: Problem) {
        problem.context = problem.context.or_else(|| self.context.clone());
        let at = self
            .list
            .partition_point(|other| other.start() <= problem.start());
        self.list.insert(at, problem);
    }

    /// Runs `f`, whose problems all carry `context` ("in stage 2").
    pub fn within<T>(&mut self, context: impl Into<String>, f: impl FnOnce(&mut Self) -> T) -> T {
        let outer = self.context.replace(context.into());
        let result = f(self);
        self.context = outer;
        result
    }

    /// In line order.
    pub fn list(&self) -> &[Problem] {
        &self.list
    }

    /// Whether nothing is wrong.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// `value` if nothing is wrong and there is one.
    ///
    /// # Errors
    /// The problems; a missing value without any is one.
    pub fn finish<T>(mut self, value: Option<T>) -> std::result::Result<T, Problems> {
        match value {
            Some(value) if self.list.is_empty() => Ok(value),
            _ => {
                if self.list.is_empty() {
                    self.add(Problem::whole("cannot be read"));
                }
                Err(self)
            }
        }
    }

    /// Where a problem begins; `None` if it is about the whole text.
    pub fn place(&self, problem: &Problem) -> Option<Place> {
        let (line, at, _) = self.line(problem.span.clone()?);
        let before = self.text.get(line.start..at.start).unwrap_or_default();
        Some(Place {
            line: 1 + self.newlines_before(line.start),
            column: 1 + before.chars().count(),
        })
    }

    /// The line of a span, without its end: its bytes, the span cut to it, its text.
    fn line(&self, span: Range<usize>) -> (Range<usize>, Range<usize>, &str) {
        let mut at = span.start.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1;
        }
        let (before, after) = self.text.split_at(at);
        let start = before.rfind('\n').map_or(0, |i| i + 1);
        let end = at + after.find('\n').unwrap_or(after.len());
        let line = self.text.get(start..end).unwrap_or_default();
        let line = line.strip_suffix('\r').unwrap_or(line);
        let end = start + line.len();
        let mut stop = span.end.clamp(at, end.max(at));
        while !self.text.is_char_boundary(stop) {
            stop -= 1;
        }
        (start..end, at.min(end)..stop.min(end), line)
    }

    fn newlines_before(&self, at: usize) -> usize {
        let bytes = self.text.as_bytes();
        bytes.iter().take(at).filter(|&&b| b == b'\n').count()
    }

    /// Count and consequence: "2 problems in preset `x.toml`; nothing was written".
    pub fn summary(&self) -> String {
        let count = match self.list.len() {
            1 => "1 problem".to_owned(),
            n => format!("{n} problems"),
        };
        let name = printable(&self.name);
        format!("{count} in {} `{name}`; nothing was written", self.what)
    }

    /// As a person reads it; with colour codes only if `colour`. Ends without a line break.
    pub fn render(&self, colour: bool) -> String {
        let renderer = match colour {
            true => Renderer::styled(),
            false => Renderer::plain(),
        };
        let renderer = renderer.decor_style(DecorStyle::Ascii);
        let head = Level::ERROR.primary_title(self.summary());
        let mut parts = vec![renderer.render(&[Group::with_title(head)])];
        let shown = self.list.iter().take(SHOWN);
        parts.extend(shown.map(|problem| self.draw(problem, &renderer)));
        if self.list.len() > SHOWN {
            parts.push(format!("and {} more", self.list.len() - SHOWN));
        }
        parts.join("\n\n")
    }

    fn draw(&self, problem: &Problem, renderer: &Renderer) -> String {
        let name = printable(&self.name);
        let message = printable(&problem.message);
        let mut group = match (&problem.span, self.place(problem)) {
            (Some(span), Some(place)) => {
                let (line, at, source) = self.line(span.clone());
                // A column behind the end of a line can be marked too.
                let start = at.start - line.start;
                let source = match start < source.len() {
                    true => source.to_owned(),
                    false => format!("{source} "),
                };
                let first = source.get(start..).and_then(|rest| rest.chars().next());
                let end = start + at.len().max(first.map_or(0, char::len_utf8));
                let mark = AnnotationKind::Primary.span(start..end).label(message);
                let snippet = Snippet::source(source).line_start(place.line).path(name);
                Group::with_level(Level::ERROR).element(snippet.annotation(mark))
            }
            _ => {
                let title = format!("{name}: {message}");
                Group::with_title(Level::ERROR.no_name().primary_title(title))
            }
        };
        if let Some(context) = &problem.context {
            group = group.element(Level::NOTE.no_name().message(printable(context)));
        }
        if let Some(hint) = &problem.hint {
            let text = wrap(&printable(hint), WIDTH).join("\n");
            group = group.element(Level::HELP.with_name("hint").message(text));
        }
        renderer.render(&[group])
    }
}

impl fmt::Display for Problems {
    /// Without colour.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Problems {}

impl From<Problems> for Error {
    /// An input error that says how many there are and carries all of them.
    fn from(problems: Problems) -> Self {
        let drawn = problems.render(false);
        let faults = problems.list.iter().map(|problem| Fault {
            place: (problems.place(problem)).map(|place| (place.line, place.column)),
            reason: problem.message.clone(),
            context: problem.context.clone(),
            hint: problem.hint.clone(),
        });
        let mut error = Error::input(problems.summary());
        error.text = Some(Arc::new(Faulty {
            name: problems.name.clone(),
            drawn: drawn.strip_prefix("error: ").unwrap_or(&drawn).to_owned(),
            faults: faults.collect(),
        }));
        error
    }
}

/// The whole of a text file of at most `max_bytes`.
///
/// # Errors
/// [`Kind::Input`](crate::error::Kind::Input): it cannot be read, is larger, or is not UTF-8 (with
/// the place of the first wrong byte).
pub fn read_text(path: &Path, max_bytes: u64) -> Result<String> {
    let input = |reason: String| Error::input(reason).at(path);
    let reading = |e: std::io::Error| input(Error::reading(path, &e).reason);
    let is_link = || std::fs::symlink_metadata(path).is_ok_and(|found| found.is_symlink());
    let file = files::open(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound if is_link() => input("is a link to nothing".to_owned()),
        _ => reading(error),
    })?;
    let mut bytes = Vec::new();
    let limited = &mut file.take(max_bytes.saturating_add(1));
    limited.read_to_end(&mut bytes).map_err(reading)?;
    if bytes.len() as u64 > max_bytes {
        let reason = format!("is larger than {max_bytes} bytes, the most such a file may have");
        return Err(input(reason));
    }
    String::from_utf8(bytes).map_err(|error| {
        let (good, bad) = error.as_bytes().split_at(error.utf8_error().valid_up_to());
        let line = 1 + good.iter().filter(|&&b| b == b'\n').count();
        let byte = bad.first().copied().unwrap_or_default();
        let reason = format!("is not UTF-8 text: line {line} has the byte 0x{byte:02x}");
        input(reason).hint("save it as UTF-8")
    })
}

/// The name most like `word`, if one is like it at all; upper case, `_` and spaces do not count.
pub fn nearest<'n>(word: &str, names: &[&'n str]) -> Option<&'n str> {
    if word.chars().count() > 64 {
        return None;
    }
    let plain = |text: &str| text.to_lowercase().replace(['_', ' '], "-");
    let word = plain(word);
    let likeness = |name: &&'n str| {
        let name = plain(name);
        let swaps = strsim::normalized_damerau_levenshtein(&word, &name);
        let start = strsim::jaro_winkler(&word, &name);
        (swaps >= 0.5 || start >= 0.85).then_some(swaps + start)
    };
    let scored = names.iter().filter_map(|n| Some((likeness(n)?, *n)));
    scored
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, name)| name)
}

/// "did you mean `gate`? Stages: high-pass, …", or only the names if none is like `word`; without
/// the names if they are many.
pub fn suggest(word: &str, names: &[&str], title: &str) -> String {
    let all = format!("{title}: {}", names.join(", "));
    match nearest(word, names) {
        Some(name) if names.len() > 16 => format!("did you mean `{name}`?"),
        Some(name) => format!("did you mean `{name}`? {all}"),
        None => all,
    }
}

/// Words in lines of `width` characters at most; a longer word has a line of its own.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let line = lines.last_mut().expect("begins with one line");
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_file_line_column_mark_context_and_hint() {
        let mut problems = Problems::new("preset", "x.toml", "\u{feff}a = 1\r\n  b = nan\r\n");
        problems.within("in stage 2", |p| {
            p.add(Problem::at(13..16, "expected a finite number").hint("write a number"))
        });
        problems.add(Problem::whole("`about` is missing"));
        let want = "\
error: 2 problems in preset `x.toml`; nothing was written

x.toml: `about` is missing

 --> x.toml:2:7
  |
2 |   b = nan
  |       ^^^ expected a finite number
  |
  = in stage 2
  = hint: write a number";
        assert_eq!(problems.to_string(), want);
    }

    #[test]
    fn any_span_of_any_text_is_drawn() {
        let texts = [
            "",
            "\n",
            "ä = \"\u{1b}[31m\u{202e}\"\r\nbü",
            "\u{feff}",
            "x\r",
        ];
        for text in texts {
            for start in 0..20 {
                for end in start..20 {
                    let mut problems = Problems::new("preset", "n\n\u{1b}", text);
                    problems.add(Problem::at(start..end, "wrong\u{1b}\n"));
                    let drawn = problems.render(false);
                    assert!(!drawn.contains(['\u{1b}', '\u{202e}', '\r']), "{drawn:?}");
                    assert!(problems.render(true).contains('\u{1b}'));
                }
            }
        }
    }

    #[test]
    fn problems_stand_in_line_order_and_many_are_cut() {
        let text = "a\n".repeat(100);
        let mut problems = Problems::new("preset", "x.toml", &text);
        for line in (0..100).rev() {
            problems.add(Problem::at(2 * line..2 * line + 1, "wrong"));
        }
        let drawn = problems.to_string();
        assert!(drawn.starts_with("error: 100 problems"), "{drawn}");
        assert!(drawn.ends_with("and 70 more"), "{drawn}");
        let lines: Vec<_> = problems.list().iter().map(|p| problems.place(p)).collect();
        assert!(lines.is_sorted_by_key(|place| place.map(|p| p.line)));
    }

    #[test]
    fn nearest_names_are_those_a_person_means() {
        let names = ["high-pass", "low-pass", "gate", "gain", "freq_hz"];
        for (word, want) in [
            ("gaet", Some("gate")),
            ("HighPass", Some("high-pass")),
            ("high_pass", Some("high-pass")),
            ("freq", Some("freq_hz")),
            ("xylophone", None),
            ("", None),
        ] {
            assert_eq!(nearest(word, &names), want, "{word}");
        }
    }

    #[test]
    fn reading_says_what_is_wrong_with_a_file() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("x.toml");
        std::fs::write(&path, b"a = 1\nb = \xff").expect("written");
        let error = read_text(&path, 100).expect_err("not UTF-8");
        assert_eq!(error.reason, "is not UTF-8 text: line 2 has the byte 0xff");
        assert!(
            read_text(&path, 10)
                .expect_err("large")
                .reason
                .contains("larger than 10")
        );
        assert!(read_text(folder.path(), 10).is_err());
        assert!(read_text(&folder.path().join("none"), 10).is_err());
    }
}
