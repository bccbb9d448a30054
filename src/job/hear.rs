//! What was played: the tracks of each take compared, then the takes of each set-up.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::measure::Measured;
use super::take::start_s;
use super::{Job, Work};
use crate::analysis::playing::{Playing, Strokes, playing};
use crate::analysis::{DrumEvidence, Reference, TakeEvidence, TakeTrack, pool_setup, sketch};
use crate::cache::store::Key;
use crate::decide::heard::{Heard, Listening, TakeHeard, heard};
use crate::error::{Error, Kind, Result};
use crate::preset::{Preset, Step};
use crate::report::hits::Loudest;
use crate::session::{Song, Take, Track};
use crate::stage::Stage;
use listen::{TakeResult, Takes, listen};

mod listen;

/// A take and those of its tracks that could be measured.
struct Members<'a> {
    song: &'a Song,
    take: &'a Take,
    /// Index of each track in the session.
    indices: Vec<usize>,
    tracks: Vec<&'a Track>,
    measured: Vec<&'a Measured>,
    known: Vec<TakeTrack>,
}

impl Members<'_> {
    /// Where a track begins, in seconds of the take.
    fn start_s(&self, track: usize) -> f64 {
        let known = &self.known[track];
        known.offset_frames as f64 / f64::from(known.rate_hz)
    }

    /// All that its evidence depends on.
    fn keys(&self) -> Vec<(&Key, &str, i64)> {
        let known = self.measured.iter().zip(&self.known);
        known
            .map(|(m, k)| (&m.key, k.label.as_str(), k.offset_frames))
            .collect()
    }

    fn samples(&self) -> u64 {
        self.tracks
            .iter()
            .map(|t| t.frames() * t.channels() as u64)
            .sum()
    }
}

/// What was heard of a session.
#[derive(Default)]
pub struct Hearing {
    /// One entry a track, in session order; a track that failed has an empty one.
    pub tracks: Vec<Heard>,
    /// One entry a take that could be heard, in session order.
    pub takes: Vec<TakePlayed>,
}

/// How a take was played; its strokes lie in the store.
pub struct TakePlayed {
    /// Slug of its song.
    pub song: String,
    /// Its own slug.
    pub take: String,
    /// Where [`TakePlayed::strokes`] finds them.
    key: Key,
    /// The loudest sure stroke of each drum in the set-up.
    pub loudest: Arc<Loudest>,
    /// Tempo, timing, levels.
    pub playing: Playing,
    /// The label of the track that each drum of `playing` is heard in.
    pub mics: Vec<String>,
}

impl TakePlayed {
    /// All strokes of the take.
    pub fn strokes(&self, work: &Work<'_>) -> Result<Strokes> {
        let gone = || {
            let place = work.store.place_of(&self.key);
            Error::new(Kind::File, "the strokes kept there cannot be read again").at(&place)
        };
        work.store.get(&self.key).ok_or_else(gone)
    }
}

/// Hears all takes. A track that cannot be listened to fails here, and its take is heard without it.
pub fn hear(work: &Work<'_>, job: &Job<'_>, measured: &mut [Result<Measured>]) -> Result<Hearing> {
    loop {
        let takes = members(job, measured);
        let mut failed = Vec::new();
        let heard = hear_takes(work, job, measured.len(), &takes, &mut failed)?;
        if failed.is_empty() {
            return Ok(heard);
        }
        for (index, error) in failed {
            measured[index] = Err(error);
        }
    }
}

/// The tracks of a take that an error is about: those of its file, or all.
fn blame(work: &Work<'_>, members: &Members<'_>, error: &Error) -> Vec<(usize, Error)> {
    let about = |track: &Track| {
        let at = |source: &crate::session::Source| {
            error.path.as_deref() == Some(&work.root.join(&source.path))
        };
        track.sources.iter().any(at)
    };
    let known = members.tracks.iter().any(|track| about(track));
    let all = members.indices.iter().zip(&members.tracks);
    all.filter(|(_, track)| !known || about(track))
        .map(|(&index, _)| (index, error.clone()))
        .collect()
}

