//! One example of every sentence that a function makes, by the name of the function.

use super::super::{compared, done, playing, remark, sheet, summary};
use crate::compared::{Measure, Note};
use crate::reason::{Against, Undecided};

/// The files that hold such functions.
pub(super) const SOURCES: [(&str, &str); 6] = [
    ("compared", include_str!("../compared.rs")),
    ("done", include_str!("../done.rs")),
    ("playing", include_str!("../playing.rs")),
    ("remark", include_str!("../remark.rs")),
    ("sheet", include_str!("../sheet.rs")),
    ("summary", include_str!("../summary.rs")),
];

type Example = (&'static str, String);

/// At least one of every function, and of every branch that makes another sentence.
pub(super) fn sentences() -> Vec<Example> {
    let mut all = Vec::new();
    all.extend(of_summary());
    all.extend(of_done());
    all.extend(of_sheet());
    all.extend(of_compared());
    all
}

fn words(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| (*word).to_owned()).collect()
}

fn of_summary() -> Vec<Example> {
    let take = |problems, warnings| {
        let found = (problems, warnings);
        summary::take(("low-tide", "take-03"), (16, 241.4), found)
    };
    let takes = words(&["low-tide take-04"]);
    vec![
        ("estimate", summary::estimate(2700.0, 2, "3.1 GB", "90 MB")),
        ("held", summary::held(2, 7, 98, 804.0)),
        ("written", summary::written(98, 7, "prepared")),
        (
            "written_of",
            summary::written_of(48, &words(&["low-tide", "iron-meadow"]), "prepared"),
        ),
        ("files_written", summary::files_written(1, "prepared")),
        ("with_gain", summary::with_gain("kick in.wav", -3.5)),
        ("page", summary::page("prepared/session.html")),
        ("reports", summary::reports("checked/session.html")),
        ("rest_follows", summary::rest_follows().to_owned()),
        (
            "no_good",
            summary::no_good(&words(&["low-tide take-02 (ng)"])),
        ),
        ("new_takes", summary::new_takes(&takes)),
        (
            "removed",
            summary::removed("stems/low-tide/take-02/kick.wav"),
        ),
        ("left_over", summary::left_over().to_owned()),
        ("verdict", summary::verdict(0, 0)),
        ("verdict", summary::verdict(0, 2)),
        ("verdict", summary::verdict(1, 0)),
        ("verdict", summary::verdict(1, 2)),
        ("watched", summary::watched(7, 1, 2)),
        ("watching", summary::watching("takes")),
        ("watching_again", summary::watching_again().to_owned()),
        ("take", take(0, 0)),
        ("take", take(1, 0)),
        ("take", take(0, 1)),
        ("take", take(1, 2)),
        (
            "matter",
            summary::matter("tom-1 (take 2)", "Not played.", None),
        ),
        (
            "matter",
            summary::matter("tom-1 (take 2)", "Clipped.", Some("Listen.")),
        ),
        ("next", summary::next("takes", "prepared")),
        ("severity", summary::severity(2, "problem")),
        ("notes", summary::notes(12)),
        ("more", summary::more(3, "on the page")),
        ("failed", summary::failed(2)),
        ("failure", summary::failure("kick in.wav", 1, "is no WAV")),
        ("failure", summary::failure("kick in.wav", 3, "is no WAV")),
        (
            "candidate",
            summary::candidate(('b', "deep"), -120, 1.25, (40, 44)),
        ),
        ("pairs", summary::pairs(40, None, "bright")),
        ("pairs", summary::pairs(40, Some("snare-top"), "bright")),
        ("loud_shootout", summary::loud_shootout().to_owned()),
        ("verified", summary::verified(222, 0)),
        ("verified", summary::verified(220, 2)),
        ("nothing_written", summary::nothing_written().to_owned()),
        ("would_be", summary::would_be("low-tide/kick.wav", false)),
        ("would_be", summary::would_be("low-tide/kick.wav", true)),
        ("mishaps", summary::mishaps().to_owned()),
        ("demo", summary::demo("demo/takes", "demo/prepared")),
    ]
}

