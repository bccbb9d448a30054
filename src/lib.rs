//! `batterhead` turns whole folders of multi-microphone drum takes into processed stems, rough
//! mixes and reports.
//!
//! ```text
//! folder ──scan──▶ Session ──measure──▶ Evidence ──decide──▶ Worksheet ──render──▶ stems ──report──▶ json csv html
//! ```
//!
//! Each phase is a function from the one before. The modules below stand in that order; imports go
//! downward only: `block units maths error` → `audio wav stage measure evidence` → `session preset`
//! → `worksheet decide` → `engine mix` → `report demo` → `cli`.

pub mod audio;
mod axis;
pub mod block;
pub mod cli;
pub mod decide;
pub mod demo;
pub mod engine;
pub mod error;
pub mod evidence;
pub mod finding;
pub mod maths;
pub mod measure;
pub mod mix;
pub mod preset;
pub mod problem;
pub mod publish;
pub mod report;
pub mod resample;
pub mod session;
pub mod shootout;
pub mod stage;
#[doc(hidden)]
pub mod testing;
pub mod units;
pub mod wav;
pub mod worksheet;
