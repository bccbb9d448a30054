//! Toms are numbered once for all takes of a set-up: racks by number or size, then the floor toms.

use std::collections::{BTreeMap, BTreeSet};

use super::reading::{Guess, TomSpec};
use crate::remark::Remark;
use crate::session::Mic;
use crate::session::mic::TomPlace;
use crate::session::tracks::Part;

fn tom(part: &Part) -> Option<TomSpec> {
    match part.reading.guess {
        Guess::Tom(spec) => Some(spec),
        _ => None,
    }
}

/// Gives every tom of each set-up its number.
pub(in crate::session) fn number_toms<'a>(
    setups: impl Iterator<Item = &'a mut [&'a mut Vec<Part>]>,
) {
    let mut setups: Vec<_> = setups.map(|takes| (rack_numbers(takes), takes)).collect();
    // Where a song has no rack tom, the others tell how many there are.
    let racks = setups
        .iter()
        .flat_map(|(numbers, _)| numbers.values())
        .max();
    let elsewhere = racks.copied().unwrap_or(0);
    for (numbers, takes) in &mut setups {
        number_setup(takes, std::mem::take(numbers), elsewhere);
    }
}

fn is_floor(spec: &TomSpec) -> bool {
    spec.place == TomPlace::Floor
}

fn specs(takes: &[&mut Vec<Part>]) -> BTreeSet<TomSpec> {
    let parts = takes.iter().flat_map(|take| take.iter());
    parts.filter_map(tom).collect()
}

/// The numbers of the rack toms: those that people wrote stand, sizes and places fill in.
fn rack_numbers(takes: &[&mut Vec<Part>]) -> BTreeMap<TomSpec, u32> {
    let specs = specs(takes);
    let floor = |spec: &&TomSpec| is_floor(spec);
    let mut numbers: BTreeMap<TomSpec, u32> = BTreeMap::new();
    let mut taken: BTreeSet<u32> = BTreeSet::new();
    for spec in specs.iter().filter(|s| !floor(s)) {
        if let Some(number) = spec.number {
            numbers.insert(*spec, number);
            taken.insert(number);
        }
    }
    let mut rest: Vec<&TomSpec> = specs
        .iter()
        .filter(|s| !floor(s) && s.number.is_none())
        .collect();
    rest.sort_by_key(|spec| {
        let place = match spec.place {
            TomPlace::High => 0,
            TomPlace::Rack => 1,
            TomPlace::Mid => 2,
            TomPlace::Low | TomPlace::Floor => 3,
        };
        match spec.size_in {
            Some(size) => (1, size, place),
            None => (place, 0, place),
        }
    });
    for spec in rest {
        // A bare "tom" or "rack" is the first one, however else it is spelled in other takes.
        let bare = spec.size_in.is_none() && matches!(spec.place, TomPlace::Rack | TomPlace::High);
        let number = match bare {
            true => 1,
            false => (1..).find(|n| !taken.contains(n)).unwrap_or(1),
        };
        numbers.insert(*spec, number);
        taken.insert(number);
    }
    numbers
}

/// `numbers`: of the rack toms. `elsewhere`: how many rack toms other set-ups have.
fn number_setup(takes: &mut [&mut Vec<Part>], mut numbers: BTreeMap<TomSpec, u32>, elsewhere: u32) {
    let specs = specs(takes);
    let floor = |spec: &&TomSpec| is_floor(spec);
    // Floor toms go on after the racks of the takes that have both: elsewhere the same drum may be
    // written as a numbered tom.
    let racks_of = |take: &Vec<Part>| {
        let specs: Vec<TomSpec> = take.iter().filter_map(tom).collect();
        let racks = specs
            .iter()
            .filter(|s| !floor(s))
            .filter_map(|s| numbers.get(s))
            .max();
        (specs.iter().any(|s| floor(&s)), racks.copied().unwrap_or(0))
    };
    let counts: Vec<(bool, u32)> = takes.iter().map(|take| racks_of(take)).collect();
    let both = counts
        .iter()
        .filter(|(has_floor, n)| *has_floor && *n > 0)
        .map(|(_, n)| *n)
        .max();
    let racks = both.or(counts.iter().map(|(_, n)| *n).max()).unwrap_or(0);
    let own = racks;
    let racks = if own == 0 { elsewhere } else { own };
    let mut floors: Vec<&TomSpec> = specs.iter().filter(floor).collect();
    floors.sort_by_key(|spec| {
        (
            spec.size_in.is_some(),
            spec.number.unwrap_or(1),
            spec.size_in,
        )
    });
    let mut next = racks + 1;
    for spec in floors {
        let number = match (spec.size_in, spec.number) {
            (None, number) => racks + number.unwrap_or(1),
            (Some(_), Some(number)) => racks + number,
            (Some(_), None) => next,
        };
        next = next.max(number + 1);
        numbers.insert(*spec, number);
    }
    for part in takes.iter_mut().flat_map(|take| take.iter_mut()) {
        let Some(spec) = tom(part) else { continue };
        let number = numbers.get(&spec).copied().unwrap_or(1);
        let notes = &mut part.reading.notes;
        match spec.place {
            TomPlace::Low => notes.push(Remark::LastRackTom),
            TomPlace::Floor if racks == 0 => {
                let first = spec.number.unwrap_or(1);
                let candidates = (first..first + 3)
                    .filter_map(Mic::tom)
                    .map(|mic| mic.to_string());
                part.reading.ask(candidates, Remark::NoRackTom);
                continue;
            }
            TomPlace::Floor if own == 0 => notes.push(Remark::AfterOtherRacks { racks }),
            _ => {}
        }
        if let Some(inches) = spec.size_in {
            notes.push(Remark::NumberedBySize { inches });
        }
        match Mic::tom(number) {
            Some(mic) => part.reading.guess = Guess::Mic(mic),
            None => part.reading.ask(["tom-6"], Remark::SixToms),
        }
    }
}
