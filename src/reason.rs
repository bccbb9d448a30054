//! [`Reason`]: why something was decided, with the figures behind it. [`crate::wording`] makes the
//! sentence.

use serde::{Deserialize, Serialize};

use crate::preset::{Followed, Measure};

/// Why a value of the worksheet, or of a rough mix, is what it is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Reason {
    /// Nothing was recorded.
    Silent {
        /// In no take of the song; otherwise in this one.
        whole_song: bool,
    },
    /// The drum rests.
    NotPlayed {
        /// In every take of the song; otherwise in this one.
        whole_song: bool,
    },
    /// Opposed to another mic of the same drum.
    PolarityOpposed {
        /// The other mic.
        against: String,
        /// Hits that it rests on.
        hits: usize,
        /// Of both at those hits, −1 to 1.
        correlation: f64,
        /// 0 to 1.
        confidence: f64,
    },
    /// Inverted, since it adds up with the main mic of its drum that way.
    SumOpposed(SumFigures),
    /// Moved to where it adds up best with the main mic of its drum.
    SumMoved(MovedFigures),
    /// The sound arrives later than in another mic.
    LaterThan {
        /// The other mic.
        against: String,
        /// How much.
        samples: f64,
        /// How much.
        ms: f64,
        /// The way of the sound at 20 °C.
        distance_m: f64,
    },
    /// Panned to where the overheads hear the drum.
    PanHeard {
        /// How much earlier the left one hears it.
        early_ms: f64,
        /// How much louder it is there.
        louder_db: f64,
        /// Hits that it rests on.
        hits: usize,
    },
    /// The overheads do not tell on which side the drum stands.
    PanUndecided,
    /// Nor that of this tom, but of another: it stands beside that, in the order of their numbers.
    PanBeside {
        /// The label of the tom that is heard.
        tom: String,
    },
    /// No other mic shows surely how much later the sound arrives.
    DelayUndecided,
    /// A frequency that follows the drum's tuning.
    Tuned(Tuned),
    /// A frequency that should follow the tuning, which is not clear.
    Untuned {
        /// What it should follow.
        followed: Followed,
        /// The preset's own frequency, which is used.
        freq_hz: f64,
    },
    /// The same where the session file says what the drum is meant to be tuned to.
    Intended {
        /// The session file's frequency.
        hz: f64,
        /// The preset's factor.
        times: f64,
        /// The preset's limit, where it was reached.
        limit_hz: Option<f64>,
    },
    /// Brought to a level that the stages behind it are made for.
    WorkingLevel {
        /// How it comes in.
        level_dbfs: f64,
        /// Of hits; otherwise the sample peak.
        from_hits: bool,
        /// Where it is brought to.
        target_dbfs: f64,
    },
    /// A drive is as loud as what goes in.
    DriveMatched,
    /// A gate opens where the drum is struck.
    Gated {
        /// Hits that open it fully.
        sure: usize,
        /// Hits that open it half.
        unsure: usize,
        /// The ring that it closes along, where the preset does not say how fast.
        ring_s: Option<f64>,
        /// That ring is the one of the set-up's other drums of this kind.
        of_others: bool,
        /// The drum rests in this take: nothing opens it fully.
        rests: bool,
        /// Of a tom, which has a preset without a gate.
        tom: bool,
    },
    /// A gate without hits to open at stays open.
    NoHitsToGate,
    /// The preset sets no level.
    NoTarget,
    /// A gain to a target level.
    Level(Box<Level>),
    /// A gain that could not be decided.
    LevelUndecided {
        /// What was to be measured.
        measure: Measure,
        /// Hits there were, where they are too few.
        hits: Option<usize>,
    },
    /// A gain that was decided otherwise, and is lower since the file would pass its ceiling.
    Held {
        /// What keeps it lower.
        held: Held,
        /// Why it would be what it is not.
        because: Option<Box<Reason>>,
    },
    /// A gain of all takes, with the step of level of this take taken back.
    Trimmed {
        /// How much more than in the other takes.
        by_db: f64,
        /// Why they have theirs.
        because: Option<Box<Reason>>,
    },
    /// Not corrected: a preset without stages keeps the sound as recorded.
    AsRecorded,
    /// Written by a person.
    Worksheet {
        /// The gain that would have been decided.
        decided_db: Option<f64>,
        /// Why.
        because: Option<Box<Reason>>,
    },
    /// As it stood in a worksheet of which nothing else is known.
    Noted {
        /// The words.
        text: String,
    },
    /// The gain of a song's rough mixes.
    MixLevel {
        /// What would bring the median take to the target.
        wanted_db: f64,
        /// The target.
        target_lufs: f64,
        /// The take that keeps it lower.
        held: Option<HeldMix>,
    },
    /// No take of the song has a loudness.
    MixSilent,
    /// Not in the mix: no stem is written.
    LeftOut {
        /// Why that is.
        because: Option<Box<Reason>>,
    },
    /// Not in the mix, though a stem is written.
    Muted {
        /// Why.
        because: Option<Box<Reason>>,
    },
    /// Not in the mix, as the session file says.
    MutedBySession,
    /// Not in the mix: reading or rendering it failed.
    Failed,
    /// Not in the mix: another sample rate than most of its tracks.
    OtherRate {
        /// Its own.
        rate_hz: u32,
        /// The mix's.
        mix_rate_hz: u32,
    },
    /// Not in the mix: what it is, is not known.
    UnknownMic,
    /// Not in the mix: clicks, talkbacks, triggers and references never are.
    NeverMixed,
}

