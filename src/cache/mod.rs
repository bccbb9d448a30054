//! What is kept for the next run: keys, the store and its seals, and who holds an output folder.

mod journal;
pub(crate) mod key;
mod lock;
pub(crate) mod store;

pub use lock::check_free;
pub use store::Store;
