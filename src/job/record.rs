//! `run.json`: all that a run was made from, and the proof that the sources are as they were.
//!
//! It says nothing of time, machine or threads: the same run gives the same bytes.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::measure::{self, changed};
use super::{Job, Plan, Work};
use crate::cache::key::GENERATION;
use crate::error::{Kind, Result};
use crate::files::hex;
use crate::report::session::FailedReport;
use crate::report::{PathText, SCHEMA, TOOL};
use crate::session::config::{Output, Start};

/// Where it lies in an output folder.
pub const RECORD: &str = "run.json";

/// What `run.json` holds.
#[derive(Debug, Serialize)]
pub struct Record {
    schema: u32,
    tool: &'static str,
    /// Results of another generation are not used again.
    generation: &'static str,
    /// Of the session file; null without one.
    session_file_sha256: Option<String>,
    /// Of the worksheet that was given, its comments apart; null without one.
    worksheet_sha256: Option<String>,
    /// The stems that were asked for with `--only`; null where all were.
    only: Option<Vec<String>>,
    output: Format,
    presets: Vec<Used>,
    sources: Vec<Proven>,
    /// Sources that were written to while the run used them.
    #[serde(skip)]
    pub changed: Vec<FailedReport>,
}

#[derive(Debug, Serialize)]
struct Format {
    sample_rate_hz: Option<u32>,
    bits: &'static str,
    dither: bool,
    start: Start,
}

impl From<&Output> for Format {
    fn from(output: &Output) -> Self {
        Self {
            sample_rate_hz: output.rate_hz,
            bits: output.bits.name(),
            dither: output.dither,
            start: output.start,
        }
    }
}

#[derive(Debug, Serialize)]
struct Used {
    name: String,
    sha256: String,
}

/// A source file that was measured.
#[derive(Debug, Serialize)]
struct Proven {
    #[serde(flatten)]
    path: PathText,
    /// Of the bytes that were measured.
    sha256_before: String,
    /// Of the bytes that a stem was made of, where nobody has written to them until all outputs were
    /// there; else taken then, or null where it could not be read any more.
    sha256_after: Option<String>,
}

/// A source as it was measured.
struct Seen<'a> {
    sha256: &'a str,
    frames: u64,
    /// A stem was made of the same bytes, and nobody has written to them since.
    unchanged: bool,
}

/// Looks at every source once more, and sums up what the run was made from.
///
/// # Errors
/// Only what stops the run; a source that has changed is in [`Record::changed`].
pub fn record(work: &Work<'_>, job: &Job<'_>, plan: &Plan) -> Result<Record> {
    let mut used: BTreeMap<&Path, Seen<'_>> = BTreeMap::new();
    for ((_, _, track), measured) in job.session.tracks().zip(&plan.measured) {
        if let Ok(measured) = measured {
            let unchanged = measured.was_met_again(work.root, track);
            for (source, sha256) in track.sources.iter().zip(&measured.sha256) {
                let seen = Seen {
                    sha256,
                    frames: source.info.frames,
                    unchanged,
                };
                used.insert(&source.path, seen);
            }
        }
    }
    let used: Vec<(&Path, Seen<'_>)> = used.into_iter().collect();
    let after = work.pool.map(
        &used,
        work.stop,
        |(_, source)| if source.unchanged { 0 } else { source.frames },
        |(path, source)| match source.unchanged {
            true => Ok(source.sha256.to_owned()),
            false => measure::hash(work, &work.root.join(path)),
        },
    );
    let mut sources = Vec::new();
    let mut failed = Vec::new();
    for ((path, Seen { sha256, .. }), after) in used.into_iter().zip(after) {
        let after = match after {
            Err(error) if error.kind != Kind::File => return Err(error),
            after => after.ok(),
        };
        if after.as_deref() != Some(sha256) {
            let error = changed(path);
            failed.push(FailedReport {
                path: PathText::from(path),
                reason: format!(
                    "{}: its outputs are of what it was before; {}",
                    error.reason,
                    error.hint.unwrap_or_default()
                ),
            });
        }
        sources.push(Proven {
            path: PathText::from(path),
            sha256_before: sha256.to_owned(),
            sha256_after: after,
        });
    }
    let presets: BTreeMap<&str, &str> = (job.units.iter())
        .map(|unit| (unit.preset.name.as_str(), unit.preset.text()))
        .collect();
    let text_hash = |text: &str| hex(&Sha256::digest(text));
    Ok(Record {
        schema: SCHEMA,
        tool: TOOL,
        generation: GENERATION,
        session_file_sha256: job.session_file_sha256().map(str::to_owned),
        worksheet_sha256: job.worksheet.map(|sheet| text_hash(&sheet.to_toml())),
        only: (job.only).map(|only| only.iter().map(|&i| job.units[i].key.clone()).collect()),
        output: Format::from(&job.config.output),
        presets: presets
            .into_iter()
            .map(|(name, text)| Used {
                name: name.to_owned(),
                sha256: text_hash(text),
            })
            .collect(),
        sources,
        changed: failed,
    })
}
