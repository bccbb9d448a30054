//! One stem: read, chain, write, measure what was written.

use std::io::{Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::Work;
use super::attempt;
use super::measure::{HashedReader, Measured};
use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::cache::store::{Done, Origin};
use crate::dsp::resample::{self, Resampler};
use crate::error::{Error, Result};
use crate::measure::picture::{Painter, Picture};
use crate::measure::{Levels, Meter};
use crate::output::layout::Unit;
use crate::output::ours::Standing;
use crate::output::publish::{self, Draft, Outbox, Published};
use crate::report::Output;
use crate::session::config::{Bits, Output as OutputFormat};
use crate::stage::Stage;
use crate::wav::{
    Change, Depth, Dither, Loudness, Metadata, Reader, WriteSpec, Writer, history_line,
};
use crate::worksheet::Entry;

/// A finished stem and the figures of its samples as written.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Rendered {
    /// The file.
    pub output: Output,
    /// Measured on the file.
    pub after: Levels,
    /// Of the file.
    pub picture: Arc<Picture>,
    /// An earlier run made it, and this one did not look at it.
    #[serde(skip)]
    pub standing: bool,
}

/// Renders the stem of `unit` as `entry` says, or finds it finished.
pub fn render(
    work: &Work<'_>,
    outbox: &Outbox,
    unit: &Unit<'_>,
    entry: &Entry,
    measured: &Measured,
    format: &OutputFormat,
) -> Result<Rendered> {
    let chain = entry.chain();
    let origin = Origin::new()
        .with("their source", &(&measured.key, &measured.sha256))
        .with("what is decided for them", &chain)
        .because("their preset", &unit.preset.text())
        .with(
            "the output format",
            &(format.rate_hz, format.bits.name(), format.dither),
        )
        .with("their name", &unit.key);
    if let Some(found) = finished(work, outbox.root(), &unit.stem_path, &origin)? {
        work.advance(unit.samples());
        return Ok(found);
    }
    let source = unit.track.first_source();
    let (from_hz, channels) = (unit.track.rate_hz(), unit.track.channels());
    let rate_hz = format.rate_hz.unwrap_or(from_hz);
    let depth = depth(format.bits);
    let start = unit.track.time_reference_samples().unwrap_or(0);
    let dither = dither(unit, &chain, rate_hz, format);
    let carried = audio::open(&work.root.join(&source.path))?.metadata()?;
    let change = Change {
        history: &history_line(rate_hz, depth.bits(), channels, crate::report::TOOL),
        loudness: Loudness::default(),
        rates_hz: (from_hz, rate_hz),
        channels_changed: source.info.channels != channels,
    };
    let (metadata, metadata_updated) = carried.updated(&change);
    let frames = resample::frames_out(unit.track.frames(), start, from_hz, rate_hz);
    let spec = WriteSpec {
        rate_hz,
        channels,
        depth,
        dither,
        frames,
    };

    let mut sink = Sink::create(outbox, &unit.stem_path, &spec, &metadata)?;
    // A file of many tracks is not hashed with each of them.
    let alone = unit
        .track
        .sources
        .iter()
        .all(|source| source.channel.is_none());
    let mut hashed = HashedReader::open(work.root, unit.track, alone)?;
    let reader = (&mut hashed.reader, &measured.dc_offsets()[..]);
    if rate_hz == from_hz {
        attempt::run(work, unit, reader, &chain, |block| sink.write(block))?;
    } else {
        let mut resampler = Resampler::new(from_hz, rate_hz, channels, start)?;
        let mut out = Block::default();
        attempt::run(work, unit, reader, &chain, |block| {
            resampler.process(block, &mut out);
            sink.write(&out)
        })?;
        resampler.finish(&mut out);
        sink.write(&out)?;
    }
    if alone {
        measured.meet_again(work.root, unit.track, &hashed.finish(work, unit.track)?)?;
    }
    measured.still_holds(work.root, unit.track)?;
    let (published, after, picture) = sink.publish(work)?;
    let output = Output {
        path: unit.stem_path.clone(),
        sha256: published.sha256,
        sample_rate_hz: rate_hz,
        channels,
        bit_depth: depth.bits(),
        sample_format: if depth == Depth::Float32 {
            audio::SampleFormat::Float
        } else {
            audio::SampleFormat::Int
        },
        frames,
        time_reference_samples: metadata.time_reference_samples(),
        dithered: dither != Dither::None,
        metadata_updated,
    };
    let rendered = Rendered {
        output,
        after,
        picture: Arc::new(picture),
        standing: false,
    };
    note(
        work,
        &unit.stem_path,
        origin,
        &rendered.output.sha256,
        &rendered,
    )?;
    Ok(rendered)
}

/// A sound file on its way into the output folder; whatever fails, its name is told.
pub struct Sink {
    writer: Writer<Draft>,
    target: PathBuf,
}

impl Sink {
    /// Begins the file `path` of the output folder.
    pub fn create(
        outbox: &Outbox,
        path: &str,
        spec: &WriteSpec,
        metadata: &Metadata,
    ) -> Result<Self> {
        let draft = outbox.create(Path::new(path))?;
        let target = draft.target();
        let writer = Writer::create(draft, spec, metadata).map_err(|e| named(e, &target))?;
        Ok(Self { writer, target })
    }

