//! The JSON Schema of presets, for completion and checks in an editor. It is made from the code:
//! shapes and descriptions from the types, ranges from the stages' own checks.

use schemars::{JsonSchema, schema_for};
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::{Follow, Followed, HIGHEST_RATE_HZ, LevelRule, MAX_STAGES};
use crate::session::Mic;
use crate::stage::{Expected, Fault, Row, STAGES, Stage};

/// A preset file.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // only its shape is used
struct File {
    /// What the preset is for and when to use it.
    #[schemars(default)]
    about: String,
    /// The mics it is meant for; advice only.
    #[schemars(default)]
    mics: Vec<String>,
    /// Applied in this order, one stage in each table.
    stages: Vec<Stage>,
    /// How the level behind the last stage is set; without it, it stays.
    #[schemars(default)]
    level: Option<LevelRule>,
}

/// The keys of a stage that follows the drum.
#[derive(JsonSchema)]
#[allow(dead_code)] // only its shape is used
struct FollowKeys {
    /// What `freq_hz` follows; `freq_hz` itself is used where no tuning could be measured.
    freq_of: Followed,
    /// The measured frequency is multiplied by this.
    #[schemars(default = "one")]
    times: f64,
    /// Never below this, in hertz.
    #[schemars(default)]
    min_hz: Option<f64>,
    /// Never above this, in hertz.
    #[schemars(default)]
    max_hz: Option<f64>,
}

fn one() -> f64 {
    1.0
}

/// The text of `presets/preset.schema.json` (JSON Schema 2020-12).
pub fn schema() -> String {
    let mut schema = schema_for!(File).to_value();
    without_null(&mut schema);
    let head = json!({
        "$schema": schema["$schema"],
        "title": "Preset of batterhead",
        "description": schema["description"],
    });
    let follow = follow_keys();
    let stages = stages(&schema);
    for (row, definition) in &stages {
        let Some(definition) = schema["$defs"][definition].as_object_mut() else {
            continue;
        };
        let required = definition.get("required").cloned().unwrap_or_default();
        let Some(Value::Object(keys)) = definition.get_mut("properties") else {
            continue;
        };
        for (key, value) in keys.iter_mut() {
            if let (Some(limits), Some(value)) =
                (limits(row, key, &required), value.as_object_mut())
            {
                value.remove("minimum");
                value.remove("maximum");
                value.extend(limits);
            }
        }
        if keys.contains_key("freq_hz") {
            keys.extend(follow.clone());
            let needs =
                ["times", "min_hz", "max_hz"].map(|key| (key.to_owned(), json!(["freq_of"])));
            definition.insert(
                "dependentRequired".into(),
                Value::Object(Map::from_iter(needs)),
            );
        }
    }
    // One table with one key: an editor completes and explains that better than a choice of shapes.
    let keys = stages.iter().map(|(row, definition)| {
        let reference = format!("#/$defs/{definition}");
        let stage = json!({ "$ref": reference, "description": row.help });
        (row.name.to_owned(), stage)
    });
    schema["$defs"]["Stage"] = json!({
        "description": "One stage.",
        "type": "object",
        "properties": Map::from_iter(keys),
        "additionalProperties": false,
        "minProperties": 1,
        "maxProperties": 1,
    });
    schema["$defs"]["Followed"] = schema_for!(Followed).to_value();
    if let Some(followed) = schema["$defs"]["Followed"].as_object_mut() {
        followed.remove("$schema");
        followed.remove("title");
    }
    schema["properties"]["stages"]["maxItems"] = json!(MAX_STAGES);
    schema["properties"]["mics"]["items"]["enum"] =
        json!(Mic::all().map(Mic::name).collect::<Vec<_>>());
    let level = &mut schema["$defs"]["LevelRule"]["properties"];
    for (key, range) in [
        ("target", LevelRule::TARGET),
        ("ceiling_dbtp", LevelRule::CEILING),
        ("max_gain_db", LevelRule::MAX_GAIN),
    ] {
        level[key]["minimum"] = json!(range.start());
        level[key]["maximum"] = json!(range.end());
    }
    let (Value::Object(mut all), Value::Object(rest)) = (head, schema) else {
        unreachable!("both are tables");
    };
    for (key, value) in rest {
        all.entry(key).or_insert(value);
    }
    let mut text = serde_json::to_string_pretty(&all).expect("plain data");
    text.push('\n');
    text
}

