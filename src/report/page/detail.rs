//! Everything about one track.

use maud::{Markup, html};
use serde_json::Value;

use super::plot;
use super::{Excerpt, Shown, count, figure, href, listen, number};
use crate::error::printable;
use crate::measure::Levels;
use crate::measure::picture::Picture;
use crate::reason::Reason;
use crate::report::rounded;
use crate::stage::Stage;
use crate::units::{ratio_to_db, round_to};
use crate::wording;

/// One track, folded. `up` leads from the page to the output folder.
pub fn track(track: &Shown<'_>, up: &str) -> Markup {
    let report = track.report;
    html! {
        details.track id={ "track-" (track.index) } {
            summary {
                strong { (report.name) }
                span.about { (about(track)) }
            }
            @if let Some(output) = &report.output {
                p.actions {
                    (listen(up, &output.path, None, "Play the stem", &report.name))
                    " "
                    @if let Some(excerpt) = &track.subject.excerpt {
                        span.compare hidden {
                            @for (sound, gain_db) in ["before", "after"].iter().zip(&excerpt.gains_db) {
                                (voice(up, excerpt, sound, *gain_db))
                            }
                            button type="button" { "Compare before and after" }
                            " " span role="status" {}
                        }
                        " "
                    }
                    a href={ (up) (href(&track.subject.report_path)) } { "Report as JSON" }
                }
            }
            (pictures(track))
            div.facts {
                div { (figures(track)) }
                div {
                    (played(track))
                    (findings(track))
                    (decisions(track))
                    (sources(track))
                }
            }
        }
    }
}

/// One of the sounds that a comparison switches between, for the script.
pub fn voice(up: &str, excerpt: &Excerpt, name: &str, gain_db: f64) -> Markup {
    html! {
        data value=(excerpt.path) data-file={ (up) (href(&excerpt.path)) } data-from=(excerpt.from_s) data-gain=(gain_db) { (name) }
    }
}

/// One line: what it is and whether somebody has to look.
fn about(track: &Shown<'_>) -> String {
    let report = track.report;
    let mut parts = vec![report.mic.clone()];
    if let Some(from) = &report.derived_from {
        parts.push(format!("made from {from}"));
    }
    parts.push(match &report.output {
        Some(_) => format!("gain {} dB", Value::from(report.decisions.gain_db)),
        None if report.decisions.left_out => "left out".to_owned(),
        None => "no stem".to_owned(),
    });
    if !report.findings.is_empty() {
        parts.push(count(report.findings.len(), "finding"));
    }
    parts.join(", ")
}

fn pictures(track: &Shown<'_>) -> Markup {
    let report = track.report;
    let (before, after) = (
        track.subject.before.as_deref(),
        track.subject.after.as_deref(),
    );
    let drawn: Vec<&Picture> = before.into_iter().chain(after).collect();
    if drawn.is_empty() {
        return html! {};
    }
    let edge = plot::scale(&drawn);
    let edge_db = round_to(ratio_to_db(edge).unwrap_or(0.0), 2);
    let length_s = report
        .sources
        .first()
        .map_or(0.0, |s| s.frames as f64 / f64::from(s.sample_rate_hz));
    let clipped = report
        .findings
        .iter()
        .filter(|f| f.code() == crate::finding::Code::Clipped);
    let mut marks: Vec<f64> = clipped
        .flat_map(|f| &f.at_s)
        .map(|at| round_to(at / length_s.max(1e-9), 2).clamp(0.0, 1.0))
        .collect();
    marks.dedup();
    marks.truncate(40);
    let rate_hz = report
        .sources
        .first()
        .map_or(48_000.0, |s| f64::from(s.sample_rate_hz));
    let stages: Vec<Stage> = report
        .decisions
        .stages
        .iter()
        .map(|s| s.stage.clone())
        .collect();
    let bent = stages.iter().any(Stage::depends_on_level);
    let words = |levels: &Levels| {
        let levels = rounded(levels);
        let or =
            |value: Option<f64>| value.map_or("none".to_owned(), |v| Value::from(v).to_string());
        format!(
            "{} s long, sample peak {} dBFS, RMS {} dBFS, {} clipped samples",
            round_to(length_s, 1),
            or(levels.sample_peak_dbfs),
            or(levels.rms_dbfs),
            levels.clipped_samples
        )
    };
    html! {
        div.pictures {
            div.waves {
                @if let Some(before) = before {
                    figure {
                        (plot::outline(before, edge, &marks, "Waveform before", &words(&report.before)))
                        figcaption {
                            "Before, " (round_to(length_s, 1)) " s; the rim is " (edge_db) " dBFS"
                            @if !marks.is_empty() { "; marks above: clipped" }
                        }
                    }
                }
                @if let (Some(after), Some(levels)) = (after, &report.after) {
                    figure {
                        (plot::outline(after, edge, &[], "Waveform after", &words(levels)))
                        figcaption { "After, same scale" }
                    }
                }
            }
            @if let Some(spectrum) = plot::spectrum(before, after, &stages, rate_hz) {
                figure {
                    (spectrum)
                    figcaption {
                        "Level in third-octave bands, dB re full scale: dotted before, solid after, dashed the applied curve"
                        @if bent { " (its linear stages only: drive and compress depend on the level)" }
                    }
                }
            }
        }
    }
}

