//! The end of a run: reports, worksheet and manifest.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::Path;

use super::hear::TakePlayed;
use super::record::{RECORD, Record};
use super::render::Rendered;
use super::sheet::{self, Written};
use super::{Job, Outcome, Plan, Work, standing, take, union};
use crate::decide::heard::Heard;
use crate::error::{Error, Result};
use crate::measure::inspect::Hum;
use crate::output::layout::Unit;
use crate::output::publish::{Content, MANIFEST, Manifest, Outbox};
use crate::report::columns::write_csv;
use crate::report::hits;
use crate::report::notes;
use crate::report::page::{self, Excerpt, Subject};
use crate::report::session::{FailedReport, MixReport, SessionReport};
use crate::report::takes::TakeReport;
use crate::report::{Decisions, PathText, SCHEMA, SourceReport, TOOL, TrackReport, write_json};
use crate::session::config::Hits;
use crate::wording;

/// Where the worksheet lies in an output folder.
pub const WORKSHEET: &str = "worksheet.toml";

/// Sums up what was planned and rendered.
pub fn outcome(
    job: &Job<'_>,
    plan: &Plan,
    stems: &[Option<Result<Rendered>>],
    excerpts: &[Option<Excerpt>],
    mixes: Vec<MixReport>,
    more_failed: Vec<FailedReport>,
) -> Outcome {
    let failed = job.session.failed.iter();
    let mut failed: Vec<FailedReport> = failed
        .map(|f| FailedReport::new(&f.path, &f.reason))
        .collect();
    let mut tracks = Vec::new();
    let mut subjects = Vec::new();
    for (i, unit) in job.units.iter().enumerate() {
        let stem = stems.get(i).and_then(Option::as_ref);
        let error = match (&plan.measured[unit.track_index], &plan.entries[i], stem) {
            (Err(error), _, _) | (_, Err(error), _) | (_, _, Some(Err(error))) => Some(error),
            _ => None,
        };
        if let Some(error) = error {
            // A derived stem of a track that failed adds nothing.
            if unit.derived.is_none() || plan.measured[unit.track_index].is_ok() {
                failed.push(failure(unit, error));
            }
        }
        let stem = stem.and_then(|s| s.as_ref().ok());
        if let Some(report) = track_report(job, plan, i, stem) {
            tracks.push(report);
            subjects.push(subject(
                unit,
                plan,
                stem,
                excerpts.get(i).cloned().flatten(),
            ));
        }
    }
    failed.extend(more_failed);
    let skipped = job.session.skipped.iter();
    let skipped = skipped
        .map(|s| FailedReport::new(&s.path, &wording::remark(&s.reason)))
        .collect();
    let mut notes: Vec<String> = job.session.notes.iter().map(wording::remark).collect();
    notes.extend(faint_hum(plan));
    let takes = match job.units.iter().any(|unit| unit.song.is_some()) {
        true => take::reports(job, plan),
        false => Vec::new(),
    };
    let report = SessionReport::new(&tracks, failed, skipped, notes, mixes, takes);
    Outcome {
        report,
        tracks,
        subjects,
        removed: Vec::new(),
        share: None,
    }
}

/// What is said once of a hum that is too faint to be said of each track.
fn faint_hum(plan: &Plan) -> Option<String> {
    let measured = plan.measured.iter().flatten();
    let hums = measured
        .filter_map(|m| m.inspection.hum)
        .filter(|hum| hum.faint());
    let (mut tracks, mut loudest) = (0, None::<Hum>);
    for hum in hums {
        tracks += 1;
        if loudest.is_none_or(|l| hum.level_dbfs > l.level_dbfs) {
            loudest = Some(hum);
        }
    }
    let loudest = loudest?;
    Some(wording::faint_hum(
        tracks,
        loudest.level_dbfs,
        loudest.frequency_hz,
    ))
}

fn subject(
    unit: &Unit<'_>,
    plan: &Plan,
    stem: Option<&Rendered>,
    excerpt: Option<Excerpt>,
) -> Subject {
    Subject {
        report_path: unit.report_path.clone(),
        label: unit.label().to_owned(),
        key: unit.key.clone(),
        before: plan.measured[unit.track_index]
            .as_ref()
            .ok()
            .map(|measured| measured.waveform.clone()),
        after: stem.map(|stem| stem.waveform.clone()),
        excerpt,
    }
}

/// An output that could not be made of sources which are well.
pub fn unmade(path: &str, error: &Error) -> FailedReport {
    let reason = format!("this output could not be made: {error}");
    FailedReport::new(Path::new(path), &reason)
}

