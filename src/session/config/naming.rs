//! [`Template`]: what outputs are called.

use std::ops::Range;

use crate::session::slug::reserved;

/// The template where a session file gives none.
pub const DEFAULT: &str = "{song}_{take}_{mic}";
/// Bytes of a name at most, without its ending: room for a temporary name beside it.
pub const MAX_NAME: usize = 200;
/// What may stand between braces.
pub const FIELDS: [&str; 9] = [
    "song", "take", "mic", "side", "group", "date", "rate", "bits", "text",
];

/// What the fields stand for; all but `text` and `date` are slugs, so nothing of them can leave a
/// folder. An empty one is left out together with the separator before it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fields<'a> {
    /// Slug of the song.
    pub song: &'a str,
    /// `take-03`.
    pub take: &'a str,
    /// The track's label: `snare-top`, `china-r`, `snare-top-2`.
    pub mic: &'a str,
    /// `l`, `r`, `c` or nothing.
    pub side: &'a str,
    /// The group that the mic is in.
    pub group: &'a str,
    /// As the session file gives it.
    pub date: &'a str,
    /// Frames a second of the output: `48000`.
    pub rate: &'a str,
    /// `16`, `24`, `32f`.
    pub bits: &'a str,
    /// The session file's own text.
    pub text: &'a str,
}

/// What is wrong with a template.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// Bytes of the template.
    pub at: Range<usize>,
    /// What was expected.
    pub message: String,
    /// The word that was not understood, if one was.
    pub word: Option<String>,
}

#[derive(Clone, Debug, PartialEq)]
enum Part {
    Text(String),
    Field(&'static str),
}

/// A checked template: `{song}_{take}_{mic}`.
#[derive(Clone, Debug, PartialEq)]
pub struct Template {
    parts: Vec<Part>,
}

impl Default for Template {
    fn default() -> Self {
        Self::parse(DEFAULT).expect("the default is right")
    }
}

impl Template {
    /// Reads a template.
    ///
    /// # Errors
    /// Every fault: an unknown field, a brace without its other, a character that is not an ASCII
    /// letter, digit, space or one of `-_.+`, no field at all.
    pub fn parse(text: &str) -> Result<Self, Vec<Fault>> {
        let mut faults = Vec::new();
        let mut parts = Vec::new();
        let mut at = 0;
        while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
            if let Some(inside) = rest.strip_prefix('{') {
                let Some(end) = inside.find('}') else {
                    faults.push(Fault::new(at..text.len(), "expected a `}` after this `{`"));
                    break;
                };
                let word = inside.get(..end).unwrap_or_default();
                match FIELDS.iter().find(|field| **field == word) {
                    Some(field) => parts.push(Part::Field(field)),
                    None => faults.push(Fault {
                        word: Some(word.to_owned()),
                        ..Fault::new(at..at + end + 2, "no field has this name")
                    }),
                }
                at += end + 2;
            } else {
                let end = rest.find('{').unwrap_or(rest.len());
                let literal = rest.get(..end).unwrap_or_default();
                let wrong = |c: char| !is_portable(c);
                faults.extend(literal.char_indices().filter(|(_, c)| wrong(*c)).map(|(i, c)| {
                    let message = "expected ASCII letters, digits, spaces and `-`, `_`, `.`, `+` \
                                   between the fields";
                    Fault::new(at + i..at + i + c.len_utf8(), message)
                }));
                parts.push(Part::Text(literal.to_owned()));
                at += end;
            }
        }
        if faults.is_empty() && !parts.iter().any(|p| matches!(p, Part::Field(_))) {
            faults.push(Fault::new(
                0..text.len(),
                "expected a field, as `{mic}`: without one all names are the same",
            ));
        }
        match faults.is_empty() {
            true => Ok(Self { parts }),
            false => Err(faults),
        }
    }

    /// Whether it has this field.
    pub fn has(&self, field: &str) -> bool {
        let this = |part: &Part| matches!(part, Part::Field(name) if *name == field);
        self.parts.iter().any(this)
    }

