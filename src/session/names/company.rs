//! Doubts that the other files of a set-up decide: `OH 1` beside `OH 2`, `T1` beside `Kick In`,
//! `Mid` beside `Hi Tom`, a room mic on the floor beside toms.

use std::collections::{BTreeMap, BTreeSet};

use super::reading::{Guess, Reading, TomSpec};
use super::token::is_noun;
use crate::remark::Remark;
use crate::session::mic::TomPlace;
use crate::session::tracks::Part;
use crate::session::{Family, Label, Mic, Side};

/// Settles what the takes of one set-up decide together.
pub(in crate::session) fn settle(takes: &mut [&mut Vec<Part>]) {
    let company = Company::of(
        takes
            .iter()
            .flat_map(|take| take.iter())
            .map(|part| &part.reading),
    );
    for part in takes.iter_mut().flat_map(|take| take.iter_mut()) {
        if !part.reading.given {
            company.decide(&mut part.reading);
        }
    }
}

/// What all names of a set-up have, by the words of their mics.
#[derive(Default)]
struct Company {
    numbers: BTreeMap<Vec<&'static str>, BTreeSet<u32>>,
    letters: BTreeMap<&'static str, BTreeSet<char>>,
    /// Words of mics that are written with a side.
    sided: BTreeSet<Vec<&'static str>>,
    mics: BTreeSet<Mic>,
    toms: BTreeSet<TomPlace>,
}

