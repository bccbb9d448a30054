//! What a run leaves for the next one: the record of what it was made from, and why work is done again.

use super::support::{Place, sha256};

#[test]
fn the_record_holds_all_that_a_run_was_made_from_and_proves_the_sources() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    std::fs::write(
        place.path("takes/session.toml"),
        "[output]\nbits = 16\ndither = true\n",
    )
    .unwrap();
    place.prep(&[], 0);
    let record = place.json("out/run.json");
    let sources = record["sources"].as_array().unwrap();
    assert_eq!(sources.len(), super::support::KIT.len());
    for source in sources {
        let path = place.path(&format!("takes/{}", source["path"].as_str().unwrap()));
        assert_eq!(source["sha256_before"], sha256(&path));
        assert_eq!(source["sha256_after"], source["sha256_before"]);
    }
    let presets: Vec<&str> = (record["presets"].as_array().unwrap().iter())
        .map(|preset| preset["name"].as_str().unwrap())
        .collect();
    assert!(presets.contains(&"snare-top"), "{presets:?}");
    assert_eq!(
        record["session_file_sha256"],
        sha256(&place.path("takes/session.toml"))
    );
    assert_eq!(record["output"]["bits"], "16");
    assert!(record["tool"].as_str().unwrap().starts_with("batterhead "));
    let manifest = std::fs::read_to_string(place.path("out/manifest-sha256.txt")).unwrap();
    assert!(manifest.contains("  run.json\n"));
}

#[test]
fn mixes_that_are_gone_are_added_up_again_to_the_same_bytes() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let before = place.tree("out");
    assert!(!before.iter().any(|(path, _)| path.ends_with(".part")));
    std::fs::remove_dir_all(place.path("out/mixes")).unwrap();
    place.prep(&[], 0);
    assert_eq!(place.tree("out"), before);
}

#[test]
fn only_what_depends_on_a_change_is_made_again_and_it_is_said_why() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let preset = |gain: f64| {
        let text = format!(
            "about = \"x\"\nmics = [\"snare-top\"]\nstages = [{{ peak = {{ freq_hz = 300, gain_db = {gain:?}, q = 1.0 }} }}]\n"
        );
        std::fs::write(place.path("takes/mine.toml"), text).unwrap();
    };
    std::fs::write(
        place.path("takes/session.toml"),
        "[presets]\nsnare-top = \"mine.toml\"\n",
    )
    .unwrap();
    preset(2.0);
    let first = place.prep(&[], 0);
    assert!(!first.stderr.contains("made again"), "{}", first.stderr);
    let before = place.tree("out/stems");
    preset(4.0);
    let ran = place.prep(&[], 0);
    assert!(
        ran.stderr
            .contains("made again, since what is decided for them changed with their preset"),
        "{}",
        ran.stderr
    );
    let after = place.tree("out/stems");
    let changed: Vec<&String> = (before.iter().zip(&after))
        .filter(|(before, after)| before != after)
        .map(|(before, _)| &before.0)
        .collect();
    let [only] = &changed[..] else {
        panic!("{changed:?}")
    };
    assert!(only.ends_with("snare-top.wav"));
}

#[test]
fn excerpts_that_no_page_shows_any_more_are_taken_away_and_nothing_else_is() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let excerpts = place.path("out/session-files/excerpts");
    let count = || {
        let entries = walkdir::WalkDir::new(&excerpts).into_iter().flatten();
        entries.filter(|entry| entry.file_type().is_file()).count()
    };
    let all = count();
    assert!(all > 0);
    // Neither a run that renders nothing nor one of a single mic speaks for the others.
    assert_eq!(place.run(&["check", "takes", "--out", "out"]).status, 0);
    place.prep(&["--only", "snare-top"], 0);
    assert_eq!(count(), all);
    place.prep(&[], 0);
    let own = excerpts.join("of mine.js");
    std::fs::write(&own, "kept").unwrap();
    std::fs::write(place.path("takes/session.toml"), "excerpts = \"never\"\n").unwrap();
    place.prep(&[], 0);
    assert_eq!(count(), 1);
    assert_eq!(std::fs::read(&own).unwrap(), b"kept");
    std::fs::remove_file(&own).unwrap();
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn what_no_run_has_written_is_never_replaced() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let name = "stems/low-tide/take-01/low-tide_take-01_kick-in.wav";
    let mine = place.path(&format!("out/{name}"));
    std::fs::create_dir_all(mine.parent().unwrap()).unwrap();
    std::fs::write(&mine, "mine").unwrap();
    std::fs::write(place.path("out/other.txt"), "mine too").unwrap();
    let ran = place.prep(&[], 2);
    assert!(ran.stderr.contains("low-tide_take-01_kick-in.wav"));
    assert!(!ran.stderr.contains("other.txt"));
    assert_eq!(std::fs::read(&mine).unwrap(), b"mine");
    assert!(!place.path("out/.batterhead").exists());
    std::fs::remove_file(&mine).unwrap();
    place.prep(&[], 0);
    assert_eq!(
        std::fs::read(place.path("out/other.txt")).unwrap(),
        b"mine too"
    );
}

#[cfg(unix)]
#[test]
fn verify_believes_no_link_and_waits_for_no_pipe() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let csv = place.path("out/session.csv");
    std::fs::rename(&csv, place.path("kept.csv")).unwrap();
    std::os::unix::fs::symlink(place.path("kept.csv"), &csv).unwrap();
    let manifest = place.path("out/manifest-sha256.txt");
    let mut text = std::fs::read_to_string(&manifest).unwrap();
    text += &format!("{}  ../kept.csv\n", sha256(&place.path("kept.csv")));
    std::fs::write(&manifest, text).unwrap();
    let ran = place.run(&["verify", "out"]);
    assert_eq!(ran.status, 5);
    assert!(
        ran.stdout.contains("changed: session.csv: a link")
            && ran
                .stdout
                .contains("changed: ../kept.csv: the manifest names a place outside"),
        "{}",
        ran.stdout
    );
}
