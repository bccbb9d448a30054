//! [`Unit`]: one stem to be made, with the places of everything that belongs to it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::error::{Error, Result};
use crate::preset::{self, Link, Preset};
use crate::session::config::{Derived, Named, SessionFile};
use crate::session::{Session, Song, Take, Track};

/// One stem: a track, or a second stem derived from it.
pub struct Unit<'a> {
    /// `None` where files are processed without a session.
    pub song: Option<&'a Song>,
    /// As above.
    pub take: Option<&'a Take>,
    /// What shares a set-up has the same text here.
    pub setup: &'a str,
    /// Where the samples come from.
    pub track: &'a Track,
    /// The index of `track` among all tracks, in session order; behind them come the pairs whose sides
    /// are two tracks.
    pub track_index: usize,
    /// That of the track whose clean stem it is compared with: `track`, or the left side of the pair.
    pub clean_index: usize,
    /// The rule, where the stem is derived.
    pub derived: Option<Derived>,
    /// File name without ending.
    pub name: String,
    /// The chain and the level to begin with.
    pub preset: &'a Preset,
    /// Why the preset cannot be used on this track: a frequency that its rate does not allow.
    pub fault: Option<Error>,
    /// Relative to the output folder, with `/`.
    pub stem_path: String,
    /// Relative to the output folder, with `/`.
    pub report_path: String,
    /// The worksheet key.
    pub key: String,
}

/// A preset that fits this rate is right; it is the file that is not.
const USUAL_HZ: u32 = 48_000;

/// All presets that a session needs, by the name or path that asks for them.
pub struct Presets(BTreeMap<String, Preset>);

impl Presets {
    /// Loads every preset that a track or a derived stem asks for, and checks each at the highest
    /// rate of the session, at least 48 kHz: what does not fit that is a mistake in the preset, what
    /// does not fit a lower rate is [`Unit::fault`].
    ///
    /// # Errors
    /// All problems of all presets at once.
    pub fn load(session: &Session, config: &SessionFile) -> Result<Self> {
        let rates = session.tracks().map(|(_, _, track)| track.rate_hz());
        let rate_hz = rates.max().unwrap_or(0).max(USUAL_HZ);
        let mut wanted: BTreeSet<String> = BTreeSet::new();
        for take in session.songs.iter().flat_map(|song| &song.takes) {
            let own = take.tracks.iter().map(|track| preset_name(track, config));
            wanted.extend(own.map(str::to_owned));
            wanted.extend(config.derived_of(take).into_iter().map(|d| d.preset));
        }
        let mut presets = BTreeMap::new();
        let mut errors: Vec<Error> = Vec::new();
        for name in wanted {
            match preset::find(&place(&name, &session.root)) {
                Ok(found) => {
                    if let Err(problems) = found.check_at(f64::from(rate_hz), "the session") {
                        errors.push(problems.into());
                    }
                    presets.insert(name, found);
                }
                Err(error) => errors.push(error),
            }
        }
        match Error::all(errors) {
            Some(error) => Err(error),
            None => Ok(Self(presets)),
        }
    }

    /// Whether a level is linked over the whole session.
    pub fn link_the_session(&self) -> bool {
        let mut levels = self.0.values().filter_map(|preset| preset.level.as_ref());
        levels.any(|level| level.link == Link::Session)
    }

    fn get(&self, name: &str) -> &Preset {
        self.0.get(name).expect("every preset in use was loaded")
    }
}

/// A preset file of a session file lies relative to the session folder.
fn place(name: &str, root: &Path) -> String {
    let path = root.join(name);
    match preset::is_path(name) {
        true => path.to_string_lossy().into_owned(),
        false => name.to_owned(),
    }
}

/// The preset that a track asks for: the session file's choice, else the one with its mic's name.
fn preset_name<'a>(track: &Track, config: &'a SessionFile) -> &'a str {
    config.preset_of(track).unwrap_or(track.mic.name())
}

/// All stems of a session in its order; a derived stem follows its track.
///
/// # Errors
/// Names that the template cannot make, and names that two stems would share.
pub fn units<'a>(
    session: &'a Session,
    config: &'a SessionFile,
    presets: &'a Presets,
) -> Result<Vec<Unit<'a>>> {
    let mut units: Vec<Unit<'a>> = Vec::new();
    let mut errors = Vec::new();
    let (mut track_index, mut pair_index) = (0, session.tracks().count());
    for song in &session.songs {
        for take in &song.takes {
            let derived = config.derived_of(take);
            let mut add = |track: &'a Track, indices: (usize, usize), derived: Option<&Derived>| {
                let named = Named {
                    song: &song.slug,
                    take: &take.slug,
                    label: derived.map_or(&track.label, |d| &d.name),
                    side: track.side,
                    group: config.group_of(track.mic),
                    rate_hz: track.rate_hz(),
                };
                let name = match config.name(&named) {
                    Ok(name) => name,
                    Err(why) => {
                        errors.push(Error::input(format!("{}: {why}", track.label)));
                        return;
                    }
                };
                let place = format!("{}/{}/{name}", song.slug, take.slug);
                let preset = presets.get(derived.map_or(preset_name(track, config), |d| &d.preset));
                units.push(Unit {
                    song: Some(song),
                    take: Some(take),
                    setup: &take.setup,
                    track,
                    track_index: indices.0,
                    clean_index: indices.1,
                    derived: derived.cloned(),
                    stem_path: stem_path(&place),
                    report_path: report_path(&place),
                    key: place,
                    name,
                    preset,
                    fault: fault(preset, track),
                });
            };
            let first = track_index;
            for track in &take.tracks {
                let indices = (track_index, track_index);
                add(track, indices, None);
                (derived.iter())
                    .filter(|d| d.of == track.label)
                    .for_each(|d| add(track, indices, Some(d)));
                track_index += 1;
            }
            for pair in &take.pairs {
                let is_side = |track: &Track| (track.mic, track.index) == (pair.mic, pair.index);
                let side = take.tracks.iter().position(is_side).unwrap_or(0);
                (derived.iter())
                    .filter(|d| d.of == pair.label)
                    .for_each(|d| add(pair, (pair_index, first + side), Some(d)));
                pair_index += 1;
            }
        }
    }
    // Names that differ in case only are one name on some file systems.
    let mut places: BTreeMap<String, &Unit<'a>> = BTreeMap::new();
    for unit in &units {
        if let Some(other) = places.insert(unit.key.to_lowercase(), unit) {
            let reason = format!(
                "{} and {} would both be written to {}",
                other.track.sources[0].path.display(),
                unit.track.sources[0].path.display(),
                unit.stem_path
            );
            errors.push(
                Error::input(reason).hint("put {mic} into the naming template of the session file"),
            );
        }
    }
    if let Err(error) = super::mixes::check_names(session, config) {
        errors.push(error);
    }
    match Error::all(errors) {
        Some(error) => Err(error),
        None => Ok(units),
    }
}

