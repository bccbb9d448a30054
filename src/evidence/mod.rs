//! Evidence of what was played: hits, whose they are, tuning, polarity and delay.
//!
//! A [`Listener`] hears each track once and leaves a [`Trace`] of eight bytes a millisecond. What
//! needs several mics is decided from the traces of a take, and from short pieces of sound around
//! hits ([`relate`]); what needs several takes from all of them ([`sketch`] and [`Reference::pool`]
//! before [`relate`], [`pool_setup`] after it). Every result is plain data with its number of hits,
//! its spread and a confidence; where that is low it says why, and nothing follows from it.

mod attribute;
mod bank;
mod close;
mod decimate;
mod drift;
mod drums;
mod fade;
mod hits;
mod metronome;
mod mixture;
mod modes;
mod moments;
mod onset;
mod pair;
mod place;
mod reference;
mod setup;
mod sides;

mod take;
#[doc(hidden)]
pub mod testbed;
#[cfg(test)]
mod tests;
mod trace;
mod tuning;
mod twin;
mod unlikely;
mod verdict;
mod weights;
mod window;

#[doc(hidden)]
pub use attribute::FEATURES;
pub use bank::BANDS;
pub use drift::{Drift, DrumTuning};
pub use drums::TakeTrack;
pub use fade::Fade;
pub use hits::{Hit, level_ms};
pub use metronome::Metronome;
pub use onset::Onset;
#[doc(hidden)]
pub use pair::analyse_signals;
pub use pair::{PairEvidence, PairKind, Polarity};
pub use reference::Reference;
pub use setup::{MicLevel, SetupEvidence, pool_setup, weighted_quantile};
pub use sides::{Lean, opposed, pool_leans};
pub use take::{DrumEvidence, Material, Played, TakeEvidence, TrackEvidence, relate, sketch};
#[doc(hidden)]
pub use take::{Example, examples};
pub(crate) use trace::sample_of_ms;
pub use trace::{Listener, Trace};
#[doc(hidden)]
pub use tuning::tune_hit;
pub use tuning::{HitTuning, Tuning};
pub use twin::{SameSound, same_sound};
pub use unlikely::Unlikely;
pub use verdict::PairVerdict;
