//! [`Pattern`]: where song, take and mic stand in the paths of a session.

use std::ops::Range;

/// What may stand between braces.
pub const FIELDS: [&str; 4] = ["song", "take", "mic", "any"];

#[derive(Clone, Debug, PartialEq)]
enum Part {
    Text(Vec<char>),
    Field(&'static str),
}

/// `{song}/{take}/{mic}`: a path in the session folder, without the file's ending. A field stands
/// for one character or more without `/`; `{any}` is ignored; the first possible reading counts,
/// each field as short as it can be. Case does not count.
#[derive(Clone, Debug, PartialEq)]
pub struct Pattern {
    parts: Vec<Part>,
    /// As written.
    pub text: String,
}

/// What a pattern found in a path.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fits {
    /// Text of `{song}`.
    pub song: Option<String>,
    /// Text of `{take}`.
    pub take: Option<String>,
    /// Text of `{mic}`.
    pub mic: Option<String>,
}

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// The bytes that are wrong and what was expected instead; with the word, if it is no field.
    pub fn parse(text: &str) -> Result<Self, (Range<usize>, String, Option<String>)> {
        let mut parts: Vec<Part> = Vec::new();
        let mut at = 0;
        while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
            let Some(inside) = rest.strip_prefix('{') else {
                let end = rest.find('{').unwrap_or(rest.len());
                let literal = rest.get(..end).unwrap_or_default();
                parts.push(Part::Text(lower(literal)));
                at += end;
                continue;
            };
            let Some(end) = inside.find('}') else {
                let message = "expected a `}` after this `{`".to_owned();
                return Err((at..text.len(), message, None));
            };
            let word = inside.get(..end).unwrap_or_default();
            let span = at..at + end + 2;
            let Some(field) = FIELDS.iter().find(|field| **field == word) else {
                let message = "no field has this name".to_owned();
                return Err((span, message, Some(word.to_owned())));
            };
            let again = |part: &Part| *part == Part::Field(field) && *field != "any";
            if parts.iter().any(again) {
                return Err((span, "expected each field once".to_owned(), None));
            }
            if let Some(Part::Field(_)) = parts.last() {
                let message = "expected something between two fields, as `_` or `/`".to_owned();
                return Err((span, message, None));
            }
            parts.push(Part::Field(field));
            at += end + 2;
        }
        if !parts.contains(&Part::Field("mic")) {
            let message = "expected `{mic}` in the pattern".to_owned();
            return Err((0..text.len(), message, None));
        }
        let text = text.to_owned();
        Ok(Self { parts, text })
    }

    /// Compares it with a path with `/`, without ending.
    pub fn fits(&self, path: &str) -> Option<Fits> {
        let chars: Vec<char> = path.chars().collect();
        let lower: Vec<char> = lower(path);
        // Lower case may be longer for a few letters: then case counts.
        let lower = if lower.len() == chars.len() {
            &lower
        } else {
            &chars
        };
        // Dead ends are remembered: at most parts × characters are tried.
        let mut dead = vec![false; (self.parts.len() + 1) * (chars.len() + 1)];
        let mut spans = Vec::new();
        self.fit(0, 0, lower, &mut dead, &mut spans).then_some(())?;
        let mut fits = Fits::default();
        for (field, span) in spans {
            let text: String = chars.get(span).unwrap_or_default().iter().collect();
            match field {
                "song" => fits.song = Some(text),
                "take" => fits.take = Some(text),
                "mic" => fits.mic = Some(text),
                _ => {}
            }
        }
        Some(fits)
    }

    fn fit(
        &self,
        part: usize,
        at: usize,
        path: &[char],
        dead: &mut [bool],
        spans: &mut Vec<(&'static str, Range<usize>)>,
    ) -> bool {
        let state = part * (path.len() + 1) + at;
        if dead.get(state).copied().unwrap_or(true) {
            return false;
        }
        let rest = path.get(at..).unwrap_or_default();
        let fitted = match self.parts.get(part) {
            None => rest.is_empty(),
            Some(Part::Text(text)) => {
                rest.starts_with(text) && self.fit(part + 1, at + text.len(), path, dead, spans)
            }
            Some(Part::Field(field)) => {
                let longest = rest.iter().position(|c| *c == '/').unwrap_or(rest.len());
                (1..=longest).any(|length| {
                    spans.push((*field, at..at + length));
                    let fitted = self.fit(part + 1, at + length, path, dead, spans);
                    if !fitted {
                        spans.pop();
                    }
                    fitted
                })
            }
        };
        if !fitted && let Some(dead) = dead.get_mut(state) {
            *dead = true;
        }
        fitted
    }
}

fn lower(text: &str) -> Vec<char> {
    text.chars().flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(pattern: &str, path: &str) -> Option<[Option<String>; 3]> {
        let fits = Pattern::parse(pattern).expect("a pattern").fits(path)?;
        Some([fits.song, fits.take, fits.mic])
    }

    #[test]
    fn fields_stand_for_parts_of_a_path() {
        let some = |texts: [&str; 3]| Some(texts.map(|t| (!t.is_empty()).then(|| t.to_owned())));
        assert_eq!(
            fit("{song}/{take}/{mic}", "Low Tide/3/Kick In"),
            some(["Low Tide", "3", "Kick In"])
        );
        assert_eq!(
            fit("{any}/{mic}_{take}", "x/SN_TOP_3"),
            some(["", "TOP_3", "SN"])
        );
        assert_eq!(fit("{mic} #{take}", "Hat #12"), some(["", "12", "Hat"]));
        assert_eq!(fit("PRE-{mic}", "pre-Hat"), some(["", "", "Hat"]));
        assert_eq!(fit("{song}/{mic}", "Hat"), None);
        assert_eq!(fit("{song}/{mic}", "a/b/Hat"), None);
    }

    #[test]
    fn a_pattern_cannot_take_long() {
        let pattern = format!("{}{{mic}}!", "{any}a".repeat(40));
        let pattern = Pattern::parse(&pattern).expect("a pattern");
        assert_eq!(pattern.fits(&"a".repeat(2000)), None);
    }

    #[test]
    fn faults_have_their_place() {
        for (text, place) in [
            ("{sogn}/{mic}", 0..6),
            ("{song}{mic}", 6..11),
            ("{mic", 0..4),
            ("{mic}/{mic}", 6..11),
            ("{song}", 0..6),
        ] {
            assert_eq!(
                Pattern::parse(text).expect_err("a fault").0,
                place,
                "{text}"
            );
        }
    }
}
