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
pub mod block;
pub mod demo;
pub mod error;
pub mod finding;
pub mod maths;
pub mod measure;
pub mod mix;
pub mod session;
pub mod stage;
pub mod units;
