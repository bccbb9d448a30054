//! When something was struck: traces, onsets, moments, hits.

pub(crate) mod bank;
pub(crate) mod hits;
pub(crate) mod loud;
pub(crate) mod metronome;
pub(crate) mod moments;
pub(crate) mod onset;
pub(crate) mod place;
pub(crate) mod rows;
pub(crate) mod steps;
pub(crate) mod trace;
pub(crate) mod window;