    /// The name, without ending.
    ///
    /// # Errors
    /// In words: it is empty, longer than [`MAX_NAME`], begins with `.` or `-`, ends with `.` or a
    /// space, or is a name that some systems keep for themselves.
    pub fn name(&self, fields: &Fields) -> Result<String, String> {
        let mut name = String::new();
        for part in &self.parts {
            let field = match part {
                Part::Text(text) => {
                    name.push_str(text);
                    continue;
                }
                Part::Field(field) => fields.get(field),
            };
            if field.is_empty() {
                let kept = name.trim_end_matches(['_', '-', ' ', '.', '+']).len();
                name.truncate(kept);
            } else if name.is_empty() {
                name.push_str(field.trim_start_matches(['_', '-', ' ', '.', '+']));
            } else {
                name.push_str(field);
            }
        }
        let name = name.trim_matches(|c| matches!(c, ' ' | '_')).to_owned();
        if name.is_empty() {
            Err("is empty".to_owned())
        } else if name.len() > MAX_NAME {
            Err(format!("has {} bytes, more than {MAX_NAME}", name.len()))
        } else if name.starts_with(['.', '-']) {
            Err(format!("`{name}` begins with `.` or `-`"))
        } else if name.ends_with('.') {
            Err(format!("`{name}` ends with `.`"))
        } else if let Some(c) = name.chars().find(|c| !is_portable(*c)) {
            Err(format!(
                "`{name}` has the character {c:?}, which not every file system takes"
            ))
        } else if reserved(&name) {
            Err(format!(
                "`{name}` is a name that some systems keep for themselves"
            ))
        } else {
            Ok(name)
        }
    }
}

impl Fault {
    fn new(at: Range<usize>, message: impl Into<String>) -> Self {
        Self {
            at,
            message: message.into(),
            word: None,
        }
    }
}

impl<'a> Fields<'a> {
    fn get(&self, field: &str) -> &'a str {
        match field {
            "song" => self.song,
            "take" => self.take,
            "mic" => self.mic,
            "side" => self.side,
            "group" => self.group,
            "date" => self.date,
            "rate" => self.rate,
            "bits" => self.bits,
            _ => self.text,
        }
    }
}

/// Whether every file system takes this character within a name.
pub(in crate::session) fn is_portable(c: char) -> bool {
    c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '+' | ' ')
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELDS: Fields = Fields {
        song: "low-tide",
        take: "take-03",
        mic: "china-r",
        side: "r",
        group: "cymbals",
        date: "",
        rate: "48000",
        bits: "24",
        text: "",
    };

    #[test]
    fn fields_are_filled_in_and_empty_ones_leave_no_gap() {
        for (template, want) in [
            ("{song}_{take}_{mic}", "low-tide_take-03_china-r"),
            ("{mic}_{date}_{rate}", "china-r_48000"),
            ("{date}_{mic}", "china-r"),
            ("{mic}_{text}", "china-r"),
            ("Kit {group} - {mic}", "Kit cymbals - china-r"),
        ] {
            let template = Template::parse(template).expect("a template");
            assert_eq!(template.name(&FIELDS).as_deref(), Ok(want));
        }
    }

    #[test]
    fn every_fault_is_found_with_its_place() {
        let places = |text: &str| -> Vec<_> {
            let faults = Template::parse(text).expect_err("faults");
            faults.into_iter().map(|f| (f.at, f.word)).collect()
        };
        assert_eq!(
            places("{sogn}/{mic}"),
            [(0..6, Some("sogn".into())), (6..7, None)]
        );
        assert_eq!(places("{mic"), [(0..4, None)]);
        assert_eq!(places("../x"), [(2..3, None)]);
        assert_eq!(places("stem"), [(0..4, None)]);
        assert_eq!(places("ä{mic}"), [(0..2, None)]);
    }

    #[test]
    fn names_that_not_every_system_takes_are_refused() {
        let name = |template: &str, fields: &Fields| {
            Template::parse(template).expect("a template").name(fields)
        };
        assert!(name("CON.{mic}", &FIELDS).is_err());
        assert!(name(".{mic}", &FIELDS).is_err());
        assert!(name("{mic}.", &FIELDS).is_err());
        assert!(name("{text}", &FIELDS).is_err());
        let long = "x".repeat(MAX_NAME + 1);
        let long = Fields {
            mic: &long,
            ..FIELDS
        };
        assert!(name("{mic}", &long).is_err());
    }
}
