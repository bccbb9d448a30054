//! The JSON Schema of `session.toml`, for completion and checks in an editor. Its shape stands here,
//! ranges and words come from where they are checked; tests compare both with the reader.
#![allow(dead_code)] // of most types here only the shape is used

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use schemars::{JsonSchema, schema_for};
use serde_json::{Value, json};

use super::{Drum, Hits, Input, MicGroup, Mix, Output, Strip};
use crate::preset::schema::without_null;
use crate::session::Mic;
use crate::session::mic::drum;

/// How the takes in a folder are read and worked on. All of it is optional.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields, rename_all = "kebab-case")]
struct File {
    /// The session folder, relative to this file; without it the one that this file lies in.
    folder: Option<String>,
    /// Where song, take and mic stand in the paths: `{song}/{take}/{mic}`. Fields: {song} {take}
    /// {mic} {any}.
    pattern: Option<String>,
    /// What files and channels are, whatever they are called; the first that fits counts.
    inputs: Option<Vec<InputTable>>,
    /// Words that people write for mics, added to those that are known or overruling them.
    words: Option<BTreeMap<String, LabelText>>,
    /// Presets that differ from the mics' own, by name or path; `"*"` for all that have no entry.
    presets: Option<ByLabel<String>>,
    /// Runs of takes with the same kit, tuning and mic positions; without them one per song.
    setup: Option<Vec<SetUpTable>>,
    /// Two sides of an overhead or a room: one stereo stem, or split into two.
    pairs: Option<Pairs>,
    /// A take whose hits are louder or softer than in the others of the set-up, since a preamp was turned:
    /// keep the one gain of the mic, or trim the take by the step.
    level_steps: Option<LevelSteps>,
    /// Where drums that are never hit are left out: in each take, where the song never plays them,
    /// or never.
    left_out: Option<LeftOut>,
    /// Which mics the page lets one compare with their source: each in one take of each song, each
    /// in every take, or none.
    excerpts: Option<Excerpts>,
    /// Mics whose polarity is corrected without asking; without this key those beside the main mic of
    /// their drum, where their sum gains by it.
    polarity: Option<Vec<MicName>>,
    /// Mics that are moved in time to meet the others.
    align: Option<Vec<MicName>>,
    /// Stems of several mics, beside those of the tracks.
    groups: Option<Groups>,
    /// The rough mix.
    mix: Option<MixTable>,
    /// What outputs are called.
    naming: Option<NamingTable>,
    /// Format of the stems.
    output: Option<OutputTable>,
    /// Strokes for other programs.
    hits: Option<HitsTable>,
    /// What is known of the drums.
    kit: Option<ByMic<DrumTable>>,
    /// Stems made of other stems' sources; without this key a `trashy-room` of the farthest room.
    derived: Option<Vec<DerivedTable>>,
}

/// Says what a file or channel is.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct InputTable {
    /// A pattern of the file's name or path with `*`, `?` and `[…]`; case does not count.
    file: Option<String>,
    /// Channel of a file with three or more, counted from 1.
    channel: Option<i64>,
    /// What it is.
    mic: Option<LabelText>,
    /// Not part of the session.
    skip: Option<bool>,
}

/// A run of takes with the same kit, tuning and mic positions.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct SetUpTable {
    /// What it is called.
    name: String,
    /// Patterns of `song/take`: `low-tide/*`.
    takes: Vec<String>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum Pairs {
    Stereo,
    Split,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum LevelSteps {
    Keep,
    Trim,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum LeftOut {
    Take,
    Song,
    Never,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum Excerpts {
    Song,
    Take,
    Never,
}

/// The rough mix.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct MixTable {
    /// From where the kit is seen.
    view: Option<View>,
    /// The kit is set up left-handed.
    #[schemars(rename = "left-handed")]
    left_handed: Option<bool>,
    /// Integrated loudness, in LUFS.
    target_lufs: Option<f64>,
    /// True peak that no mix passes, in dBTP.
    ceiling_dbtp: Option<f64>,
    /// Whether the band gets 16-bit 44.1 kHz copies.
    #[schemars(rename = "listening-copy")]
    listening_copy: Option<bool>,
    /// Whether the same balance without processing is written beside each mix.
    dry: Option<bool>,
    /// Faders and pans, by mic, by mic with its side or number, or by the name of a derived stem.
    mic: Option<BTreeMap<String, StripTable>>,
    /// Faders of groups, by their names.
    group: Option<BTreeMap<String, GroupStrip>>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum View {
    Player,
    Audience,
}

/// One mic in the mix.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct StripTable {
    /// Gain in dB.
    fader_db: Option<f64>,
    /// -100 (left) to 100 (right), as seen by the view that is set.
    pan: Option<f64>,
    /// Not in the mix.
    mute: Option<bool>,
}

/// One group in the mix.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct GroupStrip {
    /// Gain in dB.
    fader_db: f64,
}

/// What outputs are called.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct NamingTable {
    /// Fields: {song} {take} {mic} {side} {group} {date} {rate} {bits} {text}.
    template: Option<String>,
    /// What {text} stands for.
    text: Option<PortableText>,
    /// What {date} stands for.
    date: Option<PortableText>,
}