/// Why a preset cannot be used at the rate of a track.
pub fn fault(preset: &Preset, track: &Track) -> Option<Error> {
    let problems = preset
        .check_at(f64::from(track.rate_hz()), "this file")
        .err()?;
    let each = problems
        .list()
        .iter()
        .map(|problem| match &problem.context {
            Some(context) => format!("{context}: {}", problem.message),
            None => problem.message.clone(),
        });
    let reason = format!(
        "has {} Hz, too few for the preset {}: {}",
        track.rate_hz(),
        preset.name,
        each.collect::<Vec<_>>().join("; ")
    );
    Some(Error::file(&track.sources[0].path, reason).hint("give it another preset"))
}

impl Unit<'_> {
    /// The name of a derived stem, else the track's label.
    pub fn label(&self) -> &str {
        let derived = self.derived.as_ref();
        derived.map_or(&self.track.label, |derived| &derived.name)
    }

    /// Whether a person means it by this name of a mic, a track or a derived stem.
    pub fn goes_by(&self, mic: &str) -> bool {
        match &self.derived {
            Some(derived) => derived.name == mic,
            None => self.track.mic.name() == mic || self.track.label == mic,
        }
    }

    /// Samples that a pass over the track goes through: its weight among the jobs.
    pub fn samples(&self) -> u64 {
        self.track.frames() * self.track.channels() as u64
    }

    /// What shares one gain within a set-up: the mic, its index, its side unless it is half a pair,
    /// and for a derived stem the rule that made it.
    pub fn linked_mic(&self) -> String {
        let side = match self.track.side {
            Some(side) if !self.track.mic.pair => format!("-{side:?}"),
            _ => String::new(),
        };
        let derived = self.derived.as_ref().map_or("", |d| &d.name);
        let unknown = if self.track.mic.is_unknown() {
            &self.track.label
        } else {
            ""
        };
        format!(
            "{}{side}-{}{unknown}/{derived}",
            self.track.mic.name(),
            self.track.index
        )
    }
}

/// Refuses an output folder that lies inside the session folder or holds it: outputs must never be
/// taken for takes.
pub fn check_places(root: &Path, out: &Path) -> Result<()> {
    let real = |path: &Path| -> std::path::PathBuf {
        // The output folder may not exist yet: its nearest existing parent decides.
        let mut missing = Vec::new();
        let mut at = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
        loop {
            if let Ok(real) = at.canonicalize() {
                return missing
                    .iter()
                    .rev()
                    .fold(real, |path, part| path.join(part));
            }
            match (at.file_name().map(std::ffi::OsStr::to_owned), at.parent()) {
                (Some(name), Some(parent)) => {
                    missing.push(name);
                    at = parent.to_owned();
                }
                _ => return path.to_owned(),
            }
        }
    };
    let (inside, around) = (real(out), real(root));
    if inside.starts_with(&around) {
        return Err(
            Error::input("the output folder lies inside the session folder")
                .at(out)
                .hint(format!(
                    "give a folder beside it, for example --out {}-prepared",
                    root.display()
                )),
        );
    }
    if around.starts_with(&inside) {
        return Err(Error::input("the output folder holds the session folder")
            .at(out)
            .hint("give a folder of its own"));
    }
    Ok(())
}

/// Where the report of the track with this worksheet key lies in an output folder.
pub fn report_path(key: &str) -> String {
    format!("reports/{key}.json")
}

/// Where its stem lies.
pub fn stem_path(key: &str) -> String {
    format!("stems/{key}.wav")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_output_folder_inside_or_around_the_session_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("takes");
        std::fs::create_dir(&root).unwrap();
        assert!(check_places(&root, &root).is_err());
        assert!(check_places(&root, &root.join("out/deep")).is_err());
        assert!(check_places(&root, &root.join("../takes/out")).is_err());
        assert!(check_places(&root, folder.path()).is_err());
        assert!(check_places(&root, &folder.path().join("out")).is_ok());
        assert!(check_places(&root, &folder.path().join("takes-prepared")).is_ok());
    }
}
