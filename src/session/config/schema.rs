//! The JSON Schema of `session.toml`, for completion and checks in an editor, and the list of its keys for
//! people: both follow from the rows of `keys`.

use std::fmt::Write as _;

use serde_json::{Value as Json, json};

use super::key::{Key, object};
use super::read::drums;
use super::{Hits, MicGroup, keys};
use crate::session::Mic;

/// The text of `presets/session.schema.json` (JSON Schema 2020-12).
pub fn schema() -> String {
    let mut schema = object(keys::FILE);
    schema["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    schema["title"] = json!("Session file of batterhead");
    schema["description"] =
        json!("How the takes in a folder are read and worked on. All of it is optional.");
    schema["$defs"] = json!({
        "Mic": { "description": "A mic.", "enum": mics() },
        "Label": {
            "description": LABEL,
            "type": "string",
            "pattern": label_pattern(),
        },
    });
    let mut text = serde_json::to_string_pretty(&schema).expect("plain data");
    text.push('\n');
    text
}

const LABEL: &str = "A mic, with its side (`-l`, `-r`, `-c`) or number (`-2`) where it has one.";
const SLUG: &str = "^[a-z0-9]+(-[a-z0-9]+)*$";

pub(super) fn text() -> Json {
    json!({ "type": "string" })
}

pub(super) fn flag() -> Json {
    json!({ "type": "boolean" })
}

pub(super) fn texts() -> Json {
    json!({ "type": "array", "items": text() })
}

pub(super) fn slug() -> Json {
    json!({ "type": "string", "pattern": SLUG })
}

pub(super) fn portable() -> Json {
    json!({ "type": "string", "pattern": "^[A-Za-z0-9 ._+-]{0,60}$" })
}

pub(super) fn label() -> Json {
    json!({ "$ref": "#/$defs/Label" })
}

pub(super) fn bits() -> Json {
    json!({ "enum": [16, 24, "16", "24", "float", "32f", "source"], "default": 24 })
}

/// An array of tables.
pub(super) fn list<T: Default>(keys: &'static [Key<T>]) -> Json {
    json!({ "type": "array", "items": object(keys) })
}

/// Tables by names that are checked against the rest of the file.
pub(super) fn by_text<T: Default>(keys: &'static [Key<T>]) -> Json {
    json!({ "type": "object", "additionalProperties": object(keys) })
}

pub(super) fn by_mic<T: Default>(keys: &'static [Key<T>]) -> Json {
    json!({
        "type": "object",
        "propertyNames": { "$ref": "#/$defs/Mic" },
        "additionalProperties": object(keys),
    })
}

pub(super) fn words() -> Json {
    json!({ "type": "object", "additionalProperties": label() })
}

pub(super) fn presets() -> Json {
    json!({
        "type": "object",
        "propertyNames": { "anyOf": [{ "const": "*" }, label()] },
        "additionalProperties": text(),
    })
}

/// An input says what it is about, and either what it is or that it is none.
pub(super) fn inputs() -> Json {
    let mut schema = list(keys::INPUT);
    schema["items"]["anyOf"] = json!([{ "required": ["file"] }, { "required": ["channel"] }]);
    schema["items"]["oneOf"] = json!([
        { "required": ["mic"], "properties": { "skip": { "const": false } } },
        { "required": ["skip"], "properties": { "skip": { "const": true }, "mic": false } },
    ]);
    schema
}

pub(super) fn groups() -> Json {
    let names: Vec<String> = MicGroup::standard().into_iter().map(|g| g.name).collect();
    let standard = format!("Stems of {}.", names.join(", "));
    json!({
        "anyOf": [
            { "const": "standard", "description": standard },
            {
                "type": "object",
                "propertyNames": { "pattern": SLUG },
                "additionalProperties": { "type": "array", "items": { "$ref": "#/$defs/Mic" } },
            },
        ],
    })
}

pub(super) fn notes() -> Json {
    json!({
        "type": "object",
        "propertyNames": { "pattern": format!("^({})(-[lr])?$", drums().join("|")) },
        "additionalProperties": {
            "type": "integer",
            "minimum": Hits::NOTE.start(),
            "maximum": Hits::NOTE.end(),
        },
    })
}

fn mics() -> Vec<&'static str> {
    Mic::all().map(Mic::name).collect()
}

fn label_pattern() -> String {
    format!("^({})(-[lrc])?(-[2-9]|-[1-9][0-9])?$", mics().join("|"))
}

