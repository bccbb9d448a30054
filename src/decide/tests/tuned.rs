//! EQ that follows what a drum is tuned to.

use crate::analysis::{BoxyPartial, SetupEvidence};
use crate::decide::fixture::{Found, MadeTake, decided, decided_by, pooled, take, track};
use crate::decide::stages::follow;
use crate::preset::{Followed, load};
use crate::reason::{self, Reason};
use crate::stage::Stage;

/// A peak of 180 Hz, where it follows nothing.
const EQ: &str =
    r#"stages = [{ peak = { freq_of = "fundamental", freq_hz = 180, gain_db = 3, q = 1.4 } }]"#;
const NEXT: &str =
    r#"stages = [{ peak = { freq_of = "next-partial", freq_hz = 330, gain_db = -5, q = 4 } }]"#;

/// Takes of a snare, each with so many strokes of one pitch.
fn takes(tuned: &[(f64, usize)]) -> Vec<MadeTake> {
    let one = |&(hz, strokes): &(f64, usize)| take("take", [track("snare-top").tuned(hz, strokes)]);
    tuned.iter().map(one).collect()
}

/// Where the peak of a preset stands in each take, and why.
fn peaks(found: &Found, label: &str, preset: &str) -> Vec<(f64, Reason)> {
    let preset = load(preset, "eq.toml").unwrap_or_else(|e| panic!("{e}"));
    found.each(label, |heard| {
        let stages = follow(&preset, &heard.tuned_setup, &heard.tuned_take);
        let Stage::Peak(peak) = &stages[0].value else {
            panic!("{stages:?}");
        };
        (peak.freq_hz, stages[0].why.clone().expect("a reason"))
    })
}

fn hz(peaks: &[(f64, Reason)]) -> Vec<f64> {
    peaks.iter().map(|peak| peak.0).collect()
}

fn why(peak: &(f64, Reason)) -> &reason::Tuned {
    let Reason::Tuned(why) = &peak.1 else {
        panic!("{peak:?}");
    };
    why
}

#[test]
fn a_tuned_eq_stands_at_the_median_of_the_set_up_in_every_take() {
    let found = decided(&takes(&[(198.0, 6), (200.0, 6), (203.0, 6)]), "");
    let peaks = peaks(&found, "snare-top", EQ);
    assert_eq!(hz(&peaks), [200.0; 3]);
    for peak in &peaks {
        assert_eq!((why(peak).hits, why(peak).setup_hz), (18, None));
    }
    // the median over the strokes of all takes: one take far off does not move it
    let found = decided(&takes(&[(200.0, 6), (200.0, 6), (210.0, 6)]), "");
    assert_eq!(hz(&self::peaks(&found, "snare-top", EQ))[..2], [200.0; 2]);
}

#[test]
fn a_take_is_followed_only_where_it_is_more_than_two_percent_off_and_that_is_said() {
    let off = |hz: f64| {
        let found = decided(&takes(&[(200.0, 6), (200.0, 6), (hz, 6)]), "");
        peaks(&found, "snare-top", EQ)
    };
    for near in [203.8, 196.2] {
        assert_eq!(hz(&off(near)), [200.0; 3], "{near}");
    }
    for far in [204.2, 195.8, 211.0] {
        let peaks = off(far);
        assert_eq!(hz(&peaks), [200.0, 200.0, far]);
        assert_eq!(
            (why(&peaks[2]).setup_hz, why(&peaks[2]).hits),
            (Some(200.0), 6)
        );
        assert_eq!(why(&peaks[0]).setup_hz, None);
    }
}

#[test]
fn a_take_too_far_off_to_be_the_same_head_is_not_followed_and_that_is_said() {
    let found = decided(&takes(&[(200.0, 6), (200.0, 6), (213.0, 6)]), "");
    let peaks = peaks(&found, "snare-top", EQ);
    assert_eq!(hz(&peaks), [200.0; 3]);
    assert_eq!(why(&peaks[2]).disbelieved_hz, Some(213.0));
}

#[test]
fn a_take_of_fewer_than_four_strokes_is_not_followed() {
    let last = |strokes| {
        let found = decided(&takes(&[(200.0, 6), (200.0, 6), (206.0, strokes)]), "");
        hz(&peaks(&found, "snare-top", EQ))[2]
    };
    assert_eq!([last(3), last(4)], [200.0, 206.0]);
}

fn changed(takes: &[MadeTake], change: impl Fn(&mut SetupEvidence)) -> Found {
    let mut setup = pooled(takes);
    change(&mut setup);
    decided_by(takes, &setup, "")
}

