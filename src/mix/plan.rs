//! [`Settings`]: faders, pans and groups, from the mic table and what a person wrote over it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Strip;
use super::pan::{PanLaw, pan_gains};
use crate::maths::db_to_ratio;
use crate::session::Side;
use crate::session::mic::{Entry, Family};

/// How rough mixes are made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// How a pan becomes two gains.
    pub pan_law: PanLaw,
    /// Left is the audience's left: the whole mix is mirrored.
    pub audience_view: bool,
    /// The kit is set up the other way round: the table's pans are mirrored. Where a side is known
    /// (pairs, `crash-l`) or a pan was written by hand, that counts.
    pub left_handed: bool,
    /// Loudness of the mixes, LUFS.
    pub target_lufs: f64,
    /// No mix passes this true peak, dBTP.
    pub ceiling_dbtp: f64,
    /// By mic name (`snare-top`) or track (`china-r`, `snare-top-2`); the track's counts first.
    pub mics: BTreeMap<String, MixRule>,
    /// By name. A mic that is in none of them goes to its usual group.
    pub groups: BTreeMap<String, Group>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            pan_law: PanLaw::default(),
            audience_view: false,
            left_handed: false,
            target_lufs: -18.0, // headroom for the mixer; common practice, no source
            ceiling_dbtp: -1.0,
            mics: BTreeMap::new(),
            groups: BTreeMap::new(),
        }
    }
}

/// What a person wants otherwise than the mic table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct MixRule {
    /// Fader; a mic that is not in the mix by default is, with this.
    pub fader_db: Option<f64>,
    /// −100 (left) to 100 (right), player's view. Of a pair: where its right channel goes, the left
    /// one to the mirror image (100: full width, 0: mono, −100: sides swapped).
    pub pan: Option<f64>,
    /// Not in the mix.
    pub mute: bool,
}

/// Tracks that give one stem together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Group {
    /// Mic names or tracks. Empty: the usual ones of this group (to set its fader only).
    pub mics: Vec<String>,
    /// Added to the faders of all of them.
    pub fader_db: f64,
}

/// What the mix has to know of a track.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    /// The track's name in the take: `snare-top`, `china-r`, `snare-top-2`.
    pub label: &'a str,
    /// Its row of the mic table.
    pub mic: &'a Entry,
    /// Its side, where it is one of several.
    pub side: Option<Side>,
    /// 1, or 2 for a pair.
    pub channels: usize,
}

impl Settings {
    /// The strip of a track, starting with the mix. `None`: the mic is not in the mix (click,
    /// talkback, unknown, …).
    pub fn strip(&self, member: &Member) -> Option<Strip> {
        let rule = self.rule(member).copied().unwrap_or_default();
        let fader_db = rule.fader_db.or(member.mic.fader_db)?;
        let group = self.groups.get(self.group(member));
        let group_db = group.map_or(0.0, |group| group.fader_db);
        Some(Strip {
            gain: db_to_ratio(fader_db + group_db),
            pan: self
                .positions(member)
                .into_iter()
                .map(|pan| pan_gains(self.pan_law, pan))
                .collect(),
            mute: rule.mute,
            offset_frames: 0,
        })
    }

    /// Where each channel of a track goes, −100 to 100, as heard in the mix.
    pub fn positions(&self, member: &Member) -> Vec<f64> {
        let by_label = self.mics.get(member.label).and_then(|rule| rule.pan);
        let by_mic = self.mics.get(&member.mic.name).and_then(|rule| rule.pan);
        let pan = by_label.or(by_mic).unwrap_or(member.mic.pan);
        let right = match member.side {
            _ if member.channels > 1 => pan,
            _ if by_label.is_some() => pan, // written for this very track
            Some(Side::L) => -pan.abs(),
            Some(Side::R) => pan.abs(),
            Some(Side::C) => 0.0,
            // the middle of a pair that has none
            None if member.mic.pair && by_mic.is_none() => 0.0,
            None if self.left_handed && by_mic.is_none() => -pan,
            None => pan,
        };
        let right = if self.audience_view { -right } else { right };
        match member.channels {
            2 => vec![-right, right],
            // more channels than sides have no positions of their own
            channels => vec![if channels == 1 { right } else { 0.0 }; channels],
        }
    }

