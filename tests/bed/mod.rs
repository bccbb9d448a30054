//! Sessions of recorded drums with exact truth.
//!
//! Single strokes of four recorded kits are played, in a simulated room, into the usual close mics,
//! overheads and rooms. What was played, when, how hard, and what each drum is tuned to is known, so
//! that every figure of the evidence can be judged. The recordings stay where they are: the folder
//! `../shared/recorded` beside the repository (or `BATTERHEAD_RECORDED`) has three kits, Debian's
//! package `sonic-pi-samples` (`BATTERHEAD_HITS`, else `/usr/share/sonic-pi/samples`) the fourth.
//! Where they are missing, [`sources`] is `None`. [`Half::More`] also has two kits out of the sound font of
//! Debian's `fluid-soundfont-gm` (`BATTERHEAD_FONT`, else where that package puts it).
//!
//! ```ignore
//! #[path = "../../tests/bed/mod.rs"]
//! mod bed;
//!
//! let Some(sources) = bed::sources() else { return };
//! for setup in bed::setups(bed::Half::Fit) {          // never tune to Half::Prove
//!     let session = bed::Session::new(&sources, &setup);
//!     for number in 0..setup.takes.len() {
//!         let take = session.record(number);          // 30 s, 15 or 16 files, 1 to 3 s of work
//!         let mut material = take.material();         // Material and its TakeTracks: relate(), …
//!         let strokes = take.events("snare");         // each with its span in ms and what it is
//!     }
//! }
//! ```
//! [`write`](disk::write) puts a whole set-up on disk as the folder of a session.
#![allow(
    dead_code,
    unused_imports,
    reason = "each program that shares this uses a part of it"
)]

mod along;
pub mod boxy;
pub mod disk;
mod font;
pub mod gate;
pub mod judge;
mod keep;
mod kit;
mod plans;
mod play;
mod record;
pub mod sound;
mod space;

pub use kit::{Kit, Pitch, Sources, Voice, packaged, sources};
pub use plans::{Half, Mishap, Setup, TakePlan, setups};
pub use play::{Stroke, Way};
pub use record::{Event, Recording, Session};

/// Frames a second of the recordings, and of all that is made of them.
pub const RATE_HZ: f64 = 44_100.0;