fn hear_takes(
    work: &Work<'_>,
    job: &Job<'_>,
    tracks: usize,
    takes: &[Members<'_>],
    failed: &mut Vec<(usize, Error)>,
) -> Result<Hearing> {
    let mut setups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, members) in takes.iter().enumerate() {
        setups.entry(&members.take.setup).or_default().push(i);
    }
    let references = references(work, takes, &setups, failed)?;
    let listen = |members: &Members<'_>| {
        let reference = references.get(members.take.setup.as_str());
        listen(work, members, reference)
    };
    // Heard side by side, and forgotten: what all takes show would not fit in memory together.
    let together = work.each("listen", takes, Members::samples, |members| {
        listen(members)?;
        work.advance(members.samples());
        Ok(())
    })?;
    let mut gated = vec![false; tracks];
    let mut presets: Vec<Option<&Preset>> = vec![None; tracks];
    for unit in job.units {
        if unit.derived.is_none() {
            presets[unit.track_index] = Some(unit.preset);
        }
        let gates = |step: &Step| matches!(step.stage, Stage::Gate(_));
        gated[unit.track_index] |= unit.preset.stages.iter().any(gates);
    }
    let mut all: Vec<Heard> = (0..tracks).map(|_| Heard::default()).collect();
    let mut played: Vec<(usize, TakePlayed)> = Vec::new();
    for list in setups.values() {
        let mut good = Vec::new();
        let mut results: Vec<TakeResult> = Vec::new();
        let mut loudest = Loudest::new();
        let mut playings = Vec::new();
        for &i in list {
            match together[i].clone().and_then(|()| listen(&takes[i])) {
                Ok(mut result) => {
                    let strokes = std::mem::take(&mut result.evidence.strokes);
                    playings.push(keep_strokes(work, &strokes, &mut loudest)?);
                    good.push(i);
                    results.push(result);
                }
                Err(error) => failed.extend(blame(work, &takes[i], &error)),
            }
        }
        let loudest = Arc::new(loudest);
        for (&i, (key, mics, playing)) in good.iter().zip(playings) {
            let members = &takes[i];
            let take = TakePlayed {
                song: members.song.slug.clone(),
                take: members.take.slug.clone(),
                key,
                loudest: loudest.clone(),
                playing,
                mics,
            };
            played.push((i, take));
        }
        let evidence: Vec<&TakeEvidence> = results.iter().map(|r| &r.evidence).collect();
        let setup = pool_setup(&evidence);
        let views: Vec<TakeHeard<'_>> = good
            .iter()
            .zip(&results)
            .map(|(&i, result)| TakeHeard {
                song: &takes[i].song.slug,
                slug: &takes[i].take.slug,
                evidence: &result.evidence,
                tracks: takes[i]
                    .tracks
                    .iter()
                    .zip(&takes[i].measured)
                    .zip(&result.clicks)
                    .zip(&result.duplicates)
                    .zip(&takes[i].indices)
                    .map(
                        |((((track, measured), click), duplicate), &index)| Listening {
                            track,
                            levels: &measured.levels,
                            inspection: &measured.inspection,
                            sha256: &measured.sha256,
                            click: click.as_ref(),
                            duplicate: *duplicate,
                            preset: presets[index],
                        },
                    )
                    .collect(),
            })
            .collect();
        for (&i, found) in good.iter().zip(heard(&views, &setup, job.config)) {
            for (&index, mut heard) in takes[i].indices.iter().zip(found) {
                if !gated[index] {
                    heard.gate_hits = Vec::new();
                }
                all[index] = heard;
            }
        }
    }
    let singles = job.session.tracks().count();
    for (n, (pair, [left, right])) in job.session.pairs().enumerate() {
        all[singles + n] = all[left].with_right(&all[right], pair.sources[0].lead_frames);
    }
    played.sort_by_key(|(i, _)| *i);
    Ok(Hearing {
        tracks: all,
        takes: played.into_iter().map(|(_, take)| take).collect(),
    })
}

