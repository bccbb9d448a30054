//! Text → [`SessionFile`], or every problem with its place.

use std::ops::Range;
use std::path::Path;

use sha2::{Digest, Sha256};

use super::pattern::{self, Pattern};
use super::{Drum, Excerpts, FilePattern, Input, LeftOut, Pairs, Polarity, SessionFile, SetUp};
use crate::error::Result;
use crate::files::hex;
use crate::problem::walk::{Fields, Value, entries, parse};
use crate::problem::{Problem, Problems, read_text, suggest};
use crate::session::Mic;
use crate::session::label::Label;

mod outputs;

/// A session file may have no more bytes than this.
const MAX_BYTES: u64 = 4_000_000;

impl SessionFile {
    /// Reads and checks a session file.
    ///
    /// # Errors
    /// [`Kind::Input`](crate::error::Kind::Input): it cannot be read, or everything that is wrong.
    pub fn read(path: &Path) -> Result<Self> {
        let text = read_text(path, MAX_BYTES)?;
        let name = path.display().to_string();
        let mut config = Self::load(&text, &name)?;
        config.path = Some(path.to_owned());
        config.sha256 = Some(hex(&Sha256::digest(&text)));
        Ok(config)
    }

    /// Checks the text of a session file; `name` is what it is called in messages.
    ///
    /// # Errors
    /// Everything that is wrong, in line order.
    pub fn load(text: &str, name: &str) -> std::result::Result<Self, Problems> {
        let mut problems = Problems::new("session file", name, text);
        let text = problems.text();
        let Some(table) = parse(&text, &mut problems) else {
            return problems.finish(None);
        };
        let mut fields = Fields::new(&table, None, &mut problems);
        let config = walk(&mut fields);
        fields.finish();
        problems.finish(Some(config))
    }
}

fn walk(f: &mut Fields) -> SessionFile {
    let mut c = SessionFile {
        folder: f.string("folder").map(Into::into),
        pattern: f.get("pattern").and_then(|v| read_pattern(v, f.problems)),
        inputs: list(f, "inputs", input),
        setups: list(f, "setup", setup),
        ..SessionFile::default()
    };
    for (word, _, value) in f.table("words").into_iter().flat_map(entries) {
        c.words
            .extend(label(value, f.problems).map(|label| (word.to_owned(), label)));
    }
    for (key, span, value) in f.table("presets").into_iter().flat_map(entries) {
        if key == "*" {
            c.preset_of_all = value.string(f.problems).map(str::to_owned);
            continue;
        }
        let label = label_at(key, span, f.problems);
        c.presets
            .extend(label.zip(value.string(f.problems).map(str::to_owned)));
    }
    match f.one_of("pairs", &["stereo", "split"]) {
        Some("split") => c.pairs = Pairs::Split,
        _ => c.pairs = Pairs::Stereo,
    }
    c.trim_level_steps = f.one_of("level-steps", &["keep", "trim"]) == Some("trim");
    c.left_out = match f.one_of("left-out", &["take", "song", "never"]) {
        Some("take") => LeftOut::Take,
        Some("never") => LeftOut::Never,
        _ => LeftOut::Song,
    };
    c.excerpts = match f.one_of("excerpts", &["song", "take", "never"]) {
        Some("take") => Excerpts::Take,
        Some("never") => Excerpts::Never,
        _ => Excerpts::Song,
    };
    if let Some(list) = f.array("polarity") {
        c.polarity = Polarity::Mics(mics(list, f.problems));
    }
    if let Some(list) = f.array("align") {
        c.align = mics(list, f.problems);
    }
    if let Some(value) = f.get("groups") {
        c.groups = outputs::groups(value, f.problems);
    }
    // The mix may name derived stems.
    if f.get("derived").is_some() {
        c.derived = Some(list(f, "derived", outputs::derived));
    }
    if let Some(fields) = f.fields("mix") {
        c.mix = outputs::mix(fields, &c);
    }
    if let Some(fields) = f.fields("naming") {
        c.naming = outputs::naming(fields);
    }
    if let Some(fields) = f.fields("output") {
        c.output = outputs::output(fields);
    }
    if let Some(fields) = f.fields("hits") {
        c.hits = outputs::hits(fields);
    }
    for (key, span, value) in f.table("kit").into_iter().flat_map(entries) {
        let mic = mic_at(key, span.clone(), f.problems);
        let Some(table) = value.table(f.problems) else {
            continue;
        };
        let fields = Fields::new(table, Some(span), f.problems);
        c.kit.extend(drum(fields, mic));
    }
    c
}

