//! [`read`]: a whole struct or enum through serde, with every problem in it.
//!
//! serde stops at its first error. So the wrong key is taken out (or a missing one put in) and the
//! rest read again; what follows only from that is not reported.

use std::borrow::Cow;
use std::ops::Range;

use serde::de::{DeserializeOwned, IgnoredAny};
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue, ValueDeserializer};

use super::super::nearest;
use super::{Problem, Problems, no_such_key};

/// More wrong keys than this in one value are not looked for.
const ROUNDS: usize = 24;
/// Place of a value that stands in for a missing one: no text has it.
const STAND_IN: Range<usize> = usize::MAX - 1..usize::MAX;

/// What serde's words mean.
enum Meaning<'e> {
    UnknownKey(Vec<&'e str>),
    UnknownWord(Vec<&'e str>),
    Missing(&'e str),
    Count,
    Wrong(String),
}

pub(super) fn read<T: DeserializeOwned>(
    mut value: Spanned<DeValue<'_>>,
    problems: &mut Problems,
) -> Option<T> {
    // Keys of which enough is said.
    let mut settled: Vec<String> = Vec::new();
    take_out_non_finite(value.get_mut(), &mut settled, problems);
    let mut sound = settled.is_empty();
    for _ in 0..ROUNDS {
        let error = match T::deserialize(ValueDeserializer::from(value.clone())) {
            Ok(read) => return sound.then_some(read),
            Err(error) => error,
        };
        sound = false;
        let span = error.span().unwrap_or_else(|| value.span());
        if span == STAND_IN {
            break;
        }
        match meaning(error.message()) {
            Meaning::UnknownKey(known) => {
                let key = take_out(value.get_mut(), &span)?;
                settled.extend(nearest(&key, &known).map(str::to_owned));
                problems.add(no_such_key(span, &key, &known));
            }
            Meaning::UnknownWord(known) => {
                let word = problems.text().get(span.clone()).map(str::to_owned);
                let word = word.unwrap_or_default();
                let word = word.trim_matches(['"', '\'']);
                problems.add(not_among(span.clone(), word, &known));
                settled.push(take_out(value.get_mut(), &span)?);
            }
            Meaning::Missing(key) => {
                let place = key_of(value.get_ref(), &span).unwrap_or_else(|| span.clone());
                let stand_in = Spanned::new(STAND_IN, DeValue::Integer(Default::default()));
                let table = table_at(&mut value, &span)?;
                table.insert(Spanned::new(STAND_IN, Cow::Owned(key.to_owned())), stand_in);
                if !settled.iter().any(|settled| settled == key) {
                    problems.add(Problem::at(place, format!("`{key}` is missing")));
                }
            }
            Meaning::Count => {
                if settled.is_empty() {
                    problems.add(Problem::at(span, "expected exactly one key"));
                }
                return None;
            }
            Meaning::Wrong(message) => {
                problems.add(Problem::at(span.clone(), message));
                settled.push(take_out(value.get_mut(), &span)?);
            }
        }
    }
    None
}

/// The words that stand for the variants of an externally tagged enum, as serde knows them.
pub fn variants<T: DeserializeOwned>() -> Vec<String> {
    let nothing = DeValue::String(Cow::Borrowed("\0"));
    let nothing = ValueDeserializer::from(Spanned::new(0..0, nothing));
    let message = T::deserialize(nothing).map(|_| IgnoredAny);
    let message = message.err().map(|error| error.message().to_owned());
    match meaning(&message.unwrap_or_default()) {
        Meaning::UnknownWord(words) => words.into_iter().map(str::to_owned).collect(),
        _ => Vec::new(),
    }
}

pub(super) fn not_among(span: Range<usize>, word: &str, words: &[&str]) -> Problem {
    let problem = Problem::at(span, format!("expected one of `{}`", words.join("`, `")));
    match nearest(word, words) {
        Some(word) => problem.hint(format!("did you mean `{word}`?")),
        None => problem,
    }
}

fn meaning(message: &str) -> Meaning<'_> {
    // The word itself is foreign text: what is expected stands behind the last backtick pair of it.
    let expected = || {
        let (_, list) = message.rsplit_once(", expected ").unwrap_or_default();
        list.split('`').skip(1).step_by(2).collect()
    };
    if message.starts_with("unknown field ") {
        Meaning::UnknownKey(expected())
    } else if message.starts_with("unknown variant ") {
        Meaning::UnknownWord(expected())
    } else if let Some(key) = message.strip_prefix("missing field ") {
        Meaning::Missing(key.trim_matches('`'))
    } else if message.starts_with("wanted exactly 1 element") {
        Meaning::Count
    } else if message.ends_with("number overflowed") {
        Meaning::Wrong("expected a smaller number".to_owned())
    } else if message.starts_with("invalid type") || message.starts_with("invalid value") {
        let expected = message.rsplit_once(", expected ").map_or("", |(_, e)| e);
        Meaning::Wrong(format!("expected {}", in_words(expected)))
    } else if let Some(expected) = message.strip_prefix("wanted ") {
        Meaning::Wrong(format!("expected {}", in_words(expected)))
    } else {
        Meaning::Wrong(message.to_owned())
    }
}

/// serde's name of a type, as a person would say it.
fn in_words(expected: &str) -> &str {
    match expected {
        "f64" | "f32" => "a number",
        "u8" => "a whole number from 0 to 255",
        "u16" | "u32" | "u64" | "usize" => "a whole number, 0 or more",
        "i8" | "i16" | "i32" | "i64" => "a whole number",
        "a boolean" => "true or false",
        "a string" | "string or table" => "a text in quotes",
        "a sequence" => "an array, `[ … ]`",
        "a map" => "a table, `{ … }`",
        other if other.starts_with("struct ") => "a table, `{ … }`",
        other if other.starts_with("enum ") => "a text in quotes",
        other => other,
    }
}

/// Takes the entry out whose key or value stands at `span`, and gives its key.
fn take_out(value: &mut DeValue<'_>, span: &Range<usize>) -> Option<String> {
    match value {
        DeValue::Table(table) => {
            let here = table
                .iter()
                .find(|(k, v)| k.span() == *span || v.span() == *span);
            if let Some(key) = here.map(|(key, _)| key.get_ref().to_string()) {
                table.remove(key.as_str());
                return Some(key);
            }
            let mut values = table.iter_mut().map(|(_, value)| value);
            values.find_map(|value| take_out(value.get_mut(), span))
        }
        DeValue::Array(items) => {
            if items.iter().any(|item| item.span() == *span) {
                retain(items, |item| item.span() != *span);
                return Some(String::new());
            }
            items
                .iter_mut()
                .find_map(|item| take_out(item.get_mut(), span))
        }
        _ => None,
    }
}

/// Place of the key whose value stands at `span`.
fn key_of(value: &DeValue<'_>, span: &Range<usize>) -> Option<Range<usize>> {
    match value {
        DeValue::Table(table) => table.iter().find_map(|(key, value)| {
            let here = (value.span() == *span).then(|| key.span());
            here.or_else(|| key_of(value.get_ref(), span))
        }),
        DeValue::Array(items) => items.iter().find_map(|item| key_of(item.get_ref(), span)),
        _ => None,
    }
}

/// The table that stands at `span`.
fn table_at<'v, 't>(
    value: &'v mut Spanned<DeValue<'t>>,
    span: &Range<usize>,
) -> Option<&'v mut DeTable<'t>> {
    let here = value.span() == *span;
    match value.get_mut() {
        DeValue::Table(table) => match here {
            true => Some(table),
            false => table
                .iter_mut()
                .find_map(|(_, value)| table_at(value, span)),
        },
        DeValue::Array(items) => items.iter_mut().find_map(|item| table_at(item, span)),
        _ => None,
    }
}

/// TOML has nan and inf, and numbers too large for a float; none of them is a setting.
fn take_out_non_finite(value: &mut DeValue<'_>, keys: &mut Vec<String>, problems: &mut Problems) {
    let mut finite = |key: &str, value: &Spanned<DeValue<'_>>| {
        let DeValue::Float(float) = value.get_ref() else {
            return true;
        };
        let finite = float.as_str().parse().is_ok_and(f64::is_finite);
        if !finite {
            keys.push(key.to_owned());
            problems.add(Problem::at(value.span(), "expected a finite number"));
        }
        finite
    };
    match value {
        DeValue::Table(table) => {
            let wrong = table
                .iter()
                .filter(|(key, value)| !finite(key.get_ref(), value));
            let wrong: Vec<_> = wrong.map(|(key, _)| key.get_ref().to_string()).collect();
            for key in &wrong {
                table.remove(key.as_str());
            }
            for (_, value) in table.iter_mut() {
                take_out_non_finite(value.get_mut(), keys, problems);
            }
        }
        DeValue::Array(items) => {
            retain(items, |item| finite("", item));
            for item in items.iter_mut() {
                take_out_non_finite(item.get_mut(), keys, problems);
            }
        }
        _ => {}
    }
}

