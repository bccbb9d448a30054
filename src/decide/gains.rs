//! The gain behind the last stage: one for all that is linked, from what the chains gave.

use std::collections::BTreeMap;

use crate::analysis::{HitsOf, level_of_takes};
use crate::measure::Levels;
use crate::preset::{LevelRule, Link, Measure};
use crate::reason::{Held, Level, Reason};
use crate::units::round_to;
use crate::worksheet::Decided;

/// What came out of one track's chain, before its gain.
#[derive(Clone)]
pub struct Tried<'a> {
    /// The worksheet key, for naming what holds a gain down.
    pub key: &'a str,
    /// Link groups, widest last.
    pub song: &'a str,
    /// Set-up: takes with the same kit, tuning and mic positions.
    pub setup: &'a str,
    /// What is one mic within a set-up; both sides of a pair share it, and so do the tracks of a
    /// pair that was split.
    pub mic: String,
    /// The preset's `[level]`; none: 0 dB.
    pub rule: Option<&'a LevelRule>,
    /// Figures of the chain's output.
    pub levels: &'a Levels,
    /// The same for all stems of one track.
    pub track: usize,
    /// Integrated loudness of its source.
    pub source_lufs: Option<f64>,
    /// The gain that brings its source to the mic's working level.
    pub working_gain_db: f64,
    /// Peaks of the hits that count for the level, dBFS, in the chain's output.
    pub hit_peaks_dbfs: &'a [f32],
    /// Whose they are.
    pub hits_of: HitsOf,
    /// What takes back a step of level in this take, dB: it is given more than the others.
    pub trim_db: f64,
    /// Length, for pooling powers.
    pub frames: u64,
    /// Whether the drum is taken as played here; a track that is not gets the linked gain and gives
    /// nothing to it.
    pub played: bool,
}

/// Where hits of a mic without a working level are brought to ahead of a stage that depends on the
/// level, dBFS. Common practice, no source.
pub const DEFAULT_WORKING_DBFS: f64 = -14.0;
/// Fewer hits than this in a link group: no gain is guessed.
pub const FEWEST_HITS: usize = 5;
/// No level asks for less: something else is wrong.
const LOWEST_GAIN_DB: f64 = 40.0;

