//! One example of every sentence, kept in `tests/golden/wording.txt`.

use std::collections::BTreeSet;

use serde::de::DeserializeOwned;
use serde_json::json;

use super::*;
use crate::audio::Truncation;
use crate::finding::{Difference, Finding, FindingKind, Gap, Part, Severity};
use crate::reason::{MovedFigures, Reason, SumFigures};
use crate::remark::Remark;
use reasons::reasons;
use remarks::remarks;
use sentences::{SOURCES, sentences};

mod reasons;
mod remarks;
mod sentences;

fn warning(kind: FindingKind) -> Finding {
    Finding::new(kind, Severity::Warning, 0.91)
}

fn sum() -> SumFigures {
    SumFigures {
        with: "snare-top".to_owned(),
        hits: 54,
        low_hz: 150.0,
        high_hz: 400.0,
        as_is_db: -3.1,
        inverted_db: 1.9,
    }
}

fn moved(samples: i64) -> MovedFigures {
    MovedFigures {
        with: "snare-top".to_owned(),
        hits: 54,
        low_hz: 150.0,
        high_hz: 400.0,
        samples,
        ms: samples as f64 / 48.0,
        as_is_db: 0.9,
        moved_db: if samples == 0 { 0.9 } else { 1.7 },
    }
}

/// At least one of every kind, and of every branch that makes another sentence.
fn findings() -> Vec<Finding> {
    let against = || "snare-top".to_owned();
    let differ = |difference| FindingKind::PairMismatch { difference };
    let clipped = |tops, longest_samples, level_dbfs| FindingKind::Clipped {
        samples: 640,
        tops,
        longest_samples,
        level_dbfs,
    };
    let silent = |part, peak_dbfs| FindingKind::Silent { part, peak_dbfs };
    let dropout = |count, content| FindingKind::Dropout {
        count,
        content,
        samples: 14_400,
        ms: 300.0,
    };
    let click = |count, compared| FindingKind::Click {
        count,
        level_dbfs: -38.9,
        compared,
    };
    let hum = |exact| FindingKind::Hum {
        frequency_hz: 50.02,
        harmonics: 3,
        level_dbfs: -59.0,
        exact,
    };
    let opposed = |corrected| FindingKind::PolarityOpposed {
        against: against(),
        hits: 54,
        correlation: -0.89,
        corrected,
    };
    let signal = |lag_ms| FindingKind::SameSignal {
        of: against(),
        lag_ms,
        gain_db: -3.0,
    };
    let swapped = |than: &str, in_a_take| FindingKind::SidesSwapped {
        than: than.to_owned(),
        in_a_take,
    };
    let rate = |drums, hums, sure| FindingKind::WrongRate {
        header_hz: 44_100,
        true_hz: 48_000.0,
        semitones: 1.47,
        drums,
        hums,
        sure,
    };
    let step = |step_db, clipped, trimmed| FindingKind::LevelStep {
        step_db,
        clipped,
        trimmed,
    };
    let kinds = [
        clipped(120, 13, 0.0),
        clipped(1, 1, -1.2),
        clipped(17, 9, 1.2),
        silent(Part::Whole, None),
        silent(Part::Right, Some(-84.2)),
        silent(Part::Left, None),
        silent(Part::Some, None),
        FindingKind::DigitalSilence {
            seconds: 2.0,
            share: 0.33,
        },
        FindingKind::NotPlayed,
        FindingKind::FewHits { hits: 4 },
        FindingKind::FewHits { hits: 1 },
        FindingKind::FewHits { hits: 0 },
        dropout(1, Gap::Zeros),
        dropout(1, Gap::Stuck),
        dropout(3, Gap::Repeat),
        click(1, true),
        click(12, true),
        click(2, false),
        hum(true),
        hum(false),
        FindingKind::HumOffMains {
            frequency_hz: 45.94,
            mains_hz: 50.0,
            rate_ratio: 1.088_44,
            level_dbfs: -59.0,
        },
        FindingKind::DcOffset {
            percent: 0.31,
            level_dbfs: -50.2,
        },
        opposed(true),
        opposed(false),
        FindingKind::SumOpposed {
            sum: sum(),
            corrected: true,
        },
        FindingKind::SumOpposed {
            sum: sum(),
            corrected: false,
        },
        FindingKind::PolarityChanged { against: against() },
        FindingKind::Delay {
            against: "overhead".to_owned(),
            ms: 8.59,
            distance_m: 2.95,
        },
        FindingKind::SumMoved(moved(-30)),
        FindingKind::SumMoved(moved(0)),
        FindingKind::DelayUndecided,
        FindingKind::SameFile {
            of: against(),
            take: "take-02".to_owned(),
        },
        signal(0),
        signal(1),
        signal(-2),
        differ(Difference::Channels),
        differ(Difference::Rate {
            left_hz: 48_000,
            right_hz: 44_100,
        }),
        differ(Difference::Length {
            left_frames: 1_402_212,
            right_frames: 1_402_200,
            rate_hz: 48_000,
        }),
        differ(Difference::Start {
            left_samples: 480_000,
            right_samples: 480_100,
            rate_hz: 48_000,
        }),
        swapped("take-01", true),
        swapped("overhead", false),
        rate(4, 2, true),
        rate(1, 0, false),
        FindingKind::SidesPadded {
            right_starts_later_s: 0.0,
            right_ends_later_s: -0.012,
        },
        FindingKind::SidesPadded {
            right_starts_later_s: 1.5,
            right_ends_later_s: 0.5,
        },
        FindingKind::LengthMismatch {
            seconds: 41.2,
            others_s: 180.0,
        },
        FindingKind::LengthMismatch {
            seconds: 181.5,
            others_s: 180.0,
        },
        step(5.1, false, false),
        step(-3.0, true, false),
        step(5.1, false, true),
        FindingKind::Detuned {
            from_hz: 220.0,
            to_hz: 209.0,
        },
        FindingKind::LikeCymbal {
            mic: "tom-1".to_owned(),
            weaker_db: 12.0,
        },
        FindingKind::LedBy {
            by: "tom-2".to_owned(),
            lead_ms: 1.9,
        },
        FindingKind::UnknownMic {
            candidates: vec!["tom-3".to_owned(), "tom-4".to_owned()],
            because: Some(Remark::NoRackTom),
        },
        FindingKind::UnknownMic {
            candidates: Vec::new(),
            because: Some(Remark::ChannelWithoutName { channel: 3 }),
        },
        FindingKind::UnknownMic {
            candidates: Vec::new(),
            because: None,
        },
        FindingKind::OtherRate {
            rate_hz: 44_100,
            take_hz: 48_000,
        },
        FindingKind::OddHeader {
            what: "states 1 bytes a second, which is wrong".to_owned(),
        },
        FindingKind::Truncated(Truncation::NeverFinished { held_s: 9.2 }),
        FindingKind::Truncated(Truncation::Short {
            promised_s: 75.0,
            held_s: 9.2,
        }),
        FindingKind::NonFinite { samples: 12 },
        FindingKind::Metronome {
            beats_per_minute: 148.0,
            beats: 87,
            level_dbfs: -58.0,
        },
    ];
    let mut all: Vec<Finding> = kinds.into_iter().map(warning).collect();
    // What is not sure, and what needs nothing done.
    all.push(Finding::new(clipped(2, 3, 0.0), Severity::Warning, 0.5));
    all.push(Finding::new(FindingKind::NotPlayed, Severity::Note, 0.62));
    all.push(Finding::new(click(1, false), Severity::Warning, 0.5));
    all.push(Finding::new(hum(true), Severity::Note, 0.8));
    all
}

