//! Every file, what it was taken for and why.

use std::fmt::Write as _;

use super::{format, formats, line};
use crate::session::{Session, Song, Take};

/// Width of a label.
const LABEL: usize = 14;

/// Every file of the session, take by take. Safe for a terminal.
pub fn files(session: &Session) -> String {
    let mut out = String::new();
    let usual = formats(session)
        .into_iter()
        .next()
        .map(|(format, _)| format);
    for song in &session.songs {
        for take in &song.takes {
            files_of(&mut out, song, take, usual.as_deref().unwrap_or_default());
        }
    }
    out
}

/// What it was taken for, its format where it is not the usual one, and why.
fn files_of(out: &mut String, song: &Song, take: &Take, usual: &str) {
    let mut head = format!("\n{}/{}", song.slug, take.slug);
    if take.setup != song.slug {
        let _ = write!(head, "  (set-up {})", take.setup);
    }
    line(out, &head);
    for track in &take.tracks {
        let label = match track.mic.is_unknown() {
            true => track.mic.name(),
            false => &track.label,
        };
        for (at, source) in track.sources.iter().enumerate() {
            let channels = match (source.channel, source.info.channels) {
                (Some(channel), n) => format!("channel {} of {n}", channel + 1),
                (None, 1) => "mono".to_owned(),
                (None, _) => "stereo".to_owned(),
            };
            let seconds = source.info.frames as f64 / f64::from(source.info.rate_hz.max(1));
            let format = match format(source) {
                format if format == usual => String::new(),
                format => format!(", {format}"),
            };
            let why = match at + 1 == track.sources.len() {
                true => format!(": {}", track.why),
                false => String::new(), // after the last file of a pair
            };
            let row = format!(
                "  {label:<width$} {}  ({channels}, {}:{:04.1}{format}){why}",
                source.path.display(),
                (seconds / 60.0).floor(),
                seconds % 60.0,
                width = LABEL,
            );
            line(out, &row);
        }
        for note in &track.notes {
            let mark = if note.ask { "!" } else { "i" };
            line(
                out,
                &format!("  {:<width$} {mark} {}", "", note.text, width = LABEL),
            );
        }
    }
}
