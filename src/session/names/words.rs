//! [`Vocabulary`]: file name → [`Reading`], by the words of the mic table and of the session file.
//!
//! One name is looked at alone. What only other files can tell (whether a number at the end counts
//! takes, whether a word is a song's) is settled in [`super::arrange`].

use std::collections::HashMap;
use std::ops::Range;

use super::reading::{Guess, LastIs, Reading, TakeWord};
use super::suffix::Suffix;
use super::token::{Kind, Spellings, Token, is_neutral, is_noun};
use crate::remark::Remark;
use crate::session::Mic;
use crate::session::label::Label;
use crate::session::mic::{TomPlace, table};

/// What a phrase of the trade's words means.
#[derive(Clone, Debug)]
pub(in crate::session) enum Meaning {
    Mic(Mic),
    /// A word of the session file.
    Own(Label),
    Tom(TomPlace),
    Noted {
        mic: Mic,
        if_free: bool,
        note: &'static str,
    },
    Ask {
        candidates: &'static [String],
        because: &'static str,
    },
}

/// Where a mic was found in a name.
#[derive(Clone, Debug)]
pub(in crate::session) struct Found {
    /// Tokens from the first to the last word of the phrase.
    pub span: Range<usize>,
    /// The same with sides, numbers and whatever else belongs to the mic.
    pub used: Range<usize>,
    pub meaning: Meaning,
    /// Sides, and `trash`.
    pub modifiers: Vec<&'static str>,
    /// Known words that have no part in the phrase.
    pub extra: Vec<&'static str>,
}

impl Found {
    /// The words of the phrase in order.
    pub fn words(&self, tokens: &[Token]) -> Vec<&'static str> {
        let span = tokens.get(self.span.clone()).unwrap_or_default();
        span.iter().flat_map(Token::words).copied().collect()
    }
}

/// All words: the table's, and those that a session file adds.
#[derive(Clone, Debug)]
pub(in crate::session) struct Vocabulary {
    spellings: Spellings,
    phrases: HashMap<Vec<&'static str>, Meaning>,
    any_order: HashMap<Vec<&'static str>, Meaning>,
    own: Vec<(Vec<String>, Label)>,
}

