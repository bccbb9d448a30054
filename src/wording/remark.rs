//! What [`Remark`]s say.

use crate::remark::{Remark, SecondTake};

/// The sentence of a remark, without a period.
pub fn remark(remark: &Remark) -> String {
    match remark {
        Remark::Word { text } => text.clone(),
        Remark::SideFromStage => {
            "a side as seen from the stage is the opposite one from the house".to_owned()
        }
        Remark::WordsBeside { words } => format!("what `{words}` means beside it is not certain"),
        Remark::NoSides { drum } => {
            format!("a {drum} has no sides: left and right are two of them")
        }
        Remark::NumberIsNoSide => "a number is not a side: which one it is is not said".to_owned(),
        Remark::SecondOrOtherMic { drum } => format!("a second {drum}, or a second mic on it"),
        Remark::TomOrTake { number } => format!("tom {number}, or take {number}"),
        Remark::SizeAlone => "a size alone does not say which drum it is".to_owned(),
        Remark::NoRackTom => "a floor tom, but there is no rack tom to count on from".to_owned(),
        Remark::SixToms => "there are names for six toms only".to_owned(),
        Remark::LetterUnclear { letter } => format!("what `{letter}` means behind it is not said"),
        Remark::MicIsThere { mic } => format!("`{mic}` is another file of this take"),
        Remark::ChannelWithoutName { channel } => format!(
            "channel {channel} of a multichannel file; list its mics as `inputs` in session.toml"
        ),
        Remark::NoWordOfAMic => "no word of its name is a mic's".to_owned(),
        Remark::LaneOrCopy => "a lane or a copy of another file".to_owned(),
        Remark::SongMayBeMic { words } => format!("`{words}` beside it may be another mic"),

        Remark::OneOfSeveral { number, mic } => format!("number {number} of several {mic} mics"),
        Remark::TomBesideTake { word } => {
            format!("`{word}` is a tom, since the take stands beside it")
        }
        Remark::TomBesideToms { word } => {
            format!("`{word}` is a tom, as the files beside it show")
        }
        Remark::RecorderNamed { name } => format!("the recorder named it `{name}`"),
        Remark::RecorderNamedChannel { channel, name } => {
            format!("the recorder named channel {channel} `{name}`")
        }
        Remark::LetterIsSide { letter } => format!("`{letter}` is taken for that side"),
        Remark::NumbersAreSides => "1 and 2 are taken for left and right".to_owned(),
        Remark::NumberIsNoTake => "the number at its end is not a take's: the files that share it \
                                   differ in start or length"
            .to_owned(),
        Remark::RoomOnTheFloor => "a room mic on the floor, not a tom".to_owned(),
        Remark::LastRackTom => "taken for the last rack tom".to_owned(),
        Remark::AfterOtherRacks { racks } => {
            format!("no rack tom in this set-up: numbered on after the {racks} of another")
        }
        Remark::NumberedBySize { inches } => {
            format!("{inches} inches: toms are numbered by size, ascending")
        }
        Remark::RecorderSuffix { lane, part } => {
            format!("appended by a recorder: lane {lane}, part {part}")
        }
        Remark::AlreadyDistorted => {
            "its name says that it is distorted already: it is not driven again".to_owned()
        }
        Remark::SecondLabel { label } => format!("a second `{label}` in this take"),
        Remark::NumberedOn { label } => {
            format!("`{label}` is another file of this take: this one is numbered on")
        }

        Remark::NoFileFits { pattern } => {
            format!("the session file names `{pattern}`: no file fits")
        }
        Remark::NoTrackForPreset { label } => {
            format!("the session file gives `{label}` a preset: no track is one")
        }
        Remark::NoTrackForMix { label } => {
            format!("the session file gives `{label}` a place in the mix: no track is one")
        }
        Remark::NoTrackForDerived { name, of } => {
            format!("the session file makes `{name}` of `{of}`: no track is called so")
        }
        Remark::NoTakeInSetup { name } => format!("no take belongs to the set-up `{name}`"),
        Remark::SongsOfOneName { plain, name, slug } => {
            format!("two songs would be called `{plain}`: `{name}` is `{slug}`")
        }
        Remark::TakesOfOneNumber {
            song,
            plain,
            slug,
            of,
        } => match of {
            SecondTake::Variant(variant) => {
                format!("{song}: {plain} is there with `{variant}` too: it is {slug}")
            }
            SecondTake::Folder(home) => {
                format!("{song}: `{home}` holds a second {plain}: it is {slug}")
            }
        },
        Remark::SongRenamed { song, name, folder } => format!(
            "the song {song} is called {name} in {folder}: another session has one of this name there"
        ),

        Remark::GivenAgain { path, times: 2 } => {
            format!("{path} was given twice: it is processed once")
        }
        Remark::GivenAgain { path, times } => {
            format!("{path} was given {times} times: it is processed once")
        }

        Remark::LeftOutBySessionFile => "left out by the session file".to_owned(),
        Remark::OutputFolder => "an output folder of this program".to_owned(),
        Remark::FolderTooDeep => "a folder too deep".to_owned(),
        Remark::LinkToNothing => "a link to nothing".to_owned(),
        Remark::LinkInside => "a link to something in this folder: taken where it is".to_owned(),
        Remark::LinkOutside => {
            "a link out of the session folder: put the file itself there".to_owned()
        }
        Remark::NotAFile => "not a file: a pipe, socket or device".to_owned(),
        Remark::SameFileAs { path } => format!("the same file as {path}"),
        Remark::ForeignFormat => "a sound format that cannot be read: convert it to WAV".to_owned(),
        Remark::NotSound => "not a sound file".to_owned(),
        Remark::Unreadable { reason } => reason.clone(),

        Remark::NoTakeMakesIt => "no take of the session makes this file any more".to_owned(),
        Remark::TrackLeftOut => "its track is left out now".to_owned(),
        Remark::SourceMakesAnother => "its source makes another stem now".to_owned(),
        Remark::SourceGone { sources } => format!("its source is gone: {}", sources.join(", ")),
    }
}

/// What a file was taken for its mic by: words of its name, or what the session file says.
pub fn taken_by(words: &str, given: bool) -> String {
    match given {
        true => words.to_owned(),
        false => format!("`{words}`"),
    }
}

/// Of a file that somebody names to be processed as it is.
pub fn given_by_name() -> String {
    "given by name".to_owned()
}

/// The words that may mean its mic.
pub fn uncertain(words: &str) -> String {
    format!("`{words}`, which is not certain")
}

/// Words of its own that the session file explains.
pub fn own_words(words: &str) -> String {
    format!("{words}, as the session file says")
}

/// That the session file names a file, or a channel (from 1) of it.
pub fn by_session_file(channel: Option<usize>) -> String {
    match channel {
        None => "the session file".to_owned(),
        Some(channel) => format!("the session file, as channel {channel}"),
    }
}

/// A channel (from 1) of a file, where nobody named it.
pub fn channel(channel: usize) -> String {
    format!("channel {channel}")
}

/// What follows where words of a name were ignored.
pub fn ignoring(words: &[String]) -> String {
    format!(", ignored: {}", words.join(" "))
}

/// By what both sides of a pair were taken for it.
pub fn both(left: &str, right: &str) -> String {
    format!("{left} and {right}")
}
