//! Part 4: each drum over the takes of a song: hits, tuning, level.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::{Shown, View, text};
use crate::dsp::median;
use crate::report::TuningSummary;
use crate::units::round_to;
use crate::wording::numbers::{counted, plain};

/// The tuning plot reaches so far up and down.
const SEMITONES: f64 = 1.0;
/// The level plot.
const DECIBELS: f64 = 6.0;
/// Hits written out take by take; of more takes, the least and the most.
const WRITTEN: usize = 8;

const WIDE: f64 = 160.0;
const HIGH: f64 = 30.0;

/// The part; nothing where no drum was heard.
pub fn drums(view: &View<'_>) -> Markup {
    let songs: Vec<(&str, Vec<Row<'_>>)> = view
        .songs
        .iter()
        .map(|song| (*song, rows(view, song)))
        .filter(|(_, rows)| !rows.is_empty())
        .collect();
    if songs.is_empty() {
        return html! {};
    }
    html! {
        section #drums {
            div.head {
                h2 { span.no { "4" } "Drums" }
                p { "One dot a take; the middle line is the song's median. st: semitones; ct: hundredths of one. A dash: no reliable measurement." }
            }
            @for (song, rows) in &songs {
                details.fold.song open[!view.large] {
                    summary { b { (song) } " " span.small { (counted(rows.len(), "drum")) } }
                    (table(song, rows))
                }
            }
        }
    }
}

/// One drum of a song, by its leading mic.
struct Row<'a> {
    drum: &'a str,
    /// One a take of the song; `None` where the take lacks the mic.
    takes: Vec<Option<Shown<'a>>>,
}

fn rows<'a>(view: &View<'a>, song: &str) -> Vec<Row<'a>> {
    let takes: Vec<_> = view.takes.iter().filter(|((s, _), _)| *s == song).collect();
    let mut rows: Vec<(Row<'a>, usize, &str)> = Vec::new();
    for (_, tracks) in &takes {
        let own = |t: &&Shown<'_>| t.report.hits.is_some() && t.report.derived_from.is_none();
        for track in tracks.iter().filter(own) {
            let label = &*track.subject.label;
            let Some((drum, rank)) = drum(label) else {
                continue;
            };
            match rows.iter_mut().find(|(row, ..)| row.drum == drum) {
                None => rows.push((
                    Row {
                        drum,
                        takes: Vec::new(),
                    },
                    rank,
                    label,
                )),
                Some(row) if rank < row.1 => (row.1, row.2) = (rank, label),
                Some(_) => {}
            }
        }
    }
    let of = |label: &str| -> Vec<Option<Shown<'a>>> {
        let find =
            |tracks: &Vec<Shown<'a>>| tracks.iter().find(|t| t.subject.label == label).copied();
        takes.iter().map(|(_, tracks)| find(tracks)).collect()
    };
    rows.into_iter()
        .map(|(row, _, label)| Row {
            takes: of(label),
            ..row
        })
        .collect()
}

/// The drum that a mic stands at, and how well it leads: 0 is the drum's main mic.
fn drum(label: &str) -> Option<(&str, usize)> {
    const LEADS: [(&str, &[&str]); 2] = [
        ("kick", &["kick-in", "kick-out", "kick-sub"]),
        ("snare", &["snare-top", "snare-side", "snare-bottom"]),
    ];
    for (drum, mics) in LEADS {
        if let Some(rank) = mics.iter().position(|mic| *mic == label) {
            return Some((drum, rank));
        }
    }
    let heard_from_afar = ["overhead", "room", "unknown-mic", "trigger"];
    (!heard_from_afar.iter().any(|far| label.starts_with(far))).then_some((label, 0))
}

