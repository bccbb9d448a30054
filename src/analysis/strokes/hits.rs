//! Hits of each track: when, how loud, how sure; and what the take shows of each drum.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::attribute::Attribution;
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::reference::Reference;
use crate::analysis::attribution::take::{DrumEvidence, Kit, Material, Played, TrackEvidence};
use crate::analysis::attribution::unlikely::unlikely;
use crate::analysis::setup::played::{SURE, loudest_db, played};
use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::loud::as_loud;
use crate::analysis::strokes::metronome::metronome;
use crate::analysis::strokes::place;
use crate::analysis::strokes::rows::PARTS;
use crate::analysis::strokes::trace::Trace;
use crate::analysis::tuning::ring::Ring;
use crate::error::Result;
use crate::session::Family;
use crate::units::round_to;

/// A hit is a moment at least as probable as this.
pub(crate) const OWN: f32 = 0.5;
/// A moment below this is bleed.
pub(crate) const BLEED: f32 = 0.2;
/// The peak of a hit is looked for in so many milliseconds after it: longer in mics that stand
/// farther away. Common practice, no source.
pub fn level_ms(family: Family) -> usize {
    match family {
        Family::Overhead | Family::Room => 60,
        _ => 30,
    }
}

/// Trigger and drum are one stroke within this time.
const TRIGGER_MS: i64 = 10;

/// One hit in one track.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hit {
    /// Milliseconds from the start of the track, to 0.01.
    pub at_ms: f64,
    /// Sample peak in the 30 ms after it (60 ms in rooms and overheads); `None` for silence.
    pub level_dbfs: Option<f64>,
    /// How sure, 0 to 1.
    pub probability: f64,
    /// A grace stroke came just before it, or a rebound just after: both count as one.
    pub flam: bool,
}

/// A trigger knows best: where one fires with a drum, its strokes are that drum's hits.
pub(crate) fn follow_triggers(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    attribution: &mut Attribution,
) -> Result<()> {
    for (t, track) in tracks.iter().enumerate() {
        if !track.is_trigger() {
            continue;
        }
        let trace = material.trace(t)?;
        let offset = track.offset_ms();
        let fires: Vec<i64> = trace
            .onsets
            .iter()
            .map(|o| i64::from(o.at_ms) + offset)
            .collect();
        let near = |m: usize| {
            let (first, last) = (kit.moments[m].first_ms, kit.moments[m].last_ms);
            let at = fires.partition_point(|f| *f < first - TRIGGER_MS);
            fires.get(at).is_some_and(|f| *f <= last + TRIGGER_MS)
        };
        let fired: Vec<bool> = (0..kit.moments.len()).map(near).collect();
        let count = fired.iter().filter(|f| **f).count();
        // the drum whose hits agree best with it
        let score = |d: usize| {
            let p = &attribution.probability[d];
            let (mut both, mut own) = (0usize, 0usize);
            for (p, fired) in p.iter().zip(&fired) {
                own += usize::from(*p >= OWN);
                both += usize::from(*p >= OWN && *fired);
            }
            2.0 * both as f64 / (own + count).max(1) as f64
        };
        let best = (0..kit.drums.len()).max_by(|&a, &b| score(a).total_cmp(&score(b)));
        let Some(best) = best.filter(|&d| count >= 4 && score(d) >= 0.6) else {
            continue;
        };
        for (p, fired) in attribution.probability[best].iter_mut().zip(&fired) {
            *p = if *fired { 0.99 } else { (*p * 0.5).min(0.45) };
        }
    }
    Ok(())
}

