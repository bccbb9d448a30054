//! Recorded drums in a simulated room, as the built program hears them: kits on which no threshold was
//! found. Skipped, with a line that says so, where the recordings are missing.

use serde_json::Value;

use super::bed::{Half, Session, Setup, disk, setups, sources};
use super::support::Place;

/// A set-up of the test bed, and what `check` says of it with these lines in the session file.
fn check(which: impl Fn(&Setup) -> bool, lines: &str) -> Option<(Setup, Value)> {
    let sources = sources()?;
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
        let rests: &[&str] = if absent.drum() == mic {
            &["take-02"]
        } else {
            &[]
        };
        assert_eq!(of("not-played", mic), rests, "{mic}");
        if mic != "tom-1" {
            assert!(of("polarity-opposed", mic).is_empty(), "{mic}");
        }
    }
    assert!(of("polarity-opposed", "_overhead").is_empty());
}
