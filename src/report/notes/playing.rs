//! How the takes of a song were played, in words where the figures allow it.

use super::Sheet;
use super::lines::Lines;
use crate::analysis::playing::Undecided;
use crate::report::TrackReport;
use crate::report::takes::{PassageReport, TakeReport, drifts, early_or_late, steadiest};
use crate::wording::playing as wording;
use crate::wording::text::time;

impl Sheet<'_> {
    pub(super) fn playing(&self, lines: &mut Lines) {
        lines.heading("Playing");
        for take in &self.takes {
            let mut said = Vec::new();
            match take.undecided {
                Some(Undecided::TooFewStrokes) => {
                    said.push("too few strokes for tempo and timing".to_owned())
                }
                Some(Undecided::NoPulse) => {
                    said.push("tempo and timing undecided: no even pulse".to_owned())
                }
                None if take.tempo_bpm.is_none() => {
                    if let Some(tempo) = take.tempo {
                        let pulses = tempo.pulses_per_minute;
                        said.push(format!(
                            "{pulses:.1} pulses a minute; which of them is the beat is undecided"
                        ));
                    }
                }
                None => {}
            }
            if let Some(drift) = drifts(take) {
                said.push(wording::drift(drift));
            }
            for drum in early_or_late(take) {
                said.push(wording::late(drum.drum, drum.by_ms));
            }
            if let Some(passages) = take.passages {
                let span =
                    |p: PassageReport| format!("{} to {}", time(p.from_s, 1), time(p.to_s, 1));
                said.push(format!(
                    "struck hardest {} ({:+.1} dB), softest {} ({:+.1} dB)",
                    span(passages.loudest),
                    passages.loudest.level_db,
                    span(passages.softest),
                    passages.softest.level_db
                ));
            }
            let hits: Vec<String> = (take.drums.iter())
                .filter(|d| d.hits > 0)
                .map(|d| match d.level_spread_db {
                    Some(spread) => format!("{} {} (spread {spread:.1} dB)", d.drum, d.hits),
                    None => format!("{} {}", d.drum, d.hits),
                })
                .collect();
            said.push(match hits.is_empty() {
                true => "no strokes heard".to_owned(),
                false => format!("strokes: {}", hits.join(", ")),
            });
            lines.item(&take.take, &said.join("; "));
        }
        if let Some(found) = steadiest(&self.takes) {
            let spread = |t: &TakeReport| t.timing_ms.map_or(0.0, |t| t.spread);
            let looser: Vec<String> = (found.looser.iter())
                .map(|t| format!("{} ({:.1} ms)", t.take, spread(t)))
                .collect();
            let text = format!(
                "Steadiest: {} ({:.1} ms); beyond doubt looser: {}.",
                found.take.take,
                spread(found.take),
                looser.join(", ")
            );
            lines.wrapped("", &text);
        } else if self.takes.iter().filter(|t| t.timing_ms.is_some()).count() > 1 {
            lines.wrapped(
                "",
                "No take is steadier than another by more than is uncertain.",
            );
        }
        let silent = without_mic(&self.tracks, &self.takes);
        if !silent.is_empty() {
            let text = format!(
                "No mic of their own, so no strokes listed: {}.",
                silent.join(", ")
            );
            lines.wrapped("", &text);
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