    /// The group that a track's stem is summed into.
    pub fn group<'a>(&'a self, member: &Member) -> &'a str {
        let holds = |name: &str| {
            let mut groups = self.groups.iter();
            groups.find(|(_, group)| group.mics.iter().any(|mic| mic == name))
        };
        match holds(member.label).or_else(|| holds(&member.mic.name)) {
            Some((name, _)) => name,
            None => usual_group(member.mic.family),
        }
    }

    /// Names in the settings that no track of the session answers to: for a warning each.
    pub fn unanswered(&self, members: &[Member]) -> Vec<&str> {
        let written = self
            .mics
            .keys()
            .chain(self.groups.values().flat_map(|group| &group.mics));
        let mut names: Vec<&str> = (written.map(String::as_str))
            .filter(|name| {
                !members
                    .iter()
                    .any(|m| m.label == *name || m.mic.name == *name)
            })
            .collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// What is wrong with the settings themselves, one sentence each.
    pub fn problems(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let mut range = |what: String, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                problems.push(format!("{what} is {value}, expected {low} to {high}"));
            }
        };
        range("target_lufs".to_owned(), self.target_lufs, -60.0, 0.0);
        range("ceiling_dbtp".to_owned(), self.ceiling_dbtp, -60.0, 0.0);
        for (name, rule) in &self.mics {
            range(
                format!("fader_db of {name}"),
                rule.fader_db.unwrap_or(0.0),
                -120.0,
                24.0,
            );
            range(
                format!("pan of {name}"),
                rule.pan.unwrap_or(0.0),
                -100.0,
                100.0,
            );
        }
        for (name, group) in &self.groups {
            range(
                format!("fader_db of group {name}"),
                group.fader_db,
                -120.0,
                24.0,
            );
        }
        let mut owners: BTreeMap<&str, &str> = BTreeMap::new();
        for (name, group) in &self.groups {
            for mic in &group.mics {
                if let Some(other) = owners.insert(mic, name) {
                    problems.push(if other == name {
                        format!("group {name} names {mic} twice")
                    } else {
                        format!("groups {other} and {name} overlap: both name {mic}")
                    });
                }
            }
        }
        problems
    }

    fn rule(&self, member: &Member) -> Option<&MixRule> {
        (self.mics.get(member.label)).or_else(|| self.mics.get(&member.mic.name))
    }
}

