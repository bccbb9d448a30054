//! Which mics are inverted, and what is only said.

use crate::analysis::{PairEvidence, PairKind, Polarity};
use crate::decide::fixture::{Found, MadeTake, MadeTrack, adding_up, decided, pair, take, track};
use crate::finding::{Code, Finding, FindingKind, Severity};
use crate::reason::Reason;

/// Main mics and what stands beside them at the same drum.
const DRUMS: [(&str, &str); 5] = [
    ("kick-in", "kick-out"),
    ("kick-in", "kick-sub"),
    ("snare-top", "snare-bottom"),
    ("snare-top", "snare-side"),
    ("tom-1", "tom-1-2"),
];

fn inverted(found: &Found, label: &str) -> Vec<bool> {
    found.each(label, |heard| heard.polarity_inverted.value)
}

/// What is decided of the second of two mics of a drum.
fn second((first, second): (&str, &str), pairs: Vec<PairEvidence>, config: &str) -> Found {
    let made = take("take-01", [track(first), track(second)]);
    decided(&[made.with(pairs)], config)
}

fn summed(said: &[Finding]) -> Vec<bool> {
    let corrected = |found: &Finding| match &found.kind {
        FindingKind::SumOpposed { corrected, .. } => *corrected,
        other => panic!("{other:?}"),
    };
    said.iter().map(corrected).collect()
}

#[test]
fn a_further_mic_is_inverted_where_the_sum_gains_by_it_and_not_where_it_loses() {
    for drum in DRUMS {
        let with = |common| second(drum, vec![adding_up(drum.0, drum.1, common)], "");
        let found = with(-0.8);
        assert_eq!(inverted(&found, drum.1), [true], "{drum:?}");
        assert_eq!(inverted(&found, drum.0), [false], "{drum:?}");
        let said = &found.said(drum.1, Code::Polarity)[0];
        assert_eq!(summed(said), [true]);
        assert_eq!(said[0].severity, Severity::Note);
        let why = &found.at(0, drum.1).polarity_inverted.why;
        let Some(Reason::SumOpposed(sum)) = why else {
            panic!("{why:?}");
        };
        // 10·lg(1 − 0.8) and 10·lg(1 + 0.8)
        assert_eq!((sum.as_is_db, sum.inverted_db), (-7.0, 2.6), "{drum:?}");
        assert_eq!((sum.with.as_str(), sum.hits), (drum.0, 8));
        let found = with(0.8);
        assert_eq!(inverted(&found, drum.1), [false], "{drum:?}");
        assert_eq!(found.said(drum.1, Code::Polarity), [[]]);
    }
}

#[test]
fn a_sum_that_hardly_gains_is_left_alone() {
    let drum = ("kick-in", "kick-out");
    let with = |common| second(drum, vec![adding_up(drum.0, drum.1, common)], "");
    // 0.9 and 1.1 dB
    assert_eq!(inverted(&with(-0.1), drum.1), [false]);
    assert_eq!(inverted(&with(-0.13), drum.1), [true]);
}

#[test]
fn the_sum_is_looked_at_behind_both_chains() {
    // a high-pass of the fourth order turns its own frequency by half a cycle
    let turned = |hz: u32| format!("stages = [{{ high-pass = {{ freq_hz = {hz}, order = 4 }} }}]");
    let flat = "stages = [{ gain = { gain_db = 0 } }]";
    let with = |common, top: &str, bottom: &str| {
        let tracks = [track("snare-top").by(top), track("snare-bottom").by(bottom)];
        let made = take("take-01", tracks);
        let pairs = [adding_up("snare-top", "snare-bottom", common)];
        inverted(&decided(&[made.with(pairs)], ""), "snare-bottom")
    };
    assert_eq!(with(0.8, flat, &turned(200)), [true]);
    assert_eq!(with(-0.8, flat, &turned(200)), [false]);
    assert_eq!(with(0.8, &turned(200), &turned(200)), [false]);
    assert_eq!(with(-0.8, &turned(200), &turned(200)), [true]);
    let inverting = "stages = [{ polarity = { inverted = true } }]";
    assert_eq!(with(-0.8, flat, inverting), [false]);
}

/// Takes of a kick whose outer mic has so much in common with the inner one.
fn kicks(common: &[f64]) -> Vec<MadeTake> {
    let one = |common: &f64| {
        let made = take("take", [track("kick-in"), track("kick-out")]);
        made.with([adding_up("kick-in", "kick-out", *common)])
    };
    common.iter().map(one).collect()
}

