//! How the takes of a song were played: a table, and for each take its strokes over time.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::{View, plot, text};
use crate::analysis::playing::{SURE, Strokes};
use crate::report::hits::LISTED;
use crate::report::takes::{TakeReport, drifts, early_or_late};
use crate::units::round_to;
use crate::wording::numbers::{counted, plain};
use crate::wording::playing as wording;

/// Columns of the chart, and where the first of them lies.
const WIDE: usize = 720;
const LEFT: usize = 80;
/// Height of a drum's row, of its loudest stroke, and the level under it that is drawn as nothing.
const ROW: usize = 24;
const TALL: f64 = 20.0;
const RANGE_DB: f64 = 40.0;

/// The chart of a take, where its strokes are known.
pub type Charts<'a> = dyn Fn(&TakeReport) -> Option<Markup> + 'a;

/// The takes of a song, folded, with their charts if they are to be `drawn`; nothing where no drum
/// has a mic of its own.
pub(super) fn of_song(view: &View<'_>, song: &str, drawn: bool) -> Markup {
    let takes: Vec<&TakeReport> = (view.session.takes.iter())
        .filter(|take| take.song == song && !take.drums.is_empty())
        .collect();
    html! {
        @if !takes.is_empty() {
            details.fold {
                summary { (song) ": tempo, timing and strokes of " (counted(takes.len(), "take")) }
                (table(&takes))
                @for take in takes {
                    @if let Some(chart) = drawn.then(|| (view.charts)(take)).flatten() {
                        figure {
                            (chart)
                            figcaption {
                                (text::take(&take.take)) ": every stroke by drum, the louder the taller, over 40 dB; "
                                "lighter what may be bleed."
                            }
                        }
                    }
                }
            }
        }
    }
}

fn table(takes: &[&TakeReport]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="How the takes were played" {
            table.takes {
                thead { tr {
                    th scope="col" { "Take" } th.r scope="col" { "Length" } th.r scope="col" { "Beats a minute" }
                    th.r scope="col" { "Timing, ms" } th scope="col" { "Against" } th.r scope="col" { "Strokes" }
                    th scope="col" { "Beyond doubt" }
                } }
                tbody { @for take in takes { tr {
                    th scope="row" { (text::take(&take.take)) }
                    td.r { (text::time(take.seconds, 1)) }
                    td.r { (take.tempo_bpm.map_or("undecided".to_owned(), |bpm| plain(bpm, 1))) }
                    td.r { (timing(take)) }
                    td { (against(take)) }
                    td.r { (take.drums.iter().map(|drum| drum.hits).sum::<usize>()) }
                    td { (sure(take)) }
                } } }
            }
        }
        p.legend {
            "Timing: how far the strokes scatter (standard deviation) about the click, or about a grid that follows "
            "the take itself, with its standard error."
        }
    }
}

fn timing(take: &TakeReport) -> String {
    take.timing_ms.map_or("undecided".to_owned(), |timing| {
        format!(
            "{} ± {}",
            plain(timing.spread, 1),
            plain(timing.spread_error, 1)
        )
    })
}

fn against(take: &TakeReport) -> &'static str {
    match (take.timing_ms.map(|timing| timing.against), take.undecided) {
        (Some(against), _) => wording::against(against),
        (None, Some(why)) => wording::undecided(why),
        (None, None) => text::NONE,
    }
}

/// What exceeds its uncertainty.
fn sure(take: &TakeReport) -> String {
    let mut said = Vec::new();
    if let Some(drift) = drifts(take) {
        said.push(wording::drift(drift));
    }
    for drum in early_or_late(take) {
        said.push(wording::late(drum.drum, drum.by_ms));
    }
    match said.is_empty() {
        true => text::NONE.to_owned(),
        false => said.join(", "),
    }
}

