//! Nothing is lost and nothing is overwritten: files of other people, edits, what was delivered,
//! what other runs and other sessions wrote.

use super::support::{KIT, MicFile, Place, program};

/// The files of a folder that are not as they were, and those that are gone.
fn changed(before: &[(String, String)], now: &[(String, String)]) -> Vec<String> {
    let differs = |file: &&(String, String)| !now.contains(file);
    before
        .iter()
        .filter(differs)
        .map(|file| file.0.clone())
        .collect()
}

fn stems(place: &Place, folder: &str) -> Vec<(String, String)> {
    let mut files = place.tree(folder);
    files.retain(|file| file.0.ends_with(".wav"));
    files
}

/// Another take of a song, everything in it `louder` times as loud.
fn take(place: &Place, song: &str, number: u64, louder: f64) {
    for (m, mic) in KIT.iter().enumerate() {
        let mic = MicFile {
            peak: (mic.peak * louder).min(0.97),
            ..*mic
        };
        let path = format!("takes/{song}/take {number}/{}.wav", mic.name);
        place.mic(&path, &mic, 1 + number * 100 + m as u64);
    }
}

fn refused(place: &Place, args: &[&str], folder: &str, named: &str) {
    let before = place.tree(folder);
    let ran = place.run(args);
    assert_eq!(ran.status, 2, "{args:?}\n{}\n{}", ran.stdout, ran.stderr);
    assert!(
        ran.stderr.contains(named),
        "{args:?} does not name {named}: {}",
        ran.stderr
    );
    assert_eq!(place.tree(folder), before, "{args:?} wrote something");
}

/// The worksheet with a value of a track replaced by another line.
fn edit(place: &Place, track: &str, key: &str, line: &str) {
    let path = place.path("out/worksheet.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let at = text.find(&format!("{track}\"]")).expect(track);
    let start = at + text[at..].find(&format!("\n{key} =")).expect(key) + 1;
    let end = start + text[start..].find('\n').unwrap();
    std::fs::write(&path, format!("{}{line}{}", &text[..start], &text[end..])).unwrap();
}

fn decision(place: &Place, take: &str, mic: &str, key: &str) -> serde_json::Value {
    let name = format!("out/reports/low-tide/{take}/low-tide_{take}_{mic}.json");
    place.json(&name)["decisions"][key].clone()
}

#[test]
fn no_command_writes_over_a_file_that_it_did_not_make() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    let snare = "takes/Low Tide/take 1/SN TOP.wav";
    let mine = |path: &str| {
        let path = place.path(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, "mine").unwrap();
    };
    for (name, command) in [
        ("a.wav", vec!["shootout", snare, snare]),
        ("b.wav", vec!["shootout", snare, snare]),
        ("shootout.html", vec!["shootout", snare, snare]),
        ("session.json", vec!["check", "takes"]),
        (
            "reports/low-tide/take-01/low-tide_take-01_kick-in.json",
            vec!["check", "takes"],
        ),
        ("Kick In.wav", vec!["apply", "kick-in", kick]),
        ("mixes/low-tide/take-01.wav", vec!["prep", "takes"]),
        ("session-files/page.css", vec!["prep", "takes"]),
        ("session.html", vec!["prep", "takes"]),
        ("takes/mine.wav", vec!["demo"]),
        ("prepared/session.html", vec!["demo"]),
    ] {
        let folder = format!("out {}", name.replace('/', " "));
        mine(&format!("{folder}/{name}"));
        let last = name.rsplit('/').next().unwrap();
        refused(
            &place,
            &[&command[..], &["--out", &folder]].concat(),
            &folder,
            last,
        );
        assert!(!place.path(&folder).join(".batterhead").exists());
    }
}

