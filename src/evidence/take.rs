//! The tracks of a take held against each other.

use super::attribute::{Attribution, Drum, Heard, Known, attribute};
use super::drums::{TakeTrack, drums};
use super::moments::{self, Moment, Rise};
use super::trace::Trace;
use crate::error::Result;
use crate::session::Family;

/// Where the traces and the sound of a take come from.
pub trait Material {
    /// The trace of a track; it is asked for a few times, and one is held at a time.
    fn trace(&mut self, track: usize) -> Result<Trace>;
    /// Samples of a track, a vector a channel, from a frame of the track on (below 0 and beyond the
    /// end: zeros); always `frames` long.
    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>>;
}

/// How much later than a close mic an overhead may hear a stroke.
const OVERHEAD_LATE_MS: i64 = 6;

/// The kit of a take: all that attribution needs, without sound.
pub(super) struct Kit {
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
        let drums = drums(&subset);
        let mut onsets = Vec::new();
        for &t in &members {
            let trace = material.trace(t)?;
            let offset = tracks[t].offset_ms();
            let list: Vec<(i64, u16)> = trace
                .onsets
                .iter()
                .map(|o| (i64::from(o.at_ms) + offset, o.strength))
                .collect();
            onsets.push(list);
        }
        let close = |i: &usize| subset[*i].family != Family::Overhead || drums.is_empty();
        let all = (0..subset.len())
            .filter(close)
            .flat_map(|i| onsets[i].iter().map(|o| o.0))
            .collect();
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

    pub fn attribute(&self, known: &[Known]) -> Attribution {
        let drums: Vec<Drum> = self.drums.iter().map(|d| d.1.clone()).collect();
        attribute(
            &Heard {
                moments: &self.moments,
                rises: &self.rises,
                onsets: &self.onsets,
                overheads: &self.overheads,
            },
            &drums,
            known,
        )
    }
}

/// What the fitting program needs: for each drum its name, and for each moment the features and
/// the time.
#[doc(hidden)]
pub type Example = (
    String,
    Family,
    Vec<([f32; super::attribute::FEATURES], i64, f32)>,
);

/// Features of all moments of a take.
#[doc(hidden)]
pub fn examples(tracks: &[TakeTrack], material: &mut dyn Material) -> Result<Vec<Example>> {
    let kit = Kit::hear(tracks, material)?;
    let known = vec![Known::default(); kit.drums.len()];
    let attribution = kit.attribute(&known);
    Ok(kit
        .drums
        .iter()
        .enumerate()
        .map(|(d, (name, drum))| {
            let rows = attribution.features[d]
                .iter()
                .zip(&attribution.at_ms[d])
                .zip(&attribution.probability[d])
                .map(|((x, at), p)| (*x, *at, *p))
                .collect();
            (name.clone(), drum.family, rows)
        })
        .collect())
}
