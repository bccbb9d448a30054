//! [`Mic`]: a microphone by its place on the kit, from the one table `presets/mics.toml`.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::ops::Deref;
use std::sync::OnceLock;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::Side;

/// Which part of the kit a mic hears first: what hits, tuning and the mix go by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Kick drum, inside, outside, sub.
    Kick,
    /// Snare, top, bottom, side.
    Snare,
    /// Rack and floor toms.
    Tom,
    /// Hi-hat.
    Hat,
    /// Ride, china, splash, crash, other cymbals.
    Cymbal,
    /// Overheads.
    Overhead,
    /// Rooms at any distance.
    Room,
    /// Trigger, talkback, click, reference: passed through, out of the mix.
    Utility,
    /// Not recognised.
    Unknown,
}

/// The drum (or cymbal) that a mic of this name and side stands at; `None` for overheads, rooms and
/// what is not a mic of the kit.
pub fn drum(family: Family, mic: &str, side: Option<Side>) -> Option<String> {
    let name = match family {
        Family::Kick => "kick",
        Family::Snare => "snare",
        Family::Tom | Family::Hat | Family::Cymbal => mic,
        _ => return None,
    };
    Some(match side {
        Some(Side::L) => format!("{name}-l"),
        Some(Side::R) => format!("{name}-r"),
        Some(Side::C) | None => name.to_owned(),
    })
}

/// What the table says of one mic.
#[derive(Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// `snare-top`, as in file names and presets.
    pub name: String,
    /// The part of the kit.
    pub family: Family,
    /// Whether two files of it, left and right, are one stereo track by default.
    #[serde(default)]
    pub pair: bool,
    /// Default fader of the rough mix; `None`: not in the mix.
    pub fader_db: Option<f64>,
    /// Default pan of the rough mix, −100 (left) to 100 (right), player's view, right-handed kit.
    pub pan: f64,
    /// Working level: where typical hits peak, in dBFS; `None`: its level is left alone.
    pub level_dbfs: Option<f64>,
    /// Whether a take that never plays it may do without its stem.
    #[serde(default)]
    pub may_be_left_out: bool,
    /// Phrases that name it, in the trade's words.
    #[serde(default)]
    pub(super) words: Vec<String>,
    /// Place in the table.
    #[serde(skip)]
    order: usize,
}

/// Where a tom stands, for its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum TomPlace {
    /// A rack tom, the first unless a number or size says otherwise.
    Rack,
    /// The first rack tom.
    High,
    /// The second rack tom.
    Mid,
    /// The last rack tom.
    Low,
    /// A floor tom, the first unless a number or size says otherwise.
    Floor,
}

/// Phrases of toms.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TomRow {
    pub place: TomPlace,
    pub words: Vec<String>,
}

/// Phrases that are taken for a mic, and noted.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NotedRow {
    pub words: Vec<String>,
    pub mic: String,
    /// Only if no other file of the take is that mic.
    #[serde(default)]
    pub if_free: bool,
    pub note: String,
}

/// Phrases that may mean several things: reported with candidates.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AskRow {
    pub words: Vec<String>,
    /// Labels, the likeliest first.
    pub candidates: Vec<String>,
    pub because: String,
}

/// `presets/mics.toml` as it stands.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Table {
    pub nouns: Vec<String>,
    pub neutral: Vec<String>,
    pub alias: BTreeMap<String, Vec<String>>,
    pub mic: Vec<Entry>,
    pub tom: Vec<TomRow>,
    pub noted: Vec<NotedRow>,
    pub ask: Vec<AskRow>,
}

/// The table, read once.
pub(super) fn table() -> &'static Table {
    static TABLE: OnceLock<Table> = OnceLock::new();
    TABLE.get_or_init(|| {
        let mut table: Table = toml::from_str(include_str!("../../presets/mics.toml"))
            .expect("the compiled-in table is checked by a test");
        for (order, entry) in table.mic.iter_mut().enumerate() {
            entry.order = order;
        }
        table
    })
}

