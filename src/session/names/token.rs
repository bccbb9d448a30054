//! A file or folder name cut into the pieces that [`super::words`] reads.
//!
//! Separators and upper case do not count; `KickOut` and `Tom1` are cut where they change.

use std::collections::HashMap;

use crate::session::mic::table;
use crate::session::slug::plain;

/// One piece of a name.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::session) struct Token {
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
pub(in crate::session) enum Kind {
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
    /// `keep`, `NG`, `x2`: what people thought of a take.
    Note,
    /// Any other word.
    Foreign,
}

impl Token {
    /// Whether it says nothing of a song: neutral words, notes, numbers and dates.
    pub fn is_idle(&self) -> bool {
        match self.kind {
            Kind::Note | Kind::Gear | Kind::Number { .. } => true,
            _ => is_neutral(&self.text),
        }
    }

    pub fn words(&self) -> &[&'static str] {
        match &self.kind {
            Kind::Words(words) => words,
            _ => &[],
        }
    }
}

/// What people write → the trade's words.
#[derive(Clone, Debug)]
pub(in crate::session) struct Spellings {
    aliases: HashMap<&'static str, Vec<&'static str>>,
    /// Beginnings of long spellings that can mean nothing else: `overhea`, `botto`.
    cut: HashMap<String, Vec<&'static str>>,
}

/// Letters at least of a word that was cut off.
const CUT: usize = 4;
/// Words run together at most: `floor tom`, `bottom`, a side.
const RUN: usize = 4;

/// What people write about a take; none of it is a song's name.
const NOTES: [&str; 30] = [
    "keep",
    "keeper",
    "keepers",
    "kept",
    "best",
    "ok",
    "okay",
    "good",
    "ng",
    "nogood",
    "bad",
    "master",
    "masters",
    "alt",
    "alternate",
    "pickup",
    "pickups",
    "pu",
    "final",
    "fine",
    "edit",
    "edited",
    "safety",
    "usable",
    "print",
    "x2",
    "x3",
    "fs",
    "falsestart",
    "incomplete",
];

