//! The one list of columns: `tracks[]` of `session.json`, `session.csv` and the page show these.

use std::io::{self, Write};

use serde_json::Value;

use super::{TrackReport, rounded};

/// One column: its key and how a track fills it.
pub struct Column {
    /// As in JSON and the head of the CSV, with its unit.
    pub key: &'static str,
    /// The cell.
    pub cell: fn(&TrackReport) -> Value,
}

/// An optional figure, already rounded.
fn figure(value: Option<f64>) -> Value {
    value.map_or(Value::Null, Value::from)
}

/// In order.
pub const COLUMNS: &[Column] = &[
    Column {
        key: "song",
        cell: |t| t.song.clone().into(),
    },
    Column {
        key: "take",
        cell: |t| t.take.clone().into(),
    },
    Column {
        key: "name",
        cell: |t| t.name.clone().into(),
    },
    Column {
        key: "mic",
        cell: |t| t.mic.clone().into(),
    },
    Column {
        key: "side",
        cell: |t| serde_json::to_value(t.side).unwrap_or_default(),
    },
    Column {
        key: "preset",
        cell: |t| t.preset.clone().into(),
    },
    Column {
        key: "left_out",
        cell: |t| t.decisions.left_out.into(),
    },
    Column {
        key: "muted",
        cell: |t| t.decisions.muted.into(),
    },
    Column {
        key: "polarity_inverted",
        cell: |t| t.decisions.polarity_inverted.into(),
    },
    Column {
        key: "delay_samples",
        cell: |t| t.decisions.delay_samples.into(),
    },
    Column {
        key: "gain_db",
        cell: |t| t.decisions.gain_db.into(),
    },
    Column {
        key: "before_sample_peak_dbfs",
        cell: |t| figure(rounded(&t.before).sample_peak_dbfs),
    },
    Column {
        key: "before_true_peak_dbtp",
        cell: |t| figure(rounded(&t.before).true_peak_dbtp),
    },
    Column {
        key: "before_integrated_lufs",
        cell: |t| figure(rounded(&t.before).integrated_lufs),
    },
    Column {
        key: "before_rms_dbfs",
        cell: |t| figure(rounded(&t.before).rms_dbfs),
    },
    Column {
        key: "before_clipped_samples",
        cell: |t| t.before.clipped_samples.into(),
    },
    Column {
        key: "after_sample_peak_dbfs",
        cell: |t| after(t, |l| l.sample_peak_dbfs),
    },
    Column {
        key: "after_true_peak_dbtp",
        cell: |t| after(t, |l| l.true_peak_dbtp),
    },
    Column {
        key: "after_integrated_lufs",
        cell: |t| after(t, |l| l.integrated_lufs),
    },
    Column {
        key: "after_rms_dbfs",
        cell: |t| after(t, |l| l.rms_dbfs),
    },
    Column {
        key: "hits",
        cell: |t| t.hits.as_ref().map_or(Value::Null, |h| h.count.into()),
    },
    Column {
        key: "hit_level_dbfs",
        cell: |t| {
            t.hits
                .as_ref()
                .map_or(Value::Null, |h| figure(h.level_dbfs))
        },
    },
    Column {
        key: "fundamental_hz",
        cell: |t| {
            t.tuning
                .as_ref()
                .map_or(Value::Null, |u| figure(u.fundamental_hz))
        },
    },
    Column {
        key: "ring_s",
        cell: |t| t.tuning.as_ref().map_or(Value::Null, |u| figure(u.ring_s)),
    },
    Column {
        key: "findings",
        cell: |t| codes(t).into(),
    },
    Column {
        key: "output",
        cell: |t| {
            t.output
                .as_ref()
                .map_or(Value::Null, |o| o.path.clone().into())
        },
    },
    Column {
        key: "take_notes",
        cell: |t| t.take_notes.join(" ").into(),
    },
];

fn after(track: &TrackReport, value: fn(&crate::measure::Levels) -> Option<f64>) -> Value {
    figure(
        track
            .after
            .as_ref()
            .and_then(|levels| value(&rounded(levels))),
    )
}

/// The codes of a track's findings, `clipped hum`.
fn codes(track: &TrackReport) -> String {
    let code = |finding: &crate::finding::Finding| match serde_json::to_value(finding.code()) {
        Ok(Value::String(code)) => code,
        _ => String::new(),
    };
    let codes: Vec<String> = track.findings.iter().map(code).collect();
    codes.join(" ")
}

/// The cells of one track by key.
pub fn row(track: &TrackReport) -> serde_json::Map<String, Value> {
    COLUMNS
        .iter()
        .map(|column| (column.key.to_owned(), (column.cell)(track)))
        .collect()
}

/// `session.csv` (RFC 4180). A text cell that a spreadsheet would take for a formula gets a leading
/// apostrophe. `past` are rows that other runs wrote.
pub fn write_csv(
    tracks: &[TrackReport],
    past: &[serde_json::Map<String, Value>],
    sink: impl Write,
) -> io::Result<()> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(sink);
    let cell = |value: Value| match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => {
            format!("'{text}")
        }
        Value::String(text) => text,
        other => other.to_string(),
    };
    writer.write_record(COLUMNS.iter().map(|column| column.key))?;
    for track in tracks {
        writer.write_record(COLUMNS.iter().map(|column| cell((column.cell)(track))))?;
    }
    for row in past {
        let of = |column: &Column| row.get(column.key).cloned().unwrap_or_default();
        writer.write_record(COLUMNS.iter().map(|column| cell(of(column))))?;
    }
    writer.flush()
}
