//! One example of every remark.

use crate::remark::{Remark, SecondTake};

/// At least one of every kind, and of every branch that makes another sentence.
pub(super) fn remarks() -> Vec<Remark> {
    let text = |text: &str| text.to_owned();
    let second = |of| Remark::TakesOfOneNumber {
        song: text("low-tide"),
        plain: text("take-03"),
        slug: text("take-03-2"),
        of,
    };
    let given = |times| Remark::GivenAgain {
        path: text("takes/kick in.wav"),
        times,
    };
    vec![
        Remark::Word {
            text: text("which drum it is under is not said"),
        },
        Remark::SideFromStage,
        Remark::WordsBeside { words: text("fx") },
        Remark::NoSides {
            drum: text("snare drum"),
        },
        Remark::NumberIsNoSide,
        Remark::SecondOrOtherMic { drum: text("hat") },
        Remark::TomOrTake { number: 2 },
        Remark::SizeAlone,
        Remark::NoRackTom,
        Remark::SixToms,
        Remark::LetterUnclear { letter: 'c' },
        Remark::MicIsThere {
            mic: text("kick-in"),
        },
        Remark::ChannelWithoutName { channel: 3 },
        Remark::NoWordOfAMic,
        Remark::LaneOrCopy,
        Remark::SongMayBeMic {
            words: text("Crash Landing"),
        },
        Remark::OneOfSeveral {
            number: 2,
            mic: text("crash"),
        },
        Remark::TomBesideTake { word: text("T2") },
        Remark::TomBesideToms { word: text("Mid") },
        Remark::RecorderNamed {
            name: text("Snare Top"),
        },
        Remark::RecorderNamedChannel {
            channel: 3,
            name: text("Snare Top"),
        },
        Remark::LetterIsSide { letter: 'b' },
        Remark::NumbersAreSides,
        Remark::NumberIsNoTake,
        Remark::RoomOnTheFloor,
        Remark::LastRackTom,
        Remark::AfterOtherRacks { racks: 2 },
        Remark::NumberedBySize { inches: 16 },
        Remark::RecorderSuffix { lane: 1, part: 2 },
        Remark::AlreadyDistorted,
        Remark::SecondLabel {
            label: text("kick-in"),
        },
        Remark::NumberedOn {
            label: text("tom-2"),
        },
        Remark::NoFileFits {
            pattern: text("Snr*"),
        },
        Remark::NoTrackForPreset {
            label: text("ride"),
        },
        Remark::NoTrackForMix {
            label: text("ride"),
        },
        Remark::NoTrackForDerived {
            name: text("smashed"),
            of: text("room-far"),
        },
        Remark::NoTakeInSetup {
            name: text("day two"),
        },
        Remark::SongsOfOneName {
            plain: text("low-tide"),
            name: text("Low, Tide"),
            slug: text("low-tide-2"),
        },
        second(SecondTake::Variant(text("edit"))),
        second(SecondTake::Folder(text("day two/low tide"))),
        Remark::SongRenamed {
            song: text("low-tide"),
            name: text("low-tide-day-two"),
            folder: text("prepared"),
        },
        given(2),
        given(3),
        Remark::LeftOutBySessionFile,
        Remark::OutputFolder,
        Remark::FolderTooDeep,
        Remark::LinkToNothing,
        Remark::LinkInside,
        Remark::LinkOutside,
        Remark::NotAFile,
        Remark::SameFileAs {
            path: text("low tide/kick in.wav"),
        },
        Remark::ForeignFormat,
        Remark::NotSound,
        Remark::Unreadable {
            reason: text("cannot be read: permission denied"),
        },
        Remark::NoTakeMakesIt,
        Remark::TrackLeftOut,
        Remark::SourceMakesAnother,
        Remark::SourceGone {
            sources: vec![text("kick in.wav"), text("kick out.wav")],
        },
    ]
}
