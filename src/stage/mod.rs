//! Stages: what a chain is made of. `stages!` is the one list of them.
//!
//! A stage keeps its settings apart from its running state: settings never change while audio runs,
//! and one set serves every track. How the stream is cut cannot be heard.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use basic::{Delay, Gain, Polarity};
pub use bell::{Notch, Peak};
pub use biquad::Section;
pub use cascade::Cascade;
pub use chain::Chain;
pub use compress::Compress;
pub use drive::Drive;
pub use gate::Gate;
pub use pass::{HighPass, LowPass};
pub use shelf::{HighShelf, LowShelf, Tilt};

pub mod basic;
pub mod bell;
pub mod biquad;
pub mod cascade;
pub mod chain;
pub mod compress;
mod curve;
pub mod drive;
mod envelope;
pub mod gate;
mod history;
mod matched;
mod oversample;
pub mod pass;
pub mod shelf;

use crate::block::Block;

/// One row a stage: its settings, its name in a preset, what it does in one line, and one entry of
/// `stages` in TOML. All that knows every stage follows.
macro_rules! stages {
    ($($stage:ident $name:literal: $help:literal, $example:literal;)+) => {
        /// One line of a chain. Externally tagged: a tagged enum would lose the place of an error.
        #[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
        #[serde(rename_all = "kebab-case")]
        #[allow(missing_docs)] // each is documented at its settings
        pub enum Stage {
            $($stage($stage),)+
        }

        impl Stage {
            /// The settings behind the name.
            pub fn settings(&self) -> &dyn Settings {
                match self {
                    $(Stage::$stage(settings) => settings,)+
                }
            }

            /// The same, to be changed.
            pub fn settings_mut(&mut self) -> &mut dyn Settings {
                match self {
                    $(Stage::$stage(settings) => settings,)+
                }
            }

            /// Its name in a preset.
            pub fn name(&self) -> &'static str {
                match self {
                    $(Stage::$stage(_) => $name,)+
                }
            }
        }

        /// All stages, in the order of [`Stage`].
        pub const STAGES: [Row; [$($name),+].len()] = [
            $(Row { name: $name, help: $help, example: $example },)+
        ];
    };
}

stages! {
    HighPass "high-pass": "takes out what lies below a frequency, 6 to 48 dB per octave", "{ high-pass = { freq_hz = 80, order = 4 } }";
    LowPass "low-pass": "takes out what lies above a frequency, 6 to 48 dB per octave", "{ low-pass = { freq_hz = 12000, order = 2 } }";
    Peak "peak": "lifts or lowers the surroundings of a frequency", "{ peak = { freq_hz = 200, gain_db = 3.0, q = 1.4 } }";
    LowShelf "low-shelf": "lifts or lowers everything below a frequency", "{ low-shelf = { freq_hz = 120, gain_db = 4.0 } }";
    HighShelf "high-shelf": "lifts or lowers everything above a frequency", "{ high-shelf = { freq_hz = 8000, gain_db = 3.0, slope = 0.8 } }";
    Tilt "tilt": "turns the balance of lows and highs about a frequency", "{ tilt = { freq_hz = 1000, gain_db = 1.5 } }";
    Notch "notch": "takes one frequency out", "{ notch = { freq_hz = 50, q = 30 } }";
    Drive "drive": "distorts, without aliasing", "{ drive = { curve = \"tube\", drive_db = 12, mix = 0.3 } }";
    Compress "compress": "lowers what is louder than a threshold", "{ compress = { threshold_db = -18, ratio = 4, attack_ms = 10, release_ms = 120 } }";
    Gate "gate": "lowers what lies between the hits, along the ring of the drum", "{ gate = { range_db = -20 } }";
    Gain "gain": "changes the level", "{ gain = { gain_db = -3.0 } }";
    Polarity "polarity": "inverts the polarity", "{ polarity = { inverted = true } }";
    Delay "delay": "moves the sound later (positive) or earlier (negative)", "{ delay = { samples = 48 } }";
}

impl Stage {
    /// Whether it does something else to a loud sound than to a soft one.
    pub fn depends_on_level(&self) -> bool {
        matches!(self, Stage::Drive(_) | Stage::Compress(_))
    }

