//! What cannot be read this time is not given up: neither what was made of it nor what was decided.

use std::collections::BTreeSet;

use crate::support::Place;

/// Paths of the manifest.
fn listed(place: &Place) -> BTreeSet<String> {
    let manifest = std::fs::read_to_string(place.path("out/manifest-sha256.txt")).unwrap();
    manifest.lines().map(|line| line[66..].to_owned()).collect()
}

/// Two takes, prepared, the gain of a snare set by hand; then that snare's file, and all of the other
/// take, are no sound files any more.
fn damaged() -> (Place, Vec<(String, Vec<u8>)>) {
    let place = Place::new();
    place.session(&["low tide"], 2);
    place.prep(&[], 0);
    let sheet = place.path("out/worksheet.toml");
    let text = std::fs::read_to_string(&sheet).unwrap();
    let own = text.find("take-01/low-tide_take-01_snare-top").unwrap();
    let at = own + text[own..].find("\ngain_db = ").unwrap() + 1;
    let end = at + text[at..].find('\n').unwrap();
    let edited = format!("{}gain_db = -7.5 # mine{}", &text[..at], &text[end..]);
    std::fs::write(&sheet, edited).unwrap();
    place.prep(&[], 0);
    let second = std::fs::read_dir(place.path("takes/low tide/take 2")).unwrap();
    let names = second.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let lost = names.map(|name| format!("takes/low tide/take 2/{name}"));
    let lost: Vec<(String, Vec<u8>)> = std::iter::once("takes/low tide/take 1/SN TOP.wav".into())
        .chain(lost)
        .map(|name| (name.clone(), std::fs::read(place.path(&name)).unwrap()))
        .collect();
    for (name, _) in &lost {
        std::fs::write(place.path(name), "no sound").unwrap();
    }
    (place, lost)
}

#[test]
fn outputs_of_sources_that_cannot_be_read_are_neither_left_over_nor_pruned() {
    let (place, _) = damaged();
    let before = listed(&place);
    let ran = place.prep(&["--prune"], 1);
    let after = listed(&place);
    // What only the page needs goes with what it shows.
    let of_the_page = |path: &&String| path.starts_with("session-files/");
    let lost: Vec<&String> = before
        .difference(&after)
        .filter(|path| !of_the_page(path))
        .collect();
    assert!(lost.is_empty(), "{lost:?}\n{}", ran.stderr);
    let stands = |path: &String| place.path(&format!("out/{path}")).is_file();
    assert!(after.iter().all(stands));
    let left_over = &place.json("out/session.json")["left_over"];
    assert!(
        left_over.as_array().is_none_or(Vec::is_empty),
        "{left_over}"
    );
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn what_was_decided_for_a_source_holds_when_it_can_be_read_again() {
    let (place, lost) = damaged();
    let stem = "out/stems/low-tide/take-01/low-tide_take-01_snare-top.wav";
    let gain = |place: &Place| {
        let report = stem.replace("stems", "reports").replace(".wav", ".json");
        place.json(&report)["decisions"]["gain_db"]
            .as_f64()
            .unwrap()
    };
    let before = std::fs::read(place.path(stem)).unwrap();
    place.prep(&[], 1);
    let sheet = || std::fs::read_to_string(place.path("out/worksheet.toml")).unwrap();
    assert!(!sheet().contains("No file of the session"), "{}", sheet());
    for (name, bytes) in lost {
        std::fs::write(place.path(&name), bytes).unwrap();
    }
    place.prep(&[], 0);
    assert_eq!(gain(&place), -7.5);
    assert!(std::fs::read(place.path(stem)).unwrap() == before);
    assert!(sheet().contains("gain_db = -7.5") && sheet().contains("# mine"));
    assert!(!sheet().contains("No file of the session"), "{}", sheet());
}

#[test]
fn files_that_fail_for_one_reason_are_one_matter() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    for n in 1..=5 {
        std::fs::write(
            place.path(&format!("takes/low tide/take 1/Tom {n}.wav")),
            "no sound",
        )
        .unwrap();
    }
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 1, "{}", ran.stderr);
    assert_eq!(
        ran.stdout.matches("and 4 more: ").count(),
        1,
        "{}",
        ran.stdout
    );
    assert_eq!(ran.stdout.matches("Tom 1.wav").count(), 1, "{}", ran.stdout);
    assert!(!ran.stdout.contains("Tom 2.wav"), "{}", ran.stdout);
    let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
    assert_eq!(page.matches("Not done: ").count(), 1);
    assert!((1..=5).all(|n| page.contains(&format!("Tom {n}.wav"))));
    assert_eq!(
        place.json("out/session.json")["failed"]
            .as_array()
            .unwrap()
            .len(),
        5
    );
}