fn failure(unit: &Unit<'_>, error: &Error) -> FailedReport {
    let source = &unit.track.sources[0].path;
    // Where it is not the source that failed, what did.
    let other = (error.path.as_deref())
        .filter(|path| path.file_name() != source.file_name())
        .and_then(Path::file_name);
    let mut reason = match other {
        Some(name) => format!("{}: {}", name.to_string_lossy(), error.reason),
        None => error.reason.clone(),
    };
    if let Some(hint) = &error.hint {
        reason += &format!("; {hint}");
    }
    FailedReport::new(source, &reason)
}

fn track_report(
    job: &Job<'_>,
    plan: &Plan,
    i: usize,
    stem: Option<&Rendered>,
) -> Option<TrackReport> {
    let unit = &job.units[i];
    let measured = plan.measured[unit.track_index].as_ref().ok()?;
    let mut entry = plan.entries[i].as_ref().ok()?;
    // A stem that this run did not make was made by what was decided then.
    if let (Some(stem), Some(kept)) = (stem, job.standing.kept(&unit.key))
        && stem.standing
    {
        entry = &kept.entry;
    }
    let heard: &Heard = &plan.heard[unit.track_index];
    let sources = unit
        .track
        .sources
        .iter()
        .zip(&measured.sha256)
        .map(|(source, sha256)| SourceReport {
            path: PathText::from(&*source.path),
            sha256: sha256.clone(),
            sample_rate_hz: source.info.rate_hz,
            channels: source.info.channels,
            channel: source.channel.map(|c| c + 1),
            bit_depth: source.info.bit_depth,
            sample_format: source.info.sample_format,
            frames: source.info.frames,
            time_reference_samples: source.info.time_reference_samples,
        });
    Some(TrackReport {
        schema: SCHEMA,
        tool: TOOL,
        song: unit.song.map(|s| s.slug.clone()),
        take: unit.take.map(|t| t.slug.clone()),
        name: unit.name.clone(),
        mic: unit.track.mic.name().to_owned(),
        side: unit.track.side,
        derived_from: unit.derived.as_ref().map(|_| unit.track.name.clone()),
        sources: sources.collect(),
        preset: unit.preset.name.clone(),
        before: measured.levels.clone(),
        after: stem.map(|s| s.after.clone()),
        hits: heard.hits.clone(),
        tuning: heard.tuning.clone(),
        // Findings are about what was recorded: a derived stem does not repeat them.
        findings: if unit.derived.is_some() {
            Vec::new()
        } else {
            heard.findings.clone()
        },
        decisions: Decisions::from(entry),
        output: stem.map(|s| s.output.clone()),
        take_notes: unit.take.map_or(Vec::new(), |take| take.notes.clone()),
    })
}

/// Writes the reports into the output folder, the manifest last. What other runs left there stays in
/// all of them. Without them the run is not done: whatever hinders them stops it.
pub fn write(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    outbox: &Outbox,
    outcome: &mut Outcome,
    record: &Record,
    stems: &[Option<Result<Rendered>>],
) -> Result<()> {
    write_all(work, job, plan, outbox, outcome, record, stems).map_err(Error::of_the_run)
}

fn write_all(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    outbox: &Outbox,
    outcome: &mut Outcome,
    record: &Record,
    stems: &[Option<Result<Rendered>>],
) -> Result<()> {
    let mut made = Manifest::default();
    for stem in outcome.tracks.iter().filter_map(|t| t.output.as_ref()) {
        made.insert(&*stem.path, &*stem.sha256);
    }
    for output in outcome.report.mixes.iter().flat_map(|mix| &mix.outputs) {
        made.insert(&*output.path, &*output.sha256);
    }
    let of_stems = outcome.subjects.iter().filter_map(|s| s.excerpt.as_ref());
    let of_mixes = outcome.report.mixes.iter();
    for excerpt in of_stems.chain(of_mixes.filter_map(|mix| mix.excerpt.as_ref())) {
        made.insert(&*excerpt.path, &*excerpt.sha256);
    }
    // Files that were given without a session have no songs and takes to show, and no worksheet.
    let is_session =
        outcome.tracks.is_empty() || outcome.tracks.iter().any(|track| track.song.is_some());
    let mut manifest = outbox.standing_manifest()?;
    let mut sheet = None;
    let mut all: BTreeSet<String> = (outcome.subjects.iter())
        .map(|subject| subject.report_path.clone())
        .collect();
    let past = if is_session {
        let whole = job.mixes && job.only.is_none();
        let written = sheet::sheet(job, plan, stems, &outcome.report.mixes)?;
        outcome.report.new_takes = sheet::new_takes(job, &written.sheet);
        outcome.report.worksheet = whole || !job.standing.text.is_empty();
        sheet = Some(written);
        all.extend(made.entries().map(|(path, _)| path.to_owned()));
        all.extend(page::paths(&outcome.tracks));
        let (past, removed) = union::past(work, job, plan, outbox.root(), &manifest, &all)?;
        outcome.removed = removed;
        past
    } else {
        union::beside(work, outbox.root(), &all)?
    };
    outcome.report.add(past, &outcome.tracks);
    finish_with(
        work,
        (plan, &job.config.hits),
        outbox,
        outcome,
        record,
        (made, &mut manifest),
        sheet.as_ref(),
    )
}

