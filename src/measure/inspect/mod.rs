//! Findings that need one track only: flat tops, silence, dropouts, clicks, hum, DC, samples that
//! are no numbers. One pass, memory bounded; each detector keeps the first or worst places.

use serde::{Deserialize, Serialize};

use crate::audio::SampleFormat;
use crate::finding::{Finding, FindingKind, Severity};

use super::clipped::Clips;
use super::ticks::{NonFinite, Tick};

pub use clicks::{Click, confirm_clicks};
pub use hum::Hum;

mod clicks;
mod clipped;
mod dc_offset;
mod dropouts;
mod hum;
mod lines;
mod low;
mod non_finite;
mod prediction;
mod repeats;
mod silence;
#[cfg(test)]
mod table;
#[cfg(test)]
mod tests;

/// How many places of one finding are kept.
pub const PLACES: usize = 100;

/// Samples that stay in reach behind the ones being looked at; more than twice the longest block
/// that is looked for as a repeat.
const HISTORY: usize = 12_288;
/// New samples that are looked at together.
const SCAN: usize = 32_768;

/// What one track alone tells.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Inspection {
    /// In the order of their codes; clicks are not among them, see [`confirm_clicks`].
    pub findings: Vec<Finding>,
    /// Samples in flat tops, over all channels; the count in the finding and in the levels.
    pub clipped_samples: u64,
    /// Nothing above −80 dBFS: the mic was dead, muted or not plugged in.
    pub silent: bool,
    /// The strongest hum of the channels.
    pub hum: Option<Hum>,
    /// Jumps that may be clicks or strokes, in order of time: at most 1000, the largest.
    pub clicks: Vec<Click>,
}

/// Rounding and rate of a track.
#[derive(Clone, Copy, Debug)]
struct Format {
    rate_hz: u32,
    /// One step of the source.
    lsb: f64,
}

impl Format {
    fn frames(self, seconds: f64) -> usize {
        (seconds * f64::from(self.rate_hz)).round() as usize
    }

    fn seconds(self, frame: u64) -> f64 {
        // to the microsecond: finer than a sample, and short in a report
        crate::units::round_to(frame as f64 / f64::from(self.rate_hz), 6)
    }

    fn places(self, frames: &[u64]) -> Vec<f64> {
        frames
            .iter()
            .take(PLACES)
            .map(|&f| self.seconds(f))
            .collect()
    }
}

/// The last samples of one channel in one piece.
#[derive(Clone, Debug, Default)]
struct Trace {
    samples: Vec<f64>,
    /// Frame of the first of them.
    base: u64,
}

impl Trace {
    /// One past the last frame.
    fn end(&self) -> u64 {
        self.base + self.samples.len() as u64
    }

    /// Frames `from..to`, or `None` where they are not all in reach.
    fn get(&self, from: u64, to: u64) -> Option<&[f64]> {
        let from = from.checked_sub(self.base)? as usize;
        let to = to.checked_sub(self.base)? as usize;
        self.samples.get(from..to)
    }

    fn forget(&mut self, keep: usize) {
        let old = self.samples.len().saturating_sub(keep);
        self.samples.drain(..old);
        self.base += old as u64;
    }
}

/// Looks at each channel as the stream passes.
#[derive(Debug)]
pub(crate) struct Inspector {
    format: Format,
    channels: Vec<Channel>,
}

#[derive(Debug)]
struct Channel {
    trace: Trace,
    fresh: usize,
    silence: silence::Silence,
    dc_offset: dc_offset::DcOffset,
    dropouts: dropouts::Dropouts,
    repeats: repeats::Repeats,
    clicks: clicks::Clicks,
    low: low::Low,
    hum: hum::Listener,
}

impl Inspector {
    pub fn new(rate_hz: u32, channels: usize, bit_depth: u16, sample_format: SampleFormat) -> Self {
        let bits = match sample_format {
            SampleFormat::Int => bit_depth.clamp(8, 24),
            SampleFormat::Float => 24,
        };
        let format = Format {
            rate_hz,
            lsb: 2.0 / (1u64 << bits) as f64,
        };
        let low = low::Low::new(rate_hz);
        let channel = |index| Channel {
            trace: Trace::default(),
            fresh: 0,
            silence: silence::Silence::new(format),
            dc_offset: dc_offset::DcOffset::new(low.rate_hz()),
            dropouts: dropouts::Dropouts::new(format),
            repeats: repeats::Repeats::new(format),
            clicks: clicks::Clicks::new(format, index),
            low: low.clone(),
            hum: hum::Listener::new(low.rate_hz()),
        };
        Self {
            format,
            channels: (0..channels).map(channel).collect(),
        }
    }