#[test]
fn a_folder_of_ours_does_not_make_the_files_of_others_in_it_ours() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    // Bounces under the names that the outputs of the next take are going to have.
    take(&place, "Low Tide", 2, 1.0);
    for name in [
        "mixes/low-tide/take-02.wav",
        "stems/low-tide/take-02/low-tide_take-02_snare-top.wav",
    ] {
        let path = place.path(&format!("out/{name}"));
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, "a bounce").unwrap();
        refused(&place, &["prep", "takes", "--out", "out"], "out", "take-02");
        std::fs::remove_file(path).unwrap();
    }
    // An original that lies among the outputs of `apply`.
    let snare = "takes/Low Tide/take 1/SN TOP.wav";
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    assert_eq!(
        place
            .run(&["apply", "snare-top", snare, "--out", "done"])
            .status,
        0
    );
    std::fs::copy(
        place.path("takes/Low Tide/take 2/Kick In.wav"),
        place.path("done/Kick In.wav"),
    )
    .unwrap();
    refused(
        &place,
        &["apply", "kick-in", kick, "--out", "done"],
        "done",
        "Kick In.wav",
    );
    std::fs::copy(place.path(snare), place.path("done/a.wav")).unwrap();
    refused(
        &place,
        &["shootout", snare, snare, "--out", "done"],
        "done",
        "a.wav",
    );
}

#[test]
fn what_a_person_made_of_a_stem_is_kept_and_said() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let before = place.tree("out");
    let name = "stems/low-tide/take-01/low-tide_take-01_snare-top.wav";
    std::fs::write(place.path(&format!("out/{name}")), "cut by hand").unwrap();
    let ran = place.prep(&[], 0);
    assert!(
        ran.stderr.contains(name) && ran.stderr.contains("set-aside"),
        "{}",
        ran.stderr
    );
    assert_eq!(place.tree("out"), before);
    let kept = place.path(&format!("out/.batterhead/set-aside/{name}"));
    assert_eq!(std::fs::read(kept).unwrap(), b"cut by hand");
}

#[test]
fn a_session_file_is_written_by_its_name_and_never_over_another() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let file = place.path("takes/session.toml");
    let scan = |more: &[&str]| place.run(&[&["scan", "takes"], more].concat());
    assert_eq!(scan(&["--init", "takes/session.toml"]).status, 0);
    let written = std::fs::read_to_string(&file).unwrap();
    assert_eq!(scan(&["--init"]).stdout, written);
    std::fs::write(&file, "excerpts = \"never\"\n").unwrap();
    assert_eq!(scan(&["--init", "takes/session.toml"]).status, 2);
    assert_eq!(
        std::fs::read_to_string(&file).unwrap(),
        "excerpts = \"never\"\n"
    );
    // The shell has emptied the file by then; that it is read too is said at least.
    let into = std::fs::File::create(&file).unwrap();
    let status = program()
        .args(["scan", "takes", "--init"])
        .current_dir(place.path(""))
        .stdout(into)
        .stderr(std::process::Stdio::null())
        .status();
    assert_eq!(status.unwrap().code(), Some(2));
}

