//! Numbers at the end of names: takes, further mics, or neither. Only all files of a folder can tell.

use std::collections::{BTreeMap, BTreeSet};

use super::reading::{Last, LastIs, Reading, Written};
use crate::audio::Info;

/// One file of a folder, for its numbers.
pub(in crate::session) struct Numbered<'a> {
    /// As the name alone suggests.
    pub reading: &'a Reading,
    /// With the number as the take's, where it was read as the mic's.
    pub as_take: Option<&'a Reading>,
    pub info: &'a Info,
}

/// What became of a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::session) struct Verdict {
    pub last_is: LastIs,
    pub take: Option<u32>,
    /// It is shared with other mics, but their times or lengths do not agree.
    pub disagrees: bool,
}

/// Judges the files of one folder and song that give no take in words; one verdict each.
///
/// A number at the end is a take's if it is written as recorders do (after `_`, `-`, `.`, or with
/// zeros) or stands behind nearly all mics; if most files have one, or two mics share it; and if the
/// files that share it agree in time reference and length. A number that every file has for itself
/// counts tracks.
pub(in crate::session) fn judge(files: &[Numbered]) -> Vec<Verdict> {
    let of_take = |f: &Numbered| f.reading.last.filter(|last| !last.of_mic);
    let mut mics: BTreeMap<u32, BTreeSet<&str>> = BTreeMap::new();
    let mut styles: BTreeMap<Written, usize> = BTreeMap::new();
    for file in files {
        if let Some(last) = of_take(file) {
            mics.entry(last.value)
                .or_default()
                .insert(&file.reading.matched);
            *styles.entry(last.written).or_default() += 1;
        }
    }
    let count = files.iter().filter(|f| of_take(f).is_some()).count();
    let all: BTreeSet<&str> = mics.values().flatten().copied().collect();
    let shared = mics.values().any(|mics| mics.len() > 1);
    let strong = |style: &Written| style.width > 1 || !matches!(style.separator, None | Some(' '));
    let written = styles.keys().all(strong);
    let apart = files
        .iter()
        .filter(|f| !f.reading.last.is_some_and(|last| last.of_mic))
        .count();
    let tracks = count > 2 && !shared && all.len() == count;
    let credible = count > 0
        && !tracks
        && if written {
            shared || 2 * count > files.len()
        } else {
            shared && all.len() > 1 && 100 * count > 85 * apart
        };
    let style = styles
        .iter()
        .max_by_key(|(_, n)| **n)
        .map(|(style, _)| *style);
    let numbers: BTreeSet<u32> = mics.keys().copied().collect();
    // `Tom 1`, `Tom 2` are two toms, unless they are numbered exactly as the takes are.
    let mut per_mic: BTreeMap<&str, BTreeSet<u32>> = BTreeMap::new();
    for file in files {
        if let (Some(as_take), Some(last)) = (file.as_take, file.reading.last) {
            per_mic
                .entry(&as_take.matched)
                .or_default()
                .insert(last.value);
        }
    }
    let counts_takes = |file: &Numbered, last: Last| match file.as_take {
        None => !last.of_mic,
        Some(as_take) => {
            let own = per_mic.get(&as_take.matched[..]);
            Some(last.written) == style && own.is_some_and(|own| own.is_subset(&numbers))
        }
    };
    let mut take: Vec<Option<u32>> = Vec::new();
    for file in files {
        let last = file
            .reading
            .last
            .filter(|last| credible && counts_takes(file, *last));
        take.push(last.map(|last| last.value));
    }
    let mut by_take: BTreeMap<u32, Vec<&Info>> = BTreeMap::new();
    for (file, take) in files.iter().zip(&take) {
        if let Some(take) = take {
            by_take.entry(*take).or_default().push(file.info);
        }
    }
    let agreeing: BTreeSet<u32> = by_take
        .into_iter()
        .filter(|(_, i)| agree(i))
        .map(|(n, _)| n)
        .collect();
    let lanes = lanes(files);
    files
        .iter()
        .zip(take)
        .map(|(file, take)| {
            let is_take = take.filter(|take| agreeing.contains(take));
            let lane = file.reading.lane.filter(|lane| lanes.contains(lane));
            let last_is = match (file.reading.last, take) {
                (_, Some(_)) => LastIs::Take,
                (Some(last), None) if tracks && !last.of_mic => LastIs::Either,
                (Some(_), None) => LastIs::Mic,
                (None, None) => LastIs::Either,
            };
            Verdict {
                last_is,
                take: is_take.or(lane),
                disagrees: take.is_some() && is_take.is_none(),
            }
        })
        .collect()
}

/// Lanes that two mics or more share and that agree in time and length: a recorder's takes.
fn lanes(files: &[Numbered]) -> BTreeSet<u32> {
    let mut lanes: BTreeMap<u32, (BTreeSet<&str>, Vec<&Info>)> = BTreeMap::new();
    for file in files {
        if let Some(lane) = file.reading.lane {
            let lane = lanes.entry(lane).or_default();
            lane.0.insert(&file.reading.matched);
            lane.1.push(file.info);
        }
    }
    let takes = lanes
        .into_iter()
        .filter(|(_, (mics, infos))| mics.len() > 1 && agree(infos));
    takes.map(|(lane, _)| lane).collect()
}

/// Whether most of these files start at one time and have one length (to half a second: two
/// recorders drift). Truncated ones have no say.
fn agree(infos: &[&Info]) -> bool {
    let whole: Vec<&&Info> = infos.iter().filter(|i| i.truncated.is_none()).collect();
    if whole.len() < 2 {
        return true;
    }
    let mut votes: BTreeMap<(Option<u64>, u64), usize> = BTreeMap::new();
    for info in &whole {
        let halves = |samples: u64| 2 * samples / u64::from(info.rate_hz.max(1));
        let key = (info.time_reference_samples.map(halves), halves(info.frames));
        *votes.entry(key).or_default() += 1;
    }
    // A value just below and one just above the edge of a step are the same.
    let near = |a: &(Option<u64>, u64), b: &(Option<u64>, u64)| {
        let time = match (a.0, b.0) {
            (Some(a), Some(b)) => a.abs_diff(b) <= 1,
            (None, None) => true,
            _ => false,
        };
        time && a.1.abs_diff(b.1) <= 1
    };
    let Some((most, _)) = votes.iter().max_by_key(|(_, n)| **n) else {
        return true;
    };
    let agreeing: usize = votes
        .iter()
        .filter(|(key, _)| near(key, most))
        .map(|(_, n)| n)
        .sum();
    2 * agreeing > whole.len()
}
