//! One take: its tracks compared, its clicks and duplicates; traces and sound as they are asked for.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::super::measure;
use super::super::track::{TrackReader, mend};
use super::{Members, Work};
use crate::analysis::{Material, Reference, SameSound, TakeEvidence, Trace, relate, same_sound};
use crate::block::Block;
use crate::cache::store::Key;
use crate::error::Result;
use crate::finding::Finding;
use crate::measure::inspect::{Click, confirm_clicks};
use crate::session::Family;

/// A jump at a stroke that is as sure as this is the stroke.
const SURE_STROKE: f64 = 0.9;
/// A mic in the room hears a stroke up to so much later than the others do (10 m).
const FAR_S: [f64; 4] = [0.0, 0.010, 0.020, 0.030];

/// What one take shows.
#[derive(Clone, Serialize, Deserialize)]
pub(super) struct TakeResult {
    pub evidence: TakeEvidence,
    /// Clicks that no stroke explains, by track.
    pub clicks: Vec<Option<Finding>>,
    /// The track before it in the take that holds the same sound, by track.
    pub duplicates: Vec<Option<(usize, SameSound)>>,
}

/// What a take shows, or what was kept of it.
pub(super) fn listen(
    work: &Work<'_>,
    members: &Members<'_>,
    reference: Option<&Reference>,
) -> Result<TakeResult> {
    let key = Key::of("listen", &(members.keys(), reference));
    let earlier = (work.earlier).map(|earlier| (earlier, Key::of("take", &members.keys())));
    let note = || {
        if let Some((earlier, take)) = &earlier {
            earlier.note_heard(take.clone(), &key);
        }
    };
    if let Some(found) = work.store.get(&key) {
        note();
        return Ok(found);
    }
    if let Some(last) = earlier.as_ref().and_then(|(e, take)| e.last_heard(take))
        && let Some(found) = work.store.get(&last)
    {
        return Ok(found);
    }
    let mut material = Takes::new(work, members);
    let evidence = relate(&members.known, &mut material, reference)?;
    let onsets = onsets(members, &mut material)?;
    let result = TakeResult {
        clicks: clicks(work, members, &evidence, &onsets)?,
        duplicates: duplicates(members, &onsets, &mut material)?,
        evidence,
    };
    material.whole()?;
    work.store.put(&key, &result)?;
    note();
    Ok(result)
}

/// Onsets of every track, in seconds of the take.
fn onsets(members: &Members<'_>, material: &mut Takes<'_, '_>) -> Result<Vec<Vec<f64>>> {
    let of = |track: usize| {
        let trace = material.trace(track)?;
        let start_s = members.start_s(track);
        let at = |o: &crate::analysis::Onset| f64::from(o.at_ms) / 1000.0 + start_s;
        Ok(trace.onsets.iter().map(at).collect())
    };
    (0..members.tracks.len()).map(of).collect()
}

/// Jumps that are no stroke in any mic of the take, no jump in another one, and no beat of a
/// metronome.
fn clicks(
    work: &Work<'_>,
    members: &Members<'_>,
    evidence: &TakeEvidence,
    onsets: &[Vec<f64>],
) -> Result<Vec<Option<Finding>>> {
    let jumps: Vec<Vec<Click>> = (members.tracks.iter().zip(&members.measured))
        .map(|(track, measured)| measure::clicks(work, track, measured))
        .collect::<Result<_>>()?;
    // in seconds of the take
    let jumps_s = |track: usize| {
        let start_s = members.start_s(track);
        jumps[track].iter().map(move |c| c.at_s + start_s)
    };
    let of = |track: usize| {
        let own_s = evidence.tracks.get(track).map_or(&[][..], |e| &e.hits);
        let own_s = own_s.iter().filter(|h| h.probability >= SURE_STROKE);
        let others = onsets.iter().enumerate().filter(|(i, _)| *i != track);
        let ticks = evidence
            .tracks
            .get(track)
            .and_then(|e| e.metronome.as_ref());
        let late_s = match members.known[track].family {
            Family::Room | Family::Unknown => &FAR_S[..],
            _ => &FAR_S[..1],
        };
        let others: Vec<f64> = others
            .flat_map(|(i, o)| o.iter().copied().chain(jumps_s(i)))
            .flat_map(|at| late_s.iter().map(move |late| at + late))
            .map(|at| at - members.start_s(track))
            .chain(own_s.map(|h| h.at_ms / 1000.0))
            .chain(ticks.into_iter().flat_map(|m| m.at_s.iter().copied()))
            .collect();
        confirm_clicks(&jumps[track], &others)
    };
    Ok((0..members.tracks.len()).map(of).collect())
}

