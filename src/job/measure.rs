//! The first pass over a track: figures, findings of one track, and the trace that hits are found in.

use std::path::Path;
use std::sync::{Arc, OnceLock};

use serde::{Deserialize, Serialize};

use super::Work;
use super::track::{TrackReader, mend};
use crate::analysis::{Listener, Trace};
use crate::audio;
use crate::block::Block;
use crate::cache::store::Key;
use crate::error::{Error, Result};
use crate::files::Stamp;
use crate::finding::{Finding, FindingKind};
use crate::measure::inspect::{Click, Inspection};
use crate::measure::waveform::{Painter, Waveform};
use crate::measure::{Levels, Survey};
use crate::output::publish::{self, SharedHashing};
use crate::session::Track;

/// What is heard of a longer track is put into a file meanwhile.
const LONG_S: u64 = 300;

/// What the first pass found; the trace lies beside it in the store, and the clicks lie there only.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Measured {
    /// SHA-256 of each source file, in the order of the track.
    pub sha256: Vec<String>,
    /// Where this is kept: whatever depends on the samples depends on it.
    pub key: Key,
    /// Figures of the source.
    pub levels: Levels,
    /// What was found in the samples.
    pub inspection: Inspection,
    /// Outline and spectrum.
    pub waveform: Arc<Waveform>,
    /// What each source looked like while its hash was taken, in the order of the track.
    #[serde(skip)]
    pub stamps: Vec<Stamp>,
    /// Set once a stem was made of the same bytes.
    #[serde(skip)]
    met: OnceLock<()>,
}

impl Measured {
    /// They are asked for once: see [`clicks`].
    fn without_clicks(mut self) -> Self {
        self.inspection.clicks = Vec::new();
        self
    }

    /// The DC offset of each channel, where there is one to speak of; else nothing.
    pub fn dc_offsets(&self) -> Vec<f64> {
        let is_offset = |finding: &Finding| matches!(finding.kind, FindingKind::DcOffset { .. });
        if !self.inspection.findings.iter().any(is_offset) {
            return Vec::new();
        }
        match &self.levels.channels[..] {
            [] => vec![self.levels.dc_offset],
            channels => channels.iter().map(|levels| levels.dc_offset).collect(),
        }
    }

    /// An error if a stem was made of other bytes than were measured.
    pub fn meet_again(&self, root: &Path, track: &Track, sha256: &[String]) -> Result<()> {
        for (source, (before, now)) in track.sources.iter().zip(self.sha256.iter().zip(sha256)) {
            if before != now {
                return Err(changed(&root.join(&source.path)));
            }
        }
        let _ = self.met.set(());
        Ok(())
    }

    /// Whether a stem was made of the same bytes, and nobody has written to them since.
    pub fn was_met_again(&self, root: &Path, track: &Track) -> bool {
        // Elsewhere a stamp does not tell that a file was written to and its times were set back.
        cfg!(unix) && self.met.get().is_some() && self.still_holds(root, track).is_ok()
    }

    /// An error if a source has been written to since its hash was taken.
    pub fn still_holds(&self, root: &Path, track: &Track) -> Result<()> {
        for (source, before) in track.sources.iter().zip(&self.stamps) {
            let path = root.join(&source.path);
            if stamp(&path)? != *before {
                return Err(changed(&path));
            }
        }
        Ok(())
    }
}

/// The error of a source that did not hold still.
pub fn changed(path: &Path) -> Error {
    Error::file(path, "was changed while it was being read")
        .hint("wait until nothing writes to it, then run again")
}

fn stamp(path: &Path) -> Result<Stamp> {
    Stamp::of(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => Error::file(path, "vanished while it was being read")
            .hint("bring it back, then run again"),
        _ => Error::reading(path, &error),
    })
}

/// Measures a track, or finds the measurement of the same content again.
pub fn measure(work: &Work<'_>, track: &Track) -> Result<Measured> {
    let stamps = (track.sources.iter())
        .map(|source| stamp(&work.root.join(&source.path)))
        .collect::<Result<Vec<_>>>()?;
    let channels: Vec<Option<usize>> = track.sources.iter().map(|s| s.channel).collect();
    let key = |sha256: &[String]| Key::of("measure", &(sha256, &channels, track.mic.family));
    let mut known = None;
    let shared = channels.iter().any(Option::is_some);
    if shared || !work.store.is_fresh() {
        let hash = |source: &crate::session::Source| {
            let path = work.root.join(&source.path);
            match source.channel {
                Some(_) => work.store.hash_once(&path, || hash(work, &path)),
                None => hash(work, &path),
            }
        };
        let sha256 = track.sources.iter().map(hash).collect::<Result<Vec<_>>>()?;
        let key = key(&sha256);
        if let Some(found) = work.store.get::<Measured>(&key)
            && work.store.get_file(&key).is_some()
        {
            work.advance(track.frames() * track.channels() as u64);
            let found = Measured { stamps, ..found };
            found.still_holds(work.root, track)?;
            return Ok(found.without_clicks());
        }
        known = Some(sha256);
    }
    // Otherwise the hash is that of the very bytes that are measured.
    let (survey, trace, waveform, sha256) = pass(work, track, known)?;
    let key = key(&sha256);
    let (levels, inspection) = survey.finish();
    let measured = Measured {
        sha256,
        key,
        levels,
        inspection,
        waveform: Arc::new(waveform),
        stamps,
        met: OnceLock::new(),
    };
    measured.still_holds(work.root, track)?;
    keep_trace(work, &measured.key, &trace)?;
    work.store.keep(&measured.key, &measured)?;
    Ok(measured.without_clicks())
}

