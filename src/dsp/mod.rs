//! Numbers that signal paths share: exact maths, resampling.

pub(crate) mod axis;
pub mod maths;
mod median;
pub mod resample;

pub(crate) use median::median;
