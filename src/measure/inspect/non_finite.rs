//! Samples that are no numbers.

use super::{Format, Sure, found};
use crate::finding::{Finding, FindingKind, Severity};
use crate::measure::ticks::NonFinite;

pub(super) fn finding(format: Format, non_finite: &NonFinite) -> Option<Finding> {
    if non_finite.count == 0 {
        return None;
    }
    let mut frames = non_finite.frames.clone();
    frames.sort_unstable();
    frames.dedup();
    let at_s = format.places(&frames);
    let samples = non_finite.count;
    Some(found(
        FindingKind::NonFinite { samples },
        Severity::Problem,
        Sure::Certain,
        at_s,
    ))
}
