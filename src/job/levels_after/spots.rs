//! A chain of filters tried only where it matters: at the hits, and wherever the source is loud enough
//! that the largest peak could come out there. Everywhere else it provably cannot.

use std::ops::Range;

use super::Tried;
use super::ear::HitPeaks;
use crate::analysis::sample_of_ms;
use crate::block::Block;
use crate::error::Result;
use crate::job::Work;
use crate::job::measure::{Measured, kept_trace};
use crate::job::track::{TrackReader, mend};
use crate::measure::Levels;
use crate::measure::reach::Reach;
use crate::measure::true_peak::{LATE, TruePeak};
use crate::output::layout::Unit;
use crate::stage::{Chain, Stage};
use crate::units;

/// Of a longer track the milliseconds would take too much memory: some thirty bytes each.
const LONGEST_S: u64 = 1800;

/// True peak and hits of what comes out of `chain`, within 0.001 dB; `None` where it has to be
/// heard whole.
pub fn levels_after(
    work: &Work<'_>,
    unit: &Unit<'_>,
    measured: &Measured,
    chain: &[Stage],
    hits: &[u64],
) -> Result<Option<Tried>> {
    let rate_hz = unit.track.rate_hz();
    // What a chain that is settled gives at the start depends on more than what lies there.
    let settled = !measured.dc_offsets().is_empty();
    if settled || unit.track.frames() / u64::from(rate_hz) > LONGEST_S {
        return Ok(None);
    }
    let Some(reach) = Reach::of(chain, rate_hz) else {
        return Ok(None);
    };
    let Some(trace) = kept_trace(work, &measured.key, 0) else {
        return Ok(None);
    };
    let source = trace.peak_ratios();
    trace.whole()?;
    let bounds = reach.bounds(&source);
    let mut peaks = HitPeaks::new(unit, hits);
    let mut listening = Listening::new(work, unit, chain, &reach)?;

    let mut wanted = vec![false; bounds.len()];
    for &(from, to) in peaks.windows() {
        let ms = |frame: u64| (frame * 1000 / u64::from(rate_hz)) as usize;
        let last = ms(to).min(wanted.len() - 1);
        wanted[ms(from).min(last)..=last].fill(true);
    }
    if let Some(loudest) = (0..bounds.len()).max_by(|&a, &b| bounds[a].total_cmp(&bounds[b])) {
        wanted[loudest] = true;
    }
    for span in spans(&wanted, listening.run_up_ms()) {
        listening.hear(span, |frame, block| {
            peaks.jump(frame);
            peaks.push(block);
        })?;
    }
    let known = listening.true_peak() as f32;
    let wanted: Vec<bool> = (bounds.iter().zip(wanted))
        .map(|(&bound, heard)| !heard && bound > known)
        .collect();
    for span in spans(&wanted, listening.run_up_ms()) {
        listening.hear(span, |_, _| ())?;
    }
    Ok(Some(Tried {
        levels: Levels {
            true_peak_dbtp: units::ratio_to_db(listening.true_peak()),
            ..Levels::default()
        },
        hit_peaks_dbfs: peaks.finish(),
    }))
}

/// Runs of wanted milliseconds; what lies no further apart than `near` is one run.
fn spans(wanted: &[bool], near: usize) -> Vec<Range<usize>> {
    let mut spans: Vec<Range<usize>> = Vec::new();
    for (ms, _) in wanted.iter().enumerate().filter(|(_, wanted)| **wanted) {
        match spans.last_mut() {
            Some(last) if ms <= last.end + near => last.end = ms + 1,
            _ => spans.push(ms..ms + 1),
        }
    }
    spans
}

/// Hears spans of a track through a chain.
struct Listening<'a> {
    work: &'a Work<'a>,
    reader: TrackReader,
    /// Not started again for each span: what it remembers of the last one fades in the run-up.
    chain: Chain,
    run_up: u64,
    rate_hz: u32,
    frames: u64,
    block: Block,
    true_peaks: Vec<TruePeak>,
}

impl<'a> Listening<'a> {
    fn new(work: &'a Work<'a>, unit: &Unit<'_>, chain: &[Stage], reach: &Reach) -> Result<Self> {
        let (rate_hz, channels) = (unit.track.rate_hz(), unit.track.channels());
        Ok(Self {
            work,
            reader: TrackReader::open(work.root, unit.track)?,
            chain: Chain::start(chain, f64::from(rate_hz), channels),
            run_up: (reach.memory_frames + 2 * LATE) as u64,
            rate_hz,
            frames: unit.track.frames(),
            block: Block::default(),
            true_peaks: vec![TruePeak::new(); channels],
        })
    }

    fn run_up_ms(&self) -> usize {
        (self.run_up * 1000 / u64::from(self.rate_hz)) as usize
    }

    /// Hears a span of milliseconds, and gives its blocks with their first frame to `each`.
    fn hear(&mut self, span: Range<usize>, mut each: impl FnMut(u64, &Block)) -> Result<()> {
        let frame = |ms: usize| sample_of_ms(ms as u64, self.rate_hz).min(self.frames);
        let (from, to) = (
            frame(span.start).saturating_sub(LATE as u64),
            frame(span.end),
        );
        let mut at = from.saturating_sub(self.run_up);
        self.reader.seek(at)?;
        if at == 0 {
            self.silence();
        }
        while at < to {
            // The run-up is read by itself: its end lies before what counts.
            let part = if at < from { from } else { to } - at;
            let most = self.work.block_frames.min(part as usize);
            let frames = self.reader.read(&mut self.block, most)?;
            if frames == 0 {
                break;
            }
            self.work.stop.check()?;
            mend(&mut self.block);
            self.chain.process(&mut self.block);
            let channels = self.true_peaks.iter_mut().zip(self.block.channels());
            if at < from {
                channels.for_each(|(true_peak, samples)| true_peak.jump(samples));
            } else {
                channels.for_each(|(true_peak, samples)| true_peak.push(samples));
                each(at, &self.block);
            }
            at += frames as u64;
        }
        if to == self.frames {
            let end = [0.0; LATE];
            self.true_peaks.iter_mut().for_each(|peak| peak.push(&end));
        }
        Ok(())
    }

