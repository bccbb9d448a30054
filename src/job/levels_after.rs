//! A chain tried without writing: what comes out decides the gain.

mod meter;

use serde::{Deserialize, Serialize};

use super::Work;
use super::measure::Measured;
use super::track::{TrackReader, mend};
use crate::block::Block;
use crate::cache::store::Key;
use crate::error::Result;
use crate::measure::Levels;
use crate::measure::matcher::{Match, Matcher};
use crate::output::layout::Unit;
use crate::stage::{Chain, Stage};
use meter::OutputMeter;

/// What came out of a chain.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Tried {
    /// Figures of the output.
    pub levels: Levels,
    /// The peak after each hit, dBFS, as many as were asked for and are not silent.
    pub hit_peaks_dbfs: Vec<f32>,
}

impl Tried {
    /// What it would have been with so much gain behind it.
    pub fn louder_by(&self, db: f64) -> Self {
        let peaks = self.hit_peaks_dbfs.iter();
        Self {
            levels: self.levels.louder_by(db),
            hit_peaks_dbfs: peaks.map(|&peak| (f64::from(peak) + db) as f32).collect(),
        }
    }
}

/// What is to be known of the output of a chain.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Asked<'a> {
    /// Frames of the hits whose level counts.
    pub hits: &'a [u64],
    /// Which figures.
    pub figures: Figures,
    /// The rate of the stem, where it is another than the track's.
    pub other_rate_hz: Option<u32>,
}

/// How much is to be known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Figures {
    /// Nothing: no level is decided.
    None,
    /// All but loudness.
    Plain,
    /// All.
    All,
}

/// Runs `chain` over the track of `unit` and measures. Kept by content and settings.
pub fn levels_after(
    work: &Work<'_>,
    unit: &Unit<'_>,
    measured: &Measured,
    chain: &[Stage],
    asked: Asked<'_>,
) -> Result<Tried> {
    if asked.figures == Figures::None {
        work.advance(unit.samples());
        return Ok(Tried::default());
    }
    let key = Key::of("levels-after", &(&measured.key, chain, asked));
    if let Some(found) = work.store.get(&key) {
        work.advance(unit.samples());
        return Ok(found);
    }
    let mut meter = OutputMeter::new(unit, asked)?;
    let mut reader = TrackReader::open(work.root, unit.track)?;
    let from = (&mut reader, &measured.dc_offsets()[..]);
    run(work, unit, from, chain, |block| {
        meter.push(block);
        Ok(())
    })?;
    let tried = meter.finish();
    work.store.put(&key, &tried)?;
    Ok(tried)
}

/// How loud a drive is, and what comes out of the chain with it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Matched {
    /// What goes into the drive and what comes out.
    pub drive: Match,
    /// What comes out of the whole chain with `match_db` at 0. Only where that gain is all that
    /// `match_db` changes: then there is nothing left to try.
    pub tried: Option<Tried>,
}

/// Runs `chain` up to the drive at `at` and listens to that; goes on to the end of the chain where
/// all behind the drive is linear. Kept by content and settings.
pub fn listen_to_drive(
    work: &Work<'_>,
    unit: &Unit<'_>,
    measured: &Measured,
    (chain, at): (&[Stage], usize),
    asked: Asked<'_>,
) -> Result<Matched> {
    let (ahead, behind) = chain.split_at(at);
    let (Stage::Drive(drive), behind) = (&behind[0], &behind[1..]) else {
        unreachable!("asked for a drive");
    };
    let whole = drive.mix == 1.0 && !behind.iter().any(Stage::depends_on_level);
    let key = Key::of("match", &(&measured.key, chain, at, whole.then_some(asked)));
    if let Some(found) = work.store.get(&key) {
        work.advance(unit.samples());
        return Ok(found);
    }
    let (rate_hz, channels) = (unit.track.rate_hz(), unit.track.channels());
    let mut matcher = Matcher::new(drive, rate_hz, channels);
    let mut last = match whole {
        true => {
            let chain = Chain::start(behind, f64::from(rate_hz), channels);
            Some((chain, OutputMeter::new(unit, asked)?, Block::default()))
        }
        false => None,
    };
    let mut follow = |distorted: &Block| {
        if let Some((chain, meter, block)) = &mut last {
            block.clone_from(distorted);
            chain.process(block);
            meter.push(block);
        }
    };
    let mut reader = TrackReader::open(work.root, unit.track)?;
    let from = (&mut reader, &measured.dc_offsets()[..]);
    run(work, unit, from, ahead, |block| {
        follow(matcher.push(block));
        Ok(())
    })?;
    follow(matcher.rest());
    let tried = last.map(|(mut chain, mut meter, mut block)| {
        while chain.finish(&mut block) > 0 {
            meter.push(&block);
        }
        meter.finish()
    });
    let matched = Matched {
        drive: matcher.finish(),
        tried,
    };
    work.store.put(&key, &matched)?;
    Ok(matched)
}

/// Reads the track of `unit` from where `reader` stands, runs `chain` over it, settled on the DC
/// offsets of its channels, and hands on every block that comes out.
pub fn run(
    work: &Work<'_>,
    unit: &Unit<'_>,
    (reader, dc_offsets): (&mut TrackReader, &[f64]),
    chain: &[Stage],
    mut take: impl FnMut(&Block) -> Result<()>,
) -> Result<()> {
    let mut chain = Chain::start(
        chain,
        f64::from(unit.track.rate_hz()),
        unit.track.channels(),
    );
    if !dc_offsets.is_empty() {
        chain.settle(dc_offsets);
    }
    let mut block = Block::default();
    while reader.read(&mut block, work.block_frames)? > 0 {
        work.stop.check()?;
        work.advance((block.frames() * block.count()) as u64);
        mend(&mut block);
        chain.process(&mut block);
        take(&block)?;
    }
    while chain.finish(&mut block) > 0 {
        take(&block)?;
    }
    Ok(())
}
