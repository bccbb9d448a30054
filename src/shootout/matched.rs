//! Two candidates laid on each other: which hit is which, and where each begins to the sample.

use super::align::{Alignment, Map, align, pairs};
use super::attribution::{Strokes, like_with_like};
use super::compare::{self, Pair};
use super::exact::{self, Exact};
use super::hear::{Heard, Onset, hear, strokes};
use super::hit::{LEAST_S, Measurer, window_s};
use super::input::Candidate;
use super::report::By;
use super::sound::Sound;
use super::{Check, STILL};
use crate::block::Block;
use crate::compared::Note;
use crate::dsp::median;
use crate::error::{Error, Result};
use crate::session::Family;

/// Most hits that are measured; of more, evenly spread ones.
const MOST_HITS: usize = 240;
/// A hit with another one so shortly before it is not compared.
const CLEAR_MS: f64 = 60.0;
/// The next hit may begin a little before its onset.
const MARGIN_MS: f64 = 6.0;
/// Matched hits below which the figures rest on little.
const FEW: usize = 8;
/// Below this agreement a person is told.
const WHOLE: f64 = 0.8;
/// Share of the paired strokes in which a drum must fall on its like, where the drums are known.
const LIKE_WITH_LIKE: f64 = 0.75;
/// Distance of a pair on one mic.
const PAIR_MS: f64 = 25.0;

/// A candidate laid on the first.
#[derive(Clone, Debug)]
pub(super) struct Matched {
    pub map: Map,
    pub by: By,
    /// Later by so many frames.
    pub offset: i64,
    pub drift_ppm: f64,
    /// Where the same sound lies, if it is one: a copy, or another mic of the same strokes.
    pub same: Option<Exact>,
    pub confidence: f64,
    /// How many hits were matched.
    pub paired: usize,
    /// Places of the matched hits, in frames of the first and of this one.
    pub places: Vec<(i64, i64)>,
    /// Those that had room enough, measured.
    pub pairs: Vec<Pair>,
    /// How much louder it is.
    pub louder_db: f64,
}

impl Matched {
    /// The first on itself.
    pub fn itself() -> Self {
        Self {
            map: STILL,
            by: By::Click,
            offset: 0,
            drift_ppm: 0.0,
            same: None,
            confidence: 1.0,
            paired: 0,
            places: Vec::new(),
            pairs: Vec::new(),
            louder_db: 0.0,
        }
    }

    /// How much later it is within a piece of the first: its own offset, or, where it drifts, that of
    /// the hits there.
    pub fn offset_near(&self, first: i64, frames: u64) -> i64 {
        if self.same.is_some() || self.by == By::Click {
            return self.offset;
        }
        let inside = self
            .places
            .iter()
            .filter(|p| (first..first + frames as i64).contains(&p.0));
        median(inside.map(|p| (p.1 - p.0) as f64)).map_or(self.offset, |d| d.round() as i64)
    }

    /// Where a frame of the first lies in this one.
    fn place(&self, frame: i64) -> Option<i64> {
        let same = self.same?;
        let first = self.places.first()?.0;
        Some(frame + same.frames + ((frame - first) as f64 * same.drift_ppm * 1e-6).round() as i64)
    }
}

/// A candidate and what was heard of it.
pub(super) struct Side<'a> {
    pub candidate: &'a Candidate,
    pub heard: &'a Heard,
    pub strokes: &'a Strokes,
}

