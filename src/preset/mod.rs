//! [`Preset`]: a chain of stages and a level rule, as a person writes it.
//!
//! [`load`] turns text into checked data or every problem with its place; [`find`] does so by name
//! or path. What needs the sample rate is checked by [`Preset::check_at`]; what a stage follows is
//! filled in when the worksheet is decided.

use std::ops::{Range, RangeInclusive};
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub(crate) use builtin::is_path;
pub use builtin::{Builtin, builtin, find, list, read, show};
pub use load::load;

mod builtin;
pub mod curve;
mod load;
pub mod schema;

use crate::problem::{Problem, Problems};
use crate::stage::{Expected, Fault, Stage};

/// A preset file may have no more bytes than this.
pub const MAX_BYTES: u64 = 1_000_000;
/// A preset may have no more stages than this.
pub const MAX_STAGES: usize = 100;
/// Rate of the first check, in hertz: what is wrong here is wrong at every rate.
const HIGHEST_RATE_HZ: f64 = 384_000.0;

/// What is done to a track.
#[derive(Clone, Debug)]
pub struct Preset {
    /// Its file's name without folder and ending.
    pub name: String,
    /// What it is for and when to use it.
    pub about: String,
    /// The mics it is meant for; advice only.
    pub mics: Vec<String>,
    /// Applied in this order.
    pub stages: Vec<Step>,
    /// How the level behind the last stage is set; `None`: it stays.
    pub level: Option<LevelRule>,
    file: String,
    text: Arc<str>,
}

/// One stage of a preset.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// As written; where it follows something, `freq_hz` is what is used without a measurement.
    pub stage: Stage,
    /// What its `freq_hz` follows.
    pub follow: Option<Follow>,
    spans: Spans,
}

/// Where a step stands in its file.
#[derive(Clone, Debug, Default, PartialEq)]
struct Spans {
    name: Range<usize>,
    /// Every key with the place of its value.
    values: Vec<(String, Range<usize>)>,
}

/// A frequency that goes with the drum's tuning.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Follow {
    /// What is followed.
    pub of: Followed,
    /// The measured frequency is multiplied by this, 0.1 to 16.
    pub times: f64,
    /// Never below this, in hertz.
    pub min_hz: Option<f64>,
    /// Never above this, in hertz.
    pub max_hz: Option<f64>,
}

/// Which measured frequency is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Followed {
    /// The note of the drum.
    Fundamental,
    /// The strongest partial above it.
    NextPartial,
    /// The partial that stands out between 250 and 600 Hz, where drums sound boxy.
    BoxyPartial,
}

/// How a level is set.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct LevelRule {
    /// Which measure of the signal behind the last stage.
    pub measure: Measure,
    /// Its target in the measure's own unit (dBFS, dBTP, LUFS or LU), −60 to 0.
    pub target: f64,
    /// Which tracks get one gain.
    #[schemars(default)]
    pub link: Link,
    /// The gain is lowered until no file of the group passes this, −20 to 0 dBTP.
    #[schemars(default = "default_ceiling")]
    pub ceiling_dbtp: f64,
    /// No file is raised by more than this, 0 to 80 dB.
    #[schemars(default = "default_max_gain")]
    pub max_gain_db: f64,
}

/// A measure of level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// Typical peak of the hits, in dBFS.
    HitLevel,
    /// Largest sample, in dBFS.
    SamplePeak,
    /// Largest value between and at the samples, in dBTP.
    TruePeak,
    /// Integrated loudness, in LUFS.
    Integrated,
    /// Integrated loudness over that of the source with the gain of its clean stem, in LU; where there is
    /// none, at the mic's working level.
    OverSource,
    /// Root mean square of the whole track, in dBFS.
    Rms,
}

/// Tracks that get one gain.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// Each file for itself.
    File,
    /// All takes of a mic in a set-up.
    #[default]
    Mic,
    /// All mics and takes of a song.
    Song,
    /// Everything.
    Session,
}

impl LevelRule {
    /// Whether files share their gain.
    pub fn is_linked(&self) -> bool {
        self.link != Link::File
    }
}

impl Follow {
    /// What `times` may be.
    pub const TIMES: RangeInclusive<f64> = 0.1..=16.0;
    /// What `min_hz` and `max_hz` may be at most, in hertz.
    pub const HIGHEST_HZ: f64 = 20_000.0;
}

