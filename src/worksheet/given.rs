//! [`Worksheet`]: a worksheet as a person gives it back, whole or in part.

use std::fmt::Write as _;
use std::ops::Range;

use super::{Decided, Entry, inline};
use crate::problem::walk::{self, Fields};
use crate::problem::{Problem, Problems, quoted};
use crate::stage::{Drive, Stage};

/// All entries of a worksheet, in its order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Worksheet {
    /// One a track or derived stem.
    pub entries: Vec<Given>,
}

/// What a worksheet says of one track. What it does not say is decided.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Given {
    /// `low-tide/take-03/low-tide_take-03_snare-top`.
    pub key: String,
    /// The mic's name.
    pub mic: Option<String>,
    /// The preset that the stages come from.
    pub preset: Option<String>,
    /// See [`Entry`].
    pub left_out: Option<bool>,
    /// See [`Entry`].
    pub muted: Option<bool>,
    /// See [`Entry`].
    pub polarity_inverted: Option<bool>,
    /// See [`Entry`].
    pub delay_samples: Option<i64>,
    /// See [`Entry`].
    pub stages: Option<Vec<Stage>>,
    /// See [`Entry`].
    pub gain_db: Option<f64>,
}

/// Faults that depend on the rate are found later, track by track; these are wrong at any.
const HIGHEST_RATE_HZ: f64 = 384_000.0;

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
        top.i64("schema", 1..=1);
        let tracks = top.table("track");
        top.finish();
        let mut entries = Vec::new();
        for (key, place, value) in tracks.map(walk::entries).into_iter().flatten() {
            if let Some(table) = value.table(&mut problems) {
                let context = format!("in track {key}");
                let entry = problems.within(context, |problems| {
                    Given::read(key, Fields::new(table, Some(place), problems))
                });
                entries.push(entry);
            }
        }
        problems.finish(Some(Self { entries }))
    }

    /// What it says of a track.
    pub fn get(&self, key: &str) -> Option<&Given> {
        self.entries.iter().find(|given| given.key == key)
    }

    /// As TOML, without comments.
    pub fn to_toml(&self) -> String {
        let mut text = String::from("schema = 1\n");
        self.entries.iter().for_each(|given| given.write(&mut text));
        text
    }
}

impl Given {
    fn read(key: &str, mut fields: Fields<'_, '_>) -> Self {
        let mic = fields.string("mic").map(str::to_owned);
        let preset = fields.string("preset").map(str::to_owned);
        let left_out = fields.bool("left_out");
        let muted = fields.bool("muted");
        let polarity_inverted = fields.bool("polarity_inverted");
        let delay_samples = fields.i64("delay_samples", -100_000..=100_000);
        let gain_db = fields.f64("gain_db", -60.0..=60.0);
        let stages = fields.array("stages").map(|values| {
            let mut stages = Vec::new();
            for value in values {
                if let Some(stage) = value.read::<Stage>(fields.problems) {
                    for fault in stage.settings().check(HIGHEST_RATE_HZ) {
                        fields.problems.add(fault_at(value.span(), &fault));
                    }
                    stages.push(stage);
                }
            }
            stages
        });
        fields.finish();
        Self {
            key: key.to_owned(),
            mic,
            preset,
            left_out,
            muted,
            polarity_inverted,
            delay_samples,
            stages,
            gain_db,
        }
    }

