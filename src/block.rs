//! [`Block`]: the only form in which audio travels between a reader and a writer.

/// How many frames a stream is cut into: a stereo block of `f64` (64 KiB) stays in the cache.
/// Nothing that comes out may depend on it.
pub const FRAMES: usize = 4096;

/// Planar samples, full scale ±1.0: one vector a channel, all of one length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Block {
    channels: Vec<Vec<f64>>,
}

impl Block {
    /// `channels` × `frames` zeros.
    pub fn new(channels: usize, frames: usize) -> Self {
        Self {
            channels: vec![vec![0.0; frames]; channels],
        }
    }

    /// Takes channels as they are. All must have the same length.
    pub fn from_channels(channels: Vec<Vec<f64>>) -> Self {
        debug_assert!(channels.windows(2).all(|w| w[0].len() == w[1].len()));
        Self { channels }
    }

    /// Frames in the block (0 where there is no channel).
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Number of channels.
    pub fn count(&self) -> usize {
        self.channels.len()
    }

    /// The samples of one channel.
    pub fn channel(&self, index: usize) -> &[f64] {
        &self.channels[index]
    }

    /// The samples of one channel, to change.
    pub fn channel_mut(&mut self, index: usize) -> &mut [f64] {
        &mut self.channels[index]
    }

    /// All channels in order.
    pub fn channels(&self) -> impl ExactSizeIterator<Item = &[f64]> {
        self.channels.iter().map(Vec::as_slice)
    }

    /// All channels in order, to change.
    pub fn channels_mut(&mut self) -> impl ExactSizeIterator<Item = &mut [f64]> {
        self.channels.iter_mut().map(Vec::as_mut_slice)
    }

    /// All channels as vectors, for code that appends or cuts. Keep them of one length.
    pub fn vectors_mut(&mut self) -> &mut Vec<Vec<f64>> {
        &mut self.channels
    }

    /// Sets the number of frames; new ones are zero.
    pub fn resize(&mut self, frames: usize) {
        for channel in &mut self.channels {
            channel.resize(frames, 0.0);
        }
    }

    /// Drops the first `frames` frames (all, where there are fewer).
    pub fn drop_front(&mut self, frames: usize) {
        for channel in &mut self.channels {
            channel.drain(..frames.min(channel.len()));
        }
    }
}
