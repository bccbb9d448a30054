//! How the takes of a song were played, in words where the figures allow it.

use super::Sheet;
use super::lines::Lines;
use crate::report::TrackReport;
use crate::report::takes::{PassageReport, TakeReport, drifts, early_or_late, steadiest};
use crate::wording::playing as wording;
use crate::wording::sheet;

impl Sheet<'_> {
    pub(super) fn playing(&self, lines: &mut Lines) {
        lines.heading("Playing");
        for take in &self.takes {
            let mut said = Vec::new();
            match (take.undecided, take.tempo) {
                (Some(why), _) => said.push(wording::no_timing(why)),
                (None, Some(tempo)) if take.tempo_bpm.is_none() => {
                    said.push(wording::pulses(tempo.pulses_per_minute));
                }
                _ => {}
            }
            if let Some(drift) = drifts(take) {
                said.push(wording::drift(drift));
            }
            for drum in early_or_late(take) {
                said.push(wording::late(drum.drum, drum.by_ms));
            }
            if let Some(passages) = take.passages {
                let passage = |p: PassageReport| (p.from_s, p.to_s, p.level_db);
                let (loudest, softest) = (passages.loudest, passages.softest);
                said.push(sheet::passages(passage(loudest), passage(softest)));
            }
            let hits: Vec<String> = (take.drums.iter())
                .filter(|d| d.hits > 0)
                .map(|d| sheet::strokes_of(&d.drum, d.hits, d.level_spread_db))
                .collect();
            said.push(sheet::strokes(&hits));
            lines.item(&take.take, &said.join("; "));
        }
        if let Some(found) = steadiest(&self.takes) {
            let spread = |t: &TakeReport| t.timing_ms.map_or(0.0, |t| t.spread);
            let looser: Vec<String> = (found.looser.iter())
                .map(|t| sheet::scatter(&t.take, spread(t)))
                .collect();
            let steadiest = sheet::scatter(&found.take.take, spread(found.take));
            lines.wrapped("", &sheet::steadiest(&steadiest, &looser));
        } else if self.takes.iter().filter(|t| t.timing_ms.is_some()).count() > 1 {
            lines.wrapped("", sheet::none_steadier());
        }
        let silent = without_mic(&self.tracks, &self.takes);
        if !silent.is_empty() {
            lines.wrapped("", &sheet::without_mic(&silent));
        }
    }
}

/// Kick, snare and toms that another mic hears but none of their own does are not known; what is known
/// is that overheads are there and a drum of a usual kit has no mic.
fn without_mic(tracks: &[&TrackReport], takes: &[&TakeReport]) -> Vec<&'static str> {
    let hears = |mic: &str| tracks.iter().any(|t| t.mic.starts_with(mic));
    let has = |drum: &str| {
        let mut drums = takes.iter().flat_map(|t| &t.drums);
        drums.any(|d| d.drum.starts_with(drum))
    };
    let usual = ["kick", "snare", "hat", "ride", "crash"];
    let far = hears("overhead") || hears("room");
    usual.into_iter().filter(|drum| far && !has(drum)).collect()
}