fn finish_with(
    work: &Work<'_>,
    (plan, asked): (&Plan, &Hits),
    outbox: &Outbox,
    outcome: &Outcome,
    record: &Record,
    (made, manifest): (Manifest, &mut Manifest),
    sheet: Option<&Written>,
) -> Result<()> {
    for (path, sha256) in made.entries() {
        manifest.insert(path, sha256);
    }
    let mut put = |path: &str, content: &Content<'_>| -> Result<()> {
        let published = outbox.write_from(Path::new(path), content)?;
        manifest.insert(path, published.sha256);
        Ok(())
    };
    for (track, subject) in outcome.tracks.iter().zip(&outcome.subjects) {
        put(&subject.report_path, &|sink| write_json(track, sink))?;
    }
    for played in &plan.takes {
        put_strokes(work, played, asked, &mut put)?;
    }
    for (song, text) in notes::sheets(&outcome.report, &outcome.tracks) {
        put(&take::notes_path(&song), &|sink| {
            sink.write_all(text.as_bytes())
        })?;
    }
    put("session.json", &|sink| outcome.write_json(sink))?;
    put(RECORD, &|sink| write_json(record, sink))?;
    put("session.csv", &|sink| {
        write_csv(&outcome.tracks, &outcome.report.past.tracks, sink)
    })?;
    if let Some(sheet) = sheet {
        if outcome.report.worksheet {
            sheet.sheet.keep(outbox, &sheet.text)?;
            put(WORKSHEET, &|sink| sink.write_all(sheet.text.as_bytes()))?;
        }
        let lost = RefCell::new(None);
        let chart = |take: &TakeReport| {
            let mut all = plan.takes.iter();
            let played = all.find(|p| (&p.song, &p.take) == (&take.song, &take.take))?;
            let title = format!("{} {}", take.song, take.take);
            match played.strokes(work) {
                Ok(strokes) => Some(page::strokes::chart(&strokes, take.seconds, &title)),
                Err(error) => {
                    lost.replace(Some(error));
                    None
                }
            }
        };
        page::files(
            &outcome.report,
            &outcome.tracks,
            &outcome.subjects,
            outcome.report.worksheet,
            &chart,
            put,
        )?;
        lost.into_inner().map_or(Ok(()), Err)?;
    }
    work.stop.check()?;
    for path in &outcome.removed {
        outbox.remove(Path::new(path))?;
        manifest.remove(path);
    }
    outbox.write(Path::new(MANIFEST), manifest.text().as_bytes())?;
    if let Some(ours) = outbox.ours() {
        ours.settle(outbox)?;
        ours.messages().iter().for_each(|text| work.warn(text));
    }
    match sheet {
        Some(sheet) if outcome.report.worksheet => standing::forget_others(outbox, &sheet.text),
        _ => Ok(()),
    }
}

/// Writes the strokes of a take.
fn put_strokes(
    work: &Work<'_>,
    played: &TakePlayed,
    asked: &Hits,
    put: &mut impl FnMut(&str, &Content<'_>) -> Result<()>,
) -> Result<()> {
    if played.song.is_empty() {
        return Ok(());
    }
    let strokes = played.strokes(work)?;
    let [csv, midi] = take::hits_paths(&played.song, &played.take);
    put(&csv, &|sink| {
        hits::write_csv(&strokes, &played.loudest, sink)
    })?;
    let title = format!("{} {}", played.song, played.take);
    let mut put_midi = |path: &str, drum: Option<&str>| {
        let bytes = hits::midi(&strokes, &played.loudest, &title, asked, drum);
        put(path, &|sink| sink.write_all(&bytes))
    };
    put_midi(&midi, None)?;
    for (drum, _) in strokes.drums.iter().filter(|_| asked.file_per_drum) {
        let path = take::drum_path(&played.song, &played.take, drum);
        put_midi(&path, Some(drum))?;
    }
    Ok(())
}
