//! One stem: read, chain, write, measure what was written.

use std::io::{Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::Work;
use super::measure::{HashedReader, Measured};
use super::{levels_after, take};
use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::cache::store::{Done, Origin};
use crate::dsp::resample::{self, Resampler};
use crate::error::{Error, Result};
use crate::measure::waveform::{Painter, Waveform};
use crate::measure::{Levels, Meter};
use crate::output::layout::Unit;
use crate::output::ours::Standing;
use crate::output::publish::{self, Draft, Outbox, Published};
use crate::report::Output;
use crate::session::config::{Bits, Output as OutputFormat, Start};
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
    pub waveform: Arc<Waveform>,
    /// An earlier run made it, and this one did not look at it.
    #[serde(skip)]
    pub standing: bool,
}

/// Renders the stem of `unit` as `entry` says, or finds it finished. It gets a marker at each of
/// `cues_s`, seconds after the start of its source.
pub fn render(
    work: &Work<'_>,
    outbox: &Outbox,
    unit: &Unit<'_>,
    (entry, cues_s): (&Entry, &[f64]),
    measured: &Measured,
    format: &OutputFormat,
) -> Result<Rendered> {
    let chain = entry.chain();
    let placed = Placed::of(unit, format);
    let origin = Origin::new()
        .with("their source", &(&measured.key, &measured.sha256))
        .with("what is decided for them", &chain)
        .because("their preset", &unit.preset.text())
        .with(
            "the output format",
            &(format.rate_hz, format.bits.name(), format.dither, &placed),
        )
        .with("their name", &unit.key)
        .with("their markers", &cues_s);
    if let Some(found) = finished(work, outbox.root(), &unit.stem_path, &origin)? {
        work.advance(unit.samples());
        return Ok(found);
    }
    let source = unit.track.first_source();
    let (from_hz, channels) = (unit.track.rate_hz(), unit.track.channels());
    let rate_hz = format.rate_hz.unwrap_or(from_hz);
    let depth = depth(format.bits, unit.track.sources.iter().map(|s| &s.info));
    let start = unit.track.time_reference_samples().unwrap_or(0);
    let dither = dither(unit, &chain, rate_hz, format.dither, depth);
    let mut carried = audio::open(&work.root.join(&source.path))?.metadata()?;
    carried.require_bext(&unit.name, ORIGINATOR);
    let change = Change {
        history: &history_line(rate_hz, depth.bits(), channels, &history(unit, entry)),
        loudness: Loudness::default(),
        rates_hz: (from_hz, rate_hz),
        channels_changed: source.info.channels != channels,
    };
    let (mut metadata, mut metadata_updated) = carried.updated(&change);
    metadata.set_time_reference(placed.time_reference_samples);
    metadata.move_later(placed.lead_frames);
    if !cues_s.is_empty() {
        let delay_s = entry.delay_samples.value as f64 / f64::from(from_hz);
        let frame = |at_s: &f64| {
            let own = ((at_s + delay_s) * f64::from(rate_hz)).round().max(0.0) as u64;
            (placed.lead_frames + own).min(placed.frames)
        };
        let added = metadata.add_markers(cues_s.iter().map(frame));
        metadata_updated.push(format!("cue : {added} strokes added as markers"));
    }
    metadata.even_bext();
    let spec = WriteSpec {
        rate_hz,
        channels,
        depth,
        dither,
        frames: placed.frames,
    };

    let mut sink = Sink::create(outbox, &unit.stem_path, &spec, &metadata)?;
    sink.silence(placed.lead_frames)?;
    // A file of many tracks is not hashed with each of them.
    let alone = unit
        .track
        .sources
        .iter()
        .all(|source| source.channel.is_none());
    let mut hashed = HashedReader::open(work.root, unit.track, alone)?;
    let reader = (&mut hashed.reader, &measured.dc_offsets()[..]);
    if rate_hz == from_hz {
        levels_after::run(work, unit, reader, &chain, |block| sink.write(block))?;
    } else {
        let mut resampler = Resampler::new(from_hz, rate_hz, channels, start)?;
        let mut out = Block::default();
        levels_after::run(work, unit, reader, &chain, |block| {
            resampler.process(block, &mut out);
            sink.write(&out)
        })?;
        resampler.finish(&mut out);
        sink.write(&out)?;
    }
    sink.silence(placed.tail_frames())?;
    if alone {
        measured.meet_again(work.root, unit.track, &hashed.finish(work, unit.track)?)?;
    }
    measured.still_holds(work.root, unit.track)?;
    let (published, after, waveform) = sink.publish(work)?;
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
        frames: placed.frames,
        lead_frames: placed.lead_frames,
        time_reference_samples: placed.known.then_some(placed.time_reference_samples),
        dithered: dither != Dither::None,
        metadata_updated,
    };
    let rendered = Rendered {
        output,
        after,
        waveform: Arc::new(waveform),
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

/// Who made a file, in its `bext`.
pub const ORIGINATOR: &str = "batterhead";

/// What was done, for the coding history.
fn history(unit: &Unit<'_>, entry: &Entry) -> String {
    let mut text = format!(
        "{}; preset {}; gain {:+.2} dB",
        crate::report::TOOL,
        unit.preset.name,
        entry.gain_db.value
    );
    if entry.polarity_inverted.value {
        text += "; polarity inverted";
    }
    if entry.delay_samples.value != 0 {
        text += &format!("; delayed by {} samples", entry.delay_samples.value);
    }
    text
}

/// Where a stem lies in its file, in frames of the file.
#[derive(Serialize)]
struct Placed {
    /// Silence before its source begins.
    lead_frames: u64,
    /// Frames that its source gives.
    own_frames: u64,
    /// All frames of the file.
    frames: u64,
    /// First frame of the file, in samples since midnight.
    time_reference_samples: u64,
    /// Whether a clock says so.
    known: bool,
}

impl Placed {
    fn of(unit: &Unit<'_>, format: &OutputFormat) -> Self {
        let from_hz = unit.track.rate_hz();
        let rate_hz = format.rate_hz.unwrap_or(from_hz);
        let reference = unit.track.time_reference_samples();
        let own_frames = resample::frames_out(
            unit.track.frames(),
            reference.unwrap_or(0),
            from_hz,
            rate_hz,
        );
        let own_start = reference.map(|r| resample::time_reference(r, from_hz, rate_hz));
        let tracks = unit.take.map_or(&[][..], |take| &take.tracks);
        let index = tracks.iter().position(|t| std::ptr::eq(t, unit.track));
        let Some(index) = index else {
            return Self {
                lead_frames: 0,
                own_frames,
                frames: own_frames,
                time_reference_samples: own_start.unwrap_or(0),
                known: own_start.is_some(),
            };
        };
        let span = take::span(tracks, format.rate_hz);
        // A track of another rate than its take is placed by time.
        let scaled = |frames: u64| resample::time_reference(frames, span.rate_hz, rate_hz);
        let take_start = span.start.map(scaled);
        match format.start {
            Start::File => Self {
                lead_frames: 0,
                own_frames,
                frames: own_frames,
                // One that does not say is played with the earliest.
                time_reference_samples: own_start.or(take_start).unwrap_or(0),
                known: own_start.is_some(),
            },
            Start::Take => {
                let lead_frames = scaled(span.offsets[index]);
                Self {
                    lead_frames,
                    own_frames,
                    frames: scaled(span.frames).max(lead_frames + own_frames),
                    time_reference_samples: take_start.unwrap_or(0),
                    known: take_start.is_some(),
                }
            }
        }
    }

    fn tail_frames(&self) -> u64 {
        self.frames - self.lead_frames - self.own_frames
    }
}

/// A sound file on its way into the output folder; whatever fails, its name is given.
pub struct Sink {
    writer: Writer<Draft>,
    target: PathBuf,
    /// Hears the samples as a reader will find them.
    meter: Meter,
    seen: Block,
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
        Ok(Self {
            writer,
            target,
            meter: Meter::new(spec.rate_hz, spec.channels),
            seen: Block::default(),
        })
    }

    /// Writes a block.
    pub fn write(&mut self, block: &Block) -> Result<()> {
        let written = self.writer.write_seen(block, Some(&mut self.seen));
        written.map_err(|error| named(error, &self.target))?;
        self.meter.push(&self.seen);
        Ok(())
    }

    /// Writes so many frames of exact silence.
    pub fn silence(&mut self, frames: u64) -> Result<()> {
        let written = self.writer.silence(frames);
        written.map_err(|error| named(error, &self.target))?;
        let mut left = frames;
        while left > 0 {
            let size = left.min(crate::block::FRAMES as u64);
            self.meter
                .push(&Block::new(self.writer.channels(), size as usize));
            left -= size;
        }
        Ok(())
    }

    /// Ends the file with the loudness that was heard of it, draws it as it lies on the disk, and puts
    /// it in its place. What lies there is compared with what was written, so that the figures are
    /// those of the file.
    pub fn publish(self, work: &Work<'_>) -> Result<(Published, Levels, Waveform)> {
        let Self {
            writer,
            target,
            meter,
            ..
        } = self;
        let levels = meter.finish();
        let loudness = Loudness {
            integrated_lufs: levels.integrated_lufs,
            range_lu: levels.loudness_range_lu,
            true_peak_dbtp: levels.true_peak_dbtp,
            momentary_max_lufs: levels.momentary_max_lufs,
            short_term_max_lufs: levels.short_term_max_lufs,
        };
        let finished = writer.finish_with(&loudness);
        let (mut draft, written) = finished.map_err(|error| named(error, &target))?;
        if let Some((at, bytes)) = written.patch {
            let patched = draft.patch(at, &bytes);
            patched.map_err(|error| Error::writing(&target, &error))?;
        }
        let (published, waveform) = draft.publish_seen(|file| draw_file(work, file, &target))?;
        Ok((published, levels, waveform))
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
pub fn standing(work: &Work<'_>, outbox: &Outbox, unit: &Unit<'_>) -> Result<Option<Rendered>> {
    let found: Option<Rendered> = as_noted(work, outbox, &unit.stem_path)?;
    Ok(found.map(|found| Rendered {
        standing: true,
        ..found
    }))
}

/// What an earlier run noted of an output that stands as it was written.
pub fn as_noted<T: serde::de::DeserializeOwned>(
    work: &Work<'_>,
    outbox: &Outbox,
    path: &str,
) -> Result<Option<T>> {
    let Some(ours) = outbox.ours() else {
        return Ok(None);
    };
    if ours.standing(Path::new(path))? != Standing::Written {
        return Ok(None);
    }
    let done = work.store.noted_as(path)?;
    Ok(done.and_then(|done| serde_json::from_value(done.figures).ok()))
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

/// The depth of a file that is made of `sources`: where it follows them, the largest of theirs, and
/// float for what 24 bits do not hold.
pub fn depth<'a>(bits: Bits, sources: impl Iterator<Item = &'a audio::Info>) -> Depth {
    let of = |info: &audio::Info| match (info.sample_format, info.bit_depth) {
        (audio::SampleFormat::Int, 0..=16) => Depth::Int16,
        (audio::SampleFormat::Int, 17..=24) => Depth::Int24,
        _ => Depth::Float32,
    };
    match bits {
        Bits::Int16 => Depth::Int16,
        Bits::Int24 => Depth::Int24,
        Bits::Float32 => Depth::Float32,
        Bits::Source => sources
            .map(of)
            .max_by_key(|d| d.bits())
            .unwrap_or(Depth::Int24),
    }
}

/// Dither only where bits are lost: never on samples that pass untouched.
fn dither(unit: &Unit<'_>, chain: &[Stage], rate_hz: u32, wanted: bool, depth: Depth) -> Dither {
    let info = &unit.track.sources[0].info;
    let fits = unit.track.sources.iter().all(|source| {
        source.info.sample_format == audio::SampleFormat::Int
            && source.info.bit_depth <= depth.bits()
            && source.info.rate_hz == info.rate_hz
    });
    let untouched = rate_hz == info.rate_hz && fits && chain.iter().all(Stage::keeps_bits);
    if !wanted || untouched || depth == Depth::Float32 {
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

/// The waveform of a written file, which `path` names in messages.
fn draw_file(work: &Work<'_>, file: impl Read + Seek + Send, path: &Path) -> Result<Waveform> {
    let mut reader = Reader::new(file, path)?;
    let (rate_hz, channels, frames) = (
        reader.info().rate_hz,
        reader.info().channels,
        reader.info().frames,
    );
    let mut painter = Painter::new(rate_hz, channels, frames);
    let mut block = Block::default();
    let mut read = 0;
    while reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        painter.push(&block);
        read += block.frames() as u64;
    }
    if read != frames {
        return Err(Error::file(
            path,
            format!("was written with {frames} frames, but {read} can be read"),
        ));
    }
    Ok(painter.finish())
}
