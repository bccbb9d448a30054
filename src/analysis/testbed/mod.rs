//! Synthetic takes with exact truth: what the methods of this module are measured on.
//!
//! Seven sources (kick, snare, two toms, hat, crash, ride), close mics on the four drums, two
//! overheads. Paths have a geometric delay, an off-axis low-pass and a diffuse tail; each stroke's
//! bleed scatters in level and in balance below and above 500 Hz, so that bleed is no fixed filter
//! of the close mic; toms ring along with kick and snare; all mics have noise. Everything follows
//! from seeds.

mod material;
mod pairs;
mod play;
mod rng;
mod room;
mod score;
mod sound;

pub use material::Recorded;
pub use pairs::{Couple, couple};
pub use play::{Stroke, Style, VOICES, Voice, pattern, performance};
pub use rng::{Rng, ratio};
pub use room::{Rig, SimMic, SimTake, record};
pub use score::{Score, score};
pub use sound::{Drum, Kit, band_pass};
