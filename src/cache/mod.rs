//! What is kept for the next run: keys, the store and its seals.

pub(crate) mod key;
pub(crate) mod store;

pub use store::Store;
