//! [`Key`]: one row for each key of a table. What reads it, its schema, its line in a new session file
//! and in the list of keys all follow from that row.

use std::ops::{Range, RangeInclusive};

use serde_json::{Map, Value as Json, json};
use toml::de::DeTable;

use super::Polarity;
use super::init::Found;
use super::read::mics;
use super::schema;
use crate::problem::walk::{Fields, Value};
use crate::problem::{Problems, quoted};
use crate::session::Mic;

/// A key of a table that is read into a `T`.
pub(super) struct Key<T: 'static> {
    /// As it is written.
    pub name: &'static str,
    /// What it means, in one or two sentences without a full stop at the end.
    pub about: &'static str,
    /// What its value may be, and where it goes.
    pub kind: &'static dyn Kind<T>,
    /// How a new session file shows it.
    pub shown: Shown,
}

/// How a new session file shows a key.
pub(super) enum Shown {
    /// A line with the default.
    Default,
    /// A comment with this value.
    Example(&'static str),
    /// These lines, made of what was found.
    Lines(fn(&Found) -> Vec<String>),
    /// Not at all: a line of its table shows it, or few need it.
    Not,
    /// As `Not`, and a table without it is wrong.
    Required,
}

impl Shown {
    fn is_default(&self) -> bool {
        matches!(self, Self::Default)
    }
}

/// What a value may be, and where it goes.
pub(super) trait Kind<T> {
    /// Reads the value, or adds what is wrong with it.
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems);

    /// The JSON Schema of the value.
    fn schema(&self) -> Json;

    /// What `of` holds, as TOML; `None`: nothing that could be written.
    fn written(&self, _of: &mut T) -> Option<String> {
        None
    }

    /// The keys, if it is a table.
    fn keys(&self) -> Option<&'static [Key<T>]> {
        None
    }
}

/// Where a value goes: a field that has a default, or one that may stay empty.
pub(super) trait Slot<V> {
    fn put(&mut self, value: V);
    fn held(&self) -> Option<&V>;
}

impl<V> Slot<V> for V {
    fn put(&mut self, value: V) {
        *self = value;
    }

    fn held(&self) -> Option<&V> {
        Some(self)
    }
}

impl<V> Slot<V> for Option<V> {
    fn put(&mut self, value: V) {
        *self = Some(value);
    }

    fn held(&self) -> Option<&V> {
        self.as_ref()
    }
}

/// A number in a range.
pub(super) struct Number<T, S>(pub RangeInclusive<f64>, pub fn(&mut T) -> &mut S);

impl<T, S: Slot<f64>> Kind<T> for Number<T, S> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        if let Some(number) = value.f64(self.0.clone(), problems) {
            self.1(into).put(number);
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": "number", "minimum": self.0.start(), "maximum": self.0.end() })
    }

    fn written(&self, of: &mut T) -> Option<String> {
        Slot::<f64>::held(self.1(of)).map(f64::to_string)
    }
}

/// A whole number in a range.
pub(super) struct Whole<T, V: 'static>(pub RangeInclusive<i64>, pub fn(&mut T) -> &mut Option<V>);

impl<T, V: TryFrom<i64>> Kind<T> for Whole<T, V> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        if let Some(number) = value.i64(self.0.clone(), problems) {
            *self.1(into) = V::try_from(number).ok();
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": "integer", "minimum": self.0.start(), "maximum": self.0.end() })
    }
}

/// `true` or `false`.
pub(super) struct Flag<T, S>(pub fn(&mut T) -> &mut S);

impl<T, S: Slot<bool>> Kind<T> for Flag<T, S> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        if let Some(flag) = value.bool(problems) {
            self.0(into).put(flag);
        }
    }

    fn schema(&self) -> Json {
        schema::flag()
    }

    fn written(&self, of: &mut T) -> Option<String> {
        Slot::<bool>::held(self.0(of)).map(bool::to_string)
    }
}

/// Any text.
pub(super) struct Text<T, S>(pub fn(&mut T) -> &mut S);

impl<T, S: Slot<String>> Kind<T> for Text<T, S> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        if let Some(text) = value.string(problems) {
            self.0(into).put(text.to_owned());
        }
    }

    fn schema(&self) -> Json {
        schema::text()
    }
}

