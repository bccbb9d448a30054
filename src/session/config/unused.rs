//! Entries of a session file that fit nothing: mistyped, or from another day.

use std::collections::BTreeSet;

use super::SessionFile;
use crate::session::{Label, Session};

/// Entries of a session file for what the session lacks, each in words.
pub(in crate::session) fn unused(session: &Session, config: &SessionFile) -> Vec<String> {
    let tracks = || {
        session
            .songs
            .iter()
            .flat_map(|s| &s.takes)
            .flat_map(|t| &t.tracks)
    };
    let mics: BTreeSet<_> = tracks().map(|t| t.mic).collect();
    let labels: BTreeSet<&str> = tracks().map(|t| t.label.as_str()).collect();
    let lacks = |label: &Label| {
        let whole = label.side.is_none() && label.index == 1;
        !(labels.contains(label.to_string().as_str()) || whole && mics.contains(&label.mic))
    };
    let presets = config.presets.iter().map(|(label, _)| (label, "a preset"));
    let strips = config
        .mix
        .mics
        .iter()
        .map(|(label, _)| (label, "a place in the mix"));
    let mut notes: Vec<String> = presets
        .chain(strips)
        .filter(|(label, _)| lacks(label))
        .map(|(label, what)| format!("the session file gives `{label}` {what}: no track is one"))
        .collect();
    let derived = config.derived.iter().flatten();
    notes.extend(
        derived
            .filter(|d| !labels.contains(d.of.as_str()))
            .map(|d| {
                format!(
                    "the session file makes `{}` of `{}`: no track is called so",
                    d.name, d.of
                )
            }),
    );
    let setups = config.setups.iter().filter(|setup| {
        let mut takes = session.songs.iter().flat_map(|s| &s.takes);
        !takes.any(|take| take.setup == setup.name)
    });
    notes.extend(setups.map(|s| format!("no take belongs to the set-up `{}`", s.name)));
    notes
}