/// Lays a candidate on the first one. `notes` gets what a person should know.
pub(super) fn candidate(
    a_side: &Side<'_>,
    b_side: &Side<'_>,
    later_s: f64,
    notes: &mut Vec<Note>,
) -> Result<Matched> {
    let (first, other) = (a_side.candidate, b_side.candidate);
    let (a_onsets, b_onsets) = (&a_side.heard.onsets, &b_side.heard.onsets);
    let refused = |reason: String| {
        Error::input(format!("{} and {} cannot be compared: {reason}", first.name, other.name))
            .hint("play the same pattern in both, at the same tempo; several bars, a few strokes of each drum; where it begins more than 30 s later in one of them, say so with --offset SECONDS")
    };
    let another = |reason| refused(format!("they do not play the same pattern: {reason}"));
    let alignment = align(a_onsets, b_onsets, later_s * 1000.0).map_err(another)?;
    let times = alignment
        .pairs
        .iter()
        .map(|&(i, j)| (a_onsets[i].ms, b_onsets[j].ms));
    if let Some(share) = like_with_like(a_side.strokes, b_side.strokes, times)
        && share < LIKE_WITH_LIKE
    {
        return Err(another(format!(
            "where their hits fall together, other drums are struck ({:.0} % alike)",
            100.0 * share
        )));
    }
    let rate = other.rate_hz;
    let (mut a, mut b) = (first.sound()?, other.sound()?);
    let coarse = frames_of(&alignment.pairs, a_onsets, b_onsets, rate);
    let same = exact::locate(&mut a, &mut b, &coarse, rate)?;
    let click = by_click(first, other, &alignment)?;
    let mut found = Matched {
        map: alignment.map,
        by: By::Hits,
        offset: 0,
        drift_ppm: drift_ppm(&alignment, a_onsets),
        same,
        confidence: confidence(&alignment, same.is_some()),
        paired: alignment.pairs.len(),
        places: Vec::new(),
        pairs: Vec::new(),
        louder_db: 0.0,
    };
    found.places = places(&mut a, &mut b, &coarse, &found, rate)?;
    if let Some(same) = same {
        (found.offset, found.drift_ppm) = (same.frames, same.drift_ppm);
    }
    if let Some(click) = click {
        found.by = By::Click;
        (found.offset, found.drift_ppm) = (click.frames, click.drift_ppm);
    }
    let family = other.family();
    found.pairs = measure((&mut a, a_onsets), (&mut b, b_onsets), &found, family, rate)?;
    if found.same.is_none() && found.by == By::Hits {
        // its own strokes begin more sharply than what a mic hears of other drums
        let own = compare::own(&found.pairs);
        let own = own.iter().map(|(a, b)| (b.at - a.at) as f64);
        found.offset = median(own).unwrap_or(0.0).round() as i64;
    }
    let level = compare::level(&found.pairs).ok_or_else(|| {
        refused(format!(
            "no matched hit has {:.0} ms of room before the next one",
            1000.0 * LEAST_S
        ))
    })?;
    found.louder_db = level.median;
    remarks(&found, &alignment, a_side, b_side, notes);
    Ok(found)
}

/// Measures the hits of two sounds that the map pairs, as far as they have room.
pub(super) fn measure(
    (a, a_onsets): (&mut Sound, &[Onset]),
    (b, b_onsets): (&mut Sound, &[Onset]),
    found: &Matched,
    family: Family,
    rate: u32,
) -> Result<Vec<Pair>> {
    let mut measurer = Measurer::new(rate, family);
    let (a_onsets, b_onsets) = (&strokes(a_onsets, family), &strokes(b_onsets, family));
    let room = |onsets: &[Onset], i: usize| {
        let clear = i == 0 || onsets[i].ms - onsets[i - 1].ms >= CLEAR_MS;
        let next = onsets.get(i + 1).map_or(f64::INFINITY, |next| next.ms);
        if clear {
            (next - onsets[i].ms - MARGIN_MS) / 1000.0
        } else {
            0.0
        }
    };
    let paired: Vec<(usize, usize, f64)> = pairs(a_onsets, b_onsets, &found.map, PAIR_MS)
        .into_iter()
        .map(|(i, j)| {
            (
                i,
                j,
                room(a_onsets, i)
                    .min(room(b_onsets, j))
                    .min(window_s(family)),
            )
        })
        .filter(|(_, _, free_s)| *free_s >= LEAST_S)
        .collect();
    let step = paired.len().div_ceil(MOST_HITS).max(1);
    let mut measured = Vec::new();
    let mut block = Block::default();
    for (i, j, free_s) in paired.into_iter().step_by(step) {
        let coarse = [(
            frame_of(a_onsets[i].ms, rate),
            frame_of(b_onsets[j].ms, rate),
        )];
        let Some(&(at_a, at_b)) = places(a, b, &coarse, found, rate)?.first() else {
            continue;
        };
        let (frames, before) = measurer.reach(free_s);
        a.read(at_a - before as i64, frames, &mut block)?;
        let hit_a = measurer.measure(&block, free_s, at_a);
        b.read(at_b - before as i64, frames, &mut block)?;
        measured.extend(hit_a.zip(measurer.measure(&block, free_s, at_b)));
    }
    Ok(measured)
}

/// Where pairs of coarse places begin to the sample: in the same sound at one distance, else each by
/// its own rise.
fn places(
    a: &mut Sound,
    b: &mut Sound,
    coarse: &[(i64, i64)],
    found: &Matched,
    rate: u32,
) -> Result<Vec<(i64, i64)>> {
    let mut places = Vec::with_capacity(coarse.len());
    for &(near_a, near_b) in coarse {
        let at_a = exact::strike(a, near_a, rate)?;
        let at_b = match found.same {
            Some(same) if found.places.is_empty() => at_a + same.frames,
            Some(_) => found.place(at_a).unwrap_or(near_b),
            None => exact::strike(b, near_b, rate)?,
        };
        places.push((at_a, at_b));
    }
    Ok(places)
}

