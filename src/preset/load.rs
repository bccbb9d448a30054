//! Text → [`Preset`], or every problem with its place.

use std::borrow::Cow;
use std::collections::Bound::{Excluded, Included};
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{
    Follow, HIGHEST_RATE_HZ, LevelRule, MAX_BYTES, MAX_STAGES, Preset, Spans, Step, place,
};
use crate::problem::walk::{self, Fields, Value, entries};
use crate::problem::{Problem, Problems, suggest};
use crate::session::Mic;
use crate::stage::{STAGES, Stage};

/// The keys that make a frequency follow the drum.
const FOLLOW_KEYS: [&str; 4] = ["freq_of", "times", "min_hz", "max_hz"];

/// Other words of the trade for a stage, where the nearest spelling would mislead.
const OTHER_WORDS: [(&str, &str); 20] = [
    ("low-cut", "high-pass"),
    ("lowcut", "high-pass"),
    ("lc", "high-pass"),
    ("hp", "high-pass"),
    ("hpf", "high-pass"),
    ("high-cut", "low-pass"),
    ("highcut", "low-pass"),
    ("hc", "low-pass"),
    ("lp", "low-pass"),
    ("lpf", "low-pass"),
    ("bell", "peak"),
    ("eq", "peak"),
    ("distortion", "drive"),
    ("saturation", "drive"),
    ("compressor", "compress"),
    ("expander", "gate"),
    ("phase", "polarity"),
    ("invert", "polarity"),
    ("trim", "gain"),
    ("volume", "gain"),
];

/// Checks a preset; `file` is shown in problems, and its stem is the preset's name.
///
/// # Errors
/// Everything that is wrong at any sample rate: syntax, unknown keys and words, wrong types,
/// missing keys, numbers that are not finite or out of range.
pub fn load(text: &str, file: &str) -> Result<Preset, Problems> {
    if text.len() as u64 > MAX_BYTES {
        let mut problems = Problems::new("preset", file, "");
        let message = format!("is larger than {MAX_BYTES} bytes, the most a preset may have");
        problems.add(Problem::whole(message));
        return Err(problems);
    }
    let mut problems = Problems::new("preset", file, text);
    let text = problems.text();
    let preset = walk::parse(&text, &mut problems).map(|table| {
        let mut fields = Fields::new(&table, None, &mut problems);
        let about = fields.string("about").unwrap_or_default().to_owned();
        let mics = mics(&mut fields);
        fields.require("stages");
        let stages = fields.array("stages").unwrap_or_default();
        let steps = steps(&stages, fields.problems);
        let level = level(&mut fields);
        fields.finish();
        let stem = Path::new(file).file_stem().unwrap_or_default();
        Preset {
            name: stem.to_string_lossy().into_owned(),
            about,
            mics,
            stages: steps,
            level,
            file: file.to_owned(),
            text: text.clone(),
        }
    });
    problems.finish(preset)
}

fn mics(fields: &mut Fields) -> Vec<String> {
    let items = fields.array("mics").unwrap_or_default();
    let known: Vec<_> = Mic::all().map(Mic::name).collect();
    let mic = |item: &Value| {
        let mic = item.string(fields.problems)?;
        if !known.contains(&mic) {
            let problem = Problem::at(item.span(), "no mic has this name");
            let hint = suggest(mic, &known, "Mics");
            fields.problems.add(problem.hint(hint));
        }
        Some(mic.to_owned())
    };
    items.iter().filter_map(mic).collect()
}

fn level(fields: &mut Fields) -> Option<LevelRule> {
    let mut fields = fields.fields("level")?;
    fields.require("measure");
    fields.require("target");
    let measure = fields.read("measure");
    let target = fields.f64("target", LevelRule::TARGET);
    let link = fields.read("link").unwrap_or_default();
    let ceiling_dbtp = fields.f64("ceiling_dbtp", LevelRule::CEILING);
    let ceiling_dbtp = ceiling_dbtp.unwrap_or(LevelRule::DEFAULT_CEILING);
    let max_gain_db = fields.f64("max_gain_db", LevelRule::MAX_GAIN);
    let max_gain_db = max_gain_db.unwrap_or(LevelRule::DEFAULT_MAX_GAIN);
    fields.finish();
    Some(LevelRule {
        measure: measure?,
        target: target?,
        link,
        ceiling_dbtp,
        max_gain_db,
    })
}

fn steps(items: &[Value], problems: &mut Problems) -> Vec<Step> {
    if let Some(item) = items.get(MAX_STAGES) {
        let message = format!("expected at most {MAX_STAGES} stages");
        problems.add(Problem::at(item.span(), message));
        return Vec::new();
    }
    let step = |(index, item): (usize, &Value)| step(index, *item, problems);
    items.iter().enumerate().filter_map(step).collect()
}

