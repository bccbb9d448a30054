//! A file or folder name cut into the pieces that [`super::words`] reads.
//!
//! Separators and upper case do not count; `KickOut` and `Tom1` are cut where they change.

use std::collections::HashMap;

use super::mic::table;

/// One piece of a name.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Token {
    /// As written.
    pub text: String,
    /// The character before it, `None` where it is run together with the piece before.
    pub separator: Option<char>,
    /// Counts up at `_`, `.` and ` - `: parts that people keep apart.
    pub field: usize,
    pub kind: Kind,
}

/// What a piece is.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kind {
    /// One or more of the trade's words.
    Words(Vec<&'static str>),
    /// A number, and whether it is written with leading zeros.
    Number { value: u32, padded: bool },
    /// `take 3`, `tk03`.
    Take(u32),
    /// `T3`: a take, or a tom.
    T(u32),
    /// `comp`: edited together from takes.
    Comp,
    /// `16in`.
    Size(u32),
    /// Letters and digits that look like equipment, dates and long numbers: never a word.
    Gear,
    /// Any other word.
    Foreign,
}

impl Token {
    pub fn words(&self) -> &[&'static str] {
        match &self.kind {
            Kind::Words(words) => words,
            _ => &[],
        }
    }
}

/// What people write → the trade's words.
#[derive(Clone, Debug)]
pub(super) struct Spellings {
    aliases: HashMap<&'static str, Vec<&'static str>>,
}

impl Spellings {
    pub fn new() -> Self {
        let mut aliases = HashMap::new();
        for (word, spellings) in &table().alias {
            let words: Vec<_> = word.split(' ').collect();
            if let [single] = words[..] {
                aliases.insert(single, words.clone());
            }
            for spelling in spellings {
                aliases.insert(spelling.as_str(), words.clone());
            }
        }
        Self { aliases }
    }

