//! What needs the sound around hits: tuning, delay and polarity.

use crate::analysis::attribution::attribute::Attribution;
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::take::{Kit, Material, TakeEvidence};
use crate::analysis::polarity::pair::{self, PairKind, Stroke, analyse};
use crate::analysis::polarity::sides::lean;
use crate::analysis::strokes::hits::{BLEED, OWN};
use crate::analysis::tuning::decimate::Decimator;
use crate::analysis::tuning::pitch::{
    CUTS_S, EARLY_S, LEAST_ROOM_S, Piece, SETTLED_S, hit_tuning, range_hz,
};
use crate::analysis::tuning::pooled::pool;
use crate::error::Result;
use crate::session::{Family, Side};

/// Hits that a take's tuning is read from, at most: the loudest with room enough.
const TUNING_HITS: usize = 12;
/// Strokes that a kick sounds under name a pitch as if they were no clearer than this (dB). Of 554 recorded
/// snare strokes with a kick from 40 ms before to 120 ms after them 75 % had the right pitch within 5 %, of
/// 873 others 97 % (test bed, kits of the fit).
const JOINED_CLEAR_DB: f64 = 3.0;
/// Two drums are struck together within this time.
const TOGETHER_MS: i64 = 40;
/// What sounds so long before a stroke is what its ring is compared with.
const BEFORE_S: f64 = 0.060;
/// Of the hits with room, the louder share.
const LOUD_SHARE: f64 = 0.6;
/// Hits that delay and polarity are read from, at most.
const PAIR_HITS: usize = 12;
/// Hits that the side of a drum is read from, at most.
const LEAN_HITS: usize = 6;
/// Room around a hit that delay is read from.
const PAIR_BEFORE_MS: i64 = 25;
const PAIR_AFTER_MS: i64 = 40;

/// A hit of a drum with what is free around it.
#[derive(Clone, Copy)]
struct Free {
    at_ms: i64,
    /// Time since anything was struck before, and until something is struck after.
    before_ms: i64,
    after_ms: i64,
    /// No other drum at the same moment.
    alone: bool,
    level_db: f64,
}

/// Own hits of a drum inside the window.
fn free_hits(kit: &Kit, attribution: &Attribution, d: usize, evidence: &TakeEvidence) -> Vec<Free> {
    let own = kit.drums[d].1.own;
    let Some((from, to)) = evidence.window_ms else {
        return Vec::new();
    };
    // only what is probably a stroke of something counts as struck: quiet onsets are everywhere
    let struck: Vec<usize> = (0..kit.moments.len())
        .filter(|&m| {
            kit.moments[m].first_ms >= 0
                && (attribution.probability.iter().any(|p| p[m] >= BLEED)
                    || audible(kit, m, own, attribution.level[d]))
        })
        .collect();
    // toms are struck in fills, with the kick under them and the others near: what is no stroke of
    // another drum, or one of the kick alone, is not in the way of their body
    let beside = |o: usize| match (kit.drums[d].1.family, kit.drums[o].1.family) {
        (Family::Tom, Family::Kick) => f32::INFINITY,
        (Family::Tom, _) => OWN,
        _ => BLEED,
    };
    struck
        .iter()
        .enumerate()
        .filter(|&(_, &m)| {
            let at = attribution.at_ms(d, m);
            attribution.probability[d][m] >= OWN && at >= from && at <= to
        })
        .map(|(i, &m)| {
            let at_ms = attribution.at_ms(d, m);
            let before = i.checked_sub(1).map(|j| kit.moments[struck[j]].last_ms);
            let after = struck.get(i + 1).map(|&j| kit.moments[j].first_ms);
            Free {
                at_ms,
                before_ms: before.map_or(i64::MAX / 4, |b| at_ms - b),
                after_ms: after.map_or(i64::MAX / 4, |a| a - at_ms),
                alone: (0..kit.drums.len())
                    .all(|o| o == d || attribution.probability[o][m] < beside(o)),
                level_db: f64::from(kit.rises[own][m].energy.iter().sum::<f32>().max(1e-16))
                    .log10()
                    * 10.0,
            }
        })
        .collect()
}

