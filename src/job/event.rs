//! [`Event`]: what a run reports while it works. The library prints nothing itself.

use std::path::Path;

/// Something that happened.
#[derive(Debug)]
pub enum Event<'a> {
    /// A phase begins, with the audio that it will go through.
    Phase {
        /// `measure`, `try`, `render`, `mix`.
        name: &'static str,
        /// Samples (frames × channels) of all its items.
        samples: u64,
        /// Tracks, takes or files.
        items: usize,
    },
    /// So many samples are done.
    Advance {
        /// Frames × channels.
        samples: u64,
    },
    /// Something a person should know, but nothing failed.
    Warning {
        /// In words.
        text: &'a str,
    },
    /// Something worth a line, and nothing to worry about.
    Note {
        /// In words.
        text: &'a str,
    },
    /// One file failed; the rest goes on.
    Failed {
        /// Which.
        path: &'a Path,
        /// Why, and what to do.
        reason: &'a str,
    },
}

/// Where events go: called from any thread.
pub type Listener<'a> = &'a (dyn Fn(Event<'_>) + Sync);
