//! From what was measured and heard to one worksheet entry a stem: stages first, then, tried without
//! writing, the gains.

use std::collections::BTreeMap;

use super::keep::{Held, keep};
use super::levels_after::{self, Asked, Figures, Tried};
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
    let mut entries: Vec<Option<Entry>> = (begun(job, measured, heard).into_iter())
        .map(Result::ok)
        .collect();
    let known = keep(work, job, measured, &mut entries);
    let tried = match_drives(work, job, measured, heard, &mut entries)?;
    let tried = try_all(work, job, measured, heard, (&entries, &known), tried)?;
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
                track: unit.clean_index,
                source_lufs: source.and_then(|source| source.levels.integrated_lufs),
                working_gain_db: working,
                hit_peaks_dbfs: &tried.hit_peaks_dbfs,
                hits_of: heard.hits_of,
                trim_db: trim_db(unit, heard),
                frames: unit.track.frames(),
                played: !heard.not_played,
            });
            of.push(i);
        }
    }
    let decided = gains_of(job, &known, &entries, &of, &fates);
    for (&i, decided) in of.iter().zip(decided) {
        let Some(entry) = &mut entries[i] else {
            continue;
        };
        let gain = match (&known[i].gain, decided) {
            (Some(given), Some(decided)) if given.edited && given.value != decided.value => {
                work.warn(&format!(
                    "{}: gain_db is {} in the worksheet, {} would have been decided; the track is linked to no other",
                    entry.key, given.value, decided.value
                ));
                let why = match decided.edited {
                    true => decided.why,
                    false => Some(Reason::Worksheet {
                        decided_db: Some(decided.value),
                        because: decided.why.map(Box::new),
                    }),
                };
                Decided {
                    value: given.value,
                    why,
                    edited: true,
                }
            }
            (Some(given), None) => given.clone(),
            (_, Some(decided)) => decided,
            (None, None) => Decided::plain(0.0),
        };
        entry.gain_db = held(work, &entry.key, gain, &job.units[i], tried[i].as_ref());
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

/// One entry a unit as it begins, before anything is tried; or why it has none.
pub fn begun(job: &Job<'_>, measured: &[Result<Measured>], heard: &[Heard]) -> Vec<Result<Entry>> {
    let begun = |unit: &Unit<'_>| match (&measured[unit.track_index], &unit.fault) {
        (Err(error), _) | (_, Some(error)) => Err(error.clone()),
        _ => Ok(begin(unit, &heard[unit.track_index])),
    };
    job.units.iter().map(begun).collect()
}

/// A gain that was given or taken over, lowered where the file would pass its ceiling.
fn held(
    work: &Work<'_>,
    key: &str,
    gain: Decided<f64>,
    unit: &Unit<'_>,
    tried: Option<&Result<Tried>>,
) -> Decided<f64> {
    let ceiling_dbtp = gains::ceiling_dbtp(unit.preset.level.as_ref());
    let peak_dbtp = tried.and_then(|tried| tried.as_ref().ok()?.levels.true_peak_dbtp);
    let most = peak_dbtp.and_then(|peak| gains::held_down(gain.value, peak, ceiling_dbtp));
    let Some(most) = most else { return gain };
    work.warn(&format!(
        "{key}: {} dB would pass the ceiling of {ceiling_dbtp} dBTP, {most} dB is given",
        gain.value
    ));
    let held = gains::held(
        gain.value - most,
        peak_dbtp.unwrap_or_default(),
        key,
        ceiling_dbtp,
    );
    Decided {
        value: most,
        why: Some(held.below(gain.why)),
        edited: gain.edited,
    }
}

/// What takes back a step of level. A derived stem goes by its source.
fn trim_db(unit: &Unit<'_>, heard: &Heard) -> f64 {
    match unit.derived {
        None => heard.trim_db,
        Some(_) => 0.0,
    }
}

fn working_dbfs(unit: &Unit<'_>) -> f64 {
    let of_mic = unit.track.mic.level_dbfs;
    of_mic.unwrap_or(gains::DEFAULT_WORKING_DBFS)
}

/// The gain of every unit that was tried; none for one that was delivered and keeps its gain. A take
/// of a mic that was delivered has the gain of the mic.
fn gains_of(
    job: &Job<'_>,
    held: &[Held],
    entries: &[Option<Entry>],
    of: &[usize],
    fates: &[gains::Tried<'_>],
) -> Vec<Option<Decided<f64>>> {
    let kept = |i: usize| held[i].gain.as_ref().is_some_and(|gain| !gain.edited);
    let open: Vec<usize> = (0..of.len())
        .filter(|&n| !kept(of[n]) && held[of[n]].of_mic.is_none())
        .collect();
    // What is to be as loud as a clean stem that is not tried goes by the gain that this has.
    let clean_gain_db = |track: usize| {
        let found = (0..entries.len()).find(|&j| {
            let unit = &job.units[j];
            unit.track_index == track && unit.derived.is_none() && held[j].gain.is_some()
        });
        Some(held[found?].gain.as_ref()?.value)
    };
    let asked: Vec<gains::Tried<'_>> = (open.iter())
        .map(|&n| {
            let mut fate = fates[n].clone();
            fate.working_gain_db = clean_gain_db(fate.track).unwrap_or(fate.working_gain_db);
            fate
        })
        .collect();
    let of_mic = |(&i, fate): (&usize, &gains::Tried<'_>)| {
        let gain = held[i].of_mic.clone().filter(|_| !kept(i))?;
        Some(gains::trimmed(gain, fate))
    };
    let mut decided: Vec<Option<Decided<f64>>> = of.iter().zip(fates).map(of_mic).collect();
    for (n, gain) in open.into_iter().zip(gains(&asked)) {
        decided[n] = Some(gain);
    }
    decided
}

/// What can be decided before anything is tried.
fn begin(unit: &Unit<'_>, heard: &Heard) -> Entry {
    let mut stages = follow(unit.preset, &heard.tuned_setup, &heard.tuned_take);
    for stage in &mut stages {
        if let Stage::Gate(gate) = &mut stage.value
            && gate.openings.is_none()
        {
            let (decided, why) = heard.gate(gate, unit.track);
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
        None | Some(Measure::HitLevel | Measure::TruePeak | Measure::SamplePeak | Measure::Rms) => {
            Figures::Plain
        }
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
                let measured = (measured[unit.track_index].as_ref()).map_err(Clone::clone)?;
                let asked = asked(job, unit, heard, &chain);
                levels_after::listen_to_drive(work, unit, measured, (&chain, at), asked)
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
    (entries, held): (&[Option<Entry>], &[Held]),
    known: Vec<Option<Tried>>,
) -> Result<Vec<Option<Result<Tried>>>> {
    let mut tried: Vec<Option<Result<Tried>>> =
        known.into_iter().map(|known| known.map(Ok)).collect();
    let todo: Vec<usize> = (0..entries.len())
        .filter(|&i| entries[i].is_some() && tried[i].is_none() && !held[i].whole)
        .collect();
    let results = work.each(
        "try",
        &todo,
        |&i| job.units[i].samples(),
        |&i| {
            let unit = &job.units[i];
            let entry = entries[i].as_ref().expect("filtered above");
            let measured = (measured[unit.track_index].as_ref()).map_err(Clone::clone)?;
            let chain = entry.chain_before_gain();
            levels_after::levels_after(
                work,
                unit,
                measured,
                &chain,
                asked(job, unit, heard, &chain),
            )
        },
    )?;
    for (i, result) in todo.into_iter().zip(results) {
        tried[i] = Some(result);
    }
    Ok(tried)
}
