//! Tracks of a take whose rate is not that of the others.

use std::collections::BTreeMap;

use super::Track;
use super::tracks::found;
use crate::finding::FindingKind;

/// Notes every track whose rate is another than that of most tracks of its take (of several, the
/// highest): it cannot enter the mix with them.
pub(super) fn note_other_rates(tracks: &mut [Track]) {
    let mut counts: BTreeMap<u32, usize> = BTreeMap::new();
    for track in tracks.iter() {
        *counts.entry(track.rate_hz()).or_default() += 1;
    }
    let Some((usual_hz, _)) = counts
        .into_iter()
        .max_by_key(|&(rate, count)| (count, rate))
    else {
        return;
    };
    for track in tracks
        .iter_mut()
        .filter(|track| track.rate_hz() != usual_hz)
    {
        let rate_hz = track.rate_hz();
        found(
            track,
            FindingKind::OtherRate {
                rate_hz,
                take_hz: usual_hz,
            },
        );
    }
}
