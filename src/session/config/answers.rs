//! What a [`SessionFile`] answers when it is asked about a track, with its defaults.

use super::{Derived, MicGroup, SessionFile, Strip, View};
use crate::session::config::naming::Fields;
use crate::session::label::Label;
use crate::session::mic::drum;
use crate::session::slug::slug;
use crate::session::{Family, Mic, Side, Take, Track};

/// How far the loudness of a derived stem lies below that of the mix without it, in LU: one for all
/// songs, so that it is heard alike in all of them. Common practice, no source.
const DERIVED_UNDER_MIX_LU: f64 = 11.0;
/// The position of its two sides. Common practice, no source.
const DERIVED_PAN: f64 = 60.0;
/// The derived stem that is made without being asked for.
pub(in crate::session) const TRASHY_ROOM: &str = "trashy-room";

/// Where a track stands in the rough mix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Gain in dB, its group's fader included.
    pub fader_db: f64,
    /// −100 (left) to 100 (right) of the first channel, and of the second where there is one.
    pub pan: (f64, f64),
    /// The fader is not given: it is set so that the stem is so much softer than the mix without it, in
    /// LU, and comes on top of `fader_db`.
    pub under_mix_lu: Option<f64>,
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

    /// Gives all mics one preset, whatever the session file says of any.
    pub fn give_all(&mut self, preset: String) {
        self.presets.clear();
        self.preset_of_all = Some(preset);
    }

    /// The preset that the session file gives a track: by its label, else by its mic, else the one of
    /// all. What is passed through has none unless it is named.
    pub fn preset_of(&self, track: &Track) -> Option<&str> {
        let exact = Label {
            mic: track.mic,
            side: track.side,
            index: track.index,
        };
        let own = find(&self.presets, exact).map(|(_, preset)| preset);
        let all = || {
            self.preset_of_all
                .as_ref()
                .filter(|_| track.mic.family != Family::Utility)
        };
        own.or_else(all).map(String::as_str)
    }

    /// What the drum of a track is meant to be tuned to, in hertz.
    pub fn intended_hz(&self, track: &Track) -> Option<f64> {
        let drum_of = |mic: Mic| drum(mic.family, mic.name(), None);
        let own = drum_of(track.mic)?;
        let mut of_drum = self
            .kit
            .iter()
            .filter(|(mic, _)| drum_of(*mic).as_ref() == Some(&own));
        of_drum.find_map(|(_, drum)| drum.tuning_hz)
    }

    /// Where a track stands in the rough mix; `None`: not in it (utility and unknown mics without a
    /// fader of the session file).
    pub fn place_of(&self, track: &Track) -> Option<Place> {
        self.place_heard(track, None)
    }

    /// The same, of a mic that was `heard` at a pan (player's view) and has none in the session file.
    pub fn place_heard(&self, track: &Track, heard: Option<f64>) -> Option<Place> {
        let label = Label {
            mic: track.mic,
            side: track.side,
            index: track.index,
        };
        let strip = find(&self.mix.mics, label).map_or_else(Strip::default, |(_, strip)| *strip);
        let fader_db = strip.fader_db.or(track.mic.fader_db)?;
        // A left-handed kit is set up the other way round; a side that a name gives stays that side.
        let usual = track.mic.pan * if self.mix.left_handed { -1.0 } else { 1.0 };
        let own = match track.side {
            Some(Side::L) if track.mic.pair => -100.0,
            Some(Side::R) if track.mic.pair => 100.0,
            Some(Side::C) => 0.0,
            Some(Side::L) => -usual.abs(),
            Some(Side::R) => usual.abs(),
            None => heard.unwrap_or(usual),
        };
        let (own, width) = match track.channels() {
            1 => (own, 0.0),
            _ => (0.0, 100.0),
        };
        Some(self.place(&strip, fader_db, own, width, track.mic))
    }

    /// Where a stem derived from `track` stands in the rough mix.
    pub fn place_of_derived(&self, name: &str, track: &Track) -> Place {
        let strip = self.mix.derived.iter().find(|(own, _)| own == name);
        let strip = strip.map_or_else(Strip::default, |(_, strip)| *strip);
        let width = match track.channels() {
            1 => 0.0,
            _ => DERIVED_PAN,
        };
        Place {
            under_mix_lu: strip.fader_db.is_none().then_some(DERIVED_UNDER_MIX_LU),
            ..self.place(&strip, strip.fader_db.unwrap_or(0.0), 0.0, width, track.mic)
        }
    }

    /// `own` and `width`: where the player sees it without the session file's pan, half as wide as
    /// `width` to either side. A pan of the session file is in the view that is set; a pair that is
    /// turned to one side keeps its width as far as there is room.
    fn place(&self, strip: &Strip, fader_db: f64, own: f64, width: f64, mic: Mic) -> Place {
        let sign = match self.mix.view {
            View::Player => 1.0,
            View::Audience => -1.0,
        };
        let middle = strip.pan.unwrap_or(own * sign);
        let side = |pan: f64| pan.clamp(-100.0, 100.0) + 0.0; // never -0
        let group = self.group_of(mic);
        let group = self.mix.groups.iter().find(|(name, _)| name == group);
        Place {
            fader_db: fader_db + group.map_or(0.0, |(_, fader_db)| *fader_db),
            pan: (side(middle - width * sign), side(middle + width * sign)),
            under_mix_lu: None,
            mute: strip.mute.unwrap_or(false),
        }
    }

    /// Derived stems of a take: those of the session file whose track (or pair) is there; without any entry,
    /// and unless all mics have one preset, a `trashy-room` of its farthest room that is not distorted
    /// already.
    pub fn derived_of(&self, take: &Take) -> Vec<Derived> {
        let tracks = || take.tracks.iter().chain(&take.pairs);
        if let Some(derived) = &self.derived {
            let there = |d: &&Derived| tracks().any(|t| t.label == d.of);
            return derived.iter().filter(there).cloned().collect();
        }
        if self.preset_of_all.is_some() {
            return Vec::new();
        }
        let rooms = tracks().filter(|t| t.mic.family == Family::Room && !t.already_driven);
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
            preset: TRASHY_ROOM.to_owned(),
            name: TRASHY_ROOM.to_owned(),
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
    /// As [`crate::session::config::naming::Template::name`].
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
