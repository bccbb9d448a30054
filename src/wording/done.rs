//! What was done to a track, in a few words.

use super::numbers::{db, plain};
use super::{Sentence, text};

/// It is not among the stems.
pub fn left_out() -> &'static str {
    "left out"
}

/// Nothing was done.
pub fn passed_through() -> &'static str {
    "passed through"
}

/// Its polarity was inverted.
pub fn inverted() -> &'static str {
    "inverted"
}

/// Not heard in the rough mix.
pub fn muted() -> &'static str {
    "muted in the rough mix"
}

/// Its gain.
pub fn gain(gain_db: f64) -> String {
    format!("gain {}", db(gain_db))
}

/// `moved 1.2 ms forward`. Positive samples come later.
pub fn moved(samples: i64, rate_hz: f64) -> String {
    let ms = samples.unsigned_abs() as f64 / rate_hz * 1000.0;
    let way = if samples < 0 { "forward" } else { "back" };
    format!("moved {} ms {way}", plain(ms, 1))
}

/// What was done to a stem that is made of another track.
pub fn from_another(done: &str) -> String {
    format!("from another track: {done}")
}

/// What was done, and why.
pub fn because(done: &str, why: Option<&str>) -> String {
    match why {
        Some(why) => format!("{done}: {why}"),
        None => done.to_owned(),
    }
}

/// Some mics: "tom-1 and tom-2", "tom-1, tom-2, tom-3 and 4 more".
pub fn mics(labels: &[&str], most: usize) -> String {
    match labels.len() > most + 1 {
        true => format!(
            "{} and {} more",
            labels[..most].join(", "),
            labels.len() - most
        ),
        false => text::list(&labels.iter().map(|l| (*l).to_owned()).collect::<Vec<_>>()),
    }
}

/// Takes by song, each with how many the song has: "low-tide, takes 2 and 3", "all songs, all 12
/// takes". `of_session`: how many there are in all.
pub fn takes(songs: &[(&str, &[&str], usize)], of_session: usize) -> String {
    let takes: usize = songs.iter().map(|(_, takes, _)| takes.len()).sum();
    if takes > 2 && takes == of_session && songs.len() > 1 {
        return format!("all songs, all {takes} takes");
    }
    let of_song = |(song, takes, all): &(&str, &[&str], usize)| match takes.len() > 2
        && takes.len() == *all
    {
        true => format!("{song}, all {} takes", takes.len()),
        false => format!("{song}, {}", text::takes(takes)),
    };
    songs.iter().map(of_song).collect::<Vec<_>>().join("; ")
}

/// A mic that a take lacks and others have: what is so, and what to do.
pub fn missing(label: &str, others: &[&str]) -> Sentence {
    let others = text::takes(others);
    let mut letters = others.chars();
    let others: String = (letters.next().into_iter())
        .flat_map(char::to_uppercase)
        .chain(letters)
        .collect();
    Sentence::new(
        format!("No {label} in this take. {others} have one."),
        "Look for the file; was it named otherwise?",
    )
}