#[test]
fn a_second_session_does_not_slip_into_the_folder_of_the_first() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    std::fs::rename(place.path("takes"), place.path("monday")).unwrap();
    take(&place, "Low Tide", 1, 1.5);
    std::fs::rename(place.path("takes"), place.path("tuesday")).unwrap();
    let prep = |more: &[&str]| place.run(&[&["prep"], more].concat());
    assert_eq!(prep(&["monday", "--out", "out"]).status, 0);
    let first = stems(&place, "out");
    refused(
        &place,
        &["prep", "tuesday", "--out", "out"],
        "out",
        "monday",
    );
    refused(
        &place,
        &["check", "tuesday", "--out", "out"],
        "out",
        "monday",
    );
    let ran = prep(&["tuesday", "--out", "out", "--also"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(changed(&first, &stems(&place, "out")), [""; 0]);
    assert_eq!(stems(&place, "out").len(), 2 * first.len());
    let both = |place: &Place| {
        assert_eq!(place.run(&["verify", "out"]).status, 0);
        let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
        let rows = place.json("out/session.json")["tracks"]
            .as_array()
            .unwrap()
            .len();
        assert_eq!(rows, 2 * (KIT.len() - 1) + 2, "{rows}");
        for song in [
            "low-tide_take-01_kick-in",
            "low-tide-tuesday_take-01_kick-in",
        ] {
            assert!(page.contains(song), "{song}");
        }
    };
    both(&place);
    // Each goes on in its own place.
    let all = stems(&place, "out");
    assert_eq!(prep(&["monday", "--out", "out"]).status, 0);
    assert_eq!(prep(&["tuesday", "--out", "out"]).status, 0);
    assert_eq!(stems(&place, "out"), all);
    both(&place);
    // A session that was moved is the same.
    std::fs::rename(place.path("monday"), place.path("archive")).unwrap();
    assert_eq!(prep(&["archive", "--out", "out"]).status, 0);
    assert_eq!(stems(&place, "out"), all);
    // Outputs among the recordings of a session make a mixture of it.
    refused(
        &place,
        &["prep", "archive", "--out", "tuesday"],
        "tuesday",
        "recordings",
    );
    let kick = "tuesday/Low Tide/take 1/Kick In.wav";
    refused(
        &place,
        &["apply", "kick-in", kick, "--out", "tuesday"],
        "tuesday",
        "Kick In.wav",
    );
    refused(
        &place,
        &["demo", "--out", "tuesday"],
        "tuesday",
        "recordings",
    );
}

#[test]
fn edits_of_the_worksheet_are_taken_over_said_and_kept() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let snare = "take-01_snare-top";
    edit(
        &place,
        snare,
        "gain_db",
        "# the singer wants it\ngain_db = -7.5 # for now",
    );
    edit(
        &place,
        "take-02_kick-in",
        "polarity_inverted",
        "polarity_inverted = true",
    );
    let sheet = || std::fs::read_to_string(place.path("out/worksheet.toml")).unwrap();
    let holds = |what: &str| {
        let text = sheet();
        for words in [
            "# the singer wants it",
            "# for now",
            "gain_db = -7.5",
            "polarity_inverted = true",
        ] {
            assert!(text.contains(words), "{what}: no {words} in\n{text}");
        }
    };
    // Neither a check nor another command in the folder loses them.
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stderr.contains("-7.5"), "{}", ran.stderr);
    holds("check");
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    assert_eq!(
        place
            .run(&["apply", "kick-in", kick, "--out", "out"])
            .status,
        0
    );
    assert_eq!(
        place.run(&["shootout", kick, kick, "--out", "out"]).status,
        0
    );
    holds("apply and shootout");
    place.prep(&["--only", "room"], 0);
    holds("a run of another mic");
    // The manifest does not have to be there.
    std::fs::remove_file(place.path("out/manifest-sha256.txt")).unwrap();
    place.prep(&[], 0);
    for run in 0..2 {
        holds(&format!("prep, run {run}"));
        assert_eq!(decision(&place, "take-01", "snare-top", "gain_db"), -7.5);
        assert_eq!(
            decision(&place, "take-02", "kick-in", "polarity_inverted"),
            true
        );
        assert_ne!(decision(&place, "take-02", "snare-top", "gain_db"), -7.5);
        place.prep(&[], 0);
    }
    // What a person gave is no decision of the program.
    place.prep(&["--decide-anew"], 0);
    holds("--decide-anew");
    assert_eq!(decision(&place, "take-01", "snare-top", "gain_db"), -7.5);
    // Without the program's own memory, too.
    std::fs::remove_dir_all(place.path("out/.batterhead")).unwrap();
    place.prep(&[], 0);
    holds("without its memory");
    assert_eq!(decision(&place, "take-01", "snare-top", "gain_db"), -7.5);
}