    /// Whether integer samples come out as integers of the same depth: nothing is lost that dither
    /// would have to cover.
    pub fn keeps_bits(&self) -> bool {
        match self {
            Stage::Polarity(_) | Stage::Delay(_) => true,
            Stage::Gain(gain) => gain.gain_db == 0.0,
            _ => false,
        }
    }
}

/// A stage as a preset's author meets it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Row {
    /// The name in a preset.
    pub name: &'static str,
    /// What it does, in one line.
    pub help: &'static str,
    /// One entry of `stages`, in TOML.
    pub example: &'static str,
}

pub(crate) fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// A setting that is out of range or contradicts another.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// The key as the preset spells it, `freq_hz`.
    pub key: &'static str,
    /// What the preset says, "30000".
    pub value: String,
    /// What it may be.
    pub expected: Expected,
}

/// What a setting may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Expected {
    /// Anything between two values, which are excluded.
    Between {
        /// The lower one.
        low: f64,
        /// The upper one.
        high: f64,
    },
    /// Anything between two values, which are allowed.
    Within {
        /// The lower one.
        low: f64,
        /// The upper one.
        high: f64,
    },
    /// What depends on another setting, in words.
    Other(&'static str),
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Between { low, high } => write!(f, "expected above {low} and below {high}"),
            Self::Within { low, high } => write!(f, "expected {low} to {high}"),
            Self::Other(words) => f.write_str(words),
        }
    }
}

impl fmt::Display for Fault {
    /// "`freq_hz` is 30000, expected above 0 and below 24000".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` is {}, {}", self.key, self.value, self.expected)
    }
}

/// A fault unless `low < value < high`.
pub(crate) fn between(key: &'static str, value: f64, low: f64, high: f64) -> Option<Fault> {
    let good = value > low && value < high; // NaN is never good
    (!good).then(|| Fault {
        key,
        value: value.to_string(),
        expected: Expected::Between { low, high },
    })
}

/// A fault unless `low <= value <= high`.
pub(crate) fn within<T>(key: &'static str, value: T, low: T, high: T) -> Option<Fault>
where
    T: PartialOrd + fmt::Display + Into<f64>,
{
    let good = value >= low && value <= high; // NaN is never good
    (!good).then(|| Fault {
        key,
        value: value.to_string(),
        expected: Expected::Within {
            low: low.into(),
            high: high.into(),
        },
    })
}

/// What a preset or the worksheet says of one stage, `{ high-pass = { freq_hz = 80, order = 4 } }`.
pub trait Settings {
    /// Every fault, not only the first, at this sample rate. An empty list is a promise that
    /// [`Settings::start`] cannot fail at this rate.
    fn check(&self, rate_hz: f64) -> Vec<Fault>;

    /// The stage at work on one track of so many channels. What has no [`Settings::sections`] says how.
    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running> {
        let sections = self.sections(rate_hz);
        let sections = sections.expect("a stage without sections starts in its own way");
        Box::new(Cascade::new(sections, channels))
    }

    /// The sections in series that a stage consists of; `None` where it consists of anything else.
    /// [`Chain`] runs those of neighbouring stages in one pass.
    fn sections(&self, _rate_hz: f64) -> Option<Vec<Section>> {
        None
    }

    /// The frequency with which it can follow a drum, where it has one.
    fn freq_hz(&mut self) -> Option<&mut f64> {
        None
    }

    /// Magnitude in dB at a frequency from 0 to half the rate, computed from what
    /// [`Settings::start`] would run; −300 at least, `None` where the stage is not linear.
    fn magnitude_db(&self, rate_hz: f64, freq_hz: f64) -> Option<f64> {
        let sections = self.sections(rate_hz)?;
        Some(biquad::magnitude_db(&sections, rate_hz, freq_hz))
    }
}

/// A stage at work on one track.
pub trait Running: Send {
    /// In place, going on where the last block ended; rate, channels and length stay.
    fn process(&mut self, block: &mut Block);
    /// In samples, fixed from the start on: the chain drops as many frames of what comes out.
    fn latency(&self) -> usize {
        0
    }
    /// Before the first frame: as though these constants, one a channel, had come in for ever. They are
    /// replaced by what comes out of that; 0 where a stage begins at rest all the same.
    fn settle(&mut self, constants: &mut [f64]) {
        constants.fill(0.0);
    }
}