/// One of a few words, each with what it stands for.
pub(super) struct OneOf<T, V: 'static>(pub &'static [(&'static str, V)], pub fn(&mut T) -> &mut V);

impl<T, V: Copy + PartialEq> Kind<T> for OneOf<T, V> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        let words: Vec<&str> = self.0.iter().map(|(word, _)| *word).collect();
        let word = value.one_of(&words, problems);
        if let Some((_, meant)) = self.0.iter().find(|(own, _)| Some(*own) == word) {
            *self.1(into) = *meant;
        }
    }

    fn schema(&self) -> Json {
        let words: Vec<&str> = self.0.iter().map(|(word, _)| *word).collect();
        json!({ "enum": words })
    }

    fn written(&self, of: &mut T) -> Option<String> {
        let held = *self.1(of);
        let word = self.0.iter().find(|(_, meant)| *meant == held);
        word.map(|(word, _)| quoted(word))
    }
}

/// An array of mics.
pub(super) struct Mics<T, S>(pub fn(&mut T) -> &mut S);

impl<T, S: Slot<Vec<Mic>>> Kind<T> for Mics<T, S> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        if let Some(list) = value.array(problems) {
            self.0(into).put(mics(list, problems));
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": "array", "items": { "$ref": "#/$defs/Mic" } })
    }

    fn written(&self, of: &mut T) -> Option<String> {
        let names = |mics: &Vec<Mic>| mics.iter().map(|m| quoted(m.name())).collect::<Vec<_>>();
        let list = Slot::<Vec<Mic>>::held(self.0(of)).map(names);
        list.map(|list| format!("[{}]", list.join(", ")))
    }
}

impl Slot<Vec<Mic>> for Polarity {
    fn put(&mut self, mics: Vec<Mic>) {
        *self = Self::Mics(mics);
    }

    fn held(&self) -> Option<&Vec<Mic>> {
        None
    }
}

/// A table of its own whose keys are read into the same value.
pub(super) struct Table<T: 'static>(pub &'static [Key<T>]);

impl<T: Default> Kind<T> for Table<T> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        read_table(self.0, into, value, problems);
    }

    fn schema(&self) -> Json {
        object(self.0)
    }

    fn keys(&self) -> Option<&'static [Key<T>]> {
        Some(self.0)
    }
}

/// What fits none of the above.
pub(super) struct Own<T> {
    pub read: fn(&mut T, Value, &mut Problems),
    pub schema: fn() -> Json,
}

impl<T> Kind<T> for Own<T> {
    fn read(&self, into: &mut T, value: Value, problems: &mut Problems) {
        (self.read)(into, value, problems);
    }

    fn schema(&self) -> Json {
        (self.schema)()
    }
}

/// Reads all keys of a table, in the order of the rows, and reports those that there are none of.
pub(super) fn read_keys<T>(
    keys: &'static [Key<T>],
    into: &mut T,
    table: &DeTable,
    place: Option<Range<usize>>,
    problems: &mut Problems,
) {
    let mut fields = Fields::new(table, place, problems);
    for key in keys {
        if matches!(key.shown, Shown::Required) {
            fields.require(key.name);
        }
        if let Some(value) = fields.get(key.name) {
            key.kind.read(into, value, fields.problems);
        }
    }
    fields.finish();
}

/// The same of a value that has to be a table.
pub(super) fn read_table<T>(
    keys: &'static [Key<T>],
    into: &mut T,
    value: Value,
    problems: &mut Problems,
) {
    if let Some(table) = value.table(problems) {
        read_keys(keys, into, table, Some(value.span()), problems);
    }
}

/// An array of tables.
pub(super) fn read_list<T: Default>(
    keys: &'static [Key<T>],
    value: Value,
    problems: &mut Problems,
) -> Vec<T> {
    let list = value.array(problems);
    let read = |value: Value| {
        let mut entry = T::default();
        read_table(keys, &mut entry, value, problems);
        entry
    };
    list.into_iter().flatten().map(read).collect()
}

/// The JSON Schema of a table.
pub(super) fn object<T: Default>(keys: &'static [Key<T>]) -> Json {
    let property = |key: &Key<T>| {
        let mut schema = json!({ "description": format!("{}.", key.about) });
        if let (Some(all), Json::Object(own)) = (schema.as_object_mut(), key.kind.schema()) {
            all.extend(own);
        }
        // What is written of numbers, words and lists of them is JSON, too.
        let default = key
            .kind
            .written(&mut T::default())
            .filter(|_| key.shown.is_default());
        if let Some(default) = default.and_then(|text| serde_json::from_str(&text).ok()) {
            schema["default"] = default;
        }
        (key.name.to_owned(), schema)
    };
    let required = keys.iter().filter(|k| matches!(k.shown, Shown::Required));
    let required: Vec<&str> = required.map(|key| key.name).collect();
    let mut schema = json!({
        "type": "object",
        "additionalProperties": false,
        "properties": Map::from_iter(keys.iter().map(property)),
    });
    if !required.is_empty() {
        schema["required"] = json!(required);
    }
    schema
}
