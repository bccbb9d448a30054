//! [`Mic`]: a microphone by its place on the kit, from the one table `presets/mics.toml`.

/// Which part of the kit a mic hears first: what hits, tuning and the mix go by.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
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

/// What the table says of one mic.
#[derive(Debug, PartialEq)]
pub struct Entry {
    /// `snare-top`, as in file names and presets.
    pub name: String,
    /// The part of the kit.
    pub family: Family,
    /// Whether two files of it, left and right, are one stereo track by default.
    pub pair: bool,
    /// Default fader of the rough mix; `None`: not in the mix.
    pub fader_db: Option<f64>,
    /// Default pan of the rough mix, −100 (left) to 100 (right), player's view, right-handed kit.
    pub pan: f64,
}

/// A microphone: a row of the table.
#[derive(Clone, Copy, Debug)]
pub struct Mic(&'static Entry);