impl Vocabulary {
    /// The table's words, overruled by `own` (words as people write them → mic).
    pub fn new(own: &[(String, Label)]) -> Self {
        let table = table();
        let mut rows: Vec<(&'static String, Meaning)> = Vec::new();
        for (mic, entry) in Mic::all().zip(&table.mic) {
            rows.extend(entry.words.iter().map(|w| (w, Meaning::Mic(mic))));
        }
        for tom in &table.tom {
            rows.extend(tom.words.iter().map(|w| (w, Meaning::Tom(tom.place))));
        }
        for row in &table.noted {
            let mic = Mic::named(&row.mic).expect("a test of the table checks it");
            let (if_free, note) = (row.if_free, row.note.as_str());
            let meaning = Meaning::Noted { mic, if_free, note };
            rows.extend(row.words.iter().map(|w| (w, meaning.clone())));
        }
        for row in &table.ask {
            let (candidates, because) = (&row.candidates[..], row.because.as_str());
            let meaning = Meaning::Ask {
                candidates,
                because,
            };
            rows.extend(row.words.iter().map(|w| (w, meaning.clone())));
        }
        let mut vocabulary = Self {
            spellings: Spellings::new(),
            phrases: HashMap::new(),
            any_order: HashMap::new(),
            own: Vec::new(),
        };
        for (words, meaning) in rows {
            let words: Vec<&'static str> = words.split(' ').collect();
            let mut sorted = words.clone();
            sorted.sort_unstable();
            let any_order = vocabulary.any_order.entry(sorted);
            any_order.or_insert_with(|| meaning.clone());
            vocabulary.phrases.entry(words).or_insert(meaning);
        }
        let own = own
            .iter()
            .map(|(text, label)| (vocabulary.lower(text), *label));
        vocabulary.own = own.filter(|(words, _)| !words.is_empty()).collect();
        vocabulary
    }

    /// A name's pieces.
    pub fn tokens(&self, name: &str) -> Vec<Token> {
        self.spellings.tokens(name)
    }

    /// A name's pieces in lower case, to compare names by.
    pub fn lower(&self, name: &str) -> Vec<String> {
        let tokens = self.tokens(name);
        tokens.iter().map(|t| t.text.to_lowercase()).collect()
    }

    /// Reads a name without ending. `songs`: names (as [`Vocabulary::lower`] gives them) that are a
    /// song's where the name begins with them, whatever words they hold.
    pub fn read(&self, name: &str, last_is: LastIs, songs: &[Vec<String>]) -> Reading {
        let suffix = Suffix::of(name);
        let tokens = self.tokens(suffix.rest);
        let mut reading = Reading::new();
        reading.lane = suffix.lane;
        reading.notes.extend(suffix.note());
        let notes = tokens.iter().filter(|t| t.kind == Kind::Note);
        reading.take_notes = notes.map(|t| t.text.to_lowercase()).collect();
        let start = song_end(&tokens, songs);
        let take_at = take_token(&tokens, start);
        let take = take_at.and_then(|at| tokens.get(at));
        reading.take = take.and_then(|token| TakeWord::of(&token.kind));
        // Right of the take if a mic stands there, else left of it.
        let end = tokens.len();
        let found = match take_at {
            Some(at) => {
                // `Low Tide_T03_T1`: a doubtful word left of the take is the song's where something
                // else stands in the place of the mic.
                let behind = tokens.get(at + 1..).unwrap_or_default();
                let other = behind
                    .iter()
                    .any(|t| matches!(t.kind, Kind::Foreign | Kind::T(_)));
                let left = || {
                    let found = self.find(&tokens, start.min(at)..at)?;
                    let doubtful = matches!(found.meaning, Meaning::Ask { .. });
                    (!other || !doubtful).then_some(found)
                };
                self.find(&tokens, at + 1..end).or_else(left)
            }
            None => self.find(&tokens, start..end),
        };
        match found {
            Some(found) => {
                reading.understand(&tokens, &found, last_is);
                reading.leftovers(&tokens, take_at, start, &found);
            }
            None => match last_t(&tokens, take_at) {
                Some((at, number)) => {
                    let take_at = take_at.filter(|take| *take != at);
                    if take_at.is_none() {
                        reading.take = None;
                    }
                    reading.lone_t(&tokens, at, number, take_at);
                }
                None => reading.nothing(&tokens, take_at),
            },
        }
        if suffix.copy && !matches!(reading.guess, Guess::Nothing | Guess::Ask { .. }) {
            let candidates = reading.labels();
            reading.ask(candidates, Remark::LaneOrCopy);
        }
        reading
    }

    /// The mic in a part of the name: its words in the trade's order or any, the rightmost.
    fn find(&self, tokens: &[Token], region: Range<usize>) -> Option<Found> {
        if let Some(own) = self.find_own(tokens, region.clone()) {
            return Some(own);
        }
        let runs = runs(tokens, region);
        let found: Vec<_> = runs
            .into_iter()
            .filter_map(|run| self.match_run(tokens, run))
            .collect();
        let noun = |found: &&Found| found.words(tokens).iter().any(|w| is_noun(w));
        found.iter().rfind(noun).or(found.last()).cloned()
    }

    /// The longest word of the session file in a part of the name.
    fn find_own(&self, tokens: &[Token], region: Range<usize>) -> Option<Found> {
        let texts = tokens.get(region.clone())?;
        let texts: Vec<String> = texts.iter().map(|t| t.text.to_lowercase()).collect();
        let found = self.own.iter().filter_map(|(phrase, label)| {
            let at = texts
                .windows(phrase.len())
                .rposition(|window| window == phrase)?;
            Some((phrase.len(), region.start + at, *label))
        });
        let (len, at, label) = found.max_by_key(|(len, at, _)| (*len, *at))?;
        let side = |token: &Token| match token.words() {
            [word @ ("left" | "right")] => Some(*word),
            _ => None,
        };
        let side = tokens.get(at + len).and_then(side);
        Some(Found {
            span: at..at + len,
            used: at..at + len + usize::from(side.is_some()),
            meaning: Meaning::Own(label),
            modifiers: side.into_iter().collect(),
            extra: Vec::new(),
        })
    }

    /// The longest phrase in a run of known words.
    fn match_run(&self, tokens: &[Token], run: Range<usize>) -> Option<Found> {
        let mut core: Vec<(usize, &'static str)> = Vec::new();
        let mut modifiers = Vec::new();
        for at in run.clone() {
            for word in tokens.get(at)?.words() {
                match *word {
                    "left" | "right" | "centre" | "mono" | "stereo" | "stage" | "house" => {
                        modifiers.push(*word)
                    }
                    _ => core.push((at, *word)),
                }
            }
        }
        // A side, or `mono`, and nothing else.
        if let ([], [word]) = (&core[..], &modifiers[..])
            && matches!(*word, "left" | "right" | "mono")
        {
            let meaning = self.phrases.get(&vec![*word])?.clone();
            let (span, used, extra) = (run.clone(), run, Vec::new());
            return Some(Found {
                span,
                used,
                meaning,
                modifiers: Vec::new(),
                extra,
            });
        }
        let driven = |(_, word): &(usize, &str)| *word == "trash";
        if core.len() > 1 && core.iter().any(driven) {
            core.retain(|entry| !driven(entry));
            modifiers.push("trash");
        }
        let count = core.len();
        let suffixes = (0..count).map(|k| k..count);
        let prefixes = (1..count).map(|k| 0..count - k);
        suffixes.chain(prefixes).find_map(|part| {
            let words = |range: Range<usize>| -> Vec<&'static str> {
                let words = core.get(range).unwrap_or_default();
                words.iter().map(|(_, word)| *word).collect()
            };
            let meaning = self.look_up(words(part.clone()))?;
            let span = core.get(part.start)?.0..core.get(part.end - 1)?.0 + 1;
            let left = words(0..part.start);
            let left_is_song = !left.is_empty() && left_is_song(tokens, &run, &span, &left);
            let mut extra = if left_is_song { Vec::new() } else { left };
            extra.extend(words(part.end..count));
            // A single letter behind it is one of two or more mics, or a side: `OH A`, `Snare T`.
            let letter = tokens.get(run.end).is_some_and(|token| {
                token.kind == Kind::Foreign && token.text.chars().count() == 1
            });
            let end = run.end + usize::from(letter);
            let used = match left_is_song {
                true => span.start..end,
                false => run.start..end,
            };
            Some(Found {
                span,
                used,
                meaning,
                modifiers: modifiers.clone(),
                extra,
            })
        })
    }

    fn look_up(&self, mut words: Vec<&'static str>) -> Option<Meaning> {
        words.dedup(); // `OHL L`
        if let Some(meaning) = self.phrases.get(&words) {
            return Some(meaning.clone());
        }
        words.sort_unstable();
        self.any_order.get(&words).cloned()
    }
}

/// Longest stretches of known words, numbers and equipment, from left to right.
fn runs(tokens: &[Token], region: Range<usize>) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for at in region {
        let Some(token) = tokens.get(at) else { break };
        if token.kind == Kind::Foreign && is_neutral(&token.text) {
            // `Snare Mic Top` is one run.
            match runs.last_mut() {
                Some(run) if run.end == at => run.end = at + 1,
                _ => {}
            }
            continue;
        }
        if matches!(
            token.kind,
            Kind::Foreign | Kind::Note | Kind::Comp | Kind::T(_) | Kind::Take(_)
        ) {
            continue;
        }
        // Numbers and equipment before the first word are not the mic's.
        match runs.last_mut() {
            Some(run) if run.end == at => run.end = at + 1,
            _ if token.words().is_empty() => {}
            _ => runs.push(at..at + 1),
        }
    }
    runs
}