#[test]
fn a_lost_manifest_is_written_anew_with_all_that_is_ours_and_nothing_else() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    for other in [
        vec!["apply", "kick-in", kick, "--out", "out"],
        vec!["shootout", kick, kick, "--out", "out"],
    ] {
        assert_eq!(place.run(&other).status, 0, "{other:?}");
    }
    place.prep(&[], 0);
    std::fs::write(place.path("out/mine.txt"), "mine").unwrap();
    let manifest = || std::fs::read_to_string(place.path("out/manifest-sha256.txt")).unwrap();
    let before = manifest();
    for name in [
        "Kick In.wav",
        "reports/Kick In.json",
        "a.wav",
        "shootout.html",
    ] {
        assert!(before.contains(&format!("  {name}\n")), "{name}");
    }
    for (what, damage) in [("lost", None), ("damaged", Some("what is this\n"))] {
        match damage {
            None => std::fs::remove_file(place.path("out/manifest-sha256.txt")),
            Some(text) => std::fs::write(place.path("out/manifest-sha256.txt"), text),
        }
        .unwrap();
        place.prep(&[], 0);
        assert_eq!(manifest(), before, "{what}");
        let verified = place.run(&["verify", "out"]);
        assert_eq!(verified.status, 5, "{what}");
        assert!(verified.stdout.contains("mine.txt"), "{}", verified.stdout);
        std::fs::remove_file(place.path("out/mine.txt")).unwrap();
        let verified = place.run(&["verify", "out"]);
        assert_eq!(verified.status, 0, "{what}: {}", verified.stdout);
        std::fs::write(place.path("out/mine.txt"), "mine").unwrap();
    }
    // Without the program's own memory some reports say less, and the list is the same.
    std::fs::remove_dir_all(place.path("out/.batterhead")).unwrap();
    std::fs::remove_file(place.path("out/mine.txt")).unwrap();
    place.prep(&[], 0);
    let names = |manifest: &str| -> Vec<String> {
        let lines = manifest.lines();
        lines
            .map(|line| line.get(66..).unwrap().to_owned())
            .collect()
    };
    assert_eq!(names(&manifest()), names(&before));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    // With both gone nothing says whose files these are: they are left alone.
    std::fs::remove_dir_all(place.path("out/.batterhead")).unwrap();
    std::fs::remove_file(place.path("out/manifest-sha256.txt")).unwrap();
    let prep = ["prep", "takes", "--out", "out"];
    refused(&place, &prep, "out", "Kick In.wav");
}

#[test]
fn a_part_of_a_worksheet_is_enough_and_tracks_that_are_gone_stay_as_comments() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let part = "[track.\"low-tide/take-01/low-tide_take-01_snare-top\"]\ngain_db = -7.5 # softer\n";
    std::fs::write(place.path("part.toml"), part).unwrap();
    place.prep(&["--worksheet", "part.toml"], 0);
    assert_eq!(decision(&place, "take-01", "snare-top", "gain_db"), -7.5);
    let sheet = || std::fs::read_to_string(place.path("out/worksheet.toml")).unwrap();
    assert!(sheet().contains("# softer"), "{}", sheet());
    // A worksheet of which a person left only one line.
    std::fs::write(
        place.path("out/worksheet.toml"),
        part.replace("-7.5", "-8.5"),
    )
    .unwrap();
    place.prep(&[], 0);
    assert_eq!(decision(&place, "take-01", "snare-top", "gain_db"), -8.5);
    std::fs::remove_file(place.path("takes/Low Tide/take 1/SN TOP.wav")).unwrap();
    place.prep(&[], 0);
    place.prep(&[], 0);
    let text = sheet();
    assert!(text.contains("# gain_db = -8.5"), "{text}");
    assert!(text.contains("softer"), "{text}");
    // What cannot be read is not written over.
    std::fs::write(place.path("out/worksheet.toml"), "gain_db = loud\n").unwrap();
    refused(
        &place,
        &["prep", "takes", "--out", "out"],
        "out",
        "worksheet.toml",
    );
    let typo = part
        .replace("snare-top", "snare-tpo")
        .replace("take-01", "take-02");
    std::fs::write(place.path("out/worksheet.toml"), typo).unwrap();
    refused(
        &place,
        &["prep", "takes", "--out", "out"],
        "out",
        "did you mean",
    );
}

