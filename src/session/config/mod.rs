//! [`SessionFile`]: what `session.toml` may say, checked. Each key is a row of `keys`, from which `load`,
//! `schema` and `init` follow.

use std::ops::RangeInclusive;
use std::path::PathBuf;

use crate::session::config::naming::Template;
use crate::session::config::pattern::Pattern;
use crate::session::label::Label;
use crate::session::{Mic, Track};

mod answers;
mod init;
mod key;
mod keys;
mod load;
pub mod naming;
pub mod pattern;
mod read;
pub mod schema;
mod unused;

pub(in crate::session) use answers::TRASHY_ROOM;
pub use answers::{Named, Place};
pub use init::init_toml;
pub(in crate::session) use init::pattern_of;
pub(in crate::session) use unused::unused;

/// A session file, or what holds without one.
#[derive(Clone, Debug, Default)]
pub struct SessionFile {
    /// The file it was read from.
    pub path: Option<PathBuf>,
    /// SHA-256 of that file.
    pub sha256: Option<String>,
    /// The session folder that it names, relative to itself; `None`: the folder it lies in.
    pub folder: Option<PathBuf>,
    /// Where song, take and mic stand in the paths.
    pub pattern: Option<Pattern>,
    /// What files and channels are, whatever they are called; the first that fits counts.
    pub inputs: Vec<Input>,
    /// Words as people write them → mic, added to the table or overruling it.
    pub words: Vec<(String, Label)>,
    /// Mic or label → preset by name or path.
    pub presets: Vec<(Label, String)>,
    /// The preset of every mic that has none in `presets`, apart from what is passed through.
    pub preset_of_all: Option<String>,
    /// Set-ups that are not one per song.
    pub setups: Vec<SetUp>,
    /// Whether two sides become one stereo stem.
    pub pairs: Pairs,
    /// Whether a take whose preamp was turned gets a gain of its own, which takes the step back.
    pub trim_level_steps: bool,
    /// What happens to drums that are never hit.
    pub left_out: LeftOut,
    /// Mics whose polarity is corrected without asking.
    pub polarity: Polarity,
    /// Mics that are moved in time to meet the others.
    pub align: Vec<Mic>,
    /// Stems of several mics, beside those of the tracks; empty: none.
    pub groups: Vec<MicGroup>,
    /// Which stems the page lets one compare with their source.
    pub excerpts: Excerpts,
    /// The rough mix.
    pub mix: Mix,
    /// What outputs are called.
    pub naming: Naming,
    /// Format of the stems.
    pub output: Output,
    /// Strokes for other programs.
    pub hits: Hits,
    /// What is known of the drums.
    pub kit: Vec<(Mic, Drum)>,
    /// Stems made of other stems' sources; `None`: the default of [`SessionFile::derived_of`].
    pub derived: Option<Vec<Derived>>,
}

/// Says what a file or channel is.
#[derive(Clone, Debug, Default)]
pub struct Input {
    /// Pattern of the file's name or of its path in the session folder; case does not count.
    pub file: Option<FilePattern>,
    /// Channel of a file with three or more, counted from 1.
    pub channel: Option<usize>,
    /// What it is; `None`: not part of the session.
    pub mic: Option<Label>,
}

/// A file-name pattern with `*`, `?` and `[…]`, as written and compiled.
#[derive(Clone, Debug)]
pub struct FilePattern {
    /// As written.
    pub text: String,
    /// Compiled.
    pub glob: globset::GlobMatcher,
}

/// A run of takes with the same kit, tuning and mic positions.
#[derive(Clone, Debug, Default)]
pub struct SetUp {
    /// What it is called.
    pub name: String,
    /// Patterns of `song/take` in slugs: `low-tide/*`.
    pub takes: Vec<FilePattern>,
}

/// Whether two sides become one stereo stem.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pairs {
    /// Overheads and rooms do.
    #[default]
    Stereo,
    /// Never.
    Split,
}

/// What happens to drums that are never hit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LeftOut {
    /// Each take leaves out what it does not play.
    Take,
    /// A song leaves out what none of its takes plays.
    #[default]
    Song,
    /// Everything is kept.
    Never,
}

/// Which stems get a few seconds before and after, for the page to switch between.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Excerpts {
    /// Each mic in one take of each song.
    #[default]
    Song,
    /// Each mic in every take.
    Take,
    /// None.
    Never,
}

/// Mics whose polarity is corrected without asking.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Polarity {
    /// All that stand at a drum beside its main mic.
    #[default]
    Further,
    /// These.
    Mics(Vec<Mic>),
}

impl Polarity {
    /// Whether the session file names the mic of a track.
    pub fn lists(&self, track: &Track) -> bool {
        matches!(self, Self::Mics(mics) if mics.contains(&track.mic))
    }

    /// Whether the polarity of a track is corrected.
    pub fn corrects(&self, track: &Track) -> bool {
        match self {
            Self::Further => track.index > 1 || FURTHER.contains(&track.mic.name()),
            Self::Mics(mics) => mics.contains(&track.mic),
        }
    }
}