/// Where a mic goes that no group names.
fn usual_group(family: Family) -> &'static str {
    match family {
        Family::Kick => "kick",
        Family::Snare => "snare",
        Family::Tom => "toms",
        Family::Hat | Family::Cymbal => "cymbals",
        Family::Overhead => "overheads",
        Family::Room => "rooms",
        Family::Utility | Family::Unknown => "others",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(name: &str, family: Family, fader_db: Option<f64>, pan: f64) -> Entry {
        Entry {
            name: name.to_owned(),
            family,
            pair: matches!(family, Family::Overhead | Family::Room),
            fader_db,
            pan,
        }
    }

    fn member<'a>(
        label: &'a str,
        mic: &'a Entry,
        side: Option<Side>,
        channels: usize,
    ) -> Member<'a> {
        Member {
            label,
            mic,
            side,
            channels,
        }
    }

    fn rule(fader_db: Option<f64>, pan: Option<f64>) -> MixRule {
        MixRule {
            fader_db,
            pan,
            mute: false,
        }
    }

    #[test]
    fn the_table_gives_fader_and_pan_and_a_person_overrules_it() {
        let tom = entry("tom-1", Family::Tom, Some(-1.0), -40.0);
        let tom = member("tom-1", &tom, None, 1);
        let mut settings = Settings::default();
        let strip = settings.strip(&tom).unwrap();
        assert!((20.0 * strip.gain.log10() + 1.0).abs() < 1e-12);
        assert_eq!(strip.pan, [pan_gains(PanLaw::ConstantPower, -40.0)]);
        settings
            .mics
            .insert("tom-1".to_owned(), rule(Some(-7.0), None));
        let strip = settings.strip(&tom).unwrap();
        assert!((20.0 * strip.gain.log10() + 7.0).abs() < 1e-12);
        assert_eq!(strip.pan, [pan_gains(PanLaw::ConstantPower, -40.0)]);
    }

    #[test]
    fn a_click_is_out_of_the_mix_until_someone_wants_it() {
        let click = entry("click", Family::Utility, None, 0.0);
        let click = member("click", &click, None, 1);
        let mut settings = Settings::default();
        assert_eq!(settings.strip(&click), None);
        settings
            .mics
            .insert("click".to_owned(), rule(Some(-20.0), None));
        assert!(settings.strip(&click).is_some());
    }

    #[test]
    fn view_and_kit_are_two_mirrors() {
        let hat = entry("hat", Family::Hat, Some(-8.0), -45.0);
        let overhead = entry("overhead", Family::Overhead, Some(0.0), 100.0);
        let crash = entry("crash", Family::Cymbal, Some(-8.0), -60.0);
        let members = [
            member("hat", &hat, None, 1),
            member("overhead", &overhead, None, 2),
            member("crash-r", &crash, Some(Side::R), 1),
        ];
        for (audience_view, left_handed, wanted) in [
            (false, false, [vec![-45.0], vec![-100.0, 100.0], vec![60.0]]),
            // the microphones stand where their names say; the hat has changed sides
            (false, true, [vec![45.0], vec![-100.0, 100.0], vec![60.0]]),
            (true, false, [vec![45.0], vec![100.0, -100.0], vec![-60.0]]),
            (true, true, [vec![-45.0], vec![100.0, -100.0], vec![-60.0]]),
        ] {
            let settings = Settings {
                audience_view,
                left_handed,
                ..Settings::default()
            };
            let positions = members.map(|member| settings.positions(&member));
            assert_eq!(positions, wanted, "{audience_view} {left_handed}");
        }
    }

    #[test]
    fn sides_of_a_split_pair_go_where_they_belong_and_its_mono_file_to_the_middle() {
        let room = entry("room", Family::Room, Some(-5.0), 100.0);
        let settings = Settings::default();
        let position = |label, side| settings.positions(&member(label, &room, side, 1));
        assert_eq!(position("room-l", Some(Side::L)), [-100.0]);
        assert_eq!(position("room-r", Some(Side::R)), [100.0]);
        assert_eq!(position("room-c", Some(Side::C)), [0.0]);
        assert_eq!(position("room", None), [0.0]);
    }

    #[test]
    fn a_written_pan_is_not_turned_by_the_left_handed_kit_and_narrows_a_pair() {
        let hat = entry("hat", Family::Hat, Some(-8.0), -45.0);
        let room = entry("room", Family::Room, Some(-5.0), 100.0);
        let mut settings = Settings {
            left_handed: true,
            ..Settings::default()
        };
        settings
            .mics
            .insert("hat".to_owned(), rule(None, Some(-20.0)));
        settings
            .mics
            .insert("room".to_owned(), rule(None, Some(60.0)));
        assert_eq!(settings.positions(&member("hat", &hat, None, 1)), [-20.0]);
        assert_eq!(
            settings.positions(&member("room", &room, None, 2)),
            [-60.0, 60.0]
        );
    }

    #[test]
    fn every_track_is_in_one_group_and_its_fader_moves_it() {
        let top = entry("snare-top", Family::Snare, Some(0.0), 0.0);
        let top = member("snare-top", &top, None, 1);
        let mut settings = Settings::default();
        assert_eq!(settings.group(&top), "snare");
        let group = |mics: &[&str], fader_db| Group {
            mics: mics.iter().map(|mic| (*mic).to_owned()).collect(),
            fader_db,
        };
        settings.groups.insert("snare".to_owned(), group(&[], -6.0));
        assert!((20.0 * settings.strip(&top).unwrap().gain.log10() + 6.0).abs() < 1e-12);
        settings
            .groups
            .insert("shells".to_owned(), group(&["snare-top"], 2.0));
        assert_eq!(settings.group(&top), "shells");
        assert!((20.0 * settings.strip(&top).unwrap().gain.log10() - 2.0).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_meant_is_said() {
        let hat = entry("hat", Family::Hat, Some(-8.0), -45.0);
        let mut settings = Settings::default();
        assert!(settings.problems().is_empty());
        settings
            .mics
            .insert("hat".to_owned(), rule(Some(f64::NAN), Some(120.0)));
        settings.mics.insert("cowbell".to_owned(), rule(None, None));
        for name in ["loud", "quiet"] {
            let group = Group {
                mics: vec!["hat".to_owned()],
                fader_db: 0.0,
            };
            settings.groups.insert(name.to_owned(), group);
        }
        assert_eq!(
            settings.problems(),
            [
                "fader_db of hat is NaN, expected -120 to 24",
                "pan of hat is 120, expected -100 to 100",
                "groups loud and quiet overlap: both name hat",
            ]
        );
        assert_eq!(
            settings.unanswered(&[member("hat", &hat, None, 1)]),
            ["cowbell"]
        );
    }

    #[test]
    fn settings_are_read_from_a_table_and_misspellings_are_refused() {
        let text = "audience_view = true\n[mics.hat]\nfader_db = -3\npan = 20.0\n[groups.shells]\nmics = [\"kick-in\"]";
        let settings: Settings = toml::from_str(text).unwrap();
        assert!(settings.audience_view);
        assert_eq!(settings.mics["hat"], rule(Some(-3.0), Some(20.0)));
        assert_eq!(settings.target_lufs, -18.0);
        assert!(toml::from_str::<Settings>("audiance_view = true").is_err());
    }
}
