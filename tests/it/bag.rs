//! An output folder as an archive takes it in (BagIt 1.0, RFC 8493).

use std::collections::BTreeMap;
use std::fs;

use crate::support::{KIT, Place, sha256};

/// A manifest of a bag, by path.
fn listed(place: &Place, name: &str) -> BTreeMap<String, String> {
    let text = fs::read_to_string(place.path(&format!("out/{name}"))).expect(name);
    let pair = |line: &str| {
        let (sum, path) = line.split_once("  ").expect("a sum and a path");
        (path.to_owned(), sum.to_owned())
    };
    text.lines().map(pair).collect()
}

/// What sections 2.1 and 2.2 of the standard ask for.
fn is_valid(place: &Place) {
    let text = |name: &str| fs::read_to_string(place.path(&format!("out/{name}"))).expect(name);
    assert_eq!(
        text("bagit.txt"),
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    );
    let mut payload = BTreeMap::new();
    let mut bytes = 0;
    for entry in walkdir::WalkDir::new(place.path("out/data")) {
        let entry = entry.expect("an entry");
        if entry.file_type().is_file() {
            let path = entry.path().strip_prefix(place.path("out")).expect("below");
            payload.insert(
                path.to_str().expect("text").to_owned(),
                sha256(entry.path()),
            );
            bytes += entry.metadata().expect("there").len();
        }
    }
    assert_eq!(listed(place, "manifest-sha256.txt"), payload);
    let oxum = format!("Payload-Oxum: {bytes}.{}\n", payload.len());
    assert!(text("bag-info.txt").contains(&oxum));
    let tags = listed(place, "tagmanifest-sha256.txt");
    let names: Vec<&String> = tags.keys().collect();
    assert_eq!(names, ["bag-info.txt", "bagit.txt", "manifest-sha256.txt"]);
    for (name, sum) in &tags {
        assert_eq!(*sum, sha256(&place.path(&format!("out/{name}"))), "{name}");
    }
}

#[test]
fn an_output_folder_can_be_a_bag_and_stays_one() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    place.prep(&["--bag"], 0);
    is_valid(&place);
    for name in [
        "data/session.html",
        "data/mixes/low-tide/take-01.wav",
        "data/manifest-sha256.txt",
        ".batterhead/lock",
    ] {
        assert!(place.path(&format!("out/{name}")).is_file(), "{name}");
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    assert_eq!(place.run(&["verify", "out/data"]).status, 0);
    let before = place.tree("out");
    place.prep(&[], 0);
    assert!(
        place.tree("out") == before,
        "nothing to do, nothing changed"
    );
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let ran = place.run(&["watch", "takes", "--out", "out"]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    is_valid(&place);

    // An archive adds what it knows, and another take comes.
    let info = place.path("out/bag-info.txt");
    let text = fs::read_to_string(&info).expect("there");
    fs::write(&info, format!("Source-Organization: An Archive\n{text}")).expect("written");
    assert_eq!(place.run(&["verify", "out"]).status, 5);
    for (seed, mic) in (90..).zip(&KIT) {
        let path = format!("takes/low tide/take 2/{}.wav", mic.name);
        place.mic(&path, mic, seed);
    }
    place.prep(&[], 0);
    is_valid(&place);
    let text = fs::read_to_string(&info).expect("there");
    assert!(
        text.starts_with("Source-Organization: An Archive\n"),
        "{text}"
    );
    assert_eq!(place.run(&["verify", "out"]).status, 0);

    fs::write(place.path("out/data/hits/low-tide/take-01.csv"), "no").expect("written");
    fs::write(place.path("out/data/note.txt"), "added").expect("written");
    let ran = place.run(&["verify", "out"]);
    assert_eq!(ran.status, 5);
    for part in ["data/hits/low-tide/take-01.csv", "added: data/note.txt"] {
        assert!(ran.stdout.contains(part), "{part}: {}", ran.stdout);
    }
}

#[test]
fn a_bag_is_made_only_where_nothing_else_lies() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    let refused = |args: &[&str], what: &str| {
        let before = place.tree("");
        let ran = place.run(args);
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(ran.stderr.contains(what), "{what}: {}", ran.stderr);
        assert!(place.tree("") == before, "nothing was written");
    };
    fs::create_dir_all(place.path("theirs/data")).expect("made");
    fs::write(place.path("theirs/bagit.txt"), "BagIt-Version: 1.0\n").expect("written");
    refused(&["prep", "takes", "--out", "theirs", "--bag"], "bagit.txt");
    let ran = place.run(&["check", "takes", "--out", "plain"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    refused(
        &["prep", "takes", "--out", "plain", "--bag"],
        "manifest-sha256.txt",
    );
    place.prep(&["--bag"], 0);
    let file = format!("takes/low tide/take 1/{}.wav", KIT[0].name);
    let args = ["apply", "level-only", &file, "--out", "out"];
    refused(&args, "is a bag");
}