#[test]
fn one_verdict_holds_for_all_takes_and_the_one_that_differs_is_named() {
    let found = decided(&kicks(&[-0.8, -0.8, -0.8, 0.8, -0.8, -0.8]), "");
    assert_eq!(inverted(&found, "kick-out"), [true; 6]);
    let changed = |found: &Finding| matches!(found.kind, FindingKind::PolarityChanged { .. });
    let said = found.said("kick-out", Code::Polarity);
    let said: Vec<bool> = said.iter().map(|s| s.iter().any(changed)).collect();
    assert_eq!(said, [false, false, false, true, false, false]);
    // most takes add up
    let found = decided(&kicks(&[0.8, 0.8, -0.8, 0.8]), "");
    assert_eq!(inverted(&found, "kick-out"), [false; 4]);
}

#[test]
fn an_undecided_polarity_is_left_alone() {
    // takes that contradict each other
    let found = decided(&kicks(&[-0.8, 0.8]), "");
    assert_eq!(inverted(&found, "kick-out"), [false; 2]);
    // two strokes, which are no evidence
    let two = PairEvidence {
        hits: 2,
        ..adding_up("kick-in", "kick-out", -0.8)
    };
    let found = second(("kick-in", "kick-out"), vec![two], "");
    assert_eq!(inverted(&found, "kick-out"), [false]);
    assert_eq!(found.said("kick-out", Code::Polarity), [[]]);
    // a tom whose verdict is not sure, though the session file lists it
    let unsure = |confidence| {
        let tom = PairEvidence {
            polarity_confidence: confidence,
            ..pair(
                PairKind::CloseOverhead,
                "tom-1",
                "overhead-l",
                Polarity::Inverted,
            )
        };
        inverted(&toms([tom], "polarity = [\"tom-1\"]"), "tom-1")
    };
    assert_eq!((unsure(0.59), unsure(0.6)), (vec![false], vec![true]));
}

/// A tom before overheads that the snare agrees with.
fn toms(pairs: impl IntoIterator<Item = PairEvidence>, config: &str) -> Found {
    let tracks = ["snare-top", "tom-1", "tom-2", "overhead"].map(track);
    let snare = against_overheads("snare-top", Polarity::Same);
    decided(&[take("take-01", tracks).with([snare]).with(pairs)], config)
}

fn against_overheads(label: &str, polarity: Polarity) -> PairEvidence {
    pair(PairKind::CloseOverhead, label, "overhead-l", polarity)
}

/// Whether it is said that a mic is opposed, and was corrected.
fn opposed(found: &Found, label: &str) -> Vec<bool> {
    let corrected = |found: Finding| match found.kind {
        FindingKind::PolarityOpposed { corrected, .. } => {
            assert_eq!(found.severity, Severity::Warning);
            corrected
        }
        other => panic!("{other:?}"),
    };
    let said = found.said(label, Code::Polarity).into_iter().flatten();
    said.map(corrected).collect()
}

#[test]
fn a_tom_that_opposes_the_overheads_is_said_and_corrected_only_where_it_is_listed() {
    let tom = || [against_overheads("tom-1", Polarity::Inverted)];
    for config in ["", "polarity = []", "polarity = [\"tom-2\"]"] {
        let found = toms(tom(), config);
        assert_eq!(inverted(&found, "tom-1"), [false], "{config}");
        assert_eq!(opposed(&found, "tom-1"), [false], "{config}");
    }
    let found = toms(tom(), "polarity = [\"tom-1\", \"tom-2\", \"snare-top\"]");
    assert_eq!(inverted(&found, "tom-1"), [true]);
    assert_eq!(opposed(&found, "tom-1"), [true]);
    let why = &found.at(0, "tom-1").polarity_inverted.why;
    assert!(
        matches!(why, Some(Reason::PolarityOpposed { hits: 8, .. })),
        "{why:?}"
    );
    // to be listed is not enough
    for label in ["tom-2", "snare-top", "overhead"] {
        assert_eq!(inverted(&found, label), [false], "{label}");
        assert!(opposed(&found, label).is_empty(), "{label}");
    }
}

