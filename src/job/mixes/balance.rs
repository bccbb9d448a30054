//! How loud things are in the rough mixes: the faders that go by loudness, and the gain of each song.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::sums::{Sum, Which, try_sum};
use crate::dsp::median;
use crate::error::Result;
use crate::job::keep::Anew;
use crate::job::standing::KeptMix;
use crate::job::{Job, Work};
use crate::measure::Levels;
use crate::mix::{MixLevels, reach_lufs, rough_gain};
use crate::reason::{HeldMix, Reason};
use crate::units::round_to;

/// A gain and the reason for it.
pub(super) struct Gain {
    pub db: f64,
    pub why: Reason,
}

/// Sets the faders that go by loudness: one for all takes of a song. A song that was delivered keeps its
/// own.
pub(super) fn set_faders(
    work: &Work<'_>,
    job: &Job<'_>,
    root: &Path,
    sums: &mut [Sum<'_>],
) -> Result<()> {
    let open: Vec<(usize, usize)> = (sums.iter().enumerate())
        .flat_map(|(s, sum)| {
            let by_loudness = move |p: &usize| sum.strips[*p].place.under_mix_lu.is_some();
            (0..sum.strips.len())
                .filter(by_loudness)
                .map(move |p| (s, p))
        })
        .collect();
    let with_any: Vec<usize> = open
        .iter()
        .map(|&(s, _)| s)
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let lufs =
        |sum: &Sum<'_>, which: Which<'_>| Ok(try_sum(work, root, sum, which)?.integrated_lufs);
    let samples = |s: usize| sums[s].samples();
    let rest = work.each(
        "sum",
        &with_any,
        |&s| samples(s),
        |&s| lufs(&sums[s], Which::Given),
    )?;
    let alone = work.each(
        "sum",
        &open,
        |&(s, _)| samples(s),
        |&(s, p)| lufs(&sums[s], Which::Alone(p)),
    )?;
    let rest: BTreeMap<usize, Option<f64>> = with_any
        .into_iter()
        .zip(rest.into_iter().map(|lufs| lufs.ok().flatten()))
        .collect();
    let mut faders: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for (&(s, p), alone) in open.iter().zip(alone) {
        let part = &sums[s].strips[p];
        let under_lu = part.place.under_mix_lu.unwrap_or_default();
        let wanted = faders.entry((sums[s].song, part.unit.label())).or_default();
        if let (Some(rest), Ok(Some(alone))) = (rest[&s], alone) {
            wanted.push(rest - under_lu - alone);
        }
    }
    let set: Vec<(usize, usize, f64)> = (open.iter())
        .map(|&(s, p)| {
            let (song, part) = (sums[s].song, &sums[s].strips[p]);
            let label = part.unit.label();
            let wanted = median(faders[&(song, label)].iter().copied());
            let kept = delivered_fader_db(job, song, label);
            // On top of what its group's fader does, which was heard with it. Silence stays where it is.
            let fader_db = part.place.fader_db + wanted.map_or(0.0, |db| round_to(db, 1));
            (s, p, kept.unwrap_or(fader_db))
        })
        .collect();
    for (s, p, fader_db) in set {
        sums[s].strips[p].set_fader(fader_db);
    }
    Ok(())
}

/// The fader that a stem had in the mixes of a song as they were delivered.
fn delivered_fader_db(job: &Job<'_>, song: &str, label: &str) -> Option<f64> {
    let mix = delivered_mix(job, song)?;
    let level = mix.report.levels.iter().find(|level| level.label == label);
    level.map(|level| level.fader_db)
}

/// The gain of each song. All songs get one loudness: the highest, up to the target, that each of them
/// reaches under its ceiling.
pub(super) fn gains<'a>(
    work: &Work<'_>,
    job: &Job<'_>,
    sums: &[Sum<'a>],
    tried: &[Result<Levels>],
) -> BTreeMap<&'a str, Gain> {
    let mut songs: BTreeMap<&str, Vec<(&str, MixLevels)>> = BTreeMap::new();
    for (sum, levels) in sums.iter().zip(tried) {
        let levels = levels.as_ref().map_or(MixLevels::default(), mix_levels);
        songs.entry(sum.song).or_default().push((sum.take, levels));
    }
    let mix = &job.config.mix;
    let levels = |takes: &[(&str, MixLevels)]| -> Vec<MixLevels> {
        takes.iter().map(|take| take.1).collect()
    };
    let reach = |takes: &[(&str, MixLevels)]| reach_lufs(&levels(takes), mix.ceiling_dbtp);
    let holds = |song: &str, kept: &Gain| {
        let peaks = songs[song].iter().filter_map(|take| take.1.true_peak_dbtp);
        peaks
            .into_iter()
            .all(|peak| peak + kept.db <= mix.ceiling_dbtp)
    };
    let mut kept: BTreeMap<&str, Gain> = (songs.keys())
        .filter_map(|song| Some((*song, delivered(job, song)?)))
        .filter(|(song, gain)| holds(song, gain))
        .collect();
    // What was delivered stays, as long as the songs that came since can be as loud.
    let mut target_lufs = kept
        .values()
        .next()
        .and_then(|gain| gain.why.reached_lufs());
    let agree = kept
        .values()
        .all(|gain| gain.why.reached_lufs() == target_lufs);
    let others = songs.iter().filter(|(song, _)| !kept.contains_key(*song));
    let reached = target_lufs.is_some_and(|target| {
        others
            .filter_map(|(_, takes)| reach(takes))
            .all(|reach| reach > target - 0.05)
    });
    if !(agree && reached) {
        if !kept.is_empty() {
            work.warn("rough mixes: the songs have another common loudness than when they were delivered, all of them are mixed again");
        }
        kept.clear();
        target_lufs = None;
    }
    let least = songs
        .iter()
        .filter_map(|(song, takes)| Some((*song, reach(takes)?)));
    let least = least.min_by(|a, b| a.1.total_cmp(&b.1));
    let holding = least.filter(|(_, reach)| *reach < mix.target_lufs);
    let target_lufs = target_lufs.unwrap_or(match holding {
        Some((_, reach)) => down_to_tenth(reach),
        None => mix.target_lufs,
    });
    let gain = |takes: &[(&str, MixLevels)]| {
        let found = rough_gain(&levels(takes), target_lufs, mix.ceiling_dbtp);
        let db = round_to(down_to_tenth(found.db), 1);
        let by_db = round_to(mix.target_lufs - target_lufs, 1);
        let held = holding.filter(|_| by_db > 0.0).map(|(song, _)| HeldMix {
            by_db,
            take: loudest(song, &songs[song]),
            ceiling_dbtp: mix.ceiling_dbtp,
        });
        let why = match found.wanted_db {
            Some(wanted) => Reason::MixLevel {
                wanted_db: round_to(wanted + by_db, 1),
                target_lufs: mix.target_lufs,
                held,
            },
            None => Reason::MixSilent,
        };
        Gain { db, why }
    };
    (songs.iter())
        .map(|(song, takes)| (*song, kept.remove(song).unwrap_or_else(|| gain(takes))))
        .collect()
}

