//! What `scan` prints: one screen of songs, takes and mics, what is unknown with the lines that
//! settle it, and on demand every file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::names::folders::stem;
use super::{Mic, Session, Side, Song, Take, Track};
use crate::audio::SampleFormat;
use crate::error::printable;
use crate::finding::FindingKind;
use crate::wording;

pub use files::files;
pub use json::{Json, Totals, json};

mod files;
mod json;
mod unknown;

/// For what goes into a file or another program: nothing is folded, tables are of common width.
pub const NO_SCREEN: usize = usize::MAX;
/// That common width.
const COLUMNS: usize = 96;
/// Columns at least and at most, whatever the screen has.
const WIDTH: (usize, usize) = (60, 120);
/// Width of a mic's name and its channels.
const NAME: usize = 20;
/// Width of a song's column at least and at most.
const COLUMN: (usize, usize) = (12, 24);
/// Names that are listed at most where there may be thousands.
const SHOWN: usize = 8;

/// The session as text: songs across, mics down, ranges of takes; what is unknown; what was left
/// out. Fits a screen of so many columns; only what is to be copied is not folded. Ends with a line
/// break. Safe for a terminal.
pub fn text(session: &Session, columns: usize) -> String {
    let (across, width) = match columns {
        NO_SCREEN => (COLUMNS, NO_SCREEN),
        _ => {
            let width = columns.clamp(WIDTH.0, WIDTH.1);
            (width, width)
        }
    };
    let mut out = String::new();
    folded(&mut out, "", &summary(session), width);
    let columns: Vec<Column> = session.songs.iter().map(Column::new).collect();
    let columns = same_together(columns);
    if !columns.is_empty() {
        line(
            &mut out,
            "* all takes, - none, ! look at it (below); 1 mono, 2 stereo",
        );
    }
    let mut rest = &columns[..];
    while !rest.is_empty() {
        let mut used = NAME;
        let mut fits = rest.iter().take_while(|column| {
            used += column.width + 2;
            used - 2 <= across
        });
        let count = fits.by_ref().count().max(1);
        let (block, behind) = rest.split_at(count);
        grid(&mut out, block);
        rest = behind;
    }
    unknown::list(&mut out, session, width);
    look_at(&mut out, session, width);
    left_out(&mut out, session, width);
    out
}

/// One line; line breaks of names cannot make another.
fn line(out: &mut String, text: &str) {
    let (breaks, rest) = text.split_at(text.len() - text.trim_start_matches('\n').len());
    out.push_str(breaks);
    out.push_str(printable(&rest.replace('\n', "\\n")).trim_end());
    out.push('\n');
}

fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

fn summary(session: &Session) -> String {
    let takes: usize = session.songs.iter().map(|s| s.takes.len()).sum();
    let formats = formats(session);
    let each = formats.iter().map(|(format, n)| match formats.len() {
        1 => format.clone(),
        _ => format!("{format} ({n})"),
    });
    format!(
        "{}, {}, {}; {}",
        count(session.songs.len(), "song", "songs"),
        count(takes, "take", "takes"),
        count(session.tracks().count(), "track", "tracks"),
        each.collect::<Vec<_>>().join(", "),
    )
}

/// The formats of all files with how many have it, the most common first.
fn formats(session: &Session) -> Vec<(String, usize)> {
    let mut formats: BTreeMap<String, usize> = BTreeMap::new();
    for (_, _, track) in session.tracks() {
        for source in &track.sources {
            *formats.entry(format(source)).or_default() += 1;
        }
    }
    let mut formats: Vec<_> = formats.into_iter().collect();
    formats.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    formats
}

fn format(source: &super::Source) -> String {
    let float = match source.info.sample_format {
        SampleFormat::Int => "",
        SampleFormat::Float => " float",
    };
    format!(
        "{} Hz {} bit{float}",
        source.info.rate_hz, source.info.bit_depth
    )
}

/// Mic, index and side in the table's order, and the label.
type Row = (Mic, u32, Option<Side>, String);

/// A song, or several with the same mics in all their takes.
struct Column {
    names: Vec<String>,
    takes: String,
    cells: BTreeMap<Row, (String, String)>,
    width: usize,
}