    /// The next 10 ms.
    pub fn tick(&mut self, tick: &Tick) {
        for (channel, (samples, stats)) in self.channels.iter_mut().zip(tick.channels) {
            channel
                .silence
                .tick(tick.start, samples.len(), stats.peak());
            channel.trace.samples.extend_from_slice(samples);
            channel.fresh += samples.len();
            if channel.fresh >= SCAN {
                channel.scan(false);
            }
        }
    }

    /// Everything that was found. `clips` come from the meter, one a channel.
    pub fn finish(mut self, clips: &[Clips], non_finite: &NonFinite) -> Inspection {
        let format = self.format;
        self.channels
            .iter_mut()
            .for_each(|channel| channel.scan(true));
        let silent = self.channels.iter().all(|c| c.silence.dead());
        let mut inspection = Inspection {
            clipped_samples: clips.iter().map(Clips::samples).sum(),
            silent,
            ..Inspection::default()
        };
        let (mut silences, mut offsets, mut runs) = (Vec::new(), Vec::new(), Vec::new());
        for channel in self.channels {
            let gaps = [&channel.dropouts.found, &channel.repeats.found];
            let runs_here = gaps.into_iter().flat_map(|found| &found.runs);
            let edges: Vec<u64> = runs_here
                .flat_map(|run| [run.frame, run.frame + run.samples])
                .collect();
            silences.push(channel.silence);
            offsets.push(channel.dc_offset);
            runs.push(channel.dropouts.found);
            runs.push(channel.repeats.found);
            let ms = u64::from(format.rate_hz) / 1000;
            let clicks = channel.clicks.finish().into_iter();
            // where samples are missing, sound begins and ends with a jump
            let apart = |frame: u64| edges.iter().all(|e| e.abs_diff(frame) > 2 * ms);
            inspection.clicks.extend(clicks.filter(|c| apart(c.frame)));
            let hum = channel.hum.finish(|hz| channel.low.response(hz));
            let louder = |a: &Hum, b: &Hum| a.level_dbfs.total_cmp(&b.level_dbfs);
            inspection.hum = inspection.hum.into_iter().chain(hum).max_by(louder);
        }
        inspection.clicks.sort_by_key(|click| click.frame);
        // a jump in both sides of a pair is one click
        let ms = u64::from(format.rate_hz) / 1000;
        inspection.clicks.dedup_by(|b, a| {
            let same = a.channel != b.channel && b.frame - a.frame <= ms;
            if same && b.level_dbfs > a.level_dbfs {
                *a = *b;
            }
            same
        });
        inspection.findings.extend(clipped::finding(format, clips));
        inspection
            .findings
            .extend(silence::finding(format, &silences));
        inspection.findings.extend(dropouts::finding(format, runs));
        let said = inspection.hum.as_ref().filter(|hum| !hum.faint());
        inspection.findings.extend(said.map(Hum::finding));
        inspection.findings.extend(dc_offset::finding(&offsets));
        inspection
            .findings
            .extend(non_finite::finding(format, non_finite));
        inspection
    }
}

impl Channel {
    /// Looks at what is new; at the `end` of the track nothing more will come.
    fn scan(&mut self, end: bool) {
        self.dropouts.scan(&self.trace, end);
        self.repeats.scan(&self.trace, end);
        self.clicks.scan(&self.trace, end);
        let (hum, dc_offset) = (&mut self.hum, &mut self.dc_offset);
        self.low.scan(&self.trace, |x| {
            hum.push(x);
            dc_offset.push(x);
        });
        if end {
            self.hum.end();
        }
        self.trace.forget(HISTORY);
        self.fresh = 0;
    }
}

/// How sure, in three words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Sure {
    Possible,
    Probable,
    Certain,
}

impl Sure {
    fn confidence(self) -> f64 {
        match self {
            Sure::Certain => 1.0,
            Sure::Probable => 0.8,
            Sure::Possible => 0.5,
        }
    }
}

fn found(kind: FindingKind, severity: Severity, sure: Sure, at_s: Vec<f64>) -> Finding {
    Finding {
        at_s,
        ..Finding::new(kind, severity, sure.confidence())
    }
}
