//! The output folder: its layout, what stands in the way, and the only writer.

pub mod bag;
pub mod layout;
pub mod mixes;
pub mod ours;
pub mod publish;

pub use layout::{Presets, Unit, check_places, units};