fn of_done() -> Vec<Example> {
    let takes: [&[&str]; 2] = [&["take-01", "take-02", "take-03"], &["take-01", "take-02"]];
    let songs = [("low-tide", takes[0], 3), ("iron-meadow", takes[1], 4)];
    vec![
        ("left_out", done::left_out().to_owned()),
        ("passed_through", done::passed_through().to_owned()),
        ("inverted", done::inverted().to_owned()),
        ("muted", done::muted().to_owned()),
        ("gain", done::gain(-3.5)),
        ("moved", done::moved(58, 48_000.0)),
        ("moved", done::moved(-58, 48_000.0)),
        ("from_another", done::from_another("drive 12 dB")),
        ("because", done::because("left out", Some("not played"))),
        ("because", done::because("left out", None)),
        ("mics", done::mics(&["tom-1", "tom-2"], 3)),
        (
            "mics",
            done::mics(&["tom-1", "tom-2", "tom-3", "hat", "ride"], 3),
        ),
        ("takes", done::takes(&songs, 7)),
        ("takes", done::takes(&songs, 5)),
        ("missing", done::missing("ride", takes[1]).what),
        (
            "missing",
            done::missing("ride", takes[1]).advice.unwrap_or_default(),
        ),
        ("taken_by", remark::taken_by("SN TOP", false)),
        ("taken_by", remark::taken_by("the session file", true)),
        ("given_by_name", remark::given_by_name()),
        ("uncertain", remark::uncertain("Snr 2")),
        ("own_words", remark::own_words("Bertha")),
        ("by_session_file", remark::by_session_file(None)),
        ("by_session_file", remark::by_session_file(Some(3))),
        ("channel", remark::channel(3)),
        ("ignoring", remark::ignoring(&words(&["48k", "final"]))),
        ("both", remark::both("`OH L`", "`OH R`")),
        ("remark", remark::remark(&crate::remark::Remark::SizeAlone)),
    ]
}

fn of_sheet() -> Vec<Example> {
    vec![
        ("recorded", sheet::recorded("")),
        ("recorded", sheet::recorded("2031-05-04")),
        ("written_by", sheet::written_by("batterhead")),
        ("columns", sheet::columns().to_owned()),
        ("no_pitch", sheet::no_pitch().to_owned()),
        ("channel_of", sheet::channel_of("poly.wav", 3)),
        ("derived", sheet::derived().to_owned()),
        ("preset", sheet::preset("snare-top")),
        ("gate", sheet::gate(true).to_owned()),
        ("gate", sheet::gate(false).to_owned()),
        ("inverted", sheet::inverted().to_owned()),
        ("more_found", sheet::more_found(12, "note")),
        ("nothing", sheet::nothing().to_owned()),
        ("failed", sheet::failed("kick in.wav", "is no WAV")),
        ("no_mix", sheet::no_mix("take-03")),
        ("listen", sheet::listen(1, 2)),
        ("unknown", sheet::unknown("mystery, thing")),
        (
            "passages",
            sheet::passages((61.0, 69.0, 2.5), (3.0, 11.0, -6.0)),
        ),
        ("strokes_of", sheet::strokes_of("snare", 210, Some(3.5))),
        ("strokes_of", sheet::strokes_of("snare", 2, None)),
        (
            "strokes",
            sheet::strokes(&words(&["kick 120", "snare 210"])),
        ),
        ("strokes", sheet::strokes(&[])),
        ("scatter", sheet::scatter("take-03", 8.5)),
        (
            "steadiest",
            sheet::steadiest("take-03 (8.5 ms)", &words(&["take-01 (14.5 ms)"])),
        ),
        ("none_steadier", sheet::none_steadier().to_owned()),
        ("without_mic", sheet::without_mic(&["hat", "ride"])),
        ("against", playing::against(Against::Click).to_owned()),
        ("against", playing::against(Against::Own).to_owned()),
        ("drift", playing::drift(0.9)),
        ("drift", playing::drift(-0.9)),
        ("late", playing::late("snare", 6.0)),
        ("late", playing::late("snare", -6.0)),
        (
            "undecided",
            playing::undecided(Undecided::TooFewStrokes).to_owned(),
        ),
        (
            "undecided",
            playing::undecided(Undecided::NoPulse).to_owned(),
        ),
        ("no_timing", playing::no_timing(Undecided::TooFewStrokes)),
        ("no_timing", playing::no_timing(Undecided::NoPulse)),
        ("pulses", playing::pulses(184.5)),
    ]
}