    fn write(&self, text: &mut String) {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "\n[track.{}]", quoted(&self.key));
        for (key, value) in [("mic", &self.mic), ("preset", &self.preset)] {
            if let Some(value) = value {
                let _ = writeln!(text, "{key} = {}", quoted(value));
            }
        }
        for (key, value) in [
            ("left_out", self.left_out),
            ("muted", self.muted),
            ("polarity_inverted", self.polarity_inverted),
        ] {
            if let Some(value) = value {
                let _ = writeln!(text, "{key} = {value}");
            }
        }
        if let Some(samples) = self.delay_samples {
            let _ = writeln!(text, "delay_samples = {samples}");
        }
        if let Some(stages) = &self.stages {
            let stages = stages.iter().map(|stage| {
                let value = toml::Value::try_from(stage).expect("a stage is a TOML table");
                format!("  {},\n", inline(&value))
            });
            let _ = writeln!(text, "stages = [\n{}]", stages.collect::<String>());
        }
        if let Some(gain_db) = self.gain_db {
            let _ = writeln!(text, "gain_db = {gain_db}");
        }
    }

    /// What of it is not as in an entry that it is an edited form of.
    pub fn edits_of(&self, before: &Entry) -> Self {
        fn differs<T: PartialEq + Clone>(given: &Option<T>, before: &Decided<T>) -> Option<T> {
            given.clone().filter(|given| *given != before.value)
        }
        let same_stages = |stages: &Vec<Stage>| {
            stages.len() == before.stages.len()
                && stages
                    .iter()
                    .zip(&before.stages)
                    .all(|(given, before)| same_but_match(given, &before.value))
        };
        Self {
            key: self.key.clone(),
            mic: self.mic.clone().filter(|mic| *mic != before.mic),
            preset: self
                .preset
                .clone()
                .filter(|preset| *preset != before.preset),
            left_out: differs(&self.left_out, &before.left_out),
            muted: differs(&self.muted, &before.muted),
            polarity_inverted: differs(&self.polarity_inverted, &before.polarity_inverted),
            delay_samples: differs(&self.delay_samples, &before.delay_samples),
            stages: self.stages.clone().filter(|stages| !same_stages(stages)),
            gain_db: differs(&self.gain_db, &before.gain_db),
        }
    }

    /// The values of an entry that a person gave.
    pub fn edited_in(entry: &Entry) -> Self {
        fn edited<T: Clone>(decided: &Decided<T>) -> Option<T> {
            decided.edited.then(|| decided.value.clone())
        }
        let stages = || {
            entry
                .stages
                .iter()
                .map(|stage| stage.value.clone())
                .collect()
        };
        Self {
            key: entry.key.clone(),
            mic: None,
            preset: None,
            left_out: edited(&entry.left_out),
            muted: edited(&entry.muted),
            polarity_inverted: edited(&entry.polarity_inverted),
            delay_samples: edited(&entry.delay_samples),
            stages: entry.stages.iter().any(|stage| stage.edited).then(stages),
            gain_db: edited(&entry.gain_db),
        }
    }

    /// Whether it says anything of what is done to the track.
    pub fn is_empty(&self) -> bool {
        *self
            == Self {
                key: self.key.clone(),
                ..Self::default()
            }
    }

    /// With what `other` says in place of its own.
    pub fn with(self, other: &Self) -> Self {
        Self {
            key: self.key,
            mic: other.mic.clone().or(self.mic),
            preset: other.preset.clone().or(self.preset),
            left_out: other.left_out.or(self.left_out),
            muted: other.muted.or(self.muted),
            polarity_inverted: other.polarity_inverted.or(self.polarity_inverted),
            delay_samples: other.delay_samples.or(self.delay_samples),
            stages: other.stages.clone().or(self.stages),
            gain_db: other.gain_db.or(self.gain_db),
        }
    }

    /// Puts all but the gain over what was decided. Gives what differs from it, in words.
    pub fn put_over(&self, entry: &mut Entry) -> Vec<String> {
        let mut changed = Vec::new();
        fn put<T: PartialEq + Clone + std::fmt::Debug>(
            name: &str,
            mine: &mut Decided<T>,
            given: &Option<T>,
            changed: &mut Vec<String>,
        ) {
            if let Some(given) = given
                && mine.value != *given
            {
                changed.push(format!("{name} {given:?} instead of {:?}", mine.value));
                *mine = Decided::edited(given.clone());
            }
        }
        put(
            "left_out",
            &mut entry.left_out,
            &self.left_out,
            &mut changed,
        );
        put("muted", &mut entry.muted, &self.muted, &mut changed);
        let polarity = &mut entry.polarity_inverted;
        put(
            "polarity_inverted",
            polarity,
            &self.polarity_inverted,
            &mut changed,
        );
        let delay = &mut entry.delay_samples;
        put("delay_samples", delay, &self.delay_samples, &mut changed);
        if let Some(stages) = &self.stages {
            let same = stages.len() == entry.stages.len()
                && (stages.iter().zip(&entry.stages)).all(|(a, b)| same_but_match(a, &b.value));
            if same {
                // The measured match of a drive is taken as it stands in the worksheet.
                for (mine, given) in entry.stages.iter_mut().zip(stages) {
                    mine.value = given.clone();
                }
            } else {
                changed.push("other stages".to_owned());
                let stage = |stage: &Stage| Decided::edited(stage.clone());
                entry.stages = stages.iter().map(stage).collect();
            }
        }
        changed
    }
}

/// Whether two stages are the same, apart from a match that one of them has been given.
fn same_but_match(a: &Stage, b: &Stage) -> bool {
    match (a, b) {
        (Stage::Drive(a), Stage::Drive(b)) => {
            let bare = |drive: &Drive, match_db| Drive {
                match_db,
                ..drive.clone()
            };
            let same_match =
                a.match_db.is_none() || b.match_db.is_none() || a.match_db == b.match_db;
            same_match && bare(a, None) == bare(b, None)
        }
        _ => a == b,
    }
}

fn fault_at(span: Range<usize>, fault: &crate::stage::Fault) -> Problem {
    Problem::at(span, fault.to_string())
}