/// How two mics of a drum add up after their chains.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SumFigures {
    /// The drum's main mic.
    pub with: String,
    /// Hits that it rests on.
    pub hits: usize,
    /// Where the drum has its weight: from here …
    pub low_hz: f64,
    /// … to here.
    pub high_hz: f64,
    /// Level of the sum over that of both powers, as recorded.
    pub as_is_db: f64,
    /// The same with one inverted.
    pub inverted_db: f64,
}

/// How two mics of a drum add up after their chains, one of them moved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MovedFigures {
    /// The drum's main mic.
    pub with: String,
    /// Hits that it rests on.
    pub hits: usize,
    /// Where the drum has its weight: from here …
    pub low_hz: f64,
    /// … to here.
    pub high_hz: f64,
    /// How far, negative forward.
    pub samples: i64,
    /// The same in milliseconds.
    pub ms: f64,
    /// Level of the sum over that of both powers, not moved.
    pub as_is_db: f64,
    /// The same, moved.
    pub moved_db: f64,
}

/// How a frequency follows the tuning.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tuned {
    /// What it follows.
    pub followed: Followed,
    /// As measured, of the take or of the set-up.
    pub hz: f64,
    /// Hits that it rests on.
    pub hits: usize,
    /// The set-up's, where the take is followed.
    pub setup_hz: Option<f64>,
    /// The take's, where it is too far off to be believed.
    pub disbelieved_hz: Option<f64>,
    /// The preset's factor.
    pub times: f64,
    /// The preset's limit, where it was reached.
    pub limit_hz: Option<f64>,
}

/// How a gain was decided.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// What was measured behind the last stage.
    pub measure: Measure,
    /// In the measure's own unit.
    pub level: f64,
    /// In the measure's own unit.
    pub target: f64,
    /// Hits that it rests on, where it does.
    pub hits: Option<usize>,
    /// Tracks with the same gain.
    pub tracks: usize,
    /// The gain that would be needed, where it is more than is allowed.
    pub wanted_db: Option<f64>,
    /// What `max_gain_db` allows, where that is less.
    pub most_db: Option<f64>,
    /// What keeps it lower.
    pub held: Option<Held>,
}

/// What keeps a gain below its target.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Held {
    /// How much lower.
    pub by_db: f64,
    /// The loudest peak behind the last stage.
    pub true_peak_dbtp: f64,
    /// The worksheet key of the track that holds it.
    pub key: String,
    /// The preset's.
    pub ceiling_dbtp: f64,
}

/// What keeps the gain of a song's mixes below its target.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeldMix {
    /// How much lower.
    pub by_db: f64,
    /// The take that would pass the ceiling.
    pub take: String,
    /// The ceiling.
    pub ceiling_dbtp: f64,
}

impl Held {
    /// This on top of the reason for the gain that would have been given.
    pub fn below(self, because: Option<Reason>) -> Reason {
        Reason::Held {
            held: self,
            because: because.map(Box::new),
        }
    }
}

impl From<Level> for Reason {
    fn from(level: Level) -> Self {
        Self::Level(Box::new(level))
    }
}

impl Reason {
    /// A gate that closes on what may be hits, or a frequency that should follow the tuning of its take,
    /// and does not, or not all the way.
    pub fn may_be_wanted_otherwise(&self) -> bool {
        match self {
            Self::Untuned { .. } | Self::Intended { .. } => true,
            Self::Gated { unsure, rests, .. } => *unsure > 0 || *rests,
            Self::Tuned(tuned) => tuned.disbelieved_hz.is_some() || tuned.limit_hz.is_some(),
            _ => false,
        }
    }

    /// A gain that the ceiling, or the most that is allowed, kept from its target.
    pub fn is_held(&self) -> bool {
        match self {
            Self::Held { .. } => true,
            Self::Trimmed { because, .. } => because.as_ref().is_some_and(|why| why.is_held()),
            Self::Level(level) => level.held.is_some() || level.wanted_db.is_some(),
            _ => false,
        }
    }

    /// The loudness that the gain of a song's mixes brings the median take to, LUFS.
    pub fn reached_lufs(&self) -> Option<f64> {
        match self {
            Self::MixLevel {
                target_lufs, held, ..
            } => Some(crate::units::round_to(
                target_lufs - held.as_ref().map_or(0.0, |held| held.by_db),
                1,
            )),
            _ => None,
        }
    }

    /// A gain that could not be decided.
    pub fn is_undecided(&self) -> bool {
        match self {
            Self::Held { because, .. } | Self::Trimmed { because, .. } => {
                because.as_ref().is_some_and(|why| why.is_undecided())
            }
            _ => matches!(self, Self::LevelUndecided { .. }),
        }
    }
}

/// What timing is measured against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Against {
    /// The click track of the take.
    Click,
    /// A grid that follows the take's own tempo.
    Own,
}

/// Why there is no timing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Undecided {
    /// Fewer strokes than a grid needs.
    TooFewStrokes,
    /// No pulse explains the strokes.
    NoPulse,
}