#[test]
fn what_was_delivered_stays_when_takes_are_added() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    let first = place.prep(&[], 0);
    assert!(
        !first.stdout.contains("New in this delivery"),
        "{}",
        first.stdout
    );
    let before = stems(&place, "out/stems");
    let mixes = stems(&place, "out/mixes");
    let gain = decision(&place, "take-01", "snare-top", "gain_db");
    take(&place, "Low Tide", 3, 0.5);
    let ran = place.prep(&[], 0);
    assert_eq!(changed(&before, &stems(&place, "out/stems")), [""; 0]);
    assert_eq!(decision(&place, "take-03", "snare-top", "gain_db"), gain);
    assert!(ran.stdout.contains("low-tide take-03"), "{}", ran.stdout);
    let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
    assert!(page.contains("New in this delivery: low-tide take 3"));
    assert_eq!(
        place.json("out/session.json")["new_takes"][0]["take"],
        "take-03"
    );
    assert_eq!(changed(&mixes, &stems(&place, "out/mixes")), [""; 0]);
    // A take that would pass the ceiling does not get the gain of its mic, and that is said.
    take(&place, "Low Tide", 4, 3.9);
    let ran = place.prep(&[], 0);
    assert_eq!(changed(&before, &stems(&place, "out/stems")), [""; 0]);
    assert_ne!(decision(&place, "take-04", "snare-top", "gain_db"), gain);
    assert!(ran.stderr.contains("take-04_snare-top"), "{}", ran.stderr);
    let peak = place.json("out/reports/low-tide/take-04/low-tide_take-04_snare-top.json");
    assert!(peak["after"]["true_peak_dbtp"].as_f64().unwrap() <= -1.0);
    let twice = place.tree("out");
    place.prep(&[], 0);
    assert_eq!(
        place.tree("out"),
        twice,
        "a run without news changed something"
    );
    place.prep(&["--decide-anew=snare-top"], 0);
    let now = changed(&before, &stems(&place, "out/stems"));
    assert!(
        !now.is_empty() && now.iter().all(|name| name.ends_with("snare-top.wav")),
        "{now:?}"
    );
    place.prep(&["--decide-anew"], 0);
    // As if all takes had been there from the beginning.
    std::fs::rename(place.path("out"), place.path("grown")).unwrap();
    place.prep(&[], 0);
    assert_eq!(stems(&place, "out"), stems(&place, "grown"));
}

#[test]
fn a_run_of_a_part_adds_and_takes_nothing_away() {
    let place = Place::new();
    place.session(&["Low Tide", "Iron Meadow"], 2);
    place.prep(&[], 0);
    let before = place.tree("out");
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    let runs: [&[&str]; 4] = [
        &["prep", "takes", "--out", "out", "--only", "snare-top"],
        &["check", "takes", "--out", "out"],
        &["apply", "kick-in", kick, "--out", "out"],
        &["shootout", kick, kick, "--out", "out"],
    ];
    for (n, run) in runs.into_iter().enumerate() {
        let ran = place.run(run);
        assert_eq!(ran.status, 0, "{run:?}: {}", ran.stderr);
        let verified = place.run(&["verify", "out"]);
        assert_eq!(verified.status, 0, "{run:?}: {}", verified.stdout);
        let mut now = changed(&before, &place.tree("out"));
        // What a run was made from is said of the last one; `apply` has rows to add.
        now.retain(|name| !["run.json", "manifest-sha256.txt"].contains(&name.as_str()));
        if n >= 2 {
            now.retain(|name| !["session.json", "session.csv"].contains(&name.as_str()));
        }
        assert_eq!(now, [""; 0], "{run:?}");
    }
    let session = place.json("out/session.json");
    assert_eq!(session["mixes"].as_array().unwrap().len(), 4);
    let rows = session["tracks"].as_array().unwrap();
    assert!(rows.iter().any(|row| row["output"] == "Kick In.wav"));
    // A run of everything lists those, too.
    place.prep(&[], 0);
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
    assert!(page.contains("Kick%20In.wav"));
}

