//! From what was measured and heard to one worksheet entry a stem: stages first, then, tried without
//! writing, the gains.

use std::collections::BTreeMap;

use super::attempt::{self, Asked, Figures, Tried};
use super::measure::Measured;
use super::{Event, Job, Work};
use crate::audio::SampleFormat;
use crate::decide::gains::{self, gains};
use crate::decide::heard::Heard;
use crate::decide::stages::{bring_to_working_level, follow, working_gain};
use crate::error::{Error, Kind, Result};
use crate::measure::matcher::Match;
use crate::output::layout::Unit;
use crate::preset::Measure;
use crate::reason::Reason;
use crate::session::Source;
use crate::session::config::Bits;
use crate::stage::Stage;
use crate::worksheet::{Decided, Entry};

/// One entry a unit, or why it has none.
pub fn decide(
    work: &Work<'_>,
    job: &Job<'_>,
    measured: &[Result<Measured>],
    heard: &[Heard],
) -> Result<Vec<Result<Entry>>> {
    for error in job.units.iter().filter_map(|unit| unit.fault.as_ref()) {
        if let Some(path) = &error.path {
            let reason = &error.reason;
            (work.tell)(Event::Failed { path, reason });
        }
    }
    let mut entries: Vec<Option<Entry>> = job
        .units
        .iter()
        .map(|unit| {
            (measured[unit.track_index].is_ok() && unit.fault.is_none())
                .then(|| begin(unit, &heard[unit.track_index]))
        })
        .collect();
    let overlaid = overlay(work, job, &mut entries);
    let tried = match_drives(work, job, measured, heard, &mut entries)?;
    let tried = try_all(work, job, measured, heard, &entries, tried)?;
    let mut fates = Vec::new();
    let mut of = Vec::new();
    for (i, unit) in job.units.iter().enumerate() {
        if let (Some(_), Some(Ok(tried))) = (&entries[i], &tried[i]) {
            let heard = &heard[unit.track_index];
            let source = measured[unit.track_index].as_ref().ok();
            let working = heard.incoming.map_or(0.0, |incoming| {
                working_gain(incoming, working_dbfs(unit)).value
            });
            fates.push(gains::Tried {
                key: &unit.key,
                song: unit.song.map_or("", |song| &song.slug),
                setup: unit.setup,
                mic: unit.linked_mic(),
                rule: unit.preset.level.as_ref(),
                levels: &tried.levels,
                track: unit.track_index,
                source_lufs: source.and_then(|source| source.levels.integrated_lufs),
                working_gain_db: working,
                hit_peaks_dbfs: &tried.hit_peaks_dbfs,
                frames: unit.track.frames(),
                played: !heard.not_played,
            });
            of.push(i);
        }
    }
    for (i, gain) in of.into_iter().zip(gains(&fates)) {
        let Some(entry) = &mut entries[i] else {
            continue;
        };
        entry.gain_db = match &overlaid[i] {
            Some(edited) if edited.value != gain.value => {
                work.warn(&format!(
                    "{}: gain_db is {} in the worksheet, {} would have been decided; the track is linked to no other",
                    entry.key, edited.value, gain.value
                ));
                let why = Reason::Worksheet {
                    decided_db: Some(gain.value),
                    because: gain.why.map(Box::new),
                };
                let edited = Decided::new(edited.value, why);
                held(work, &entry.key, edited, &job.units[i], tried[i].as_ref())
            }
            _ => gain,
        };
    }
    // What could not be tried is given up here: the render would fail the same way.
    let fate = |((entry, tried), unit): ((Option<Entry>, Option<Result<Tried>>), &Unit<'_>)| match (
        entry,
        tried,
        &measured[unit.track_index],
    ) {
        (_, Some(Err(error)), _) => Err(error),
        (_, _, Err(error)) => Err(error.clone()),
        (None, _, _) if unit.fault.is_some() => {
            let fault = unit.fault.clone();
            Err(fault.unwrap_or_else(|| Error::new(Kind::File, "was not planned")))
        }
        (entry, _, _) => entry.ok_or_else(|| Error::new(Kind::File, "was not planned")),
    };
    let all = entries.into_iter().zip(tried).zip(job.units);
    Ok(all.map(fate).collect())
}

/// An edited gain, lowered where the file would pass its ceiling.
fn held(
    work: &Work<'_>,
    key: &str,
    edited: Decided<f64>,
    unit: &Unit<'_>,
    tried: Option<&Result<Tried>>,
) -> Decided<f64> {
    let ceiling_dbtp = gains::ceiling_dbtp(unit.preset.level.as_ref());
    let peak_dbtp = tried.and_then(|tried| tried.as_ref().ok()?.levels.true_peak_dbtp);
    let most = peak_dbtp.and_then(|peak| gains::held_down(edited.value, peak, ceiling_dbtp));
    let Some(most) = most else { return edited };
    work.warn(&format!(
        "{key}: {} dB would pass the ceiling of {ceiling_dbtp} dBTP, {most} dB is given",
        edited.value
    ));
    let held = gains::held(
        edited.value - most,
        peak_dbtp.unwrap_or_default(),
        key,
        ceiling_dbtp,
    );
    Decided::new(most, held.below(edited.why))
}

