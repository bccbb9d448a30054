//! Reasons as sentences: the number behind the decision.

use super::UNSURE;
use super::numbers::{counted, db, hz, level, percent, plain, rate, size, written};
use crate::preset::{Followed, Measure};
use crate::reason::{Held, Level, MovedFigures, Reason, SumFigures, Tuned};
use crate::units::round_to;

/// A reason in words, as it stands behind a value: no capital, no final period.
pub fn reason(reason: &Reason) -> String {
    match reason {
        Reason::Silent { whole_song: false } => "silent".to_owned(),
        Reason::Silent { whole_song: true } => "silent in every take of the song".to_owned(),
        Reason::NotPlayed { whole_song: false } => "not played in this take".to_owned(),
        Reason::NotPlayed { whole_song: true } => "played in no take of the song".to_owned(),
        Reason::PolarityOpposed {
            against,
            hits,
            confidence,
            ..
        } => {
            let ear = if *confidence < UNSURE {
                ", check by ear"
            } else {
                ""
            };
            format!(
                "opposite polarity to {against} ({}, {} sure{ear})",
                counted(*hits, "hit"),
                percent(*confidence)
            )
        }
        Reason::SumOpposed(sum) => summed(sum),
        Reason::SumMoved(sum) => moved(sum),
        Reason::LaterThan {
            against,
            samples,
            ms,
            distance_m,
        } => format!(
            "{} behind {against} ({} samples, {} at 20 °C), moved to line up",
            size(*ms, "ms"),
            plain(*samples, 1),
            size(*distance_m, "m")
        ),
        Reason::PanHeard {
            early_ms,
            louder_db,
            hits,
        } => {
            let side = if *early_ms > 0.0 { "left" } else { "right" };
            format!(
                "as the overheads hear it: {} earlier on the {side}, {} there ({})",
                size(*early_ms, "ms"),
                db(louder_db * early_ms.signum()),
                counted(*hits, "hit")
            )
        }
        Reason::PanBeside { tom } => {
            format!("the overheads do not tell its side: by its number, next to {tom}")
        }
        Reason::PanUndecided => {
            "the overheads do not tell its side: by its number, near the centre".to_owned()
        }
        Reason::DelayUndecided => {
            "delay undecided: no other mic shows it clearly; not moved".to_owned()
        }
        Reason::Tuned(tuned) => follow(tuned),
        Reason::Untuned { followed, freq_hz } => {
            format!(
                "no clear {}: the preset's {} Hz",
                name(*followed),
                written(*freq_hz)
            )
        }
        Reason::Intended {
            hz: intended_hz,
            times,
            limit_hz,
        } => {
            let text = format!(
                "no clear fundamental: the session file's {}",
                hz(*intended_hz)
            );
            text + &multiplied(*times, *limit_hz)
        }
        Reason::WorkingLevel {
            level_dbfs,
            from_hits,
            target_dbfs,
        } => format!(
            "working level ahead of drive, compressor or gate: {} from {} to {} dBFS",
            if *from_hits { "hits" } else { "sample peak" },
            level(*level_dbfs, "dBFS"),
            written(*target_dbfs)
        ),
        Reason::DriveMatched => "match_db: as loud out as in".to_owned(),
        Reason::Gated {
            sure,
            unsure,
            ring_s,
            of_others,
            rests,
            tom,
        } => {
            let mut text = match (*rests, *unsure) {
                (false, 0) => format!("opened by {}", counted(*sure, "hit")),
                (false, unsure) if *sure == 0 => {
                    format!("no hit is sure; opened half by {unsure} that may be bleed")
                }
                (false, unsure) => format!(
                    "opened by {}, half by {unsure} more that may be bleed",
                    counted(*sure, "hit")
                ),
                (true, 0) => "closed, the drum rests in this take".to_owned(),
                (true, unsure) => {
                    let hits = counted(unsure, "possible hit");
                    format!("the drum rests in this take; opened half by {hits}")
                }
            };
            if let Some(ring_s) = ring_s.filter(|_| *sure + *unsure > 0) {
                let whose = if *of_others {
                    " of the other drums"
                } else {
                    ""
                };
                text += &format!("; closes along the ring{whose}, {} s", plain(ring_s, 2));
            }
            if *tom {
                text += "; without a gate: preset tom-open";
            }
            text
        }
        Reason::NoHitsToGate => "no hits separated from bleed: the gate stays open".to_owned(),
        Reason::NoTarget => "the preset sets no level".to_owned(),
        Reason::Level(level) => gain(level),
        Reason::LevelUndecided {
            hits: Some(hits), ..
        } => {
            format!(
                "undecided: only {}, too few to set a gain; left at 0 dB",
                counted(*hits, "hit")
            )
        }
        Reason::LevelUndecided {
            measure,
            hits: None,
        } => format!(
            "undecided: no {}, silent or too short; left at 0 dB",
            measured(*measure).0
        ),
        Reason::Held { held, because } => {
            format!("{}; {}", also(because.as_deref(), ""), lower(held))
        }
        Reason::Trimmed { by_db, because } => format!(
            "trimmed by {} to meet the other takes{}",
            db(*by_db),
            also(because.as_deref(), "; ")
        ),
        Reason::AsRecorded => "not corrected: the preset keeps the sound as recorded".to_owned(),
        Reason::Noted { text } => text.clone(),
        Reason::Worksheet {
            decided_db: None, ..
        } => "by the worksheet".to_owned(),
        Reason::Worksheet {
            decided_db: Some(decided),
            because,
        } => format!(
            "by the worksheet; decided: {}{}",
            db(*decided),
            also(because.as_deref(), ", ")
        ),
        Reason::MixLevel {
            wanted_db,
            target_lufs,
            held,
        } => {
            let held = match held {
                None => String::new(),
                Some(held) => format!(
                    "; {} less, since {} would pass {} dBTP",
                    size(held.by_db, "dB"),
                    held.take,
                    written(held.ceiling_dbtp)
                ),
            };
            format!(
                "{} to {} LUFS in the median take{held}",
                db(*wanted_db),
                written(*target_lufs)
            )
        }
        Reason::MixSilent => "no take has a loudness".to_owned(),
        Reason::LeftOut { because } => format!("left out{}", also(because.as_deref(), ": ")),
        Reason::Muted { because } => format!("muted{}", also(because.as_deref(), ": ")),
        Reason::MutedBySession => "muted by the session file".to_owned(),
        Reason::Failed => "failed".to_owned(),
        Reason::OtherRate {
            rate_hz,
            mix_rate_hz,
        } => format!(
            "another sample rate ({}, the mix has {})",
            rate(f64::from(*rate_hz)),
            rate(f64::from(*mix_rate_hz))
        ),
        Reason::UnknownMic => "unknown mic".to_owned(),
        Reason::NeverMixed => "not part of a mix".to_owned(),
    }
}

