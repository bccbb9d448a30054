//! Part 2: the rough mixes, take by take; takes compared in step; faders and pans.

use maud::{Markup, html};

use super::{View, href, listen, mark, text};
use crate::error::printable;
use crate::finding::Severity;
use crate::reason::Reason;
use crate::report::rounded;
use crate::report::session::{MixLevel, MixReport};
use crate::wording;
use crate::wording::numbers::plain;

/// The part; nothing where no mix was made.
pub fn listen_to(view: &View<'_>) -> Markup {
    if view.session.mixes.is_empty() {
        return html! {};
    }
    html! {
        section #listen {
            div.head {
                h2 { span.no { "2" } "Listen" }
                p { (wording::counted(view.session.totals.mixes, "rough mix")) ", no limiter. They can be loud: the player starts low, turn it up by ear." }
            }
            div.two {
                div {
                    @if view.large {
                        @for (i, song) in view.songs.iter().enumerate() {
                            details.fold.song open[i == 0] {
                                summary { b { (song) } " " span.small { (whole(view, song)) } }
                                (table(view, &[(i, song)]))
                            }
                        }
                    } @else {
                        (table(view, &view.songs.iter().copied().enumerate().collect::<Vec<_>>()))
                    }
                }
                (plan(view))
            }
        }
    }
}

/// "20 takes, 17 whole".
fn whole(view: &View<'_>, song: &str) -> String {
    let takes = || view.takes.iter().filter(|((s, _), _)| *s == song);
    let whole = takes().filter(|(of, _)| view.is_whole(*of)).count();
    format!(
        "{}, {whole} whole",
        wording::counted(takes().count(), "take")
    )
}

fn table(view: &View<'_>, songs: &[(usize, &str)]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Rough mix" }
                th.r scope="col" { "Length" }
                th.r scope="col" { "Loudness, LUFS" }
                th.r scope="col" { "True peak, dBTP" }
                th scope="col" { "Take" }
            } }
            @for (i, song) in songs { (song_rows(view, song, *i)) }
        }
    }
}

fn song_rows(view: &View<'_>, song: &str, place: usize) -> Markup {
    let mixes: Vec<&MixReport> = view
        .session
        .mixes
        .iter()
        .filter(|m| m.song == song)
        .collect();
    html! {
        tbody.song-rows {
            tr.song { th colspan="5" scope="rowgroup" id={ "listen-" (place) } { (song) } }
            @for mix in &mixes { (row(view, mix)) }
            @if mixes.iter().filter(|m| m.excerpt.is_some()).count() > 1 {
                tr { td colspan="5" { (compare(song, &mixes)) } }
            }
        }
    }
}

fn row(view: &View<'_>, mix: &MixReport) -> Markup {
    let levels = mix.after.as_ref().map(rounded);
    let figure = |of: fn(&crate::measure::Levels) -> Option<f64>| {
        text::or_none(levels.as_ref().and_then(of), 1)
    };
    html! {
        tr {
            td {
                @match &mix.path {
                    Some(path) => {
                        (listen("", path, None, &text::take(&mix.take), &format!("Rough mix, {}", mix.song)))
                        @for dry in mix.outputs.iter().filter(|output| output.dry) {
                            " " (listen("", &dry.path, None, "dry", &format!("Without processing, {}", mix.song)))
                        }
                    },
                    None => (text::take(&mix.take)),
                }
            }
            td.r data-label="Length" { (view.length(&mix.song, &mix.take).map_or(text::NONE.to_owned(), |s| text::time(s, 0))) }
            td.r data-label="LUFS" { (figure(|l| l.integrated_lufs)) }
            td.r data-label="dBTP" { (figure(|l| l.true_peak_dbtp)) }
            td {
                (state(view, mix))
                @let noted = View::noted(view.tracks_of(&mix.song, &mix.take));
                @if !noted.is_empty() { span.soft { ", noted: " (noted.join(", ")) } }
            }
        }
    }
}

/// What is with the take, in words.
fn state(view: &View<'_>, mix: &MixReport) -> Markup {
    if mix.path.is_none() {
        return html! { (printable(&wording::reason(&mix.gain_reason))) };
    }
    let tracks = view.tracks_of(&mix.song, &mix.take);
    let mut worst: Vec<(Severity, String)> = Vec::new();
    for track in tracks {
        for finding in track
            .report
            .findings
            .iter()
            .filter(|f| f.severity > Severity::Note)
        {
            let word = wording::code(finding.code());
            worst.push((finding.severity, format!("{} {word}", track.subject.label)));
        }
    }
    for (_, _, label) in view
        .gaps
        .iter()
        .filter(|(s, t, _)| *s == mix.song && *t == mix.take)
    {
        worst.push((Severity::Problem, format!("{label} missing")));
    }
    let grave: Vec<&String> = of(&worst, Severity::Problem);
    let slight = of(&worst, Severity::Warning).len();
    let names = |names: &[&String]| match names {
        [] => String::new(),
        [one] => (*one).clone(),
        [one, rest @ ..] => format!("{one} and {} more", rest.len()),
    };
    let unmixed: Vec<&str> = mix
        .omitted
        .iter()
        .filter(|o| is_remarkable(&o.why))
        .map(|o| {
            let track = tracks.iter().find(|t| t.report.name == o.name);
            track.map_or(o.name.as_str(), |t| &*t.subject.label)
        })
        .collect();
    html! {
        @if !grave.is_empty() {
            span.problem { (mark::symbol("problem")) } " " (names(&grave))
        } @else if slight > 0 {
            "whole, " (wording::counted(slight, "warning"))
        } @else { "whole" }
        @if !unmixed.is_empty() { "; without " (text::list(&unmixed.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>())) }
    }
}

