//! One example of every reason.

use super::{moved, sum};
use crate::preset::{Followed, Measure};
use crate::reason::{Held, HeldMix, Level, Reason, Tuned};

/// At least one of every kind, and of every branch that makes another sentence.
pub(super) fn reasons() -> Vec<Reason> {
    let opposed = |confidence| Reason::PolarityOpposed {
        against: "snare-top".to_owned(),
        hits: 54,
        correlation: -0.89,
        confidence,
    };
    let tuned = Tuned {
        followed: Followed::Fundamental,
        hz: 220.0,
        hits: 40,
        setup_hz: None,
        disbelieved_hz: None,
        times: 1.0,
        limit_hz: None,
    };
    let level = Level {
        measure: Measure::HitLevel,
        level: -6.7,
        target: -12.0,
        hits: Some(93),
        tracks: 3,
        wanted_db: None,
        most_db: None,
        held: None,
    };
    let plain = |measure, level| Level {
        measure,
        level,
        target: -12.0,
        hits: None,
        tracks: 1,
        wanted_db: None,
        most_db: None,
        held: None,
    };
    let undecided = |measure, hits| Reason::LevelUndecided { measure, hits };
    let mix = |held| Reason::MixLevel {
        wanted_db: 3.4,
        target_lufs: -18.0,
        held,
    };
    let working = |from_hits| Reason::WorkingLevel {
        level_dbfs: -15.4,
        from_hits,
        target_dbfs: -14.0,
    };
    vec![
        Reason::Silent { whole_song: false },
        Reason::Silent { whole_song: true },
        Reason::NotPlayed { whole_song: false },
        Reason::NotPlayed { whole_song: true },
        opposed(0.94),
        opposed(0.65),
        Reason::LaterThan {
            against: "overhead".to_owned(),
            samples: 412.3,
            ms: 8.59,
            distance_m: 2.95,
        },
        Reason::DelayUndecided,
        Reason::Tuned(tuned.clone()),
        Reason::Tuned(Tuned {
            hz: 209.0,
            hits: 12,
            setup_hz: Some(220.0),
            ..tuned.clone()
        }),
        Reason::Tuned(Tuned {
            disbelieved_hz: Some(180.0),
            times: 1.5,
            limit_hz: Some(260.0),
            ..tuned.clone()
        }),
        Reason::Tuned(Tuned {
            followed: Followed::BoxyPartial,
            hz: 372.0,
            ..tuned
        }),
        Reason::Intended {
            hz: 140.0,
            times: 1.0,
            limit_hz: None,
        },
        Reason::Intended {
            hz: 140.0,
            times: 0.5,
            limit_hz: Some(80.0),
        },
        Reason::Untuned {
            followed: Followed::NextPartial,
            freq_hz: 330.0,
        },
        Reason::Untuned {
            followed: Followed::BoxyPartial,
            freq_hz: 400.0,
        },
        working(true),
        working(false),
        Reason::DriveMatched,
        Reason::Gated {
            sure: 54,
            unsure: 0,
            ring_s: None,
            of_others: false,
            rests: false,
            tom: false,
        },
        Reason::Gated {
            sure: 54,
            unsure: 3,
            ring_s: Some(0.45),
            of_others: false,
            rests: false,
            tom: true,
        },
        Reason::Gated {
            sure: 0,
            unsure: 1,
            ring_s: Some(1.2),
            of_others: true,
            rests: true,
            tom: true,
        },
        Reason::Gated {
            sure: 0,
            unsure: 0,
            ring_s: None,
            of_others: true,
            rests: true,
            tom: true,
        },
        Reason::Gated {
            sure: 0,
            unsure: 2,
            ring_s: Some(0.45),
            of_others: false,
            rests: false,
            tom: true,
        },
        Reason::NoHitsToGate,
        Reason::NoTarget,
        Reason::from(level.clone()),
        Reason::from(Level {
            wanted_db: Some(35.5),
            most_db: Some(24.0),
            ..level.clone()
        }),
        Reason::AsRecorded,
        Reason::Noted {
            text: "softer for the bridge".to_owned(),
        },
        Held {
            by_db: 4.3,
            true_peak_dbtp: 3.2,
            key: "kick".to_owned(),
            ceiling_dbtp: -1.0,
        }
        .below(Some(undecided(Measure::HitLevel, Some(4)))),
        Reason::from(Level {
            held: Some(Held {
                by_db: 2.5,
                true_peak_dbtp: -6.7,
                key: "low-tide/take-01/low-tide_take-01_snare-top".to_owned(),
                ceiling_dbtp: -1.0,
            }),
            wanted_db: Some(41.0),
            ..level
        }),
        Reason::from(plain(Measure::SamplePeak, -3.0)),
        Reason::from(plain(Measure::TruePeak, -3.0)),
        Reason::from(plain(Measure::Integrated, -23.0)),
        Reason::from(plain(Measure::OverSource, 3.5)),
        Reason::from(plain(Measure::Rms, -30.0)),
        undecided(Measure::HitLevel, Some(4)),
        undecided(Measure::Integrated, None),
        Reason::Trimmed {
            by_db: -5.1,
            because: Some(Box::new(Reason::NoTarget)),
        },
        Reason::Worksheet {
            decided_db: None,
            because: None,
        },
        Reason::Worksheet {
            decided_db: Some(3.4),
            because: Some(Box::new(undecided(Measure::HitLevel, Some(1)))),
        },
        Reason::SumOpposed(sum()),
        Reason::SumMoved(moved(-30)),
        Reason::SumMoved(moved(30)),
        Reason::SumMoved(moved(0)),
        Reason::PanHeard {
            early_ms: -0.6,
            louder_db: -2.1,
            hits: 24,
        },
        Reason::PanUndecided,
        Reason::PanBeside {
            tom: "tom-2".to_owned(),
        },
        mix(None),
        mix(Some(HeldMix {
            by_db: 1.2,
            take: "take-02".to_owned(),
            ceiling_dbtp: -1.0,
        })),
        Reason::MixSilent,
        Reason::LeftOut {
            because: Some(Box::new(Reason::NotPlayed { whole_song: true })),
        },
        Reason::Muted { because: None },
        Reason::MutedBySession,
        Reason::Failed,
        Reason::OtherRate {
            rate_hz: 44_100,
            mix_rate_hz: 48_000,
        },
        Reason::UnknownMic,
        Reason::NeverMixed,
    ]
}
