//! Flat tops as a finding; [`crate::measure::clipped`] finds them.

use super::{Format, Sure, counted, first_at, found};
use crate::finding::{Code, Finding, Severity};
use crate::measure::clipped::{Clips, Level};
use crate::units;

/// Within this of full scale it is full scale.
const FULL_SCALE_DB: f64 = 0.02;

pub(super) fn finding(format: Format, clips: &[Clips]) -> Option<Finding> {
    let levels: Vec<&Level> = clips.iter().flat_map(|c| &c.levels).collect();
    let main = levels.iter().max_by_key(|l| l.samples)?;
    let (samples, tops) = levels
        .iter()
        .fold((0, 0), |(s, t), l| (s + l.samples, t + l.tops));
    let longest = levels.iter().map(|l| l.longest).max().unwrap_or(0);
    let sure = if levels.iter().any(|l| l.certain()) {
        Sure::Certain
    } else {
        Sure::Possible
    };
    let mut frames: Vec<u64> = levels
        .iter()
        .flat_map(|l| l.frames.iter().copied())
        .collect();
    frames.sort_unstable();
    frames.dedup();
    let at_s = format.places(&frames);
    let level_db = units::ratio_to_db(main.level.abs()).unwrap_or(0.0);
    let place = if level_db.abs() <= FULL_SCALE_DB {
        "at full scale".to_owned()
    } else if level_db < 0.0 {
        format!("at {level_db:.2} dBFS (cut off before the level was trimmed)")
    } else {
        format!("at {level_db:+.2} dBFS")
    };
    let message = format!(
        "{} in {} cut flat {place}, the longest {longest} samples{}: {}",
        counted(samples, "sample"),
        counted(tops, "top"),
        first_at(&at_s),
        match sure {
            Sure::Certain => "listen, and play it again with less gain if it can be heard",
            _ => "may be chance; listen to the place",
        },
    );
    let severity = if sure == Sure::Certain && tops >= 10 {
        Severity::Problem
    } else {
        Severity::Warning
    };
    Some(found(Code::Clipped, severity, sure, message, at_s))
}
