//! When a gate opens, how fast it closes, and how far.

use crate::analysis::Played;
use crate::decide::fixture::{MadeTake, MadeTrack, RATE_HZ, decided, take, track};
use crate::decide::heard::{Heard, Ring};
use crate::reason::Reason;
use crate::stage::gate::Gate;
use crate::worksheet::Decided;

/// As a tom's preset has it.
fn preset() -> Gate {
    Gate {
        range_db: -24.0,
        close_db_per_s: None,
        openings: None,
    }
}

fn gate(heard: &Heard, made: &MadeTrack) -> (Gate, Reason) {
    heard.gate(&preset(), &made.track)
}

/// The gate of the first track of the last take.
fn gate_of(takes: &[MadeTake]) -> (Gate, Reason) {
    let made = &takes[takes.len() - 1].tracks[0];
    let found = decided(takes, "");
    gate(found.at(takes.len() - 1, &made.track.label), made)
}

/// How far it opens at each hit.
fn openings(gate: &Gate) -> Vec<f64> {
    let openings = gate.openings.as_ref().expect("decided");
    openings.iter().map(|opening| opening.by).collect()
}

#[test]
fn a_gate_opens_fully_at_sure_hits_half_at_unsure_ones_and_not_below() {
    let tom = track("tom-1")
        .likely(16, -12.0, 0.5)
        .likely(1, -20.0, 0.49)
        .likely(1, -15.0, 0.2)
        .likely(1, -15.0, 0.19);
    let (gate, why) = gate_of(&[take("take-01", [tom])]);
    let mut want = vec![1.0; 16];
    want.extend([0.5; 2]);
    assert_eq!(openings(&gate), want);
    let at: Vec<u64> = (gate.openings.iter().flatten()).map(|o| o.at).collect();
    let half_a_second = u64::from(RATE_HZ) / 2;
    assert_eq!(at[..3], [1, 2, 3].map(|n| n * half_a_second));
    assert!(
        matches!(
            why,
            Reason::Gated {
                sure: 16,
                unsure: 2,
                ..
            }
        ),
        "{why:?}"
    );
}

#[test]
fn a_gate_closes_along_the_drums_own_ring() {
    // the ring of every stroke is 0.3 s for 60 dB
    let tom = track("tom-1").hits(8, -12.0).tuned(120.0, 6);
    let (gate, why) = gate_of(&[take("take-01", [tom])]);
    assert_eq!(gate.close_db_per_s, Some(200.0));
    let own = matches!(why, Reason::Gated { ring_s: Some(s), of_others: false, .. } if s == 0.3);
    assert!(own, "{why:?}");
}

/// A tom without a pitch beside drums with one.
fn beside<const N: usize>(others: [MadeTrack; N]) -> Vec<MadeTake> {
    let mut made = take("take-01", [track("tom-1").hits(8, -12.0)]);
    made.tracks.extend(others);
    vec![made]
}

/// A drum that is tuned so, and whose strokes ring so long.
fn rings(label: &str, hz: f64, ring_s: Option<f64>) -> MadeTrack {
    let mut made = track(label).tuned(hz, 6);
    let hits = made.shows.tuning_hits.iter_mut();
    hits.for_each(|hit| hit.ring_s = ring_s);
    made
}

#[test]
fn where_a_ring_is_not_known_it_is_the_middle_one_of_the_other_toms() {
    let others = [
        rings("tom-2", 140.0, Some(0.4)),
        rings("tom-3", 100.0, Some(0.6)),
        rings("tom-4", 80.0, Some(1.2)),
        rings("snare-top", 200.0, Some(0.1)),
    ];
    let (gate, why) = gate_of(&beside(others));
    assert_eq!(gate.close_db_per_s, Some(100.0));
    let ring = matches!(why, Reason::Gated { ring_s: Some(s), of_others: true, .. } if s == 0.6);
    assert!(ring, "{why:?}");
}

#[test]
fn a_drum_that_is_not_seen_to_fade_rings_longest() {
    let toms = [
        rings("tom-1", 120.0, None).hits(8, -12.0),
        rings("tom-2", 90.0, Some(0.4)),
    ];
    let takes = [take("take-01", toms)];
    let (gate, why) = gate_of(&takes);
    assert_eq!(gate.close_db_per_s, Some(10.0));
    // and no figure is given for what was not measured
    assert!(matches!(why, Reason::Gated { ring_s: None, .. }), "{why:?}");
    let tuning = decided(&takes, "").at(0, "tom-1").tuning.clone();
    assert_eq!(tuning.map(|t| t.ring_s), Some(None));
}

#[test]
fn without_any_ring_a_gate_closes_slowly() {
    let (gate, why) = gate_of(&beside([track("snare-top").tuned(200.0, 6)]));
    assert_eq!(gate.close_db_per_s, Some(40.0));
    assert!(matches!(why, Reason::Gated { ring_s: None, .. }), "{why:?}");
}

#[test]
fn a_speed_that_the_preset_gives_is_kept() {
    let made = track("tom-1").hits(8, -12.0).tuned(120.0, 6);
    let found = decided(&[take("take-01", [made.clone()])], "");
    let asked = Gate {
        close_db_per_s: Some(77.0),
        ..preset()
    };
    let (gate, why) = found.at(0, "tom-1").gate(&asked, &made.track);
    assert_eq!(gate.close_db_per_s, Some(77.0));
    assert!(matches!(why, Reason::Gated { ring_s: None, .. }), "{why:?}");
}

#[test]
fn all_takes_of_a_set_up_have_one_ring() {
    let one = |hz, strokes| take("take", [track("tom-1").hits(8, -12.0).tuned(hz, strokes)]);
    let found = decided(&[one(120.0, 8), one(120.0, 0)], "");
    let ring = Ring {
        t60_s: Some(0.3),
        of_others: false,
    };
    assert_eq!(found.each("tom-1", |heard| heard.ring), [Some(ring); 2]);
}

