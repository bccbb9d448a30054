//! `session.json`: the whole run on one page.

use std::collections::{BTreeSet, HashMap};
use std::io::{self, Write};

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Map, Value};

use super::page::Subject;
use super::takes::TakeReport;
use super::{FindingReport, PathText, SCHEMA, TOOL, TrackReport, columns};
use crate::finding::Severity;
use crate::reason::Reason;

/// The report of a session, but for what its tracks say themselves.
#[derive(Clone, Debug)]
pub struct SessionReport {
    /// How many of what.
    pub totals: Totals,
    /// Files that failed.
    pub failed: Vec<FailedReport>,
    /// Files that were left out of the session, each with its reason.
    pub skipped: Vec<FailedReport>,
    /// What was noticed of the session as a whole, in words.
    pub notes: Vec<String>,
    /// Rough mixes, in order.
    pub mixes: Vec<MixReport>,
    /// Takes, in order.
    pub takes: Vec<TakeReport>,
    /// Takes that came with the last of several deliveries: song and take.
    pub new_takes: Vec<(String, String)>,
    /// Whether there is a worksheet.
    pub worksheet: bool,
    /// What other runs left in the output folder.
    pub past: Past,
}

/// What other runs left in an output folder, and this one does not speak of: the rows as they stand in
/// `session.json`.
#[derive(Clone, Debug, Default)]
pub struct Past {
    /// Of `tracks[]`.
    pub tracks: Vec<Map<String, Value>>,
    /// Of `findings[]`.
    pub findings: Vec<Value>,
    /// Of `mixes[]`.
    pub mixes: Vec<Value>,
    /// Of `takes[]`.
    pub takes: Vec<Value>,
    /// Stems and mixes that nothing makes any more, each with its reason.
    pub left_over: Vec<FailedReport>,
}

/// What this run reports, and behind it what other runs left.
#[derive(Serialize)]
#[serde(untagged)]
enum Either<'a, T> {
    Now(&'a T),
    Past(&'a Value),
}

fn joined<S: Serializer, T: Serialize>(
    (now, past): &(&[T], &[Value]),
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let past = past.iter().map(Either::Past);
    serializer.collect_seq(now.iter().map(Either::Now).chain(past))
}

/// How many of what.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Totals {
    /// Songs.
    pub songs: usize,
    /// Takes of all songs.
    pub takes: usize,
    /// Tracks of all takes, derived stems not counted.
    pub tracks: usize,
    /// Stems written.
    pub stems: usize,
    /// Tracks of which no stem was written on purpose.
    pub left_out: usize,
    /// Rough mixes written.
    pub mixes: usize,
    /// Files that failed.
    pub failed: usize,
    /// Findings of severity `problem`.
    pub problems: usize,
    /// Findings of severity `warning`.
    pub warnings: usize,
    /// Findings of severity `note`.
    pub notes: usize,
    /// Length of all tracks together, in seconds.
    pub audio_s: f64,
}

/// `session.json`. Rows and findings are made as they are written: of a long session they would
/// take more memory than all else.
#[derive(Serialize)]
struct Whole<'a> {
    schema: u32,
    tool: &'static str,
    totals: &'a Totals,
    #[serde(serialize_with = "rows")]
    tracks: (&'a [TrackReport], &'a [Subject], &'a [Map<String, Value>]),
    #[serde(serialize_with = "findings")]
    findings: (&'a [TrackReport], &'a [Value]),
    failed: &'a [FailedReport],
    skipped: &'a [FailedReport],
    notes: &'a [String],
    #[serde(serialize_with = "joined")]
    mixes: (&'a [MixReport], &'a [Value]),
    #[serde(serialize_with = "joined")]
    takes: (&'a [TakeReport], &'a [Value]),
    #[serde(serialize_with = "takes")]
    new_takes: &'a [(String, String)],
    left_over: &'a [FailedReport],
}

/// Songs and takes by their names.
fn takes<S: Serializer>(takes: &[(String, String)], serializer: S) -> Result<S::Ok, S::Error> {
    let named = |(song, take): &(String, String)| serde_json::json!({ "song": song, "take": take });
    serializer.collect_seq(takes.iter().map(named))
}