fn retain<'t>(items: &mut DeArray<'t>, mut keep: impl FnMut(&Spanned<DeValue<'t>>) -> bool) {
    let all = std::mem::replace(items, DeArray::new());
    *items = all.into_iter().filter(|item| keep(item)).collect();
}

#[cfg(test)]
mod tests {
    use super::super::{Fields, parse};
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Bell {
        freq_hz: f64,
        gain_db: f64,
        order: u8,
        #[serde(default)]
        shape: Option<Shape>,
        #[serde(default)]
        on: bool,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(rename_all = "kebab-case")]
    enum Shape {
        Round,
        VeryFlat,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(rename_all = "kebab-case")]
    enum Line {
        Bell(Bell),
    }

    fn read_line(line: &str) -> (Option<Line>, Vec<String>) {
        let mut problems = Problems::new("test file", "x.toml", &format!("line = {line}"));
        let text = problems.text();
        let table = parse(&text, &mut problems).expect("lawful TOML");
        let line = Fields::new(&table, None, &mut problems).read("line");
        let marked = |p: &Problem| {
            let marked = p.span.clone().and_then(|span| text.get(span));
            format!("{}: {}", marked.unwrap_or_default(), p.message)
        };
        (line, problems.list().iter().map(marked).collect())
    }

    #[test]
    fn a_right_value_is_read() {
        let (line, problems) = read_line(
            "{ bell = { freq_hz = 80, gain_db = -1.5, order = 2, shape = 'very-flat' } }",
        );
        let shape = Some(Shape::VeryFlat);
        let want = Bell {
            freq_hz: 80.0,
            gain_db: -1.5,
            order: 2,
            shape,
            on: false,
        };
        assert_eq!((line, problems), (Some(Line::Bell(want)), vec![]));
    }

