//! Mics that are moved in time.

use crate::analysis::PairEvidence;
use crate::decide::fixture::{Found, adding_up, decided, later, take, track};
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

/// The bottom mic as its chain and the session file make it; both mics hear the same but for the share
/// `common`.
fn below(common: f64, chain: &str, config: &str) -> Found {
    let bottom = format!("stages = [{{ {chain} }}]");
    let top = track("snare-top").by("stages = [{ gain = { gain_db = 0 } }]");
    let tracks = [top, track("snare-bottom").by(&bottom)];
    let pairs = [adding_up("snare-top", "snare-bottom", common)];
    decided(&[take("take-01", tracks).with(pairs)], config)
}

#[test]
fn a_further_mic_of_a_drum_is_moved_to_where_both_add_up() {
    let align = "align = [\"snare-bottom\"]";
    let late = "delay = { samples = 30 }";
    assert_eq!(samples(&below(0.8, late, ""), "snare-bottom"), 0);
    let found = below(0.8, late, align);
    let why = found.at(0, "snare-bottom").delay_samples.why.clone();
    let Some(Reason::SumMoved(sum)) = why else {
        panic!("{why:?}");
    };
    // The band is looked at at 200 Hz: 30 of 240 samples are an eighth of a cycle; within .1 dB of the highest
    // sum 15 samples less are enough.
    let db =
        |samples: f64| 10.0 * (1.0 + 0.8 * (samples / 240.0 * std::f64::consts::TAU).cos()).log10();
    assert_eq!(sum.samples, samples(&found, "snare-bottom"));
    assert!((-30..=-18).contains(&sum.samples), "{}", sum.samples);
    assert!(db(30.0 + sum.samples as f64) >= db(0.0) - 0.1);
    assert!(db(31.0 + sum.samples as f64) < db(0.0) - 0.1);
    assert!((sum.as_is_db - db(30.0)).abs() <= 0.05 && (sum.moved_db - db(0.0)).abs() <= 0.15);
    let said: Vec<Finding> = found.said("snare-bottom", Code::Delay).concat();
    assert_eq!(said[0].kind, FindingKind::SumMoved(sum));

    // in the polarity that it is given, and never beyond a quarter of a cycle
    let found = below(-0.8, late, align);
    assert!(found.at(0, "snare-bottom").polarity_inverted.value);
    assert!((-30..=-18).contains(&samples(&found, "snare-bottom")));
    let found = below(0.8, "gain = { gain_db = 3 }", align);
    assert_eq!(samples(&found, "snare-bottom"), 0);
    let furthest = (48_000.0 / (150.0f64 * 400.0).sqrt() / 4.0) as i64;
    for late in (-240..240).step_by(20) {
        let found = below(0.8, &format!("delay = {{ samples = {late} }}"), align);
        assert!(samples(&found, "snare-bottom").abs() <= furthest, "{late}");
    }
}