/// Known words before a phrase may be the end of a song's name: where they only say places and other
/// words stand before them, or where they stand beside other words in a part of the name apart.
fn left_is_song(tokens: &[Token], run: &Range<usize>, span: &Range<usize>, left: &[&str]) -> bool {
    let before = tokens.get(..run.start).unwrap_or_default();
    let foreign = |t: &&Token| t.kind == Kind::Foreign;
    if !left.iter().any(|word| is_noun(word)) && before.iter().any(|t| foreign(&t)) {
        return true;
    }
    let field = tokens.get(span.start).map(|t| t.field);
    let outside = tokens.get(run.start..span.start).unwrap_or_default();
    let mut known = outside.iter().filter(|t| !t.words().is_empty());
    known.all(|word| {
        let mut beside = before.iter().filter(|t| t.field == word.field);
        Some(word.field) != field && beside.any(|t| foreign(&t))
    })
}

/// How many tokens at the start are the words of one of these songs: the longest that fits.
fn song_end(tokens: &[Token], songs: &[Vec<String>]) -> usize {
    let begins = |song: &&Vec<String>| {
        let mut pairs = song.iter().zip(tokens);
        song.len() < tokens.len() && pairs.all(|(word, t)| *word == t.text.to_lowercase())
    };
    songs.iter().filter(begins).map(Vec::len).max().unwrap_or(0)
}

