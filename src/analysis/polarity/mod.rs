//! Delay and polarity of mics of one drum, and the sides of a pair.

pub(crate) mod odd;
pub(crate) mod pair;
pub(crate) mod sides;
pub(crate) mod together;
pub(crate) mod verdict;