#[test]
fn stems_whose_source_is_gone_are_named_and_go_when_they_are_told_to() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let gone = "stems/low-tide/take-02/low-tide_take-02_snare-top.wav";
    std::fs::remove_file(place.path("takes/Low Tide/take 2/SN TOP.wav")).unwrap();
    let ran = place.prep(&[], 0);
    assert!(
        ran.stdout.contains(gone) && ran.stdout.contains("SN TOP.wav"),
        "{}",
        ran.stdout
    );
    assert!(place.path(&format!("out/{gone}")).is_file());
    assert_eq!(place.json("out/session.json")["left_over"][0]["path"], gone);
    let page = std::fs::read_to_string(place.path("out/session.html")).unwrap();
    assert!(page.contains("Left over") && page.contains(gone));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    let ran = place.prep(&["--prune"], 0);
    assert!(ran.stdout.contains(gone), "{}", ran.stdout);
    for name in [
        gone.to_owned(),
        gone.replace("stems", "reports").replace(".wav", ".json"),
    ] {
        assert!(!place.path(&format!("out/{name}")).exists(), "{name}");
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    assert_eq!(
        place.json("out/session.json")["left_over"]
            .as_array()
            .unwrap()
            .len(),
        0
    );
    assert!(!place.prep(&[], 0).stdout.contains("Left over"));
}

#[cfg(unix)]
#[test]
fn a_second_run_that_was_killed_goes_on_like_a_first_one() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    edit(
        &place,
        "take-01_snare-top",
        "gain_db",
        "gain_db = -7.5 # mine",
    );
    take(&place, "Low Tide", 2, 0.7);
    std::fs::rename(place.path("out"), place.path("first")).unwrap();
    let copy = || {
        let _ = std::fs::remove_dir_all(place.path("out"));
        let copied = std::process::Command::new("cp")
            .args(["-a", "first", "out"])
            .current_dir(place.path(""))
            .status();
        assert!(copied.unwrap().success());
    };
    copy();
    let begun = std::time::Instant::now();
    place.prep(&[], 0);
    let whole = begun.elapsed();
    let expected = place.tree("out");
    for n in 1..=20u32 {
        copy();
        let mut child = program()
            .args(["prep", "takes", "--out", "out", "--quiet"])
            .current_dir(place.path(""))
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole * n / 20);
        let _ = child.kill();
        child.wait().unwrap();
        place.prep(&[], 0);
        assert_eq!(place.tree("out"), expected, "killed at {n} of 20");
    }
}

#[test]
fn a_kept_result_in_the_place_of_another_is_noticed() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let before = place.tree("out");
    let mut kept: Vec<std::path::PathBuf> =
        walkdir::WalkDir::new(place.path("out/.batterhead/cache"))
            .into_iter()
            .map(|entry| entry.unwrap().into_path())
            .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
            .collect();
    // Results of one kind are of about one length.
    kept.sort_by_key(|path| std::fs::metadata(path).unwrap().len());
    for pair in kept.chunks(2) {
        if let [one, two] = pair {
            std::fs::copy(one, two).unwrap();
        }
    }
    let keep = ["stems", "mixes", "reports"].map(|name| place.path(&format!("out/{name}")));
    keep.iter()
        .for_each(|folder| std::fs::remove_dir_all(folder).unwrap());
    place.prep(&[], 0);
    assert_eq!(place.tree("out"), before);
}