/// The token that gives the take: `take 3`, else the first `T3`, else `comp` in a part of its own.
fn take_token(tokens: &[Token], start: usize) -> Option<usize> {
    let find = |kind: fn(&Kind) -> bool| {
        let mut numbered = tokens.iter().enumerate().skip(start);
        numbered.find(|(_, t)| kind(&t.kind)).map(|(at, _)| at)
    };
    let comp = || {
        let at = find(|kind| *kind == Kind::Comp)?;
        let field = tokens.get(at)?.field;
        let alone = tokens.iter().filter(|t| t.field == field).count() == 1;
        (alone || at + 1 == tokens.len()).then_some(at)
    };
    find(|kind| matches!(kind, Kind::Take(_)))
        .or_else(|| find(|kind| matches!(kind, Kind::T(_))))
        .or_else(comp)
}

/// The last `T3`, unless it is the take's and other words stand behind it.
fn last_t(tokens: &[Token], take_at: Option<usize>) -> Option<(usize, u32)> {
    let mut numbered = tokens.iter().enumerate().rev();
    let (at, number) = numbered.find_map(|(at, t)| match t.kind {
        Kind::T(number) => Some((at, number)),
        _ => None,
    })?;
    let behind = tokens.get(at + 1..).unwrap_or_default();
    let words = behind
        .iter()
        .any(|t| matches!(t.kind, Kind::Foreign | Kind::Gear));
    (take_at != Some(at) || !words).then_some((at, number))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::Side;

    fn read(name: &str) -> Reading {
        Vocabulary::new(&[]).read(name, LastIs::Either, &[])
    }
    fn label(name: &str) -> String {
        let reading = read(name);
        match reading.guess {
            Guess::Ask { candidates, .. } => format!("? {}", candidates[0]),
            Guess::Nothing => "nothing".to_owned(),
            _ => reading.would_be(),
        }
    }

    #[test]
    fn a_song_may_hold_words_of_mics() {
        let song = |name| (label(name), read(name).song.join(" "));
        assert_eq!(
            song("Deep Floor_Kick In"),
            ("kick-in".into(), "Deep Floor".into())
        );
        assert_eq!(
            song("Under the Floor_T03_SN TOP"),
            ("snare-top".into(), "Under the Floor".into())
        );
        assert_eq!(
            song("low_tide_sn_top"),
            ("snare-top".into(), "low tide".into())
        );
        assert_eq!(
            song("Falling In - SN TOP"),
            ("snare-top".into(), "Falling In".into())
        );
        assert!(label("High Room_Kick In").starts_with('?'));
        let known = [vec!["high".to_owned(), "room".to_owned()]];
        let reading = Vocabulary::new(&[]).read("High Room_Kick In", LastIs::Either, &known);
        assert_eq!(
            reading.guess,
            Guess::Mic(Mic::named("kick-in").expect("a mic"))
        );
        assert_eq!(reading.song, ["High", "Room"]);
    }

    #[test]
    fn equipment_is_ignored_and_shown() {
        let reading = read("SN X57 TOP");
        assert_eq!(
            (reading.would_be().as_str(), &reading.ignored[..]),
            ("snare-top", &["X57".to_owned()][..])
        );
        assert_eq!(label("X57"), "nothing");
        assert_eq!(read("SN TOP X57").ignored, ["X57"]);
    }

    #[test]
    fn a_t_with_a_number_is_a_take_beside_a_mic_and_a_tom_beside_a_take() {
        assert_eq!(read("T1 Kick In").take, Some(TakeWord::Number(1)));
        assert_eq!(label("Low Tide_T03_T1"), "tom-1");
        assert_eq!(read("Low Tide_T03_T1").take, Some(TakeWord::Number(3)));
        assert_eq!(label("T2"), "? tom-2");
        assert_eq!(read("T2").take, None);
        assert_eq!(label("Low Tide_T03_Mystery"), "nothing");
        assert_eq!(read("Low Tide_T03_Mystery").take, Some(TakeWord::Number(3)));
    }

    #[test]
    fn words_of_the_session_file_overrule() {
        let own = [(
            "Knee".to_owned(),
            Label::parse("room-near").expect("a label"),
        )];
        let reading = Vocabulary::new(&own).read("Low Tide_Knee L", LastIs::Either, &[]);
        assert_eq!(
            (reading.would_be().as_str(), reading.side),
            ("room-near-l", Some(Side::L))
        );
        assert_eq!(reading.song, ["Low", "Tide"]);
    }
}