/// Whether something rises in a track to within 25 dB of its drum's hits.
fn audible(kit: &Kit, m: usize, track: usize, level: f32) -> bool {
    kit.rises[track][m].energy.iter().sum::<f32>() > level * 0.003
}

pub(crate) fn listen(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    attribution: &Attribution,
    evidence: &mut TakeEvidence,
) -> Result<()> {
    for d in 0..kit.drums.len() {
        let hits = free_hits(kit, attribution, d, evidence);
        let own = kit.tracks[kit.drums[d].1.own];
        let under = match kit.drums[d].1.family {
            Family::Tom | Family::Snare => kicks(kit, attribution),
            _ => Vec::new(),
        };
        tuning(tracks, material, own, (&hits, &under), evidence)?;
        pairs_of_drum(tracks, material, (&kit.drums[d].0, own), &hits, evidence)?;
    }
    sides(tracks, material, kit, attribution, evidence)
}

/// When kicks were struck.
fn kicks(kit: &Kit, attribution: &Attribution) -> Vec<i64> {
    let kicks = (0..kit.drums.len()).filter(|&d| kit.drums[d].1.family == Family::Kick);
    let all = kicks.flat_map(|d| {
        let struck = attribution.probability[d].iter().enumerate();
        let struck = struck.filter(|(_, p)| **p >= OWN);
        struck.map(move |(m, _)| attribution.at_ms(d, m))
    });
    all.collect()
}

/// A stroke, how long it sounds alone in milliseconds, and whether another drum sounds under it.
type Usable<'h> = (&'h Free, i64, bool);

/// Tuning of a drum from its own mic. `under` are strokes of another drum that rings as low.
fn tuning(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    t: usize,
    (hits, under): (&[Free], &[i64]),
    evidence: &mut TakeEvidence,
) -> Result<()> {
    let track = &tracks[t];
    let Some(range) = range_hz(track.family) else {
        return Ok(());
    };
    // until the drum is struck again, and until the one that rings as low is
    let room_ms = |i: usize| -> [i64; 2] {
        let at = hits[i].at_ms;
        let again = hits.get(i + 1).map(|next| next.at_ms - at);
        let low = under.iter().map(|u| u - at).filter(|u| *u > TOGETHER_MS);
        let again = again.unwrap_or(i64::MAX / 4);
        [again, low.min().unwrap_or(again).min(again)]
    };
    let enough = |room_ms: i64| room_ms as f64 >= LEAST_ROOM_S * 1000.0;
    let together = |hit: &Free| under.iter().any(|u| (u - hit.at_ms).abs() <= TOGETHER_MS);
    let rooms = hits.iter().enumerate().map(|(i, hit)| (hit, room_ms(i)));
    let (mut usable, mut joined): (Vec<Usable>, Vec<Usable>) = rooms
        .filter(|(_, [again, _])| enough(*again))
        .map(|(hit, [again, low])| match enough(low) {
            true => (hit, low, together(hit)),
            false => (hit, again, true),
        })
        .partition(|(_, _, joined)| !joined);
    let by_level = |(a, ..): &Usable, (b, ..): &Usable| {
        let louder = b.level_db.total_cmp(&a.level_db);
        louder.then(a.at_ms.cmp(&b.at_ms))
    };
    usable.sort_by(by_level);
    joined.sort_by(by_level);
    let loud = ((usable.len() as f64 * LOUD_SHARE).ceil() as usize).max(5);
    usable.truncate(loud.min(TUNING_HITS));
    // those that the kick sounds under count a little: they name its bleed as often as the drum
    joined.truncate(TUNING_HITS.saturating_sub(usable.len()));
    usable.extend(joined);
    let decimator = Decimator::new(track.rate_hz);
    let rate = f64::from(track.rate_hz);
    let out = &mut evidence.tracks[t];
    for (hit, room_ms, joined) in usable {
        let free_s = room_ms as f64 / 1000.0;
        let length_s = free_s.min(SETTLED_S.1);
        let at = ((hit.at_ms - track.offset_ms()) as f64 / 1000.0 * rate).round() as i64;
        let before = (BEFORE_S * decimator.rate_hz()) as usize;
        let lead = before * decimator.factor() + decimator.margin();
        let frames =
            (length_s * rate).ceil() as usize + lead + decimator.margin() + rate as usize / 1000;
        let channels = material.samples(t, at - lead as i64, frames)?;
        let mut sound = vec![0.0; frames];
        for channel in &channels {
            for (sum, x) in sound.iter_mut().zip(channel) {
                *sum += if x.is_finite() { *x } else { 0.0 };
            }
        }
        let piece = Piece {
            early_s: EARLY_S,
            cuts_s: &CUTS_S,
            sound: &sound,
            before,
            free_s,
            most_clear_db: if joined {
                JOINED_CLEAR_DB
            } else {
                f64::INFINITY
            },
        };
        out.tuning_tried += 1;
        if let Some(mut tuning) = hit_tuning(&piece, &decimator, range, &mut out.ring) {
            tuning.force_db = Some(crate::units::round_to(hit.level_db, 1));
            out.tuning_hits.push(tuning);
        }
    }
    out.tuning = pool(&out.tuning_hits, out.tuning_tried);
    Ok(())
}