/// What the take shows of each drum.
pub(crate) fn drums(
    tracks: &[TakeTrack],
    kit: &Kit,
    attribution: &Attribution,
    reference: Option<&Reference>,
) -> Vec<DrumEvidence> {
    let decibels = |energy: f32| 10.0 * f64::from(energy.max(1e-16)).log10();
    kit.drums
        .iter()
        .enumerate()
        .map(|(d, (name, drum))| {
            let p = &attribution.probability[d];
            let count = p.iter().filter(|p| **p >= OWN).count();
            let own: f32 = attribution.templates[d][drum.own * BANDS..(drum.own + 1) * BANDS]
                .iter()
                .sum();
            let level = attribution.level[d] * own;
            let template_db = kit
                .tracks
                .iter()
                .enumerate()
                .map(|(i, &t)| {
                    let bands = std::array::from_fn(|b| {
                        let a = attribution.templates[d][i * BANDS + b] / own.max(1e-20);
                        (round_to(decibels(a), 1)) as f32
                    });
                    (tracks[t].label.clone(), bands)
                })
                .collect();
            let rises = kit.rises[drum.own].iter().zip(&kit.moments);
            let loudest = loudest_db(rises.map(|(r, m)| (m.first_ms, r.energy.iter().sum())));
            let known = reference.and_then(|r| r.loud_take_db(name));
            let most = p.iter().copied().fold(0.0, f32::max);
            let expected: f64 = p.iter().map(|p| f64::from(*p)).sum();
            let over_db = known.map(|k| round_to(loudest.unwrap_or(-160.0) - k, 1));
            let sure = kit.rises[drum.own].iter().zip(p);
            let sure = sure.filter(|(_, p)| f64::from(**p) >= SURE);
            let stroke = sure.map(|(r, _)| r.energy.iter().sum::<f32>());
            let stroke = stroke.max_by(f32::total_cmp).map(decibels);
            let stroke_db = stroke.and_then(|s| Some(s - known?));
            let elsewhere = !drum.is_cymbal() && reference.is_some_and(|r| r.plays(name));
            DrumEvidence {
                name: name.clone(),
                family: drum.family,
                own: tracks[kit.tracks[drum.own]].label.clone(),
                level_db: (count > 0).then(|| round_to(decibels(level), 1)),
                template_db,
                rings: attribution.rings[d],
                count,
                expected: round_to(expected, 2),
                most: round_to(f64::from(most), 3),
                loudest_db: loudest.map(|l| round_to(l, 1)),
                over_db,
                played: match drum.family {
                    Family::Unknown => {
                        Played::NotSure("nobody knows what this mic stands at".into())
                    }
                    _ => played(p, over_db, stroke_db, elsewhere),
                },
            }
        })
        .collect()
}

/// Hits of all tracks inside the window.
pub(crate) fn tracks(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    attribution: &Attribution,
    window_ms: Option<(i64, i64)>,
) -> Result<Vec<TrackEvidence>> {
    let inside = |at: i64| window_ms.is_some_and(|(from, to)| at >= from && at <= to);
    let struck = struck(attribution);
    let mut clicks: Vec<i64> = Vec::new();
    if let Some(t) = tracks.iter().position(TakeTrack::is_click) {
        let trace = material.trace(t)?;
        let offset = tracks[t].offset_ms();
        clicks.extend(trace.onsets.iter().map(|o| i64::from(o.at_ms) + offset));
    }
    let mut all = Vec::new();
    for (t, track) in tracks.iter().enumerate() {
        let drum = track
            .drum()
            .and_then(|name| kit.drums.iter().position(|(n, _)| *n == name));
        let mut evidence = TrackEvidence {
            label: track.label.clone(),
            drum: drum.map(|d| kit.drums[d].0.clone()),
            hits: Vec::new(),
            as_loud: Vec::new(),
            outside: Vec::new(),
            attributed: drum.is_some() && (kit.drums.len() > 1 || !kit.overheads.is_empty()),
            unsure: 0,
            missed: 0.0,
            tuning: None,
            tuning_hits: Vec::new(),
            ring: Ring::default(),
            tuning_tried: 0,
            metronome: None,
            unlikely: None,
        };
        if let Some(d) = drum {
            let p = &attribution.probability[d];
            let (trace, level_ms) = (material.trace(t)?, level_ms(track.family));
            let (mut below, mut sum) = (0.0, 0.0);
            let (mut bleed, mut still) = (Vec::new(), BTreeSet::new());
            for (m, &p) in p.iter().enumerate() {
                let at = attribution.at_ms(d, m);
                if !inside(at) {
                    if p >= OWN {
                        let place = Place::of(attribution, d, m, track);
                        let found = hit(material, t, track, &trace, place, p, level_ms)?;
                        evidence.outside.push(found);
                    }
                    continue;
                }
                sum += f64::from(p);
                if p < BLEED {
                    below += f64::from(p);
                    bleed.push((at - track.offset_ms(), p));
                    still.extend(attribution.still[d][m].then(|| at - track.offset_ms()));
                }
                evidence.unsure += usize::from((BLEED..OWN).contains(&p));
                if p >= BLEED {
                    let place = Place::of(attribution, d, m, track);
                    evidence
                        .hits
                        .push(hit(material, t, track, &trace, place, p, level_ms)?);
                }
            }
            // where no stroke was heard, nothing tells how many there were
            if evidence.own_hits().next().is_some() {
                evidence.missed = round_to(below / sum, 3);
            }
            if track.family == Family::Tom {
                evidence.as_loud = as_loud(&evidence.hits, &trace, bleed, level_ms);
                let rings = |hit: &Hit| !still.contains(&(hit.at_ms as i64));
                evidence.as_loud.retain(rings);
            }
        } else if matches!(track.family, Family::Overhead | Family::Room) {
            let (trace, level_ms) = (material.trace(t)?, level_ms(track.family));
            for (at, p) in far_hits(kit, attribution) {
                if inside(at) {
                    let place = Place {
                        parts: (at - track.offset_ms()) * PARTS as i64,
                        exact: false,
                        flam: false,
                    };
                    evidence
                        .hits
                        .push(hit(material, t, track, &trace, place, p, level_ms)?);
                }
            }
            evidence.attributed = !kit.drums.is_empty();
        }
        if let Some(d) = drum.filter(|&d| kit.tracks[kit.drums[d].1.own] == t) {
            evidence.unlikely = unlikely(tracks, material, kit, d)?;
        }
        if !matches!(track.family, Family::Utility | Family::Unknown) {
            let here: Vec<i64> = struck.iter().map(|at| at - track.offset_ms()).collect();
            let beats: Vec<i64> = clicks.iter().map(|at| at - track.offset_ms()).collect();
            evidence.metronome = metronome(&*material.trace(t)?, &here, &beats);
        }
        all.push(evidence);
    }
    Ok(all)
}

