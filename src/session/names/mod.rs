//! What file and folder names say: songs, takes, mics.
//!
//! A name is cut into pieces (`token`), the pieces are read by the words of the mic table (`words`,
//! `reading`), and what only the whole folder can tell is settled last (`folders`, `numbers`,
//! `settle`, `takes`, `company`, `toms`).

pub(in crate::session) mod company;
pub(in crate::session) mod folders;
mod numbers;
pub(in crate::session) mod reading;
pub(in crate::session) mod settle;
mod suffix;
pub(in crate::session) mod takes;
pub(in crate::session) mod token;
pub(in crate::session) mod toms;
mod understand;
pub(in crate::session) mod words;
