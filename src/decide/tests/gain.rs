//! The gain of stems, from the hits that count in their takes.

use crate::analysis::HitsOf;
use crate::decide::fixture::{Found, MadeTake, RATE_HZ, decided, take, track};
use crate::decide::gains::{Tried, gains};
use crate::decide::stages::Incoming;
use crate::finding::{Code, FindingKind};
use crate::preset::{LevelRule, Link, Measure};
use crate::reason::Reason;
use crate::worksheet::Decided;

fn rule(target: f64) -> LevelRule {
    LevelRule {
        measure: Measure::HitLevel,
        target,
        link: Link::Mic,
        ceiling_dbtp: -1.0,
        max_gain_db: 24.0,
    }
}

/// The gains of a mic in all takes, behind a chain that changes nothing.
fn given(takes: &[MadeTake], found: &Found, label: &str, rule: &LevelRule) -> Vec<Decided<f64>> {
    let made: Vec<_> = (takes.iter())
        .map(|take| take.tracks.iter().find(|made| made.track.label == label))
        .map(|made| made.expect("in every take"))
        .collect();
    let frame = |at_ms: f64| (at_ms * f64::from(RATE_HZ) / 1000.0).round() as u64;
    let peaks: Vec<Vec<f32>> = (made.iter().zip(found.each(label, |h| h.level_hits.clone())))
        .map(|(made, counting)| {
            let hits = made.shows.hits.iter();
            let hits = hits.filter(|hit| counting.contains(&frame(hit.at_ms)));
            hits.filter_map(|hit| Some(hit.level_dbfs? as f32))
                .collect()
        })
        .collect();
    let trims = found.each(label, |heard| heard.trim_db);
    let played = found.each(label, |heard| !heard.not_played);
    let tried: Vec<Tried<'_>> = (0..takes.len())
        .map(|t| Tried {
            key: ["take-01", "take-02", "take-03", "take-04", "take-05"][t],
            song: "tide",
            setup: "tide",
            mic: label.to_owned(),
            rule: Some(rule),
            levels: &made[t].levels,
            track: t,
            source_lufs: None,
            working_gain_db: 0.0,
            hit_peaks_dbfs: &peaks[t],
            hits_of: found.at(t, label).hits_of,
            trim_db: trims[t],
            frames: made[t].track.frames(),
            played: played[t],
        })
        .collect();
    gains(&tried)
}

fn values(gains: &[Decided<f64>]) -> Vec<f64> {
    gains.iter().map(|gain| gain.value).collect()
}

/// Takes of a snare with so many hits each.
fn snares(hits: &[usize], level_dbfs: f64) -> Vec<MadeTake> {
    let one = |&hits: &usize| take("take", [track("snare-top").hits(hits, level_dbfs)]);
    hits.iter().map(one).collect()
}

#[test]
fn under_five_hits_in_the_whole_set_up_no_gain_is_guessed_and_that_is_said() {
    let takes = snares(&[2, 2], -20.0);
    let found = decided(&takes, "");
    let why = Reason::LevelUndecided {
        measure: Measure::HitLevel,
        hits: Some(4),
    };
    let want = Decided::new(0.0, why);
    let given_db = given(&takes, &found, "snare-top", &rule(-12.0));
    assert_eq!(given_db, [want.clone(), want]);
    for said in found.said("snare-top", Code::NotPlayed) {
        let kinds: Vec<FindingKind> = said.into_iter().map(|found| found.kind).collect();
        assert_eq!(kinds, [FindingKind::FewHits { hits: 4 }]);
    }
    // a fifth is enough, in whichever take
    let takes = snares(&[2, 3], -20.0);
    let found = decided(&takes, "");
    let gains = given(&takes, &found, "snare-top", &rule(-12.0));
    assert_eq!(values(&gains), [8.0; 2]);
    assert!(found.said("snare-top", Code::NotPlayed).concat().is_empty());
}