/// An array of tables, each read by `read`.
fn list<T>(
    f: &mut Fields,
    key: &'static str,
    read: fn(Fields, Range<usize>) -> Option<T>,
) -> Vec<T> {
    let mut all = Vec::new();
    for value in f.array(key).into_iter().flatten() {
        let Some(table) = value.table(f.problems) else {
            continue;
        };
        let fields = Fields::new(table, Some(value.span()), f.problems);
        all.extend(read(fields, value.span()));
    }
    all
}

fn read_pattern(value: Value, problems: &mut Problems) -> Option<Pattern> {
    let text = value.string(problems)?;
    match Pattern::parse(text) {
        Ok(pattern) => Some(pattern),
        Err((at, message, word)) => {
            let problem = Problem::at(inside(value, text, at, problems), message);
            let hint = match word {
                Some(word) => suggest(&word, &pattern::FIELDS, "Fields"),
                None => "for example `{song}/{take}/{mic}` or `{song}_T{take}_{mic}`".to_owned(),
            };
            problems.add(problem.hint(hint));
            None
        }
    }
}

fn input(mut f: Fields, place: Range<usize>) -> Option<Input> {
    let file = f.get("file").and_then(|v| file_pattern(v, f.problems));
    let channel = f.i64("channel", Input::CHANNEL);
    let skip = f.bool("skip");
    let value = f.get("mic");
    let mic = value.and_then(|v| label(v, f.problems));
    if f.key_span("file").or(f.key_span("channel")).is_none() {
        let message = "expected `file = \"…\"` or `channel = …`: what it is about";
        f.problems.add(Problem::at(place.clone(), message));
    }
    if value.is_some() == (skip == Some(true)) {
        f.problems.add(Problem::at(
            place,
            "expected either `mic = \"…\"` or `skip = true`",
        ));
    }
    f.finish();
    let channel = channel.and_then(|n| usize::try_from(n).ok());
    Some(Input { file, channel, mic })
}

fn file_pattern(value: Value, problems: &mut Problems) -> Option<FilePattern> {
    let text = value.string(problems)?;
    let glob = globset::GlobBuilder::new(text)
        .case_insensitive(true)
        .build();
    match glob {
        Ok(glob) => Some(FilePattern {
            text: text.to_owned(),
            glob: glob.compile_matcher(),
        }),
        Err(error) => {
            let message = format!(
                "expected a pattern with `*`, `?` or `[…]`: {}",
                error.kind()
            );
            problems.add(Problem::at(value.span(), message));
            None
        }
    }
}

fn setup(mut f: Fields, _: Range<usize>) -> Option<SetUp> {
    f.require("name");
    f.require("takes");
    let name = f.string("name").map(str::to_owned);
    let mut takes = Vec::new();
    for value in f.array("takes").into_iter().flatten() {
        takes.extend(file_pattern(value, f.problems));
    }
    f.finish();
    Some(SetUp { name: name?, takes })
}

fn drum(mut f: Fields, mic: Option<Mic>) -> Option<Drum> {
    let diameter_in = f.f64("diameter_in", Drum::DIAMETER_IN);
    let depth_in = f.f64("depth_in", Drum::DEPTH_IN);
    let tuning_hz = f.f64("tuning_hz", Drum::TUNING_HZ);
    let note = f.string("note").unwrap_or_default().to_owned();
    f.finish();
    Some(Drum {
        mic: mic?,
        diameter_in,
        depth_in,
        tuning_hz,
        note,
    })
}

fn mics(list: Vec<Value>, problems: &mut Problems) -> Vec<Mic> {
    list.into_iter()
        .filter_map(|value| mic(value, problems))
        .collect()
}

fn mic(value: Value, problems: &mut Problems) -> Option<Mic> {
    let text = value.string(problems)?;
    mic_at(text, value.span(), problems)
}

fn mic_at(text: &str, span: Range<usize>, problems: &mut Problems) -> Option<Mic> {
    let mic = Mic::named(text);
    if mic.is_none() {
        problems.add(no_mic(text, span, "no mic has this name"));
    }
    mic
}

fn label(value: Value, problems: &mut Problems) -> Option<Label> {
    let text = value.string(problems)?;
    label_at(text, value.span(), problems)
}

fn label_at(text: &str, span: Range<usize>, problems: &mut Problems) -> Option<Label> {
    let label = Label::parse(text);
    if label.is_none() {
        let message =
            "expected a mic, with its side (`-l`, `-r`, `-c`) or number (`-2`) where it has one";
        problems.add(no_mic(text, span, message));
    }
    label
}

fn no_mic(text: &str, span: Range<usize>, message: &str) -> Problem {
    let names: Vec<&str> = Mic::all().map(Mic::name).collect();
    Problem::at(span, message).hint(suggest(text, &names, "Mics"))
}

