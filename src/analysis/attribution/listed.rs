//! Every stroke of a take, drum by drum, as other programs get it.

use crate::analysis::attribution::attribute::{Attribution, Drum};
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::take::{Kit, Material, TrackEvidence};
use crate::analysis::playing::{Stroke, Strokes};
use crate::analysis::strokes::hits::{self, BLEED, Hit, Place, level_ms};
use crate::analysis::strokes::rows::PARTS;
use crate::audio::common_rate_hz;
use crate::error::Result;
use crate::session::Family;

/// Lists what may be a stroke (from [`BLEED`] on) of each known drum that has a mic of its own, and
/// the beats of a click track. `window_ms` is what is played; the strokes in it were looked up with the
/// `evidence` of their tracks.
pub(crate) fn strokes(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    attribution: &Attribution,
    window_ms: Option<(i64, i64)>,
    evidence: &[TrackEvidence],
) -> Result<Strokes> {
    let rate_hz = common_rate_hz(tracks.iter().map(|track| track.rate_hz));
    let seconds = |track: &TakeTrack, hit: &Hit| {
        hit.at_ms / 1000.0 + track.offset_frames as f64 / f64::from(track.rate_hz.max(1))
    };
    let mut list = Vec::new();
    let mut drums = Vec::new();
    let known = |(_, (_, drum)): &(usize, &(String, Drum))| drum.family != Family::Unknown;
    for (d, (name, drum)) in kit.drums.iter().enumerate().filter(known) {
        let index = u16::try_from(drums.len()).unwrap_or(u16::MAX);
        let t = kit.tracks[drum.own];
        let track = &tracks[t];
        drums.push((name.clone(), track.label.clone()));
        let mut played = evidence[t].hits.iter().copied();
        for (m, &p) in attribution.probability[d].iter().enumerate() {
            if p < BLEED {
                continue;
            }
            let at = attribution.at_ms(d, m);
            let in_take = window_ms.is_some_and(|(from, to)| at >= from && at <= to);
            let hit = match in_take.then(|| played.next()).flatten() {
                Some(hit) => hit,
                None => {
                    let trace = material.trace(t)?;
                    let place = Place::of(attribution, d, m, track);
                    hits::hit(material, t, track, &trace, place, p, level_ms(track.family))?
                }
            };
            let frame = seconds(track, &hit) * f64::from(rate_hz);
            list.push(Stroke {
                drum: index,
                frame: frame.round().max(0.0) as u64,
                level_dbfs: hit.level_dbfs,
                probability: hit.probability,
                in_take,
            });
        }
    }
    list.sort_by(|a: &Stroke, b: &Stroke| {
        let place = (a.frame, a.drum).cmp(&(b.frame, b.drum));
        place.then(b.probability.total_cmp(&a.probability))
    });
    // Two moments may be one stroke.
    list.dedup_by_key(|stroke| (stroke.frame, stroke.drum));
    let mut clicks_s = Vec::new();
    if let Some(t) = tracks.iter().position(TakeTrack::is_click) {
        let (trace, track) = (material.trace(t)?, &tracks[t]);
        for onset in &trace.onsets {
            let place = Place {
                parts: i64::from(onset.at_ms) * PARTS as i64,
                exact: true,
                flam: false,
            };
            let hit = hits::hit(material, t, track, &trace, place, 1.0, 30)?;
            clicks_s.push(seconds(track, &hit));
        }
        clicks_s.sort_by(f64::total_cmp);
    }
    Ok(Strokes {
        rate_hz,
        drums,
        list,
        clicks_s,
    })
}
