//! The tracks of a take compared with each other.

use std::sync::Arc;

use crate::analysis::attribution::attribute::{Attribution, Drum, Heard, Known, attribute};
use crate::analysis::attribution::close;
use crate::analysis::attribution::drums::{TakeTrack, drums, stands_close};
use crate::analysis::attribution::features::FEATURES;
use crate::analysis::attribution::listed;
use crate::analysis::attribution::reference::Reference;
use crate::analysis::attribution::rings::{self, Rings};
use crate::analysis::attribution::unlikely::Unlikely;
use crate::analysis::playing::Strokes;
use crate::analysis::polarity::pair::PairEvidence;
use crate::analysis::polarity::sides::Lean;
use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::hits;
use crate::analysis::strokes::hits::Hit;
use crate::analysis::strokes::metronome::Metronome;
use crate::analysis::strokes::moments::{self, Moment, Rise};
use crate::analysis::strokes::trace::Trace;
use crate::analysis::strokes::window::window;
use crate::analysis::tuning::hit::HitTuning;
use crate::analysis::tuning::pooled::Tuning;
use crate::analysis::tuning::ring::Ring;
use crate::error::Result;
use crate::session::Family;
use serde::{Deserialize, Serialize};

/// Where the traces and the sound of a take come from.
pub trait Material {
    /// The trace of a track; it is asked for a few times.
    fn trace(&mut self, track: usize) -> Result<Arc<Trace>>;
    /// Samples of a track, a vector a channel, from a frame of the track on (below 0 and beyond the
    /// end: zeros); always `frames` long.
    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>>;
}

/// How much later than a close mic an overhead may hear a stroke.
const OVERHEAD_LATE_MS: i64 = 6;

/// The kit of a take: all that attribution needs, without sound.
pub(crate) struct Kit {
    pub drums: Vec<(String, Drum)>,
    /// Tracks that take part, by their place in the take; the drums' `own` counts these.
    pub tracks: Vec<usize>,
    pub moments: Vec<Moment>,
    pub rises: Vec<Vec<Rise>>,
    pub onsets: Vec<Vec<(i64, u16)>>,
    pub overheads: Vec<usize>,
}

impl Kit {
    pub fn hear(tracks: &[TakeTrack], material: &mut dyn Material) -> Result<Self> {
        let members: Vec<usize> = (0..tracks.len())
            .filter(|&t| tracks[t].drum().is_some() || tracks[t].family == Family::Overhead)
            .collect();
        let subset: Vec<TakeTrack> = members.iter().map(|&t| tracks[t].clone()).collect();
        let mut drums = drums(&subset);
        let mut onsets = Vec::new();
        let mut all: Vec<i64> = Vec::new();
        for (i, &t) in members.iter().enumerate() {
            let trace = material.trace(t)?;
            let offset = tracks[t].offset_ms();
            let list: Vec<(i64, u16)> = trace
                .onsets
                .iter()
                .map(|o| (i64::from(o.at_ms) + offset, o.strength))
                .collect();
            if subset[i].family != Family::Overhead || drums.is_empty() {
                all.extend(moments::struck(&trace, offset, &list));
            }
            onsets.push(list);
        }
        for (t, track) in tracks.iter().enumerate().filter(|(_, t)| t.is_trigger()) {
            let offset = track.offset_ms();
            let trace = material.trace(t)?;
            all.extend(trace.onsets.iter().map(|o| i64::from(o.at_ms) + offset));
        }
        let moments = moments::gather(all);
        let mut rises = Vec::new();
        for (i, &t) in members.iter().enumerate() {
            let late = match subset[i].family {
                Family::Overhead => OVERHEAD_LATE_MS,
                _ => 0,
            };
            let trace = material.trace(t)?;
            rises.push(moments::rises(
                &trace,
                tracks[t].offset_ms(),
                late,
                &moments,
            ));
        }
        let close: Vec<usize> = drums.iter().map(|(_, d)| d.own).collect();
        drums.retain(|(_, drum)| {
            let others: Vec<usize> = close.iter().copied().filter(|&o| o != drum.own).collect();
            drum.family != Family::Unknown || stands_close(&rises, drum.own, &others)
        });
        Ok(Self {
            overheads: (0..subset.len())
                .filter(|&i| subset[i].family == Family::Overhead)
                .collect(),
            tracks: members,
            drums,
            moments,
            rises,
            onsets,
        })
    }