/// Bytes of a text value that `at` means, where it stands in the file without escapes; else all.
fn inside(value: Value, text: &str, at: Range<usize>, problems: &Problems) -> Range<usize> {
    let span = value.span();
    let file = problems.text();
    let written = file.get(span.clone()).unwrap_or_default();
    match written.find(text) {
        Some(start) => span.start + start + at.start..span.start + start + at.end,
        None => span,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::config::{Bits, Mix};

    #[test]
    fn everything_can_be_set() {
        let text = r#"
            folder = "takes"
            pattern = "{song}/{take}/{mic}"
            pairs = "split"
            left-out = "never"
            excerpts = "take"
            polarity = []
            align = ["overhead"]
            inputs = [
              { channel = 1, mic = "kick-in" },
              { file = "*mystery*", mic = "snare-top-2" },
              { file = "bounce*", skip = true },
            ]
            derived = [{ of = "room-far", preset = "torn", name = "torn-room" }]
            [words]
            "OH 1" = "overhead-l"
            [presets]
            snare-top = "bright"
            "*" = "level-only"
            [[setup]]
            name = "big kit"
            takes = ["low-tide/*"]
            [groups]
            drums = ["kick-in", "snare-top"]
            [mix]
            view = "audience"
            left-handed = true
            target_lufs = -20
            ceiling_dbtp = -2
            listening-copy = true
            dry = true
            [mix.mic.china-r]
            fader_db = -3
            pan = 50
            mute = true
            [mix.mic.torn-room]
            mute = true
            [mix.group.drums]
            fader_db = 1
            [naming]
            template = "{date}_{mic}"
            date = "2026-11-24"
            [output]
            rate_hz = 48000
            bits = "32f"
            dither = false
            [hits]
            threshold = 0.7
            file-per-drum = true
            cues = true
            notes = { kick = 35, china-r = 30 }
            [kit.tom-1]
            diameter_in = 10
            tuning_hz = 140
            note = "new head"
        "#;
        let config = SessionFile::load(text, "session.toml").expect("all is right");
        assert_eq!(config.inputs.len(), 3);
        assert_eq!(config.output.bits, Bits::Float32);
        assert_eq!(config.preset_of_all.as_deref(), Some("level-only"));
        assert_eq!(config.mix.groups, [("drums".to_owned(), 1.0)]);
        assert_eq!(config.mix.derived.len(), 1);
        assert_eq!(config.mix.mics.len(), 1);
        assert_eq!(config.setup_of("low-tide", "take-01"), "big kit");
        assert_eq!(config.setup_of("gravelight", "take-01"), "gravelight");
        assert!(config.hits.cues && config.hits.file_per_drum);
        assert_eq!(
            config.hits.notes,
            [("kick".to_owned(), 35), ("china-r".to_owned(), 30)]
        );
        assert_eq!(config.derived.map(|d| d.len()), Some(1));
        assert!(
            SessionFile::load("derived = []", "x")
                .expect("right")
                .derived
                .is_some()
        );
        assert_eq!(
            SessionFile::load("", "x").expect("right").mix,
            Mix::default()
        );
    }

    #[test]
    fn every_fault_has_its_place_and_a_way_out() {
        let text = "\
pattern = \"{sogn}/{mic}\"
left_out = \"song\"
align = [\"snare-tpo\"]
inputs = [{ chanel = 1, mic = \"kick-in\" }]
[presets]
kik = \"x\"
[naming]
template = \"{mic}/{sid}\"
[output]
bits = 20
[hits]
threshold = 0.1
notes = { snare-top = 38, kick = 128 }
";
        let problems = SessionFile::load(text, "session.toml").expect_err("faults");
        let drawn = problems.to_string();
        for part in [
            "session.toml:1:12",
            "did you mean `song`?",
            "session.toml:2:1",
            "did you mean `left-out`?",
            "did you mean `snare-top`?",
            "session.toml:4:11",
            "session.toml:4:13",
            "session.toml:6:1",
            "session.toml:8:18",
            "session.toml:8:19",
            "did you mean `side`?",
            "session.toml:10:8",
            "session.toml:12:13",
            "session.toml:13:11",
            "did you mean `snare`?",
            "session.toml:13:34",
        ] {
            assert!(drawn.contains(part), "{part} is not in\n{drawn}");
        }
        assert_eq!(problems.list().len(), 12, "{drawn}");
    }

    #[test]
    fn groups_may_not_overlap() {
        let text = "[groups]\na = [\"hat\"]\nb = [\"hat\"]\n";
        let problems = SessionFile::load(text, "x").expect_err("a fault");
        assert!(problems.to_string().contains("in the group `a` already"));
    }
}
