//! [`read`]: a whole struct or enum through serde, with every problem in it.
//!
//! serde stops at its first error. So an unknown key is taken out, a value stands in for a wrong or
//! missing one, and all is read again; what is wrong with a stand-in is not reported.

use std::borrow::Cow;
use std::ops::Range;

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue, ValueDeserializer};

use super::super::nearest;
use super::{Problem, Problems, no_such_key};

/// More rounds than this are not made; a problem takes one to four.
const ROUNDS: usize = 64;
/// Stand-ins have places from here on: no text has them.
const STAND_INS: usize = usize::MAX / 2;

/// What serde's words mean.
enum Meaning<'e> {
    UnknownKey(Vec<&'e str>),
    UnknownWord(Vec<&'e str>),
    Missing(&'e str),
    Count,
    /// In a person's words, with a value that would do.
    Wrong(String, Option<DeValue<'static>>),
}

pub(super) fn read<T: DeserializeOwned>(
    mut value: Spanned<DeValue<'_>>,
    problems: &mut Problems,
) -> Option<T> {
    // Keys that a misspelt one was meant to be: they are not reported as missing.
    let mut meant: Vec<String> = Vec::new();
    let mut sound = replace_non_finite(&mut value, problems);
    for round in 0..ROUNDS {
        let error = match T::deserialize(ValueDeserializer::from(value.clone())) {
            Ok(read) => return sound.then_some(read),
            Err(error) => error,
        };
        sound = false;
        let span = error.span().unwrap_or_else(|| value.span());
        let own = span.start < STAND_INS;
        let stand_in = |value| Spanned::new(STAND_INS + round..STAND_INS + round + 1, value);
        match meaning(error.message()) {
            Meaning::UnknownKey(known) => {
                let key = take_out(&mut value, &span)?;
                meant.extend(nearest(&key, &known).map(str::to_owned));
                problems.add(no_such_key(span, &key, &known));
            }
            Meaning::UnknownWord(known) => {
                if own {
                    let text = problems.text();
                    let word = text.get(span.clone()).unwrap_or_default();
                    let word = word.trim_matches(['"', '\'']);
                    problems.add(not_among(span.clone(), word, &known));
                }
                let word = known.first()?.to_string();
                *value_at(&mut value, &span)? = stand_in(DeValue::String(Cow::Owned(word)));
            }
            Meaning::Missing(key) => {
                if own && !meant.iter().any(|meant| meant == key) {
                    let place = key_of(&value, &span).unwrap_or_else(|| span.clone());
                    problems.add(Problem::at(place, format!("`{key}` is missing")));
                }
                let DeValue::Table(table) = value_at(&mut value, &span)?.get_mut() else {
                    return None;
                };
                let key = Spanned::new(0..0, Cow::Owned(key.to_owned()));
                table.insert(key, stand_in(DeValue::Integer(Default::default())));
            }
            Meaning::Count => {
                if own {
                    problems.add(Problem::at(span, "expected exactly one key"));
                }
                return None;
            }
            Meaning::Wrong(message, instead) => {
                if own {
                    problems.add(Problem::at(span.clone(), message));
                }
                *value_at(&mut value, &span)? = stand_in(instead?);
            }
        }
    }
    None
}

/// The words that stand for the variants of an externally tagged enum, as serde knows them.
pub fn variants<T: DeserializeOwned>() -> Vec<String> {
    let nothing = Spanned::new(0..0, DeValue::String(Cow::Borrowed("\0")));
    let error = T::deserialize(ValueDeserializer::from(nothing)).err();
    let message = error.map(|error| error.message().to_owned());
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
    // The wrong word is foreign text and may say anything; what serde expects comes last.
    let (_, expected) = message.rsplit_once(", expected ").unwrap_or_default();
    let names = || expected.split('`').skip(1).step_by(2).collect();
    if message.starts_with("unknown field ") {
        Meaning::UnknownKey(names())
    } else if message.starts_with("unknown variant ") {
        Meaning::UnknownWord(names())
    } else if let Some(key) = message.strip_prefix("missing field ") {
        Meaning::Missing(key.trim_matches('`'))
    } else if message.starts_with("wanted exactly 1 element") {
        Meaning::Count
    } else if message.ends_with("number overflowed") {
        let zero = DeValue::Integer(Default::default());
        Meaning::Wrong("expected a smaller number".to_owned(), Some(zero))
    } else if message.starts_with("invalid type") || message.starts_with("invalid value") {
        wrong(expected)
    } else if let Some(wanted) = message.strip_prefix("wanted ") {
        wrong(wanted)
    } else {
        Meaning::Wrong(message.to_owned(), None)
    }
}

/// serde's name of a type, as a person would say it.
fn wrong(expected: &str) -> Meaning<'_> {
    let text = || Some(DeValue::String(Cow::Borrowed("\0")));
    let number = || Some(DeValue::Integer(Default::default()));
    let (words, instead) = match expected {
        "f64" | "f32" => ("a number", number()),
        "u8" | "u16" | "u32" | "u64" | "usize" | "i8" | "i16" | "i32" | "i64" => {
            ("a whole number", number())
        }
        "a boolean" => ("true or false", Some(DeValue::Boolean(false))),
        "a string" | "string or table" => ("a text in quotes", text()),
        "a sequence" => ("an array, `[ … ]`", Some(DeValue::Array(DeArray::new()))),
        "a map" => ("a table, `{ … }`", Some(DeValue::Table(DeTable::new()))),
        other if other.starts_with("struct ") => {
            ("a table, `{ … }`", Some(DeValue::Table(DeTable::new())))
        }
        other if other.starts_with("enum ") => ("a text in quotes", text()),
        other => (other, None),
    };
    Meaning::Wrong(format!("expected {words}"), instead)
}

/// The value that stands at `span`.
fn value_at<'v, 't>(
    value: &'v mut Spanned<DeValue<'t>>,
    span: &Range<usize>,
) -> Option<&'v mut Spanned<DeValue<'t>>> {
    if value.span() == *span {
        return Some(value);
    }
    match value.get_mut() {
        DeValue::Table(table) => table.iter_mut().find_map(|(_, v)| value_at(v, span)),
        DeValue::Array(items) => items.iter_mut().find_map(|v| value_at(v, span)),
        _ => None,
    }
}

/// Takes the entry out whose key stands at `span`, and gives its key.
fn take_out(value: &mut Spanned<DeValue<'_>>, span: &Range<usize>) -> Option<String> {
    match value.get_mut() {
        DeValue::Table(table) => {
            let here = table.keys().find(|key| key.span() == *span);
            if let Some(key) = here.map(|key| key.get_ref().to_string()) {
                table.remove(key.as_str());
                return Some(key);
            }
            table.iter_mut().find_map(|(_, v)| take_out(v, span))
        }
        DeValue::Array(items) => items.iter_mut().find_map(|v| take_out(v, span)),
        _ => None,
    }
}

/// Place of the key whose value stands at `span`.
fn key_of(value: &Spanned<DeValue<'_>>, span: &Range<usize>) -> Option<Range<usize>> {
    match value.get_ref() {
        DeValue::Table(table) => table.iter().find_map(|(key, value)| {
            let here = (value.span() == *span).then(|| key.span());
            here.or_else(|| key_of(value, span))
        }),
        DeValue::Array(items) => items.iter().find_map(|item| key_of(item, span)),
        _ => None,
    }
}

/// TOML has nan and inf, and numbers too large for a float; none of them is a setting.
/// Whether there was none.
fn replace_non_finite(value: &mut Spanned<DeValue<'_>>, problems: &mut Problems) -> bool {
    let span = value.span();
    let mut sound = true;
    match value.get_mut() {
        DeValue::Table(table) => {
            for (_, value) in table.iter_mut() {
                sound &= replace_non_finite(value, problems);
            }
        }
        DeValue::Array(items) => {
            for item in items.iter_mut() {
                sound &= replace_non_finite(item, problems);
            }
        }
        DeValue::Float(float) if !float.as_str().parse().is_ok_and(f64::is_finite) => {
            problems.add(Problem::at(span, "expected a finite number"));
            let zero = DeValue::Integer(Default::default());
            *value = Spanned::new(STAND_INS - 1..STAND_INS, zero);
            sound = false;
        }
        _ => {}
    }
    sound
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
            "2.5: expected a whole number",
            "'rond': expected one of `round`, `very-flat`",
            "1: expected true or false",
            "x: no key has this name here",
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