#[test]
fn however_few_hits_the_ceiling_holds() {
    let mut takes = snares(&[2, 2], -20.0);
    takes[1].tracks[0] = takes[1].tracks[0].clone().peak(2.25);
    let found = decided(&takes, "");
    let gains = given(&takes, &found, "snare-top", &rule(-12.0));
    assert_eq!(values(&gains), [-3.3; 2]);
    let why = gains[0].why.as_ref().expect("a reason");
    assert!(why.is_held() && why.is_undecided(), "{why:?}");
}

#[test]
fn a_file_is_raised_by_no_more_than_its_preset_allows_and_that_is_said() {
    let takes = snares(&[8, 8], -70.0);
    let found = decided(&takes, "");
    let most = |max_gain_db| {
        let rule = LevelRule {
            max_gain_db,
            ..rule(-12.0)
        };
        let gains = given(&takes, &found, "snare-top", &rule);
        let Some(Reason::Level(why)) = &gains[0].why else {
            panic!("{gains:?}");
        };
        (gains[0].value, why.wanted_db, why.most_db)
    };
    assert_eq!(LevelRule::DEFAULT_MAX_GAIN, 24.0);
    assert_eq!(most(24.0), (24.0, Some(58.0), Some(24.0)));
    assert_eq!(most(0.0), (0.0, Some(58.0), Some(0.0)));
    assert_eq!(most(80.0), (58.0, None, None));
}

#[test]
fn a_stem_without_a_level_is_not_raised_and_not_above_full_scale() {
    for (peak_dbtp, want) in [(-30.0, 0.0), (0.0, 0.0), (0.75, -0.8)] {
        let made = track("click").peak(peak_dbtp);
        let tried = Tried {
            key: "take-01",
            song: "tide",
            setup: "tide",
            mic: "click".to_owned(),
            rule: None,
            levels: &made.levels,
            track: 0,
            source_lufs: None,
            working_gain_db: 0.0,
            hit_peaks_dbfs: &[],
            hits_of: HitsOf::OwnDrum,
            trim_db: 0.0,
            frames: 1,
            played: true,
        };
        assert_eq!(gains(&[tried])[0].value, want);
    }
}

#[test]
fn overheads_and_rooms_go_by_the_loud_quarter_of_their_peaks_at_kick_and_snare_hits() {
    for label in ["overhead", "room"] {
        // the 75 % quantile is that of the eighth; half of the energy lies above −15.2
        let soft = track(label).hits(5, -20.0).hits(2, -16.0);
        let made = soft.hits(1, -14.5).hits(1, -14.0).hits(1, -3.0);
        let takes = [take("take-01", [made])];
        let found = decided(&takes, "");
        let gains = given(&takes, &found, label, &rule(-16.0));
        assert_eq!(values(&gains), [-1.5], "{label}");
        let Some(Reason::Level(why)) = &gains[0].why else {
            panic!("{gains:?}");
        };
        assert_eq!(why.hits, Some(10));
        let incoming = found.at(0, label).incoming.expect("a level");
        assert_eq!(incoming.level_dbfs, -14.5);
    }
    // a drum in its own mic goes by its energy
    let soft = track("tom-1").hits(5, -20.0).hits(2, -16.0);
    let made = soft.hits(1, -14.5).hits(1, -14.0).hits(1, -3.0);
    let takes = [take("take-01", [made])];
    let gains = given(&takes, &decided(&takes, ""), "tom-1", &rule(-16.0));
    assert_eq!(values(&gains), [-0.8]);
}

#[test]
fn what_is_probably_no_hit_counts_for_no_level() {
    let made = track("tom-1").hits(6, -20.0).likely(20, -8.0, 0.49);
    let takes = [take("take-01", [made])];
    let found = decided(&takes, "");
    let gains = given(&takes, &found, "tom-1", &rule(-12.0));
    assert_eq!(values(&gains), [7.0]);
    let want = Incoming {
        level_dbfs: -20.0,
        from_hits: true,
    };
    assert_eq!(found.at(0, "tom-1").incoming, Some(want));
}