/// One a track, shortened: the columns of the CSV and the path of its report.
fn rows<S: Serializer>(
    (tracks, subjects, past): &(&[TrackReport], &[Subject], &[Map<String, Value>]),
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let rows = tracks.iter().zip(*subjects).map(|(track, subject)| {
        let mut row = columns::row(track);
        row.insert("report".to_owned(), subject.report_path.clone().into());
        row
    });
    serializer.collect_seq(rows.chain(past.iter().cloned()))
}

/// All findings, each with the track that it is about.
fn findings<S: Serializer>(
    (tracks, past): &(&[TrackReport], &[Value]),
    serializer: S,
) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct TrackFinding<'a> {
        song: Option<&'a str>,
        take: Option<&'a str>,
        name: &'a str,
        #[serde(flatten)]
        finding: FindingReport<'a>,
    }
    #[derive(Serialize)]
    #[serde(untagged)]
    enum Row<'a> {
        Now(TrackFinding<'a>),
        Past(&'a Value),
    }
    let now = tracks.iter().flat_map(|track| {
        track.findings.iter().map(|finding| {
            Row::Now(TrackFinding {
                song: track.song.as_deref(),
                take: track.take.as_deref(),
                name: &track.name,
                finding: finding.into(),
            })
        })
    });
    serializer.collect_seq(now.chain(past.iter().map(Row::Past)))
}

/// A file and why it failed or was left out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FailedReport {
    /// Relative to the session folder.
    #[serde(flatten)]
    pub path: PathText,
    /// Why, and what to do.
    pub reason: String,
}

impl FailedReport {
    /// Of a file, relative to the session or output folder.
    pub fn new(path: &std::path::Path, reason: &str) -> Self {
        Self {
            path: PathText::from(path),
            reason: reason.to_owned(),
        }
    }
}

/// One rough mix.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MixReport {
    /// Slug.
    pub song: String,
    /// Slug.
    pub take: String,
    /// Relative to the output folder; null where none could be made.
    pub path: Option<String>,
    /// All files that belong to it: the mix, a listening copy, group stems.
    pub outputs: Vec<MixFile>,
    /// The one gain of the song's mixes.
    pub gain_db: f64,
    /// Why.
    #[serde(serialize_with = "super::reason", deserialize_with = "not_read")]
    pub gain_reason: Reason,
    /// Figures as written.
    #[serde(serialize_with = "super::levels_or_null")]
    pub after: Option<crate::measure::Levels>,
    /// Names of the tracks in it.
    pub tracks: Vec<String>,
    /// Names of the tracks that are not, each with its reason.
    pub omitted: Vec<Omitted>,
    /// Fader and pan of each track in it.
    pub levels: Vec<MixLevel>,
    /// For the page, to compare takes by ear.
    #[serde(skip)]
    pub excerpt: Option<super::page::Excerpt>,
}

/// What is reported of a reason is not read back: who keeps it keeps it beside.
fn not_read<'de, D: Deserializer<'de>>(reported: D) -> Result<Reason, D::Error> {
    let text = String::new();
    serde::de::IgnoredAny::deserialize(reported).map(|_| Reason::Noted { text })
}

/// A file of a mix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MixFile {
    /// Relative to the output folder, with `/`.
    pub path: String,
    /// Of the whole file.
    pub sha256: String,
    /// The group that it is a stem of; null: the whole take.
    pub group: Option<String>,
    /// The balance alone, without processing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dry: bool,
    /// Gain over the sum of its tracks at their faders.
    pub gain_db: f64,
}

/// Where a stem stands in a mix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MixLevel {
    /// Mic, side and index; of a derived stem its name.
    pub label: String,
    /// Fader.
    pub fader_db: f64,
    /// −100 left to 100 right: one place of a mono stem, two of a pair.
    pub pans: Vec<f64>,
    /// Why it stands there, where that was heard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pan_why: Option<String>,
}

/// A track that a mix does without.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Omitted {
    /// The track's name.
    pub name: String,
    /// Why.
    #[serde(rename = "reason", serialize_with = "super::reason")]
    pub why: Reason,
}

impl SessionReport {
    /// Files that failed, those of one reason together, in the order of the first of each.
    pub fn failed_by_reason(&self) -> Vec<(&str, Vec<&str>)> {
        let mut groups: Vec<(&str, Vec<&str>)> = Vec::new();
        let mut places: HashMap<&str, usize> = HashMap::new();
        for file in &self.failed {
            let at = *places.entry(&file.reason).or_insert(groups.len());
            if at == groups.len() {
                groups.push((&file.reason, Vec::new()));
            }
            groups[at].1.push(&file.path.path);
        }
        groups
    }