/// One gain a track, in the order given, each with its reason.
pub fn gains(tracks: &[Tried<'_>]) -> Vec<Decided<f64>> {
    let mut groups: BTreeMap<Vec<&str>, Vec<usize>> = BTreeMap::new();
    for (i, track) in tracks.iter().enumerate() {
        groups.entry(group(track)).or_default().push(i);
    }
    let mut gains: Vec<Decided<f64>> = tracks.iter().map(|_| Decided::plain(0.0)).collect();
    // What is to be as loud as a clean stem comes when that has its gain.
    for over_source in [false, true] {
        for members in groups.values() {
            let members: Vec<usize> = members
                .iter()
                .copied()
                .filter(|&i| goes_by_source(&tracks[i]) == over_source)
                .collect();
            let linked: Vec<&Tried<'_>> = members.iter().map(|&i| &tracks[i]).collect();
            let gain = linked_gain(&linked, &|track| {
                let clean = |(other, _): &(&Tried<'_>, &Decided<f64>)| {
                    other.track == track.track && other.rule.is_some() && !goes_by_source(other)
                };
                let stem = tracks.iter().zip(&gains).find(clean);
                stem.map_or(track.working_gain_db, |(_, gain)| gain.value)
            });
            for i in members {
                gains[i] = trimmed(gain.clone(), &tracks[i]);
            }
        }
    }
    gains
}

/// A file with a gain of its own needs no trim.
fn trim_db(track: &Tried<'_>) -> f64 {
    match track.rule {
        Some(rule) if rule.is_linked() => track.trim_db,
        _ => 0.0,
    }
}

/// The gain of all takes in one whose level has to be brought to theirs.
pub fn trimmed(gain: Decided<f64>, track: &Tried<'_>) -> Decided<f64> {
    let trim_db = trim_db(track);
    if trim_db == 0.0 {
        return gain;
    }
    let most = track.rule.map_or(0.0, |rule| rule.max_gain_db);
    let value = round_to((gain.value + trim_db).min(most), 1);
    let why = Reason::Trimmed {
        by_db: round_to(value - gain.value, 1),
        because: gain.why.map(Box::new),
    };
    Decided::new(value, why)
}

fn goes_by_source(track: &Tried<'_>) -> bool {
    track
        .rule
        .is_some_and(|rule| rule.measure == Measure::OverSource)
}

/// What a track shares its gain with.
fn group<'a>(track: &'a Tried<'_>) -> Vec<&'a str> {
    let Some(rule) = track.rule else {
        return vec!["no level", track.setup, &track.mic];
    };
    match rule.link {
        Link::File => vec!["file", track.key],
        Link::Mic => vec!["mic", track.setup, &track.mic],
        Link::Song => vec!["song", track.song],
        Link::Session => vec!["session"],
    }
}

/// `clean_gain_db` is the gain of the clean stem of a track.
fn linked_gain(tracks: &[&Tried<'_>], clean_gain_db: &dyn Fn(&Tried<'_>) -> f64) -> Decided<f64> {
    let rule = tracks.first().and_then(|t| t.rule);
    let (gain_db, why) = match rule {
        None => (0.0, Reason::NoTarget),
        Some(rule) => match level(rule.measure, tracks, clean_gain_db) {
            Ok((level, hits)) => wanted(rule, level, hits, tracks.len()),
            Err(why) => (0.0, why),
        },
    };
    let ceiling_dbtp = ceiling_dbtp(rule);
    let loudest = tracks
        .iter()
        .filter_map(|t| Some((t.levels.true_peak_dbtp? + trim_db(t), t.key)))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((peak, key)) = loudest
        && let Some(most) = held_down(gain_db, peak, ceiling_dbtp)
    {
        let lower = held(gain_db - most, peak, key, ceiling_dbtp);
        return Decided::new(
            most,
            match why {
                Reason::Level(mut why) => {
                    why.held = Some(lower);
                    Reason::Level(why)
                }
                why => lower.below(Some(why)),
            },
        );
    }
    Decided::new(gain_db, why)
}

/// The gain that brings a level to its target, within what may be given unasked.
fn wanted(rule: &LevelRule, level: f64, hits: Option<usize>, tracks: usize) -> (f64, Reason) {
    let wanted = round_to(rule.target - level, 1);
    let given = wanted.clamp(-LOWEST_GAIN_DB, rule.max_gain_db);
    let why = Level {
        measure: rule.measure,
        level: round_to(level, 1),
        target: rule.target,
        hits,
        tracks,
        wanted_db: (given != wanted).then_some(wanted),
        most_db: (given < wanted).then_some(rule.max_gain_db),
        held: None,
    };
    (given, why.into())
}

/// What no file with this rule may pass, dBTP. Without a level it is full scale.
pub fn ceiling_dbtp(rule: Option<&LevelRule>) -> f64 {
    rule.map_or(0.0, |rule| rule.ceiling_dbtp)
}

/// The largest gain that keeps a true peak at or below the ceiling, in tenths of a decibel, where
/// `gain_db` would not.
pub fn held_down(gain_db: f64, peak_dbtp: f64, ceiling_dbtp: f64) -> Option<f64> {
    let most = ((ceiling_dbtp - peak_dbtp) * 10.0).floor() / 10.0;
    (peak_dbtp + gain_db > ceiling_dbtp).then(|| round_to(most, 1))
}

/// That, as a reason: lower by so much, because of this peak in this track.
pub fn held(by_db: f64, peak_dbtp: f64, key: &str, ceiling_dbtp: f64) -> Held {
    Held {
        by_db: round_to(by_db, 1),
        true_peak_dbtp: round_to(peak_dbtp, 1),
        key: key.to_owned(),
        ceiling_dbtp,
    }
}

/// The level of a link group in the unit of the measure, and the hits that it rests on, where it
/// does; or why there is none.
fn level(
    measure: Measure,
    tracks: &[&Tried<'_>],
    clean_gain_db: &dyn Fn(&Tried<'_>) -> f64,
) -> Result<(f64, Option<usize>), Reason> {
    let loudest = |value: fn(&Levels) -> Option<f64>| {
        tracks
            .iter()
            .filter_map(|t| value(t.levels))
            .max_by(f64::total_cmp)
    };
    let pooled = |value: &dyn Fn(&Tried<'_>) -> Option<f64>| {
        // Powers over all frames: long takes count for more.
        let parts: Vec<(f64, f64)> = tracks
            .iter()
            .filter_map(|t| value(t).map(|db| (10f64.powf(db / 10.0), t.frames as f64)))
            .collect();
        let frames: f64 = parts.iter().map(|p| p.1).sum();
        (frames > 0.0)
            .then(|| 10.0 * (parts.iter().map(|p| p.0 * p.1).sum::<f64>() / frames).log10())
    };
    let level = match measure {
        Measure::HitLevel => return hit_level(tracks),
        Measure::SamplePeak => loudest(|l| l.sample_peak_dbfs),
        Measure::TruePeak => loudest(|l| l.true_peak_dbtp),
        Measure::Integrated => pooled(&|t| t.levels.integrated_lufs),
        Measure::OverSource => {
            let source = pooled(&|t| t.source_lufs.map(|lufs| lufs + clean_gain_db(t)));
            let over = pooled(&|t| t.levels.integrated_lufs).zip(source);
            over.map(|(lufs, source)| lufs - source)
        }
        Measure::Rms => pooled(&|t| t.levels.rms_dbfs),
    };
    let hits = None;
    level
        .map(|level| (level, hits))
        .ok_or(Reason::LevelUndecided { measure, hits })
}

fn hit_level(tracks: &[&Tried<'_>]) -> Result<(f64, Option<usize>), Reason> {
    let of_track = |track: &&Tried<'_>| {
        let peaks = track.hit_peaks_dbfs.iter();
        let trim_db = trim_db(track);
        peaks
            .map(|&peak| f64::from(peak) + trim_db)
            .collect::<Vec<f64>>()
    };
    let played = tracks.iter().filter(|t| t.played);
    let peaks: Vec<Vec<f64>> = played.map(of_track).collect();
    let count = peaks.iter().map(Vec::len).sum();
    let hits = Some(count);
    if count < FEWEST_HITS {
        let measure = Measure::HitLevel;
        return Err(Reason::LevelUndecided { measure, hits });
    }
    let of = tracks.first().map(|track| track.hits_of);
    let level = level_of_takes(&peaks, of.unwrap_or_default()).unwrap_or_default();
    Ok((level, hits))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(measure: Measure, target: f64, link: Link) -> LevelRule {
        LevelRule {
            measure,
            target,
            link,
            ceiling_dbtp: -1.0,
            max_gain_db: 24.0,
        }
    }

    fn levels(true_peak_dbtp: f64, integrated_lufs: f64) -> Levels {
        Levels {
            true_peak_dbtp: Some(true_peak_dbtp),
            sample_peak_dbfs: Some(true_peak_dbtp),
            integrated_lufs: Some(integrated_lufs),
            ..Levels::default()
        }
    }

    fn track<'a>(
        key: &'a str,
        rule: &'a LevelRule,
        levels: &'a Levels,
        peaks: &'a [f32],
    ) -> Tried<'a> {
        Tried {
            key,
            song: "tide",
            setup: "tide",
            mic: "snare-top".to_owned(),
            rule: Some(rule),
            levels,
            track: 0,
            source_lufs: Some(-30.0),
            working_gain_db: 6.0,
            hit_peaks_dbfs: peaks,
            hits_of: HitsOf::OwnDrum,
            trim_db: 0.0,
            frames: 48_000,
            played: true,
        }
    }

    #[test]
    fn takes_of_one_mic_share_one_gain_and_a_take_without_hits_gets_it_too() {
        let rule = rule(Measure::HitLevel, -12.0, Link::Mic);
        let (loud, quiet) = (levels(-13.0, -20.0), levels(-40.0, -50.0));
        let peaks = [-16.0; 20];
        let found = gains(&[
            track("a", &rule, &loud, &peaks),
            track("b", &rule, &quiet, &[]),
        ]);
        assert_eq!(found[0].value, 4.0);
        assert_eq!(found[1], found[0]);
        let Some(Reason::Level(why)) = &found[0].why else {
            panic!("{:?}", found[0].why);
        };
        assert_eq!((why.hits, why.level, why.target), (Some(20), -16.0, -12.0));
        assert_eq!((why.tracks, &why.held), (2, &None));
    }

    #[test]
    fn the_ceiling_wins_and_says_who_holds_the_gain() {
        let rule = rule(Measure::HitLevel, -12.0, Link::Mic);
        let (a, b) = (levels(-3.04, -20.0), levels(-9.0, -20.0));
        let peaks = [-18.0; 10];
        let found = gains(&[track("a", &rule, &a, &peaks), track("b", &rule, &b, &peaks)]);
        assert_eq!(found[0].value, 2.0);
        let Some(Reason::Level(why)) = &found[0].why else {
            panic!("{:?}", found[0].why);
        };
        let by = Held {
            by_db: 4.0,
            true_peak_dbtp: -3.0,
            key: "a".to_owned(),
            ceiling_dbtp: -1.0,
        };
        assert_eq!(why.held, Some(by));
    }

    #[test]
    fn a_driven_stem_becomes_as_loud_as_its_source() {
        let rule = rule(Measure::OverSource, 0.0, Link::Mic);
        let loud = levels(-9.0, -20.5);
        let found = gains(&[track("a", &rule, &loud, &[])]);
        assert_eq!(found[0].value, -3.5);
        assert!(
            matches!(&found[0].why, Some(Reason::Level(why)) if why.level == 3.5 && why.target == 0.0),
            "{:?}",
            found[0].why
        );
        // With a clean stem of the same track, that one's gain counts: 9 dB instead of 6.
        let (clean, quiet) = (
            self::rule(Measure::HitLevel, -12.0, Link::Mic),
            levels(-12.0, -21.0),
        );
        let clean = Tried {
            mic: "room".to_owned(),
            ..track("clean", &clean, &quiet, &[-21.0; 20])
        };
        let found = gains(&[track("a", &rule, &loud, &[]), clean]);
        assert_eq!([found[0].value, found[1].value], [-0.5, 9.0]);
        let silent = Levels::default();
        let found = gains(&[track("a", &rule, &silent, &[])]);
        assert_eq!(found[0].value, 0.0);
        assert!(
            found[0].why.as_ref().is_some_and(Reason::is_undecided),
            "{:?}",
            found[0].why
        );
    }

    proptest::proptest! {
        #[test]
        fn no_gain_passes_its_ceiling_or_its_largest_rise(
            tracks in proptest::collection::vec((-80.0f64..20.0, -90.0f64..0.0, 0usize..9), 1..6),
            (measure, link) in (0usize..6, 0usize..4),
            (target, ceiling_dbtp, max_gain_db) in (-60.0f64..0.0, -20.0f64..0.0, 0.0f64..80.0),
            leveled in proptest::prelude::any::<bool>(),
        ) {
            use Measure::{HitLevel, Integrated, OverSource, Rms, SamplePeak, TruePeak};
            let rule = LevelRule {
                measure: [HitLevel, SamplePeak, TruePeak, Integrated, OverSource, Rms][measure],
                target,
                link: [Link::File, Link::Mic, Link::Song, Link::Session][link],
                ceiling_dbtp,
                max_gain_db,
            };
            let all: Vec<_> = tracks.iter().map(|&(peak, lufs, hits)| {
                (levels(peak, lufs), vec![(peak - 3.0) as f32; hits])
            }).collect();
            let names = ["a", "b", "c", "d", "e"];
            let tried: Vec<Tried<'_>> = (all.iter().zip(names))
                .map(|((levels, peaks), key)| Tried {
                    rule: leveled.then_some(&rule),
                    ..track(key, &rule, levels, peaks)
                })
                .collect();
            let limit = if leveled { ceiling_dbtp } else { 0.0 };
            for (gain, (peak, ..)) in gains(&tried).iter().zip(&tracks) {
                let most = if leveled { max_gain_db } else { 0.0 };
                proptest::prop_assert!(gain.value <= most);
                proptest::prop_assert!(peak + gain.value <= limit + 1e-9, "{gain:?} {peak}");
            }
        }
    }

    #[test]
    fn a_take_with_a_step_of_level_can_meet_the_others() {
        let rule = rule(Measure::HitLevel, -12.0, Link::Mic);
        // 6 dB louder, and its peak would hold all takes down
        let (usual, loud) = (levels(-8.0, -20.0), levels(-2.0, -14.0));
        let (peaks, louder) = ([-16.0; 20], [-10.0; 20]);
        let step = |trim_db| {
            let odd = Tried {
                trim_db,
                ..track("b", &rule, &loud, &louder)
            };
            let found = gains(&[track("a", &rule, &usual, &peaks), odd]);
            [found[0].value, found[1].value]
        };
        assert_eq!(step(0.0), [1.0, 1.0]);
        assert_eq!(step(-6.0), [4.0, -2.0]);
        // softer: no more than may be given
        let quiet = levels(-38.0, -50.0);
        let odd = Tried {
            trim_db: 30.0,
            ..track("b", &rule, &quiet, &[-46.0; 20])
        };
        let found = gains(&[track("a", &rule, &usual, &peaks), odd]);
        assert_eq!([found[0].value, found[1].value], [4.0, rule.max_gain_db]);
        // a file with a gain of its own has none
        let own = self::rule(Measure::TruePeak, -1.0, Link::File);
        let odd = Tried {
            trim_db: -6.0,
            ..track("b", &own, &loud, &[])
        };
        assert_eq!(gains(&[odd])[0].value, 1.0);
    }

    #[test]
    fn under_five_hits_no_gain_is_guessed() {
        let rule = rule(Measure::HitLevel, -12.0, Link::Mic);
        let levels = levels(-10.0, -20.0);
        let found = gains(&[track("a", &rule, &levels, &[-20.0; 4])]);
        let why = Reason::LevelUndecided {
            measure: Measure::HitLevel,
            hits: Some(4),
        };
        assert_eq!(found[0], Decided::new(0.0, why));
        let loud = self::levels(3.25, -20.0);
        let found = gains(&[track("a", &rule, &loud, &[-20.0; 4])]);
        assert_eq!(found[0].value, -4.3);
    }

    #[test]
    fn files_are_apart_and_a_session_is_one() {
        let (a, b) = (levels(-10.0, -20.0), levels(-4.0, -26.0));
        let file = rule(Measure::TruePeak, -1.0, Link::File);
        let found = gains(&[track("a", &file, &a, &[]), track("b", &file, &b, &[])]);
        assert_eq!([found[0].value, found[1].value], [9.0, 3.0]);
        let session = rule(Measure::TruePeak, -1.0, Link::Session);
        let found = gains(&[track("a", &session, &a, &[]), track("b", &session, &b, &[])]);
        assert_eq!([found[0].value, found[1].value], [3.0, 3.0]);
    }
}