/// The names of all kinds of an enum with a `kind`, as serde knows them.
fn kinds<T: DeserializeOwned>() -> BTreeSet<String> {
    let Err(error) = serde_json::from_value::<T>(json!({"kind": "?"})) else {
        panic!("`?` is no kind");
    };
    let listed = error.to_string();
    let quoted = listed.split('`').skip(3).step_by(2);
    quoted.map(str::to_owned).collect()
}

fn kind(value: &impl serde::Serialize) -> String {
    let value = serde_json::to_value(value).expect("plain data");
    value["kind"].as_str().expect("a kind").to_owned()
}

#[test]
fn every_kind_has_an_example() {
    let shown: BTreeSet<String> = findings().iter().map(|f| kind(&f.kind)).collect();
    assert_eq!(shown, kinds::<FindingKind>());
    let shown: BTreeSet<String> = reasons().iter().map(kind).collect();
    assert_eq!(shown, kinds::<Reason>());
    let shown: BTreeSet<String> = remarks().iter().map(kind).collect();
    assert_eq!(shown, kinds::<Remark>());
    assert!(shown.len() > 20, "{shown:?}");
}

/// The names of the public functions of a source file.
fn functions(source: &str) -> impl Iterator<Item = &str> {
    let lines = source.lines();
    let names = lines.filter_map(|line| line.strip_prefix("pub fn "));
    names.filter_map(|rest| rest.split(['(', '<']).next())
}

#[test]
fn every_function_that_makes_a_sentence_has_an_example() {
    let shown: BTreeSet<&str> = sentences().iter().map(|(name, _)| *name).collect();
    for (file, source) in SOURCES {
        assert!(functions(source).count() > 2, "{file}");
        for name in functions(source) {
            assert!(shown.contains(name), "{file}: `{name}` has no example");
        }
    }
}

#[test]
fn every_sentence_is_the_one_that_was_looked_at() {
    let mut text = String::new();
    for found in findings() {
        let said = finding(&found);
        text += &format!("{}: {}\n", kind(&found.kind), said.what);
        text += &said
            .advice
            .map_or(String::new(), |advice| format!("  > {advice}\n"));
    }
    text += "\n";
    for why in reasons() {
        text += &format!("{}: {}\n", kind(&why), reason(&why));
    }
    text += "\n";
    for said in remarks() {
        text += &format!("{}: {}\n", kind(&said), remark(&said));
    }
    text += "\n";
    for (name, said) in sentences() {
        text += &format!("{name}: {said}\n");
    }
    crate::testing::assert_golden("tests/golden/wording.txt", &text);
}

#[test]
fn a_doubtful_finding_asks_for_a_check_by_ear() {
    for found in findings() {
        let unsure = Finding {
            confidence: 0.69,
            ..found
        };
        let said = finding(&unsure).to_string();
        assert!(
            said.contains("heck by ear") || said.contains("heck the end by ear"),
            "{said}"
        );
    }
}

#[test]
fn data_survives_json() {
    for found in findings() {
        let text = serde_json::to_string(&found).unwrap();
        assert_eq!(serde_json::from_str::<Finding>(&text).unwrap(), found);
    }
    for why in reasons() {
        let text = serde_json::to_string(&why).unwrap();
        assert_eq!(serde_json::from_str::<Reason>(&text).unwrap(), why);
    }
}
