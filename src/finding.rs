//! [`Finding`]: something about a track that a person should know. What it is and its figures are
//! data; [`crate::wording`] makes the sentence.

use serde::{Deserialize, Serialize};

use crate::audio::Truncation;
use crate::reason::{MovedFigures, SumFigures};
use crate::remark::Remark;

/// What was found; the words of the contract. What spoils most stands first: lost sound, wrong sound,
/// doubts, remarks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // the names say it; each message explains itself
pub enum Code {
    Unreadable,
    Silent,
    Truncated,
    /// The header contradicts itself or the file; it was read as the message says.
    OddHeader,
    Dropout,
    Clipped,
    NonFinite,
    RateMismatch,
    Duplicate,
    UnknownMic,
    UnlikelyMic,
    Polarity,
    SidesSwapped,
    PairMismatch,
    Delay,
    LengthMismatch,
    Detuned,
    LevelStep,
    Click,
    Metronome,
    Hum,
    NotPlayed,
    DcOffset,
}

/// How much it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// For information.
    Note,
    /// Have a look.
    Warning,
    /// Probably has to be played again, or mended.
    Problem,
}

/// What exactly was found, with its figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum FindingKind {
    /// Flat tops.
    Clipped {
        /// Samples in all of them.
        samples: u64,
        /// How many.
        tops: u64,
        /// Samples in the longest.
        longest_samples: u64,
        /// Where most of them are cut.
        level_dbfs: f64,
    },
    /// Nothing was recorded.
    Silent {
        /// Of which part of the track.
        part: Part,
        /// `None`: every sample is zero.
        peak_dbfs: Option<f64>,
    },
    /// Stretches of zeros.
    DigitalSilence {
        /// All together.
        seconds: f64,
        /// Of the track, 0 to 1.
        share: f64,
    },
    /// The drum rests in this take, though other takes play it.
    NotPlayed,
    /// Too few hits in the whole set-up to set a gain.
    FewHits {
        /// How many.
        hits: usize,
    },
    /// Runs of samples that are not the sound.
    Dropout {
        /// How many runs.
        count: u64,
        /// What stands there in the first.
        content: Gap,
        /// Length of the first.
        samples: u64,
        /// Length of the first.
        ms: f64,
    },
    /// Jumps that no stroke explains.
    Click {
        /// How many.
        count: usize,
        /// Of the largest.
        level_dbfs: f64,
        /// Whether other mics were there to compare with.
        compared: bool,
    },
    /// Mains under the sound.
    Hum {
        /// Its fundamental, by the header's rate.
        frequency_hz: f64,
        /// Multiples of it that stand out.
        harmonics: usize,
        /// RMS of all its lines.
        level_dbfs: f64,
        /// Read in a stretch without playing; otherwise estimated under it.
        exact: bool,
    },
    /// Mains at a frequency that no mains has: the header's rate is probably wrong.
    HumOffMains {
        /// Its fundamental, by the header's rate.
        frequency_hz: f64,
        /// What it would be.
        mains_hz: f64,
        /// The true rate over the header's.
        rate_ratio: f64,
        /// RMS of all its lines.
        level_dbfs: f64,
    },
    /// A constant under the waveform.
    DcOffset {
        /// Of full scale.
        percent: f64,
        /// The same as a level.
        level_dbfs: f64,
    },
    /// The mic's polarity is opposed to that of another mic of the same drum.
    PolarityOpposed {
        /// The other mic.
        against: String,
        /// Hits that it rests on.
        hits: usize,
        /// Of both at those hits, −1 to 1.
        correlation: f64,
        /// Whether the program inverted it.
        corrected: bool,
    },
    /// The mic's polarity against another is not that of the other takes.
    PolarityChanged {
        /// The other mic.
        against: String,
    },
    /// The sound arrives later than in another mic, and was moved to line up.
    Delay {
        /// The other mic.
        against: String,
        /// How much.
        ms: f64,
        /// The way of the sound at 20 °C.
        distance_m: f64,
    },
    /// It was moved to where it adds up best with the main mic of its drum.
    SumMoved(MovedFigures),
    /// It was to be lined up with another mic, and none shows surely by how much.
    DelayUndecided,
    /// The very same samples as another track.
    SameFile {
        /// The other track.
        of: String,
        /// Its take.
        take: String,
    },
    /// The same sound as another track of the take.
    SameSignal {
        /// The other track.
        of: String,
        /// How much later than that.
        lag_ms: i64,
        /// Level over that.
        gain_db: f64,
    },
    /// Left and right do not fit together.
    PairMismatch {
        /// In what.
        difference: Difference,
    },
    /// Two mics of one drum cancel where the drum has its weight, and add up with one inverted.
    SumOpposed {
        /// By how much.
        sum: SumFigures,
        /// It was inverted.
        corrected: bool,
    },
    /// Left and right begin or end at different times, and are one stereo stem all the same.
    SidesPadded {
        /// How much later the right side begins.
        right_starts_later_s: f64,
        /// How much later it ends.
        right_ends_later_s: f64,
    },
    /// Left and right are reversed.
    SidesSwapped {
        /// The take or pair that shows it.
        than: String,
        /// Whether that is another take of the same pair; otherwise it is another pair.
        in_a_take: bool,
    },
    /// The header's rate is probably wrong.
    WrongRate {
        /// What it says.
        header_hz: u32,
        /// What is true.
        true_hz: f64,
        /// How much higher the drums of this take are than in the others.
        semitones: f64,
        /// Drums that are.
        drums: usize,
        /// Tracks with mains at a frequency off by the same ratio.
        hums: usize,
        /// With one other take only it may be that one.
        sure: bool,
    },
    /// Longer or shorter than most tracks of its take, though all begin together.
    LengthMismatch {
        /// Its own length.
        seconds: f64,
        /// That of most.
        others_s: f64,
    },
    /// The mic is louder or softer than in the other takes.
    LevelStep {
        /// How much louder.
        step_db: f64,
        /// The take is clipped: the step is at least as large.
        clipped: bool,
        /// The take has a gain of its own, which takes the step back.
        trimmed: bool,
    },
    /// The drum's tuning has moved.
    Detuned {
        /// Before.
        from_hz: f64,
        /// From this take on.
        to_hz: f64,
    },
    /// A drum's mic that sounds like a cymbal.
    LikeCymbal {
        /// What it is named.
        mic: String,
        /// How much weaker it is below 600 Hz than above 1.8 kHz.
        weaker_db: f64,
    },
    /// A drum's mic whose loudest hits come from another drum.
    LedBy {
        /// The mic that hears them first.
        by: String,
        /// How much earlier.
        lead_ms: f64,
    },
    /// What the mic is, its name does not say.
    UnknownMic {
        /// What it may be, as mics with their sides, the likeliest first; none: any.
        candidates: Vec<String>,
        /// Why that is not certain.
        because: Option<Remark>,
    },
    /// The file ends before it should.
    Truncated(Truncation),
    /// Another rate than most tracks of the take.
    OtherRate {
        /// Its own.
        rate_hz: u32,
        /// The take's.
        take_hz: u32,
    },
    /// The header contradicts itself or the file.
    OddHeader {
        /// How, and how it was read.
        what: String,
    },
    /// Samples that are no numbers.
    NonFinite {
        /// How many.
        samples: u64,
    },
    /// A metronome in a headphone.
    Metronome {
        /// Its speed.
        beats_per_minute: f64,
        /// Beats that were heard.
        beats: usize,
        /// How loud.
        level_dbfs: f64,
    },
}