/// The clicks that [`measure`] left in the store; looked for again where they cannot be read there.
pub fn clicks(work: &Work<'_>, track: &Track, measured: &Measured) -> Result<Vec<Click>> {
    match work.store.get::<Measured>(&measured.key) {
        Some(found) => Ok(found.inspection.clicks),
        None => Ok(pass_again(work, track, measured)?.0.finish().1.clicks),
    }
}

/// The trace that [`measure`] left in the store; heard again where it cannot be read there. Of more
/// milliseconds than `in_memory` it stays there.
pub fn trace(
    work: &Work<'_>,
    track: &Track,
    measured: &Measured,
    in_memory: usize,
) -> Result<Trace> {
    if let Some(trace) = kept_trace(work, &measured.key, in_memory) {
        return Ok(trace);
    }
    let (_, trace) = pass_again(work, track, measured)?;
    keep_trace(work, &measured.key, &trace)?;
    Ok(trace)
}

/// The same, if it is there.
pub fn kept_trace(work: &Work<'_>, key: &Key, in_memory: usize) -> Option<Trace> {
    let (file, first) = work.store.get_file(key)?;
    Trace::read(file, first, in_memory).ok()
}

fn keep_trace(work: &Work<'_>, key: &Key, trace: &Trace) -> Result<()> {
    trace.whole()?;
    work.store.put_file(key, &|sink| trace.write(sink))
}

fn pass_again(work: &Work<'_>, track: &Track, measured: &Measured) -> Result<(Survey, Trace)> {
    let (survey, trace, ..) = pass(work, track, Some(measured.sha256.clone()))?;
    measured.still_holds(work.root, track)?;
    Ok((survey, trace))
}

/// SHA-256 of a source.
pub fn hash(work: &Work<'_>, path: &Path) -> Result<String> {
    if let Some(known) = work.earlier.and_then(|earlier| earlier.hash(path)) {
        return Ok(known);
    }
    let before = stamp(path)?;
    let sha256 = publish::sha256_file(path, &|| work.stop.is_set())?;
    let sha256 = sha256.ok_or_else(|| cancelled(work, path))?;
    if let Some(earlier) = work.earlier
        && stamp(path)? == before
    {
        earlier.note_hash(path, &before, &sha256);
    }
    Ok(sha256)
}

/// Why a hash was not taken to its end.
fn cancelled(work: &Work<'_>, path: &Path) -> Error {
    work.stop.check().err().unwrap_or_else(|| changed(path))
}

/// One read of a track, which is hashed meanwhile where its hash is not `known`.
fn pass(
    work: &Work<'_>,
    track: &Track,
    known: Option<Vec<String>>,
) -> Result<(Survey, Trace, Waveform, Vec<String>)> {
    let mut hashed = HashedReader::open(work.root, track, known.is_none())?;
    let mut survey = Survey::new(&track.sources[0].info, track.channels());
    let mut listener = Listener::new(track.mic.family, track.rate_hz(), track.channels());
    if track.frames() / u64::from(track.rate_hz().max(1)) > LONG_S {
        listener = listener.in_file(work.store.scratch()?);
    }
    let mut painter = Painter::new(track.rate_hz(), track.channels(), track.frames());
    let mut block = Block::default();
    let mut frames = 0;
    while hashed.reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        survey.push(&block);
        mend(&mut block);
        listener.push(&block);
        painter.push(&block);
        frames += block.frames() as u64;
        work.advance((block.frames() * block.count()) as u64);
    }
    if frames != track.frames() {
        return Err(changed(&work.root.join(&track.sources[0].path)));
    }
    let sha256 = match known {
        Some(known) => known,
        None => hashed.finish(work, track)?,
    };
    Ok((survey, listener.finish(), painter.finish(), sha256))
}

/// The reader of a track whose sources are hashed on the way.
pub struct HashedReader {
    /// To be read from start to end.
    pub reader: TrackReader,
    hashes: Vec<SharedHashing>,
}

impl HashedReader {
    /// Without `hashing` it only reads.
    pub fn open(root: &Path, track: &Track, hashing: bool) -> Result<Self> {
        let hashes: Vec<SharedHashing> = track.sources.iter().map(|_| Default::default()).collect();
        let reader = TrackReader::open_by(root, track, |i, path| match hashing {
            true => audio::open_through(path, |file| hashes[i].on(file)),
            false => audio::open(path),
        })?;
        Ok(Self { reader, hashes })
    }

    /// The hashes of the sources, whole.
    pub fn finish(self, work: &Work<'_>, track: &Track) -> Result<Vec<String>> {
        (track.sources.iter().zip(&self.hashes))
            .map(|(source, shared)| rest(work, shared, &work.root.join(&source.path)))
            .collect()
    }
}

/// The hash of a source that was read through `shared`, or not at all.
fn rest(work: &Work<'_>, shared: &SharedHashing, path: &Path) -> Result<String> {
    let Some(seen) = shared.finish(&|| work.stop.is_set()) else {
        return hash(work, path);
    };
    let seen = seen.map_err(|error| Error::reading(path, &error))?;
    seen.map(|seen| seen.sha256)
        .ok_or_else(|| cancelled(work, path))
}
