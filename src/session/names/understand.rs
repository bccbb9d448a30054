//! From the words that were found in a name to a [`Reading`] of it.

use std::ops::Range;

use super::reading::{Guess, Last, LastIs, Reading, TomSpec};
use super::token::{Kind, Token, is_noun};
use super::words::{Found, Meaning};
use crate::remark::Remark;
use crate::session::mic::TomPlace;
use crate::session::{Family, Mic, Side};
use crate::wording;

impl Reading {
    /// Mic, side and number from the words that were found, and whether they can be taken.
    pub fn understand(&mut self, tokens: &[Token], found: &Found, last_is: LastIs) {
        let has = |word: &str| found.modifiers.contains(&word);
        self.side = match (has("left"), has("right"), has("centre") || has("mono")) {
            (true, false, _) => Some(Side::L),
            (false, true, _) => Some(Side::R),
            (false, false, true) => Some(Side::C),
            _ => None,
        };
        self.matched = as_written(tokens, &found.used);
        self.words = found.words(tokens);
        self.letter = letter(tokens, found.used.end);
        self.already_driven = has("trash") || found.words(tokens) == ["trash"];
        let (number, size_in) = self.numbers(tokens, found, last_is);
        self.number = number;
        match &found.meaning {
            Meaning::Own(label) => {
                self.side = label.side.or(self.side);
                self.index = label.index;
                self.guess = Guess::Mic(label.mic);
                self.matched = wording::remark::own_words(&self.matched);
                return;
            }
            Meaning::Mic(mic) => self.guess = Guess::Mic(*mic),
            Meaning::Noted { mic, if_free, note } => {
                self.notes.push(word(note));
                self.guess = match if_free {
                    true => Guess::IfFree(*mic),
                    false => Guess::Mic(*mic),
                }
            }
            Meaning::Ask {
                candidates,
                because,
            } => self.ask(candidates.iter().cloned(), word(because)),
            Meaning::Tom(place) => {
                self.guess = Guess::Tom(TomSpec {
                    place: *place,
                    number,
                    size_in,
                })
            }
        }
        let single = |mic: &Mic| !mic.pair;
        if has("mono") && matches!(&self.guess, Guess::Mic(mic) | Guess::IfFree(mic) if single(mic))
        {
            self.side = self.side.filter(|side| *side != Side::C); // says nothing of a single mic
        }
        self.doubt(found, number);
        if self.already_driven && !matches!(self.guess, Guess::Ask { .. }) {
            self.warnings.push(Remark::AlreadyDistorted);
        }
    }

    /// Asks where the words are known and yet not certain; numbers further mics of a kind.
    fn doubt(&mut self, found: &Found, number: Option<u32>) {
        use Family::{Hat, Kick, Overhead, Room, Snare};
        let mic = match self.guess {
            Guess::Ask { .. } | Guess::Nothing => return,
            Guess::Mic(mic) | Guess::IfFree(mic) => Some(mic),
            Guess::Tom(_) => None,
        };
        let has = |word: &str| found.modifiers.contains(&word);
        let family = mic.map_or(Family::Tom, |mic| mic.family);
        let whole_drum = matches!(self.guess, Guess::IfFree(_)) || family == Hat;
        if has("stage") || has("house") {
            self.ask(self.labels(), Remark::SideFromStage);
        } else if !found.extra.is_empty() {
            let words = found.extra.join(" ");
            self.ask(self.labels(), Remark::WordsBeside { words });
        } else if self.side.is_some() && !mic.is_some_and(Mic::has_sides) {
            let drum = match family {
                Kick => "kick drum",
                Snare => "snare drum",
                Hat => "hat",
                _ => "tom",
            };
            let drum = drum.to_owned();
            let because = Remark::NoSides { drum };
            self.side = None;
            match mic {
                Some(mic) => self.ask([format!("{mic}-2"), mic.to_string()], because),
                None => self.ask(["tom-1", "tom-2"], because),
            }
        } else if let (Some(number), Some(mic)) = (number, mic) {
            match family {
                Overhead | Room if self.side.is_none() && number <= 2 => {
                    self.side = Some(if number == 1 { Side::L } else { Side::R });
                    self.ask(self.labels(), Remark::NumberIsNoSide);
                }
                _ if number >= 2 && whole_drum => {
                    self.index = number;
                    let drum = if family == Hat { "hat" } else { "drum" }.to_owned();
                    let other = match family {
                        Kick => Some("kick-out"),
                        Snare => Some("snare-bottom"),
                        _ => None,
                    };
                    let other = other.filter(|_| number == 2).map(str::to_owned);
                    let candidates: Vec<_> = other.into_iter().chain(self.labels()).collect();
                    self.ask(candidates, Remark::SecondOrOtherMic { drum });
                }
                _ => {
                    self.index = number;
                    if number >= 2 {
                        let mic = mic.to_string();
                        self.notes.push(Remark::OneOfSeveral { number, mic });
                    }
                }
            }
        }
    }