fn table(song: &str, rows: &[Row<'_>]) -> Markup {
    html! {
        table.kit aria-label={ "Drums of " (song) } {
            thead { tr {
                th scope="col" { "Drum" }
                th scope="col" { "Hits, take by take" }
                th scope="col" { "Tuning over the takes, ±1 st" }
                th scope="col" { "First → last" }
                th scope="col" { "Note" }
                th.r scope="col" { "Drift" }
                th.r scope="col" { "Ring" }
                th scope="col" { "Level over the takes, ±6 dB" }
                th.r scope="col" { "Level, dBFS" }
                th.r scope="col" { "Spread, dB" }
            } }
            tbody { @for row in rows { (line(row)) } }
        }
    }
}

fn line(row: &Row<'_>) -> Markup {
    let of = |figure: fn(&Shown<'_>) -> Option<f64>| -> Vec<Option<f64>> {
        row.takes
            .iter()
            .map(|take| take.as_ref().and_then(figure))
            .collect()
    };
    let pitch = of(|t| t.report.tuning.as_ref().and_then(TuningSummary::sure_hz));
    let ring = of(|t| {
        t.report
            .tuning
            .as_ref()
            .filter(|t| t.is_sure())
            .and_then(|t| t.ring_s)
    });
    let level = of(|t| {
        t.report
            .hits
            .as_ref()
            .filter(|h| h.count > 0)
            .and_then(|h| h.level_dbfs)
    });
    let spread = of(|t| {
        t.report
            .hits
            .as_ref()
            .filter(|h| h.count > 0)
            .and_then(|h| h.spread_db)
    });
    let known = |values: &[Option<f64>]| values.iter().copied().flatten().collect::<Vec<f64>>();
    let hz = known(&pitch);
    let middle = median(hz.clone());
    let ends = hz.first().zip(hz.last()).filter(|_| hz.len() > 1);
    let drift = drift(row);
    let loud = median(known(&level));
    html! {
        tr {
            th scope="row" { (row.drum) }
            td data-label="Hits" { (hits(row)) }
            td data-label="Tuning, ±1 st" { @if let Some(middle) = middle { (plot(&pitch, |hz| text::semitones(middle, hz) / SEMITONES, &format!("Tuning of {} over the takes", row.drum), "Hz")) } @else { (text::NONE) } }
            td data-label="First → last" {
                @match (ends, hz.first()) {
                    (Some((first, last)), _) => { (plain(*first, 1)) " → " (plain(*last, 1)) " Hz" }
                    (None, Some(hz)) => { (plain(*hz, 1)) " Hz" }
                    _ => (text::NONE),
                }
            }
            td data-label="Note" { (middle.map_or(text::NONE.to_owned(), text::note)) }
            td.r data-label="Drift" { (drift.map_or(text::NONE.to_owned(), |(a, b)| format!("{} st", text::signed(text::semitones(a, b), 1)))) }
            td.r data-label="Ring" { (median(known(&ring)).map_or(text::NONE.to_owned(), |s| format!("{} s", plain(s, 2)))) }
            td data-label="Level, ±6 dB" { @if let Some(loud) = loud { (plot(&level, |db| (db - loud) / DECIBELS, &format!("Level of {} over the takes", row.drum), "dBFS")) } @else { (text::NONE) } }
            td.r data-label="Level, dBFS" { (text::or_none(loud, 1)) }
            td.r data-label="Spread, dB" { (text::or_none(median(known(&spread)), 1)) }
        }
    }
}

/// The tuning of the first and the last take that have one, where they differ by more than three times
/// what is uncertain about both (their standard errors, and the tenth of a hertz that they are given in).
fn drift(row: &Row<'_>) -> Option<(f64, f64)> {
    let tunings = row.takes.iter().flatten();
    let mut tunings = tunings.filter_map(|take| {
        let tuning = take.report.tuning.as_ref()?;
        let error = tuning.spread_hz? / (tuning.hits.max(1) as f64).sqrt();
        Some((tuning.sure_hz()?, error.max(0.1)))
    });
    let first = tunings.next()?;
    let last = tunings.next_back()?;
    let uncertain = f64::hypot(first.1, last.1);
    ((last.0 - first.0).abs() > 3.0 * uncertain).then_some((first.0, last.0))
}

fn hits(row: &Row<'_>) -> String {
    let counts: Vec<Option<usize>> = row
        .takes
        .iter()
        .map(|take| take.and_then(|t| t.report.hits.as_ref()).map(|h| h.count))
        .collect();
    if counts.len() <= WRITTEN {
        let each: Vec<String> = counts
            .iter()
            .map(|n| n.map_or(text::NONE.to_owned(), |n| n.to_string()))
            .collect();
        return each.join(" ");
    }
    let known: Vec<usize> = counts.into_iter().flatten().collect();
    let (least, most) = (
        known.iter().min().unwrap_or(&0),
        known.iter().max().unwrap_or(&0),
    );
    format!("{least} to {most}")
}

/// One dot a take around the middle; `place` gives −1 to 1, which is the height.
fn plot(values: &[Option<f64>], place: impl Fn(f64) -> f64, title: &str, unit: &str) -> Markup {
    let n = values.len().max(1) as f64;
    let x = |i: usize| round_to((i as f64 + 0.5) / n * WIDE, 1);
    let y = |v: f64| {
        round_to(
            HIGH / 2.0 - place(v).clamp(-1.0, 1.0) * (HIGH / 2.0 - 3.0),
            1,
        )
    };
    let (mut line, mut dots, mut words) = (String::new(), String::new(), Vec::new());
    let mut before = false;
    for (i, value) in values.iter().enumerate() {
        if let Some(v) = value {
            let _ = write!(line, "{}{} {}", if before { "L" } else { "M" }, x(i), y(*v));
            let _ = write!(dots, "M{} {}h.01", x(i), y(*v));
            words.push(plain(*v, 1));
        }
        before = value.is_some();
    }
    html! {
        svg.spark role="img" viewBox={ "0 0 " (WIDE) " " (HIGH) } {
            title { (title) }
            desc { (words.join(", ")) " " (unit) }
            path.rule d={ "M0 3H" (WIDE) "M0 27H" (WIDE) } {}
            path.zero d={ "M0 15H" (WIDE) } {}
            path d=(line) {}
            path.dot d=(dots) {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drum_is_led_by_its_main_mic() {
        assert_eq!(drum("kick-out"), Some(("kick", 1)));
        assert_eq!(drum("snare-top"), Some(("snare", 0)));
        assert_eq!(drum("tom-2"), Some(("tom-2", 0)));
        assert_eq!(drum("overhead"), None);
        assert_eq!(drum("room-far"), None);
    }
}