fn working_dbfs(unit: &Unit<'_>) -> f64 {
    let of_mic = unit.track.mic.level_dbfs;
    of_mic.unwrap_or(gains::DEFAULT_WORKING_DBFS)
}

/// What can be decided before anything is tried.
fn begin(unit: &Unit<'_>, heard: &Heard) -> Entry {
    let mut stages = follow(unit.preset, &heard.tuned_setup, &heard.tuned_take);
    for stage in &mut stages {
        if let Stage::Gate(gate) = &mut stage.value
            && gate.openings.is_none()
        {
            let (decided, why) = heard.gate(gate, unit.track.rate_hz());
            *gate = decided;
            stage.why = Some(why);
        }
    }
    bring_to_working_level(&mut stages, heard.incoming, working_dbfs(unit));
    // A preset without a stage wants the sound as recorded.
    let as_recorded = unit.preset.stages.is_empty();
    let polarity_inverted = match as_recorded && heard.polarity_inverted.value {
        true => Decided::new(false, Reason::AsRecorded),
        false => heard.polarity_inverted.clone(),
    };
    let delay_samples = match as_recorded && heard.delay_samples.value != 0 {
        true => Decided::new(0, Reason::AsRecorded),
        false => heard.delay_samples.clone(),
    };
    Entry {
        key: unit.key.clone(),
        mic: unit.track.mic.name().to_owned(),
        preset: unit.preset.name.clone(),
        left_out: heard.left_out.clone(),
        muted: heard.muted.clone(),
        polarity_inverted,
        delay_samples,
        stages,
        gain_db: Decided::plain(0.0),
    }
}

/// Puts an edited worksheet over what was decided, and says what differs. Returns the gains that it
/// gives, by unit.
fn overlay(
    work: &Work<'_>,
    job: &Job<'_>,
    entries: &mut [Option<Entry>],
) -> Vec<Option<Decided<f64>>> {
    let mut gains = vec![None; entries.len()];
    let Some(worksheet) = job.worksheet else {
        return gains;
    };
    let edited: BTreeMap<&str, &Entry> = worksheet
        .entries
        .iter()
        .map(|e| (e.key.as_str(), e))
        .collect();
    for (entry, gain) in entries.iter_mut().zip(&mut gains) {
        let Some(entry) = entry else { continue };
        let Some(edited) = edited.get(entry.key.as_str()) else {
            continue;
        };
        *gain = Some(edited.gain_db.clone());
        let mut changed = Vec::new();
        fn take<T: PartialEq + Clone + std::fmt::Debug>(
            name: &str,
            mine: &mut Decided<T>,
            theirs: &Decided<T>,
            changed: &mut Vec<String>,
        ) {
            if mine.value != theirs.value {
                changed.push(format!(
                    "{name} {:?} instead of {:?}",
                    theirs.value, mine.value
                ));
                *mine = Decided::new(theirs.value.clone(), by_worksheet());
            }
        }
        take(
            "left_out",
            &mut entry.left_out,
            &edited.left_out,
            &mut changed,
        );
        take("muted", &mut entry.muted, &edited.muted, &mut changed);
        take(
            "polarity_inverted",
            &mut entry.polarity_inverted,
            &edited.polarity_inverted,
            &mut changed,
        );
        take(
            "delay_samples",
            &mut entry.delay_samples,
            &edited.delay_samples,
            &mut changed,
        );
        let same = edited.stages.len() == entry.stages.len()
            && edited
                .stages
                .iter()
                .zip(&entry.stages)
                .all(|(a, b)| same_but_match(&a.value, &b.value));
        if same {
            // The measured match of a drive is taken as it stands in the worksheet.
            for (mine, theirs) in entry.stages.iter_mut().zip(&edited.stages) {
                mine.value = theirs.value.clone();
            }
        } else {
            changed.push("other stages".to_owned());
            entry.stages = edited
                .stages
                .iter()
                .map(|s| Decided::new(s.value.clone(), by_worksheet()))
                .collect();
        }
        if !changed.is_empty() {
            work.warn(&format!(
                "{}: by the worksheet {}",
                entry.key,
                changed.join(", ")
            ));
        }
    }
    gains
}

fn by_worksheet() -> Reason {
    Reason::Worksheet {
        decided_db: None,
        because: None,
    }
}

/// Whether two stages are the same, apart from a match that one of them has been given.
fn same_but_match(a: &Stage, b: &Stage) -> bool {
    match (a, b) {
        (Stage::Drive(a), Stage::Drive(b)) => {
            let bare = |drive: &crate::stage::Drive| crate::stage::Drive {
                match_db: None,
                ..drive.clone()
            };
            bare(a) == bare(b)
        }
        _ => a == b,
    }
}