/// Mics beside the main mic of their drum.
pub const FURTHER: [&str; 4] = ["kick-out", "kick-sub", "snare-bottom", "snare-side"];

/// A stem of several mics.
#[derive(Clone, Debug, PartialEq)]
pub struct MicGroup {
    /// A slug: `toms`.
    pub name: String,
    /// Its mics.
    pub mics: Vec<Mic>,
}

/// From where the kit is seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum View {
    /// As the player hears it: the hat on the left.
    #[default]
    Player,
    /// As the audience does.
    Audience,
}

/// The rough mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Mix {
    /// From where the kit is seen.
    pub view: View,
    /// The kit is set up left-handed.
    pub left_handed: bool,
    /// Integrated loudness, in LUFS.
    pub target_lufs: f64,
    /// True peak that no mix passes, in dBTP.
    pub ceiling_dbtp: f64,
    /// Whether the band gets 16-bit 44.1 kHz copies.
    pub listening_copy: bool,
    /// Whether the balance without processing is written beside each mix.
    pub dry: bool,
    /// Faders and pans that differ from the table's.
    pub mics: Vec<(Label, Strip)>,
    /// The same of derived stems, by their names.
    pub derived: Vec<(String, Strip)>,
    /// Faders of groups, in dB.
    pub groups: Vec<(String, f64)>,
}

/// What a session file says of one mic in the mix; `None`: the default.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Strip {
    /// Gain in dB.
    pub fader_db: Option<f64>,
    /// −100 (left) to 100 (right), as seen by the view that is set.
    pub pan: Option<f64>,
    /// Not in the mix.
    pub mute: Option<bool>,
}

impl Strip {
    /// What `fader_db` may be, of a mic and of a group.
    pub const FADER_DB: RangeInclusive<f64> = -100.0..=24.0;
}

impl Default for Mix {
    fn default() -> Self {
        Self {
            view: View::Player,
            left_handed: false,
            target_lufs: -18.0,
            ceiling_dbtp: -1.0,
            listening_copy: false,
            dry: false,
            mics: Vec::new(),
            derived: Vec::new(),
            groups: Vec::new(),
        }
    }
}

/// What outputs are called.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Naming {
    /// The template.
    pub template: Template,
    /// What `{text}` stands for.
    pub text: String,
    /// What `{date}` stands for.
    pub date: String,
}

/// Strokes for other programs.
#[derive(Clone, Debug, PartialEq)]
pub struct Hits {
    /// MIDI files and markers hold the strokes that are at least so probable.
    pub threshold: f64,
    /// MIDI notes that differ from those of General MIDI, by drum.
    pub notes: Vec<(String, u8)>,
    /// Whether each drum gets a MIDI file of its own, too.
    pub file_per_drum: bool,
    /// Whether the stem of a drum's leading mic carries the strokes as markers.
    pub cues: bool,
}

impl Hits {
    /// What a note may be.
    pub const NOTE: RangeInclusive<i64> = 0..=127;
}

impl Default for Hits {
    fn default() -> Self {
        Self {
            threshold: 0.5,
            notes: Vec::new(),
            file_per_drum: false,
            cues: false,
        }
    }
}

/// How samples are stored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bits {
    /// 16-bit integer.
    Int16,
    /// 24-bit integer.
    #[default]
    Int24,
    /// 32-bit float.
    Float32,
    /// As each source: 16 or 24 bits, or float; what the others have no room for is float.
    Source,
}

impl Bits {
    /// `16`, `24`, `32f` or `source`, as in names.
    pub fn name(self) -> &'static str {
        match self {
            Bits::Int16 => "16",
            Bits::Int24 => "24",
            Bits::Float32 => "32f",
            Bits::Source => "source",
        }
    }
}

/// Where stems start and end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Start {
    /// Each with its source.
    #[default]
    File,
    /// All stems of a take together: with its first file and its last.
    Take,
}

/// Format of the stems.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Output {
    /// Frames a second; `None`: those of the source.
    pub rate_hz: Option<u32>,
    /// How samples are stored.
    pub bits: Bits,
    /// Whether lost bits become noise instead of distortion.
    pub dither: bool,
    /// Where stems start and end.
    pub start: Start,
}

impl Default for Output {
    fn default() -> Self {
        Self {
            rate_hz: None,
            bits: Bits::default(),
            dither: true,
            start: Start::default(),
        }
    }
}

/// What is known of a drum.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drum {
    /// Diameter in inches.
    pub diameter_in: Option<f64>,
    /// Depth in inches.
    pub depth_in: Option<f64>,
    /// The fundamental that it is meant to be tuned to.
    pub tuning_hz: Option<f64>,
    /// Anything else.
    pub note: String,
}

/// A stem made of another's source.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Derived {
    /// The track it is made of, by label.
    pub of: String,
    /// Preset by name or path.
    pub preset: String,
    /// Its own label in file names.
    pub name: String,
}