    /// Writes a block.
    pub fn write(&mut self, block: &Block) -> Result<()> {
        (self.writer.write(block)).map_err(|error| named(error, &self.target))
    }

    /// Ends the file, measures it as it lies on the disk, and puts it in its place.
    pub fn publish(self, work: &Work<'_>) -> Result<(Published, Levels, Picture)> {
        let Self { writer, target } = self;
        let (draft, _) = writer.finish().map_err(|error| named(error, &target))?;
        let (published, (after, picture)) =
            draft.publish_seen(|file| measure_file(work, file, &target))?;
        Ok((published, after, picture))
    }
}

fn named(error: Error, target: &Path) -> Error {
    match error.path {
        None => error.at(target),
        Some(_) => error,
    }
}

/// An output that is there, whole, and was made from the same things.
pub fn finished<T: serde::de::DeserializeOwned>(
    work: &Work<'_>,
    root: &Path,
    path: &str,
    origin: &Origin,
) -> Result<Option<T>> {
    let Some(done) = work.store.done(path, origin) else {
        return Ok(None);
    };
    let file = root.join(path);
    let is_file = std::fs::symlink_metadata(&file).is_ok_and(|found| found.is_file());
    let cancel = || work.stop.is_set();
    let whole = is_file
        && publish::sha256_file(&file, &cancel)
            .is_ok_and(|sha256| sha256.as_ref() == Some(&done.sha256));
    work.stop.check()?;
    let found = whole
        .then(|| serde_json::from_value(done.figures).ok())
        .flatten();
    if found.is_none() {
        work.store
            .again(path, "they are gone or not as they were written");
    }
    Ok(found)
}

/// The stem of a unit that an earlier run made, if it stands as it was made.
pub fn standing(work: &Work<'_>, outbox: &Outbox, unit: &Unit<'_>) -> Option<Rendered> {
    let found: Rendered = as_noted(work, outbox, &unit.stem_path)?;
    Some(Rendered {
        standing: true,
        ..found
    })
}

/// What an earlier run noted of an output that stands as it was written.
pub fn as_noted<T: serde::de::DeserializeOwned>(
    work: &Work<'_>,
    outbox: &Outbox,
    path: &str,
) -> Option<T> {
    let stands = outbox.ours()?.standing(Path::new(path)) == Standing::Written;
    let done = work.store.noted_as(path).filter(|_| stands)?;
    serde_json::from_value(done.figures).ok()
}

/// Notes a finished output in the journal.
pub fn note(
    work: &Work<'_>,
    path: &str,
    origin: Origin,
    sha256: &str,
    figures: &impl Serialize,
) -> Result<()> {
    let figures = serde_json::to_value(figures).unwrap_or_default();
    work.store.note(Done {
        path: path.to_owned(),
        origin,
        sha256: sha256.to_owned(),
        figures,
    })
}

/// The depth of a file.
pub fn depth(bits: Bits) -> Depth {
    match bits {
        Bits::Int16 => Depth::Int16,
        Bits::Int24 => Depth::Int24,
        Bits::Float32 => Depth::Float32,
    }
}

/// Dither only where bits are lost: never on samples that pass untouched.
fn dither(unit: &Unit<'_>, chain: &[Stage], rate_hz: u32, format: &OutputFormat) -> Dither {
    let info = &unit.track.sources[0].info;
    let fits = unit.track.sources.iter().all(|source| {
        source.info.sample_format == audio::SampleFormat::Int
            && source.info.bit_depth <= depth(format.bits).bits()
            && source.info.rate_hz == info.rate_hz
    });
    let untouched = rate_hz == info.rate_hz && fits && chain.iter().all(Stage::keeps_bits);
    if !format.dither || untouched || format.bits == Bits::Float32 {
        return Dither::None;
    }
    Dither::Tpdf {
        seed: seed(&unit.key),
    }
}

/// The same file gets the same noise in every run, and no two files the same.
pub fn seed(name: &str) -> u64 {
    let hash = Sha256::digest(name.as_bytes());
    hash.iter()
        .take(8)
        .fold(0, |seed, &byte| seed << 8 | u64::from(byte))
}

/// Figures and picture of a written file, which `path` names in messages.
fn measure_file(
    work: &Work<'_>,
    file: impl Read + Seek + Send,
    path: &Path,
) -> Result<(Levels, Picture)> {
    let mut reader = Reader::new(file, path)?;
    let (rate_hz, channels, frames) = (
        reader.info().rate_hz,
        reader.info().channels,
        reader.info().frames,
    );
    let mut meter = Meter::new(rate_hz, channels);
    let mut painter = Painter::new(rate_hz, channels, frames);
    let mut block = Block::default();
    let mut read = 0;
    while reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        meter.push(&block);
        painter.push(&block);
        read += block.frames() as u64;
    }
    if read != frames {
        return Err(Error::file(
            path,
            format!("was written with {frames} frames, but {read} can be read"),
        ));
    }
    Ok((meter.finish(), painter.finish()))
}