#[test]
fn overheads_that_oppose_all_close_mics_are_said_and_corrected_only_where_they_are_listed() {
    let with = |config: &str| {
        let tracks = ["snare-top", "tom-1", "overhead-l", "overhead-r"].map(track);
        let pairs = ["snare-top", "tom-1"].map(|l| against_overheads(l, Polarity::Inverted));
        decided(&[take("take-01", tracks).with(pairs)], config)
    };
    for label in ["overhead-l", "overhead-r"] {
        let found = with("");
        assert_eq!(inverted(&found, label), [false]);
        assert_eq!(opposed(&found, label), [false]);
        let found = with("polarity = [\"overhead\"]");
        assert_eq!(inverted(&found, label), [true]);
        assert_eq!(opposed(&found, label), [true]);
    }
    assert_eq!(
        inverted(&with("polarity = [\"overhead\"]"), "tom-1"),
        [false]
    );
}

#[test]
fn sides_that_oppose_each_other_are_said_and_corrected_where_they_are_listed_and_apart() {
    let sides = || {
        [pair(
            PairKind::Sides,
            "overhead-l",
            "overhead-r",
            Polarity::Inverted,
        )]
    };
    let stereo = |config| {
        decided(
            &[take("take-01", [track("overhead")]).with(sides())],
            config,
        )
    };
    let split = |config| {
        let tracks = [track("overhead-l"), track("overhead-r")];
        decided(&[take("take-01", tracks).with(sides())], config)
    };
    let listed = "polarity = [\"overhead\"]";
    for (found, label, corrected) in [
        (stereo(""), "overhead", false),
        (stereo(listed), "overhead", false),
        (split(""), "overhead-r", false),
        (split(listed), "overhead-r", true),
    ] {
        assert_eq!(inverted(&found, label), [corrected], "{label}");
        assert_eq!(opposed(&found, label), [corrected], "{label}");
    }
    assert_eq!(inverted(&split(listed), "overhead-l"), [false]);
}

#[test]
fn an_empty_list_corrects_nothing_and_everything_is_still_said() {
    for drum in DRUMS {
        let pairs = || vec![adding_up(drum.0, drum.1, -0.8)];
        let found = second(drum, pairs(), "polarity = []");
        assert_eq!(inverted(&found, drum.1), [false], "{drum:?}");
        assert_eq!(summed(&found.said(drum.1, Code::Polarity)[0]), [false]);
        // nor does a list of other mics
        let found = second(drum, pairs(), "polarity = [\"hat\"]");
        assert_eq!(inverted(&found, drum.1), [false], "{drum:?}");
    }
    let found = second(
        ("kick-in", "kick-out"),
        vec![adding_up("kick-in", "kick-out", -0.8)],
        "polarity = [\"kick-out\"]",
    );
    assert_eq!(inverted(&found, "kick-out"), [true]);
}

/// A snare whose top mic opposes the overheads, and a bottom mic that has so much in common with it.
fn snares(common: f64, config: &str, by: fn(MadeTrack) -> MadeTrack) -> Found {
    let tracks = ["snare-top", "snare-bottom", "tom-1", "overhead"].map(|label| by(track(label)));
    let pairs = [
        adding_up("snare-top", "snare-bottom", common),
        against_overheads("snare-top", Polarity::Inverted),
        against_overheads("tom-1", Polarity::Same),
    ];
    decided(&[take("take-01", tracks).with(pairs)], config)
}

#[test]
fn a_further_mic_meets_its_main_mic_as_that_becomes() {
    let flat = |made: MadeTrack| made.by("stages = [{ gain = { gain_db = 0 } }]");
    let both = "polarity = [\"snare-top\", \"snare-bottom\"]";
    for (common, config, top, bottom) in [
        // only the bottom mic is corrected
        (-0.8, "", false, true),
        (0.8, "", false, false),
        // both may be: what cancelled adds up once the top mic is inverted
        (-0.8, both, true, false),
        (0.8, both, true, true),
    ] {
        let found = snares(common, config, flat);
        assert_eq!(inverted(&found, "snare-top"), [top], "{common} {config}");
        assert_eq!(
            inverted(&found, "snare-bottom"),
            [bottom],
            "{common} {config}"
        );
    }
    // what follows from the list is said where the bottom mic is not on it
    let found = snares(0.8, "polarity = [\"snare-top\"]", flat);
    assert_eq!(inverted(&found, "snare-bottom"), [false]);
    assert_eq!(
        summed(&found.said("snare-bottom", Code::Polarity)[0]),
        [false]
    );
    // a preset without stages keeps the top mic as recorded
    let as_recorded = |made: MadeTrack| made.by("stages = []");
    let found = snares(-0.8, both, as_recorded);
    assert_eq!(inverted(&found, "snare-bottom"), [true]);
}
