//! Where close mics stand in the mix.

use crate::decide::fixture::{Found, MadeTake, MadeTrack, decided, session_file, take, track};
use crate::reason::Reason;

const OVERHEADS: &str = "overhead";

fn kit<const N: usize>(labels: [&str; N]) -> MadeTake {
    take("take-01", labels.map(track))
}

fn pan(found: &Found, label: &str) -> Option<f64> {
    found.at(0, label).pan.as_ref().map(|pan| pan.value)
}

/// Where a mono mic stands in the end.
fn place(made: &MadeTrack, pan: Option<f64>, config: &str) -> f64 {
    let place = session_file(config).place_heard(&made.track, pan);
    place.expect("in the mix").pan.0
}

#[test]
fn a_drum_stands_left_or_right_as_the_overheads_hear_it() {
    let drums = [
        ("tom-1", 0.6),
        ("tom-2", -0.3),
        ("tom-3", -3.0),
        ("hat", 1.2),
        ("ride", -0.9),
    ];
    let made = kit(["tom-1", "tom-2", "tom-3", "hat", "ride"]).leaning(OVERHEADS, drums);
    let found = decided(&[made], "");
    // 70 at 1.2 ms and beyond
    for (label, want) in [
        ("tom-1", -35.0),
        ("tom-2", 18.0),
        ("tom-3", 70.0),
        ("hat", -70.0),
        ("ride", 53.0),
    ] {
        assert_eq!(pan(&found, label), Some(want), "{label}");
    }
    let why = found
        .at(0, "tom-1")
        .pan
        .as_ref()
        .and_then(|p| p.why.clone());
    let heard = matches!(why, Some(Reason::PanHeard { early_ms, hits: 6, .. }) if early_ms == 0.6);
    assert!(heard, "{why:?}");
}

#[test]
fn all_takes_have_one_pan_the_median_of_what_they_show() {
    let takes = [-0.9, 0.6, 0.7].map(|early| kit(["tom-1"]).leaning(OVERHEADS, [("tom-1", early)]));
    let found = decided(&takes, "");
    let pans = found.each("tom-1", |heard| heard.pan.as_ref().map(|pan| pan.value));
    assert_eq!(pans, [Some(-35.0); 3]);
}

#[test]
fn a_tom_whose_side_is_undecided_stands_near_the_middle_by_its_number() {
    // 0.1 ms is no side
    let leans = [("tom-1", 0.1), ("hat", 0.1), ("ride", 0.1)];
    let found = decided(
        &[kit(["tom-1", "tom-4", "hat", "ride"]).leaning(OVERHEADS, leans)],
        "",
    );
    // 0.4 of −40 and of 60; tom-4 the overheads do not hear at all
    assert_eq!(pan(&found, "tom-1"), Some(-16.0));
    assert_eq!(pan(&found, "tom-4"), Some(24.0));
    let why = found
        .at(0, "tom-4")
        .pan
        .as_ref()
        .and_then(|p| p.why.clone());
    assert_eq!(why, Some(Reason::PanUndecided));
    // others stand where the table has them
    assert_eq!((pan(&found, "hat"), pan(&found, "ride")), (None, None));
}

#[test]
fn an_undecided_tom_keeps_the_order_of_the_numbers_beside_those_that_are_heard() {
    let undecided = 0.1;
    for (leans, wanted) in [
        // the floor tom stands outside the second, the first stays near the middle
        ([undecided, -1.0, undecided], [-16.0, 58.0, 68.0]),
        // toms from right to left
        ([-0.6, 0.3, undecided], [35.0, -18.0, -28.0]),
        // between two that stand close
        ([-1.0, undecided, -1.2], [58.0, 64.0, 70.0]),
        // from right to left, all on the right
        ([-1.0, undecided, -0.6], [58.0, 45.0, 35.0]),
    ] {
        let labels = ["tom-1", "tom-2", "tom-3"];
        let leans = std::array::from_fn::<_, 3, _>(|i| (labels[i], leans[i]));
        let found = decided(&[kit(labels).leaning(OVERHEADS, leans)], "");
        assert_eq!(
            labels.map(|l| pan(&found, l)),
            wanted.map(Some),
            "{leans:?}"
        );
    }
    let leans = [("tom-2", -1.0), ("tom-3", undecided)];
    let found = decided(&[kit(["tom-2", "tom-3"]).leaning(OVERHEADS, leans)], "");
    let why = found
        .at(0, "tom-3")
        .pan
        .as_ref()
        .and_then(|p| p.why.clone());
    let tom = "tom-2".to_owned();
    assert_eq!(why, Some(Reason::PanBeside { tom }));
}

#[test]
fn without_overheads_the_table_says_where_a_drum_stands() {
    let found = decided(&[kit(["tom-1"]).leaning("room", [("tom-1", -0.6)])], "");
    assert_eq!(pan(&found, "tom-1"), None);
    assert_eq!(place(&track("tom-1"), None, ""), -40.0);
}

#[test]
fn kick_and_snare_and_what_has_a_side_by_name_are_not_moved() {
    let leans = [("kick", 0.6), ("snare", 0.6), ("crash-r", 0.6)];
    let labels = ["kick-in", "snare-top", "crash-r"];
    let found = decided(&[kit(labels).leaning(OVERHEADS, leans)], "");
    for label in labels {
        assert_eq!(pan(&found, label), None, "{label}");
    }
    assert_eq!(place(&track("crash-r"), None, ""), 60.0);
}

#[test]
fn a_pan_of_the_session_file_wins() {
    let made = track("tom-1");
    let config = "[mix.mic.tom-1]\npan = 12\n";
    assert_eq!(place(&made, Some(-35.0), config), 12.0);
    assert_eq!(place(&made, Some(-35.0), ""), -35.0);
    assert_eq!(place(&track("tom-2"), Some(-35.0), config), -35.0);
}

#[test]
fn a_left_handed_kit_is_turned_where_the_overheads_do_not_tell() {
    let leans = [("tom-1", 0.1), ("tom-2", 0.6)];
    let made = kit(["tom-1", "tom-2"]).leaning(OVERHEADS, leans);
    let config = "[mix]\nleft-handed = true\n";
    let found = decided(&[made], config);
    assert_eq!(pan(&found, "tom-1"), Some(16.0));
    // what was heard is where it is
    assert_eq!(pan(&found, "tom-2"), Some(-35.0));
    assert_eq!(place(&track("tom-2"), Some(-35.0), config), -35.0);
    assert_eq!(place(&track("hat"), None, config), 45.0);
}
