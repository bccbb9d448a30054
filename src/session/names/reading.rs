//! [`Reading`]: what one file name says, and how sure that is.

use super::token::{Kind, Token};
use crate::remark::Remark;
use crate::session::label::Label;
use crate::session::mic::TomPlace;
use crate::session::{Mic, Side};

/// Which tom, before toms are numbered within the set-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(in crate::session) struct TomSpec {
    pub place: TomPlace,
    pub number: Option<u32>,
    pub size_in: Option<u32>,
}

/// What a name is taken for.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::session) enum Guess {
    Mic(Mic),
    Tom(TomSpec),
    /// This mic, if no other file of the take is it.
    IfFree(Mic),
    /// Unknown, with labels that it may be, the likeliest first, and why it is not simply taken.
    Ask {
        candidates: Vec<String>,
        because: Remark,
    },
    /// No word of it is known.
    Nothing,
}

/// The take that a name gives in so many words.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::session) enum TakeWord {
    Number(u32),
    /// A slug: `comp`.
    Named(String),
}

impl TakeWord {
    /// What a piece of a name gives.
    pub fn of(kind: &Kind) -> Option<Self> {
        match kind {
            Kind::Take(n) | Kind::T(n) => Some(TakeWord::Number(*n)),
            Kind::Comp => Some(TakeWord::Named("comp".to_owned())),
            _ => None,
        }
    }
}

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::session) struct Written {
    /// The character before it.
    pub separator: Option<char>,
    /// Digits, where it has leading zeros; else 0.
    pub width: usize,
}

/// A number at the end of a name: of a take, of the mic, or neither.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::session) struct Last {
    pub value: u32,
    pub written: Written,
    /// It was read as the mic's (`Tom 2`).
    pub of_mic: bool,
}

/// What to make of a number at the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(in crate::session) enum LastIs {
    /// As the name alone suggests.
    Either,
    /// The take's.
    Take,
    /// The mic's.
    Mic,
}

/// What one name says.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::session) struct Reading {
    pub guess: Guess,
    pub side: Option<Side>,
    /// A further mic of its kind (`Crash 2`); 1 otherwise.
    pub index: u32,
    pub take: Option<TakeWord>,
    pub last: Option<Last>,
    pub lane: Option<u32>,
    /// Words, as written, which may be the song's name.
    pub song: Vec<String>,
    /// Words behind the mic, which may be the song's name if there are none before it.
    pub song_after: Vec<String>,
    /// The part of the name that was understood, as written.
    pub matched: String,
    /// The trade's words of the phrase that was understood.
    pub words: Vec<&'static str>,
    /// The number that was read as the mic's.
    pub number: Option<u32>,
    /// A single letter behind its words: `OH A`, `Snare T`.
    pub letter: Option<char>,
    /// What people thought of the take: `keep`, `NG`.
    pub take_notes: Vec<String>,
    /// Pieces that were ignored, as written.
    pub ignored: Vec<String>,
    /// For information.
    pub notes: Vec<Remark>,
    /// For a person to look at, though it is taken.
    pub warnings: Vec<Remark>,
    /// The name says that it is distorted.
    pub already_driven: bool,
    /// `song` holds words of another mic: it must be the song's name in other files too.
    pub doubtful_song: bool,
    /// `T2` alone, which might also be this take.
    pub lone_t: Option<u32>,
    /// The session file says what it is, whatever it is called.
    pub given: bool,
}

impl Last {
    /// As the token writes it.
    pub fn new(token: &Token, value: u32, padded: bool, of_mic: bool) -> Self {
        let written = Written {
            separator: token.separator,
            width: if padded { token.text.len() } else { 0 },
        };
        Self {
            value,
            written,
            of_mic,
        }
    }
}