/// Format of the stems.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct OutputTable {
    /// Frames a second; without it each file's own.
    rate_hz: Option<i64>,
    /// How samples are stored.
    bits: Option<BitsText>,
    /// Whether lost bits become noise instead of distortion.
    dither: Option<bool>,
    /// Whether each stem starts and ends with its source, or all of a take together.
    start: Option<StartText>,
}

/// Strokes for other programs.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct HitsTable {
    /// MIDI files and markers hold the strokes that are at least so probable.
    threshold: Option<f64>,
    /// MIDI notes that differ from those of General MIDI, by drum: `kick`, `tom-2`, `china-r`.
    notes: Option<BTreeMap<String, i64>>,
    /// Whether each drum gets a MIDI file of its own, too.
    #[schemars(rename = "file-per-drum")]
    file_per_drum: Option<bool>,
    /// Whether the stem of a drum's leading mic carries the strokes as markers.
    cues: Option<bool>,
}

/// What is known of a drum.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct DrumTable {
    /// Diameter in inches.
    diameter_in: Option<f64>,
    /// Depth in inches.
    depth_in: Option<f64>,
    /// The fundamental that it is meant to be tuned to.
    tuning_hz: Option<f64>,
    /// Anything else.
    note: Option<String>,
}

/// A stem made of another's source.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct DerivedTable {
    /// The track that it is made of.
    of: LabelText,
    /// By name or path.
    preset: String,
    /// Its own name in file names.
    name: SlugText,
}

/// A type whose schema is written out.
macro_rules! written {
    ($($name:ident = $schema:expr;)*) => { $(
        struct $name;

        impl JsonSchema for $name {
            fn inline_schema() -> bool {
                false
            }

            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                let schema: Value = $schema;
                schema.try_into().expect("a table")
            }
        }
    )* };
}

written! {
    MicName = json!({ "description": "A mic.", "enum": mics() });
    LabelText = json!({
        "description": "A mic, with its side (`-l`, `-r`, `-c`) or number (`-2`) where it has one.",
        "type": "string",
        "pattern": label_pattern(),
    });
    SlugText = json!({ "type": "string", "pattern": SLUG });
    PortableText = json!({ "type": "string", "pattern": "^[A-Za-z0-9 ._+-]{0,60}$" });
    BitsText = json!({ "enum": [16, 24, "16", "24", "float", "32f", "source"] });
    StartText = json!({ "enum": ["file", "take"] });
    Groups = json!({
        "anyOf": [
            { "const": "standard", "description": names_of_groups() },
            {
                "type": "object",
                "propertyNames": { "pattern": SLUG },
                "additionalProperties": { "type": "array", "items": { "enum": mics() } },
            },
        ],
    });
}

/// A table by label.
struct ByLabel<T>(std::marker::PhantomData<T>);
/// A table by mic.
struct ByMic<T>(std::marker::PhantomData<T>);

impl<T: JsonSchema> JsonSchema for ByLabel<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("ByLabel{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "object",
            "propertyNames": { "pattern": label_pattern() },
            "additionalProperties": generator.subschema_for::<T>(),
        })
    }
}

impl<T: JsonSchema> JsonSchema for ByMic<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("ByMic{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "object",
            "propertyNames": { "enum": mics() },
            "additionalProperties": generator.subschema_for::<T>(),
        })
    }
}

const SLUG: &str = "^[a-z0-9]+(-[a-z0-9]+)*$";

fn mics() -> Vec<&'static str> {
    Mic::all().map(Mic::name).collect()
}

/// `kick`, `snare`, `tom-1`, and so on.
fn drums() -> Vec<String> {
    let mut all: Vec<String> = Mic::all()
        .filter_map(|mic| drum(mic.family, mic.name(), None))
        .collect();
    all.dedup();
    all
}

fn label_pattern() -> String {
    format!("^({})(-[lrc])?(-[2-9]|-[1-9][0-9])?$", mics().join("|"))
}

fn names_of_groups() -> String {
    let names: Vec<String> = MicGroup::standard().into_iter().map(|g| g.name).collect();
    format!("Stems of {}.", names.join(", "))
}