#[test]
fn a_tom_that_a_take_never_plays_is_closed_all_through() {
    let played = take("take-01", [track("tom-1").hits(8, -12.0)]);
    let (gate, why) = gate_of(&[played.clone(), take("take-02", [track("tom-1").rests()])]);
    assert_eq!(gate.openings, Some(Vec::new()));
    assert_eq!(gate.range_db, -24.0);
    assert!(matches!(why, Reason::Gated { rests: true, .. }), "{why:?}");
    // what seems to be a hit all the same opens it half, and does not make it close less far; what may be
    // one does not
    let bleed = track("tom-1").hits(1, -30.0).likely(2, -30.0, 0.3).rests();
    let (gate, _) = gate_of(&[played, take("take-02", [bleed])]);
    assert_eq!(openings(&gate), [0.5; 1]);
    assert_eq!(gate.range_db, -24.0);
}

#[test]
fn a_gate_without_hits_to_open_at_stays_open() {
    let unplayed = [take("take-01", [track("tom-1")])];
    let mut alone = track("tom-1").hits(8, -12.0);
    // onsets that may all be bleed
    alone.shows.attributed = false;
    for takes in [unplayed, [take("take-01", [alone])]] {
        assert_eq!(gate_of(&takes), (preset(), Reason::NoHitsToGate));
    }
}

#[test]
fn a_tom_of_which_nothing_was_heard_opens_half_at_its_loudest_moments() {
    let played = take("take-01", [track("tom-1").hits(8, -12.0)]);
    let unsure = Played::NotSure("bleed is as loud as its soft hits".into());
    let unheard = track("tom-1").loud_bleed(2, -20.0).played(unsure);
    let (gate, why) = gate_of(&[played.clone(), take("take-02", [unheard.clone()])]);
    assert_eq!(openings(&gate), [0.5; 2]);
    assert_eq!(gate.range_db, -24.0);
    let none = matches!(
        why,
        Reason::Gated {
            sure: 0,
            unsure: 2,
            rests: false,
            ..
        }
    );
    assert!(none, "{why:?}");
    // where it surely rests, at none
    let (gate, _) = gate_of(&[played, take("take-02", [unheard.rests()])]);
    assert_eq!(openings(&gate), [0.0; 0]);
}

#[test]
fn a_gate_opens_at_strokes_before_and_after_the_take() {
    let mut tom = track("tom-1").hits(3, -12.0);
    tom.shows.outside.extend(tom.shows.hits.pop());
    assert_eq!(openings(&gate_of(&[take("take-01", [tom])]).0), [1.0; 3]);
}

#[test]
fn what_is_as_loud_as_the_drums_own_strokes_opens_a_gate() {
    let tom = |unsure, bleed| {
        let hits = track("tom-1").hits(6, -12.0).likely(2, unsure, 0.3);
        gate_of(&[take("take-01", [hits.loud_bleed(2, bleed)])]).0
    };
    let by = |unsure, bleed| openings(&tom(unsure, bleed))[6..].to_vec();
    assert_eq!(by(-12.9, -13.4), [1.0, 1.0, 0.5, 0.5]);
    assert_eq!(by(-13.1, -13.6), [0.5, 0.5]);
}

#[test]
fn what_is_improbable_and_faint_beside_the_strokes_opens_no_gate() {
    let opens = |label: &str, level, probability| {
        let made = track(label).hits(6, -12.0).likely(1, level, probability);
        openings(&gate_of(&[take("take-01", [made])]).0).len() == 7
    };
    assert!(!opens("tom-1", -16.1, 0.39));
    assert!(opens("tom-1", -15.9, 0.39) && opens("tom-1", -20.0, 0.4));
    assert!(opens("snare-top", -30.0, 0.2));
    // beside those of its own take, where these are softer than elsewhere
    let loud = take("take-01", [track("tom-1").hits(24, -12.0)]);
    let soft = track("tom-1").hits(6, -24.0).likely(1, -27.9, 0.2);
    assert_eq!(
        openings(&gate_of(&[loud, take("take-02", [soft])]).0).len(),
        7
    );
}

#[test]
fn how_loud_something_is_counts_beside_all_takes_and_where_it_is_rare() {
    let soft = track("tom-1").hits(6, -24.0);
    let bleed = |count| take("take-02", [soft.clone().loud_bleed(count, -24.0)]);
    let opens = |takes: &[MadeTake]| openings(&gate_of(takes).0).len();
    assert_eq!(opens(&[bleed(6)]), 12);
    assert_eq!(opens(&[bleed(7)]), 6);
    let loud = |label: &str| take("take-01", [track(label).hits(24, -12.0)]);
    assert_eq!(opens(&[loud("tom-2"), bleed(6)]), 12);
    assert_eq!(opens(&[loud("tom-1"), bleed(6)]), 6);
    // what a snare or a hat hears of others may well be louder than itself
    let snare = track("snare-top").hits(6, -24.0).loud_bleed(2, -12.0);
    assert_eq!(opens(&[take("take-01", [snare])]), 6);
}

#[test]
fn a_gate_opens_where_the_hits_are_once_the_mic_is_moved() {
    let made = track("tom-1").hits(2, -12.0);
    let found = decided(&[take("take-01", [made.clone()])], "");
    let moved = Heard {
        delay_samples: Decided::plain(-100),
        ..found.at(0, "tom-1").clone()
    };
    let (gate, _) = gate(&moved, &made);
    let at: Vec<u64> = (gate.openings.iter().flatten()).map(|o| o.at).collect();
    assert_eq!(at, [23_900, 47_900]);
}