/// Tracks that hold the sound of one before them. Only those with about as many onsets are
/// compared: a copy has as many.
fn duplicates(
    members: &Members<'_>,
    onsets: &[Vec<f64>],
    material: &mut Takes<'_, '_>,
) -> Result<Vec<Option<(usize, SameSound)>>> {
    let alike = |a: usize, b: usize| {
        let (few, many) = (
            onsets[a].len().min(onsets[b].len()),
            onsets[a].len().max(onsets[b].len()),
        );
        few > 0 && many - few <= few / 20
    };
    let mut duplicates = vec![None; members.tracks.len()];
    for (second, duplicate) in duplicates.iter_mut().enumerate() {
        for first in (0..second).filter(|&first| alike(first, second)) {
            if let Some(same) = same_sound(&*material.trace(first)?, &*material.trace(second)?) {
                *duplicate = Some((first, same));
                break;
            }
        }
    }
    Ok(duplicates)
}

/// Traces from the store, sound from the sources.
pub(super) struct Takes<'w, 'a> {
    work: &'w Work<'w>,
    members: &'w Members<'a>,
    readers: Vec<Option<TrackReader>>,
    /// Those asked for: most are asked for several times.
    traces: Vec<Option<Arc<Trace>>>,
    /// Milliseconds of them in memory.
    kept_ms: usize,
}

/// Milliseconds of traces in memory at a time, twelve bytes each: twenty tracks of a minute. Others
/// are read from the store as they are needed.
const KEPT_MS: usize = 20 * 60_000;

impl<'w, 'a> Takes<'w, 'a> {
    pub fn new(work: &'w Work<'w>, members: &'w Members<'a>) -> Self {
        Self {
            work,
            members,
            readers: members.tracks.iter().map(|_| None).collect(),
            traces: vec![None; members.tracks.len()],
            kept_ms: 0,
        }
    }
}

impl Takes<'_, '_> {
    /// An error if what was found may lack something that could not be read.
    pub fn whole(&self) -> Result<()> {
        let mut traces = self.traces.iter().flatten();
        traces.try_for_each(|trace| trace.whole())
    }
}

impl Material for Takes<'_, '_> {
    fn trace(&mut self, track: usize) -> Result<Arc<Trace>> {
        self.work.stop.check()?;
        if let Some(kept) = &self.traces[track] {
            return Ok(kept.clone());
        }
        let (source, measured) = (self.members.tracks[track], self.members.measured[track]);
        let trace = measure::trace(
            self.work,
            source,
            measured,
            KEPT_MS.saturating_sub(self.kept_ms),
        )?;
        if trace.is_in_memory() {
            self.kept_ms += trace.len_ms();
        }
        let trace = Arc::new(trace);
        self.traces[track] = Some(trace.clone());
        Ok(trace)
    }

    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>> {
        self.work.stop.check()?;
        let source = self.members.tracks[track];
        let reader = match &mut self.readers[track] {
            Some(reader) => reader,
            empty => empty.insert(TrackReader::open(self.work.root, source)?),
        };
        let mut piece = vec![vec![0.0; frames]; source.channels()];
        let begin = first.max(0);
        let mut at = usize::try_from(begin - first).unwrap_or(frames).min(frames);
        if at == frames || begin as u64 >= source.frames() {
            return Ok(piece);
        }
        reader.seek(begin as u64)?;
        let mut block = Block::default();
        while at < frames && reader.read(&mut block, frames - at)? > 0 {
            mend(&mut block);
            for (piece, samples) in piece.iter_mut().zip(block.channels()) {
                piece[at..at + samples.len()].copy_from_slice(samples);
            }
            at += block.frames();
        }
        Ok(piece)
    }
}