/// The take of a song with the highest peak, as `song/take`.
fn loudest(song: &str, takes: &[(&str, MixLevels)]) -> String {
    let peak = |take: &(&str, MixLevels)| take.1.true_peak_dbtp.unwrap_or(f64::NEG_INFINITY);
    let take = takes.iter().max_by(|a, b| peak(a).total_cmp(&peak(b)));
    format!("{song}/{}", take.map_or("", |take| take.0))
}

/// The gain that the mixes of a song were delivered with.
fn delivered(job: &Job<'_>, song: &str) -> Option<Gain> {
    delivered_mix(job, song).map(|mix| Gain {
        db: mix.report.gain_db,
        why: mix.gain_reason.clone(),
    })
}

/// A mix of a song as it was delivered, unless what they are made by has changed, or one of them lacked
/// a track that had failed: then it was never right.
pub(super) fn delivered_mix<'j>(job: &'j Job<'_>, song: &str) -> Option<&'j KeptMix> {
    let sheet = &job.standing.sheet;
    if job.anew != Anew::Nothing
        || sheet.session_file_sha256.as_deref() != job.session_file_sha256()
    {
        return None;
    }
    let mut of_song = sheet.mixes.iter().filter(|mix| mix.report.song == song);
    let lacks = |mix: &KeptMix| mix.report.omitted.iter().any(|o| o.why == Reason::Failed);
    if of_song.clone().any(lacks) {
        return None;
    }
    of_song.find(|mix| mix.report.path.is_some())
}

/// The gain of a song's mixes without processing: to the loudness of those with it.
pub(super) fn dry_gain_db(job: &Job<'_>, gain: Option<&Gain>, takes: &[&Levels]) -> f64 {
    let levels: Vec<MixLevels> = takes.iter().copied().map(mix_levels).collect();
    let target_lufs = gain.and_then(|gain| gain.why.reached_lufs());
    let target_lufs = target_lufs.unwrap_or(job.config.mix.target_lufs);
    let found = rough_gain(&levels, target_lufs, job.config.mix.ceiling_dbtp);
    round_to(down_to_tenth(found.db), 1)
}

fn mix_levels(levels: &Levels) -> MixLevels {
    MixLevels {
        integrated_lufs: levels.integrated_lufs,
        true_peak_dbtp: levels.true_peak_dbtp,
    }
}

/// Rounded down, so that the ceiling holds.
fn down_to_tenth(db: f64) -> f64 {
    (db * 10.0 + 1e-6).floor() / 10.0
}