fn adds_up(with: &str, low_hz: f64, high_hz: f64) -> String {
    let (low, high) = (written(low_hz), written(high_hz));
    format!("with {with} the band from {low} to {high} Hz adds up to")
}

/// How two mics add up, either way.
pub(super) fn summed(sum: &SumFigures) -> String {
    format!(
        "{} {} inverted and {} as recorded, both chains included ({})",
        adds_up(&sum.with, sum.low_hz, sum.high_hz),
        db(sum.inverted_db),
        db(sum.as_is_db),
        counted(sum.hits, "hit")
    )
}

/// How two mics add up, one of them moved.
pub(super) fn moved(sum: &MovedFigures) -> String {
    let band = adds_up(&sum.with, sum.low_hz, sum.high_hz);
    let band = format!("{band} {}", db(sum.moved_db));
    let hits = counted(sum.hits, "hit");
    if sum.samples == 0 {
        return format!("{band} where it is, no better elsewhere, both chains included ({hits})");
    }
    let way = if sum.samples < 0 { "earlier" } else { "later" };
    format!(
        "{band} {} {way} ({} samples) and {} unmoved, both chains included ({hits})",
        size(sum.ms.abs(), "ms"),
        sum.samples.abs(),
        db(sum.as_is_db)
    )
}

fn also(because: Option<&Reason>, joint: &str) -> String {
    because.map_or(String::new(), |because| {
        format!("{joint}{}", reason(because))
    })
}