    /// The number of the mic and its size in inches, from the numbers behind its words.
    fn numbers(
        &mut self,
        tokens: &[Token],
        found: &Found,
        last_is: LastIs,
    ) -> (Option<u32>, Option<u32>) {
        use Family::{Cymbal, Hat, Overhead, Room};
        let is_tom = match &found.meaning {
            Meaning::Tom(_) => true,
            Meaning::Ask { candidates, .. } => candidates.iter().any(|label| label.contains("tom")),
            _ => false,
        };
        // `High Tom-3`: its place says which one it is, a number behind it is a take's.
        let placed = matches!(
            &found.meaning,
            Meaning::Tom(TomPlace::High | TomPlace::Mid | TomPlace::Low)
        );
        let idle = |token: &&Token| matches!(token.kind, Kind::Note | Kind::Gear);
        let end = tokens.len() - tokens.iter().rev().take_while(idle).count();
        // Parts of the kit of which there may be several: a number behind them is theirs.
        let several = |mic: &Mic| matches!(mic.family, Cymbal | Hat | Overhead | Room);
        let several = is_tom
            || matches!(&found.meaning, Meaning::Mic(mic) | Meaning::Noted { mic, .. } if several(mic));
        let (mut number, mut size) = (None, None);
        let behind = tokens.iter().enumerate().skip(found.span.start);
        for (at, token) in behind {
            if let Kind::Size(inches) = token.kind {
                size = size.or(Some(inches)).filter(|_| is_tom);
            }
            let Kind::Number { value, padded } = token.kind else {
                continue;
            };
            // `Kick1` may be the first kick, `KICKIN01` is a take.
            let apart = token.separator.is_some() || padded || !several && !is_tom;
            if at + 1 == end && apart {
                let possible = (1..8).contains(&value) || is_tom && value <= 24;
                let of_mic = match last_is {
                    LastIs::Take => false,
                    LastIs::Mic => true,
                    LastIs::Either if self.take.is_some() => several || !padded,
                    LastIs::Either => several && possible && !padded && !placed && number.is_none(),
                };
                self.last = Some(Last::new(token, value, padded, of_mic));
                if !of_mic {
                    continue;
                }
            }
            if is_tom && (8..=24).contains(&value) && size.is_none() {
                size = Some(value);
            } else if number.is_none() && (1..8).contains(&value) {
                number = Some(value);
            } else {
                self.ignored.push(token.text.clone());
            }
        }
        (number, size)
    }

    /// Sorts all other words: the song's, or ignored and shown.
    pub fn leftovers(
        &mut self,
        tokens: &[Token],
        take_at: Option<usize>,
        start: usize,
        found: &Found,
    ) {
        let (from, to) = (found.used.start, found.used.end);
        let end = tokens.len();
        let (before, after) = match take_at {
            Some(take) if take < from => (0..take, take + 1..from),
            Some(take) => (0..from, to..take.max(to)),
            None => (0..from, to..end),
        };
        let behind = take_at.map_or(end, |take| (take + 1).max(to));
        let noun = |t: &Token| t.words().iter().any(|w| is_noun(w));
        let doubted = tokens
            .get(start.min(before.end)..before.end)
            .unwrap_or_default();
        self.doubtful_song = take_at.is_none_or(|take| take > from) && doubted.iter().any(noun);
        self.song = self.song_words(tokens, before);
        let after = self.song_words(tokens, after);
        match (take_at, self.song.is_empty()) {
            (Some(_), true) => self.song = after,
            (None, true) => self.song_after = after,
            (_, false) => self.ignored.extend(after),
        }
        let rest = tokens.get(behind..).unwrap_or_default();
        let rest = rest
            .iter()
            .filter(|t| matches!(t.kind, Kind::Foreign | Kind::Gear));
        self.ignored.extend(rest.map(|t| t.text.clone()));
        let inside = tokens.get(found.used.clone()).unwrap_or_default();
        let gear = inside.iter().filter(|t| t.kind == Kind::Gear);
        self.ignored.extend(gear.map(|t| t.text.clone()));
    }

