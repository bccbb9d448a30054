//! Evidence of what was played: hits, whose they are, tuning, polarity and delay.
//!
//! A [`Listener`] hears each track once and leaves a [`Trace`] of eight bytes a millisecond. What
//! needs several mics is decided from the traces of a take, and from short pieces of sound around
//! hits. Every result is plain data with its number of hits, its spread and a confidence.

mod bank;
mod onset;
#[doc(hidden)]
pub mod testbed;
mod trace;

pub use onset::Onset;
pub use trace::{Listener, Trace};
