//! [`Worksheet`]: what will be done to each track and why; TOML that a person can read, edit and
//! give back.

use std::fmt::Write as _;
use std::io;

use serde::{Deserialize, Serialize};

use crate::problem::quoted;
use crate::reason::Reason;
use crate::stage::Stage;

pub use given::{Given, Worksheet};
pub use notes::{Notes, Place, without_notes};

mod given;
mod notes;

/// A value with the reason for it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Decided<T> {
    /// What was decided.
    pub value: T,
    /// Why; `None` where it goes without saying.
    pub why: Option<Reason>,
    /// By a person, in the worksheet.
    #[serde(default)]
    pub edited: bool,
}

impl<T> Decided<T> {
    /// A value and its reason.
    pub fn new(value: T, why: Reason) -> Self {
        Self {
            value,
            why: Some(why),
            edited: false,
        }
    }

    /// A value that a person gave in the worksheet.
    pub fn edited(value: T) -> Self {
        let why = Reason::Worksheet {
            decided_db: None,
            because: None,
        };
        Self {
            edited: true,
            ..Self::new(value, why)
        }
    }

    /// A value that needs no reason.
    pub fn plain(value: T) -> Self {
        Self {
            value,
            why: None,
            edited: false,
        }
    }
}

/// What will be done to one track (or one stem derived from it).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// `low-tide/take-03/low-tide_take-03_snare-top`.
    pub key: String,
    /// The mic's name.
    pub mic: String,
    /// The preset that the stages come from.
    pub preset: String,
    /// No stem is written.
    pub left_out: Decided<bool>,
    /// The stem is written, but the rough mix omits it.
    pub muted: Decided<bool>,
    /// Polarity is inverted ahead of the stages.
    pub polarity_inverted: Decided<bool>,
    /// The track is moved later by so many samples (earlier if negative) ahead of the stages.
    pub delay_samples: Decided<i64>,
    /// In order; a followed frequency is a number here.
    pub stages: Vec<Decided<Stage>>,
    /// Behind the last stage, dB.
    pub gain_db: Decided<f64>,
}

impl Entry {
    /// The chain that runs: polarity and delay, the stages, the gain.
    pub fn chain(&self) -> Vec<Stage> {
        let mut chain = self.chain_before_gain();
        if self.gain_db.value != 0.0 {
            chain.push(Stage::Gain(crate::stage::Gain {
                gain_db: self.gain_db.value,
            }));
        }
        chain
    }

    /// The chain without the gain behind it: what is tried before the gain is known.
    pub fn chain_before_gain(&self) -> Vec<Stage> {
        let mut chain = Vec::with_capacity(self.stages.len() + 3);
        if self.polarity_inverted.value {
            chain.push(Stage::Polarity(crate::stage::Polarity { inverted: true }));
        }
        if self.delay_samples.value != 0 {
            let samples = Some(self.delay_samples.value);
            chain.push(Stage::Delay(crate::stage::Delay { samples, ms: None }));
        }
        chain.extend(self.stages.iter().map(|stage| stage.value.clone()));
        chain
    }
}

/// What stands above the entries.
const HEAD: &str = "\
# What is done to each track, and why.
# Edit a value and run the same command again: batterhead prep SESSION --out DIR
# An edited value counts for its track alone, and is not linked to others any more.
# Your own comments stay.
";

/// Writes a worksheet of these entries as TOML: one table a track, one value a line with its reason
/// behind it, in stable order; and what a person wrote beside them.
pub fn write<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
    notes: &Notes,
    mut sink: impl io::Write,
) -> io::Result<()> {
    sink.write_all(HEAD.as_bytes())?;
    let mut text = String::new();
    notes.write(&Place::top("schema"), "", &mut text);
    text.push_str("schema = 1\n");
    for entry in entries {
        entry.write(notes, &mut text);
        sink.write_all(text.as_bytes())?;
        text.clear();
    }
    notes.write_end(&mut text);
    sink.write_all(text.as_bytes())
}

impl Entry {
    fn write(&self, notes: &Notes, text: &mut String) {
        text.push('\n');
        notes.write(&Place::head(&self.key), "", text);
        // Writing to a string cannot fail.
        let _ = writeln!(text, "[track.{}]", quoted(&self.key));
        let mut put = |key: &str, line: String| {
            notes.write(&Place::value(&self.key, key), "", text);
            text.push_str(&line);
        };
        put("mic", format!("mic = {}\n", quoted(&self.mic)));
        put("preset", format!("preset = {}\n", quoted(&self.preset)));
        put("left_out", line("left_out", &self.left_out));
        put("muted", line("muted", &self.muted));
        put(
            "polarity_inverted",
            line("polarity_inverted", &self.polarity_inverted),
        );
        put("delay_samples", line("delay_samples", &self.delay_samples));
        if self.stages.is_empty() {
            put("stages", "stages = []\n".to_owned());
        } else {
            put("stages", "stages = [\n".to_owned());
            for (i, stage) in self.stages.iter().enumerate() {
                notes.write(&Place::stage(&self.key, i), "  ", text);
                let value = toml::Value::try_from(&stage.value).expect("a stage is a TOML table");
                let _ = writeln!(text, "  {},{}", inline(&value), comment(stage.why.as_ref()));
            }
            notes.write(&Place::stage(&self.key, usize::MAX), "  ", text);
            text.push_str("]\n");
        }
        notes.write(&Place::value(&self.key, "gain_db"), "", text);
        text.push_str(&line("gain_db", &self.gain_db));
    }
}

fn line<T: Serialize>(key: &str, decided: &Decided<T>) -> String {
    let value = toml::Value::try_from(&decided.value).expect("a plain value");
    let why = comment(decided.why.as_ref());
    format!("{key} = {}{why}\n", inline(&value))
}

/// A reason as a comment. Line breaks would end it.
fn comment(why: Option<&Reason>) -> String {
    let Some(why) = why else {
        return String::new();
    };
    format!(
        "  # {}",
        crate::error::printable(&crate::wording::reason(why))
    )
}

/// A value on one line; whole numbers without their `.0`.
fn inline(value: &toml::Value) -> String {
    match value {
        toml::Value::Float(number) => format!("{number}"),
        toml::Value::Array(items) => {
            let items: Vec<String> = items.iter().map(inline).collect();
            format!("[{}]", items.join(", "))
        }
        toml::Value::Table(table) => {
            let pairs: Vec<String> = table
                .iter()
                .map(|(k, v)| format!("{k} = {}", inline(v)))
                .collect();
            format!("{{ {} }}", pairs.join(", "))
        }
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests;
