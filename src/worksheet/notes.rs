//! [`Notes`]: the comments of a worksheet, each with the line that it belongs to.

use std::collections::BTreeMap;

/// A line of a worksheet that comments may belong to.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The track; empty above all of them.
    key: String,
    /// The head of the table, a value, or a stage by its number.
    spot: Spot,
}

#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Spot {
    Head,
    Value(String),
    Stage(usize),
    End,
}

impl Place {
    /// A value above all tracks.
    pub fn top(name: &str) -> Self {
        Self::value("", name)
    }

    /// The first line of a track.
    pub fn head(key: &str) -> Self {
        Self {
            key: key.to_owned(),
            spot: Spot::Head,
        }
    }

    /// A value of a track.
    pub fn value(key: &str, name: &str) -> Self {
        Self {
            key: key.to_owned(),
            spot: Spot::Value(name.to_owned()),
        }
    }

    /// A stage of a track; a number beyond all of them: the end of the list.
    pub fn stage(key: &str, number: usize) -> Self {
        Self {
            key: key.to_owned(),
            spot: Spot::Stage(number),
        }
    }

    fn end() -> Self {
        Self {
            key: String::new(),
            spot: Spot::End,
        }
    }
}

/// Comments by the line that they stand above or behind, each with its `#`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Notes(BTreeMap<Place, Vec<String>>);

impl Notes {
    /// All comments of a worksheet.
    pub fn of(text: &str) -> Self {
        let mut notes = BTreeMap::<Place, Vec<String>>::new();
        let mut above = Vec::new();
        let mut at = Reading::default();
        for line in text.lines().map(str::trim) {
            let comment = comment_of(line);
            if line.is_empty() {
                continue;
            }
            if comment == Some(line) {
                above.push(line.to_owned());
                continue;
            }
            let code = line[..line.len() - comment.map_or(0, str::len)].trim_end();
            let of_line = notes.entry(at.place(code)).or_default();
            of_line.append(&mut above);
            of_line.extend(comment.map(str::to_owned));
        }
        notes.entry(Place::end()).or_default().append(&mut above);
        notes.retain(|_, comments| !comments.is_empty());
        Self(notes)
    }

    /// What a person wrote beside what stood in a worksheet as it was `written`. Of a comment that
    /// was gone on with, only what was added.
    pub fn added_to(mut self, written: &Self) -> Self {
        for (place, comments) in &mut self.0 {
            let Some(own) = written.0.get(place) else {
                continue;
            };
            let mut own = own.clone();
            comments.retain_mut(|comment| {
                if let Some(same) = own.iter().position(|own| own == comment) {
                    own.remove(same);
                    return false;
                }
                let begun = own.iter().position(|own| comment.starts_with(own.as_str()));
                if let Some(begun) = begun {
                    let added = comment[own.remove(begun).len()..].trim();
                    *comment = match added.starts_with('#') {
                        true => added.to_owned(),
                        false => format!("# {added}"),
                    };
                }
                true
            });
        }
        self.0.retain(|_, comments| !comments.is_empty());
        self
    }

    /// With those of `other` behind them that it has not.
    pub fn with(mut self, other: Self) -> Self {
        for (place, comments) in other.0 {
            let own = self.0.entry(place).or_default();
            for comment in comments {
                if !own.contains(&comment) {
                    own.push(comment);
                }
            }
        }
        self
    }

    /// The comment behind a value, without its `#`.
    pub fn reason(&self, place: &Place) -> String {
        let last = self.0.get(place).and_then(|comments| comments.last());
        let text = last.map_or("", |comment| comment.trim_start_matches('#'));
        text.trim().to_owned()
    }

    /// Moves what belongs to tracks of which `stays` says no to the end, with the tables themselves
    /// as they stand in `text`, as comments.
    pub fn bury(&mut self, text: &str, stays: &dyn Fn(&str) -> bool) {
        let mut end = self.0.remove(&Place::end()).unwrap_or_default();
        self.0
            .retain(|place, _| place.key.is_empty() || stays(&place.key));
        let mut at = Reading::default();
        let mut gone = false;
        for line in text.lines() {
            let code = line.trim();
            let code = code[..code.len() - comment_of(code).map_or(0, str::len)].trim_end();
            if !code.is_empty() {
                let place = at.place(code);
                let was_gone = gone;
                gone = !place.key.is_empty() && !stays(&place.key);
                if gone && (place.spot == Spot::Head || !was_gone) {
                    end.push(GONE.to_owned());
                }
            }
            if gone && !line.trim().is_empty() {
                end.push(format!("# {}", line.trim_end()));
            }
        }
        if !end.is_empty() {
            self.0.insert(Place::end(), end);
        }
    }

    /// Writes what belongs above a line.
    pub fn write(&self, place: &Place, indent: &str, text: &mut String) {
        for comment in self.0.get(place).into_iter().flatten() {
            text.push_str(indent);
            text.push_str(comment);
            text.push('\n');
        }
    }

    /// Writes what stands behind everything.
    pub fn write_end(&self, text: &mut String) {
        if self.0.contains_key(&Place::end()) {
            text.push('\n');
            self.write(&Place::end(), "", text);
        }
    }
}

/// The text of a worksheet without the lines that are comments alone; those above everything are as in
/// every worksheet.
pub fn without_notes(text: &str) -> String {
    let mut plain = String::from(super::HEAD);
    let says = |line: &&str| comment_of(line.trim()) != Some(line.trim());
    for line in text.lines().filter(says) {
        plain.push_str(line);
        plain.push('\n');
    }
    plain
}

const GONE: &str = "# No file of the session makes this track any more:";

/// Where in a worksheet a reader is.
#[derive(Default)]
struct Reading {
    key: String,
    /// Within the list of stages: how many there were.
    stage: Option<usize>,
}

impl Reading {
    /// The place of a line, without its comment.
    fn place(&mut self, code: &str) -> Place {
        if let Some(number) = self.stage {
            if code.starts_with(']') {
                self.stage = None;
                return Place::stage(&self.key, usize::MAX);
            }
            self.stage = Some(number + usize::from(code.starts_with('{')));
            return Place::stage(&self.key, number);
        }
        if code.starts_with('[') {
            self.key = key_of(code).unwrap_or_default();
            return Place::head(&self.key);
        }
        let (name, value) = code.split_once('=').unwrap_or((code, ""));
        if name.trim() == "stages" && value.trim().ends_with('[') {
            self.stage = Some(0);
        }
        Place::value(&self.key, name.trim())
    }
}

/// The track whose table a line begins.
fn key_of(code: &str) -> Option<String> {
    let table: toml::Table = toml::from_str(code).ok()?;
    let tracks = table.get("track")?.as_table()?;
    tracks.keys().next().cloned()
}

/// The comment of a line, from its `#` on.
fn comment_of(line: &str) -> Option<&str> {
    let mut quote = None;
    let mut escaped = false;
    for (at, c) in line.char_indices() {
        match quote {
            _ if escaped => escaped = false,
            Some('"') if c == '\\' => escaped = true,
            Some(open) if c == open => quote = None,
            Some(_) => {}
            None if c == '"' || c == '\'' => quote = Some(c),
            None if c == '#' => return line.get(at..),
            None => {}
        }
    }
    None
}
