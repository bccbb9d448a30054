//! A take that ran at another rate than its header says.

use crate::analysis::Drift;
use crate::decide::fixture::{
    Found, MadeTake, MadeTrack, decided, decided_by, pooled, take, track,
};
use crate::finding::{Code, Finding, FindingKind, Severity};
use crate::measure::inspect::Hum;

/// Pitches of a snare and two toms as they are, and as they sound where 48 kHz are taken for 44.1.
const TRUE_HZ: [f64; 3] = [200.0, 140.0, 90.0];
const SLOW: f64 = 44.1 / 48.0;

/// A take in which drums sound at a share of their pitch.
fn kit(shares: [f64; 3]) -> MadeTake {
    let mut drums = ["snare-top", "tom-1", "tom-2"]
        .into_iter()
        .zip(TRUE_HZ)
        .zip(shares)
        .map(|((label, hz), share)| track(label).hits(6, -12.0).tuned(hz * share, 6));
    let mut next = || drums.next().expect("three");
    let mut made = take(
        "take",
        [next(), next(), next(), track("overhead"), track("click")],
    );
    for made in &mut made.tracks {
        made.track.sources[0].info.rate_hz = 44_100;
    }
    made
}

/// What is said of a rate, with its severity.
fn said(found: &Found, take: usize, label: &str) -> Option<(FindingKind, Severity)> {
    let said: Vec<Finding> = found.said(label, Code::RateMismatch).swap_remove(take);
    said.into_iter().next().map(|f| (f.kind, f.severity))
}

fn wrong(drums: usize, hums: usize, sure: bool) -> Option<(FindingKind, Severity)> {
    let kind = FindingKind::WrongRate {
        header_hz: 44_100,
        true_hz: 48_000.0,
        // 12·lb(48 / 44.1)
        semitones: 1.47,
        drums,
        hums,
        sure,
    };
    let severity = match sure {
        true => Severity::Problem,
        false => Severity::Warning,
    };
    Some((kind, severity))
}

#[test]
fn where_every_drum_of_a_take_is_off_by_the_ratio_of_two_rates_its_header_is_wrong() {
    let found = decided(&[kit([1.0; 3]), kit([SLOW; 3]), kit([1.0; 3])], "");
    for label in ["snare-top", "tom-1", "tom-2", "overhead"] {
        assert_eq!(said(&found, 1, label), wrong(3, 0, true), "{label}");
        assert_eq!(said(&found, 0, label), None, "{label}");
        assert_eq!(said(&found, 2, label), None, "{label}");
    }
    assert_eq!(said(&found, 1, "click"), None);
}

#[test]
fn beside_one_other_take_it_may_be_that_one() {
    let found = decided(&[kit([1.0; 3]), kit([SLOW; 3])], "");
    assert_eq!(said(&found, 1, "tom-1"), wrong(3, 0, false));
}

#[test]
fn one_drum_that_is_not_off_contradicts_and_one_alone_proves_nothing() {
    let usual = || kit([1.0; 3]);
    let found = decided(&[usual(), kit([SLOW, SLOW, 1.0]), usual()], "");
    assert_eq!(said(&found, 1, "tom-1"), None);
    // off by something else
    let found = decided(&[usual(), kit([0.96; 3]), usual()], "");
    assert_eq!(said(&found, 1, "tom-1"), None);
    let mut alone = [usual(), kit([SLOW; 3]), usual()];
    for take in &mut alone {
        take.tracks.drain(1..3);
    }
    assert_eq!(said(&decided(&alone, ""), 1, "snare-top"), None);
}

#[test]
fn mains_at_a_frequency_that_no_mains_has_say_so_too() {
    let humming = |mut made: MadeTake, tracks: usize| {
        for made in &mut made.tracks[3..][..tracks] {
            made.inspection.hum = Some(Hum {
                frequency_hz: 50.0 * SLOW,
                level_dbfs: -50.0,
                lines: 4,
                in_a_gap: true,
                wrong_rate: Some((50.0, 48.0 / 44.1)),
            });
        }
        made
    };
    let without_drums = |mut made: MadeTake| {
        let bare = |made: &mut MadeTrack| made.shows.tuning = None;
        made.tracks.iter_mut().for_each(bare);
        made
    };
    let one = |hums| decided(&[humming(without_drums(kit([1.0; 3])), hums)], "");
    assert_eq!(said(&one(2), 0, "overhead"), wrong(0, 2, true));
    assert_eq!(said(&one(1), 0, "overhead"), None);
    // with the drums, beside one other take
    let found = decided(&[kit([1.0; 3]), humming(kit([SLOW; 3]), 1)], "");
    assert_eq!(said(&found, 1, "tom-1"), wrong(3, 1, true));
}

#[test]
fn a_take_at_another_rate_is_not_said_to_be_detuned() {
    let detuned = |shares| {
        let takes = [kit([1.0; 3]), kit([1.0; 3]), kit(shares)];
        let mut setup = pooled(&takes);
        for tuning in &mut setup.tunings {
            tuning.drift = (tuning.label == "snare-top").then_some(Drift {
                first_take: 2,
                from_hz: 200.0,
                to_hz: 183.8,
                confidence: 0.9,
            });
        }
        let found = decided_by(&takes, &setup, "");
        found.said("snare-top", Code::Detuned)[2].len()
    };
    assert_eq!(detuned([SLOW; 3]), 0);
    assert_eq!(detuned([SLOW, 1.0, 1.0]), 1);
}
