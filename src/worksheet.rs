//! [`Worksheet`]: what will be done to each track and why; TOML that a person can read, edit and
//! give back.

use std::fmt::Write as _;

use serde::Serialize;

use crate::stage::Stage;

/// A value with the reason for it, in words.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Decided<T> {
    /// What was decided.
    pub value: T,
    /// Why; empty where it goes without saying.
    pub why: String,
}

impl<T> Decided<T> {
    /// A value and its reason.
    pub fn new(value: T, why: impl Into<String>) -> Self {
        Self { value, why: why.into() }
    }

    /// A value that needs no reason.
    pub fn plain(value: T) -> Self {
        Self::new(value, "")
    }
}

/// What will be done to one track (or one stem derived from it).
#[derive(Clone, Debug, PartialEq)]
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
    /// Polarity is turned round ahead of the stages.
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
            chain.push(Stage::Gain(crate::stage::Gain { gain_db: self.gain_db.value }));
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

/// All entries, in the order of the session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Worksheet {
    /// One a track or derived stem.
    pub entries: Vec<Entry>,
}

impl Worksheet {
    /// As TOML: one table a track, one value a line with its reason behind it, in stable order.
    pub fn to_toml(&self) -> String {
        let mut text = String::from(
            "# What is done to each track, and why.\n\
             # Edit a value and give the file back: batterhead prep SESSION --out DIR --worksheet FILE\n\
             # An edited value counts for its track alone, and is not linked to others any more.\n\
             schema = 1\n",
        );
        for entry in &self.entries {
            entry.write(&mut text);
        }
        text
    }
}

impl Entry {
    fn write(&self, text: &mut String) {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "\n[track.{}]", quoted(&self.key));
        let _ = writeln!(text, "mic = {}", quoted(&self.mic));
        let _ = writeln!(text, "preset = {}", quoted(&self.preset));
        line(text, "left_out", &self.left_out);
        line(text, "muted", &self.muted);
        line(text, "polarity_inverted", &self.polarity_inverted);
        line(text, "delay_samples", &self.delay_samples);
        if self.stages.is_empty() {
            text.push_str("stages = []\n");
        } else {
            text.push_str("stages = [\n");
            for stage in &self.stages {
                let value = toml::Value::try_from(&stage.value).expect("a stage is a TOML table");
                let _ = writeln!(text, "  {},{}", inline(&value), comment(&stage.why));
            }
            text.push_str("]\n");
        }
        line(text, "gain_db", &self.gain_db);
    }
}

fn line<T: Serialize>(text: &mut String, key: &str, decided: &Decided<T>) {
    let value = toml::Value::try_from(&decided.value).expect("a plain value");
    let _ = writeln!(text, "{key} = {}{}", inline(&value), comment(&decided.why));
}

/// A reason as a comment. Line breaks would end it.
fn comment(why: &str) -> String {
    if why.is_empty() {
        return String::new();
    }
    format!("  # {}", crate::error::printable(&why.replace('\n', " ")))
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
            let pairs: Vec<String> = table.iter().map(|(k, v)| format!("{k} = {}", inline(v))).collect();
            format!("{{ {} }}", pairs.join(", "))
        }
        other => other.to_string(),
    }
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
