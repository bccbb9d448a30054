//! Findings that need one track only.

/// How many places of one finding are kept.
pub const PLACES: usize = 100;