    /// A word by itself, or two run together (`sntop`, `kickout`): a part of the kit and a place.
    fn word(&self, lower: &str) -> Option<Vec<&'static str>> {
        if let Some(words) = self.aliases.get(lower) {
            return Some(words.clone());
        }
        let cuts = lower.char_indices().map(|(at, _)| at).skip(2);
        cuts.filter(|at| lower.len() - at >= 2).find_map(|at| {
            let (first, second) = lower.split_at(at);
            let (first, second) = (self.aliases.get(first)?, self.aliases.get(second)?);
            let noun = |word: &&str| is_noun(word);
            let lawful = first.iter().any(noun) && !second.iter().any(noun);
            lawful.then(|| [&first[..], &second[..]].concat())
        })
    }

    /// Cuts a name without ending.
    pub fn tokens(&self, name: &str) -> Vec<Token> {
        let mut tokens = Vec::new();
        let mut field = 0;
        let mut separator = Some('_');
        let mut rest = name;
        while let Some(c) = rest.chars().next() {
            if c.is_alphanumeric() || is_mark(c) {
                let inside = |c: char| c.is_alphanumeric() || is_mark(c) || c == '\'' || c == '’';
                let end = rest.find(|c| !inside(c)).unwrap_or(rest.len());
                let (chunk, after) = rest.split_at(end);
                self.cut(chunk, separator, field, &mut tokens);
                separator = None;
                rest = after;
                let inches = rest.strip_prefix(['"', '″']);
                if let (Some(after), Some(last)) = (inches, tokens.last_mut()) {
                    if let Kind::Number { value, .. } = last.kind {
                        last.kind = Kind::Size(value);
                    }
                    rest = after;
                }
            } else {
                let spaced = c == '-' && separator == Some(' ') || rest.starts_with("- ");
                if matches!(c, '_' | '.') || spaced {
                    field += 1;
                }
                separator = Some(c);
                rest = &rest[c.len_utf8()..];
            }
        }
        self.join(tokens)
    }

    /// Letters and digits without a separator between them.
    fn cut(&self, chunk: &str, separator: Option<char>, field: usize, out: &mut Vec<Token>) {
        let parts = parts(chunk);
        let whole = |kind| Token {
            text: chunk.to_owned(),
            separator,
            field,
            kind,
        };
        let kinds: Option<Vec<Kind>> = match parts[..] {
            [one] if one.starts_with(|c: char| c.is_ascii_digit()) => {
                out.push(whole(number(one).unwrap_or(Kind::Gear)));
                return;
            }
            [one] => return self.letters(one, separator, field, out),
            _ => self.mixed(&parts),
        };
        let Some(kinds) = kinds else {
            return out.push(whole(Kind::Gear));
        };
        for (i, (part, kind)) in parts.iter().zip(kinds).enumerate() {
            out.push(Token {
                text: (*part).to_owned(),
                separator: separator.filter(|_| i == 0),
                field,
                kind,
            });
        }
    }

    /// `Tom1`, `T03`, `16in`, `Rm1L`: `None` where it looks like equipment.
    fn mixed(&self, parts: &[&str]) -> Option<Vec<Kind>> {
        let lower: Vec<String> = parts.iter().map(|p| p.to_lowercase()).collect();
        let mut kinds = Vec::new();
        for (i, part) in lower.iter().enumerate() {
            let before = i.checked_sub(1).and_then(|i| lower.get(i));
            let kind = if let Some(number) = number(part) {
                let Kind::Number { value, .. } = number else {
                    return None;
                };
                let high = match before.and_then(|w| self.word(w)) {
                    Some(words) if words.iter().any(|w| matches!(*w, "tom" | "rack" | "floor")) => {
                        24
                    }
                    Some(_) => 9,
                    None => u32::MAX, // after `t` or `take`, or first
                };
                if value > high {
                    return None;
                }
                number
            } else if before.is_some() && matches!(part.as_str(), "in" | "inch") {
                Kind::Words(Vec::new()) // joined to the number before
            } else if matches!(part.as_str(), "t" | "tk" | "take") && i + 1 < parts.len() {
                Kind::Foreign // joined to the number behind
            } else if part.len() >= 2 || matches!(part.as_str(), "l" | "r") && i >= 2 {
                Kind::Words(self.word(part)?)
            } else {
                return None;
            };
            kinds.push(kind);
        }
        Some(kinds)
    }

    /// Letters only: a word, words run together, or pieces that begin with a capital.
    fn letters(&self, text: &str, separator: Option<char>, field: usize, out: &mut Vec<Token>) {
        let token = |text: &str, separator, kind| Token {
            text: text.to_owned(),
            separator,
            field,
            kind,
        };
        let kind = |text: &str| match text.to_lowercase().as_str() {
            "comp" => Kind::Comp,
            lower => self.word(lower).map_or(Kind::Foreign, Kind::Words),
        };
        let whole = kind(text);
        let pieces = capitals(text);
        if whole != Kind::Foreign || pieces.len() < 2 {
            return out.push(token(text, separator, whole));
        }
        for (i, piece) in pieces.into_iter().enumerate() {
            out.push(token(piece, separator.filter(|_| i == 0), kind(piece)));
        }
    }

    /// Joins what belongs together: `hi hat`, `take 3`, `t 3`, `16 in` run together.
    fn join(&self, tokens: Vec<Token>) -> Vec<Token> {
        let mut joined: Vec<Token> = Vec::new();
        for token in tokens {
            let together = joined.last().and_then(|last| self.pair(last, &token));
            match (together, joined.last_mut()) {
                (Some(kind), Some(last)) => {
                    last.text = match token.separator {
                        Some(c) => format!("{}{c}{}", last.text, token.text),
                        None => format!("{}{}", last.text, token.text),
                    };
                    last.kind = kind;
                }
                _ => joined.push(token),
            }
        }
        joined
    }

    fn pair(&self, last: &Token, token: &Token) -> Option<Kind> {
        let first = last.text.to_lowercase();
        let second = token.text.to_lowercase();
        match (&last.kind, &token.kind) {
            (Kind::Foreign, Kind::Number { value, .. }) => match first.as_str() {
                "t" => Some(Kind::T(*value)),
                "take" | "tk" => Some(Kind::Take(*value)),
                _ => None,
            },
            (Kind::Number { value, .. }, Kind::Words(_))
                if token.separator.is_none() && matches!(second.as_str(), "in" | "inch") =>
            {
                Some(Kind::Size(*value))
            }
            (Kind::Words(_) | Kind::Foreign, Kind::Words(_) | Kind::Foreign) => {
                let both = format!("{first} {second}");
                self.aliases.get(both.as_str()).cloned().map(Kind::Words)
            }
            _ => None,
        }
    }
}

