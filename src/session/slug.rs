//! [`slug`]: any text as lower-case ASCII that every file system takes.

use std::collections::{BTreeMap, BTreeSet};

/// Bytes of a slug at most, so that a name built of several stays within a file system's limit.
pub const MAX_SLUG: usize = 60;

/// Letters with marks and their plain spelling; marks that stand alone are dropped below.
const PLAIN: &[(&str, &str)] = &[
    ("àáâãäåāăą", "a"),
    ("çćĉċč", "c"),
    ("ďđð", "d"),
    ("èéêëēĕėęě", "e"),
    ("ĝğġģ", "g"),
    ("ĥħ", "h"),
    ("ìíîïĩīĭįı", "i"),
    ("ĵ", "j"),
    ("ķ", "k"),
    ("ĺļľŀł", "l"),
    ("ñńņňŉ", "n"),
    ("òóôõöøōŏő", "o"),
    ("ŕŗř", "r"),
    ("śŝşšș", "s"),
    ("ţťŧț", "t"),
    ("ùúûüũūŭůűų", "u"),
    ("ŵ", "w"),
    ("ýÿŷ", "y"),
    ("źżž", "z"),
    ("ß", "ss"),
    ("æ", "ae"),
    ("œ", "oe"),
    ("þ", "th"),
];

/// Lower-case ASCII letters, digits and single `-` between them; letters with marks lose them,
/// everything else separates words. At most [`MAX_SLUG`] bytes; empty if nothing is left.
/// Precomposed and decomposed spellings of a letter give the same slug.
pub fn slug(text: &str) -> String {
    let mut slug = String::new();
    let mut gap = false;
    for c in text.chars().flat_map(char::to_lowercase) {
        if ('\u{300}'..='\u{36f}').contains(&c) || c == '\'' || c == '’' {
            continue; // a mark of its own, or the apostrophe within a word
        }
        let plain = PLAIN.iter().find(|(marked, _)| marked.contains(c));
        let mut ascii = [0; 4];
        let plain = match plain {
            Some((_, plain)) => plain,
            None if c.is_ascii_alphanumeric() => &*c.encode_utf8(&mut ascii),
            None => {
                gap = true;
                continue;
            }
        };
        if gap && !slug.is_empty() {
            slug.push('-');
        }
        gap = false;
        if slug.len() + plain.len() > MAX_SLUG {
            break;
        }
        slug.push_str(plain);
    }
    let slug = slug.trim_end_matches('-');
    match reserved(slug) {
        true => format!("{slug}-1"),
        false => slug.to_owned(),
    }
}

/// Lower-case text without the marks of its letters: `Hänge` is `hange`.
pub(super) fn plain(text: &str) -> String {
    let mut plain = String::new();
    for c in text.chars().flat_map(char::to_lowercase) {
        match PLAIN.iter().find(|(marked, _)| marked.contains(c)) {
            _ if ('\u{300}'..='\u{36f}').contains(&c) => {}
            Some((_, letters)) => plain.push_str(letters),
            None => plain.push(c),
        }
    }
    plain
}

/// Whether a file or folder of this name (without its ending) is impossible on some systems.
pub fn reserved(name: &str) -> bool {
    let name = name.split('.').next().unwrap_or_default();
    let name = name.trim_end().to_ascii_lowercase();
    match name.as_str() {
        "con" | "prn" | "aux" | "nul" => true,
        _ => {
            let port = name.strip_prefix("com").or(name.strip_prefix("lpt"));
            port.is_some_and(|n| matches!(n.as_bytes(), [b'1'..=b'9']))
        }
    }
}

/// Names that are given out once each.
#[derive(Debug, Default)]
pub struct Names {
    taken: BTreeSet<String>,
    next: BTreeMap<String, u32>,
}

impl Names {
    /// Whether it was given out.
    pub fn has(&self, name: &str) -> bool {
        self.taken.contains(name)
    }

    /// `base`, or `base-2`, `base-3` …: the first that is still free.
    pub fn take(&mut self, base: &str) -> String {
        if self.taken.insert(base.to_owned()) {
            return base.to_owned();
        }
        let next = self.next.entry(base.to_owned()).or_insert(2);
        loop {
            let name = format!("{base}-{next}");
            *next += 1;
            if self.taken.insert(name.clone()) {
                return name;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slugs_are_plain() {
        for (text, want) in [
            ("Low Tide", "low-tide"),
            ("  Low__Tide.. ", "low-tide"),
            ("Dünung", "dunung"),
            ("Du\u{308}nung", "dunung"),
            ("Straße #2", "strasse-2"),
            ("Don't", "dont"),
            ("../../etc", "etc"),
            ("CON", "con-1"),
            ("lpt1", "lpt1-1"),
            ("\u{1b}[2J", "2j"),
            ("雨", ""),
            ("", ""),
        ] {
            assert_eq!(slug(text), want, "{text:?}");
        }
        let long = slug(&"long ".repeat(60));
        assert!(long.len() <= MAX_SLUG && !long.ends_with('-'), "{long}");
    }

    #[test]
    fn names_are_given_out_once() {
        let mut names = Names::default();
        let given = ["a", "a-2", "a", "a", "b"].map(|name| names.take(name));
        assert_eq!(given, ["a", "a-2", "a-3", "a-4", "b"]);
    }

    #[test]
    fn reserved_names_are_known_with_any_ending() {
        for name in ["con", "AUX", "nul.wav", "com1", "LPT9.x"] {
            assert!(reserved(name), "{name}");
        }
        for name in ["cone", "com10", "com0", "auxiliary", ""] {
            assert!(!reserved(name), "{name}");
        }
    }
}
