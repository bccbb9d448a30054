//! [`Estimate`]: what a `prep` of a session will take, from headers alone.

use std::collections::BTreeSet;

use serde::Serialize;

use super::{Job, space};
use crate::session::table::Totals;

/// Processor time of one channel of one second at [`RATE_HZ`], in seconds: measuring, listening,
/// rendering, reading back, mixing. Measured with the demo session on one thread of 2023, November
/// 2026; half or twice as much elsewhere.
const PROCESSOR_S: f64 = 0.0105;
/// The rate that [`PROCESSOR_S`] was measured at.
const RATE_HZ: f64 = 48_000.0;
/// Memory of a run, of each thread, and of each track, in bytes.
const MEMORY_BYTES: (u64, u64, u64) = (100_000_000, 100_000_000, 20_000);

/// What a `prep` will take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Estimate {
    /// Processor time in seconds, all threads together.
    pub processor_s: f64,
    /// Threads that the next two figures hold for.
    pub threads: usize,
    /// Time on these threads, in seconds.
    pub elapsed_s: f64,
    /// Resident memory on these threads, in bytes.
    pub memory_bytes: u64,
    /// Bytes of everything that is written, on the disk of the output folder.
    pub output_bytes: u64,
}

impl Estimate {
    /// Of a whole `prep` into an empty folder on so many threads.
    pub fn of(job: &Job<'_>, threads: usize) -> Self {
        let totals = Totals::of(job.session);
        let samples: f64 = (job.units.iter())
            .map(|unit| unit.track.frames() as f64 * unit.track.channels() as f64)
            .sum();
        let processor_s = samples / RATE_HZ * PROCESSOR_S;
        let all: Vec<usize> = (0..job.units.len()).collect();
        let mut seen = BTreeSet::new();
        let first = |i: &&usize| {
            let unit = &job.units[**i];
            seen.insert((unit.song.map(|song| &song.slug), unit.label()))
        };
        let shown = all.iter().filter(first).copied().collect();
        let (base, thread, track) = MEMORY_BYTES;
        Self {
            processor_s,
            threads,
            elapsed_s: processor_s / threads.max(1) as f64,
            memory_bytes: base + thread * threads as u64 + track * totals.tracks as u64,
            output_bytes: space::need(job, &all, &shown, &|_| 0),
        }
    }
}
