//! All English that figures become: findings, reasons, numbers with their units. Nothing reads it
//! back; whoever wants to tell cases apart looks at the data.

pub use finding::{Sentence, faint_hum, finding};
pub use numbers::{counted, db, hz, level, percent, time};
pub use reason::reason;
pub use remark::remark;
pub use stage::{code, stage};

pub mod compared;
pub mod done;
pub mod numbers;
pub mod playing;
pub mod remark;
pub mod sheet;
pub mod summary;
pub mod text;

mod finding;
mod reason;
mod stage;
#[cfg(test)]
mod tests;

/// Below this confidence a person has to listen.
pub const UNSURE: f64 = 0.7;