/// What a listener would miss: not what never is in a mix, nor what was not played.
fn is_remarkable(reason: &Reason) -> bool {
    matches!(
        reason,
        Reason::Failed | Reason::OtherRate { .. } | Reason::UnknownMic
    )
}

fn of(all: &[(Severity, String)], severity: Severity) -> Vec<&String> {
    all.iter()
        .filter(|(s, _)| *s == severity)
        .map(|(_, words)| words)
        .collect()
}

/// Two takes of a song to be switched between, in step and equally loud.
fn compare(song: &str, mixes: &[&MixReport]) -> Markup {
    let takes: Vec<_> = mixes
        .iter()
        .filter_map(|m| Some((&m.take, m.excerpt.as_ref()?)))
        .collect();
    let choice = |label: &str, chosen: usize| {
        html! {
            select aria-label={ (label) " of " (song) } {
                @for (i, (take, excerpt)) in takes.iter().enumerate() {
                    option selected[i == chosen] value=(excerpt.path) data-file=(href(&excerpt.path))
                        data-from=(excerpt.from_s) data-gain=[excerpt.gains_db.first()] { (text::take(take)) }
                }
            }
        }
    };
    html! {
        span.compare.script hidden data-about=(song) {
            "Compare " (choice("One take", 0)) " with " (choice("Another take", 1)) " "
            button type="button" data-compare="open" { "A/B" } " "
            button type="button" data-compare="blind" { "Blind A/B" }
            " " span role="status" {}
        }
    }
}

/// Faders and pans, once for all songs that share them: a line from left to right for each stem, with its
/// figures as text.
fn plan(view: &View<'_>) -> Markup {
    let mut plans: Vec<(Vec<&str>, &[MixLevel])> = Vec::new();
    for song in &view.songs {
        let of_song = view.session.mixes.iter().filter(|m| m.song == *song);
        let Some(fullest) = of_song.max_by_key(|m| m.levels.len()) else {
            continue;
        };
        let levels = &fullest.levels[..];
        match plans.iter_mut().find(|(_, same)| *same == levels) {
            Some((songs, _)) => songs.push(song),
            None => plans.push((vec![song], levels)),
        }
    }
    let one = plans.len() == 1;
    html! {
        div.plan {
            p.small { b { "Faders and pans" } " of the rough mixes, left to right as the mix is heard." }
            @for (i, (songs, levels)) in plans.iter().enumerate() {
                @if one { (levels_of(levels)) } @else {
                    details.fold.song open[i == 0 && !view.large] {
                        summary { b { (songs.join(", ")) } }
                        (levels_of(levels))
                    }
                }
            }
            p.small { "Change them under " code { "[mix]" } " in " code { "session.toml" } "." }
        }
    }
}

fn levels_of(levels: &[MixLevel]) -> Markup {
    html! {
        table.pans {
            thead { tr { th scope="col" { "Stem" } th.r scope="col" { "Fader, dB" } th scope="col" { span.vh { "Pan" } span.ends aria-hidden="true" { span { "left" } span { "right" } } } } }
            tbody { @for level in levels { tr {
                th scope="row" { (level.label) }
                td.r { (plain(level.fader_db, 1)) }
                td { (pan(level)) }
            } } }
        }
    }
}

fn pan(level: &MixLevel) -> Markup {
    let x = |pan: f64| crate::units::round_to(60.0 + pan * 0.5, 1);
    let words = |pan: f64| match pan {
        p if p < 0.0 => format!("{} left", plain(-p, 0)),
        p if p > 0.0 => format!("{} right", plain(p, 0)),
        _ => "centre".to_owned(),
    };
    let said = level
        .pans
        .iter()
        .map(|p| words(*p))
        .collect::<Vec<_>>()
        .join(" and ");
    html! {
        svg.pan role="img" viewBox="0 0 120 16" {
            title { (level.label) ": " (said) }
            path.rule d="M10 8H110M60 3V13" {}
            @if let [left, right] = level.pans[..] { path d={ "M" (x(left)) " 8H" (x(right)) } {} }
            @for pan in &level.pans { path.dot d={ "M" (x(*pan)) " 8h.01" } {} }
        }
    }
}
