//! Numbers that signal paths share: exact maths, resampling, seeded noise.

pub(crate) mod axis;
pub mod maths;
mod median;
pub mod random;
pub mod resample;
mod vertex;

pub(crate) use median::median;
pub(crate) use vertex::vertex;
