//! The library: every file of `presets/`, compiled in, and presets by name or path.

use std::path::Path;

use super::{MAX_BYTES, Preset, load};
use crate::error::{Error, Result};
use crate::problem::{nearest, read_text};

/// A preset of the library.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Builtin {
    /// As `preset show` takes it.
    pub name: &'static str,
    /// The file as it stands.
    pub text: &'static str,
}

macro_rules! files {
    ($($name:literal)*) => {
        &[$(Builtin {
            name: $name,
            text: include_str!(concat!("../../presets/", $name, ".toml")),
        }),*]
    };
}

/// The default preset of every mic, under the mic's name.
#[rustfmt::skip]
const MICS: &[Builtin] = files![
    "kick-in" "kick-out" "kick-sub"
    "snare-top" "snare-bottom" "snare-side"
    "tom-1" "tom-2" "tom-3" "tom-4" "tom-5" "tom-6"
    "hat" "ride" "china" "splash" "crash" "cymbal"
    "overhead" "room" "room-near" "room-far" "room-high"
    "trigger" "talkback" "click" "reference" "unknown-mic"
];

/// Presets to choose instead of a mic's own.
#[rustfmt::skip]
const CHOICES: &[Builtin] = files![
    "kick-in-tight" "kick-in-open" "kick-in-metal-fast" "kick-in-vintage-dry"
    "snare-top-tight" "snare-top-open" "snare-top-metal-fast" "snare-top-vintage-dry"
    "tom-tight" "tom-open" "tom-metal-fast" "tom-vintage-dry"
    "overhead-cymbals-only" "overhead-open" "overhead-vintage-dry"
    "trashy-room" "room-thick" "room-pumping" "room-torn" "room-sputtering"
    "clean-up-kick" "clean-up-snare" "clean-up-toms" "clean-up-cymbals" "clean-up-rooms"
    "level-only" "level-only-cymbals" "name-only"
];

/// The whole library: the mics' default presets in the order of the kit, then the others.
pub fn builtin() -> impl Iterator<Item = &'static Builtin> {
    MICS.iter().chain(CHOICES)
}

/// A preset of the library by its name, or any by its path (which has a `/` or ends in `.toml`).
///
/// # Errors
/// An input error: no such preset (with the nearest name), an unreadable file, or every problem
/// in it.
pub fn find(name: &str) -> Result<Preset> {
    if is_path(name) {
        return read(Path::new(name));
    }
    let preset = known(name)?;
    Ok(load(preset.text, &format!("{name}.toml"))?)
}

/// A preset from its file.
///
/// # Errors
/// An input error: an unreadable file, or every problem in it.
pub fn read(path: &Path) -> Result<Preset> {
    let text = read_text(path, MAX_BYTES)?;
    Ok(load(&text, &path.to_string_lossy())?)
}

/// The text of a preset of the library, as it stands.
///
/// # Errors
/// An input error with the nearest name.
pub fn show(name: &str) -> Result<&'static str> {
    known(name).map(|preset| preset.text)
}

pub(crate) fn is_path(name: &str) -> bool {
    name.ends_with(".toml") || name.contains(['/', std::path::MAIN_SEPARATOR])
}

fn known(name: &str) -> Result<&'static Builtin> {
    builtin().find(|p| p.name == name).ok_or_else(|| {
        let names: Vec<_> = builtin().map(|preset| preset.name).collect();
        let hint = match nearest(name, &names) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`batterhead preset list` shows all; a file is named by its path".to_owned(),
        };
        Error::input(format!("no preset has the name `{name}`")).hint(hint)
    })
}

/// The library as a table: name, mics, what it is for.
pub fn list() -> String {
    let rows: Vec<_> = builtin()
        .filter_map(|preset| {
            let loaded = load(preset.text, preset.name).ok()?;
            Some([
                preset.name.to_owned(),
                shortened(&loaded.mics),
                loaded.about,
            ])
        })
        .collect();
    let head = ["name", "mics", "about"].map(str::to_owned);
    let width = |column: usize| {
        let cells = rows
            .iter()
            .chain([&head])
            .map(|row| row[column].chars().count());
        cells.max().unwrap_or(0)
    };
    let (name, mics) = (width(0), width(1));
    let line = |[a, b, c]: &[String; 3]| format!("{a:name$}  {b:mics$}  {c}\n");
    [&head].into_iter().chain(&rows).map(line).collect()
}

/// "tom-1 … tom-6" for more than two.
fn shortened(mics: &[String]) -> String {
    match mics {
        [first, _, .., last] => format!("{first} … {last}"),
        few => few.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::Mic;

    #[test]
    fn every_file_of_the_folder_is_in_the_library() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/presets");
        let mut files: Vec<_> = std::fs::read_dir(folder)
            .expect("the folder of presets")
            .map(|entry| {
                entry
                    .expect("a file")
                    .file_name()
                    .into_string()
                    .expect("UTF-8")
            })
            .filter_map(|name| name.strip_suffix(".toml").map(str::to_owned))
            .filter(|name| name != "mics")
            .collect();
        files.sort();
        let mut names: Vec<_> = builtin().map(|preset| preset.name).collect();
        names.sort();
        assert_eq!(names, files);
    }

    #[test]
    fn every_preset_loads_and_says_what_it_is_for() {
        for preset in builtin() {
            let loaded = find(preset.name).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(loaded.name, preset.name);
            assert!(
                loaded.about.len() > 20 && loaded.about.len() < 160,
                "{}",
                preset.name
            );
            assert!(
                preset.text.starts_with("#:schema ./preset.schema.json\n"),
                "{}",
                preset.name
            );
            assert!(preset.text.is_ascii(), "{}", preset.name);
            loaded
                .check_at(44_100.0, "a take")
                .unwrap_or_else(|e| panic!("{e}"));
        }
    }

    #[test]
    fn every_mic_has_its_preset() {
        let mics: Vec<_> = Mic::all().map(Mic::name).collect();
        let presets: Vec<_> = MICS.iter().map(|preset| preset.name).collect();
        assert_eq!(presets, mics);
        for mic in mics {
            let preset = find(mic).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(preset.mics, [mic]);
        }
    }

    #[test]
    fn an_unknown_name_gets_the_nearest() {
        let error = find("snare-topp").expect_err("no such preset");
        assert_eq!(error.reason, "no preset has the name `snare-topp`");
        assert_eq!(error.hint.as_deref(), Some("did you mean `snare-top`?"));
        assert!(find("no/such/file.toml").is_err());
    }

    #[test]
    fn a_path_is_read_as_a_file() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("mine.toml");
        std::fs::write(&path, "stages = []").expect("written");
        let preset = find(&path.to_string_lossy()).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(preset.name, "mine");
        std::fs::write(&path, "stages = [ 1 ]").expect("written");
        let error = find(&path.to_string_lossy()).expect_err("wrong");
        assert!(error.to_string().contains("mine.toml:1:12"), "{error}");
    }

    #[test]
    fn the_list_has_a_line_for_every_preset() {
        let list = list();
        assert_eq!(list.lines().count(), 1 + builtin().count());
        assert!(list.starts_with("name "), "{list}");
    }
}