impl LevelRule {
    /// What `target` may be, in the measure's own unit.
    pub const TARGET: RangeInclusive<f64> = -60.0..=0.0;
    /// What `ceiling_dbtp` may be.
    pub const CEILING: RangeInclusive<f64> = -20.0..=0.0;
    /// `ceiling_dbtp` where a preset does not say.
    pub const DEFAULT_CEILING: f64 = -1.0;
    /// What `max_gain_db` may be.
    pub const MAX_GAIN: RangeInclusive<f64> = 0.0..=80.0;
    /// `max_gain_db` where a preset does not say: more than any preamp is off by, less than what
    /// makes a wrong file loud. Common practice, no source.
    pub const DEFAULT_MAX_GAIN: f64 = 24.0;
}

fn default_ceiling() -> f64 {
    LevelRule::DEFAULT_CEILING
}

fn default_max_gain() -> f64 {
    LevelRule::DEFAULT_MAX_GAIN
}

impl Preset {
    /// The text that it was read from, without a byte order mark.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Checks every stage at a sample rate. `of` names what has it ("`take-03 kick-in`").
    ///
    /// # Errors
    /// Every value that this rate does not allow, with its place in the preset.
    pub fn check_at(&self, rate_hz: f64, of: &str) -> Result<(), Problems> {
        let mut problems = Problems::new("preset", &self.file, &self.text);
        for (index, step) in self.stages.iter().enumerate() {
            let of = format!("the rate of {of}");
            problems.within(place(index, step.name()), |problems| {
                step.check(rate_hz, &of, problems);
            });
        }
        problems.finish(Some(()))
    }

    /// The stages as they are without a measurement: what follows has its `freq_hz`.
    pub fn fallback(&self) -> Vec<Stage> {
        self.stages.iter().map(|step| step.stage.clone()).collect()
    }
}

impl Step {
    /// The stage's name in a preset.
    pub fn name(&self) -> &'static str {
        self.stage.name()
    }

    fn check(&self, rate_hz: f64, of: &str, problems: &mut Problems) {
        for fault in self.stage.settings().check(rate_hz) {
            let value = self.spans.values.iter().find(|(key, _)| key == fault.key);
            let span = value.map_or(&self.spans.name, |(_, span)| span);
            problems.add(Problem::at(span.clone(), limit(&fault, rate_hz, of)));
        }
    }
}

/// A fault's message, with the origin of a limit that comes from the sample rate.
fn limit(fault: &Fault, rate_hz: f64, of: &str) -> String {
    let expected = fault.expected;
    match expected {
        Expected::Between { high, .. } if high == rate_hz / 2.0 => {
            format!("{expected} (half of {rate_hz} Hz, {of})")
        }
        _ => expected.to_string(),
    }
}

fn place(index: usize, stage: &str) -> String {
    format!("in stage {} ({stage})", index + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_those_of_serde_and_of_the_table() {
        for row in crate::stage::STAGES {
            let text = format!("stages = [ {} ]", row.example);
            let preset = load(&text, "x.toml").unwrap_or_else(|e| panic!("{e}"));
            let step = &preset.stages[0];
            assert_eq!(step.name(), row.name);
            let json = serde_json::to_value(&step.stage).expect("plain data");
            assert!(json.get(row.name).is_some(), "{json}");
        }
    }

    #[test]
    fn every_stage_with_a_frequency_can_follow_a_drum() {
        for row in crate::stage::STAGES {
            let text = format!("stages = [ {} ]", row.example);
            let mut preset = load(&text, "x.toml").unwrap_or_else(|e| panic!("{e}"));
            let follows = preset.stages[0].stage.settings_mut().freq_hz().is_some();
            assert_eq!(follows, row.example.contains("freq_hz"), "{}", row.name);
        }
    }

    #[test]
    fn a_value_that_a_rate_does_not_allow_is_marked_in_the_preset() {
        let text = "stages = [\n  { high-pass = { freq_hz = 30000, order = 4 } },\n]\n";
        let preset = load(text, "tight.toml").expect("right at high rates");
        assert!(preset.check_at(96_000.0, "`take-03`").is_ok());
        let problems = preset
            .check_at(48_000.0, "`take-03`")
            .expect_err("too high");
        let want = "\
error: 1 problem in preset `tight.toml`; nothing was written

 --> tight.toml:2:29
  |
2 |   { high-pass = { freq_hz = 30000, order = 4 } },
  |                             ^^^^^ expected above 0 and below 24000 (half of 48000 Hz, the rate of `take-03`)
  |
  = in stage 1 (high-pass)";
        assert_eq!(problems.to_string(), want);
    }
}
