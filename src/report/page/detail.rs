//! What a mic of a song shows when it is opened: how it looks, what was done and why, take by take.

use maud::{Markup, html};

use super::{Excerpt, Shown, chain, href, listen, mark, plot, text};
use crate::error::printable;
use crate::finding::Severity;
use crate::report::{TuningSummary, rounded};
use crate::wording::{self, numbers::plain};

/// Everything about a mic. `up` leads from the page to the output folder.
pub fn mic(takes: &[Shown<'_>], shown: &Shown<'_>, up: &str) -> Markup {
    html! {
        (actions(shown, up))
        (pictures(shown, up))
        (decisions(shown))
        // Other takes with something to see.
        @for track in takes.iter().filter(|t| t.index != shown.index && t.asks_with_places()) {
            (pictures(track, up))
        }
        (table(takes, up))
        (sources(shown))
    }
}

fn actions(track: &Shown<'_>, up: &str) -> Markup {
    html! {
        p.actions {
            @if let Some(output) = &track.report.output {
                (listen(up, &output.path, None, &format!("Stem, {}", text::take(track.take())), &track.report.name))
                " "
                @if let Some(excerpt) = &track.subject.excerpt {
                    span.compare.script hidden data-about=(track.report.name) {
                        @for (sound, gain_db) in ["source", "stem"].iter().zip(&excerpt.gains_db) {
                            (voice(up, excerpt, sound, *gain_db))
                        }
                        button type="button" data-compare="open" { "Source/stem" } " "
                        button type="button" data-compare="blind" { "Blind" }
                        " " span role="status" {}
                    }
                }
            }
        }
    }
}

/// One of the sounds that a comparison switches between, for the script.
fn voice(up: &str, excerpt: &Excerpt, name: &str, gain_db: f64) -> Markup {
    html! {
        data value=(excerpt.path) data-file={ (up) (href(&excerpt.path)) } data-from=(excerpt.from_s) data-gain=(gain_db) { (name) }
    }
}

fn pictures(track: &Shown<'_>, up: &str) -> Markup {
    let report = track.report;
    let (before, after) = (
        track.subject.before.as_deref(),
        track.subject.after.as_deref(),
    );
    if before.is_none() && after.is_none() {
        return html! {};
    }
    let stages: Vec<_> = report
        .decisions
        .stages
        .iter()
        .map(|s| s.stage.clone())
        .collect();
    let pins: Vec<plot::Pin> = report
        .findings
        .iter()
        .flat_map(|finding| finding.at_s.iter().map(move |at| (finding, *at)))
        .take(40)
        .map(|(finding, at_s)| plot::Pin {
            at_s,
            grave: finding.severity == Severity::Problem,
            words: format!("{}, {}", wording::code(finding.code()), text::time(at_s, 1)),
            address: report
                .output
                .as_ref()
                .map(|o| super::sound(up, &o.path, Some(at_s))),
        })
        .collect();
    html! {
        div.pictures {
            figure {
                (plot::wave(before, after, track.length_s(), &pins, &report.name))
                figcaption {
                    (text::take(track.take())) ": peaks of the source upwards, of the stem downwards, over time."
                    @if !pins.is_empty() { " A mark above is a place to hear." }
                }
            }
            @if let Some(spectrum) = plot::spectrum(before, after, &stages, track.report.rate_hz()) {
                figure {
                    (spectrum)
                    figcaption { "Level by third octaves, dB: dotted source, solid stem; dashed the applied curve." }
                }
            }
        }
    }
}

fn decisions(track: &Shown<'_>) -> Markup {
    let decisions = &track.report.decisions;
    let because = |reason: Option<&crate::reason::Reason>| {
        html! { @if let Some(reason) = reason { ": " span { (printable(&wording::reason(reason))) } } }
    };
    let why = |name: &str| decisions.reasons.get(name);
    html! {
        div {
            p.small { "Preset " b { (track.report.preset) } ", in this order" }
            ol.cut {
                @if decisions.polarity_inverted { li { "inverted" (because(why("polarity_inverted"))) } }
                @if decisions.delay_samples != 0 { li { (chain::moved(track)) (because(why("delay_samples"))) } }
                @for stage in &decisions.stages { li { (wording::stage(&stage.stage)) (because(stage.reason.as_ref())) } }
                li { "gain " (wording::db(decisions.gain_db)) (because(why("gain_db"))) }
            }
            p.small { "Worksheet: " code { "[track.\"" (printable(&track.subject.key)) "\"]" } }
        }
    }
}

fn table(takes: &[Shown<'_>], up: &str) -> Markup {
    html! {
        table.takes.stack {
            thead { tr {
                th scope="col" { "Take" }
                th.r scope="col" { "Gain, dB" }
                th.r scope="col" { "True peak, dBTP" }
                th.r scope="col" { "Loudness, LUFS" }
                th.r scope="col" { "Hits" }
                th.r scope="col" { "Level, dBFS" }
                th.r scope="col" { "Pitch, Hz" }
                th scope="col" { "Found" }
                th scope="col" { "Report" }
            } }
            tbody { @for track in takes { (take(track, up)) } }
        }
    }
}

fn take(track: &Shown<'_>, up: &str) -> Markup {
    let report = track.report;
    let after = report.after.as_ref().map(rounded);
    let figure = |of: fn(&crate::measure::Levels) -> Option<f64>| {
        text::or_none(after.as_ref().and_then(of), 1)
    };
    let hits = report.hits.as_ref();
    html! {
        tr id={ "track-" (track.index) } {
            td {
                @match &report.output {
                    Some(output) => (listen(up, &output.path, None, &text::take(track.take()), &report.name)),
                    None => { (text::take(track.take())) @if report.decisions.left_out { ", left out" } },
                }
            }
            td.r data-label="Gain" { (plain(report.decisions.gain_db, 1)) }
            td.r data-label="dBTP" { (figure(|l| l.true_peak_dbtp)) }
            td.r data-label="LUFS" { (figure(|l| l.integrated_lufs)) }
            td.r data-label="Hits" { (hits.map_or(text::NONE.to_owned(), |h| h.count.to_string())) }
            td.r data-label="Level" { (text::or_none(hits.and_then(|h| h.level_dbfs), 1)) }
            td.r data-label="Pitch" { (text::or_none(report.tuning.as_ref().and_then(TuningSummary::sure_hz), 1)) }
            td.found {
                @for finding in &report.findings {
                    p {
                        @match finding.severity {
                            Severity::Problem => span.problem { (mark::symbol("problem")) " " },
                            Severity::Warning => span.warning { (mark::symbol("warning")) " " },
                            Severity::Note => "",
                        }
                        (printable(&wording::finding(finding).to_string()))
                    }
                }
            }
            td { a href={ (up) (href(&track.subject.report_path)) } { "JSON" span.vh { ", " (report.name) } } }
        }
    }
}

fn sources(track: &Shown<'_>) -> Markup {
    html! {
        p.small {
            "Source" @if track.report.sources.len() > 1 { "s" } ": "
            @for (i, source) in track.report.sources.iter().enumerate() {
                @if i > 0 { "; " }
                span.path { (printable(&source.path.path)) }
                @if let Some(channel) = source.channel { ", channel " (channel) }
                ", " (wording::numbers::rate(f64::from(source.sample_rate_hz))) ", " (source.bit_depth) " bit"
            }
        }
    }
}
