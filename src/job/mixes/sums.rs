//! What a mix is made of: the stems of a take, each in its place, and their sum block by block.

use std::collections::BTreeMap;
use std::path::Path;

use super::balance::delivered_mix;
use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::cache::store::Key;
use crate::error::Result;
use crate::job::render::{self, Rendered};
use crate::job::{Job, Plan, Work};
use crate::measure::{Levels, Meter};
use crate::mix::{self, Strip};
use crate::output::layout::Unit;
use crate::reason::Reason;
use crate::report::session::Omitted;
use crate::session::Family;
use crate::session::config::{Bits, Place};
use crate::wav::Depth;

/// One take's mix as it will be summed.
pub(super) struct Sum<'a> {
    pub song: &'a str,
    pub take: &'a str,
    pub rate_hz: u32,
    /// Time reference of the mix: the earliest of its tracks.
    pub start: Option<u64>,
    pub frames: u64,
    pub strips: Vec<Part<'a>>,
    /// The first stroke of kick or snare, in seconds of the mix.
    pub first_hit_s: Option<f64>,
    pub omitted: Vec<Omitted>,
}

/// Which parts of a sum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Which<'a> {
    /// All.
    All,
    /// Those of a group.
    Group(&'a str),
    /// Those whose faders are given.
    Given,
    /// The one at this place.
    Alone(usize),
}

/// One stem in a sum.
pub(super) struct Part<'a> {
    pub strip: Strip,
    pub group: String,
    pub unit: &'a Unit<'a>,
    /// Its place among all units.
    pub index: usize,
    pub stem: &'a Rendered,
    pub place: Place,
}

impl Part<'_> {
    /// Moves its fader.
    pub fn set_fader(&mut self, fader_db: f64) {
        self.place.fader_db = fader_db;
        let (place, channels) = (&self.place, self.stem.output.channels);
        let offset_frames = self.strip.offset_frames;
        self.strip = Strip::new(place.fader_db, place.pan, channels, offset_frames);
    }
}

impl Sum<'_> {
    pub fn samples(&self) -> u64 {
        self.frames * 2
    }

    /// All that the sum of some of its parts depends on.
    pub fn key(&self, which: Which<'_>) -> Key {
        let parts: Vec<_> = self
            .parts(which)
            .map(|part| {
                (
                    &part.stem.output.sha256,
                    part.strip.gain,
                    &part.strip.pan,
                    part.strip.offset_frames,
                )
            })
            .collect();
        Key::of("sum", &(parts, self.frames, self.start))
    }

    /// How many stems it is made of.
    pub fn count(&self, which: Which<'_>) -> usize {
        self.parts(which).count()
    }

    /// The depth of its file.
    pub fn depth(&self, bits: Bits, which: Which<'_>) -> Depth {
        let sources = self.parts(which).flat_map(|part| &part.unit.track.sources);
        render::depth(bits, sources.map(|source| &source.info))
    }

    fn parts<'s>(&'s self, which: Which<'s>) -> impl Iterator<Item = &'s Part<'s>> {
        let is_of = move |(i, part): &(usize, &Part<'_>)| match which {
            Which::All => true,
            Which::Group(group) => part.group == group,
            Which::Given => part.place.under_mix_lu.is_none(),
            Which::Alone(place) => *i == place,
        };
        self.strips
            .iter()
            .enumerate()
            .filter(is_of)
            .map(|(_, part)| part)
    }
}

pub(super) fn try_sum(
    work: &Work<'_>,
    root: &Path,
    sum: &Sum<'_>,
    which: Which<'_>,
) -> Result<Levels> {
    measured(work, sum, &sum.key(which), |take| {
        add_up(work, root, sum, which, take)
    })
}

/// Figures of what `add_up` hands on, or those that were kept under `key`.
pub(super) fn measured(
    work: &Work<'_>,
    sum: &Sum<'_>,
    key: &Key,
    add_up: impl FnOnce(&mut dyn FnMut(&mut Block) -> Result<()>) -> Result<()>,
) -> Result<Levels> {
    if let Some(found) = work.store.get::<Levels>(key) {
        work.advance(sum.samples());
        return Ok(found);
    }
    let mut meter = Meter::new(sum.rate_hz, 2);
    add_up(&mut |block| {
        meter.push(block);
        Ok(())
    })?;
    let levels = meter.finish();
    work.store.put(key, &levels)?;
    Ok(levels)
}