/// The strokes of a take over time, a row a drum, as hairlines in the colour of the text: the tallest
/// of each column, sure strokes and what may be bleed apart.
pub fn chart(strokes: &Strokes, seconds: f64, title: &str) -> Markup {
    let seconds = seconds.max(1e-3);
    let column = |frame: u64| {
        let at_s = frame as f64 / f64::from(strokes.rate_hz.max(1));
        ((at_s / seconds * WIDE as f64) as usize).min(WIDE - 1)
    };
    let mut rows = Vec::new();
    let mut words = Vec::new();
    for (d, (name, _)) in strokes.drums.iter().enumerate() {
        let own = || {
            let all = strokes
                .list
                .iter()
                .filter(move |s| usize::from(s.drum) == d);
            all.filter(|s| s.probability >= LISTED)
        };
        let loudest = own().filter_map(|s| s.level_dbfs).fold(f64::MIN, f64::max);
        let mut lines = [[0.0f64; WIDE]; 2];
        for stroke in own() {
            let under = loudest - stroke.level_dbfs.unwrap_or(f64::MIN);
            let tall = TALL * (1.0 - under / RANGE_DB).clamp(0.05, 1.0);
            let line = &mut lines[usize::from(stroke.probability < SURE)][column(stroke.frame)];
            *line = line.max(tall);
        }
        let base = ROW * (d + 1);
        let paths = lines.map(|line| {
            let mut path = String::new();
            for (x, tall) in line.iter().enumerate().filter(|(_, tall)| **tall > 0.0) {
                let _ = write!(path, "M{} {base}v-{}", LEFT + x, tall.round());
            }
            path
        });
        let sure = own().filter(|s| s.probability >= SURE).count();
        let unsure = own().count() - sure;
        words.push(match unsure {
            0 => format!("{name} {sure}"),
            _ => format!("{name} {sure}, {unsure} more may be bleed"),
        });
        rows.push((name, base, paths));
    }
    let height = ROW * strokes.drums.len();
    html! {
        svg.strokes role="img" viewBox={ "0 0 " (LEFT + WIDE + 20) " " (height + 20) } {
            title { "Strokes of " (title) " over time" }
            desc { (words.join("; ")) }
            @for at_s in plot::ticks(seconds) {
                @let x = LEFT as f64 + round_to(at_s / seconds * WIDE as f64, 1);
                path.rule d={ "M" (x) " 4V" (height) } {}
                text x=(x) y=(height + 15) text-anchor="middle" { (text::time(at_s, 0)) }
            }
            @for (name, base, [sure, unsure]) in &rows {
                path.rule d={ "M" (LEFT) " " (base) "h" (WIDE) } {}
                text x=(LEFT - 8) y=(base - 5) text-anchor="end" { (name) }
                @if !unsure.is_empty() { path.zero d=(unsure) {} }
                @if !sure.is_empty() { path d=(sure) {} }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::playing::Stroke;

    #[test]
    fn a_stroke_is_a_line_at_its_time_and_as_tall_as_it_is_loud() {
        let stroke = |drum, frame, level, probability| Stroke {
            drum,
            frame,
            level_dbfs: Some(level),
            probability,
            in_take: true,
        };
        let name = |n: &str| (n.to_owned(), n.to_owned());
        let strokes = Strokes {
            rate_hz: 48_000,
            drums: vec![name("kick"), name("snare")],
            list: vec![
                stroke(0, 0, -6.0, 0.9),
                stroke(0, 240_000, -26.0, 0.9),
                stroke(1, 240_000, -6.0, 0.3),
                stroke(1, 250_000, -6.0, 0.1),
            ],
            clicks_s: Vec::new(),
        };
        let svg = chart(&strokes, 10.0, "low-tide take-01").into_string();
        for part in [
            "kick 2; snare 0, 1 more may be bleed",
            r#"<path d="M80 24v-20M440 24v-10">"#,
            r#"<path class="zero" d="M440 48v-20">"#,
        ] {
            assert!(svg.contains(part), "{part}: {svg}");
        }
        assert!(!svg.contains("M455"), "{svg}");
    }
}
