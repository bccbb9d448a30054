//! TOML with places: every key and value knows its bytes in the text, and every getter adds what is
//! wrong to [`Problems`] instead of stopping at the first.
//!
//! [`parse`] the text, take the keys with [`Fields`], and [`Fields::finish`] reports those that
//! nobody asked for. A whole struct comes through [`Value::read`].

use std::collections::{Bound, HashSet};
use std::ops::{Range, RangeBounds};

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Problem, Problems, suggest};

mod read;

pub use read::variants;

/// The top table of `text` (that of [`Problems::text`]), or `None` after syntax errors. All of them
/// are reported, the first of each line: what else a line has follows from that. A duplicate key is
/// reported too, but the table stands.
pub fn parse<'t>(text: &'t str, problems: &mut Problems) -> Option<DeTable<'t>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    let mut sound = true;
    let mut lines_before = HashSet::new();
    for error in errors {
        let at = error.span().unwrap_or(text.len()..text.len());
        let duplicate = error.message().starts_with("duplicate key");
        sound &= duplicate;
        let line = text.get(..at.start).and_then(|before| before.rfind('\n'));
        if !duplicate && !lines_before.insert(line) {
            continue;
        }
        problems.add(match error.message() {
            _ if duplicate => Problem::at(at, "this key stands here a second time"),
            message if message.contains("recursion") => Problem::at(at, "nested too deeply"),
            message => match decimal_comma(text, at.start) {
                Some(comma) => Problem::at(comma, "expected a point within a number"),
                None => Problem::at(at, message),
            },
        });
    }
    sound.then(|| table.into_inner())
}

/// The comma of "gain_db = 1,5", if it stands in the line up to this byte and outside of an array.
fn decimal_comma(text: &str, at: usize) -> Option<Range<usize>> {
    let start = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
    let line = text.get(start..at + 1).or(text.get(start..at))?;
    let is_digit = |c: char| c.is_ascii_digit();
    let decimal = |comma: &usize| {
        let (before, after) = (text.get(start..*comma), text.get(comma + 1..));
        before.is_some_and(|b| b.ends_with(is_digit) && b.rfind('[') <= b.rfind('{'))
            && after.is_some_and(|after| after.starts_with(is_digit))
    };
    let mut commas = line.match_indices(',').map(|(comma, _)| start + comma);
    commas.find(decimal).map(|comma| comma..comma + 1)
}

/// A value with its place.
#[derive(Clone, Copy, Debug)]
pub struct Value<'a>(pub &'a Spanned<DeValue<'a>>);

impl<'a> Value<'a> {
    /// Its bytes in the text.
    pub fn span(self) -> Range<usize> {
        self.0.span()
    }

    /// A finite number (whole or not) within `range`.
    pub fn f64(self, range: impl RangeBounds<f64>, problems: &mut Problems) -> Option<f64> {
        let number = match self.0.get_ref() {
            DeValue::Float(f) => f.as_str().parse().unwrap_or(f64::NAN),
            DeValue::Integer(i) => {
                let whole = i128::from_str_radix(i.as_str(), i.radix());
                whole.map_or(f64::NAN, |i| i as f64)
            }
            _ => return self.wrong("a number", problems),
        };
        if !number.is_finite() {
            self.wrong("a finite number", problems)
        } else if !range.contains(&number) {
            self.wrong(&words(&range), problems)
        } else {
            Some(number)
        }
    }

    /// A whole number within `range`.
    pub fn i64(self, range: impl RangeBounds<i64>, problems: &mut Problems) -> Option<i64> {
        let DeValue::Integer(i) = self.0.get_ref() else {
            return self.wrong("a whole number", problems);
        };
        match i64::from_str_radix(i.as_str(), i.radix()) {
            Ok(number) if range.contains(&number) => Some(number),
            _ => self.wrong(&words(&range), problems),
        }
    }