/// The text of `presets/SESSION.md`: every key, what it may be, its default and what it means.
pub fn reference() -> String {
    let schema: Json = serde_json::from_str(&schema()).expect("as written");
    let mut out = "# Keys of the session file\n\n\
        `session.toml` lies at the top of the takes, or is named by `--session`. All of it is optional;\n\
        `batterhead scan TAKES --init` prints one with what was found.\n"
        .to_owned();
    section(&mut out, "", &schema);
    out
}

/// The keys of one table, then those of the tables in it.
fn section(out: &mut String, path: &str, table: &Json) {
    let properties = || table["properties"].as_object().into_iter().flatten();
    if !path.is_empty() {
        let _ = write!(out, "\n## `{path}`\n");
    }
    out.push_str("\n| key | value | default | meaning |\n| --- | --- | --- | --- |\n");
    for (key, value) in properties() {
        let default = value.get("default").map(|d| format!("`{d}`"));
        let about = value["description"].as_str().unwrap_or_default();
        let required = table["required"].as_array();
        let default = match required.is_some_and(|all| all.contains(&json!(key))) {
            true => "has to be there".to_owned(),
            false => default.unwrap_or_default(),
        };
        let may_be = may_be(value);
        let _ = writeln!(out, "| `{key}` | {may_be} | {default} | {about} |");
    }
    for (key, value) in properties() {
        let path = match path {
            "" => key.clone(),
            path => format!("{}.{key}", path.trim_matches(['[', ']'])),
        };
        if value["properties"].is_object() {
            section(out, &format!("[{path}]"), value);
        } else if value["items"]["properties"].is_object() {
            section(out, &format!("[[{path}]]"), &value["items"]);
        } else if value["additionalProperties"]["properties"].is_object() {
            let each = &value["additionalProperties"];
            section(out, &format!("[{path}.NAME]"), each);
        }
    }
}

/// What a value may be, in words.
fn may_be(schema: &Json) -> String {
    if let Some(words) = schema["enum"].as_array() {
        let words: Vec<String> = words.iter().map(|word| format!("`{word}`")).collect();
        return words.join(", ");
    }
    let kind = match schema["type"].as_str() {
        Some("number" | "integer") => "number",
        Some("boolean") => "`true`, `false`",
        Some("string") => "text",
        Some("array") if schema["items"]["properties"].is_object() => "tables",
        Some("array") if schema["items"]["$ref"] == "#/$defs/Mic" => "mics",
        Some("array") => "texts",
        Some("object") => "table",
        _ if schema["$ref"] == "#/$defs/Label" => "mic, with its side or number",
        _ => "`\"standard\"` or a table",
    };
    match (&schema["minimum"], &schema["maximum"]) {
        (Json::Number(low), Json::Number(high)) => {
            let plain = |n: &serde_json::Number| n.as_f64().unwrap_or_default().to_string();
            format!("{} to {}", plain(low), plain(high))
        }
        _ => kind.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::SessionFile;
    use crate::testing::assert_golden;

    #[test]
    fn the_schema_beside_the_presets_is_current() {
        assert_golden("presets/session.schema.json", &schema());
    }

    #[test]
    fn the_list_of_keys_beside_the_presets_is_current() {
        assert_golden("presets/SESSION.md", &reference());
    }

    /// Every table of a session file: how a file begins that has it, and its place in the schema.
    const TABLES: [(&str, &str); 11] = [
        ("", ""),
        ("[mix]\n", "/properties/mix"),
        (
            "[mix.mic.hat]\n",
            "/properties/mix/properties/mic/additionalProperties",
        ),
        (
            "[mix.group.toms]\n",
            "/properties/mix/properties/group/additionalProperties",
        ),
        ("[naming]\n", "/properties/naming"),
        ("[output]\n", "/properties/output"),
        ("[hits]\n", "/properties/hits"),
        ("[kit.tom-1]\n", "/properties/kit/additionalProperties"),
        ("[[inputs]]\n", "/properties/inputs/items"),
        ("[[derived]]\n", "/properties/derived/items"),
        ("[[setup]]\n", "/properties/setup/items"),
    ];

    #[test]
    fn the_schema_and_the_reader_know_the_same_keys() {
        let schema: Json = serde_json::from_str(&schema()).expect("JSON");
        for (head, place) in TABLES {
            let keys = &schema.pointer(place).expect(place)["properties"];
            let keys: Vec<&String> = keys.as_object().expect(place).keys().collect();
            for key in &keys {
                // A wrong value is one thing, a key that has no meaning is another.
                let problems = SessionFile::load(&format!("{head}{key} = 1979-05-27\n"), "x")
                    .expect_err("no key takes a date");
                let said = problems.to_string();
                assert!(
                    !said.contains("no key has this name"),
                    "{head}{key}: {said}"
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
