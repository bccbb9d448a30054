//! Disk space is asked for before anything is rendered.

use std::path::Path;

use super::render::depth;
use super::{Job, Work};
use crate::error::{Error, Kind, Result};
use crate::resample::frames_out;
use crate::session::config::Excerpts;

/// What may be needed beyond the samples themselves: headers, reports, evidence.
const RESERVE: f64 = 1.05;

/// An error if the file system of `out` cannot hold what is going to be rendered. Files that are
/// there already, finished by an earlier run, count as needed no more.
pub fn check(work: &Work<'_>, job: &Job<'_>, todo: &[usize], out: &Path) -> Result<()> {
    let output = &job.config.output;
    let bytes = u64::from(depth(output.bits).bits() / 8);
    let frames = |i: usize| {
        let track = job.units[i].track;
        frames_out(
            track.frames(),
            0,
            track.rate_hz(),
            output.rate_hz.unwrap_or(track.rate_hz()),
        )
    };
    let mut need = 0;
    for &i in todo {
        let unit = &job.units[i];
        if work.store.done(&unit.stem_path).is_none() {
            need += frames(i) * unit.track.channels() as u64 * bytes;
            if job.config.excerpts == Excerpts::Take {
                need += super::excerpts::bytes(unit);
            }
        }
    }
    if job.mixes {
        need += job
            .session
            .songs
            .iter()
            .flat_map(|song| &song.takes)
            .filter_map(|take| take.tracks.iter().map(|track| track.frames()).max())
            .map(|frames| frames * 2 * 3)
            .sum::<u64>();
    }
    let need = (need as f64 * RESERVE) as u64;
    std::fs::create_dir_all(out).map_err(|e| Error::writing(out, &e))?;
    // A file system that cannot say is taken at its word when it is full.
    let Ok(free) = fs4::available_space(out) else {
        return Ok(());
    };
    if free >= need {
        return Ok(());
    }
    Err(Error::new(
        Kind::Environment,
        format!(
            "the disk is too full: {} needed, {} free, {} missing",
            size(need),
            size(free),
            size(need - free)
        ),
    )
    .at(out)
    .hint("free that much, or give another folder with --out; then run the same command again"))
}

/// Bytes for people, in powers of ten.
pub fn size(bytes: u64) -> String {
    let (unit, scale) = match bytes {
        0..1_000_000 => ("kB", 1e3),
        1_000_000..1_000_000_000 => ("MB", 1e6),
        _ => ("GB", 1e9),
    };
    format!("{:.1} {unit}", bytes as f64 / scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_in_powers_of_ten() {
        assert_eq!(size(1_500), "1.5 kB");
        assert_eq!(size(2_340_000), "2.3 MB");
        assert_eq!(size(150_000_000_000), "150.0 GB");
    }
}
