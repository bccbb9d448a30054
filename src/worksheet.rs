//! [`Worksheet`]: what will be done to each track and why; TOML that a person can read, edit and
//! give back.

use std::fmt::Write as _;
use std::io;
use std::ops::Range;

use serde::Serialize;

use crate::problem::walk::{self, Fields};
use crate::problem::{Problem, Problems};
use crate::reason::Reason;
use crate::stage::Stage;

/// A value with the reason for it.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided<T> {
    /// What was decided.
    pub value: T,
    /// Why; `None` where it goes without saying.
    pub why: Option<Reason>,
}

impl<T> Decided<T> {
    /// A value and its reason.
    pub fn new(value: T, why: Reason) -> Self {
        Self {
            value,
            why: Some(why),
        }
    }

    /// A value that needs no reason.
    pub fn plain(value: T) -> Self {
        Self { value, why: None }
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

/// All entries, in the order of the session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Worksheet {
    /// One a track or derived stem.
    pub entries: Vec<Entry>,
}

impl Worksheet {
    /// As TOML.
    pub fn to_toml(&self) -> String {
        let mut text = Vec::new();
        write(&self.entries, &mut text).expect("memory takes it");
        String::from_utf8(text).expect("it was text")
    }
}

/// Writes a worksheet of these entries as TOML: one table a track, one value a line with its reason
/// behind it, in stable order.
pub fn write<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
    mut sink: impl io::Write,
) -> io::Result<()> {
    sink.write_all(
        b"# What is done to each track, and why.\n\
          # Edit a value and give the file back: batterhead prep SESSION --out DIR --worksheet FILE\n\
          # An edited value counts for its track alone, and is not linked to others any more.\n\
          schema = 1\n",
    )?;
    let mut text = String::new();
    entries.into_iter().try_for_each(|entry| {
        text.clear();
        entry.write(&mut text);
        sink.write_all(text.as_bytes())
    })
}

impl Worksheet {
    /// Reads a worksheet that a person may have edited; `name` is how problems call the file.
    ///
    /// # Errors
    /// Every problem of the text at once: syntax, unknown keys, wrong types, values out of range.
    pub fn parse(text: &str, name: &str) -> Result<Self, Problems> {
        let mut problems = Problems::new("worksheet", name, text);
        let text = problems.text();
        let Some(table) = walk::parse(&text, &mut problems) else {
            return problems.finish(None);
        };
        let mut top = Fields::new(&table, None, &mut problems);
        top.require("schema");
        top.i64("schema", 1..=1);
        let tracks = top.table("track");
        top.finish();
        let mut entries = Vec::new();
        for (key, place, value) in tracks.map(walk::entries).into_iter().flatten() {
            if let Some(table) = value.table(&mut problems) {
                let context = format!("in track {key}");
                let entry = problems.within(context, |problems| {
                    Entry::read(key, Fields::new(table, Some(place), problems))
                });
                entries.extend(entry);
            }
        }
        problems.finish(Some(Self { entries }))
    }
}

impl Entry {
    /// `None` where a value is missing or wrong, which has been reported then.
    fn read(key: &str, mut fields: Fields<'_, '_>) -> Option<Self> {
        for key in [
            "mic",
            "preset",
            "left_out",
            "muted",
            "polarity_inverted",
            "delay_samples",
            "stages",
            "gain_db",
        ] {
            fields.require(key);
        }
        let mic = fields.string("mic");
        let preset = fields.string("preset");
        let left_out = fields.bool("left_out");
        let muted = fields.bool("muted");
        let polarity_inverted = fields.bool("polarity_inverted");
        let delay_samples = fields.i64("delay_samples", -100_000..=100_000);
        let gain_db = fields.f64("gain_db", -60.0..=60.0);
        let mut stages = Vec::new();
        for value in fields.array("stages").unwrap_or_default() {
            if let Some(stage) = value.read::<Stage>(fields.problems) {
                for fault in stage.settings().check(HIGHEST_RATE_HZ) {
                    fields.problems.add(fault_at(value.span(), &fault));
                }
                stages.push(Decided::plain(stage));
            }
        }
        fields.finish();
        Some(Self {
            key: key.to_owned(),
            mic: mic?.to_owned(),
            preset: preset?.to_owned(),
            left_out: Decided::plain(left_out?),
            muted: Decided::plain(muted?),
            polarity_inverted: Decided::plain(polarity_inverted?),
            delay_samples: Decided::plain(delay_samples?),
            stages,
            gain_db: Decided::plain(gain_db?),
        })
    }

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
                let _ = writeln!(text, "  {},{}", inline(&value), comment(stage.why.as_ref()));
            }
            text.push_str("]\n");
        }
        line(text, "gain_db", &self.gain_db);
    }
}