#[test]
fn a_pitch_that_is_not_sure_is_not_followed() {
    let takes = takes(&[(200.0, 6), (206.0, 6)]);
    let with = |confidence: f64| {
        let found = changed(&takes, |setup| {
            setup.tunings[0].tuning.fundamental_hz = 200.0;
            setup.tunings[0].tuning.confidence = confidence;
        });
        peaks(&found, "snare-top", EQ)
    };
    assert_eq!(hz(&with(0.5)), [200.0, 206.0]);
    let unsure = with(0.49);
    assert_eq!(hz(&unsure), [180.0; 2]);
    assert!(matches!(&unsure[0].1, Reason::Untuned { freq_hz, .. } if *freq_hz == 180.0));
    // one take alone
    let found = changed(&takes, |setup| {
        setup.tunings[0].tuning.fundamental_hz = 200.0;
        let take = setup.tunings[0].takes[1].as_mut();
        take.expect("a pitch").confidence = 0.49;
    });
    assert_eq!(hz(&peaks(&found, "snare-top", EQ)), [200.0; 2]);
}

#[test]
fn a_partial_that_six_strokes_of_ten_do_not_show_is_not_followed() {
    let takes = takes(&[(200.0, 6), (200.0, 6)]);
    let with = |share: f64| {
        let found = changed(&takes, |setup| {
            setup.tunings[0].tuning.next_partial_hz = Some(340.0);
            setup.tunings[0].tuning.next_share = share;
        });
        hz(&peaks(&found, "snare-top", NEXT))
    };
    assert_eq!(with(0.6), [340.0; 2]);
    assert_eq!(with(0.59), [330.0; 2]);
}

#[test]
fn a_boxy_partial_is_followed_alike_in_every_take_whether_the_pitch_is_clear_or_not() {
    const CUT: &str = r#"stages = [{ peak = { freq_of = "boxy-partial", freq_hz = 400, gain_db = -5, q = 1.2 } }]"#;
    let boxy = |label: &str| BoxyPartial {
        label: label.to_owned(),
        hz: 318.0,
        stands_db: 4.0,
        hits: 9,
    };
    let toms = |hz, strokes| {
        let toms = [track("tom-1").tuned(hz, strokes), track("tom-2")];
        take("take", toms)
    };
    // a take that is tuned lower has the same box
    let found = changed(&[toms(140.0, 6), toms(134.0, 6)], |setup| {
        setup.boxy.push(boxy("tom-1"));
    });
    let cuts = peaks(&found, "tom-1", CUT);
    assert_eq!(hz(&cuts), [318.0; 2]);
    for cut in &cuts {
        let why = why(cut);
        assert_eq!((why.followed, why.hits), (Followed::BoxyPartial, 9));
        assert_eq!((why.hz, why.setup_hz), (318.0, None));
    }
    let fixed = Reason::Untuned {
        followed: Followed::BoxyPartial,
        freq_hz: 400.0,
    };
    assert_eq!(peaks(&found, "tom-2", CUT), vec![(400.0, fixed.clone()); 2]);
    let unpitched = changed(&[toms(140.0, 1)], |setup| setup.boxy.push(boxy("tom-1")));
    assert_eq!(hz(&peaks(&unpitched, "tom-1", CUT)), [318.0]);
    // nor does what the drum is meant to be tuned to say where its shell is
    let meant = "[kit.tom-1]\ntuning_hz = 140\n";
    let found = decided(&[toms(140.0, 1)], meant);
    assert_eq!(peaks(&found, "tom-1", CUT), [(400.0, fixed)]);
}

#[test]
fn a_further_mic_of_a_drum_follows_what_the_main_mic_tells() {
    let both = |hz| {
        let top = track("snare-top").tuned(hz, 6);
        take("take", [top, track("snare-bottom"), track("tom-1")])
    };
    let found = decided(&[both(200.0), both(200.0)], "");
    assert_eq!(hz(&peaks(&found, "snare-bottom", EQ)), [200.0; 2]);
    // another drum does not
    assert_eq!(hz(&peaks(&found, "tom-1", EQ)), [180.0; 2]);
}

#[test]
fn where_no_pitch_is_clear_the_session_file_says_what_the_drum_is_tuned_to() {
    let kit = "[kit.snare-top]\ntuning_hz = 190\n";
    let unclear = [take("take", [track("snare-top"), track("snare-bottom")])];
    let found = decided(&unclear, kit);
    let intended = Reason::Intended {
        hz: 190.0,
        times: 1.0,
        limit_hz: None,
    };
    for label in ["snare-top", "snare-bottom"] {
        assert_eq!(
            peaks(&found, label, EQ),
            [(190.0, intended.clone())],
            "{label}"
        );
    }
    let next = &peaks(&found, "snare-top", NEXT)[0];
    assert!(matches!(next.1, Reason::Untuned { .. }), "{next:?}");
    let clear = decided(&takes(&[(200.0, 6), (200.0, 6)]), kit);
    assert_eq!(hz(&peaks(&clear, "snare-top", EQ)), [200.0; 2]);
}
