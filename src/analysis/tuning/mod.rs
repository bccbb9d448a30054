//! What each drum is tuned to, and how it drifts.

/// From this confidence on a pitch counts as one.
pub const SURE: f64 = 0.5;

pub(crate) mod boxy;
pub(crate) mod decimate;
pub(crate) mod drift;
pub(crate) mod fade;
pub(crate) mod glide;
pub(crate) mod hit;
pub(crate) mod modes;
pub(crate) mod pitch;
pub(crate) mod pooled;
pub(crate) mod ring;