/// Whether a word names a part of the kit or a use.
pub(super) fn is_noun(word: &str) -> bool {
    table().nouns.iter().any(|noun| noun == word)
}

fn is_mark(c: char) -> bool {
    ('\u{300}'..='\u{36f}').contains(&c)
}

/// A number of at most five digits: longer ones are dates.
fn number(text: &str) -> Option<Kind> {
    let digits = text.bytes().all(|b| b.is_ascii_digit());
    let value = text.parse().ok().filter(|_| digits && text.len() <= 5)?;
    let padded = text.len() > 1 && text.starts_with('0');
    Some(Kind::Number { value, padded })
}

/// Runs of ASCII digits and of everything else.
fn parts(chunk: &str) -> Vec<&str> {
    let digit = |c: char| c.is_ascii_digit();
    let mut parts = Vec::new();
    let mut rest = chunk;
    while let Some(first) = rest.chars().next() {
        let end = rest
            .find(|c| digit(c) != digit(first))
            .unwrap_or(rest.len());
        let (part, after) = rest.split_at(end);
        parts.push(part);
        rest = after;
    }
    parts
}

/// `KickOut` → `Kick`, `Out`; `SNTop` → `SN`, `Top`.
fn capitals(text: &str) -> Vec<&str> {
    let chars: Vec<(usize, char)> = text.char_indices().collect();
    let mut cuts = vec![0];
    for (i, window) in chars.windows(2).enumerate() {
        let [(_, a), (at, b)] = window else { continue };
        let next = chars.get(i + 2).map(|(_, c)| *c);
        let into_word = a.is_uppercase() && next.is_some_and(char::is_lowercase);
        if b.is_uppercase() && (a.is_lowercase() || into_word) {
            cuts.push(*at);
        }
    }
    cuts.push(text.len());
    let pieces = cuts.windows(2).filter_map(|cut| text.get(cut[0]..cut[1]));
    pieces.filter(|piece| !piece.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cut(name: &str) -> Vec<(String, Kind)> {
        let tokens = Spellings::new().tokens(name);
        tokens.into_iter().map(|t| (t.text, t.kind)).collect()
    }

    fn kinds(name: &str) -> Vec<Kind> {
        cut(name).into_iter().map(|(_, kind)| kind).collect()
    }

    #[test]
    fn words_are_cut_at_capitals_and_digits() {
        let want = vec![Kind::Words(vec!["kick", "out"])];
        assert_eq!(kinds("KickOut"), want);
        assert_eq!(kinds("sntop"), [Kind::Words(vec!["snare", "top"])]);
        let low_tide: Vec<_> = cut("LowTide").into_iter().map(|(text, _)| text).collect();
        assert_eq!(low_tide, ["Low", "Tide"]);
        let one = Kind::Number {
            value: 1,
            padded: false,
        };
        assert_eq!(kinds("Tom1"), [Kind::Words(vec!["tom"]), one]);
        assert_eq!(kinds("16in"), [Kind::Size(16)]);
        assert_eq!(kinds("16\""), [Kind::Size(16)]);
        assert_eq!(kinds("Hi-Hat"), [Kind::Words(vec!["hat"])]);
        assert_eq!(kinds("Take 3"), [Kind::Take(3)]);
        assert_eq!(kinds("tk03"), [Kind::Take(3)]);
        assert_eq!(kinds("T03"), [Kind::T(3)]);
    }

    #[test]
    fn letters_with_digits_are_equipment_unless_they_name_a_part_of_the_kit() {
        for name in ["X57", "QK4b", "L1", "CR78", "20261124", "SN57"] {
            assert_eq!(kinds(name), [Kind::Gear], "{name}");
        }
    }

    #[test]
    fn any_text_can_be_cut() {
        for name in ["", "\u{308}", "İ1ı", "ﬀ'’", "1\"2″", "__--..", "𝟙𝟚a1"] {
            cut(name);
        }
    }
}
