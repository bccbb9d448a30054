//! Decisions: from evidence and presets to what is done. Pure functions; no audio, no disk.

pub mod gains;
pub mod heard;
pub mod stages;

#[cfg(test)]
mod fixture;
#[cfg(test)]
mod tests;