impl Column {
    fn new(song: &Song) -> Self {
        let mut rows: BTreeMap<Row, Vec<(&Take, &Track)>> = BTreeMap::new();
        for take in &song.takes {
            for track in &take.tracks {
                let label = match track.mic.is_unknown() {
                    true => track.mic.name().to_owned(),
                    false => track.label.clone(),
                };
                let index = if track.mic.is_unknown() {
                    1
                } else {
                    track.index
                };
                let row = (track.mic, index, track.side, label);
                rows.entry(row).or_default().push((take, track));
            }
        }
        let all: BTreeSet<&str> = song.takes.iter().map(|take| take.slug.as_str()).collect();
        let cells = rows.into_iter().map(|(row, tracks)| {
            let has: BTreeSet<&str> = tracks.iter().map(|(take, _)| take.slug.as_str()).collect();
            let ask = tracks
                .iter()
                .any(|(_, track)| track.notes.iter().any(|note| note.ask));
            let mark = if ask { "!" } else { "" };
            let cell = format!("{mark}{}", coverage(&song.takes, &all, &has));
            let channels: BTreeSet<usize> = tracks.iter().map(|(_, t)| t.channels()).collect();
            let channels: Vec<String> = channels.iter().map(usize::to_string).collect();
            (row, (cell, channels.join(",")))
        });
        let mut column = Column {
            names: vec![song.slug.clone()],
            takes: takes_line(song),
            cells: cells.collect(),
            width: 0,
        };
        column.measure();
        column
    }

    fn measure(&mut self) {
        let cells = self.cells.values().map(|(cell, _)| cell.chars().count());
        let wide = cells
            .chain([self.takes.chars().count(), self.title().chars().count()])
            .max();
        self.width = wide.unwrap_or(0).clamp(COLUMN.0, COLUMN.1);
    }

    fn title(&self) -> String {
        match &self.names[..] {
            [only] => only.clone(),
            [first, ..] => format!("{first} +{}", self.names.len() - 1),
            [] => String::new(),
        }
    }
}

/// Songs with the same mics in all their takes share a column.
fn same_together(columns: Vec<Column>) -> Vec<Column> {
    let mut together: Vec<Column> = Vec::new();
    for column in columns {
        let whole = column.cells.values().all(|(cell, _)| cell == "*");
        let same = together
            .iter_mut()
            .find(|other| whole && other.cells == column.cells && other.takes == column.takes);
        match same {
            Some(other) => {
                other.names.extend(column.names);
                other.measure();
            }
            None => together.push(column),
        }
    }
    together
}

/// `*`, or the takes that have it as ranges, or that lack it where those are fewer.
fn coverage(takes: &[Take], all: &BTreeSet<&str>, has: &BTreeSet<&str>) -> String {
    if has == all {
        return "*".to_owned();
    }
    let fits = |text: &String| text.chars().count() < COLUMN.1;
    let ranges = |wanted: &dyn Fn(&str) -> bool| {
        ranges(
            takes
                .iter()
                .map(|take| (short(&take.slug), wanted(&take.slug))),
        )
    };
    let there = ranges(&|slug| has.contains(slug));
    let missing = format!("not {}", ranges(&|slug| !has.contains(slug)));
    let short = [there, missing]
        .into_iter()
        .filter(fits)
        .min_by_key(|text| text.len());
    short.unwrap_or_else(|| format!("{} of {}", has.len(), all.len()))
}

/// `01-03 05`: runs of takes that are wanted.
fn ranges<'t>(takes: impl Iterator<Item = (&'t str, bool)>) -> String {
    let mut runs: Vec<(&str, &str)> = Vec::new();
    let mut open = false;
    for (take, wanted) in takes {
        match runs.last_mut() {
            Some(run) if open && wanted => run.1 = take,
            _ if wanted => runs.push((take, take)),
            _ => {}
        }
        open = wanted;
    }
    let text = runs.iter().map(|(first, last)| match first == last {
        true => (*first).to_owned(),
        false => format!("{first}-{last}"),
    });
    text.collect::<Vec<_>>().join(" ")
}

/// `03` of `take-03`.
fn short(slug: &str) -> &str {
    slug.strip_prefix("take-").unwrap_or(slug)
}

/// How many takes a song has, and which.
fn takes_line(song: &Song) -> String {
    let mut runs = Vec::new();
    // Numbers that are missing break a range.
    let mut before = None;
    for take in &song.takes {
        let next = before
            .zip(take.number)
            .is_some_and(|(before, now): (u32, u32)| now == before + 1);
        match runs.last_mut() {
            Some((_, last)) if next => *last = short(&take.slug),
            _ => runs.push((short(&take.slug), short(&take.slug))),
        }
        before = take.number;
    }
    let text = runs.iter().map(|(first, last)| match first == last {
        true => (*first).to_owned(),
        false => format!("{first}-{last}"),
    });
    let text = text.collect::<Vec<_>>().join(" ");
    match text.chars().count() < COLUMN.1 {
        true => text,
        false => count(song.takes.len(), "take", "takes"),
    }
}

