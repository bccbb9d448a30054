//! Drums as the built program hears them. Recorded ones in a simulated room: kits on which no threshold
//! was found; skipped, with a line that says so, where the recordings are missing. And those of the demo.

use std::collections::BTreeMap;

use batterhead::analysis::{Score, score};
use batterhead::demo::{self, groove::Piece};
use serde_json::Value;

use super::bed::judge::{self, hear, judge};
use super::bed::{Half, Session, Setup, Sources, disk, setups, sources};
use super::support::{Place, needed};

/// The recordings; where they are missing, that is said.
fn recordings() -> Option<Sources> {
    needed(sources(), "the recorded kits are missing")
}

/// A set-up of the test bed, and what `check` says of it with these lines in the session file.
fn check(which: impl Fn(&Setup) -> bool, lines: &str) -> Option<(Setup, Value)> {
    let sources = recordings()?;
    let setup = setups(Half::Prove).into_iter().find(which)?;
    let place = Place::new();
    disk::write(&Session::new(&sources, &setup), &place.path("takes")).expect("room on the disk");
    std::fs::write(place.path("takes/session.toml"), lines).expect("room on the disk");
    let ran = place.run(&["check", "takes", "--json", "--quiet"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let report = serde_json::from_str(&ran.stdout).expect("JSON");
    Some((setup, report))
}

fn findings(report: &Value) -> impl Iterator<Item = &Value> {
    report["findings"].as_array().expect("a list").iter()
}

#[test]
fn a_good_session_of_recorded_drums_has_no_warning() {
    let Some((_, report)) = check(|setup| setup.clean, "") else {
        return;
    };
    let grave: Vec<&Value> = findings(&report)
        .filter(|f| f["severity"] != "note")
        .collect();
    assert!(grave.is_empty(), "{grave:#?}");
}

#[test]
fn a_tom_is_inverted_where_the_session_file_says_and_a_tom_at_rest_is_found_and_no_others() {
    let lines = "polarity = [\"tom-1\"]";
    let Some((setup, report)) = check(|setup| setup.name == "kit-2a", lines) else {
        return;
    };
    let tracks = report["tracks"].as_array().expect("a list");
    let inverted = tracks.iter().filter(|t| t["polarity_inverted"] == true);
    let inverted: Vec<&str> = inverted.filter_map(|t| t["name"].as_str()).collect();
    assert!(
        inverted.len() == 4 && inverted.iter().all(|name| name.ends_with("_tom-1")),
        "{inverted:?}"
    );
    let of = |kind: &str, mic: &str| {
        let mut takes: Vec<&str> = findings(&report)
            .filter(|f| f["figures"]["kind"] == kind)
            .filter(|f| f["name"].as_str().is_some_and(|name| name.ends_with(mic)))
            .map(|f| f["take"].as_str().expect("a take"))
            .collect();
        takes.sort_unstable();
        takes
    };
    assert_eq!(
        of("polarity-opposed", "_tom-1"),
        ["take-01", "take-02", "take-03", "take-04"]
    );
    let absent = setup.takes[1].playing.without.expect("a tom");
    for mic in ["tom-1", "tom-2", "tom-3"] {
        // the fills of the first take happen to pass by tom 2
        let rests: &[&str] = match mic {
            _ if mic == absent.drum() => &["take-02"],
            "tom-2" => &["take-01"],
            _ => &[],
        };
        assert_eq!(of("not-played", mic), rests, "{mic}");
        if mic != "tom-1" {
            assert!(of("polarity-opposed", mic).is_empty(), "{mic}");
        }
    }
    assert!(of("polarity-opposed", "_overhead").is_empty());
}

#[test]
fn strokes_pitches_and_polarities_of_a_kit_that_nothing_was_fitted_on_are_heard() {
    let Some(sources) = recordings() else {
        return;
    };
    let setups = setups(Half::Prove).into_iter();
    let mut score = judge::Score::default();
    // of each kit the one with the most mishaps
    for setup in setups.filter(|setup| ["kit-2a", "kit-3a"].contains(&&*setup.name)) {
        score.add(&judge(&setup, &hear(&Session::new(&sources, &setup))));
    }
    for (family, precision, recall) in [
        ("kick", 0.97, 0.95),
        ("snare", 0.97, 0.95),
        ("tom", 0.95, 0.95),
        ("hat", 0.88, 0.85),
    ] {
        let found = score.family(family);
        println!("{family} {:.3} {:.3}", found.precision(), found.recall());
        assert!(
            found.precision() >= precision && found.recall() >= recall,
            "{family}: {found:?}"
        );
    }
    let near = |off: &Option<f64>| off.is_some_and(|hz| hz <= 1.0);
    assert!(
        score.snare_off_hz.iter().all(near),
        "{:?}",
        score.snare_off_hz
    );
    assert!(
        score.snare_drift_hz.iter().all(|hz| *hz <= 0.7),
        "{:?}",
        score.snare_drift_hz
    );
    assert!(
        score.polarity.values().all(|v| v.wrong == 0),
        "{:?}",
        score.polarity_notes
    );
    assert!(
        score.false_unplayed.is_empty(),
        "{:?}",
        score.false_unplayed
    );
}

/// Strokes of the demo by drum: name, piece, and the least precision and recall. Weights were fitted on
/// the same toms and cymbals in other takes of other songs.
const SYNTHESISED: [(&str, Piece, f64, f64); 7] = [
    ("kick", Piece::Kick, 0.97, 0.97),
    ("snare", Piece::Snare, 0.95, 0.9),
    ("tom-1", Piece::Tom1, 0.92, 0.92),
    ("tom-2", Piece::Tom2, 0.92, 0.92),
    ("tom-3", Piece::Floor, 0.92, 0.92),
    ("hat", Piece::Hat, 0.95, 0.9),
    ("ride", Piece::Ride, 0.72, 0.9),
];

#[test]
fn the_strokes_of_the_synthesised_session_are_heard() {
    let place = super::findings::session();
    let ran = place.run(&["check", "takes", "--out", "out", "--quiet"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
    for song in demo::songs() {
        for take in &song.takes {
            let slug = song.name.to_lowercase().replace(' ', "-");
            let path = format!("out/hits/{slug}/take-{:02}.csv", take.number);
            let table = std::fs::read_to_string(place.path(&path)).expect("a list of strokes");
            let rows: Vec<Vec<&str>> = table.lines().map(|l| l.split(',').collect()).collect();
            let number = |text: &str| text.parse::<f64>().expect("a number");
            let (_, strokes) = demo::play(&song, take);
            for (drum, piece, _, _) in SYNTHESISED {
                let sure = rows.iter().filter(|r| r[0] == drum && number(r[5]) >= 0.5);
                let found: Vec<f64> = sure.map(|r| 1000.0 * number(r[1])).collect();
                let own = strokes.iter().filter(|s| s.piece == piece);
                let truth: Vec<f64> = own.map(|s| 1000.0 * s.at_s).collect();
                scores
                    .entry(drum)
                    .or_default()
                    .add(score(&found, &truth, 10.0));
            }
        }
    }
    for (drum, score) in &scores {
        let (precision, recall) = (score.precision(), score.recall());
        println!("{drum:6} precision {precision:.3}, recall {recall:.3}, {score:?}");
    }
    for (drum, _, precision, recall) in SYNTHESISED {
        let found = &scores[drum];
        assert!(
            found.precision() >= precision && found.recall() >= recall,
            "{drum}: {found:?}"
        );
    }
}