    /// A text.
    pub fn string(self, problems: &mut Problems) -> Option<&'a str> {
        let text = self.0.get_ref().as_str();
        text.or_else(|| self.wrong("a text in quotes", problems))
    }

    /// `true` or `false`.
    pub fn bool(self, problems: &mut Problems) -> Option<bool> {
        let value = self.0.get_ref().as_bool();
        value.or_else(|| self.wrong("true or false", problems))
    }

    /// One of these words.
    pub fn one_of(self, words: &[&'static str], problems: &mut Problems) -> Option<&'static str> {
        let text = self.string(problems)?;
        let found = words.iter().find(|word| **word == text).copied();
        if found.is_none() {
            problems.add(read::not_among(self.span(), text, words));
        }
        found
    }

    /// The elements of an array.
    pub fn array(self, problems: &mut Problems) -> Option<Vec<Value<'a>>> {
        match self.0.get_ref() {
            DeValue::Array(items) => Some(items.iter().map(Value).collect()),
            _ => self.wrong("an array, `[ … ]`", problems),
        }
    }

    /// An array of texts.
    pub fn strings(self, problems: &mut Problems) -> Option<Vec<String>> {
        let items = self.array(problems)?;
        let texts = items.iter().map(|item| item.string(problems));
        let texts: Vec<_> = texts.collect(); // all of them, before the first wrong one ends it
        texts
            .into_iter()
            .map(|text| text.map(str::to_owned))
            .collect()
    }

    /// A table, for [`Fields::new`] or [`entries`].
    pub fn table(self, problems: &mut Problems) -> Option<&'a DeTable<'a>> {
        let table = self.0.get_ref().as_table();
        table.or_else(|| self.wrong("a table, `{ … }`", problems))
    }

    /// Anything serde can read (structs with `deny_unknown_fields`, externally tagged enums).
    /// Reports every unknown or missing key, wrong type and non-finite number in it.
    pub fn read<T: DeserializeOwned>(self, problems: &mut Problems) -> Option<T> {
        read::read(self.0.clone(), problems)
    }

    fn wrong<T>(self, expected: &str, problems: &mut Problems) -> Option<T> {
        problems.add(Problem::at(self.span(), format!("expected {expected}")));
        None
    }
}

/// Key, place of the key, and value of a table whose keys are free (`[track."…"]`), in file order.
pub fn entries<'a>(
    table: &'a DeTable<'a>,
) -> impl Iterator<Item = (&'a str, Range<usize>, Value<'a>)> {
    table
        .iter()
        .map(|(key, value)| (key.get_ref().as_ref(), key.span(), Value(value)))
}

/// The keys of one table, taken one by one. A getter is `None` if the key is absent (which is no
/// problem unless [`Fields::require`] says so) or its value is wrong (which is one).
pub struct Fields<'a, 'p> {
    table: &'a DeTable<'a>,
    place: Option<Range<usize>>,
    known: Vec<&'static str>,
    /// Where problems go.
    pub problems: &'p mut Problems,
}

impl<'a, 'p> Fields<'a, 'p> {
    /// `place` is where a missing key is reported: the table's own key; `None`: the file.
    pub fn new(
        table: &'a DeTable<'a>,
        place: Option<Range<usize>>,
        problems: &'p mut Problems,
    ) -> Self {
        Self {
            table,
            place,
            known: Vec::new(),
            problems,
        }
    }

    /// The value, if there is one. From here on the key counts as known.
    pub fn get(&mut self, key: &'static str) -> Option<Value<'a>> {
        self.known.push(key);
        self.table.get(key).map(Value)
    }

    /// Where the key itself stands.
    pub fn key_span(&self, key: &str) -> Option<Range<usize>> {
        self.table.get_key_value(key).map(|(key, _)| key.span())
    }

    /// Reports the key if it is absent.
    pub fn require(&mut self, key: &'static str) {
        if !self.table.contains_key(key) {
            let message = format!("`{key}` is missing");
            self.problems.add(match self.place.clone() {
                Some(place) => Problem::at(place, message),
                None => Problem::whole(message),
            });
        }
    }

    /// See [`Value::f64`].
    pub fn f64(&mut self, key: &'static str, range: impl RangeBounds<f64>) -> Option<f64> {
        self.get(key)?.f64(range, self.problems)
    }

    /// See [`Value::i64`].
    pub fn i64(&mut self, key: &'static str, range: impl RangeBounds<i64>) -> Option<i64> {
        self.get(key)?.i64(range, self.problems)
    }

    /// See [`Value::string`].
    pub fn string(&mut self, key: &'static str) -> Option<&'a str> {
        self.get(key)?.string(self.problems)
    }

    /// See [`Value::bool`].
    pub fn bool(&mut self, key: &'static str) -> Option<bool> {
        self.get(key)?.bool(self.problems)
    }

    /// See [`Value::one_of`].
    pub fn one_of(&mut self, key: &'static str, words: &[&'static str]) -> Option<&'static str> {
        self.get(key)?.one_of(words, self.problems)
    }

