//! The songs of one session shared out over several runs on one output folder.

use std::fs::{self, File};
use std::process::{Child, Command, Stdio};

use super::support::Place;

const SONGS: [&str; 3] = ["Low Tide", "Gravelight", "Ashes"];

fn start(place: &Place, song: &str) -> Child {
    Command::new(env!("CARGO_BIN_EXE_batterhead"))
        .args(["--quiet", "prep", "takes", "--out", "out", "--song", song])
        .current_dir(place.path(""))
        .stderr(Stdio::inherit())
        .spawn()
        .expect("the program starts")
}

/// When each stem was written, by its path.
fn stems(place: &Place) -> Vec<(String, std::time::SystemTime)> {
    let files = place.tree("out/stems").into_iter();
    files
        .map(|(path, _)| {
            let file = place.path(&format!("out/stems/{path}"));
            (path, fs::metadata(file).unwrap().modified().unwrap())
        })
        .collect()
}

/// Shares at the same time, joined, against one run of the whole.
fn joined_is_one_run(place: &Place) {
    let mut shares: Vec<Child> = SONGS.iter().map(|song| start(place, song)).collect();
    for share in &mut shares {
        assert!(share.wait().unwrap().success());
    }
    assert!(!place.path("out/mixes").exists());
    let made = stems(place);
    let join = place.prep(&[], 0);
    assert!(!join.stderr.contains("made again"), "{}", join.stderr);
    assert_eq!(stems(place), made, "a stem was made again");
    let whole = place.run(&["prep", "takes", "--out", "whole"]);
    assert_eq!(whole.status, 0, "{}", whole.stderr);
    assert_eq!(place.tree("out"), place.tree("whole"));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn songs_made_at_the_same_time_and_joined_are_the_bytes_of_one_run() {
    let place = Place::new();
    place.session(&SONGS, 2);
    joined_is_one_run(&place);
    // What the songs' runs noted is in one journal and one ledger now.
    let left: Vec<_> = fs::read_dir(place.path("out/.batterhead/songs"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !name.ends_with(".lock"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
    place.prep(&[], 0);
    assert_eq!(place.tree("out"), place.tree("whole"));
}

#[test]
fn songs_that_share_a_set_up_or_a_level_are_decided_together() {
    for (file, text) in [
        (
            "session.toml",
            "[[setup]]\nname = \"big kit\"\ntakes = [\"low-tide/*\", \"ashes/*\"]\n",
        ),
        ("session.toml", "[presets]\nsnare-top = \"linked.toml\"\n"),
    ] {
        let place = Place::new();
        place.session(&SONGS, 1);
        // A louder snare in one song, so that the others' gain shows whether it was seen.
        for (n, song) in SONGS.iter().enumerate() {
            let mut snare = super::support::KIT[1];
            snare.peak = 0.1 + 0.2 * n as f64;
            place.mic(&format!("takes/{song}/take 1/SN TOP.wav"), &snare, 7);
        }
        fs::write(
            place.path("takes/linked.toml"),
            "about = \"x\"\nmics = [\"snare-top\"]\nstages = []\n[level]\nmeasure = \"sample-peak\"\ntarget = -3.0\nlink = \"session\"\n",
        )
        .unwrap();
        fs::write(place.path(&format!("takes/{file}")), text).unwrap();
        joined_is_one_run(&place);
    }
}

#[test]
fn a_share_that_was_killed_goes_on_and_joins() {
    let place = Place::new();
    place.session(&SONGS[..2], 2);
    let whole = place.run(&["prep", "takes", "--out", "whole"]);
    assert_eq!(whole.status, 0, "{}", whole.stderr);
    let mut killed = 0;
    for n in 0..6 {
        let _ = fs::remove_dir_all(place.path("out"));
        let mut share = start(&place, "low-tide");
        std::thread::sleep(std::time::Duration::from_millis(40 * n));
        killed += u32::from(share.try_wait().unwrap().is_none());
        let _ = share.kill();
        let _ = share.wait();
        // Beside it the other song, then itself once more.
        assert!(start(&place, "gravelight").wait().unwrap().success());
        if n % 2 == 0 {
            assert!(start(&place, "low-tide").wait().unwrap().success());
        }
        place.prep(&[], 0);
        assert_eq!(place.tree("out"), place.tree("whole"), "killed at {n}");
    }
    assert!(killed > 0, "every run was over before it was killed");
}

#[test]
fn a_song_is_held_by_one_run_and_the_folder_by_none_beside_it() {
    let place = Place::new();
    place.session(&SONGS[..2], 1);
    let song = |name: &str| place.run(&["prep", "takes", "--out", "out", "--song", name]);
    assert_eq!(song("Low Tide").status, 0);
    let own = place.path("out/.batterhead");
    {
        let lock = File::open(own.join("songs/low-tide.lock")).unwrap();
        lock.lock().unwrap();
        let refused = song("low-tide");
        assert_eq!(refused.status, 4, "{}", refused.stderr);
        assert!(
            refused.stderr.contains("the song low-tide"),
            "{}",
            refused.stderr
        );
        assert_eq!(song("gravelight").status, 0);
    }
    {
        let lock = File::open(own.join("lock")).unwrap();
        lock.lock_shared().unwrap();
        assert_eq!(song("low-tide").status, 0);
        assert_eq!(place.run(&["prep", "takes", "--out", "out"]).status, 4);
        assert_eq!(place.run(&["check", "takes", "--out", "out"]).status, 4);
    }
    {
        let lock = File::open(own.join("lock")).unwrap();
        lock.lock().unwrap();
        assert_eq!(song("low-tide").status, 4);
    }
}

#[test]
fn a_song_made_anew_takes_nothing_away_from_a_finished_folder() {
    let place = Place::new();
    place.session(&SONGS[..2], 1);
    place.prep(&[], 0);
    let before = place.tree("out");
    let ran = place.prep(&["--song", "gravelight"], 0);
    assert!(ran.stdout.contains("5 stems"), "{}", ran.stdout);
    assert_eq!(place.tree("out"), before);
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn a_song_that_the_session_lacks_is_refused_with_the_nearest() {
    let place = Place::new();
    place.session(&SONGS[..2], 1);
    let refused = place.prep(&["--song", "gravelihgt"], 2);
    assert!(refused.stderr.contains("gravelihgt"), "{}", refused.stderr);
    assert!(
        refused.stderr.contains("`gravelight`"),
        "{}",
        refused.stderr
    );
    assert!(!place.path("out").exists());
    for other in [["--only", "room"], ["--worksheet", "x.toml"]] {
        place.prep(&[&["--song", "low-tide"][..], &other].concat(), 2);
    }
}