/// Hits that stand alone, evenly chosen among the louder half.
fn lone_hits(hits: &[Free]) -> Vec<Free> {
    let mut lone: Vec<Free> = hits
        .iter()
        .copied()
        .filter(|h| h.alone && h.before_ms >= PAIR_BEFORE_MS && h.after_ms >= PAIR_AFTER_MS)
        .collect();
    lone.sort_by(|a, b| {
        b.level_db
            .total_cmp(&a.level_db)
            .then(a.at_ms.cmp(&b.at_ms))
    });
    lone.truncate((lone.len() / 2).max(PAIR_HITS));
    let stride = lone.len().div_ceil(PAIR_HITS).max(1);
    lone.into_iter().step_by(stride).collect()
}

/// One mic: a track and one of its channels.
#[derive(Clone, Copy)]
pub(crate) struct MicChannel {
    pub track: usize,
    pub channel: usize,
}

/// Reads the same strokes in two mics.
pub(crate) fn strokes(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    mics: [MicChannel; 2],
    at_ms: impl Iterator<Item = i64>,
) -> Result<Vec<Stroke>> {
    let mut out = Vec::new();
    for at_ms in at_ms {
        let mut sounds = Vec::new();
        for mic in mics {
            let track = &tracks[mic.track];
            let rate = f64::from(track.rate_hz);
            // the same instant in both files, to the sample of the take's time
            let instant = (at_ms as f64 / 1000.0 * rate).round() as i64;
            let first = instant - track.offset_frames - (pair::BEFORE_S * rate) as i64;
            let frames = ((pair::BEFORE_S + pair::AFTER_S) * rate) as usize;
            let mut channels = material.samples(mic.track, first, frames)?;
            if mic.channel < channels.len() {
                sounds.push(channels.swap_remove(mic.channel));
            }
        }
        if let (Some(second), Some(first)) = (sounds.pop(), sounds.pop()) {
            out.push(Stroke { first, second });
        }
    }
    Ok(out)
}

fn channels(material: &mut dyn Material, track: usize) -> Result<usize> {
    Ok(material.samples(track, 0, 1)?.len())
}

