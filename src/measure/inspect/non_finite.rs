//! Samples that are no numbers.

use super::{Format, Sure, counted, first_at, found};
use crate::finding::{Code, Finding, Severity};
use crate::measure::ticks::NonFinite;

pub(super) fn finding(format: Format, non_finite: &NonFinite) -> Option<Finding> {
    if non_finite.count == 0 {
        return None;
    }
    let mut frames = non_finite.frames.clone();
    frames.sort_unstable();
    frames.dedup();
    let at_s = format.places(&frames);
    let message = format!(
        "{} no number (NaN, infinite or beyond any level){}; read as silence: export the file again",
        match non_finite.count {
            1 => "1 sample is".to_owned(),
            n => counted(n, "sample") + " are",
        },
        first_at(&at_s),
    );
    Some(found(
        Code::NonFinite,
        Severity::Problem,
        Sure::Certain,
        message,
        at_s,
    ))
}
