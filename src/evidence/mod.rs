//! Evidence of what was played: hits, whose they are, tuning, polarity and delay.
//!
//! A [`Listener`] hears each track once and leaves a [`Trace`] of eight bytes a millisecond. What
//! needs several mics is decided from the traces of a take, and from short pieces of sound around
//! hits. Every result is plain data with its number of hits, its spread and a confidence.

mod attribute;
mod bank;
mod decimate;
mod drums;
mod mixture;
mod modes;
mod moments;
mod onset;
mod take;
#[doc(hidden)]
pub mod testbed;
mod trace;
mod tuning;
mod weights;

#[doc(hidden)]
pub use attribute::FEATURES;
pub use drums::TakeTrack;
pub use onset::Onset;
pub use take::Material;
#[doc(hidden)]
pub use take::{Example, examples};
pub use trace::{Listener, Trace};
pub use tuning::{HitTuning, Tuning};