fn name(followed: Followed) -> &'static str {
    match followed {
        Followed::Fundamental => "fundamental",
        Followed::NextPartial => "next partial",
        Followed::BoxyPartial => "boxy partial",
    }
}

fn follow(tuned: &Tuned) -> String {
    let name = name(tuned.followed);
    let hits = counted(tuned.hits, "hit");
    let off = |own_hz: f64, setup_hz: f64| percent((own_hz / setup_hz - 1.0).abs());
    let side = |own_hz: f64, setup_hz: f64| if own_hz < setup_hz { "below" } else { "above" };
    let mut text = match tuned.setup_hz {
        None => format!("{name} of the set-up {} ({hits})", hz(tuned.hz)),
        Some(setup_hz) => format!(
            "{name} of this take {} ({hits}), {} {} the set-up's {}: mind this when comping",
            hz(tuned.hz),
            off(tuned.hz, setup_hz),
            side(tuned.hz, setup_hz),
            hz(setup_hz)
        ),
    };
    text += &multiplied(tuned.times, tuned.limit_hz);
    if let Some(own_hz) = tuned.disbelieved_hz {
        text += &format!(
            "; this take reads {}, {} {}: not believed",
            hz(own_hz),
            off(own_hz, tuned.hz),
            side(own_hz, tuned.hz)
        );
    }
    text
}

/// What a preset makes of a pitch.
fn multiplied(times: f64, limit_hz: Option<f64>) -> String {
    let times = (times != 1.0).then(|| format!(" × {}", written(times)));
    let limit = limit_hz.map(|hz| format!(", limited to {} Hz", written(hz)));
    times.unwrap_or_default() + &limit.unwrap_or_default()
}

/// A measure and its unit.
fn measured(measure: Measure) -> (&'static str, &'static str) {
    match measure {
        Measure::HitLevel => ("hits", "dBFS"),
        Measure::SamplePeak => ("sample peak", "dBFS"),
        Measure::TruePeak => ("true peak", "dBTP"),
        Measure::Integrated => ("integrated loudness", "LUFS"),
        Measure::OverSource => ("loudness over the clean source", "LU"),
        Measure::Rms => ("RMS", "dBFS"),
    }
}

fn lower(held: &Held) -> String {
    format!(
        "held {} lower by one peak ({} in {}), ceiling {} dBTP",
        size(held.by_db, "dB"),
        level(held.true_peak_dbtp, "dBTP"),
        held.key,
        written(round_to(held.ceiling_dbtp, 2))
    )
}

fn gain(found: &Level) -> String {
    let (what, unit) = measured(found.measure);
    let reached = level(found.level, unit);
    let target = written(found.target);
    let mut text = match found.hits {
        Some(hits) => format!("{} reach {reached}, target {target}", counted(hits, "hit")),
        None => format!("{what} {reached}, target {target}"),
    };
    if let Some(wanted) = found.wanted_db {
        text += &match found.most_db {
            Some(most) => format!(
                "; {} would be needed, max_gain_db allows {}: right mic?",
                db(wanted),
                db(most)
            ),
            None => format!(
                "; {} would be needed, more than is allowed: right mic?",
                db(wanted)
            ),
        };
    }
    if let Some(held) = &found.held {
        text += &format!("; {}", lower(held));
    }
    if found.tracks > 1 {
        text += &format!("; one gain for {}", counted(found.tracks, "track"));
    }
    text
}