#[test]
fn a_mic_without_hits_comes_in_by_its_peak() {
    let takes = [
        take("take-01", [track("tom-1").hits(2, -20.0)]),
        take("take-02", [track("tom-1").peak(-9.0)]),
    ];
    let want = Incoming {
        level_dbfs: -9.0,
        from_hits: false,
    };
    let found = decided(&takes, "");
    assert_eq!(found.each("tom-1", |heard| heard.incoming), [Some(want); 2]);
}

#[test]
fn a_take_that_rests_has_the_gain_of_the_others_and_does_not_move_it() {
    let bleed = track("tom-1").hits(30, -45.0).rests();
    let takes = [
        take("take-01", [track("tom-1").hits(8, -18.0)]),
        take("take-02", [bleed]),
    ];
    // nor is its bleed a step of level, which would be raised to that of hits
    for config in ["", "level-steps = \"trim\""] {
        let found = decided(&takes, config);
        let gains = given(&takes, &found, "tom-1", &rule(-12.0));
        assert_eq!(values(&gains), [6.0; 2], "{config}");
        assert!(found.said("tom-1", Code::LevelStep).concat().is_empty());
    }
}

/// Five takes, of which the fourth is louder.
fn stepped() -> Vec<MadeTake> {
    let level = |take: usize| if take == 3 { -9.0 } else { -15.0 };
    let one = |n| take("take", [track("snare-top").hits(10, level(n))]);
    (0..5).map(one).collect()
}

/// Steps that are said, take by take, and whether they are taken back.
fn steps(found: &Found) -> Vec<Option<(f64, bool)>> {
    let of_take = |said: &Vec<crate::finding::Finding>| match said.first().map(|f| &f.kind) {
        Some(FindingKind::LevelStep {
            step_db, trimmed, ..
        }) => Some((*step_db, *trimmed)),
        _ => None,
    };
    let said = found.said("snare-top", Code::LevelStep);
    said.iter().map(of_take).collect()
}

#[test]
fn a_step_of_level_in_one_take_is_said_and_moves_no_gain() {
    for config in ["", "level-steps = \"keep\""] {
        let takes = stepped();
        let found = decided(&takes, config);
        assert_eq!(steps(&found), [None, None, None, Some((6.0, false)), None]);
        assert_eq!(found.each("snare-top", |heard| heard.trim_db), [0.0; 5]);
        let gains = given(&takes, &found, "snare-top", &rule(-13.0));
        assert_eq!(values(&gains), [2.0; 5], "{config}");
    }
}

#[test]
fn where_steps_are_trimmed_that_take_alone_is_brought_to_the_others() {
    let takes = stepped();
    let found = decided(&takes, "level-steps = \"trim\"");
    assert_eq!(steps(&found), [None, None, None, Some((6.0, true)), None]);
    let gains = given(&takes, &found, "snare-top", &rule(-13.0));
    assert_eq!(values(&gains), [2.0, 2.0, 2.0, -4.0, 2.0]);
    let why = &gains[3].why;
    let trimmed = matches!(why, Some(Reason::Trimmed { by_db, .. }) if *by_db == -6.0);
    assert!(trimmed, "{why:?}");
    assert!(matches!(gains[2].why, Some(Reason::Level(_))));
}

#[test]
fn a_pair_is_trimmed_only_by_what_both_sides_show() {
    let both = |left_db: f64, right_db: f64| {
        let level = |n: usize, db: f64| if n == 2 { -15.0 + db } else { -15.0 };
        let one = |n| {
            let left = track("overhead-l").hits(10, level(n, left_db));
            let right = track("overhead-r").hits(10, level(n, right_db));
            take("take", [left, right])
        };
        let takes: Vec<MadeTake> = (0..4).map(one).collect();
        let found = decided(&takes, "level-steps = \"trim\"");
        let (left, right) = (found.at(2, "overhead-l"), found.at(2, "overhead-r"));
        left.with_right(right, 0).trim_db
    };
    assert_eq!(both(6.0, 8.0), -7.0);
    assert_eq!([both(6.0, 0.0), both(0.0, 6.0), both(6.0, -6.0)], [0.0; 3]);
}