/// The text of `presets/session.schema.json` (JSON Schema 2020-12).
pub fn schema() -> String {
    let mut schema = schema_for!(File).to_value();
    without_null(&mut schema);
    schema["title"] = json!("Session file of batterhead");
    let mut limit = |definition: &str, key: &str, low: Value, high: Value| {
        let property = &mut schema["$defs"][definition]["properties"][key];
        property["minimum"] = low;
        property["maximum"] = high;
    };
    let mut decibels = |definition, key, range: RangeInclusive<f64>| {
        limit(definition, key, json!(range.start()), json!(range.end()));
    };
    decibels("MixTable", "target_lufs", Mix::TARGET_LUFS);
    decibels("MixTable", "ceiling_dbtp", Mix::CEILING_DBTP);
    decibels("StripTable", "fader_db", Strip::FADER_DB);
    decibels("StripTable", "pan", Strip::PAN);
    decibels("GroupStrip", "fader_db", Strip::FADER_DB);
    decibels("DrumTable", "diameter_in", Drum::DIAMETER_IN);
    decibels("DrumTable", "depth_in", Drum::DEPTH_IN);
    decibels("DrumTable", "tuning_hz", Drum::TUNING_HZ);
    decibels("HitsTable", "threshold", Hits::THRESHOLD);
    let mut whole = |definition, key, range: RangeInclusive<i64>| {
        limit(definition, key, json!(range.start()), json!(range.end()));
    };
    whole("InputTable", "channel", Input::CHANNEL);
    whole("OutputTable", "rate_hz", Output::RATE_HZ);
    schema["$defs"]["HitsTable"]["properties"]["notes"] = json!({
        "description": "MIDI notes that differ from those of General MIDI, by drum.",
        "type": "object",
        "propertyNames": { "pattern": format!("^({})(-[lr])?$", drums().join("|")) },
        "additionalProperties": {
            "type": "integer",
            "minimum": Hits::NOTE.start(),
            "maximum": Hits::NOTE.end(),
        },
    });
    schema["$defs"]["ByLabelstring"]["propertyNames"] =
        json!({ "anyOf": [{ "const": "*" }, { "pattern": label_pattern() }] });
    // An input says what it is about, and either what it is or that it is none.
    schema["$defs"]["InputTable"]["anyOf"] =
        json!([{ "required": ["file"] }, { "required": ["channel"] }]);
    schema["$defs"]["InputTable"]["oneOf"] = json!([
        { "required": ["mic"], "properties": { "skip": { "const": false } } },
        { "required": ["skip"], "properties": { "skip": { "const": true }, "mic": false } },
    ]);
    let mut text = serde_json::to_string_pretty(&schema).expect("plain data");
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::SessionFile;

    #[test]
    fn the_schema_beside_the_presets_is_current() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/presets/session.schema.json");
        if std::env::var_os("BATTERHEAD_WRITE_GOLDEN").is_some() {
            std::fs::write(path, schema()).expect("written");
        }
        let kept = std::fs::read_to_string(path).unwrap_or_default();
        let stale = "presets/session.schema.json is stale: BATTERHEAD_WRITE_GOLDEN=1 rewrites it";
        assert!(kept == schema(), "{stale}");
    }

    /// Every table of a session file: how a file begins that has it, and its place in the schema.
    const TABLES: [(&str, &str); 10] = [
        ("", ""),
        ("[mix]\n", "/$defs/MixTable"),
        ("[mix.mic.hat]\n", "/$defs/StripTable"),
        ("[mix.group.toms]\n", "/$defs/GroupStrip"),
        ("[naming]\n", "/$defs/NamingTable"),
        ("[output]\n", "/$defs/OutputTable"),
        ("[hits]\n", "/$defs/HitsTable"),
        ("[kit.tom-1]\n", "/$defs/DrumTable"),
        ("[[inputs]]\n", "/$defs/InputTable"),
        ("[[derived]]\n", "/$defs/DerivedTable"),
    ];

    #[test]
    fn the_schema_and_the_reader_know_the_same_keys() {
        let schema: Value = serde_json::from_str(&schema()).expect("JSON");
        for (head, place) in TABLES {
            let keys = &schema.pointer(place).expect(place)["properties"];
            let keys: Vec<&String> = keys.as_object().expect(place).keys().collect();
            for key in &keys {
                // A wrong value is one thing, a key that has no meaning is another.
                let problems = SessionFile::load(&format!("{head}{key} = 1979-05-27\n"), "x")
                    .expect_err("no key takes a date");
                let told = problems.to_string();
                assert!(
                    !told.contains("no key has this name"),
                    "{head}{key}: {told}"
                );
            }
            let problems = SessionFile::load(&format!("{head}qqqqqqqq = 1\n"), "x");
            let problems = problems.expect_err("no such key");
            let hints = problems.list().iter().filter_map(|p| p.hint.as_deref());
            let list = hints.filter_map(|hint| hint.strip_prefix("Keys: ")).next();
            let mut known: Vec<&str> = list.expect("the keys").split(", ").collect();
            let mut keys: Vec<&str> = keys.into_iter().map(String::as_str).collect();
            known.sort_unstable();
            keys.sort_unstable();
            assert_eq!(known, keys, "{head}");
        }
    }

    #[test]
    fn good_session_files_are_read_and_bad_ones_refused() {
        let data = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/sessions");
        for (folder, good) in [("good", true), ("bad", false), ("bad-beyond-schema", false)] {
            let files = std::fs::read_dir(format!("{data}/{folder}")).expect(folder);
            let mut count = 0;
            for file in files {
                let path = file.expect("an entry").path();
                let read = SessionFile::read(&path);
                assert_eq!(read.is_ok(), good, "{}: {read:?}", path.display());
                count += 1;
            }
            assert!(count > 3, "{folder}");
        }
    }
}