    /// Sums up the reports of all tracks.
    pub fn new(
        tracks: &[TrackReport],
        failed: Vec<FailedReport>,
        skipped: Vec<FailedReport>,
        notes: Vec<String>,
        mixes: Vec<MixReport>,
        mut takes: Vec<TakeReport>,
    ) -> Self {
        takes.iter_mut().for_each(|take| take.mixed(&mixes));
        let of = |severity| {
            tracks
                .iter()
                .flat_map(|t| &t.findings)
                .filter(|f| f.severity == severity)
                .count()
        };
        let distinct = |key: fn(&TrackReport) -> Vec<&Option<String>>| {
            let mut seen: Vec<_> = tracks.iter().map(key).collect();
            seen.sort();
            seen.dedup();
            seen.len()
        };
        let own = || tracks.iter().filter(|t| t.derived_from.is_none());
        let seconds = |t: &TrackReport| {
            t.sources
                .first()
                .map_or(0.0, |s| s.frames as f64 / f64::from(s.sample_rate_hz))
        };
        let totals = Totals {
            songs: distinct(|t| vec![&t.song]),
            takes: distinct(|t| vec![&t.song, &t.take]),
            tracks: own().count(),
            stems: tracks.iter().filter(|t| t.output.is_some()).count(),
            left_out: tracks.iter().filter(|t| t.decisions.left_out).count(),
            mixes: mixes.iter().filter(|m| m.path.is_some()).count(),
            failed: failed.len(),
            problems: of(Severity::Problem),
            warnings: of(Severity::Warning),
            notes: of(Severity::Note),
            audio_s: crate::units::round_to(own().map(seconds).sum(), 3),
        };
        Self {
            totals,
            failed,
            skipped,
            notes,
            mixes,
            takes,
            new_takes: Vec::new(),
            worksheet: false,
            past: Past::default(),
        }
    }

    /// Adds what other runs left beside the `tracks` of this one.
    pub fn add(&mut self, mut past: Past, tracks: &[TrackReport]) {
        // A take of which only some tracks are gone is reported as it is now.
        let is_now = |row: &Value| {
            let of = |key: &str| row.get(key).and_then(Value::as_str);
            let mut takes = self.takes.iter();
            takes.any(|t| of("song") == Some(&t.song) && of("take") == Some(&t.take))
        };
        past.takes.retain(|row| !is_now(row));
        let text = |row: &Map<String, Value>, key: &str| {
            let text = row.get(key).and_then(Value::as_str);
            text.map(str::to_owned)
        };
        let mut takes: BTreeSet<(Option<String>, Option<String>)> = tracks
            .iter()
            .map(|track| (track.song.clone(), track.take.clone()))
            .collect();
        takes.extend(
            past.tracks
                .iter()
                .map(|row| (text(row, "song"), text(row, "take"))),
        );
        let songs: BTreeSet<_> = takes.iter().map(|take| &take.0).collect();
        let totals = &mut self.totals;
        (totals.songs, totals.takes) = (songs.len(), takes.len());
        for row in &past.tracks {
            totals.tracks += 1;
            totals.stems += usize::from(row.get("output").is_some_and(Value::is_string));
            totals.left_out += usize::from(row.get("left_out") == Some(&Value::Bool(true)));
        }
        totals.mixes += past.mixes.len();
        self.past = past;
    }

    /// Writes it. `subjects` belong to `tracks` one by one.
    pub fn write(
        &self,
        tracks: &[TrackReport],
        subjects: &[Subject],
        sink: impl Write,
    ) -> io::Result<()> {
        let whole = Whole {
            schema: SCHEMA,
            tool: TOOL,
            totals: &self.totals,
            tracks: (tracks, subjects, &self.past.tracks),
            findings: (tracks, &self.past.findings),
            failed: &self.failed,
            skipped: &self.skipped,
            notes: &self.notes,
            mixes: (&self.mixes, &self.past.mixes),
            takes: (&self.takes, &self.past.takes),
            new_takes: &self.new_takes,
            left_over: &self.past.left_over,
        };
        super::write_json(&whole, sink)
    }
}
