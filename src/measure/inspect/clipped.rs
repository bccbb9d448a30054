//! Flat tops as a finding; [`crate::measure::clipped`] finds them.

use super::{Format, Sure, found};
use crate::finding::{Finding, FindingKind, Severity};
use crate::measure::clipped::{Clips, Level};
use crate::units;

pub(super) fn finding(format: Format, clips: &[Clips]) -> Option<Finding> {
    let levels: Vec<&Level> = clips.iter().flat_map(|c| &c.levels).collect();
    let main = levels.iter().max_by_key(|l| l.samples)?;
    let (samples, tops) = levels
        .iter()
        .fold((0, 0), |(s, t), l| (s + l.samples, t + l.tops));
    let longest_samples = levels.iter().map(|l| l.longest).max().unwrap_or(0);
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
    let level_dbfs = units::ratio_to_db(main.level.abs()).unwrap_or(0.0);
    let severity = if sure == Sure::Certain && tops >= 10 {
        Severity::Problem
    } else {
        Severity::Warning
    };
    let kind = FindingKind::Clipped {
        samples,
        tops,
        longest_samples,
        level_dbfs: units::round_to(level_dbfs, 2),
    };
    Some(found(kind, severity, sure, at_s))
}