/// Faults that depend on the rate are found later, track by track; these are wrong at any.
const HIGHEST_RATE_HZ: f64 = 384_000.0;

fn fault_at(span: Range<usize>, fault: &crate::stage::Fault) -> Problem {
    Problem::at(span, fault.to_string())
}

fn line<T: Serialize>(text: &mut String, key: &str, decided: &Decided<T>) {
    let value = toml::Value::try_from(&decided.value).expect("a plain value");
    let _ = writeln!(
        text,
        "{key} = {}{}",
        inline(&value),
        comment(decided.why.as_ref())
    );
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

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::{HighPass, Peak};

    fn sheet() -> Worksheet {
        let entry = Entry {
            key: "low-tide/take-03/low-tide_take-03_snare-top".to_owned(),
            mic: "snare-top".to_owned(),
            preset: "snare-top".to_owned(),
            left_out: Decided::plain(false),
            muted: Decided::new(true, Reason::NotPlayed { whole_song: false }),
            polarity_inverted: Decided::new(
                true,
                Reason::PolarityOpposed {
                    against: "snare\ntop".to_owned(),
                    hits: 54,
                    correlation: -0.9,
                    confidence: 0.94,
                },
            ),
            delay_samples: Decided::plain(-12),
            stages: vec![
                Decided::plain(Stage::HighPass(HighPass {
                    freq_hz: 80.0,
                    order: 4,
                    shape: Default::default(),
                })),
                Decided::new(
                    Stage::Peak(Peak {
                        freq_hz: 203.1,
                        gain_db: 3.0,
                        q: 1.4,
                    }),
                    Reason::DriveMatched,
                ),
            ],
            gain_db: Decided::new(3.4, Reason::NoTarget),
        };
        Worksheet {
            entries: vec![entry],
        }
    }

    #[test]
    fn a_worksheet_survives_writing_and_reading_without_its_reasons() {
        let text = sheet().to_toml();
        let read = Worksheet::parse(&text, "worksheet.toml").unwrap();
        let values = |sheet: &Worksheet| -> Vec<_> {
            sheet
                .entries
                .iter()
                .map(|e| (e.key.clone(), e.chain(), e.left_out.value, e.muted.value))
                .collect()
        };
        assert_eq!(values(&read), values(&sheet()));
        assert!(
            text.contains("gain_db = 3.4  # the preset sets no level\n"),
            "{text}"
        );
        assert!(
            text.contains("{ high-pass = { freq_hz = 80, order = 4 } },\n"),
            "{text}"
        );
    }

    #[test]
    fn every_nonsense_line_is_named_with_its_place() {
        let text = sheet()
            .to_toml()
            .replace("gain_db = 3.4", "gain_db = \"loud\"")
            .replace("delay_samples = -12", "delay_samples = 1.5")
            .replace("order = 4", "order = 9")
            .replace("muted", "mutted");
        let problems = Worksheet::parse(&text, "w.toml").unwrap_err();
        let shown = problems.render(false);
        for words in ["mutted", "muted", "loud", "1.5", "order"] {
            assert!(shown.contains(words), "{words} in\n{shown}");
        }
        assert!(problems.list().len() >= 5, "{shown}");
    }
}