/// When anything was probably struck, in order.
fn struck(attribution: &Attribution) -> Vec<i64> {
    let drums = attribution.probability.iter().enumerate();
    let mut all: Vec<i64> = drums
        .flat_map(|(d, p)| {
            let hits = (0..p.len()).filter(|&m| p[m] >= OWN);
            hits.map(move |m| attribution.at_ms(d, m))
        })
        .collect();
    all.sort_unstable();
    all
}

/// Strokes that overheads and rooms are judged by: kick and snare, else any drum, else any onset.
fn far_hits(kit: &Kit, attribution: &Attribution) -> Vec<(i64, f32)> {
    let of = |wanted: &dyn Fn(Family) -> bool| -> Vec<(i64, f32)> {
        (0..kit.moments.len())
            .filter_map(|m| {
                (0..kit.drums.len())
                    .filter(|&d| {
                        wanted(kit.drums[d].1.family) && attribution.probability[d][m] >= OWN
                    })
                    .map(|d| (attribution.at_ms(d, m), attribution.probability[d][m]))
                    .min_by_key(|h| h.0)
            })
            .collect()
    };
    let main = of(&|f| matches!(f, Family::Kick | Family::Snare));
    if !main.is_empty() {
        return main;
    }
    let any = of(&|_| true);
    if !any.is_empty() || !kit.drums.is_empty() {
        return any;
    }
    kit.moments.iter().map(|m| (m.first_ms, OWN)).collect()
}

/// Where a hit lies in its track.
pub(crate) struct Place {
    /// Quarters of a millisecond from the start of the track.
    pub parts: i64,
    /// Whether the sound is to be looked at.
    pub exact: bool,
    /// Whether a grace stroke belongs to it.
    pub flam: bool,
}

impl Place {
    /// Of the stroke of a drum at a moment, which is looked at in the sound of `track`.
    pub fn of(attribution: &Attribution, drum: usize, moment: usize, track: &TakeTrack) -> Self {
        Self {
            parts: attribution.at_parts[drum][moment] - track.offset_ms() * PARTS as i64,
            exact: true,
            flam: attribution.flams[drum][moment],
        }
    }
}

/// Looks a hit up in the sound of its track.
pub(crate) fn hit(
    material: &mut dyn Material,
    t: usize,
    track: &TakeTrack,
    trace: &Trace,
    at: Place,
    probability: f32,
    level_ms: usize,
) -> Result<Hit> {
    let rate = f64::from(track.rate_hz.max(1));
    let mut exact = at.parts as f64 / PARTS as f64;
    if at.exact {
        let before = ((place::SETTLE_S + place::AROUND_S) * rate).round() as i64;
        let frames = before as usize + (place::AROUND_S * rate).round() as usize;
        let first = (exact / 1000.0 * rate).round() as i64 - before;
        let mut sound = material.samples(t, first, frames)?;
        if let Some(found) = (!sound.is_empty())
            .then(|| sound.swap_remove(0))
            .and_then(|x| place::refine(x, track.rate_hz))
        {
            exact = (first + found as i64) as f64 / rate * 1000.0;
        }
    }
    let exact = round_to(exact, 2);
    Ok(Hit {
        at_ms: exact,
        level_dbfs: trace.peak_dbfs(exact.floor() as i64, level_ms),
        probability: round_to(f64::from(probability), 3),
        flam: at.flam,
    })
}