/// The sums of all takes that have anything to sum.
pub(super) fn sums<'a>(
    work: &Work<'_>,
    job: &'a Job<'a>,
    plan: &Plan,
    stems: &'a [Option<Result<Rendered>>],
) -> Vec<Sum<'a>> {
    let mut takes: BTreeMap<(&str, &str), Vec<usize>> = BTreeMap::new();
    for (i, unit) in job.units.iter().enumerate() {
        if let (Some(song), Some(take)) = (unit.song, unit.take) {
            takes.entry((&song.slug, &take.slug)).or_default().push(i);
        }
    }
    takes
        .into_iter()
        .map(|((song, take), units)| {
            let mut omitted = Vec::new();
            let mut entering = Vec::new();
            for i in units {
                let unit = &job.units[i];
                match place(job, plan, unit, i, stems[i].as_ref()) {
                    Ok((stem, place)) => entering.push((unit, stem, place, i)),
                    Err(why) => omitted.push(Omitted { name: unit.name.clone(), why }),
                }
            }
            let rate_hz = audio::common_rate_hz(entering.iter().map(|e| e.1.output.sample_rate_hz));
            entering.retain(|(unit, stem, ..)| {
                let rate = stem.output.sample_rate_hz;
                if rate != rate_hz {
                    let why = Reason::OtherRate { rate_hz: rate, mix_rate_hz: rate_hz };
                    omitted.push(Omitted { name: unit.name.clone(), why });
                }
                rate == rate_hz
            });
            let times: Vec<_> =
                entering.iter().map(|e| (e.1.output.time_reference_samples, e.1.output.frames)).collect();
            let placed = mix::place(&times);
            if placed.disbelieved {
                work.warn(&format!(
                    "{song}/{take}: the time references of its tracks lie too far apart; the mix starts them together"
                ));
            }
            let strips: Vec<Part<'_>> = entering
                .into_iter()
                .zip(placed.offsets)
                .map(|((unit, stem, place, index), offset_frames)| Part {
                    strip: Strip::new(place.fader_db, place.pan, stem.output.channels, offset_frames),
                    group: job.config.group_of(unit.track.mic).to_owned(),
                    unit,
                    index,
                    stem,
                    place,
                })
                .collect();
            Sum {
                song,
                take,
                rate_hz,
                start: placed.time_reference_samples,
                frames: placed.frames,
                first_hit_s: first_hit_s(plan, &strips),
                strips,
                omitted,
            }
        })
        .collect()
}

/// Where a stem enters the mix, or why it does not.
fn place<'a>(
    job: &Job<'_>,
    plan: &Plan,
    unit: &Unit<'_>,
    i: usize,
    stem: Option<&'a Result<Rendered>>,
) -> std::result::Result<(&'a Rendered, Place), Reason> {
    let entry = plan.entries[i].as_ref().map_err(|_| Reason::Failed)?;
    if entry.left_out.value {
        return Err(Reason::LeftOut {
            because: entry.left_out.why.clone().map(Box::new),
        });
    }
    if entry.muted.value {
        return Err(Reason::Muted {
            because: entry.muted.why.clone().map(Box::new),
        });
    }
    let stem = stem
        .and_then(|stem| stem.as_ref().ok())
        .ok_or(Reason::Failed)?;
    let mut place = match &unit.derived {
        Some(derived) => job.config.place_of_derived(&derived.name, unit.track),
        None if unit.track.mic.is_unknown() => {
            return Err(Reason::UnknownMic);
        }
        None => {
            let heard = plan.heard[unit.track_index].pan.as_ref();
            let pan = heard.map(|pan| pan.value);
            job.config
                .place_heard(unit.track, pan)
                .ok_or(Reason::NeverMixed)?
        }
    };
    if place.mute {
        return Err(Reason::MutedBySession);
    }
    // Where it stood when the song was delivered, it stays.
    let kept = unit.song.and_then(|song| delivered_mix(job, &song.slug));
    let kept = kept.and_then(|mix| mix.report.levels.iter().find(|l| l.label == unit.label()));
    if let Some(level) = kept
        && let [first, ..] = level.pans[..]
    {
        place.pan = (first, level.pans.get(1).copied().unwrap_or(place.pan.1));
    }
    Ok((stem, place))
}

/// The first stroke of kick or snare, in seconds of the mix.
fn first_hit_s(plan: &Plan, strips: &[Part<'_>]) -> Option<f64> {
    let drum =
        |part: &&Part<'_>| matches!(part.unit.track.mic.family, Family::Kick | Family::Snare);
    let first = |part: &Part<'_>| {
        let hits = &plan.heard[part.unit.track_index].level_hits;
        let in_source_s = *hits.iter().min()? as f64 / f64::from(part.unit.track.rate_hz());
        let output = &part.stem.output;
        let lead = part.strip.offset_frames + output.lead_frames;
        Some(in_source_s + lead as f64 / f64::from(output.sample_rate_hz))
    };
    strips
        .iter()
        .filter(drum)
        .filter_map(first)
        .min_by(f64::total_cmp)
}

/// Reads the stems of a sum block by block and hands on their sum.
pub(super) fn add_up(
    work: &Work<'_>,
    root: &Path,
    sum: &Sum<'_>,
    which: Which<'_>,
    take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let open = |part: &Part<'_>| audio::open(&root.join(&part.stem.output.path));
    let stems = sum
        .parts(which)
        .map(|part| Ok((part.strip.clone(), open(part)?)))
        .collect::<Result<_>>()?;
    let read = |stem: &mut Box<dyn AudioRead>, part: &mut Block, frames: usize| {
        stem.read(part, frames).map(drop)
    };
    add(work, sum, stems, read, take)
}

/// Hands on the sum of what `read` gives of each source, from its start on, in the place of its strip.
pub(super) fn add<S>(
    work: &Work<'_>,
    sum: &Sum<'_>,
    mut sources: Vec<(Strip, S)>,
    mut read: impl FnMut(&mut S, &mut Block, usize) -> Result<()>,
    mut take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let mut part = Block::default();
    let mut at = 0;
    while at < sum.frames {
        work.stop.check()?;
        let frames = (sum.frames - at).min(work.block_frames as u64) as usize;
        let mut block = Block::new(2, frames);
        for (strip, source) in &mut sources {
            let needed = strip.needed(at, frames);
            if needed.start < needed.end {
                read(source, &mut part, (needed.end - needed.start) as usize)?;
                strip.add(&part, needed.start, &mut block, at);
            }
        }
        take(&mut block)?;
        work.advance(frames as u64 * 2);
        at += frames as u64;
    }
    Ok(())
}