fn of_compared() -> Vec<Example> {
    let pair = ('a', 'b');
    let mut all: Vec<Example> = [
        Note::Unread {
            candidate: 'b',
            path: "kick in.wav".to_owned(),
            reason: "is no WAV".to_owned(),
        },
        Note::OtherRate {
            candidate: 'b',
            label: "hat".to_owned(),
            rate_hz: 44_100,
            others_hz: 48_000,
        },
        Note::TimesTooFarApart { candidate: 'b' },
        Note::NotInEveryTake {
            candidate: 'b',
            labels: words(&["hat", "ride"]),
        },
        Note::SamePlace { pair, folder: true },
        Note::SamePlace {
            pair,
            folder: false,
        },
        Note::SameRecording { pair },
        Note::OnePerformance { pair },
        Note::PatternRepeats { pair },
        Note::PartsDiffer {
            pair,
            percent: 71.0,
        },
        Note::FewHits { pair, hits: 5 },
        Note::Drift {
            pair,
            apart_ms: 14.0,
        },
        Note::LengthsDiffer {
            pair,
            first_s: 30.0,
            other_s: 72.5,
        },
        Note::HitsAlone { pair, hits: 40 },
        Note::AllQuieter { by_db: 3.25 },
        Note::MixesQuieter { by_db: 1.5 },
    ]
    .iter()
    .map(|note| ("note", compared::note(note)))
    .collect();
    let claim = ("is tuned lower".to_owned(), "−4.0 semitones".to_owned());
    all.extend([
        ("answer", compared::answer(&[])),
        ("answer", compared::answer(&[claim])),
        (
            "unproven",
            compared::unproven(&["snap", "air"]).unwrap_or_default(),
        ),
        ("topic", compared::topic("low-mid").to_owned()),
        ("range", compared::range((8000.0, 16_000.0))),
    ]);
    let measure = Measure {
        name: "fundamental",
        unit: "%",
        difference: -20.6,
        plus_minus: Some(1.5),
        spread: 0.5,
        step: Some(2.0),
        range_hz: None,
        first: Some(196.0),
        later: Some(155.6),
        value_unit: "Hz",
        said: true,
        word: Some("tuned lower"),
        hits: 14,
    };
    let small = Measure {
        name: "air",
        unit: "dB",
        difference: 0.5,
        range_hz: Some((8000.0, 16_000.0)),
        first: None,
        later: None,
        word: None,
        plus_minus: Some(0.25),
        ..measure.clone()
    };
    let loose = Measure {
        plus_minus: Some(2.5),
        ..small.clone()
    };
    let few = Measure {
        difference: 9.0,
        ..small.clone()
    };
    let plain = Measure {
        step: None,
        ..small.clone()
    };
    for measure in [&measure, &small, &loose, &few, &plain] {
        let (name, what) = compared::described(measure);
        let (difference, plus_minus) = compared::shown(measure);
        all.extend([
            ("described", format!("{name}: {what}")),
            (
                "shown",
                format!("{difference} ± {}", plus_minus.unwrap_or_default()),
            ),
            ("verdict", compared::verdict(measure)),
        ]);
    }
    all.push(("claim", compared::claim(&measure)));
    all.push(("evidence", compared::evidence(&measure)));
    all.push(("evidence", compared::evidence(&small)));
    let value = compared::value(&measure, measure.first);
    all.push(("value", value.unwrap_or_default()));
    all
}
