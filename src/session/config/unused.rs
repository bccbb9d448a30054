//! Entries of a session file that fit nothing: mistyped, or from another day.

use std::collections::BTreeSet;

use super::SessionFile;
use crate::remark::Remark;
use crate::session::{Label, Session};

/// Entries of a session file for what the session lacks.
pub(in crate::session) fn unused(session: &Session, config: &SessionFile) -> Vec<Remark> {
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
    let presets = config.presets.iter().filter(|(label, _)| lacks(label));
    let mut notes: Vec<Remark> = presets
        .map(|(label, _)| Remark::NoTrackForPreset {
            label: label.to_string(),
        })
        .collect();
    let strips = config.mix.mics.iter().filter(|(label, _)| lacks(label));
    notes.extend(strips.map(|(label, _)| Remark::NoTrackForMix {
        label: label.to_string(),
    }));
    let derived = config.derived.iter().flatten();
    notes.extend(
        derived
            .filter(|d| !labels.contains(d.of.as_str()))
            .map(|d| Remark::NoTrackForDerived {
                name: d.name.to_string(),
                of: d.of.to_string(),
            }),
    );
    let setups = config.setups.iter().filter(|setup| {
        let mut takes = session.songs.iter().flat_map(|s| &s.takes);
        !takes.any(|take| take.setup == setup.name)
    });
    notes.extend(setups.map(|s| Remark::NoTakeInSetup {
        name: s.name.clone(),
    }));
    notes
}
