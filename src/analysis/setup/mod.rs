//! What the takes of a set-up tell together.

pub(crate) mod duplicate;
pub(crate) mod played;
pub(crate) mod pool;
