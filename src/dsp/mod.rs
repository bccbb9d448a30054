//! Numbers that signal paths share: exact maths, resampling.

pub(crate) mod axis;
pub mod maths;
pub mod resample;
