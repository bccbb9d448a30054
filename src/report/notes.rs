//! `notes/SONG.txt`: the track sheet of a song, as an assistant would have written it. Plain text, 78
//! columns, and nothing that the reports do not hold.

use std::collections::BTreeMap;

use super::TrackReport;
use super::session::SessionReport;
use super::takes::TakeReport;
use crate::error::printable;
use crate::finding::Severity;
use crate::reason::Reason;
use crate::session::Side;
use crate::wording::{self, done, sheet, text};

mod lines;
mod playing;

use lines::{Lines, shown};

/// Takes side by side in the table of tunings.
const SIDE_BY_SIDE: usize = 6;
/// Findings of one severity that are written out.
const SHOWN: usize = 40;

/// One sheet a song, by its slug, in order.
pub fn sheets(session: &SessionReport, tracks: &[TrackReport]) -> Vec<(String, String)> {
    let mut songs: Vec<&str> = session
        .takes
        .iter()
        .map(|take| take.song.as_str())
        .collect();
    songs.dedup();
    let sheet = |song: &str| {
        let sheet = Sheet {
            song,
            session,
            takes: session.takes.iter().filter(|t| t.song == song).collect(),
            tracks: (tracks.iter())
                .filter(|t| t.song.as_deref() == Some(song))
                .collect(),
        };
        (song.to_owned(), sheet.text())
    };
    songs.into_iter().map(sheet).collect()
}

struct Sheet<'a> {
    song: &'a str,
    session: &'a SessionReport,
    takes: Vec<&'a TakeReport>,
    tracks: Vec<&'a TrackReport>,
}

