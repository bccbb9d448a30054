//! A simulated take as material of evidence.

use std::sync::Arc;

use crate::analysis::{Listener, Material, TakeTrack, Trace};
use crate::block::Block;
use crate::error::Result;
use crate::session::Side;

use super::room::SimTake;

/// A simulated take as the engine would hand it over; the overheads are one stereo track.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// What the tracks are.
    pub tracks: Vec<TakeTrack>,
    sound: Vec<Vec<Vec<f64>>>,
    traces: Vec<Arc<Trace>>,
}

impl Recorded {
    /// From tracks and their channels.
    pub fn new(tracks: Vec<TakeTrack>, sound: Vec<Vec<Vec<f64>>>) -> Self {
        let traces = tracks
            .iter()
            .zip(&sound)
            .map(|(track, channels)| {
                let mut listener = Listener::new(track.family, track.rate_hz, channels.len());
                listener.push(&Block::from_channels(channels.clone()));
                Arc::new(listener.finish())
            })
            .collect();
        Self {
            tracks,
            sound,
            traces,
        }
    }

    /// From a simulated take.
    pub fn from_take(take: &SimTake) -> Self {
        let mut tracks: Vec<TakeTrack> = Vec::new();
        let mut sound: Vec<Vec<Vec<f64>>> = Vec::new();
        for mic in &take.mics {
            if mic.name == "overhead-r" {
                if let Some(pair) = sound.last_mut() {
                    pair.push(mic.samples.clone());
                }
                continue;
            }
            let name = mic.name.strip_suffix("-l").unwrap_or(mic.name);
            tracks.push(TakeTrack {
                label: name.to_owned(),
                mic: name.to_owned(),
                family: mic.family,
                side: None::<Side>,
                rate_hz: take.rate_hz,
                frames: mic.samples.len() as u64,
                offset_frames: 0,
            });
            sound.push(vec![mic.samples.clone()]);
        }
        Self::new(tracks, sound)
    }

    /// The sound of a track.
    pub fn sound(&self, track: usize) -> &[Vec<f64>] {
        &self.sound[track]
    }
}

impl Material for Recorded {
    fn trace(&mut self, track: usize) -> Result<Arc<Trace>> {
        Ok(self.traces[track].clone())
    }

    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>> {
        Ok(self.sound[track]
            .iter()
            .map(|x| {
                (first..first + frames as i64)
                    .map(|i| {
                        usize::try_from(i)
                            .ok()
                            .and_then(|i| x.get(i))
                            .copied()
                            .unwrap_or(0.0)
                    })
                    .collect()
            })
            .collect())
    }
}
