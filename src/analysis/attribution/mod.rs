//! Whose stroke it was, over all mics of a take and all takes of a set-up.

pub(crate) mod attribute;
pub(crate) mod close;
pub(crate) mod drums;
pub(crate) mod features;
pub(crate) mod listed;
pub(crate) mod mixture;
pub(crate) mod pulse;
pub(crate) mod reference;
pub(crate) mod rings;
pub(crate) mod separated;
pub(crate) mod take;
pub(crate) mod unlikely;
pub(crate) mod weights;