    /// What other takes show of each drum.
    fn known(&self, tracks: &[TakeTrack], reference: Option<&Reference>) -> Vec<Known> {
        let known = |name: &str| {
            reference.map_or_else(Known::default, |r| r.known(name, tracks, &self.tracks))
        };
        self.drums.iter().map(|(name, _)| known(name)).collect()
    }

    /// Whose strokes they are.
    fn attribute(
        &self,
        tracks: &[TakeTrack],
        material: &mut dyn Material,
        reference: Option<&Reference>,
    ) -> Result<Attribution> {
        let known = self.known(tracks, reference);
        let drums: Vec<Drum> = self.drums.iter().map(|d| d.1.clone()).collect();
        let heard = Heard {
            moments: &self.moments,
            rises: &self.rises,
            onsets: &self.onsets,
            overheads: &self.overheads,
        };
        let mut attribution = attribute(&heard, &drums, &known);
        rings::judge(tracks, material, self, reference, &mut attribution)?;
        attribution.one_stroke_at_a_time();
        Ok(attribution)
    }
}

/// What a take's tracks show when compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TakeEvidence {
    /// Where the kit is played, in milliseconds of the take: count-in, taps and talk lie outside.
    /// `None` where nothing was struck.
    pub window_ms: Option<(i64, i64)>,
    /// One a track, in the order given.
    pub tracks: Vec<TrackEvidence>,
    /// One a drum (or cymbal) that has a mic of its own.
    pub drums: Vec<DrumEvidence>,
    /// Mics of one drum, close mics and overheads, the sides of a pair.
    pub pairs: Vec<PairEvidence>,
    /// Where the overhead and room pairs hear each drum.
    pub leans: Vec<Lean>,
    /// Every stroke, drum by drum.
    pub strokes: Strokes,
}

/// What the take shows of one track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrackEvidence {
    /// Its label.
    pub label: String,
    /// The drum whose hits these are; `None` for overheads and rooms (hits of kick and snare).
    pub drum: Option<String>,
    /// What may be hits inside the window, in order, from a probability of 0.2 on ([`own_hits`] are
    /// those from 0.5 on). Empty for tracks that hear no drum.
    ///
    /// [`own_hits`]: TrackEvidence::own_hits
    pub hits: Vec<Hit>,
    /// Of a tom: moments below 0.2 that are as loud in its mic as its own hits ([`as_loud_db`]). Bleed
    /// hardly ever is; a stroke together with a kick or a crash may look like bleed to the other mics.
    /// Where it has no hit, and none was probably missed, the loudest moments.
    ///
    /// [`as_loud_db`]: crate::analysis::as_loud_db
    pub as_loud: Vec<Hit>,
    /// Hits outside the window, for a gate: they count for nothing, and are heard.
    pub outside: Vec<Hit>,
    /// Whether the hits were told from bleed by other mics; if not, they are only onsets.
    pub attributed: bool,
    /// Moments that may be hits (0.2 ≤ p < 0.5).
    pub unsure: usize,
    /// Share of the strokes that were probably missed, 0 to 1.
    pub missed: f64,
    /// Tuning of the take; `None` where no hit has a pitch.
    pub tuning: Option<Tuning>,
    /// The hits that it rests on.
    pub tuning_hits: Vec<HitTuning>,
    /// Hits that had room for it.
    pub tuning_tried: usize,
    /// All that rings after them.
    pub ring: Ring,
    /// A metronome that is heard between the strokes.
    pub metronome: Option<Metronome>,
    /// Why it is probably another mic than it is called; only said of a drum's own mic.
    pub unlikely: Option<Unlikely>,
}

impl TrackEvidence {
    /// The moments that count as hits: at least as probable as not.
    pub fn own_hits(&self) -> impl Iterator<Item = &Hit> {
        self.hits
            .iter()
            .filter(|h| h.probability >= f64::from(hits::OWN))
    }
}

