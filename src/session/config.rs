//! [`SessionFile`]: what `session.toml` may say, checked. Reading it is in `load`.

use std::path::PathBuf;

use super::label::Label;
use super::naming::{Fields, Template};
use super::pattern::Pattern;
use super::slug::slug;
use super::{Family, Mic, Side, Track};

/// A session file, or what holds without one.
#[derive(Clone, Debug, Default)]
pub struct SessionFile {
    /// The file it was read from.
    pub path: Option<PathBuf>,
    /// The session folder that it names, relative to itself; `None`: the folder it lies in.
    pub folder: Option<PathBuf>,
    /// Where song, take and mic stand in the paths.
    pub pattern: Option<Pattern>,
    /// What files and channels are, whatever they are called; the first that fits counts.
    pub inputs: Vec<Input>,
    /// Words as people write them → mic, added to the table or overruling it.
    pub words: Vec<(String, Label)>,
    /// Mic or label → preset by name or path.
    pub presets: Vec<(Label, String)>,
    /// Set-ups that are not one per song.
    pub setups: Vec<SetUp>,
    /// Whether two sides become one stereo stem.
    pub pairs: Pairs,
    /// What happens to drums that are never hit.
    pub left_out: LeftOut,
    /// Mics whose polarity is corrected without asking.
    pub polarity: Polarity,
    /// Mics that are moved in time to meet the others.
    pub align: Vec<Mic>,
    /// Stems of several mics, beside those of the tracks; empty: none.
    pub groups: Vec<MicGroup>,
    /// The rough mix.
    pub mix: Mix,
    /// What outputs are called.
    pub naming: Naming,
    /// Format of the stems.
    pub output: Output,
    /// What is known of the drums.
    pub kit: Vec<Drum>,
    /// Stems made of other stems' sources; `None`: the default of [`SessionFile::derived_of`].
    pub derived: Option<Vec<Derived>>,
}

/// Says what a file or channel is.
#[derive(Clone, Debug)]
pub struct Input {
    /// Pattern of the file's name or of its path in the session folder; case does not count.
    pub file: Option<FilePattern>,
    /// Channel of a file with three or more, counted from 1.
    pub channel: Option<usize>,
    /// What it is; `None`: not part of the session.
    pub mic: Option<Label>,
}

/// A file-name pattern with `*`, `?` and `[…]`, as written and compiled.
#[derive(Clone, Debug)]
pub struct FilePattern {
    /// As written.
    pub text: String,
    /// Compiled.
    pub glob: globset::GlobMatcher,
}

/// A run of takes with the same kit, tuning and mic positions.
#[derive(Clone, Debug)]
pub struct SetUp {
    /// What it is called.
    pub name: String,
    /// Patterns of `song/take` in slugs: `low-tide/*`.
    pub takes: Vec<FilePattern>,
}

/// Whether two sides become one stereo stem.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pairs {
    /// Overheads and rooms do.
    #[default]
    Stereo,
    /// Never.
    Split,
}

/// What happens to drums that are never hit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LeftOut {
    /// Each take leaves out what it does not play.
    Take,
    /// A song leaves out what none of its takes plays.
    #[default]
    Song,
    /// Everything is kept.
    Never,
}

/// Mics whose polarity is corrected without asking.
#[derive(Clone, Debug, PartialEq)]
pub struct Polarity(pub Vec<Mic>);

impl Default for Polarity {
    /// The bottom snare only.
    fn default() -> Self {
        Self(Mic::named("snare-bottom").into_iter().collect())
    }
}

/// A stem of several mics.
#[derive(Clone, Debug, PartialEq)]
pub struct MicGroup {
    /// A slug: `toms`.
    pub name: String,
    /// Its mics.
    pub mics: Vec<Mic>,
}

/// From where the kit is seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum View {
    /// As the player hears it: the hat on the left.
    #[default]
    Player,
    /// As the audience does.
    Audience,
}

/// The rough mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Mix {
    /// From where the kit is seen.
    pub view: View,
    /// The kit is set up left-handed.
    pub left_handed: bool,
    /// Integrated loudness, in LUFS.
    pub target_lufs: f64,
    /// True peak that no mix passes, in dBTP.
    pub ceiling_dbtp: f64,
    /// Whether the band gets 16-bit 44.1 kHz copies.
    pub listening_copy: bool,
    /// Faders and pans that differ from the table's.
    pub mics: Vec<(Label, Strip)>,
    /// Faders of groups, in dB.
    pub groups: Vec<(String, f64)>,
}

