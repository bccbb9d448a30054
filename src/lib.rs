//! `batterhead` turns whole folders of multi-microphone drum takes into processed stems, rough
//! mixes and reports.
//!
//! ```text
//! folder ──scan──▶ Session ──measure──▶ Evidence ──decide──▶ Worksheet ──render──▶ stems ──report──▶ json csv html
//! ```
//!
//! Each phase is a function from the one before. The modules below stand in that order; imports go
//! downward only: `block units error dsp` → `audio wav stage measure analysis` → `session preset`
//! → `worksheet decide` → `mix cache output job` → `report shootout demo` → `commands` → `cli`.
//!
//! Programs begin at [`prepare`], [`check`], [`apply`], [`shootout()`] and [`verify`], and find in
//! [`commands`] what they share.

pub mod analysis;
pub mod audio;
pub mod block;
pub mod cache;
pub mod cli;
pub mod commands;
pub mod compared;
pub mod decide;
pub mod demo;
pub mod dsp;
pub mod error;
mod files;
pub mod finding;
pub mod job;
pub mod measure;
pub mod mix;
pub mod output;
pub mod preset;
pub mod problem;
pub mod reason;
pub mod remark;
pub mod report;
pub mod session;
pub mod shootout;
pub mod stage;
#[doc(hidden)]
pub mod testing;
pub mod units;
pub mod wav;
pub mod wording;
pub mod worksheet;

pub use commands::{Options, apply, check, prepare, preview, shootout};
pub use job::Outcome;
pub use job::verify::verify;