/// A part of a track.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// All of it.
    Whole,
    /// One side of a pair.
    Left,
    /// The other.
    Right,
    /// Some channels of several.
    Some,
}

/// What stands in place of the sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gap {
    /// Zeros.
    Zeros,
    /// One other value, held.
    Stuck,
    /// The samples before, once more.
    Repeat,
}

/// In what the two sides of a pair differ.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "in", rename_all = "kebab-case")]
pub enum Difference {
    /// One is mono, the other is not.
    Channels,
    /// Frames a second.
    Rate {
        /// Of the left.
        left_hz: u32,
        /// Of the right.
        right_hz: u32,
    },
    /// How long they are.
    Length {
        /// Of the left.
        left_frames: u64,
        /// Of the right.
        right_frames: u64,
        /// Of both.
        rate_hz: u32,
    },
    /// When they begin.
    Start {
        /// Of the left, since midnight.
        left_samples: u64,
        /// Of the right, since midnight.
        right_samples: u64,
        /// Of both.
        rate_hz: u32,
    },
}

impl FindingKind {
    /// The word of the contract.
    pub fn code(&self) -> Code {
        match self {
            Self::Clipped { .. } => Code::Clipped,
            Self::Silent { .. } | Self::DigitalSilence { .. } => Code::Silent,
            Self::NotPlayed | Self::FewHits { .. } => Code::NotPlayed,
            Self::Dropout { .. } => Code::Dropout,
            Self::Click { .. } => Code::Click,
            Self::Hum { .. } | Self::HumOffMains { .. } => Code::Hum,
            Self::DcOffset { .. } => Code::DcOffset,
            Self::PolarityOpposed { .. }
            | Self::PolarityChanged { .. }
            | Self::SumOpposed { .. } => Code::Polarity,
            Self::Delay { .. } | Self::SumMoved(_) | Self::DelayUndecided => Code::Delay,
            Self::SameFile { .. } | Self::SameSignal { .. } => Code::Duplicate,
            Self::PairMismatch { .. } => Code::PairMismatch,
            Self::SidesSwapped { .. } => Code::SidesSwapped,
            Self::WrongRate { .. } | Self::OtherRate { .. } => Code::RateMismatch,
            Self::LengthMismatch { .. } | Self::SidesPadded { .. } => Code::LengthMismatch,
            Self::LevelStep { .. } => Code::LevelStep,
            Self::Detuned { .. } => Code::Detuned,
            Self::LikeCymbal { .. } | Self::LedBy { .. } => Code::UnlikelyMic,
            Self::UnknownMic { .. } => Code::UnknownMic,
            Self::Truncated(_) => Code::Truncated,
            Self::OddHeader { .. } => Code::OddHeader,
            Self::NonFinite { .. } => Code::NonFinite,
            Self::Metronome { .. } => Code::Metronome,
        }
    }
}

/// One finding. It never changes the exit status.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What, with its figures.
    pub kind: FindingKind,
    /// How bad.
    pub severity: Severity,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// Where, in seconds from the start of the track; the first places only, where there are many.
    pub at_s: Vec<f64>,
}

impl Finding {
    /// A finding without a place in time; the confidence is kept to two decimals.
    pub fn new(kind: FindingKind, severity: Severity, confidence: f64) -> Self {
        Self {
            kind,
            severity,
            confidence: crate::units::round_to(confidence, 2),
            at_s: Vec::new(),
        }
    }

    /// The word of the contract.
    pub fn code(&self) -> Code {
        self.kind.code()
    }
}