/// Keeps the strokes of a take for its files, which are written last, and says how it was played.
fn keep_strokes(
    work: &Work<'_>,
    strokes: &Strokes,
    loudest: &mut Loudest,
) -> Result<(Key, Vec<String>, Playing)> {
    let key = Key::of("strokes", &strokes);
    (work.store.keep(&key, strokes)).map_err(Error::needed)?;
    for (drum, _) in &strokes.drums {
        if let Some(level) = strokes.loudest_dbfs(drum) {
            let most = loudest.entry(drum.clone()).or_insert(level);
            *most = most.max(level);
        }
    }
    work.stop.check()?;
    let mics = strokes.drums.iter().map(|(_, label)| label.clone());
    Ok((key, mics.collect(), playing(strokes)))
}

/// What the takes of each set-up teach each other; one take alone has nothing to learn from.
fn references<'s>(
    work: &Work<'_>,
    takes: &[Members<'_>],
    setups: &BTreeMap<&'s str, Vec<usize>>,
    failed: &mut Vec<(usize, Error)>,
) -> Result<BTreeMap<&'s str, Reference>> {
    let several = || setups.iter().filter(|(_, list)| list.len() > 1);
    let members: Vec<&Members<'_>> = several()
        .flat_map(|(_, list)| list.iter().map(|&i| &takes[i]))
        .collect();
    let samples = |members: &&Members<'_>| members.samples();
    let sketches = work.each("listen", &members, samples, |members| {
        let key = Key::of("sketch", &members.keys());
        if let Some(found) = work.store.get::<Vec<DrumEvidence>>(&key) {
            work.advance(members.samples());
            return Ok(found);
        }
        let mut material = Takes::new(work, members);
        let drums = sketch(&members.known, &mut material)?;
        material.whole()?;
        work.store.put(&key, &drums)?;
        work.advance(members.samples());
        Ok(drums)
    })?;
    for (members, sketch) in members.iter().zip(&sketches) {
        if let Err(error) = sketch {
            failed.extend(blame(work, members, error));
        }
    }
    let mut sketches = sketches.into_iter();
    let mut references = BTreeMap::new();
    for (setup, list) in several() {
        let drums: Vec<Vec<DrumEvidence>> = sketches
            .by_ref()
            .take(list.len())
            .filter_map(Result::ok)
            .collect();
        let drums: Vec<&[DrumEvidence]> = drums.iter().map(Vec::as_slice).collect();
        references.insert(*setup, Reference::pool(&drums));
    }
    Ok(references)
}

fn members<'a>(job: &Job<'a>, measured: &'a [Result<Measured>]) -> Vec<Members<'a>> {
    let mut takes: Vec<Members<'a>> = Vec::new();
    for (index, (song, take, track)) in job.session.tracks().enumerate() {
        if !takes.last().is_some_and(|m| std::ptr::eq(m.take, take)) {
            let (indices, tracks, measured, known) = Default::default();
            takes.push(Members {
                song,
                take,
                indices,
                tracks,
                measured,
                known,
            });
        }
        if let (Some(members), Ok(measured)) = (takes.last_mut(), &measured[index]) {
            members.indices.push(index);
            members.tracks.push(track);
            members.measured.push(measured);
        }
    }
    for members in &mut takes {
        members.known = known(members.take, &members.tracks);
    }
    takes
}

/// The tracks as evidence knows them, each where it starts in the whole take.
fn known(take: &Take, tracks: &[&Track]) -> Vec<TakeTrack> {
    let frames = |track: &Track| start_s(take, track) * f64::from(track.rate_hz());
    tracks
        .iter()
        .map(|track| TakeTrack {
            label: track.label.clone(),
            mic: track.mic.name().to_owned(),
            family: track.mic.family,
            side: track.side,
            rate_hz: track.rate_hz(),
            frames: track.frames(),
            offset_frames: frames(track).round() as i64,
        })
        .collect()
}
