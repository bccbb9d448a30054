//! Mics that are moved in time.

use crate::analysis::PairEvidence;
use crate::decide::fixture::{Found, decided, later, take, track};
use crate::finding::{Code, Finding, FindingKind};
use crate::reason::Reason;

fn moved<const N: usize>(
    labels: [&str; N],
    pairs: impl IntoIterator<Item = PairEvidence>,
    config: &str,
) -> Found {
    decided(&[take("take-01", labels.map(track)).with(pairs)], config)
}

fn samples(found: &Found, label: &str) -> i64 {
    found.at(0, label).delay_samples.value
}

const ALIGN: &str = "align = [\"overhead\"]";

fn late() -> [PairEvidence; 2] {
    [
        later("snare-top", "overhead-l", 150.2, 0.9),
        later("snare-top", "overhead-r", 120.4, 0.9),
    ]
}

#[test]
fn only_mics_that_the_session_file_aligns_are_moved() {
    for config in ["", "align = []", "align = [\"room\"]"] {
        let found = moved(["snare-top", "overhead"], late(), config);
        assert_eq!(samples(&found, "overhead"), 0, "{config}");
        assert_eq!(found.said("overhead", Code::Delay), [[]], "{config}");
    }
    let found = moved(["snare-top", "overhead"], late(), ALIGN);
    assert_eq!(samples(&found, "overhead"), -120);
    assert_eq!(samples(&found, "snare-top"), 0);
}

#[test]
fn both_sides_of_a_pair_are_moved_together_by_the_one_that_hears_it_first() {
    let found = moved(["snare-top", "overhead-l", "overhead-r"], late(), ALIGN);
    let sides = ["overhead-l", "overhead-r"].map(|label| samples(&found, label));
    assert_eq!(sides, [-120; 2]);
    let whole = found
        .at(0, "overhead-l")
        .with_right(found.at(0, "overhead-r"), 0);
    assert_eq!(whole.delay_samples.value, -120);
    // one side alone is known
    let [left, _] = late();
    let found = moved(["snare-top", "overhead-l", "overhead-r"], [left], ALIGN);
    let sides = ["overhead-l", "overhead-r"].map(|label| samples(&found, label));
    assert_eq!(sides, [-150; 2]);
}

#[test]
fn both_sides_are_compared_with_one_mic() {
    // the tom is nearer to one side: that is its place, not the arrival of the snare
    let mut pairs: Vec<PairEvidence> = late().into();
    pairs.push(later("tom-1", "overhead-r", 60.0, 0.9));
    let found = moved(["snare-top", "tom-1", "overhead"], pairs, ALIGN);
    assert_eq!(samples(&found, "overhead"), -120);
}

#[test]
fn all_takes_are_moved_alike_by_the_median() {
    let one = |samples| {
        let pairs = [later("snare-top", "overhead-l", samples, 0.9)];
        take("take", [track("snare-top"), track("overhead")]).with(pairs)
    };
    let found = decided(&[one(118.0), one(120.0), one(190.0)], ALIGN);
    assert_eq!(found.each("overhead", |h| h.delay_samples.value), [-120; 3]);
}

#[test]
fn how_far_a_mic_was_moved_is_said() {
    let found = moved(["snare-top", "overhead"], late(), ALIGN);
    let why = found.at(0, "overhead").delay_samples.why.clone();
    // 120.4 samples at 48 kHz; at 343.2 m/s
    let want = Reason::LaterThan {
        against: "snare-top".to_owned(),
        samples: 120.4,
        ms: 2.51,
        distance_m: 0.86,
    };
    assert_eq!(why, Some(want));
    let want = FindingKind::Delay {
        against: "snare-top".to_owned(),
        ms: 2.51,
        distance_m: 0.86,
    };
    let said: Vec<Finding> = found.said("overhead", Code::Delay).concat();
    assert_eq!(said.len(), 1);
    assert_eq!(said[0].kind, want);
}

#[test]
fn a_delay_that_is_not_sure_moves_nothing_and_that_is_said() {
    let with = |confidence| {
        let pairs = [later("snare-top", "overhead-l", 120.4, confidence)];
        moved(["snare-top", "overhead"], pairs, ALIGN)
    };
    assert_eq!(samples(&with(0.6), "overhead"), -120);
    let found = with(0.59);
    assert_eq!(samples(&found, "overhead"), 0);
    let said: Vec<Finding> = found.said("overhead", Code::Delay).concat();
    assert_eq!(said.len(), 1);
    assert_eq!(said[0].kind, FindingKind::DelayUndecided);
    let why = &found.at(0, "overhead").delay_samples.why;
    assert_eq!(*why, Some(Reason::DelayUndecided));
}