    /// See [`Value::array`].
    pub fn array(&mut self, key: &'static str) -> Option<Vec<Value<'a>>> {
        self.get(key)?.array(self.problems)
    }

    /// See [`Value::strings`].
    pub fn strings(&mut self, key: &'static str) -> Option<Vec<String>> {
        self.get(key)?.strings(self.problems)
    }

    /// See [`Value::table`].
    pub fn table(&mut self, key: &'static str) -> Option<&'a DeTable<'a>> {
        self.get(key)?.table(self.problems)
    }

    /// The keys of a table within this one.
    pub fn fields(&mut self, key: &'static str) -> Option<Fields<'a, '_>> {
        let table = self.table(key)?;
        let place = self.key_span(key);
        Some(Fields::new(table, place, self.problems))
    }

    /// See [`Value::read`].
    pub fn read<T: DeserializeOwned>(&mut self, key: &'static str) -> Option<T> {
        self.get(key)?.read(self.problems)
    }

    /// Reports every key that nobody asked for, with the nearest of those that were.
    pub fn finish(self) {
        for (key, span, _) in entries(self.table) {
            if !self.known.contains(&key) {
                self.problems.add(no_such_key(span, key, &self.known));
            }
        }
    }
}

fn no_such_key(span: Range<usize>, key: &str, known: &[&str]) -> Problem {
    let problem = Problem::at(span, "no key has this name here");
    match known {
        [] => problem,
        known => problem.hint(suggest(key, known, "Keys")),
    }
}

/// A range in words: "-60 to 0", "above 0 and below 24000", "0 or more".
pub fn words<T: std::fmt::Display>(range: &impl RangeBounds<T>) -> String {
    use Bound::{Excluded, Included, Unbounded};
    match (range.start_bound(), range.end_bound()) {
        (Included(a), Included(b)) => format!("{a} to {b}"),
        (Included(a), Excluded(b)) => format!("{a} or more and below {b}"),
        (Excluded(a), Included(b)) => format!("above {a} and up to {b}"),
        (Excluded(a), Excluded(b)) => format!("above {a} and below {b}"),
        (Included(a), Unbounded) => format!("{a} or more"),
        (Excluded(a), Unbounded) => format!("above {a}"),
        (Unbounded, Included(b)) => format!("up to {b}"),
        (Unbounded, Excluded(b)) => format!("below {b}"),
        (Unbounded, Unbounded) => "a number".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walked(text: &str, walk: impl FnOnce(&mut Fields)) -> Vec<String> {
        let mut problems = Problems::new("test file", "x.toml", text);
        let text = problems.text();
        if let Some(table) = parse(&text, &mut problems) {
            let mut fields = Fields::new(&table, None, &mut problems);
            walk(&mut fields);
            fields.finish();
        }
        let line = |p: &Problem| {
            let place = problems
                .place(p)
                .map(|p| format!("{}:{} ", p.line, p.column));
            let hint = p.hint.as_ref().map(|hint| format!(" | {hint}"));
            let text = p.message.clone();
            place.unwrap_or_default() + &text + &hint.unwrap_or_default()
        };
        problems.list().iter().take(50).map(line).collect()
    }

    #[test]
    fn getters_give_values_and_collect_what_is_wrong() {
        let text = "\
            whole = 80\nf = -1.5\ns = 'text'\nb = true\nlist = ['a', 'b']\nword = 'mic'\n\
            nan = nan\nbig = 1e999\nlarge = 61\nfraction = 1.5\nnumber = '80'\nmixed = ['a', 1, 2]\n\
            worb = 'mik'\nlavel = 1\n[level]\ntarget = -12\n";
        let found = walked(text, |f| {
            assert_eq!(f.f64("whole", ..), Some(80.0));
            assert_eq!(f.i64("whole", 1..=80), Some(80));
            assert_eq!(f.f64("f", -60.0..=0.0), Some(-1.5));
            assert_eq!(f.string("s"), Some("text"));
            assert_eq!(f.bool("b"), Some(true));
            assert_eq!(f.strings("list"), Some(vec!["a".into(), "b".into()]));
            assert_eq!(f.one_of("word", &["file", "mic"]), Some("mic"));
            assert_eq!(f.f64("absent", ..), None);
            let mut level = f.fields("level").expect("a table");
            assert_eq!(level.f64("target", -60.0..=0.0), Some(-12.0));
            level.require("measure");
            level.finish();
            f.f64("nan", ..);
            f.f64("big", ..);
            f.f64("large", -60.0..=60.0);
            f.i64("fraction", ..);
            f.f64("number", ..);
            f.strings("mixed");
            f.one_of("worb", &["file", "mic"]);
            f.require("about");
        });
        let want = [
            "`about` is missing",
            "7:7 expected a finite number",
            "8:7 expected a finite number",
            "9:9 expected -60 to 60",
            "10:12 expected a whole number",
            "11:10 expected a number",
            "12:15 expected a text in quotes",
            "12:18 expected a text in quotes",
            "13:8 expected one of `file`, `mic` | did you mean `mic`?",
        ];
        assert_eq!(found[..want.len()], want);
        assert!(
            found[9]
                .starts_with("14:1 no key has this name here | did you mean `level`? Keys: whole")
        );
        assert_eq!(found[10], "15:2 `measure` is missing");
        assert_eq!(found.len(), 11);
    }

    #[test]
    fn every_syntax_error_is_reported_and_a_duplicate_key_does_not_hide_the_rest() {
        let found = walked("a = \nb = ]\nc = 1\n", |_| ());
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(
            found[0].starts_with("1:") && found[1].starts_with("2:"),
            "{found:?}"
        );
        let found = walked("a = 1\na = 2\nb = 3\n", |f| _ = f.get("a"));
        assert_eq!(found[0], "2:1 this key stands here a second time");
        assert_eq!(found.len(), 2, "{found:?}");
    }

    #[test]
    fn a_decimal_comma_is_called_by_its_name() {
        let comma = |text: &str| {
            let found = walked(text, |_| ());
            found
                .iter()
                .any(|problem| problem.ends_with("a point within a number"))
        };
        for text in ["x = 1,5", "x = { a = 1,5, b = 2 }", "x = [ { a = 1,5 } ]"] {
            assert!(comma(text), "{text}");
        }
        for text in ["x = [ 1,5 ", "x = { a = 1, 5 }", "x = 1\ny = ,5"] {
            assert!(!comma(text), "{text}");
        }
    }

    #[test]
    fn deep_nesting_is_an_error_not_a_crash() {
        for (open, close) in [("[", "]"), ("{a=", "}")] {
            let text = format!("a = {}1{}", open.repeat(200_000), close.repeat(200_000));
            assert!(!walked(&text, |_| ()).is_empty());
        }
        let dotted = format!("a{} = 1", ".a".repeat(100_000));
        assert!(!walked(&dotted, |_| ()).is_empty());
        assert!(!walked(&"[a]\n".repeat(100_000), |f| _ = f.get("a")).is_empty());
    }

    #[test]
    fn ranges_are_said_in_words() {
        use Bound::Excluded;
        assert_eq!(words(&(-60.0..=0.0)), "-60 to 0");
        assert_eq!(words(&(0.0..)), "0 or more");
        assert_eq!(
            words(&(Excluded(0.0), Excluded(24_000.0))),
            "above 0 and below 24000"
        );
    }
}