/// A microphone: a row of the table. Ordered as the table is; in files it is its name.
#[derive(Clone, Copy)]
pub struct Mic(&'static Entry);

impl Mic {
    /// The mic of this name: `snare-top`.
    pub fn named(name: &str) -> Option<Mic> {
        table().mic.iter().find(|e| e.name == name).map(Mic)
    }

    /// `unknown-mic`: what a file is whose name says nothing certain.
    pub fn unknown() -> Mic {
        Self::named("unknown-mic").expect("the table has it")
    }

    /// The tom of this number, 1 to 6.
    pub fn tom(number: u32) -> Option<Mic> {
        Self::named(&format!("tom-{number}"))
    }

    /// All mics in the order of the table.
    pub fn all() -> impl Iterator<Item = Mic> {
        table().mic.iter().map(Mic)
    }

    /// `snare-top`.
    pub fn name(self) -> &'static str {
        &self.0.name
    }

    /// Whether it is `unknown-mic`.
    pub fn is_unknown(self) -> bool {
        self.0.family == Family::Unknown
    }

    /// Whether a side after its name is usual: overheads, rooms and cymbals. Two sides of anything
    /// else are two drums.
    pub fn has_sides(self) -> bool {
        use Family::{Cymbal, Overhead, Room, Utility};
        matches!(self.0.family, Cymbal | Overhead | Room | Utility)
    }
}

impl Deref for Mic {
    type Target = Entry;
    fn deref(&self) -> &Entry {
        self.0
    }
}

impl fmt::Debug for Mic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Mic({})", self.0.name)
    }
}

impl fmt::Display for Mic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0.name)
    }
}

impl PartialEq for Mic {
    fn eq(&self, other: &Self) -> bool {
        self.0.order == other.0.order
    }
}

impl Eq for Mic {}

impl Hash for Mic {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.order.hash(state);
    }
}

impl PartialOrd for Mic {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Mic {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.order.cmp(&other.0.order)
    }
}

impl Serialize for Mic {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0.name)
    }
}

impl<'de> Deserialize<'de> for Mic {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        Mic::named(&name).ok_or_else(|| D::Error::custom(format!("no mic is called {name:?}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::Label;

    /// Every mic that an output may be named after, in the order of the table.
    const NAMES: &str = "kick-in kick-out kick-sub snare-top snare-bottom snare-side \
        tom-1 tom-2 tom-3 tom-4 tom-5 tom-6 hat ride china splash crash cymbal \
        overhead room room-near room-far room-high trigger talkback click reference unknown-mic";

    #[test]
    fn the_table_holds_every_mic_in_order_and_once() {
        let names: Vec<_> = Mic::all().map(Mic::name).collect();
        assert_eq!(names, NAMES.split_whitespace().collect::<Vec<_>>());
        assert!(Mic::named("snare-top") < Mic::named("hat"));
    }

    #[test]
    fn only_overheads_and_rooms_are_pairs_and_only_they_and_kick_snare_hat_stay_in() {
        for mic in Mic::all() {
            let wide = matches!(mic.family, Family::Overhead | Family::Room);
            assert_eq!(mic.pair, wide, "{mic}");
            let optional = matches!(mic.family, Family::Tom | Family::Cymbal);
            assert_eq!(mic.may_be_left_out, optional, "{mic}");
            let mixed = !matches!(mic.family, Family::Utility | Family::Unknown);
            assert_eq!(mic.fader_db.is_some(), mixed, "{mic}");
            assert_eq!(mic.level_dbfs.is_some(), mixed, "{mic}");
            assert!((-100.0..=100.0).contains(&mic.pan));
        }
    }

    #[test]
    fn every_noted_mic_exists_and_every_word_is_one_of_the_trade() {
        let table = table();
        assert!(table.noted.iter().all(|n| Mic::named(&n.mic).is_some()));
        let phrases = (table.mic.iter().flat_map(|m| &m.words))
            .chain(table.tom.iter().flat_map(|t| &t.words))
            .chain(table.noted.iter().flat_map(|n| &n.words))
            .chain(table.ask.iter().flat_map(|a| &a.words))
            .chain(table.alias.keys())
            .chain(&table.nouns);
        let candidates = table.ask.iter().flat_map(|a| &a.candidates);
        for label in candidates {
            assert!(Label::parse(label).is_some(), "{label}");
        }
        let mut spellings: Vec<&String> = table.alias.values().flatten().collect();
        spellings.extend(table.alias.keys().filter(|word| !word.contains(' ')));
        spellings.sort();
        let twice = spellings.windows(2).find(|pair| pair[0] == pair[1]);
        assert_eq!(twice, None, "one spelling, two words");
        for word in phrases.flat_map(|phrase| phrase.split(' ')) {
            assert!(table.alias.contains_key(word) || word == "drum", "{word}");
        }
    }

    #[test]
    fn a_mic_is_its_name_in_files() {
        let mic: Mic = serde_json::from_str("\"tom-2\"").expect("a name");
        assert_eq!(Some(mic), Mic::tom(2));
        assert_eq!(serde_json::to_string(&mic).expect("text"), "\"tom-2\"");
        assert!(serde_json::from_str::<Mic>("\"tom-9\"").is_err());
    }
}