fn cut(text: &str, width: usize) -> String {
    match text.chars().count() > width {
        true => text.chars().take(width - 1).chain(['…']).collect(),
        false => text.to_owned(),
    }
}

/// Mics down, songs across.
fn grid(out: &mut String, columns: &[Column]) {
    let row = |out: &mut String, name: &str, cell: &dyn Fn(&Column) -> String| {
        let mut text = format!("{name:NAME$}");
        for column in columns {
            let width = column.width;
            let _ = write!(text, "{:width$}  ", cut(&cell(column), width));
        }
        line(out, &text);
    };
    out.push('\n');
    row(out, "", &Column::title);
    row(out, "  takes", &|column| column.takes.clone());
    let rows: BTreeSet<&Row> = columns
        .iter()
        .flat_map(|column| column.cells.keys())
        .collect();
    for key in rows {
        let cells = columns.iter().filter_map(|column| column.cells.get(key));
        let channels: BTreeSet<&str> = cells.map(|(_, channels)| channels.as_str()).collect();
        let channels = channels.into_iter().collect::<Vec<_>>().join(",");
        let name = format!("  {:<14} {channels}", cut(&key.3, 14));
        row(out, &name, &|column| {
            column
                .cells
                .get(key)
                .map_or("-".to_owned(), |(cell, _)| cell.clone())
        });
    }
}

/// What a person has to look at beside unknown mics: each thing once, with its first place.
fn look_at(out: &mut String, session: &Session, width: usize) {
    let mut asked: BTreeMap<(String, &str), Vec<String>> = BTreeMap::new();
    for (song, take, track) in session.tracks() {
        let notes = track.notes.iter().filter(|note| note.ask);
        for note in
            notes.filter(|note| !matches!(note.finding, Some(FindingKind::UnknownMic { .. })))
        {
            let place = format!("{}/{} {}", song.slug, take.slug, track.label);
            asked
                .entry((track.label.clone(), &note.text))
                .or_default()
                .push(place);
        }
    }
    let mut marked = Vec::new();
    for song in &session.songs {
        let takes = song.takes.iter().filter(|take| !take.notes.is_empty());
        let takes: Vec<String> = takes
            .map(|take| format!("{} ({})", short(&take.slug), take.notes.join(", ")))
            .collect();
        if !takes.is_empty() {
            marked.push(format!("{}: {}", song.slug, takes.join(", ")));
        }
    }
    if !marked.is_empty() {
        line(out, "\nNoted of takes");
        for text in marked {
            folded(out, "  ", &text, width);
        }
    }
    if asked.is_empty() && session.notes.is_empty() {
        return;
    }
    line(out, "\nLook at");
    for ((_, text), places) in asked {
        let more = match places.len() {
            1 => String::new(),
            n => format!(" (and {} more like it)", n - 1),
        };
        let place = places.first().map_or("", String::as_str);
        folded(out, "  ", &format!("{place}{more}: {text}"), width);
    }
    for note in &session.notes {
        folded(out, "  ", &wording::remark(note), width);
    }
}

/// Text in lines of at most `width` columns, those behind the first further in. A word that is
/// longer stays whole: it may be a path that somebody copies.
fn folded(out: &mut String, indent: &str, text: &str, width: usize) {
    let text = printable(&text.replace('\n', "\\n"));
    let mut row = String::from(indent);
    let mut begun = false;
    for word in text.split(' ') {
        if begun && row.chars().count() + 1 + word.chars().count() > width {
            out.push_str(row.trim_end());
            out.push('\n');
            row = format!("{indent}  ");
            begun = false;
        }
        if begun {
            row.push(' ');
        }
        row += word;
        begun = true;
    }
    out.push_str(row.trim_end());
    out.push('\n');
}

fn left_out(out: &mut String, session: &Session, width: usize) {
    if !session.skipped.is_empty() {
        let mut reasons: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for skipped in &session.skipped {
            let path = skipped.path.display().to_string();
            let reason = wording::remark(&skipped.reason);
            reasons.entry(reason).or_default().push(path);
        }
        line(out, "\nLeft out");
        for (reason, paths) in reasons {
            let shown = paths
                .iter()
                .take(SHOWN)
                .cloned()
                .collect::<Vec<_>>()
                .join(", ");
            let more = match paths.len() {
                0..=SHOWN => String::new(),
                n => format!(" and {} more", n - SHOWN),
            };
            folded(out, "  ", &format!("{shown}{more}: {reason}"), width);
        }
    }
    if !session.failed.is_empty() {
        line(out, "\nCannot be read");
        for failed in &session.failed {
            let text = format!("{}: {}", failed.path.display(), failed.reason);
            folded(out, "  ", &text, width);
        }
    }
}