    /// Nothing comes before the first frame.
    fn silence(&mut self) {
        self.block = Block::new(self.true_peaks.len(), self.run_up as usize);
        self.chain.process(&mut self.block);
        self.true_peaks
            .iter_mut()
            .for_each(|peak| peak.jump(&[0.0; LATE]));
    }

    fn true_peak(&self) -> f64 {
        let peaks = self.true_peaks.iter().map(TruePeak::so_far);
        peaks.fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Asked, Figures, run};
    use super::*;
    use crate::job::levels_after::ear::Ear;
    use crate::job::{Pool, Presets, Stop, Store, measure, units};
    use crate::measure::testing::drums;
    use crate::testing::stages;
    use crate::wav::{Depth, Dither, Metadata, WriteSpec, Writer};

    fn write(path: &std::path::Path, channels: Vec<Vec<f64>>) {
        let spec = WriteSpec {
            rate_hz: 44_100,
            channels: channels.len(),
            depth: Depth::Int24,
            dither: Dither::None,
            frames: channels[0].len() as u64,
        };
        let file = std::fs::File::create(path).unwrap();
        let mut writer = Writer::create(file, &spec, &Metadata::default()).unwrap();
        writer.write(&Block::from_channels(channels)).unwrap();
        writer.finish().unwrap();
    }

    #[test]
    fn spots_tell_the_peaks_of_the_whole() {
        let folder = tempfile::tempdir().unwrap();
        let sound = |seed: u64| {
            let mut sound = drums(seed, 44_100, 6.0);
            sound.iter_mut().for_each(|x| *x *= 0.5);
            sound
        };
        // The largest sample of one is its last, of another its first.
        let (mut last, mut first) = (sound(2), sound(3));
        *last.last_mut().unwrap() = 0.99;
        first[0] = -0.99;
        for (name, channels) in [
            ("Kick In.wav", vec![sound(0)]),
            ("Snare Top.wav", vec![last]),
            ("Tom 1.wav", vec![first]),
            ("OH.wav", vec![sound(4), sound(5)]),
        ] {
            write(&folder.path().join(name), channels);
        }
        let (root, config) = crate::session::open(folder.path()).unwrap();
        let session = crate::session::scan(&root, &config).unwrap();
        let presets = Presets::load(&session, &config).unwrap();
        let units = units(&session, &config, &presets).unwrap();
        let (store, pool, stop) = (Store::passing().unwrap(), Pool::new(1), Stop::default());
        let work = Work {
            root: &root,
            store: &store,
            pool: &pool,
            stop: &stop,
            tell: &|_| (),
            block_frames: 1000,
            earlier: None,
        };
        let chains = [
            "",
            "{ high-pass = { freq_hz = 40, order = 4 } }, { peak = { freq_hz = 350, gain_db = -5, q = 1.2 } }, { peak = { freq_hz = 4500, gain_db = 6, q = 1.2 } }",
            "{ delay = { samples = 77 } }, { polarity = { inverted = true } }, { low-pass = { freq_hz = 3000, order = 2 } }",
            "{ high-shelf = { freq_hz = 6000, gain_db = 9 } }, { gain = { gain_db = -4 } }",
        ];
        let mut compared = 0;
        for unit in units.iter().filter(|unit| unit.derived.is_none()) {
            let measured = measure::measure(&work, unit.track).unwrap();
            let hits: Vec<u64> = (0..20).map(|i| i * 13_000 + 5).collect();
            for lines in chains {
                let chain = stages(lines);
                let found = levels_after(&work, unit, &measured, &chain, &hits).unwrap();
                let found = found.expect("these are filters");
                let asked = Asked {
                    hits: &hits,
                    figures: Figures::Plain,
                    other_rate_hz: None,
                };
                let mut whole = Ear::new(unit, asked).unwrap();
                let mut reader = TrackReader::open(work.root, unit.track).unwrap();
                run(&work, unit, (&mut reader, &[]), &chain, |block| {
                    whole.push(block);
                    Ok(())
                })
                .unwrap();
                let whole = whole.finish();
                let close = |a: f64, b: f64| (a - b).abs() < 1e-3;
                let (a, b) = (found.levels.true_peak_dbtp, whole.levels.true_peak_dbtp);
                assert!(close(a.unwrap(), b.unwrap()), "{lines}: {a:?} {b:?}");
                assert_eq!(found.hit_peaks_dbfs.len(), whole.hit_peaks_dbfs.len());
                let hits = found.hit_peaks_dbfs.iter().zip(&whole.hit_peaks_dbfs);
                for (&a, &b) in hits {
                    // Both are rounded to 0.01.
                    assert!((a - b).abs() < 0.011, "{lines}: {a} {b}");
                }
                compared += 1;
            }
        }
        assert_eq!(compared, 16);
    }

    #[test]
    fn near_milliseconds_are_one_span() {
        let wanted: Vec<bool> = (0..20).map(|ms| [0, 2, 6, 7, 19].contains(&ms)).collect();
        assert_eq!(spans(&wanted, 1), [0..3, 6..8, 19..20]);
        assert_eq!(spans(&wanted, 3), [0..8, 19..20]);
        assert!(spans(&[false; 3], 9).is_empty());
    }
}