/// Other mics of the drum, and overheads, against its own mic.
fn pairs_of_drum(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    (name, own): (&str, usize),
    hits: &[Free],
    evidence: &mut TakeEvidence,
) -> Result<()> {
    let kind = match tracks[own].family {
        Family::Kick => PairKind::Kick,
        Family::Snare => PairKind::Snare,
        Family::Tom => PairKind::Tom,
        _ => return Ok(()),
    };
    let hits = lone_hits(hits);
    for t in 0..tracks.len() {
        let same_drum = t != own && tracks[t].drum().as_deref() == Some(name);
        // a kick's body reaches the overheads too late and too weak for a verdict
        let overhead = tracks[t].family == Family::Overhead && kind != PairKind::Kick;
        if !(same_drum || overhead) || tracks[t].rate_hz != tracks[own].rate_hz {
            continue;
        }
        let kind = if overhead {
            PairKind::CloseOverhead
        } else {
            kind
        };
        for channel in 0..channels(material, t)? {
            let mics = [
                MicChannel {
                    track: own,
                    channel: 0,
                },
                MicChannel { track: t, channel },
            ];
            let strokes = strokes(tracks, material, mics, hits.iter().map(|h| h.at_ms))?;
            let second = match (overhead && tracks[t].side.is_none(), channel) {
                (true, 0) => format!("{}-l", tracks[t].label),
                (true, _) => format!("{}-r", tracks[t].label),
                _ => tracks[t].label.clone(),
            };
            let mut found = analyse(
                &tracks[own].label,
                &second,
                kind,
                &strokes,
                tracks[own].rate_hz,
            );
            if !overhead {
                found.together = pair::add_up(&strokes, tracks[own].rate_hz);
            }
            evidence.pairs.push(found);
            if !overhead {
                break;
            }
        }
    }
    Ok(())
}

/// The two sides of each overhead or room pair: compared by the snare's hits (else the first
/// drum's), and where they hear each drum.
fn sides(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    attribution: &Attribution,
    evidence: &mut TakeEvidence,
) -> Result<()> {
    let lone: Vec<Vec<Free>> = (0..kit.drums.len())
        .map(|d| lone_hits(&free_hits(kit, attribution, d, evidence)))
        .collect();
    let main = (0..kit.drums.len())
        .find(|&d| kit.drums[d].1.family == Family::Snare)
        .or((!kit.drums.is_empty()).then_some(0));
    let Some(main) = main else { return Ok(()) };
    for t in 0..tracks.len() {
        let Some((mics, names)) = both_sides(tracks, material, t)? else {
            continue;
        };
        let rate_hz = tracks[t].rate_hz;
        for (d, hits) in lone.iter().enumerate() {
            let few = if d == main { PAIR_HITS } else { LEAN_HITS };
            let hits = &hits[..hits.len().min(few)];
            let strokes = strokes(tracks, material, mics, hits.iter().map(|h| h.at_ms))?;
            if d == main {
                let kind = PairKind::Sides;
                let found = analyse(&names[0], &names[1], kind, &strokes, rate_hz);
                evidence.pairs.push(found);
            }
            let strokes = &strokes[..strokes.len().min(LEAN_HITS)];
            let lean = lean(&names, &kit.drums[d].0, strokes, rate_hz);
            evidence.leans.extend(lean);
        }
    }
    Ok(())
}

/// Both channels of the overhead or room pair that begins with a track, and what they are called.
fn both_sides(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    t: usize,
) -> Result<Option<([MicChannel; 2], [String; 2])>> {
    let track = &tracks[t];
    let mic = |track, channel| MicChannel { track, channel };
    Ok(match track.side {
        _ if !matches!(track.family, Family::Overhead | Family::Room) => None,
        None if channels(material, t)? == 2 => Some((
            [mic(t, 0), mic(t, 1)],
            [format!("{}-l", track.label), format!("{}-r", track.label)],
        )),
        Some(Side::L) => {
            let other = (0..tracks.len()).find(|&o| {
                tracks[o].mic == track.mic
                    && tracks[o].side == Some(Side::R)
                    && tracks[o].rate_hz == track.rate_hz
            });
            other.map(|o| {
                let names = [track.label.clone(), tracks[o].label.clone()];
                ([mic(t, 0), mic(o, 0)], names)
            })
        }
        _ => None,
    })
}
