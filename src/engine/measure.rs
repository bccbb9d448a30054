//! The first pass over a track: figures, findings of one track, and the trace that hits are found in.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::Work;
use super::store::Key;
use super::track::{TrackReader, mend};
use crate::block::Block;
use crate::error::{Error, Result};
use crate::evidence::{Listener, Trace};
use crate::measure::inspect::Inspection;
use crate::measure::picture::{Painter, Picture};
use crate::measure::{Levels, Survey};
use crate::publish;
use crate::session::Track;

/// What the first pass found; the trace lies beside it in the store.
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
    pub picture: Picture,
}

/// Measures a track, or finds the measurement of the same content again.
pub fn measure(work: &Work<'_>, track: &Track) -> Result<Measured> {
    let cancel = || work.stop.is_set();
    let hash = |source: &crate::session::Source| {
        let sha256 = publish::sha256_file(&work.root.join(&source.path), &cancel)?;
        sha256.map_or_else(|| work.stop.check().map(|()| String::new()), Ok)
    };
    let sha256 = track.sources.iter().map(hash).collect::<Result<Vec<_>>>()?;
    work.stop.check()?;
    let channels: Vec<Option<usize>> = track.sources.iter().map(|s| s.channel).collect();
    let key = Key::of("measure", &(&sha256, &channels, track.mic.family));
    if let Some(found) = work.store.get::<Measured>(&key)
        && work.store.get_bytes(&key).is_some()
    {
        work.advance(track.frames() * track.channels() as u64);
        return Ok(found);
    }
    let (survey, trace, picture) = pass(work, work.root, track)?;
    let (levels, inspection) = survey.finish();
    let measured = Measured {
        sha256,
        key,
        levels,
        inspection,
        picture,
    };
    work.store.put_bytes(&measured.key, &trace.to_bytes())?;
    work.store.put(&measured.key, &measured)?;
    Ok(measured)
}

fn pass(work: &Work<'_>, root: &Path, track: &Track) -> Result<(Survey, Trace, Picture)> {
    let mut reader = TrackReader::open(root, track)?;
    let mut survey = Survey::new(&track.sources[0].info, track.channels());
    let mut listener = Listener::new(track.mic.family, track.rate_hz(), track.channels());
    let mut painter = Painter::new(track.rate_hz(), track.channels(), track.frames());
    let mut block = Block::default();
    let mut frames = 0;
    while reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        survey.push(&block);
        mend(&mut block);
        listener.push(&block);
        painter.push(&block);
        frames += block.frames() as u64;
        work.advance((block.frames() * block.count()) as u64);
    }
    if frames != track.frames() {
        let path = root.join(&track.sources[0].path);
        let reason = format!(
            "ended after {frames} of {} frames: it changed while it was read",
            track.frames()
        );
        return Err(
            Error::file(&path, reason).hint("wait until nothing writes to it, then run again")
        );
    }
    Ok((survey, listener.finish(), painter.finish()))
}
