//! Evidence of what was played: hits, whose they are, tuning, polarity and delay.
//!
//! A [`Listener`] hears each track once and leaves a [`Trace`] of twelve bytes a millisecond. What
//! needs several mics is decided from the traces of a take, and from short pieces of sound around
//! hits ([`relate`]); what needs several takes from all of them ([`sketch`] and [`Reference::pool`]
//! before [`relate`], [`pool_setup`] after it). Every result is plain data with its number of hits,
//! its spread and a confidence; where that is low it says why, and nothing follows from it.

pub(crate) mod attribution;
pub mod playing;
pub(crate) mod polarity;
mod recorded;
mod score;
pub(crate) mod setup;
pub(crate) mod strokes;
#[cfg(test)]
mod tests;
pub(crate) mod tuning;

pub(crate) use attribution::attribute::ONE_STROKE_MS;
pub use attribution::drums::TakeTrack;
#[doc(hidden)]
pub use attribution::features::{FEATURES, FIRST};
pub use attribution::reference::Reference;
pub use attribution::take::{
    DrumEvidence, Material, Played, TakeEvidence, TrackEvidence, relate, sketch,
};
#[doc(hidden)]
pub use attribution::take::{Example, ExampleMoment, examples};
pub use attribution::unlikely::Unlikely;
pub use polarity::odd::{Opposed, close_opposed, overheads_opposed};
#[doc(hidden)]
pub use polarity::pair::analyse_signals;
pub use polarity::pair::{PairEvidence, PairKind, Polarity};
pub use polarity::sides::{Lean, opposed, pool_leans};
pub use polarity::together::{Together, sum_gain_db};
pub use polarity::verdict::PairVerdict;
#[doc(hidden)]
pub use recorded::Recorded;
#[doc(hidden)]
pub use score::{Score, score};
pub use setup::duplicate::{SameSound, same_sound};
pub use setup::pool::{
    HitsOf, MicLevel, SetupEvidence, level_of_take, level_of_takes, pool_setup, weighted_quantile,
};
pub use strokes::bank::BANDS;
pub use strokes::hits::{Hit, level_ms};
pub use strokes::loud::{as_loud_db, is_faint, is_soft};
pub use strokes::metronome::Metronome;
pub use strokes::onset::Onset;
pub use strokes::trace::{Listener, Trace};
pub use tuning::boxy::BoxyPartial;
pub use tuning::drift::{Drift, DrumTuning};
pub use tuning::fade::Fade;
pub use tuning::hit::HitTuning;
#[doc(hidden)]
pub use tuning::pitch::tune_hit;
pub use tuning::pooled::Tuning;
pub(crate) use tuning::pooled::pool as pool_hits;
