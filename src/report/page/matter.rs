//! Findings grouped by matter: one line for one cause, however many takes and mics show it.

use std::collections::BTreeMap;

use super::{Shown, View};
use crate::finding::{Code, Finding, Severity};

/// So many mics of the same takes are one cause: a cable snake, a clock, a recorder.
const ONE_CAUSE: usize = 3;

/// Takes by song.
pub type Takes<'a> = Vec<(&'a str, Vec<&'a str>)>;

/// One thing that somebody should know, with every track that shows it.
pub struct Matter<'a> {
    /// The worst of its findings.
    pub severity: Severity,
    /// What it is.
    pub code: Code,
    /// The mics, in the order of the session.
    pub labels: Vec<&'a str>,
    /// The tracks, each with its finding, in the order of the session.
    pub found: Vec<(Shown<'a>, &'a Finding)>,
    /// A song that has no whole take but for this.
    pub last_chance: bool,
}

impl<'a> Matter<'a> {
    /// The finding that speaks for all: the gravest, then the surest.
    pub fn speaker(&self) -> (Shown<'a>, &'a Finding) {
        let grave = |(_, finding): &&(Shown<'a>, &'a Finding)| {
            (finding.severity, (finding.confidence * 1000.0) as i64)
        };
        // The first of several.
        *self
            .found
            .iter()
            .rev()
            .max_by_key(grave)
            .expect("a matter has a finding")
    }

    /// Its takes by song, in the order of the session.
    pub fn takes(&self) -> Takes<'a> {
        by_song(self.found.iter().map(|(track, _)| track))
    }

    /// Places to hear, as many as there are.
    pub fn places(&self) -> Vec<(Shown<'a>, f64)> {
        let places = self.found.iter();
        places
            .flat_map(|(track, finding)| finding.at_s.iter().map(|at| (*track, *at)))
            .collect()
    }
}

/// The takes of some tracks by song.
pub fn by_song<'a: 't, 't>(tracks: impl Iterator<Item = &'t Shown<'a>>) -> Takes<'a> {
    let mut songs: Takes<'a> = Vec::new();
    for track in tracks {
        if songs.last().is_none_or(|(song, _)| *song != track.song()) {
            match songs.iter().position(|(song, _)| *song == track.song()) {
                // Found again behind another song: its place moves to the end.
                Some(i) => {
                    let known = songs.remove(i);
                    songs.push(known);
                }
                None => songs.push((track.song(), Vec::new())),
            }
        }
        if let Some((_, takes)) = songs.last_mut()
            && !takes.contains(&track.take())
        {
            takes.push(track.take());
        }
    }
    songs
}

/// Everything of this severity, worst first: what costs a song its only take, then by what it is.
pub fn matters<'a>(view: &View<'a>, severity: Severity) -> Vec<Matter<'a>> {
    matters_of(view, severity, &|_, _| true)
}

/// The same of the findings that `only` wants.
pub fn matters_of<'a>(
    view: &View<'a>,
    severity: Severity,
    only: &dyn Fn(&Shown<'a>, &Finding) -> bool,
) -> Vec<Matter<'a>> {
    let mut groups: BTreeMap<(Code, &str, &str), Matter<'a>> = BTreeMap::new();
    for track in &view.tracks {
        for finding in track
            .report
            .findings
            .iter()
            .filter(|f| f.severity == severity && only(track, f))
        {
            // A problem is mended song by song; a warning is read once.
            let song = match severity {
                Severity::Problem => track.song(),
                _ => "",
            };
            let label = &*track.subject.label;
            let group = groups.entry((finding.code(), label, song));
            let matter = group.or_insert_with(|| Matter {
                severity,
                code: finding.code(),
                labels: vec![label],
                found: Vec::new(),
                last_chance: severity == Severity::Problem && !view.has_whole_take(track.song()),
            });
            matter.found.push((*track, finding));
        }
    }
    let mut matters = join(groups.into_values().collect());
    matters.sort_by_key(|matter| {
        let first = matter.found.first().map_or(0, |(track, _)| track.index);
        (!matter.last_chance, matter.code, first)
    });
    matters
}

/// Mics that show the same in the very same takes become one matter, where there are many of them.
fn join(matters: Vec<Matter<'_>>) -> Vec<Matter<'_>> {
    let mut causes: BTreeMap<(Code, Takes<'_>), Vec<Matter<'_>>> = BTreeMap::new();
    for matter in matters {
        causes
            .entry((matter.code, matter.takes()))
            .or_default()
            .push(matter);
    }
    let mut joined = Vec::new();
    for mut alike in causes.into_values() {
        if alike.len() < ONE_CAUSE {
            joined.append(&mut alike);
            continue;
        }
        alike.sort_by_key(|matter| matter.found.first().map_or(0, |(track, _)| track.index));
        let mut alike = alike.into_iter();
        if let Some(mut one) = alike.next() {
            for other in alike {
                one.labels.extend(other.labels);
                one.found.extend(other.found);
                one.last_chance |= other.last_chance;
            }
            joined.push(one);
        }
    }
    joined
}
