//! [`Remark`]: what the files of a session, their names and what is left of earlier runs say that a
//! person should know. Data; [`crate::wording`] makes the sentence.

use serde::{Deserialize, Serialize};

/// One remark, with what it is about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)] // the names say it; each sentence explains itself
pub enum Remark {
    // Why a name does not simply give a mic.
    /// What a word of the trade leaves open: its row in `presets/mics.toml`.
    Word {
        text: String,
    },
    SideFromStage,
    WordsBeside {
        words: String,
    },
    NoSides {
        drum: String,
    },
    NumberIsNoSide,
    /// `drum`: "hat" or "drum".
    SecondOrOtherMic {
        drum: String,
    },
    TomOrTake {
        number: u32,
    },
    SizeAlone,
    NoRackTom,
    SixToms,
    LetterUnclear {
        letter: char,
    },
    MicIsThere {
        mic: String,
    },
    ChannelWithoutName {
        /// From 1.
        channel: usize,
    },
    NoWordOfAMic,
    LaneOrCopy,
    SongMayBeMic {
        words: String,
    },

    // What was read from a name, for information.
    OneOfSeveral {
        number: u32,
        mic: String,
    },
    TomBesideTake {
        word: String,
    },
    TomBesideToms {
        word: String,
    },
    RecorderNamed {
        name: String,
    },
    RecorderNamedChannel {
        /// From 1.
        channel: usize,
        name: String,
    },
    LetterIsSide {
        letter: char,
    },
    NumbersAreSides,
    NumberIsNoTake,
    RoomOnTheFloor,
    LastRackTom,
    AfterOtherRacks {
        racks: u32,
    },
    NumberedBySize {
        inches: u32,
    },
    RecorderSuffix {
        lane: u32,
        part: u32,
    },
    AlreadyDistorted,
    SecondLabel {
        label: String,
    },
    NumberedOn {
        label: String,
    },

    // The session as a whole.
    NoFileFits {
        pattern: String,
    },
    NoTrackForPreset {
        label: String,
    },
    NoTrackForMix {
        label: String,
    },
    NoTrackForDerived {
        name: String,
        of: String,
    },
    NoTakeInSetup {
        name: String,
    },
    SongsOfOneName {
        plain: String,
        name: String,
        slug: String,
    },
    TakesOfOneNumber {
        song: String,
        plain: String,
        slug: String,
        of: SecondTake,
    },
    SongRenamed {
        song: String,
        name: String,
        folder: String,
    },

    GivenAgain {
        path: String,
        times: usize,
    },

    // Why a file is left out of the session.
    LeftOutBySessionFile,
    OutputFolder,
    FolderTooDeep,
    LinkToNothing,
    LinkInside,
    LinkOutside,
    NotAFile,
    SameFileAs {
        path: String,
    },
    ForeignFormat,
    NotSound,
    /// What the system said.
    Unreadable {
        reason: String,
    },

    // Why a file of an earlier run is left over.
    NoTakeMakesIt,
    TrackLeftOut,
    SourceMakesAnother,
    SourceGone {
        sources: Vec<String>,
    },
}

/// Where a second take of one number comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SecondTake {
    /// Its name has this beside the number.
    Variant(String),
    /// Another folder.
    Folder(String),
}
