//! Text → [`SessionFile`], or every problem with its place.

use std::path::Path;

use sha2::{Digest, Sha256};

use super::key::read_keys;
use super::{SessionFile, keys};
use crate::error::Result;
use crate::files::hex;
use crate::problem::walk::parse;
use crate::problem::{Problems, read_text};

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
        let mut config = Self::default();
        read_keys(keys::FILE, &mut config, &table, None, &mut problems);
        problems.finish(Some(config))
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
