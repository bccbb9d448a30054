//! Drums that a take, or a song, does not play.

use crate::analysis::Played;
use crate::decide::fixture::{Found, MadeTake, MadeTrack, decided, take, track};
use crate::reason::Reason;

const KEPT: [&str; 8] = [
    "kick-in",
    "kick-out",
    "snare-top",
    "snare-bottom",
    "hat",
    "overhead",
    "room",
    "room-far",
];

fn out(found: &Found, label: &str) -> Vec<bool> {
    found.each(label, |heard| heard.left_out.value)
}

fn muted(found: &Found, label: &str) -> Vec<bool> {
    found.each(label, |heard| heard.muted.value)
}

/// A tom that the second of three takes does not play.
fn rests_once() -> Vec<MadeTake> {
    let tom = || track("tom-1");
    [tom(), tom().rests(), tom()]
        .map(|tom| take("take", [tom]))
        .into()
}

/// A tom that no take plays.
fn rests() -> Vec<MadeTake> {
    (0..2)
        .map(|_| take("take", [track("tom-1").rests()]))
        .collect()
}

#[test]
fn a_tom_that_the_song_plays_somewhere_keeps_its_stem_and_is_muted_where_it_rests() {
    for config in ["", "left-out = \"song\""] {
        let found = decided(&rests_once(), config);
        assert_eq!(out(&found, "tom-1"), [false; 3]);
        assert_eq!(muted(&found, "tom-1"), [false, true, false]);
        let why = &found.at(1, "tom-1").muted.why;
        assert_eq!(*why, Some(Reason::NotPlayed { whole_song: false }));
        assert_eq!(found.each("tom-1", |h| h.not_played), [false, true, false]);
    }
}

#[test]
fn a_tom_that_no_take_of_the_song_plays_is_left_out() {
    let found = decided(&rests(), "");
    assert_eq!(out(&found, "tom-1"), [true; 2]);
    assert_eq!(muted(&found, "tom-1"), [false; 2]);
    let why = &found.at(0, "tom-1").left_out.why;
    assert_eq!(*why, Some(Reason::NotPlayed { whole_song: true }));
    // a cymbal as well
    let ride = [take("take", [track("ride").rests()])];
    assert_eq!(out(&decided(&ride, ""), "ride"), [true]);
}

#[test]
fn what_another_song_of_the_set_up_plays_is_left_out_all_the_same() {
    let mut takes = rests();
    takes.push(take("take", [track("tom-1")]).of_song("ebb"));
    assert_eq!(out(&decided(&takes, ""), "tom-1"), [true, true, false]);
}

#[test]
fn left_out_by_take_leaves_out_every_take_that_rests_and_no_other() {
    let found = decided(&rests_once(), "left-out = \"take\"");
    assert_eq!(out(&found, "tom-1"), [false, true, false]);
    assert_eq!(muted(&found, "tom-1"), [false; 3]);
    let why = &found.at(1, "tom-1").left_out.why;
    assert_eq!(*why, Some(Reason::NotPlayed { whole_song: false }));
}

#[test]
fn never_left_out_keeps_every_stem_and_mutes_what_rests() {
    let found = decided(&rests(), "left-out = \"never\"");
    assert_eq!(out(&found, "tom-1"), [false; 2]);
    assert_eq!(muted(&found, "tom-1"), [true; 2]);
    let silent = [take("take", [track("tom-1").silent()])];
    let found = decided(&silent, "left-out = \"never\"");
    assert_eq!(out(&found, "tom-1"), [false]);
    assert_eq!(muted(&found, "tom-1"), [true]);
}

#[test]
fn a_tom_of_which_it_is_not_sure_stays_and_sounds() {
    let unsure = || track("tom-1").played(Played::NotSure("bleed".to_owned()));
    let found = decided(&[take("take", [unsure()]), take("take", [unsure()])], "");
    assert_eq!(out(&found, "tom-1"), [false; 2]);
    assert_eq!(muted(&found, "tom-1"), [false; 2]);
}

/// All mics that stay, in two takes.
fn of_all(change: [fn(MadeTrack) -> MadeTrack; 2]) -> Vec<MadeTake> {
    let one = |change: fn(MadeTrack) -> MadeTrack| take("take", KEPT.map(|l| change(track(l))));
    change.map(one).into()
}

#[test]
fn kick_snare_hat_overhead_and_room_stay_and_sound_though_they_rest() {
    for config in ["", "left-out = \"take\""] {
        let found = decided(&of_all([MadeTrack::rests, MadeTrack::rests]), config);
        for label in KEPT {
            assert_eq!(out(&found, label), [false; 2], "{label}");
            assert_eq!(muted(&found, label), [false; 2], "{label}");
        }
    }
}

#[test]
fn whatever_is_silent_in_the_whole_song_is_left_out_and_muted_where_it_is_so_once() {
    let found = decided(&of_all([MadeTrack::silent, MadeTrack::silent]), "");
    for label in KEPT {
        assert_eq!(out(&found, label), [true; 2], "{label}");
        let why = &found.at(0, label).left_out.why;
        assert_eq!(*why, Some(Reason::Silent { whole_song: true }));
    }
    let once = of_all([|made| made, MadeTrack::silent]);
    let found = decided(&once, "");
    for label in KEPT {
        assert_eq!(out(&found, label), [false; 2], "{label}");
        assert_eq!(muted(&found, label), [false, true], "{label}");
        let why = &found.at(1, label).muted.why;
        assert_eq!(*why, Some(Reason::Silent { whole_song: false }));
    }
    let found = decided(&once, "left-out = \"take\"");
    assert_eq!(out(&found, "kick-in"), [false, true]);
}

#[test]
fn a_tom_that_is_silent_in_one_take_and_rests_in_the_others_is_left_out() {
    let takes = [
        take("take", [track("tom-1").silent()]),
        take("take", [track("tom-1").rests()]),
    ];
    assert_eq!(out(&decided(&takes, ""), "tom-1"), [true; 2]);
}

#[test]
fn a_pair_in_one_piece_is_left_out_only_where_both_sides_are() {
    let sides = |left: MadeTrack, right: MadeTrack| {
        let takes = [take("take", [left, right])];
        let found = decided(&takes, "");
        let (left, right) = (found.at(0, "room-l"), found.at(0, "room-r"));
        left.with_right(right, 0).left_out.value
    };
    let (left, right) = (|| track("room-l"), || track("room-r"));
    assert!(!sides(left().silent(), right()));
    assert!(!sides(left(), right().silent()));
    assert!(sides(left().silent(), right().silent()));
}