impl Sheet<'_> {
    fn text(&self) -> String {
        let mut lines = Lines::default();
        self.head(&mut lines);
        self.takes(&mut lines);
        self.playing(&mut lines);
        self.tunings(&mut lines);
        self.mics(&mut lines);
        self.findings(&mut lines);
        self.left(&mut lines);
        lines.0
    }

    fn head(&self, lines: &mut Lines) {
        let rates = several(
            self.takes
                .iter()
                .map(|t| format!("{} Hz", t.sample_rate_hz)),
        );
        let bits = several(self.takes.iter().map(|t| format!("{} bit", t.bit_depth)));
        let days = several(self.takes.iter().filter_map(|t| t.recorded.clone()));
        lines.line(&self.song.to_uppercase());
        let mut about = vec![wording::counted(self.takes.len(), "take"), rates, bits];
        about.push(sheet::recorded(&days));
        lines.wrapped("", &about.join(", "));
        lines.wrapped("", &sheet::written_by(super::TOOL));
    }

    fn takes(&self, lines: &mut Lines) {
        lines.heading("Takes");
        lines.line("take               length     LUFS   dBTP      tempo   timing");
        for take in &self.takes {
            let mix = take.mix.as_ref();
            let level = |value: Option<f64>| value.map_or("-".to_owned(), |v| format!("{v:.1}"));
            let timing = take.timing_ms.map_or("undecided".to_owned(), |t| {
                format!(
                    "{:.1} ms, {}",
                    t.spread,
                    wording::playing::against(t.against)
                )
            });
            let tempo = match (take.tempo_bpm, take.tempo) {
                (Some(bpm), _) => format!("{bpm:.1}"),
                _ => "undecided".to_owned(),
            };
            lines.line(&format!(
                "{:<18} {:>6} {:>8} {:>6} {:>10}   {timing}",
                take.take,
                text::time(take.seconds, 1),
                level(mix.and_then(|m| m.integrated_lufs)),
                level(mix.and_then(|m| m.true_peak_dbtp)),
                tempo,
            ));
        }
        lines.wrapped("", sheet::columns());
    }

    fn tunings(&self, lines: &mut Lines) {
        let mut drums: Vec<&str> = Vec::new();
        for drum in self.takes.iter().flat_map(|t| &t.drums) {
            if drum.fundamental_hz.is_some() && !drums.contains(&drum.drum.as_str()) {
                drums.push(&drum.drum);
            }
        }
        lines.heading("Tuning, Hz");
        if drums.is_empty() {
            lines.line(sheet::no_pitch());
        }
        for takes in self
            .takes
            .chunks(SIDE_BY_SIDE)
            .filter(|_| !drums.is_empty())
        {
            let cell = |text: &str| format!(" {:>9}", text.chars().take(9).collect::<String>());
            let names: String = takes.iter().map(|t| cell(&t.take)).collect();
            lines.line(&format!("{:<14}{names}", "drum"));
            for name in &drums {
                let hz = |take: &&TakeReport| {
                    let own = take.drums.iter().find(|d| d.drum == *name);
                    let hz = own.and_then(|d| d.fundamental_hz);
                    cell(&hz.map_or("-".to_owned(), |hz| format!("{hz:.1}")))
                };
                let row: String = takes.iter().map(hz).collect();
                lines.line(&format!("{name:<14}{row}"));
            }
        }
    }

    fn mics(&self, lines: &mut Lines) {
        lines.heading("Mics: files, and what was decided");
        let mut mics: Vec<(String, Vec<&TrackReport>)> = Vec::new();
        for &track in &self.tracks {
            let name = label(track);
            match mics.iter_mut().find(|(known, _)| *known == name) {
                Some((_, takes)) => takes.push(track),
                None => mics.push((name, vec![track])),
            }
        }
        for (name, takes) in mics {
            let files = several(takes.iter().flat_map(|t| &t.sources).map(|s| {
                let path = s.path.path.as_str();
                let file = shown(path.rsplit('/').next().unwrap_or(path));
                s.channel
                    .map_or(file.clone(), |c| sheet::channel_of(&file, c))
            }));
            let source = match &takes[0].derived_from {
                Some(_) => sheet::derived().to_owned(),
                None => files,
            };
            let d = |track: &&TrackReport| {
                let d = &track.decisions;
                let mut said = vec![sheet::preset(&track.preset)];
                if d.left_out {
                    said.push(done::left_out().to_owned());
                } else {
                    said.push(done::gain(d.gain_db));
                }
                let gate = d.stages.iter().find_map(|stage| match stage.reason {
                    Some(Reason::Gated { tom, .. }) => Some(tom),
                    _ => None,
                });
                said.extend(gate.map(|tom| sheet::gate(tom).to_owned()));
                if d.polarity_inverted {
                    said.push(sheet::inverted().to_owned());
                }
                if d.delay_samples != 0 {
                    said.push(done::moved(d.delay_samples, track.rate_hz()));
                }
                if d.muted && !d.left_out {
                    said.push(done::muted().to_owned());
                }
                said.join(", ")
            };
            let mut decided: BTreeMap<String, Vec<&str>> = BTreeMap::new();
            for track in &takes {
                decided
                    .entry(d(track))
                    .or_default()
                    .push(track.take.as_deref().unwrap_or_default());
            }
            let decided: Vec<String> = (decided.iter())
                .map(|(what, of)| match decided.len() {
                    1 => what.clone(),
                    _ => format!("{}: {what}", of.join(", ")),
                })
                .collect();
            lines.item(&name, &format!("{source}; {}", decided.join("; ")));
        }
    }

    fn findings(&self, lines: &mut Lines) {
        lines.heading("Found");
        let mut none = true;
        for severity in [Severity::Problem, Severity::Warning, Severity::Note] {
            // the same of one mic in several takes is said once, with the first message
            let mut found: Vec<(String, &str, Vec<&str>, String)> = Vec::new();
            for &track in &self.tracks {
                for finding in track.findings.iter().filter(|f| f.severity == severity) {
                    let (mic, code) = (label(track), wording::code(finding.code()));
                    let take = track.take.as_deref().unwrap_or_default();
                    match found.iter_mut().find(|f| f.0 == mic && f.1 == code) {
                        Some(known) => {
                            if !known.2.contains(&take) {
                                known.2.push(take);
                            }
                        }
                        None => {
                            let message = wording::finding(finding).to_string();
                            found.push((mic, code, vec![take], message));
                        }
                    }
                }
            }
            none &= found.is_empty();
            let more = found.len().saturating_sub(SHOWN);
            for (mic, code, takes, message) in found.iter().take(SHOWN) {
                let (severity, takes) = (grave(severity), takes.join(" "));
                let text = format!("{severity}, {code}, {takes}: {}", printable(message));
                lines.item(mic, &text);
            }
            if more > 0 {
                lines.wrapped("", &sheet::more_found(more, grave(severity)));
            }
        }
        if none {
            lines.line(sheet::nothing());
        }
    }

    fn left(&self, lines: &mut Lines) {
        lines.heading("Left for a person");
        let mut none = true;
        let mut say = |text: String| {
            none = false;
            lines.item("-", &text);
        };
        for failed in &self.session.failed {
            let (path, reason) = (shown(&failed.path.path), printable(&failed.reason));
            say(sheet::failed(&path, &reason));
        }
        for mix in self
            .session
            .mixes
            .iter()
            .filter(|mix| mix.song == self.song)
        {
            if mix.path.is_none() {
                say(sheet::no_mix(&mix.take));
            }
        }
        let count = |severity: Severity| {
            let all = self.tracks.iter().flat_map(|t| &t.findings);
            all.filter(|f| f.severity == severity).count()
        };
        let (problems, warnings) = (count(Severity::Problem), count(Severity::Warning));
        if problems + warnings > 0 {
            say(sheet::listen(problems, warnings));
        }
        let unknown = several(
            (self.tracks.iter())
                .filter(|t| t.mic == "unknown-mic")
                .map(|t| label(t)),
        );
        if !unknown.is_empty() {
            say(sheet::unknown(&unknown));
        }
        if none {
            lines.line(sheet::nothing());
        }
    }
}

/// The part of the name that differs between mics: the mic, its side, its index.
fn label(track: &TrackReport) -> String {
    let own = (track.song.as_ref().zip(track.take.as_ref()))
        .and_then(|(song, take)| track.name.strip_prefix(&format!("{song}_{take}_")));
    if let Some(own) = own {
        return own.to_owned();
    }
    match track.side {
        Some(Side::L) => format!("{}-l", track.mic),
        Some(Side::R) => format!("{}-r", track.mic),
        Some(Side::C) => format!("{}-c", track.mic),
        None => track.mic.clone(),
    }
}

fn grave(severity: Severity) -> &'static str {
    match severity {
        Severity::Problem => "problem",
        Severity::Warning => "warning",
        Severity::Note => "note",
    }
}

/// Each of several once, in order, joined.
fn several(values: impl Iterator<Item = String>) -> String {
    let mut all: Vec<String> = Vec::new();
    for value in values {
        if !all.contains(&value) {
            all.push(value);
        }
    }
    all.join(", ")
}