/// What a session file says of one mic in the mix; `None`: the default.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Strip {
    /// Gain in dB.
    pub fader_db: Option<f64>,
    /// −100 (left) to 100 (right), as seen by the view that is set.
    pub pan: Option<f64>,
    /// Not in the mix.
    pub mute: Option<bool>,
}

impl Default for Mix {
    fn default() -> Self {
        Self {
            view: View::Player,
            left_handed: false,
            target_lufs: -18.0,
            ceiling_dbtp: -1.0,
            listening_copy: false,
            mics: Vec::new(),
            groups: Vec::new(),
        }
    }
}

/// What outputs are called.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Naming {
    /// The template.
    pub template: Template,
    /// What `{text}` stands for.
    pub text: String,
    /// What `{date}` stands for.
    pub date: String,
}

/// How samples are stored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bits {
    /// 16-bit integer.
    Int16,
    /// 24-bit integer.
    #[default]
    Int24,
    /// 32-bit float.
    Float32,
}

impl Bits {
    /// `16`, `24` or `32f`, as in names.
    pub fn name(self) -> &'static str {
        match self {
            Bits::Int16 => "16",
            Bits::Int24 => "24",
            Bits::Float32 => "32f",
        }
    }
}

/// Format of the stems.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Output {
    /// Frames a second; `None`: those of the source.
    pub rate_hz: Option<u32>,
    /// How samples are stored.
    pub bits: Bits,
    /// Whether lost bits become noise instead of distortion.
    pub dither: bool,
}

impl Default for Output {
    fn default() -> Self {
        Self {
            rate_hz: None,
            bits: Bits::default(),
            dither: true,
        }
    }
}

/// What is known of a drum.
#[derive(Clone, Debug, PartialEq)]
pub struct Drum {
    /// Its mic.
    pub mic: Mic,
    /// Diameter in inches.
    pub diameter_in: Option<f64>,
    /// Depth in inches.
    pub depth_in: Option<f64>,
    /// The fundamental that it is meant to be tuned to.
    pub tuning_hz: Option<f64>,
    /// Anything else.
    pub note: String,
}

/// A stem made of another's source.
#[derive(Clone, Debug, PartialEq)]
pub struct Derived {
    /// The track it is made of, by label.
    pub of: String,
    /// Preset by name or path.
    pub preset: String,
    /// Its own label in file names.
    pub name: String,
}

/// Where a track stands in the rough mix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Gain in dB.
    pub fader_db: f64,
    /// −100 (left) to 100 (right) of the first channel, and of the second where there is one.
    pub pan: (f64, f64),
    /// Not in the mix because the session file says so.
    pub mute: bool,
}

impl SessionFile {
    /// The set-up of a take, both as slugs: the first that names it, else the song.
    pub fn setup_of(&self, song: &str, take: &str) -> String {
        let path = format!("{song}/{take}");
        let mut setups = self.setups.iter();
        let named = setups.find(|s| s.takes.iter().any(|p| p.glob.is_match(&path)));
        named.map_or_else(|| song.to_owned(), |setup| setup.name.clone())
    }

    /// The preset that the session file gives a track: by its label, else by its mic.
    pub fn preset_of(&self, track: &Track) -> Option<&str> {
        let exact = Label {
            mic: track.mic,
            side: track.side,
            index: track.index,
        };
        find(&self.presets, exact).map(|(_, preset)| preset.as_str())
    }

    /// Where a track stands in the rough mix; `None`: not in it (utility and unknown mics without a
    /// fader of the session file).
    pub fn place_of(&self, track: &Track) -> Option<Place> {
        let label = Label {
            mic: track.mic,
            side: track.side,
            index: track.index,
        };
        let strip = find(&self.mix.mics, label).map_or_else(Strip::default, |(_, strip)| *strip);
        let fader_db = strip.fader_db.or(track.mic.fader_db)?;
        let mirrored = (self.mix.view == View::Audience) != self.mix.left_handed;
        let sign = if mirrored { -1.0 } else { 1.0 };
        let wide = track.mic.pair;
        let own = match track.side {
            Some(Side::L) if wide => -100.0,
            Some(Side::R) if wide => 100.0,
            Some(Side::C) => 0.0,
            Some(Side::L) => -track.mic.pan.abs(),
            Some(Side::R) => track.mic.pan.abs(),
            None => track.mic.pan,
        };
        let pan = match (strip.pan, track.channels()) {
            (Some(pan), 1) => (pan, pan),
            // A pair that is turned to one side keeps its width as far as there is room.
            (Some(pan), _) => ((pan - 100.0).max(-100.0), (pan + 100.0).min(100.0)),
            (None, 1) => (own * sign, own * sign),
            (None, _) => (-100.0 * sign, 100.0 * sign),
        };
        let mute = strip.mute.unwrap_or(false);
        Some(Place {
            fader_db,
            pan,
            mute,
        })
    }