impl Company {
    fn of<'a>(readings: impl Iterator<Item = &'a Reading>) -> Self {
        let mut company = Self::default();
        for reading in readings {
            let words = || reading.words.clone();
            if let Some(number) = reading.number {
                company.numbers.entry(words()).or_default().insert(number);
            } else if reading.side.is_some() {
                company.sided.insert(words());
            }
            if let (Some(letter), Some(drum)) = (reading.letter, drum(reading)) {
                company.letters.entry(drum).or_default().insert(letter);
            }
            match &reading.guess {
                Guess::Mic(mic) | Guess::IfFree(mic) => drop(company.mics.insert(*mic)),
                Guess::Tom(tom) => drop(company.toms.insert(tom.place)),
                Guess::Ask { .. } | Guess::Nothing => {}
            }
        }
        company
    }

    fn decide(&self, reading: &mut Reading) {
        self.number(reading);
        self.letter(reading);
        self.tom(reading);
        self.floor_of_the_room(reading);
        self.second_of_a_drum(reading);
    }

    /// `OH 1` and `OH 2`, and nothing else that is written so, are left and right.
    fn number(&self, reading: &mut Reading) {
        let (Guess::Ask { candidates, .. }, Some(1 | 2)) = (&reading.guess, reading.number) else {
            return;
        };
        let Some(label) = candidates.first().and_then(|text| Label::parse(text)) else {
            return;
        };
        let numbers = self.numbers.get(&reading.words);
        let two = numbers.is_some_and(|numbers| numbers.iter().eq(&[1, 2]));
        if label.mic.pair && two && !self.sided.contains(&reading.words) {
            reading.settle(label.mic, label.side, Remark::NumbersAreSides);
        }
    }

    /// `OH A` and `OH B`, `Snare T`, `Tom A`.
    fn letter(&self, reading: &mut Reading) {
        let (Some(letter), Some(drum)) = (reading.letter, drum(reading)) else {
            return;
        };
        let letters: String = self.letters.get(drum).into_iter().flatten().collect();
        let both = |pair: &str| letters == pair && pair.contains(letter);
        let alone = matches!(&reading.words[..], [_] | [_, "under"]) && reading.number.is_none();
        let mic = |name: &str| Mic::named(name);
        match (drum, &reading.guess) {
            ("snare", Guess::IfFree(_) | Guess::Mic(_)) if alone => {
                let top =
                    letter == 't' || letter == 'o' && both("ou") || letter == 'u' && both("du");
                let bottom = letter == 'b' && !letters.contains('a')
                    || letter == 'd' && both("du")
                    || letter == 'u' && !both("du");
                match (top, bottom) {
                    (true, _) => {
                        reading.guess = mic("snare-top").map_or(Guess::Nothing, Guess::Mic)
                    }
                    (_, true) => {
                        reading.guess = mic("snare-bottom").map_or(Guess::Nothing, Guess::Mic);
                    }
                    _ => return self.doubt_letter(reading, letter),
                }
                reading.notes.clear();
            }
            ("kick", Guess::IfFree(_)) if alone => {
                let name = match letter {
                    'i' if both("io") => "kick-in",
                    'o' if both("io") => "kick-out",
                    _ => return self.doubt_letter(reading, letter),
                };
                reading.guess = mic(name).map_or(Guess::Nothing, Guess::Mic);
                reading.notes.clear();
            }
            (_, Guess::Mic(mic)) if mic.has_sides() && reading.side.is_none() => {
                let (mic, because) = (*mic, Remark::LetterIsSide { letter });
                match letter {
                    'a' | 'g' if both("ab") || both("dg") => {
                        reading.settle(mic, Some(Side::L), because);
                    }
                    'b' | 'd' if both("ab") || both("dg") => {
                        reading.settle(mic, Some(Side::R), because);
                    }
                    _ => self.doubt_letter(reading, letter),
                }
            }
            (_, Guess::Tom(spec)) if spec.number.is_none() => {
                let all = "abcdef";
                if all.starts_with(letters.as_str())
                    && let Some(at) = all.find(letter)
                {
                    let number = u32::try_from(at + 1).ok();
                    reading.guess = Guess::Tom(TomSpec { number, ..*spec });
                }
            }
            _ => {}
        }
    }

    /// A letter that may be one of a row.
    fn doubt_letter(&self, reading: &mut Reading, letter: char) {
        let Some(mic) = reading.mic().filter(|_| matches!(letter, 'a'..='d' | 'g')) else {
            return;
        };
        let candidates = match mic.has_sides() {
            true => [format!("{mic}-l"), format!("{mic}-r")],
            false => [mic.to_string(), format!("{mic}-2")],
        };
        reading.ask(candidates, Remark::LetterUnclear { letter });
    }

    /// Words that are a tom's where toms are beside them.
    fn tom(&self, reading: &mut Reading) {
        if !matches!(reading.guess, Guess::Ask { .. }) {
            return;
        }
        let has = |place| self.toms.contains(&place);
        let (high, low) = (has(TomPlace::High), has(TomPlace::Low));
        let place = match &reading.words[..] {
            ["mid"] if (high || low) && !has(TomPlace::Mid) => TomPlace::Mid,
            ["high"] if (low || has(TomPlace::Mid)) && !high => TomPlace::High,
            ["low"] if (high || has(TomPlace::Mid)) && !low => TomPlace::Low,
            ["rt"] if has(TomPlace::Floor) || reading.number.is_some() => TomPlace::Rack,
            [] if reading.lone_t.is_some() && self.mics.len() > 1 => TomPlace::Rack,
            _ => return,
        };
        let number = reading.lone_t.or(reading.number);
        reading.guess = Guess::Tom(TomSpec {
            place,
            number,
            size_in: None,
        });
        let word = reading.matched.clone();
        reading.notes.push(Remark::TomBesideToms { word });
    }

    /// `Floor Room` is a room mic, and the only one without a place where toms have files of their own.
    fn floor_of_the_room(&self, reading: &mut Reading) {
        let words = matches!(&reading.words[..], ["room", "floor"] | ["floor", "room"]);
        let room = Mic::named("room").filter(|room| !self.mics.contains(room));
        if let (true, Guess::Ask { .. }, false, Some(room)) =
            (words, &reading.guess, self.toms.is_empty(), room)
        {
            reading.settle(room, reading.side, Remark::RoomOnTheFloor);
        }
    }

    /// `Snare 2`: what is there already is not what it may be.
    fn second_of_a_drum(&self, reading: &mut Reading) {
        if let (Guess::Ask { candidates, .. }, Some(2), [drum]) =
            (&mut reading.guess, reading.number, &reading.words[..])
            && matches!(*drum, "kick" | "snare")
        {
            candidates.retain(|label| {
                let there = Mic::named(label).is_some_and(|mic| self.mics.contains(&mic));
                !there
            });
        }
    }
}

/// The part of the kit among the words.
fn drum(reading: &Reading) -> Option<&'static str> {
    let family = reading.mic().map(|mic| mic.family);
    let noun = || reading.words.iter().copied().find(|word| is_noun(word));
    noun().or(matches!(family, Some(Family::Overhead | Family::Room)).then_some("overhead"))
}
