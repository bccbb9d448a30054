//! Recorded drums in a simulated room, as the built program hears them: kits on which no threshold was
//! found. Skipped, with a line that says so, where the recordings are missing.

use serde_json::Value;

use super::bed::{Half, Session, Setup, disk, setups, sources};
use super::support::Place;

/// A set-up of the test bed, and what `check` says of it.
fn check(which: impl Fn(&Setup) -> bool) -> Option<(Setup, Value)> {
    let sources = sources()?;
    let setup = setups(Half::Prove).into_iter().find(which)?;
    let place = Place::new();
    disk::write(&Session::new(&sources, &setup), &place.path("takes")).expect("room on the disk");
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
    let Some((_, report)) = check(|setup| setup.clean) else {
        return;
    };
    let grave: Vec<&Value> = findings(&report)
        .filter(|f| f["severity"] != "note")
        .collect();
    assert!(grave.is_empty(), "{grave:#?}");
}

#[test]
fn an_inverted_tom_and_a_tom_at_rest_are_found_among_recorded_drums_and_no_others() {
    let Some((setup, report)) = check(|setup| setup.name == "kit-2a") else {
        return;
    };
    let of = |code: &str, mic: &str| {
        let mut takes: Vec<&str> = findings(&report)
            .filter(|f| f["code"] == code)
            .filter(|f| f["name"].as_str().is_some_and(|name| name.ends_with(mic)))
            .map(|f| f["take"].as_str().expect("a take"))
            .collect();
        takes.sort_unstable();
        takes
    };
    assert_eq!(
        of("polarity", "_tom-1"),
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
            assert!(of("polarity", mic).is_empty(), "{mic}");
        }
    }
    assert!(of("polarity", "_overhead").is_empty());
}