type Row = (&'static str, fn(&Levels) -> Value);

/// The figures of a report in its order.
const FIGURES: [Row; 10] = [
    ("sample peak, dBFS", |l| l.sample_peak_dbfs.into()),
    ("true peak, dBTP", |l| l.true_peak_dbtp.into()),
    ("integrated loudness, LUFS", |l| l.integrated_lufs.into()),
    ("momentary loudness, largest, LUFS", |l| {
        l.momentary_max_lufs.into()
    }),
    ("short-term loudness, largest, LUFS", |l| {
        l.short_term_max_lufs.into()
    }),
    ("loudness range, LU", |l| l.loudness_range_lu.into()),
    ("RMS, dBFS", |l| l.rms_dbfs.into()),
    ("crest factor, dB", |l| l.crest_factor_db.into()),
    ("DC offset", |l| l.dc_offset.into()),
    ("clipped samples", |l| l.clipped_samples.into()),
];

fn figures(track: &Shown<'_>) -> Markup {
    let before = rounded(&track.report.before);
    let after = track.report.after.as_ref().map(rounded);
    html! {
        table.figures {
            caption { "Figures before and after" }
            thead { tr { th scope="col" { "Figure" } th scope="col" { "Before" } th scope="col" { "After" } } }
            tbody {
                @for (name, of) in FIGURES {
                    tr {
                        th scope="row" { (name) }
                        td { (figure(&of(&before))) }
                        td { (figure(&after.as_ref().map_or(Value::Null, of))) }
                    }
                }
            }
        }
    }
}

fn played(track: &Shown<'_>) -> Markup {
    let report = track.report;
    html! {
        @if let Some(hits) = &report.hits {
            p {
                b { "Hits: " } (hits.count)
                ", level " (number(hits.level_dbfs)) " dBFS, spread " (number(hits.spread_db)) " dB, "
                (hits.unsure) " unsure, confidence " (number(hits.confidence))
                @if !hits.note.is_empty() { "; " (printable(&hits.note)) }
            }
        }
        @if let Some(tuning) = &report.tuning {
            p {
                b { "Tuning: " } "fundamental " (number(tuning.fundamental_hz)) " Hz, spread " (number(tuning.spread_hz))
                " Hz, next partial " (number(tuning.next_partial_hz)) " Hz, ring " (number(tuning.ring_s)) " s, from "
                (count(tuning.hits, "hit")) ", confidence " (number(tuning.confidence))
                @if !tuning.note.is_empty() { "; " (printable(&tuning.note)) }
            }
        }
    }
}

fn findings(track: &Shown<'_>) -> Markup {
    let findings = &track.report.findings;
    html! {
        @if !findings.is_empty() {
            h3 { "Findings" }
            ul {
                @for finding in findings {
                    li {
                        b { (word(&finding.severity)) ", " (word(&finding.code())) ": " } (printable(&wording::finding(finding).to_string()))
                        " (confidence " (number(finding.confidence)) ")"
                    }
                }
            }
        }
    }
}

/// A word of the contract as it stands in JSON.
pub fn word(value: &impl serde::Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => word,
        _ => String::new(),
    }
}

fn decisions(track: &Shown<'_>) -> Markup {
    let decisions = &track.report.decisions;
    let values = [
        ("left_out", Value::from(decisions.left_out)),
        ("muted", decisions.muted.into()),
        ("polarity_inverted", decisions.polarity_inverted.into()),
        ("delay_samples", decisions.delay_samples.into()),
    ];
    // What goes without saying is not said.
    let told = |(name, value): &(&'static str, Value)| {
        decisions.reasons.contains_key(name)
            || !matches!(value, Value::Bool(false)) && value.as_i64() != Some(0)
    };
    let why = |name: &str| decisions.reasons.get(name);
    html! {
        h3 { "Decisions, preset " (track.report.preset) }
        ol.decisions {
            @for (name, value) in values.iter().filter(|v| told(v)) {
                li { b { (name.replace('_', " ")) ": " (figure(value)) } (because(why(name))) }
            }
            @for stage in &decisions.stages {
                li { code { (printable(&stage_text(&stage.stage))) } (because(stage.reason.as_ref())) }
            }
            li { b { "gain: " (number(decisions.gain_db)) " dB" } (because(why("gain_db"))) }
        }
        p.key { "Worksheet: " code { "[track.\"" (printable(&track.subject.key)) "\"]" } }
    }
}

fn because(why: Option<&Reason>) -> Markup {
    html! { @if let Some(why) = why { ", " (printable(&wording::reason(why))) } }
}

/// `high-pass freq_hz 80, order 4`.
fn stage_text(stage: &Stage) -> String {
    let value = serde_json::to_value(stage).unwrap_or_default();
    let Some((name, Value::Object(settings))) = value.as_object().and_then(|o| o.iter().next())
    else {
        return String::new();
    };
    let setting = |(key, value): (&String, &Value)| match value {
        Value::Null => None,
        Value::String(text) => Some(format!("{key} {text}")),
        Value::Array(items) => Some(format!("{key} ({})", items.len())),
        other => Some(format!("{key} {other}")),
    };
    let settings: Vec<String> = settings.iter().filter_map(setting).collect();
    format!("{name} {}", settings.join(", "))
}

fn sources(track: &Shown<'_>) -> Markup {
    html! {
        h3 { "Sources" }
        ul {
            @for source in &track.report.sources {
                li {
                    span.path { (printable(&source.path.path)) }
                    @if let Some(channel) = source.channel { ", channel " (channel) }
                    ", " (source.sample_rate_hz) " Hz, " (source.bit_depth) " bit " (word(&source.sample_format))
                    ", " (source.frames) " frames"
                }
            }
        }
    }
}