    /// Derived stems of a take: those of the session file whose track is there; without any entry a
    /// `trashy-room` of its farthest room that is not distorted already.
    pub fn derived_of(&self, tracks: &[Track]) -> Vec<Derived> {
        if let Some(derived) = &self.derived {
            let there = |d: &&Derived| tracks.iter().any(|t| t.label == d.of);
            return derived.iter().filter(there).cloned().collect();
        }
        let rooms = tracks
            .iter()
            .filter(|t| t.mic.family == Family::Room && !t.already_driven);
        let distance = |track: &&Track| match track.mic.name() {
            "room-far" => 3,
            "room" => 2,
            "room-high" => 1,
            _ => 0,
        };
        // The first of several at one distance.
        let farthest = rooms.rev().max_by_key(|t| (t.channels() == 2, distance(t)));
        let derived = |track: &Track| Derived {
            of: track.label.clone(),
            preset: "trashy-room".to_owned(),
            name: "trashy-room".to_owned(),
        };
        farthest.map(derived).into_iter().collect()
    }

    /// The group that a mic is in: one of the session file, else its part of the kit.
    pub fn group_of(&self, mic: Mic) -> &str {
        let group = self.groups.iter().find(|g| g.mics.contains(&mic));
        group.map_or_else(|| family_group(mic.family), |g| g.name.as_str())
    }

    /// The output name of a track, or of a group or derived stem by its label.
    ///
    /// # Errors
    /// As [`Template::name`].
    pub fn name(&self, of: &Named) -> Result<String, String> {
        let rate = self.output.rate_hz.unwrap_or(of.rate_hz).to_string();
        self.naming.template.name(&Fields {
            song: of.song,
            take: of.take,
            mic: of.label,
            side: match of.side {
                Some(Side::L) => "l",
                Some(Side::R) => "r",
                Some(Side::C) => "c",
                None => "",
            },
            group: of.group,
            date: &self.naming.date,
            rate: &rate,
            bits: self.output.bits.name(),
            text: &self.naming.text,
        })
    }
}

/// What a name is made of.
#[derive(Clone, Copy, Debug)]
pub struct Named<'a> {
    /// Slug of the song.
    pub song: &'a str,
    /// Slug of the take.
    pub take: &'a str,
    /// `snare-top`, `china-r`, `toms`, `trashy-room`.
    pub label: &'a str,
    /// Its side.
    pub side: Option<Side>,
    /// The group it is in.
    pub group: &'a str,
    /// Frames a second of the source.
    pub rate_hz: u32,
}

impl MicGroup {
    /// Kick, snare, toms, cymbals (with the hat), overheads, rooms.
    pub fn standard() -> Vec<MicGroup> {
        let mut groups: Vec<MicGroup> = Vec::new();
        for mic in Mic::all().filter(|mic| mic.fader_db.is_some()) {
            let name = family_group(mic.family);
            match groups.iter_mut().find(|g| g.name == name) {
                Some(group) => group.mics.push(mic),
                None => groups.push(MicGroup {
                    name: name.to_owned(),
                    mics: vec![mic],
                }),
            }
        }
        groups
    }

    /// Whether this may be a group's name: a slug.
    pub fn lawful_name(name: &str) -> bool {
        !name.is_empty() && slug(name) == name
    }
}

fn family_group(family: Family) -> &'static str {
    match family {
        Family::Kick => "kick",
        Family::Snare => "snare",
        Family::Tom => "toms",
        Family::Hat | Family::Cymbal => "cymbals",
        Family::Overhead => "overheads",
        Family::Room => "rooms",
        Family::Utility | Family::Unknown => "other",
    }
}

/// The entry of this very label, else of its mic.
fn find<T>(list: &[(Label, T)], exact: Label) -> Option<&(Label, T)> {
    let mic = Label {
        side: None,
        index: 1,
        ..exact
    };
    let at = |label: Label| list.iter().find(move |(l, _)| *l == label);
    at(exact).or_else(|| at(mic))
}