/// The click tracks compared, near the place that the hits say.
fn by_click(first: &Candidate, other: &Candidate, alignment: &Alignment) -> Result<Option<Exact>> {
    let (Some(a_click), Some(b_click)) = (first.click(), other.click()) else {
        return Ok(None);
    };
    let (mut a, mut b) = (
        Sound::track(&first.root, a_click)?,
        Sound::track(&other.root, b_click)?,
    );
    let go_on = || Ok(());
    let check: Check<'_> = &go_on;
    let rate = other.rate_hz;
    let a_onsets = hear(&mut a, Family::Utility, rate, first.frames(), check)?.onsets;
    let b_onsets = hear(&mut b, Family::Utility, rate, other.frames(), check)?.onsets;
    let Some(beat_ms) = median(a_onsets.windows(2).map(|w| w[1].ms - w[0].ms)) else {
        return Ok(None);
    };
    let paired = pairs(&a_onsets, &b_onsets, &alignment.map, 0.45 * beat_ms);
    let coarse = frames_of(&paired, &a_onsets, &b_onsets, rate);
    exact::locate(&mut a, &mut b, &coarse, rate)
}

fn frame_of(ms: f64, rate: u32) -> i64 {
    (ms * f64::from(rate) / 1000.0).round() as i64
}

fn frames_of(pairs: &[(usize, usize)], a: &[Onset], b: &[Onset], rate: u32) -> Vec<(i64, i64)> {
    pairs
        .iter()
        .map(|&(i, j)| (frame_of(a[i].ms, rate), frame_of(b[j].ms, rate)))
        .collect()
}

/// The drift of hits, or 0 where it cannot be told from none: within twice its standard error.
fn drift_ppm(alignment: &Alignment, onsets: &[Onset]) -> f64 {
    let drift = alignment.map.rate - 1.0;
    let span = span_ms(alignment, onsets);
    let scatter = (1.4826 * alignment.residual_ms).max(0.3); // onsets are whole milliseconds
    let error = scatter * (12.0 / alignment.pairs.len() as f64).sqrt() / span.max(1.0);
    if drift.abs() > 2.0 * error {
        drift * 1e6
    } else {
        0.0
    }
}

/// From the first to the last matched hit.
fn span_ms(alignment: &Alignment, onsets: &[Onset]) -> f64 {
    match (alignment.pairs.first(), alignment.pairs.last()) {
        (Some(first), Some(last)) => onsets[last.0].ms - onsets[first.0].ms,
        _ => 0.0,
    }
}

fn confidence(alignment: &Alignment, same: bool) -> f64 {
    if same {
        return 1.0;
    }
    let close = (-0.5 * (alignment.residual_ms / 20.0).powi(2)).exp();
    let enough = (alignment.pairs.len() as f64 / FEW as f64).min(1.0);
    let once = if alignment.repeats { 0.5 } else { 1.0 };
    alignment.share.min(1.0) * close * enough * once * alignment.likeness.unwrap_or(1.0)
}

fn remarks(
    found: &Matched,
    alignment: &Alignment,
    a_side: &Side<'_>,
    b_side: &Side<'_>,
    notes: &mut Vec<Note>,
) {
    let (first, first_heard) = (a_side.candidate, a_side.heard);
    let (other, other_heard) = (b_side.candidate, b_side.heard);
    let pair = (first.letter, other.letter);
    let rate = f64::from(other.rate_hz);
    match found.same {
        Some(same) if same.likeness > 0.9999 => notes.push(Note::SameRecording { pair }),
        Some(_) => notes.push(Note::OnePerformance { pair }),
        None if alignment.repeats => notes.push(Note::PatternRepeats { pair }),
        None => {}
    }
    let together = alignment.share.min(1.0) * alignment.likeness.unwrap_or(1.0);
    // Two mics of one performance do not hear the same strokes.
    if together < WHOLE && found.same.is_none() {
        let percent = 100.0 * together;
        notes.push(Note::PartsDiffer { pair, percent });
    }
    if found.paired < FEW {
        let hits = found.paired;
        notes.push(Note::FewHits { pair, hits });
    }
    let span_ms = span_ms(alignment, &first_heard.onsets);
    let apart_ms = 0.5 * span_ms * found.drift_ppm.abs() * 1e-6;
    if apart_ms > 10.0 {
        notes.push(Note::Drift { pair, apart_ms });
    }
    let (short, long) = (
        first.frames().min(other.frames()),
        first.frames().max(other.frames()),
    );
    if long > 2 * short {
        notes.push(Note::LengthsDiffer {
            pair,
            first_s: first.frames() as f64 / rate,
            other_s: other.frames() as f64 / rate,
        });
    }
    let alone = first_heard.onsets.len().max(other_heard.onsets.len()) - found.paired;
    if alone > found.paired {
        notes.push(Note::HitsAlone { pair, hits: alone });
    }
}