/// What decides the gain of a unit with this chain.
fn asked<'a>(job: &Job<'_>, unit: &Unit<'_>, heard: &'a [Heard], chain: &[Stage]) -> Asked<'a> {
    let rate_hz = job.config.output.rate_hz;
    let other_rate_hz = rate_hz.filter(|rate_hz| *rate_hz != unit.track.rate_hz());
    let is_float = |source: &Source| source.info.sample_format == SampleFormat::Float;
    let may_clip =
        job.config.output.bits != Bits::Float32 && unit.track.sources.iter().any(is_float);
    let untouched = chain.iter().all(Stage::keeps_bits) && other_rate_hz.is_none() && !may_clip;
    let figures = match unit.preset.level.map(|rule| rule.measure) {
        None if untouched => Figures::None,
        None | Some(Measure::HitLevel | Measure::TruePeak) => Figures::Peaks,
        Some(Measure::SamplePeak | Measure::Rms) => Figures::Plain,
        Some(Measure::Integrated | Measure::OverSource) => Figures::All,
    };
    Asked {
        hits: &heard[unit.track_index].level_hits,
        figures,
        other_rate_hz,
    }
}

/// Gives every drive that has none the gain that makes it as loud as what goes in: one for a mic and
/// set-up, pooled over its takes. Chains with several drives are matched from the front. Returns what
/// came out of the chains that are known to their end by that.
fn match_drives(
    work: &Work<'_>,
    job: &Job<'_>,
    measured: &[Result<Measured>],
    heard: &[Heard],
    entries: &mut [Option<Entry>],
) -> Result<Vec<Option<Tried>>> {
    let mut tried: Vec<Option<Tried>> = entries.iter().map(|_| None).collect();
    loop {
        // The first unmatched drive of each chain.
        let open: Vec<(usize, usize)> = entries
            .iter()
            .enumerate()
            .filter_map(|(i, entry)| {
                let entry = entry.as_ref().filter(|e| !e.left_out.value)?;
                let unmatched = |s: &Decided<Stage>| matches!(&s.value, Stage::Drive(d) if d.match_db.is_none());
                entry.stages.iter().position(unmatched).map(|at| (i, at))
            })
            .collect();
        if open.is_empty() {
            return Ok(tried);
        }
        let results = work.each(
            "match",
            &open,
            |&(i, _)| job.units[i].samples(),
            |&(i, at)| {
                let (unit, entry) = (&job.units[i], entries[i].as_ref().expect("filtered above"));
                let chain = entry.chain_before_gain();
                let at = chain.len() - entry.stages.len() + at;
                let key = measured[unit.track_index]
                    .as_ref()
                    .map(|m| &m.key)
                    .map_err(Clone::clone)?;
                let asked = asked(job, unit, heard, &chain);
                attempt::listen_to_drive(work, unit, key, (&chain, at), asked)
            },
        )?;
        let mut groups: BTreeMap<(String, String, usize), Vec<usize>> = BTreeMap::new();
        for (n, &(i, at)) in open.iter().enumerate() {
            let unit = &job.units[i];
            groups
                .entry((unit.setup.to_owned(), unit.linked_mic(), at))
                .or_default()
                .push(n);
        }
        for members in groups.values() {
            let takes: Vec<&Match> = members
                .iter()
                .filter_map(|&n| Some(&results[n].as_ref().ok()?.drive))
                .collect();
            // Silence has no loudness: whatever its gain, it stays silence.
            let match_db = Match::db(&takes).unwrap_or(0.0);
            for &n in members {
                let (i, at) = open[n];
                if let Some(entry) = &mut entries[i]
                    && let Stage::Drive(drive) = &mut entry.stages[at].value
                {
                    drive.match_db = Some(match_db);
                    entry.stages[at].why.get_or_insert(Reason::DriveMatched);
                }
                let unmatched = results[n].as_ref().ok().and_then(|m| m.tried.as_ref());
                tried[i] = unmatched.map(|tried| tried.louder_by(match_db));
            }
        }
    }
}

/// Tries the chains of which nothing is `known` yet.
fn try_all(
    work: &Work<'_>,
    job: &Job<'_>,
    measured: &[Result<Measured>],
    heard: &[Heard],
    entries: &[Option<Entry>],
    known: Vec<Option<Tried>>,
) -> Result<Vec<Option<Result<Tried>>>> {
    let mut tried: Vec<Option<Result<Tried>>> =
        known.into_iter().map(|known| known.map(Ok)).collect();
    let todo: Vec<usize> = (0..entries.len())
        .filter(|&i| entries[i].is_some() && tried[i].is_none())
        .collect();
    let results = work.each(
        "try",
        &todo,
        |&i| job.units[i].samples(),
        |&i| {
            let unit = &job.units[i];
            let entry = entries[i].as_ref().expect("filtered above");
            let key = measured[unit.track_index]
                .as_ref()
                .map(|m| &m.key)
                .map_err(Clone::clone)?;
            let chain = entry.chain_before_gain();
            attempt::attempt(work, unit, key, &chain, asked(job, unit, heard, &chain))
        },
    )?;
    for (i, result) in todo.into_iter().zip(results) {
        tried[i] = Some(result);
    }
    Ok(tried)
}
