//! Level, gain and tuning of each mic from take to take, as thin lines.

use std::fmt::Write as _;

use maud::{Markup, html};
use serde_json::Value;

use super::{Shown, View};
use crate::units::round_to;

const WIDE: f64 = 240.0;
const HIGH: f64 = 36.0;

/// A figure of a track, with its name and unit, and the least span that fills the height: what moves
/// less looks level.
struct Figure {
    name: &'static str,
    unit: &'static str,
    least_span: f64,
    of: fn(&Shown<'_>) -> Option<f64>,
}

const FIGURES: [Figure; 3] = [
    Figure {
        name: "Hit level before",
        unit: "dBFS",
        least_span: 6.0,
        of: |t| t.report.hits.as_ref().and_then(|h| h.level_dbfs),
    },
    Figure {
        name: "Gain",
        unit: "dB",
        least_span: 6.0,
        of: |t| Some(t.report.decisions.gain_db),
    },
    Figure {
        name: "Fundamental",
        unit: "Hz",
        least_span: 10.0,
        of: |t| t.report.tuning.as_ref().and_then(|t| t.fundamental_hz),
    },
];

/// One row a mic. Nothing where no mic has two takes.
pub fn trends(view: &View<'_>) -> Markup {
    let mut labels: Vec<&str> = Vec::new();
    for track in &view.tracks {
        if !labels.contains(&&*track.subject.label) {
            labels.push(&track.subject.label);
        }
    }
    // (place among the takes, track), in the order of the session.
    let of_label = |label: &str| -> Vec<(usize, Shown<'_>)> {
        let takes = view.takes.iter().enumerate();
        takes
            .flat_map(|(i, (_, tracks))| {
                tracks
                    .iter()
                    .filter(|t| t.subject.label == label)
                    .map(move |t| (i, *t))
            })
            .collect()
    };
    html! {
        section #day {
            h2 { "Over the day" }
            @if view.takes.len() < 2 { p { "One take only." } } @else {
                p.legend {
                    "Each mic from the first take to the last; a line ends where the song does. Beside it the lowest and the "
                    "highest value."
                }
                div.scroll tabindex="0" role="region" aria-label="Each mic over the takes" {
                    table.day {
                        thead { tr { th scope="col" { "Track" } @for figure in &FIGURES { th scope="col" { (figure.name) ", " (figure.unit) } } } }
                        tbody {
                            @for label in labels {
                                @let tracks = of_label(label);
                                tr {
                                    th.whole scope="row" { (label) }
                                    @for figure in &FIGURES { td { (plot(figure, label, &tracks, view.takes.len())) } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn plot(figure: &Figure, label: &str, tracks: &[(usize, Shown<'_>)], takes: usize) -> Markup {
    let points: Vec<(usize, &str, f64)> = tracks
        .iter()
        .filter_map(|(i, t)| (figure.of)(t).map(|v| (*i, t.song(), v)))
        .collect();
    let value = |pick: fn(f64, f64) -> f64| points.iter().map(|p| p.2).reduce(pick);
    let (Some(low), Some(high)) = (value(f64::min), value(f64::max)) else {
        return html! { span.none { "–" } };
    };
    let span = (high - low).max(figure.least_span);
    let middle = (high + low) / 2.0;
    let x = |i: usize| round_to((i as f64 + 0.5) / takes as f64 * WIDE, 1);
    let y = |v: f64| round_to(HIGH / 2.0 - (v - middle) / span * (HIGH - 8.0), 1);
    let (mut line, mut dots) = (String::new(), String::new());
    let mut song = None;
    for &(i, of, v) in &points {
        let _ = write!(
            line,
            "{}{} {}",
            if song == Some(of) { "L" } else { "M" },
            x(i),
            y(v)
        );
        let _ = write!(dots, "M{} {}h0", x(i), y(v));
        song = Some(of);
    }
    let text = |v: f64| Value::from(v).to_string();
    let range = if low == high {
        text(low)
    } else {
        format!("{} … {}", text(low), text(high))
    };
    html! {
        div.trend {
            svg role="img" viewBox={ "0 0 " (WIDE) " " (HIGH) } {
                title { (figure.name) " of " (label) " over the takes" }
                desc { (points.len()) " takes, " (range) " " (figure.unit) }
                path d=(line) {}
                path.dots d=(dots) {}
            }
            span { (range) }
        }
    }
}