/// A drum as this take shows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrumEvidence {
    /// `kick`, `snare`, `tom-2`, `china-r`.
    pub name: String,
    /// Part of the kit.
    pub family: Family,
    /// Label of the track that hears it first.
    pub own: String,
    /// Energy of its strong hits in its own mic (mean square over 10 ms, all bands).
    pub level_db: Option<f64>,
    /// How much each band of each track rises at one of its hits, over `level_db`; by label.
    pub template_db: Vec<(String, [f32; BANDS])>,
    /// How it rings after them; `None` of few, and of what is no tom.
    pub rings: Option<Rings>,
    /// Hits.
    pub count: usize,
    /// Sum of the probabilities of all moments.
    pub expected: f64,
    /// The most probable moment.
    pub most: f64,
    /// The two loudest rises of its own mic, whosever they are, as one level.
    pub loudest_db: Option<f64>,
    /// The same over that of the second-loudest take of the set-up.
    pub over_db: Option<f64>,
    /// Whether the take plays it.
    pub played: Played,
}

/// Whether a drum is played in a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Played {
    /// It is, with this confidence.
    Yes(f64),
    /// It is not, with this confidence; only ever said by comparison with other takes.
    No(f64),
    /// Undecided, for this reason.
    NotSure(String),
}

/// Compares the tracks of a take. `reference` is what other takes of the set-up
/// have shown; without it levels are judged within the take alone, and no drum is ever called
/// unplayed. Fails only where `material` does.
pub fn relate(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    reference: Option<&Reference>,
) -> Result<TakeEvidence> {
    let kit = Kit::hear(tracks, material)?;
    let mut attribution = kit.attribute(tracks, material, reference)?;
    hits::follow_triggers(tracks, material, &kit, &mut attribution)?;
    let window_ms = window(&kit, &attribution);
    let heard = hits::tracks(tracks, material, &kit, &attribution, window_ms)?;
    let mut evidence = TakeEvidence {
        window_ms,
        drums: hits::drums(tracks, &kit, &attribution, reference),
        strokes: listed::strokes(tracks, material, &kit, &attribution, window_ms, &heard)?,
        tracks: heard,
        pairs: Vec::new(),
        leans: Vec::new(),
    };
    close::listen(tracks, material, &kit, &attribution, &mut evidence)?;
    Ok(evidence)
}

/// What a take shows of its drums, without listening to the sound around hits: all that
/// [`Reference::pool`] needs. Fails only where `material` does.
pub fn sketch(tracks: &[TakeTrack], material: &mut dyn Material) -> Result<Vec<DrumEvidence>> {
    let kit = Kit::hear(tracks, material)?;
    let mut attribution = kit.attribute(tracks, material, None)?;
    hits::follow_triggers(tracks, material, &kit, &mut attribution)?;
    Ok(hits::drums(tracks, &kit, &attribution, None))
}

/// A moment as the fitting program sees it, for one drum.
#[doc(hidden)]
#[derive(Clone, Copy, Debug)]
pub struct ExampleMoment {
    pub features: [f32; FEATURES],
    /// How well it lies in the time that the drum keeps, 0 to 1.
    pub in_time: f32,
    /// When the drum's own mic rose, in quarters of a millisecond.
    pub at_parts: i64,
    /// How loud its own mic got, in decibels.
    pub loud_db: f32,
    /// By the weights that are built in; 0 beside a louder stroke of the drum.
    pub probability: f32,
}

/// A drum by its name, and all moments.
#[doc(hidden)]
pub type Example = (String, Family, Vec<ExampleMoment>);

/// Features of all moments of a take.
#[doc(hidden)]
pub fn examples(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    reference: Option<&Reference>,
) -> Result<Vec<Example>> {
    let kit = Kit::hear(tracks, material)?;
    let attribution = kit.attribute(tracks, material, reference)?;
    let moment = |d: usize, m: usize| ExampleMoment {
        features: attribution.features[d][m],
        in_time: attribution.in_time[d][m],
        at_parts: attribution.at_parts[d][m],
        loud_db: attribution.loud_db[d][m],
        probability: attribution.probability[d][m],
    };
    let moments = |d: usize| (0..kit.moments.len()).map(|m| moment(d, m)).collect();
    let drums = kit.drums.iter().enumerate();
    Ok(drums
        .map(|(d, (name, drum))| (name.clone(), drum.family, moments(d)))
        .collect())
}