impl Reading {
    /// Nothing yet.
    pub fn new() -> Self {
        Self {
            guess: Guess::Nothing,
            side: None,
            index: 1,
            take: None,
            last: None,
            lane: None,
            song: Vec::new(),
            song_after: Vec::new(),
            matched: String::new(),
            words: Vec::new(),
            number: None,
            letter: None,
            take_notes: Vec::new(),
            ignored: Vec::new(),
            notes: Vec::new(),
            warnings: Vec::new(),
            already_driven: false,
            doubtful_song: false,
            lone_t: None,
            given: false,
        }
    }

    /// What the session file says counts; song and take still come from the name.
    pub fn give(&mut self, label: Label, how: String) {
        self.guess = Guess::Mic(label.mic);
        (self.side, self.index) = (label.side, label.index);
        self.matched = how;
        self.notes.clear();
        self.doubtful_song = false;
        self.given = true;
    }

    /// What it would be taken for, in words.
    pub fn would_be(&self) -> String {
        let mic = match &self.guess {
            Guess::Mic(mic) | Guess::IfFree(mic) => *mic,
            Guess::Tom(TomSpec {
                place: TomPlace::Rack,
                number: Some(number),
                ..
            }) => return format!("tom-{number}"),
            Guess::Tom(TomSpec { place, .. }) if *place == TomPlace::Floor => {
                return "a floor tom".to_owned();
            }
            Guess::Tom(_) => return "a rack tom".to_owned(),
            Guess::Ask { candidates, .. } => return candidates.join(" or "),
            Guess::Nothing => return "any mic".to_owned(),
        };
        let (side, index) = (self.side, self.index);
        Label { mic, side, index }.to_string()
    }

    /// What it would be taken for, as labels, the likeliest first.
    pub fn labels(&self) -> Vec<String> {
        let toms = |numbers: std::ops::Range<u32>| numbers.map(|n| format!("tom-{n}")).collect();
        match &self.guess {
            Guess::Ask { candidates, .. } => candidates.clone(),
            Guess::Nothing => Vec::new(),
            Guess::Tom(tom) => match (tom.place, tom.number) {
                (TomPlace::Floor, number) => {
                    let first = number.unwrap_or(1) + 1;
                    toms(first..first + 2)
                }
                (_, Some(number)) => toms(number..number + 1),
                (TomPlace::Rack | TomPlace::High, None) => toms(1..2),
                (TomPlace::Mid, None) => toms(2..3),
                (TomPlace::Low, None) => toms(2..4),
            },
            Guess::Mic(_) | Guess::IfFree(_) => vec![self.would_be()],
        }
    }

    /// Turns it into a question. `candidates`: labels, the likeliest first; none: it may be any mic.
    pub fn ask<T: Into<String>>(
        &mut self,
        candidates: impl IntoIterator<Item = T>,
        because: Remark,
    ) {
        self.guess = Guess::Ask {
            candidates: candidates.into_iter().map(Into::into).collect(),
            because,
        };
    }

    /// Takes it for this mic after all.
    pub fn settle(&mut self, mic: Mic, side: Option<Side>, note: Remark) {
        self.guess = Guess::Mic(mic);
        self.side = side;
        self.index = 1;
        self.notes.push(note);
    }

    /// Whether it is taken for something.
    pub fn is_known(&self) -> bool {
        matches!(self.guess, Guess::Mic(_) | Guess::IfFree(_) | Guess::Tom(_))
    }

    /// Where the file's name says no mic: the name that the recorder wrote into it. Song and take
    /// still come from the file's name.
    pub fn take_over(&mut self, inside: Reading, name: &str) {
        let song = std::mem::take(&mut self.song);
        let (take, last, lane) = (self.take.take(), self.last, self.lane);
        let take_notes = std::mem::take(&mut self.take_notes);
        *self = Reading {
            song,
            take,
            last,
            lane,
            take_notes,
            song_after: Vec::new(),
            ..inside
        };
        self.notes.push(Remark::RecorderNamed {
            name: name.to_owned(),
        });
    }

    /// The mic itself, without its number.
    pub fn mic(&self) -> Option<Mic> {
        match &self.guess {
            Guess::Mic(mic) | Guess::IfFree(mic) => Some(*mic),
            _ => None,
        }
    }
}