    /// The words of a range that may be a song's: not what people thought of a take, nor parts of
    /// the name that say nothing of any song (`Drums`, a date, a rate).
    fn song_words(&mut self, tokens: &[Token], range: Range<usize>) -> Vec<String> {
        let range = tokens.get(range).unwrap_or_default();
        let mut words: Vec<&Token> = Vec::new();
        for field in range.chunk_by(|a, b| a.field == b.field) {
            let real = |t: &Token| matches!(t.kind, Kind::Foreign | Kind::Words(_) | Kind::T(_));
            let first = match field.iter().all(Token::is_idle) {
                true => field.len(),
                false => field.iter().position(real).unwrap_or(field.len()),
            };
            let (numbers, field) = field.split_at(first);
            self.ignored.extend(numbers.iter().map(|t| t.text.clone()));
            words.extend(field.iter().filter(|t| t.kind != Kind::Note));
        }
        let number = |t: &Token| matches!(t.kind, Kind::Number { .. });
        while words.last().is_some_and(|t| t.is_idle() && !number(t)) {
            self.ignored.extend(words.pop().map(|t| t.text.clone()));
        }
        words.iter().map(|t| t.text.clone()).collect()
    }

    /// `T2` and no other word of a mic.
    pub fn lone_t(&mut self, tokens: &[Token], at: usize, number: u32, take_at: Option<usize>) {
        self.matched = as_written(tokens, &(at..at + 1));
        self.song = self.song_words(tokens, 0..take_at.unwrap_or(at));
        self.last = last_number(tokens).filter(|_| take_at.is_none());
        if take_at.is_some() {
            self.guess = Guess::Tom(TomSpec {
                place: TomPlace::Rack,
                number: Some(number),
                size_in: None,
            });
            let word = self.matched.clone();
            self.notes.push(Remark::TomBesideTake { word });
        } else {
            self.lone_t = Some(number);
            self.ask([format!("tom-{number}")], Remark::TomOrTake { number });
        }
    }

    /// No word of a mic.
    pub fn nothing(&mut self, tokens: &[Token], take_at: Option<usize>) {
        if let Some(take) = take_at {
            self.song = self.song_words(tokens, 0..take);
        }
        self.last = last_number(tokens);
        let size = tokens.iter().find(|t| matches!(t.kind, Kind::Size(8..=24)));
        if let Some(token) = size {
            self.matched = token.text.clone();
            self.ask(["tom-1", "tom-2", "tom-3"], Remark::SizeAlone);
        }
    }
}

/// What the table of mics says of a word.
fn word(text: &str) -> Remark {
    Remark::Word {
        text: text.to_owned(),
    }
}

/// The number at the end of a name that has more than it.
fn last_number(tokens: &[Token]) -> Option<Last> {
    let [_, .., token] = tokens else { return None };
    match token.kind {
        Kind::Number { value, padded } => Some(Last::new(token, value, padded, false)),
        _ => None,
    }
}

/// The single letter that ends the tokens before `end`. `u` is a word (`under`) as well.
fn letter(tokens: &[Token], end: usize) -> Option<char> {
    let single = |token: &Token| {
        let mut letters = token.text.chars();
        let letter = letters.next()?.to_ascii_lowercase();
        letters.next().is_none().then_some(letter)
    };
    let last = tokens.get(end.checked_sub(1)?)?;
    single(last).filter(|letter| last.kind == Kind::Foreign || *letter == 'u')
}

/// Tokens as they were written, with single spaces.
fn as_written(tokens: &[Token], range: &Range<usize>) -> String {
    let mut text = String::new();
    for token in tokens.get(range.clone()).unwrap_or_default() {
        if matches!(token.kind, Kind::Gear) {
            continue;
        }
        if token.separator.is_some() && !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&token.text);
    }
    text
}
