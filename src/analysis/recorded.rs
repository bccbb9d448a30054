//! A take in memory as material of evidence, for tests, benchmarks and fits.

use std::sync::Arc;

use crate::analysis::{Listener, Material, TakeTrack, Trace};
use crate::block::Block;
use crate::error::Result;

/// Tracks in memory, as the engine would hand them over.
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
