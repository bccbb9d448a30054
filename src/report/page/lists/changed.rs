//! What was changed and could be wrong.

use std::collections::BTreeMap;

use maud::{Markup, html};

use crate::error::printable;
use crate::finding::Code;
use crate::reason::Reason;
use crate::report::page::{Shown, View, number};
use crate::wording;

/// Takes of one decision that are written out.
const TAKES: usize = 6;

/// What was done, the gravest first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    Polarity,
    Delay,
    LeftOut,
    Muted,
    Held,
    Fallback,
}

/// One decision that several takes share.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Change<'a> {
    kind: Kind,
    label: &'a str,
    what: String,
    why: String,
}

/// All that was changed and could be wrong, once a mic and reason.
pub fn changed(view: &View<'_>) -> Markup {
    let mut changes: BTreeMap<Change<'_>, Vec<Shown<'_>>> = BTreeMap::new();
    for track in &view.tracks {
        for (kind, what, why) in changes_of(track) {
            let change = Change {
                kind,
                label: &track.subject.label,
                what,
                why,
            };
            changes.entry(change).or_default().push(*track);
        }
    }
    html! {
        section #changed {
            h2 { "What was changed and could be wrong" }
            @if changes.is_empty() { p { "Nothing." } } @else {
                p {
                    @if view.worksheet {
                        "Each stands in " code { "worksheet.toml" } " under its key: edit the line there and give the file to "
                        code { "batterhead prep" } " with " code.whole { "--worksheet FILE" } "."
                    } @else {
                        "This is what " code { "batterhead prep" } " would do; nothing was written but reports."
                    }
                }
                div.scroll.words tabindex="0" role="region" aria-label="What was changed" {
                    table {
                        thead { tr {
                            th scope="col" { "Track" } th scope="col" { "What" } th scope="col" { "Why" }
                            th scope="col" { "Confidence" } th scope="col" { "Takes" } th scope="col" { "Worksheet key" }
                        } }
                        tbody {
                            @for (change, tracks) in &changes {
                                tr {
                                    th.whole scope="row" { (change.label) }
                                    td { (change.what) }
                                    td { (if change.why.is_empty() { "–".to_owned() } else { printable(&change.why).to_string() }) }
                                    td.n { (confidence(tracks, change.kind)) }
                                    td { (take_links(view, tracks)) }
                                    td {
                                        @for track in tracks.iter().take(1) { code.key { (printable(&track.subject.key)) } }
                                        @if tracks.len() > 1 { " and " (tracks.len() - 1) " alike" }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The takes of some tracks, each leading to its track; the song is named where it changes.
pub(super) fn take_links(view: &View<'_>, tracks: &[Shown<'_>]) -> Markup {
    html! {
        @for (i, track) in tracks.iter().take(TAKES).enumerate() {
            @if i == 0 || tracks[i - 1].song() != track.song() { span.whole { (track.song()) } " " }
            a href=(view.address(track)) { (track.take()) } " "
        }
        @if tracks.len() > TAKES { "and " (tracks.len() - TAKES) " more" }
    }
}

/// What and why, in a fixed order.
pub(super) fn changes_of(track: &Shown<'_>) -> Vec<(Kind, String, String)> {
    let decisions = &track.report.decisions;
    let why = |name: &str| {
        decisions
            .reasons
            .get(name)
            .map_or(String::new(), wording::reason)
    };
    let mut changes = Vec::new();
    if decisions.polarity_inverted {
        changes.push((
            Kind::Polarity,
            "polarity inverted".to_owned(),
            why("polarity_inverted"),
        ));
    }
    if decisions.delay_samples != 0 {
        changes.push((
            Kind::Delay,
            format!("delay {} samples", decisions.delay_samples),
            why("delay_samples"),
        ));
    }
    if decisions.left_out {
        changes.push((Kind::LeftOut, "left out".to_owned(), why("left_out")));
    } else if decisions.muted {
        changes.push((
            Kind::Muted,
            "muted in the rough mix".to_owned(),
            why("muted"),
        ));
    }
    let fallbacks = decisions.stages.iter().filter_map(|s| s.reason.as_ref());
    for reason in fallbacks.filter(|reason| reason.is_fallback()) {
        changes.push((
            Kind::Fallback,
            "fallback".to_owned(),
            wording::reason(reason),
        ));
    }
    if decisions
        .reasons
        .get("gain_db")
        .is_some_and(Reason::is_held)
    {
        changes.push((Kind::Held, "gain held down".to_owned(), why("gain_db")));
    }
    changes
}

/// How sure the finding behind a change is; of several takes the least.
fn confidence(tracks: &[Shown<'_>], kind: Kind) -> Markup {
    let code = match kind {
        Kind::Polarity => Code::Polarity,
        Kind::Delay => Code::Delay,
        Kind::LeftOut | Kind::Muted => Code::NotPlayed,
        Kind::Held | Kind::Fallback => return number(None::<f64>),
    };
    let found = tracks
        .iter()
        .flat_map(|t| &t.report.findings)
        .filter(|f| f.code() == code)
        .map(|f| f.confidence);
    number(found.min_by(f64::total_cmp))
}
