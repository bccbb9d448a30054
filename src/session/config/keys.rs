//! Every key of `session.toml`, a row each, in the order in which they are read and shown.

use super::init;
use super::key::{Flag, Key, Mics, Number, OneOf, Own, Shown, Table, Text, Whole};
use super::read;
use super::schema;
use super::{
    Derived, Drum, Excerpts, Input, LeftOut, Pairs, SessionFile as File, SetUp, Start, Strip, View,
};

/// The file itself.
pub(super) const FILE: &[Key<File>] = &[
    Key {
        name: "folder",
        about: "The session folder, relative to this file; without it the one that this file lies in",
        kind: &Own {
            read: |c: &mut File, value, problems| c.folder = value.string(problems).map(Into::into),
            schema: schema::text,
        },
        shown: Shown::Not,
    },
    Key {
        name: "pattern",
        about: "Where song, take and mic stand in the paths, if names are not read as they are meant; fields: \
                {song} {take} {mic} {any}",
        kind: &Own {
            read: |c: &mut File, value, problems| c.pattern = read::pattern(value, problems),
            schema: schema::text,
        },
        shown: Shown::Example(r#""{song}/{take}/{mic}""#),
    },
    Key {
        name: "pairs",
        about: "Two sides of an overhead or a room: one \"stereo\" stem, or \"split\" into two",
        kind: &OneOf(
            &[("stereo", Pairs::Stereo), ("split", Pairs::Split)],
            |c: &mut File| &mut c.pairs,
        ),
        shown: Shown::Default,
    },
    Key {
        name: "level-steps",
        about: "A take that is louder or softer than the others of its set-up, since a preamp was turned: \"keep\" \
                the one gain of the mic, or \"trim\" the take by the step",
        kind: &OneOf(&[("keep", false), ("trim", true)], |c: &mut File| {
            &mut c.trim_level_steps
        }),
        shown: Shown::Default,
    },
    Key {
        name: "left-out",
        about: "Drums that are never hit are left out where the \"song\" never plays them, in each \"take\", or \
                \"never\"",
        kind: &OneOf(
            &[
                ("take", LeftOut::Take),
                ("song", LeftOut::Song),
                ("never", LeftOut::Never),
            ],
            |c: &mut File| &mut c.left_out,
        ),
        shown: Shown::Default,
    },
    Key {
        name: "excerpts",
        about: "Which stems the page lets one compare with their source by ear: each mic in one take of each \
                \"song\", in every \"take\" (some 1 MB a stem), or \"never\"",
        kind: &OneOf(
            &[
                ("song", Excerpts::Song),
                ("take", Excerpts::Take),
                ("never", Excerpts::Never),
            ],
            |c: &mut File| &mut c.excerpts,
        ),
        shown: Shown::Default,
    },
    Key {
        name: "polarity",
        about: "Mics whose polarity is corrected without asking; without this key kick out and sub, snare bottom and \
                side, and second mics of a drum, where the sum with its main mic gains by it. All others are \
                reported only",
        kind: &Mics(|c: &mut File| &mut c.polarity),
        shown: Shown::Lines(init::further),
    },
    Key {
        name: "align",
        about: "Mics that are moved in time to meet the others; a further mic of a drum to where it adds up best with \
                the main mic, both chains included",
        kind: &Mics(|c: &mut File| &mut c.align),
        shown: Shown::Default,
    },
    Key {
        name: "inputs",
        about: "What files and channels are, whatever they are called; the first that fits counts. `file` is a \
                pattern with * and ?",
        kind: &Own {
            read: |c: &mut File, value, problems| c.inputs = read::inputs(value, problems),
            schema: schema::inputs,
        },
        shown: Shown::Lines(init::inputs),
    },
    Key {
        name: "derived",
        about: "Stems made of other stems' sources; without this key a `trashy-room` of the farthest room, with an \
                empty list none",
        kind: &Own {
            read: |c: &mut File, value, problems| {
                c.derived = Some(read::list(DERIVED, value, problems))
            },
            schema: || schema::list(DERIVED),
        },
        shown: Shown::Lines(init::derived),
    },
    Key {
        name: "groups",
        about: "Stems of several mics, beside those of the tracks: \"standard\", or a table of lists of mics",
        kind: &Own {
            read: |c: &mut File, value, problems| c.groups = read::groups(value, problems),
            schema: schema::groups,
        },
        shown: Shown::Example("\"standard\""),
    },
    Key {
        name: "words",
        about: "Words that people write for mics, added to those that are known or overruling them",
        kind: &Own {
            read: read::words,
            schema: schema::words,
        },
        shown: Shown::Lines(|_| vec!["[words]".into(), "# \"hoop\" = \"snare-side\"".into()]),
    },
    Key {
        name: "presets",
        about: "Presets that differ from the mics' own, by name or path; \"*\" is for all mics that have no line",
        kind: &Own {
            read: read::presets,
            schema: schema::presets,
        },
        shown: Shown::Lines(init::presets),
    },
    Key {
        name: "mix",
        about: "The rough mix",
        kind: &Table(MIX),
        shown: Shown::Default,
    },
    Key {
        name: "naming",
        about: "What outputs are called",
        kind: &Table(NAMING),
        shown: Shown::Default,
    },
    Key {
        name: "output",
        about: "Format of the stems",
        kind: &Table(OUTPUT),
        shown: Shown::Default,
    },
    Key {
        name: "hits",
        about: "Strokes for other programs, in hits/",
        kind: &Table(HITS),
        shown: Shown::Default,
    },
    Key {
        name: "kit",
        about: "What is known of the drums; EQ follows `tuning_hz` where no pitch is clear",
        kind: &Own {
            read: read::kit,
            schema: || schema::by_mic(DRUM),
        },
        shown: Shown::Lines(init::kit),
    },
    Key {
        name: "setup",
        about: "Runs of takes with the same kit, tuning and mic positions: one per song, unless entries like this \
                one say otherwise",
        kind: &Own {
            read: |c: &mut File, value, problems| c.setups = read::list(SETUP, value, problems),
            schema: || schema::list(SETUP),
        },
        shown: Shown::Lines(init::setup),
    },
];

const MIX: &[Key<File>] = &[
    Key {
        name: "view",
        about: "From where the kit is seen: by the \"player\" or the \"audience\"",
        kind: &OneOf(
            &[("player", View::Player), ("audience", View::Audience)],
            |c: &mut File| &mut c.mix.view,
        ),
        shown: Shown::Default,
    },
    Key {
        name: "left-handed",
        about: "The kit is set up left-handed",
        kind: &Flag(|c: &mut File| &mut c.mix.left_handed),
        shown: Shown::Default,
    },
    Key {
        name: "target_lufs",
        about: "Integrated loudness at most, in LUFS",
        kind: &Number(-60.0..=0.0, |c: &mut File| &mut c.mix.target_lufs),
        shown: Shown::Default,
    },
    Key {
        name: "ceiling_dbtp",
        about: "True peak that no mix passes, in dBTP",
        kind: &Number(-20.0..=0.0, |c: &mut File| &mut c.mix.ceiling_dbtp),
        shown: Shown::Default,
    },
    Key {
        name: "listening-copy",
        about: "16 bit, 44.1 kHz, for the band",
        kind: &Flag(|c: &mut File| &mut c.mix.listening_copy),
        shown: Shown::Default,
    },
    Key {
        name: "dry",
        about: "The same balance without processing beside each mix, to compare",
        kind: &Flag(|c: &mut File| &mut c.mix.dry),
        shown: Shown::Default,
    },
    Key {
        name: "mic",
        about: "Faders and pans, by mic, by mic with its side or number, or by the name of a derived stem",
        kind: &Own {
            read: read::strips,
            schema: || schema::by_text(STRIP),
        },
        shown: Shown::Lines(init::strips),
    },
    Key {
        name: "group",
        about: "Faders of groups, by their names",
        kind: &Own {
            read: read::group_faders,
            schema: || schema::by_text(GROUP),
        },
        shown: Shown::Lines(init::group_faders),
    },
];

/// One mic in the mix.
pub(super) const STRIP: &[Key<Strip>] = &[
    Key {
        name: "fader_db",
        about: "Gain in dB",
        kind: &Number(Strip::FADER_DB, |s: &mut Strip| &mut s.fader_db),
        shown: Shown::Not,
    },
    Key {
        name: "pan",
        about: "-100 (left) to 100 (right), as seen by the view that is set",
        kind: &Number(-100.0..=100.0, |s: &mut Strip| &mut s.pan),
        shown: Shown::Not,
    },
    Key {
        name: "mute",
        about: "Not in the mix",
        kind: &Flag(|s: &mut Strip| &mut s.mute),
        shown: Shown::Not,
    },
];

/// One group in the mix.
pub(super) const GROUP: &[Key<f64>] = &[Key {
    name: "fader_db",
    about: "Gain in dB",
    kind: &Number(Strip::FADER_DB, |fader_db: &mut f64| fader_db),
    shown: Shown::Required,
}];

const NAMING: &[Key<File>] = &[
    Key {
        name: "text",
        about: "What {text} stands for",
        kind: &Own {
            read: |c: &mut File, value, problems| c.naming.text = read::portable(value, problems),
            schema: schema::portable,
        },
        shown: Shown::Example("\"my words\""),
    },
    Key {
        name: "date",
        about: "What {date} stands for",
        kind: &Own {
            read: |c: &mut File, value, problems| c.naming.date = read::portable(value, problems),
            schema: schema::portable,
        },
        shown: Shown::Example("\"2000-01-31\""),
    },
    // Behind what its fields stand for.
    Key {
        name: "template",
        about: "Fields: {song} {take} {mic} {side} {group} {date} {rate} {bits} {text}",
        kind: &Own {
            read: read::template,
            schema: schema::text,
        },
        shown: Shown::Lines(|_| vec![format!("template = \"{}\"", super::naming::DEFAULT)]),
    },
];

const OUTPUT: &[Key<File>] = &[
    Key {
        name: "rate_hz",
        about: "Frames a second; without it each file's own",
        kind: &Whole(8_000..=384_000, |c: &mut File| &mut c.output.rate_hz),
        shown: Shown::Example("48000"),
    },
    Key {
        name: "bits",
        about: "How samples are stored: 16, 24, \"float\" (32 bits) or \"source\"",
        kind: &Own {
            read: read::bits,
            schema: schema::bits,
        },
        shown: Shown::Lines(|_| vec!["bits = 24".into()]),
    },
    Key {
        name: "dither",
        about: "Bits that are lost become noise instead of distortion",
        kind: &Flag(|c: &mut File| &mut c.output.dither),
        shown: Shown::Default,
    },
    Key {
        name: "start",
        about: "Each stem starts and ends with its source \"file\", or all of a \"take\" together",
        kind: &OneOf(
            &[("file", Start::File), ("take", Start::Take)],
            |c: &mut File| &mut c.output.start,
        ),
        shown: Shown::Default,
    },
];

const HITS: &[Key<File>] = &[
    Key {
        name: "threshold",
        about: "MIDI files and markers hold the strokes that are at least so probable",
        kind: &Number(0.2..=1.0, |c: &mut File| &mut c.hits.threshold),
        shown: Shown::Default,
    },
    Key {
        name: "file-per-drum",
        about: "A MIDI file for each drum, too",
        kind: &Flag(|c: &mut File| &mut c.hits.file_per_drum),
        shown: Shown::Default,
    },
    Key {
        name: "cues",
        about: "Strokes as markers in the stems of leading mics",
        kind: &Flag(|c: &mut File| &mut c.hits.cues),
        shown: Shown::Default,
    },
    Key {
        name: "notes",
        about: "MIDI notes that differ from those of General MIDI, by drum: `kick`, `tom-2`, `china-r`",
        kind: &Own {
            read: read::notes,
            schema: schema::notes,
        },
        shown: Shown::Example("{ kick = 35 }"),
    },
];

/// What is known of a drum.
pub(super) const DRUM: &[Key<Drum>] = &[
    Key {
        name: "diameter_in",
        about: "Diameter in inches",
        kind: &Number(4.0..=40.0, |d: &mut Drum| &mut d.diameter_in),
        shown: Shown::Not,
    },
    Key {
        name: "depth_in",
        about: "Depth in inches",
        kind: &Number(1.0..=40.0, |d: &mut Drum| &mut d.depth_in),
        shown: Shown::Not,
    },
    Key {
        name: "tuning_hz",
        about: "The fundamental that it is meant to be tuned to",
        kind: &Number(20.0..=1000.0, |d: &mut Drum| &mut d.tuning_hz),
        shown: Shown::Not,
    },
    Key {
        name: "note",
        about: "Anything else",
        kind: &Text(|d: &mut Drum| &mut d.note),
        shown: Shown::Not,
    },
];

/// Says what a file or channel is.
pub(super) const INPUT: &[Key<Input>] = &[
    Key {
        name: "file",
        about: "A pattern of the file's name or path with `*`, `?` and `[…]`; case does not count",
        kind: &Own {
            read: |input: &mut Input, value, problems| {
                input.file = read::file_pattern(value, problems)
            },
            schema: schema::text,
        },
        shown: Shown::Not,
    },
    Key {
        name: "channel",
        about: "Channel of a file with three or more, counted from 1",
        kind: &Whole(1..=64, |input: &mut Input| &mut input.channel),
        shown: Shown::Not,
    },
    Key {
        name: "mic",
        about: "What it is",
        kind: &Own {
            read: |input: &mut Input, value, problems| input.mic = read::label(value, problems),
            schema: schema::label,
        },
        shown: Shown::Not,
    },
    Key {
        name: "skip",
        about: "Not part of the session",
        // what has no mic is none
        kind: &Own {
            read: |_: &mut Input, value, problems| _ = value.bool(problems),
            schema: schema::flag,
        },
        shown: Shown::Not,
    },
];

/// A run of takes with the same kit, tuning and mic positions.
const SETUP: &[Key<SetUp>] = &[
    Key {
        name: "name",
        about: "What it is called",
        kind: &Text(|setup: &mut SetUp| &mut setup.name),
        shown: Shown::Required,
    },
    Key {
        name: "takes",
        about: "Patterns of `song/take`: `low-tide/*`",
        kind: &Own {
            read: |setup: &mut SetUp, value, problems| {
                setup.takes = read::file_patterns(value, problems)
            },
            schema: schema::texts,
        },
        shown: Shown::Required,
    },
];

/// A stem made of another's source.
const DERIVED: &[Key<Derived>] = &[
    Key {
        name: "of",
        about: "The track that it is made of",
        kind: &Own {
            read: |derived: &mut Derived, value, problems| {
                let label = read::label(value, problems);
                derived.of = label.map_or_else(String::new, |label| label.to_string());
            },
            schema: schema::label,
        },
        shown: Shown::Required,
    },
    Key {
        name: "preset",
        about: "By name or path",
        kind: &Text(|derived: &mut Derived| &mut derived.preset),
        shown: Shown::Required,
    },
    Key {
        name: "name",
        about: "Its own name in file names",
        kind: &Own {
            read: |derived: &mut Derived, value, problems| {
                derived.name = read::slug_text(value, problems)
            },
            schema: schema::slug,
        },
        shown: Shown::Required,
    },
];