fn step(index: usize, item: Value, problems: &mut Problems) -> Option<Step> {
    let nth = format!("in stage {}", index + 1);
    let (name, name_span, settings) = problems.within(nth, |problems| {
        let mut stages = entries(item.table(problems)?);
        let Some(first) = stages.next() else {
            let example = STAGES.first().map_or("", |row| row.example);
            let message = format!("expected a stage, as `{example}`");
            problems.add(Problem::at(item.span(), message));
            return None;
        };
        if let Some((_, span, _)) = stages.next() {
            let message = "one stage in each `{ … }`: give this one its own";
            problems.add(Problem::at(span, message));
        }
        Some(first)
    })?;
    let Some(row) = STAGES.iter().find(|row| row.name == name) else {
        problems.within(format!("in stage {}", index + 1), |problems| {
            problems.add(no_such_stage(name, name_span));
        });
        return None;
    };
    problems.within(place(index, row.name), |problems| {
        let mut settings = settings.0.clone();
        let mut spans = Spans {
            name: name_span.clone(),
            values: Vec::new(),
        };
        let mut follow = None;
        if let DeValue::Table(table) = settings.get_mut() {
            let values = entries(table).map(|(key, _, value)| (key.to_owned(), value.span()));
            spans.values = values.collect();
            match can_follow(row.example) {
                true => follow = self::follow(table, name_span.clone(), problems),
                false => no_follow(table, problems),
            }
            for key in FOLLOW_KEYS {
                table.remove(key);
            }
            keep_order_readable(table);
        }
        let mut stage = DeTable::new();
        stage.insert(Spanned::new(name_span, Cow::Borrowed(row.name)), settings);
        let stage = Spanned::new(item.span(), DeValue::Table(stage));
        let stage: Stage = Value(&stage).read(problems)?;
        let step = Step {
            stage,
            follow,
            spans,
        };
        step.check(HIGHEST_RATE_HZ, "the highest sample rate", problems);
        step.check_fallback(problems);
        Some(step)
    })
}

fn no_such_stage(name: &str, span: Range<usize>) -> Problem {
    let names = STAGES.map(|row| row.name);
    let plain = name.to_lowercase().replace('_', "-");
    let other = OTHER_WORDS.iter().find(|(word, _)| *word == plain);
    let hint = match other {
        Some((_, stage)) => suggest(stage, &names, "Stages"),
        None => suggest(name, &names, "Stages"),
    };
    Problem::at(span, "no stage has this name").hint(hint)
}

fn no_follow(table: &DeTable, problems: &mut Problems) {
    for (key, span, _) in entries(table) {
        if FOLLOW_KEYS.contains(&key) {
            let message = "only stages with a `freq_hz` can follow the drum";
            problems.add(Problem::at(span, message));
        }
    }
}

fn can_follow(example: &str) -> bool {
    let table = DeValue::parse(example).ok();
    let stage = table.and_then(|table| {
        use serde::Deserialize;
        Stage::deserialize(toml::de::ValueDeserializer::from(table)).ok()
    });
    stage.is_some_and(|mut stage| stage.settings_mut().freq_hz().is_some())
}

fn follow(table: &DeTable, place: Range<usize>, problems: &mut Problems) -> Option<Follow> {
    let mut fields = Fields::new(table, Some(place), problems);
    let given = |key: &&&str| table.contains_key(**key);
    let first = FOLLOW_KEYS.iter().find(given)?;
    let of = fields.get("freq_of");
    if of.is_none() {
        let span = fields.key_span(first).unwrap_or_default();
        let problem = Problem::at(span, "expected only beside `freq_of`");
        let hint = "add `freq_of = \"fundamental\"` or take this key out";
        fields.problems.add(problem.hint(hint));
    }
    let hearing = (Excluded(0.0), Included(Follow::HIGHEST_HZ));
    let times = fields.f64("times", Follow::TIMES).unwrap_or(1.0);
    let min_hz = fields.f64("min_hz", hearing);
    let max_hz = fields.f64("max_hz", hearing);
    if let (Some(min), Some(max), Some(value)) = (min_hz, max_hz, fields.get("max_hz"))
        && max <= min
    {
        let message = format!("expected above {min}, the `min_hz`");
        fields.problems.add(Problem::at(value.span(), message));
    }
    Some(Follow {
        of: of?.read(fields.problems)?,
        times,
        min_hz,
        max_hz,
    })
}

/// An order that its type cannot hold is made one that it can: both are out of the stage's own
/// range, which its check then says.
fn keep_order_readable(table: &mut DeTable) {
    if let Some(order) = table.get_mut("order")
        && let DeValue::Integer(integer) = order.get_ref()
        && u8::from_str_radix(integer.as_str(), integer.radix()).is_err()
        && let Ok(largest) = DeValue::parse("255")
    {
        *order.get_mut() = largest.into_inner();
    }
}

impl Step {
    /// What is used without a measurement must lie within the step's own limits.
    fn check_fallback(&self, problems: &mut Problems) {
        let mut stage = self.stage.clone();
        let (Some(follow), Some(freq_hz)) = (self.follow, stage.settings_mut().freq_hz()) else {
            return;
        };
        let low = follow.min_hz.is_some_and(|min| *freq_hz < min);
        let high = follow.max_hz.is_some_and(|max| *freq_hz > max);
        let value = self.spans.values.iter().find(|(key, _)| key == "freq_hz");
        if let (true, Some((_, span))) = (low || high, value) {
            let (key, limit) = match low {
                true => ("min_hz", follow.min_hz),
                false => ("max_hz", follow.max_hz),
            };
            let side = if low { "no less" } else { "no more" };
            let limit = limit.unwrap_or_default();
            let message = format!("expected {side} than {limit}, the `{key}`");
            problems.add(Problem::at(span.clone(), message));
        }
    }
}
