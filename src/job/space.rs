//! Disk space is asked for before anything is rendered.

use std::collections::BTreeSet;
use std::path::Path;

use crate::dsp::resample::frames_out;
use crate::error::{Error, Kind, Result};
use crate::job::render::depth;
use crate::job::{Job, excerpts, take};
use crate::output::mixes;
use crate::session::config::{Excerpts, Start};

/// What may be needed beyond the samples themselves: headers, blocks that are not filled.
const RESERVE: f64 = 1.05;

/// Reports, page and memory of one stem: about 50 kB in a session of three-minute takes.
const WORDS_BYTES: u64 = 64_000;

/// Bytes that the stems `todo`, the excerpts of those that are `shown`, and the mixes need. What lies
/// there already, from an earlier run (`there`: bytes by path), is replaced and counts as room.
pub fn need(
    job: &Job<'_>,
    todo: &[usize],
    shown: &BTreeSet<usize>,
    there: &dyn Fn(&str) -> u64,
) -> u64 {
    let output = &job.config.output;
    let missing = |path: &str, bytes: u64| bytes.saturating_sub(there(path));
    let mut need = 0;
    for &i in todo {
        let unit = &job.units[i];
        let (track, channels) = (unit.track, unit.track.channels() as u64);
        let rate_hz = output.rate_hz.unwrap_or(track.rate_hz());
        let bits = depth(output.bits, track.sources.iter().map(|s| &s.info)).bits();
        let sample_bytes = u64::from(bits / 8);
        let frames = match (output.start, unit.take) {
            (Start::Take, Some(take)) => take::span(&take.tracks, output.rate_hz).frames,
            _ => frames_out(track.frames(), 0, track.rate_hz(), rate_hz),
        };
        need += missing(&unit.stem_path, frames * channels * sample_bytes);
        need += missing(&unit.report_path, WORDS_BYTES);
        if shown.contains(&i) {
            // Before and after.
            let bytes = 2 * excerpts::bytes(track.rate_hz(), track.frames(), channels);
            need += missing(&excerpts::path(unit), bytes);
        }
    }
    for song in job.session.songs.iter().filter(|_| job.mixes) {
        for take in &song.takes {
            let frames = take.tracks.iter().map(|track| track.frames()).max();
            let frames = frames.unwrap_or(0);
            let sources = take.tracks.iter().flat_map(|track| &track.sources);
            let sample_bytes = u64::from(depth(output.bits, sources.map(|s| &s.info)).bits() / 8);
            let path = mixes::path(&song.slug, &take.slug);
            need += missing(&path, frames * 2 * sample_bytes);
            need += frames * 2 * sample_bytes * job.config.groups.len() as u64;
            need += frames * 2 * 2 * u64::from(job.config.mix.listening_copy);
            need += frames * 2 * 3 * u64::from(job.config.mix.dry);
            if song.takes.len() > 1 && job.config.excerpts != Excerpts::Never {
                let rate_hz = take.tracks.first().map_or(0, |track| track.rate_hz());
                let path = excerpts::mix_path(&song.slug, &take.slug);
                need += missing(&path, excerpts::bytes(rate_hz, frames, 2));
            }
        }
    }
    (need as f64 * RESERVE) as u64
}

/// An error if the file system of `out` cannot hold what is going to be rendered, as [`need`] has it.
pub fn check(job: &Job<'_>, todo: &[usize], shown: &BTreeSet<usize>, out: &Path) -> Result<()> {
    let there = |path: &str| std::fs::metadata(out.join(path)).map_or(0, |found| found.len());
    let need = need(job, todo, shown, &there);
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