/// Every stage with the name of its definition in the schema.
fn stages(schema: &Value) -> Vec<(Row, String)> {
    let variants = schema["$defs"]["Stage"]["oneOf"].as_array();
    let variants = variants.map(Vec::as_slice).unwrap_or_default();
    let definition = |row: Row| {
        let reference = |v: &Value| Some(v["properties"][row.name]["$ref"].as_str()?.to_owned());
        let reference = variants.iter().find_map(reference)?;
        Some((row, reference.strip_prefix("#/$defs/")?.to_owned()))
    };
    STAGES.into_iter().filter_map(definition).collect()
}

fn follow_keys() -> Map<String, Value> {
    let mut schema = schema_for!(FollowKeys).to_value();
    without_null(&mut schema);
    let keys = &mut schema["properties"];
    keys["times"]["minimum"] = json!(Follow::TIMES.start());
    keys["times"]["maximum"] = json!(Follow::TIMES.end());
    for key in ["min_hz", "max_hz"] {
        keys[key]["exclusiveMinimum"] = json!(0.0);
        keys[key]["maximum"] = json!(Follow::HIGHEST_HZ);
    }
    keys.as_object().cloned().unwrap_or_default()
}

/// The range of a key, from what the stage's check says of a number far out of any.
fn limits(row: &Row, key: &str, required: &Value) -> Option<Map<String, Value>> {
    let limits = match fault(row, key, required)?.expected {
        Expected::Between { low, high } => [("exclusiveMinimum", low), ("exclusiveMaximum", high)],
        Expected::Within { low, high } => [("minimum", low), ("maximum", high)],
        Expected::Other(_) => return None,
    };
    let limits = limits.map(|(word, limit)| (word.to_owned(), json!(limit)));
    Some(limits.into_iter().collect())
}

fn fault(row: &Row, key: &str, required: &Value) -> Option<Fault> {
    let example = toml::from_str::<toml::Table>(&format!("stage = {}", row.example)).ok()?;
    let mut stage = serde_json::to_value(example.get("stage")?).ok()?;
    let keys = stage.get_mut(row.name)?.as_object_mut()?;
    // Other keys that may be absent are: some exclude each other.
    keys.retain(|key, _| {
        required
            .as_array()
            .is_some_and(|all| all.contains(&json!(key)))
    });
    // A float, a whole number, and one that even the smallest type of whole numbers holds.
    let far = [json!(1e12), json!(1_000_000_000_000_i64), json!(255)];
    far.into_iter().find_map(|far| {
        keys.insert(key.to_owned(), far);
        let stage = Stage::deserialize(json!({ row.name: keys })).ok()?;
        let faults = stage.settings().check(HIGHEST_RATE_HZ);
        faults.into_iter().find(|fault| fault.key == key)
    })
}

/// TOML has no null: a key that may be null to serde may be absent to a person.
fn without_null(value: &mut Value) {
    let is_null = |value: &Value| value == "null" || value["type"] == "null";
    match value {
        Value::Object(map) => {
            if map.get("default") == Some(&Value::Null) {
                map.remove("default");
            }
            for word in ["type", "anyOf"] {
                if let Some(Value::Array(choices)) = map.get_mut(word) {
                    choices.retain(|choice| !is_null(choice));
                    if let [only] = choices.as_slice() {
                        let only = only.clone();
                        match (word, only) {
                            ("anyOf", Value::Object(only)) => {
                                map.remove(word);
                                map.extend(only);
                            }
                            (_, only) => _ = map.insert(word.to_owned(), only),
                        }
                    }
                }
            }
            map.values_mut().for_each(without_null);
        }
        Value::Array(items) => items.iter_mut().for_each(without_null),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_schema_beside_the_presets_is_current() {
        crate::testing::assert_golden("presets/preset.schema.json", &schema());
    }

    #[test]
    fn a_number_has_a_range_in_the_schema_where_its_check_has_one() {
        let schema: Value = serde_json::from_str(&schema()).expect("JSON");
        let mut ranges = 0;
        for row in STAGES {
            let definition = &schema["$defs"]["Stage"]["properties"][row.name]["$ref"];
            let definition = definition
                .as_str()
                .expect("a reference")
                .trim_start_matches('#');
            let definition = schema.pointer(definition).expect("a definition");
            for (key, value) in definition["properties"].as_object().expect("keys") {
                let numeric = value["type"] == "number" || value["type"] == "integer";
                if numeric && fault(&row, key, &definition["required"]).is_some() {
                    let low = value.get("minimum").or(value.get("exclusiveMinimum"));
                    let high = value.get("maximum").or(value.get("exclusiveMaximum"));
                    assert!(
                        low.is_some() && high.is_some(),
                        "{}.{key}: {value}",
                        row.name
                    );
                    ranges += 1;
                }
            }
        }
        assert!(ranges >= 20, "only {ranges} ranges");
    }
}