/// Those of them that say that a take is not to be used.
pub(in crate::session) const NO_GOOD: [&str; 6] =
    ["ng", "nogood", "bad", "fs", "falsestart", "incomplete"];

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
        let mut cut: HashMap<String, Vec<&'static str>> = HashMap::new();
        let mut ambiguous = Vec::new();
        for (spelling, words) in &aliases {
            let letters = spelling.chars().count();
            if !spelling.is_ascii() || spelling.contains(' ') || letters <= CUT {
                continue;
            }
            for end in CUT.max(letters.saturating_sub(3))..letters {
                let short = &spelling[..end];
                match cut.get(short) {
                    _ if aliases.contains_key(short) => {}
                    Some(other) if other != words => ambiguous.push(short.to_owned()),
                    _ => {
                        cut.insert(short.to_owned(), words.clone());
                    }
                }
            }
        }
        ambiguous.iter().for_each(|short| {
            cut.remove(short);
        });
        Self { aliases, cut }
    }

    /// A word by itself, or some run together (`sntop`, `kickout`, `roomfarl`): a part of the kit,
    /// places and a side.
    fn word(&self, lower: &str) -> Option<Vec<&'static str>> {
        let plain = plain(lower);
        if let Some(words) = self.aliases.get(plain.as_str()) {
            return Some(words.clone());
        }
        let parts = self.run(&plain, RUN, true)?;
        Some(parts.concat())
    }

    /// `floortomr` as `floor`, `tom`, `right`: the first names a part of the kit.
    fn run(&self, text: &str, parts: usize, first: bool) -> Option<Vec<Vec<&'static str>>> {
        if parts == 0 {
            return None;
        }
        let ends = text.char_indices().map(|(at, _)| at).skip(2);
        let mut ends: Vec<usize> = ends.filter(|at| text.len() - at >= 1).collect();
        ends.reverse(); // the longest word first
        ends.into_iter().find_map(|at| {
            let (head, tail) = text.split_at(at);
            let head = self.aliases.get(head).filter(|words| words.len() == 1)?;
            let noun = |word: &&str| is_noun(word);
            if first && !head.iter().any(noun) {
                return None;
            }
            let last = match tail {
                // `rider` is no ride on the right.
                "l" | "r" => {
                    let sided = [
                        "overhead", "room", "china", "crash", "cymbal", "far", "near", "high",
                        "ceiling", "over",
                    ];
                    let sided = head.last().is_some_and(|word| sided.contains(word));
                    sided.then(|| self.aliases.get(tail)).flatten()
                }
                _ if tail.len() >= 2 => self.aliases.get(tail),
                _ => None,
            };
            let second = |words: &[&'static str]| {
                let joined: Vec<&str> = words.iter().copied().filter(|w| is_noun(w)).collect();
                matches!(joined[..], [] | ["tom"] | ["sub"])
            };
            let rest = match last {
                Some(last) if second(last) => vec![last.clone()],
                _ => self.run_on(tail, parts - 1)?,
            };
            let mut all = vec![head.clone()];
            all.extend(rest);
            Some(all)
        })
    }

    /// The words behind the first.
    fn run_on(&self, text: &str, parts: usize) -> Option<Vec<Vec<&'static str>>> {
        let rest = self.run(text, parts, false)?;
        let noun = |word: &&&str| is_noun(word) && !matches!(**word, "tom" | "sub");
        let nouns = rest.iter().flatten().filter(noun).count();
        (nouns == 0).then_some(rest)
    }

    /// A word that was cut off.
    fn cut_off(&self, lower: &str) -> Option<Vec<&'static str>> {
        self.cut.get(plain(lower).as_str()).cloned()
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
        if NOTES.contains(&chunk.to_lowercase().as_str()) {
            return out.push(whole(Kind::Note)); // `x2`
        }
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
                let high = match before.and_then(|w| Some((w, self.word(w)?))) {
                    // A take, as `SNRTOP12` and `HH_012` have it.
                    Some((word, words)) if words.len() > 1 || word.len() > 3 => 999,
                    Some(_) if part.starts_with('0') => 999,
                    Some((_, words))
                        if words.iter().any(|w| matches!(*w, "tom" | "rack" | "floor")) =>
                    {
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
            } else if part.len() >= 2 || matches!(part.as_str(), "l" | "r") && i >= 1 {
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
            note if NOTES.contains(&note) => Kind::Note,
            lower => self.word(lower).map_or(Kind::Foreign, Kind::Words),
        };
        let or_cut = |text: &str, kind| match kind {
            Kind::Foreign => {
                (self.cut_off(&text.to_lowercase())).map_or(Kind::Foreign, Kind::Words)
            }
            kind => kind,
        };
        let whole = kind(text);
        let pieces = capitals(text);
        if whole != Kind::Foreign || pieces.len() < 2 {
            return out.push(token(text, separator, or_cut(text, whole)));
        }
        for (i, piece) in pieces.into_iter().enumerate() {
            let kind = or_cut(piece, kind(piece));
            out.push(token(piece, separator.filter(|_| i == 0), kind));
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
        let first = plain(&last.text);
        let second = plain(&token.text);
        match (&last.kind, &token.kind) {
            (Kind::Foreign, Kind::Number { value, .. }) => match first.as_str() {
                "t" => Some(Kind::T(*value)),
                "take" | "tk" | "prise" | "toma" | "tomada" | "ripresa" => Some(Kind::Take(*value)),
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

/// Whether a word says nothing of mic or song.
pub(in crate::session) fn is_neutral(word: &str) -> bool {
    let word = plain(word);
    table().neutral.contains(&word)
}

/// Whether a word names a part of the kit or a use.
pub(in crate::session) fn is_noun(word: &str) -> bool {
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