    #[test]
    fn every_wrong_key_is_reported_once_with_its_place() {
        let (line, problems) = read_line(
            "{ bell = { freq = 80, gain_db = '3', order = 2.5, shape = 'rond', on = 1, x = nan } }",
        );
        assert_eq!(line, None);
        let want = [
            "freq: no key has this name here",
            "'3': expected a number",
            "2.5: expected a whole number from 0 to 255",
            "'rond': expected one of `round`, `very-flat`",
            "1: expected true or false",
            "nan: expected a finite number",
        ];
        assert_eq!(problems, want);
    }

    #[test]
    fn every_missing_key_is_reported_at_the_key_of_its_table() {
        let want = ["freq_hz", "gain_db", "order"].map(|key| format!("bell: `{key}` is missing"));
        assert_eq!(read_line("{ bell = {} }").1, want);
    }

    #[test]
    fn wrong_shapes_are_reported() {
        for (line, want) in [
            ("{ bell = 80 }", "80: expected a table, `{ … }`"),
            ("{}", "{}: expected exactly one key"),
            ("{ bel = {} }", "bel: expected one of `bell`"),
            ("80", "80: expected a text in quotes"),
        ] {
            assert_eq!(read_line(line).1, [want], "{line}");
        }
        for line in ["[]", "{ bell = {}, bell2 = {} }", "'bell'", "1979-05-27"] {
            let (read, problems) = read_line(line);
            assert!(read.is_none() && !problems.is_empty(), "{line}");
        }
    }

    #[test]
    fn an_enum_names_its_variants() {
        assert_eq!(variants::<Shape>(), ["round", "very-flat"]);
        assert_eq!(variants::<Line>(), ["bell"]);
    }
}
