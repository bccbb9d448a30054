//! [`Key`]: what a result is found by; [`Origin`]: what an output was made from.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::files::hex;

/// Part of every key: the version, and the hash of the code that measures, analyses and processes
/// (see `build.rs`). A result of other code is not used again.
pub const GENERATION: &str = concat!(env!("CARGO_PKG_VERSION"), "/", env!("BATTERHEAD_CODE"));

/// Identifies a result by all that it depends on: content, settings, version; never by time.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Key(String);

impl Key {
    /// The SHA-256 of a kind of result and what went into it, as JSON.
    pub fn of(kind: &str, inputs: &impl Serialize) -> Self {
        let inputs = serde_json::to_vec(inputs).unwrap_or_default();
        let mut hash = Sha256::new();
        for part in [GENERATION.as_bytes(), kind.as_bytes(), &inputs] {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part);
        }
        Self(hex(&hash.finalize()))
    }

    /// All of its digits.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Its first two digits, and the others.
    pub fn parts(&self) -> (&str, &str) {
        self.0.split_at_checked(2).unwrap_or(("", &self.0))
    }
}

/// What an output was made from, part by part, so that it can be said which one changed.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Origin {
    generation: String,
    /// The output depends on these.
    parts: BTreeMap<String, Key>,
    /// These may be why a part changed.
    causes: BTreeMap<String, Key>,
}

impl Origin {
    /// Of this version of the program.
    pub fn new() -> Self {
        Self {
            generation: GENERATION.to_owned(),
            ..Self::default()
        }
    }

    /// With one more part; `name` as it stands after "since" and before "changed".
    pub fn with(mut self, name: &str, part: &impl Serialize) -> Self {
        self.parts.insert(name.to_owned(), Key::of(name, part));
        self
    }

    /// With something that is only named where another part has changed too.
    pub fn because(mut self, name: &str, cause: &impl Serialize) -> Self {
        self.causes.insert(name.to_owned(), Key::of(name, cause));
        self
    }

    /// Whether all that counts is the same.
    pub fn same(&self, before: &Self) -> bool {
        self.generation == before.generation && self.parts == before.parts
    }

    /// What differs from `before`, in words.
    pub fn changed_since(&self, before: &Self) -> String {
        if self.generation != before.generation {
            return "they were made by another version of batterhead".to_owned();
        }
        let differing = |now: &BTreeMap<String, Key>, before: &BTreeMap<String, Key>| {
            let differs = |(name, key): &(&String, &Key)| before.get(*name) != Some(*key);
            let names: Vec<&str> = (now.iter().filter(differs))
                .map(|(name, _)| name.as_str())
                .collect();
            names.join(" and ")
        };
        let parts = differing(&self.parts, &before.parts);
        match differing(&self.causes, &before.causes) {
            causes if causes.is_empty() => format!("{parts} changed"),
            causes => format!("{parts} changed with {causes}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_differ_with_kind_and_input() {
        assert_eq!(Key::of("a", &1), Key::of("a", &1));
        assert_ne!(Key::of("a", &1), Key::of("a", &2));
        assert_ne!(Key::of("a", &1), Key::of("b", &1));
    }

    #[test]
    fn what_changed_is_named_with_its_cause() {
        let origin = |source: u8, chain: u8, preset: u8| {
            Origin::new()
                .with("their source", &source)
                .with("what is decided for them", &chain)
                .because("their preset", &preset)
        };
        let before = origin(1, 1, 1);
        assert!(before.same(&origin(1, 1, 2)), "a cause alone is no change");
        let said = |now: Origin| now.changed_since(&before);
        assert_eq!(said(origin(2, 1, 1)), "their source changed");
        assert_eq!(
            said(origin(1, 2, 2)),
            "what is decided for them changed with their preset"
        );
        assert_eq!(
            said(origin(2, 2, 1)),
            "their source and what is decided for them changed"
        );
    }
}
