//! What a worksheet may speak of.

use std::path::Path;

use super::{Standing, Unit};
use crate::error::{Error, Result};
use crate::worksheet::Worksheet;

/// Refuses a worksheet that speaks of tracks which the session never had, of rates that a stage does
/// not allow, or of what is not decided in a worksheet. `path` is where it lies.
pub fn check_keys(
    sheet: &Worksheet,
    standing: &Standing,
    units: &[Unit<'_>],
    path: &Path,
) -> Result<()> {
    let mut errors = Vec::new();
    for given in &sheet.entries {
        let key = &given.key;
        let kept = standing.kept(key);
        let Some(unit) = units.iter().find(|unit| unit.key == *key) else {
            if kept.is_none() {
                let keys: Vec<&str> = units.iter().map(|u| u.key.as_str()).collect();
                let error = Error::input(format!("no track of this session is `{key}`"));
                errors.push(match crate::problem::nearest(key, &keys) {
                    Some(near) => error.hint(format!("did you mean `{near}`?")),
                    None => error.hint("take the worksheet that `prep` wrote for this session"),
                });
            }
            continue;
        };
        // What an earlier run wrote there is no edit.
        let says = |value: &Option<String>, today: &str, before: Option<&str>| {
            value
                .as_deref()
                .is_some_and(|value| value != today && before != Some(value))
        };
        let before = kept.map(|kept| &kept.entry);
        if says(
            &given.preset,
            &unit.preset.name,
            before.map(|e| e.preset.as_str()),
        ) {
            let reason = format!("track `{key}`: the preset is not chosen in the worksheet");
            errors.push(
                Error::input(reason)
                    .hint("edit its stages, or name a preset for the mic in session.toml"),
            );
        }
        if says(
            &given.mic,
            unit.track.mic.name(),
            before.map(|e| e.mic.as_str()),
        ) {
            let reason = format!("track `{key}`: the mic is not chosen in the worksheet");
            errors.push(Error::input(reason).hint("say in session.toml what the file is"));
        }
        let stages = given.stages.as_deref().unwrap_or_default();
        let faults = crate::stage::Chain::check(stages, f64::from(unit.track.rate_hz()));
        errors.extend(
            faults
                .iter()
                .map(|(_, fault)| Error::input(format!("track `{key}`: {fault}"))),
        );
    }
    let errors = errors.into_iter().map(|error| error.at(path)).collect();
    Error::all(errors).map_or(Ok(()), Err)
}
