//! Folders of files → songs, takes, tracks. Headers only: most of it needs no file at all.

use std::path::{Path, PathBuf};

use batterhead::audio::{Info, SampleFormat};
use batterhead::remark::Remark;
use batterhead::session::{Session, SessionFile, Track, arrange};
use batterhead::wording::remark;

fn info(frames: u64) -> Info {
    Info {
        rate_hz: 48_000,
        channels: 1,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames,
        time_reference_samples: Some(1_000),
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    }
}

/// The session of these paths (without ending), all of one length.
fn session(paths: &[&str]) -> Session {
    with(paths, "")
}

/// The same with a session file.
fn with(paths: &[&str], toml: &str) -> Session {
    let config = SessionFile::load(toml, "session.toml").unwrap_or_else(|e| panic!("{e}\n{toml}"));
    let files = paths
        .iter()
        .map(|p| (PathBuf::from(format!("{p}.wav")), info(480_000)));
    arrange(Path::new("/takes/Low Tide"), files.collect(), &config).expect("a session")
}

fn tracks(session: &Session) -> Vec<&Track> {
    let takes = session.songs.iter().flat_map(|song| &song.takes);
    takes.flat_map(|take| &take.tracks).collect()
}

/// `song/take: label label …` of each take.
fn takes(session: &Session) -> Vec<String> {
    let mut lines = Vec::new();
    for song in &session.songs {
        for take in &song.takes {
            let labels: Vec<_> = take.tracks.iter().map(|t| t.label.as_str()).collect();
            lines.push(format!("{}/{}: {}", song.slug, take.slug, labels.join(" ")));
        }
    }
    lines
}

/// Every spelling with what it is taken for when it is the only file. `!`: taken, and noted;
/// `?`: an unknown mic with this proposal.
/// Common practice, no source.
const SPELLINGS: [(&str, &str); 60] = [
    ("Kick In", "kick-in"),
    ("BD In", "kick-in"),
    ("KIK_IN_01-23", "! kick-in"),
    ("Kick.05_12", "! kick-in"),
    ("BD", "! kick-in"),
    ("BD.dup1", "? kick-in"),
    ("KickOut", "kick-out"),
    ("Kik Front", "kick-out"),
    ("Kick Hole", "? kick-out"),
    ("Kick Sub", "kick-sub"),
    ("Kick R", "? kick-in-2"),
    ("Kick Beater", "? kick-in"),
    ("SN TOP", "snare-top"),
    ("Snr_Tp", "snare-top"),
    ("SD", "! snare-top"),
    ("sn btm", "snare-bottom"),
    ("snr u", "snare-bottom"),
    ("Under", "? snare-bottom"),
    ("SN Shell", "snare-side"),
    ("Side Snare", "? snare-top-2"),
    ("Tom 1", "tom-1"),
    ("T2", "? tom-2"),
    ("Song_T03_SN TOP", "snare-top"),
    ("Rack", "tom-1"),
    ("Rack Lo", "! tom-1"),
    ("Floor", "? tom-1"),
    ("FT", "? tom-1"),
    ("FLR 2", "? tom-2"),
    ("Tom 10", "! tom-1"),
    ("16in", "? tom-1"),
    ("Hi Tom", "tom-1"),
    ("Mid", "? tom-2"),
    ("RT", "? tom-1"),
    ("Tom1 Btm", "? tom-1-2"),
    ("HH", "hat"),
    ("Hats", "hat"),
    ("Hat 2", "? hat-2"),
    ("RD", "ride"),
    ("Ride Bell", "ride"),
    ("CHN R", "china-r"),
    ("Spl", "splash"),
    ("CR L", "crash-l"),
    ("Crash 2", "! crash-2"),
    ("Stack", "! cymbal"),
    ("OHL", "overhead-l"),
    ("OH 1", "? overhead-l"),
    ("OHSL", "? overhead-l"),
    ("OH Ride", "? overhead-r"),
    ("Mono OH", "overhead-c"),
    ("Rm", "room"),
    ("Mono Rm", "room-c"),
    ("Amb L", "room-l"),
    ("Rm Cls R", "room-near-r"),
    ("Far L", "room-far-l"),
    ("Rm Hi L", "room-high-l"),
    ("Floor Rm", "? room"),
    ("Knee", "? room-near"),
    ("Crotch", "? room-near"),
    ("TB", "talkback"),
    ("Met", "click"),
];

#[test]
fn sixty_spellings_are_taken_for_what_people_mean() {
    let mut wrong = Vec::new();
    for (name, want) in SPELLINGS {
        let session = session(&[name]);
        let tracks = tracks(&session);
        let [track] = tracks[..] else {
            panic!("one track of {name}")
        };
        let got = match track.candidates.first() {
            Some(proposal) => format!("? {proposal}"),
            None if track.notes.iter().any(|n| !n.ask) => format!("! {}", track.label),
            None => track.label.clone(),
        };
        if got != want {
            wrong.push(format!("{name}: {got}, not {want}"));
        }
        let asked = track.notes.iter().any(|note| note.ask);
        assert_eq!(track.mic.is_unknown(), want.starts_with('?'), "{name}");
        assert_eq!(asked, want.starts_with('?'), "{name}");
        assert_eq!(
            track.side.is_some(),
            !track.mic.is_unknown()
                && track.label.ends_with(['l', 'r', 'c'])
                && track.label.as_bytes()[track.label.len() - 2] == b'-',
            "{name}"
        );
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_take_number_stands_in_many_places() {
    let want = ["low-tide/take-03: kick-in snare-top overhead"];
    for paths in [
        [
            "Low Tide_T03_Kick In",
            "Low Tide_T03_SN TOP",
            "Low Tide_T03_OHL",
            "Low Tide_T03_OHR",
        ],
        [
            "Low Tide/Take 3/Kick In",
            "Low Tide/Take 3/SN TOP",
            "Low Tide/Take 3/OHL",
            "Low Tide/Take 3/OHR",
        ],
        [
            "Low Tide/03/Kick In",
            "Low Tide/03/SN TOP",
            "Low Tide/03/OH L",
            "Low Tide/03/OH R",
        ],
        [
            "Low Tide T3/Kick In",
            "Low Tide T3/SN TOP",
            "Low Tide T3/OH L",
            "Low Tide T3/OH R",
        ],
        ["Kick In_03", "SN TOP_03", "OH L_03", "OH R_03"],
        ["Kick In 3", "SN TOP 3", "OH L 3", "OH R 3"],
        [
            "Low Tide/Kick In-03",
            "Low Tide/SN TOP-03",
            "Low Tide/OHL-03",
            "Low Tide/OHR-03",
        ],
        ["take3_kick in", "take3_SNTOP", "take3_oh_l", "take3_oh_r"],
        [
            "LowTide_KickIn_T03",
            "low_tide_sn_top_tk3",
            "LowTide_OHL_T03",
            "LowTide_OHR_T03",
        ],
        [
            "Day 1/Low Tide/Take 3/audio/Kick In",
            "Day 1/Low Tide/Take 3/audio/SN TOP",
            "Day 1/Low Tide/Take 3/Overheads/L",
            "Day 1/Low Tide/Take 3/Overheads/R",
        ],
    ] {
        assert_eq!(takes(&session(&paths)), want, "{paths:?}");
    }
}

#[test]
fn songs_that_have_only_a_number_yet_stay_apart() {
    let paths = [
        "Song 1/Take 1/Kick In",
        "Song 1/Take 1/SN TOP",
        "Song 1/Take 2/Kick In",
        "Song 1/Take 2/SN TOP",
        "Day 2/Song 02/Take 1/Kick In",
        "Day 2/Song 02/Take 1/SN TOP",
    ];
    let want = [
        "song-02/take-01: kick-in snare-top",
        "song-1/take-01: kick-in snare-top",
        "song-1/take-02: kick-in snare-top",
    ];
    assert_eq!(takes(&session(&paths)), want);
}

#[test]
fn takes_of_a_flat_folder_are_told_apart_by_the_number_at_the_end() {
    let paths = [
        "Kick In_01",
        "SN TOP_01",
        "Tom 1_01",
        "Tom 2_01",
        "Kick In_02",
        "SN TOP_02",
        "Tom 1_02",
        "Tom 2_02",
    ];
    let want = [
        "low-tide/take-01: kick-in snare-top tom-1 tom-2",
        "low-tide/take-02: kick-in snare-top tom-1 tom-2",
    ];
    assert_eq!(takes(&session(&paths)), want);
}

#[test]
fn numbers_of_mics_are_not_takes() {
    let paths = [
        "Kick In", "SN TOP", "Tom 1", "Tom 2", "Crash 1", "Crash 2", "SN TOP 2",
    ];
    let want = ["low-tide/take-01: kick-in snare-top snare-top-2 tom-1 tom-2 crash crash-2"];
    assert_eq!(takes(&session(&paths)), want);
    // Beside numbers of takes that are written alike, too, if they are others.
    let paths = ["Kick In 3", "SN TOP 3", "Tom 1", "Tom 2"];
    let got = takes(&session(&paths));
    assert_eq!(got, ["low-tide/take-03: kick-in snare-top tom-1 tom-2"]);
}

#[test]
fn a_number_is_a_take_only_if_start_and_length_agree() {
    let config = SessionFile::default();
    let lengths = [
        ("Kick In_01", 9_000_000),
        ("SN TOP_01", 2_000_000),
        ("Hat_01", 5_000_000),
        ("Kick In_02", 100_000),
        ("SN TOP_02", 800_000),
        ("Hat_02", 3_000_000),
    ];
    let files = lengths.map(|(p, frames)| (PathBuf::from(format!("{p}.wav")), info(frames)));
    let session = arrange(Path::new("Low Tide"), files.to_vec(), &config).expect("a session");
    assert_eq!(
        takes(&session),
        ["low-tide/take-01: kick-in kick-in-2 snare-top snare-top-2 hat hat-2"]
    );
    assert!(
        tracks(&session)
            .iter()
            .all(|t| t.notes.iter().any(|n| n.ask))
    );
    // One short file does not undo the take: it is the one that is wrong.
    let lengths = [
        ("Kick In_01", 480_000),
        ("SN TOP_01", 480_000),
        ("Hat_01", 5_000),
    ];
    let files = lengths.map(|(p, frames)| (PathBuf::from(format!("{p}.wav")), info(frames)));
    let session = arrange(Path::new("Low Tide"), files.to_vec(), &config).expect("a session");
    assert_eq!(takes(&session), ["low-tide/take-01: kick-in snare-top hat"]);
}

#[test]
fn lanes_are_takes_only_if_mics_share_them() {
    let shared = [
        "Kick.05_12",
        "SN TOP.05_13",
        "Hat.05_11",
        "Kick.06_14",
        "SN TOP.06_15",
        "Hat.06_13",
    ];
    let want = [
        "low-tide/take-05: kick-in snare-top hat",
        "low-tide/take-06: kick-in snare-top hat",
    ];
    assert_eq!(takes(&session(&shared)), want);
    let alone = ["Kick.05_12", "SN TOP.06_13"];
    assert_eq!(
        takes(&session(&alone)),
        ["low-tide/take-01: kick-in snare-top"]
    );
}

#[test]
fn songs_come_from_folders_and_from_names() {
    let both = [
        "Low Tide_T01_Kick In",
        "Low Tide_T01_SN TOP",
        "Gravelight_T01_Kick In",
        "Gravelight_T02_Kick In",
        "loose click",
    ];
    let got = takes(&session(&both));
    assert_eq!(
        got,
        [
            "gravelight/take-01: kick-in",
            "gravelight/take-02: kick-in",
            "low-tide/take-01: kick-in snare-top click"
        ]
    );
    let spelled = [
        "Low Tide/T1/Kick In",
        "low_tide/T2/KIK IN",
        "LOW-TIDE_T03_BD In",
        "Low Tide/T1/SN TOP",
    ];
    let want = [
        "low-tide/take-01: kick-in snare-top",
        "low-tide/take-02: kick-in",
        "low-tide/take-03: kick-in",
    ];
    assert_eq!(takes(&session(&spelled)), want);
    let words_of_mics = [
        "Under the Floor/Take 1/Under the Floor_Kick In",
        "Under the Floor/Take 1/Under the Floor_SN TOP",
    ];
    assert_eq!(
        takes(&session(&words_of_mics)),
        ["under-the-floor/take-01: kick-in snare-top"]
    );
    let initials = ["Gravelight/ab Kick In", "Gravelight/ab SN TOP"];
    assert_eq!(
        takes(&session(&initials)),
        ["gravelight/take-01: kick-in snare-top"]
    );
    let letters = ["雨/Kick In", "雪/Kick In"];
    let got = session(&letters);
    assert_eq!(
        takes(&got),
        ["song/take-01: kick-in", "song-2/take-01: kick-in"]
    );
    assert!(remark(&got.notes[0]).contains("song-2"));
}

#[test]
fn takes_of_two_folders_that_are_numbered_alike_are_kept_apart() {
    let got = session(&[
        "Day 1/Low Tide/Take 1/Kick In",
        "Day 2/Low Tide/Take 1/Kick In",
    ]);
    assert_eq!(
        takes(&got),
        ["low-tide/take-01: kick-in", "low-tide/take-01-2: kick-in"]
    );
    assert!(remark(&got.notes[0]).contains("Day 2"), "{:?}", got.notes);
}

#[test]
fn a_comp_is_a_take_of_its_own() {
    let got = session(&[
        "Low Tide_comp_Kick In",
        "Low Tide_comp_SN TOP",
        "Low Tide_T01_Kick In",
    ]);
    assert_eq!(
        takes(&got),
        [
            "low-tide/take-01: kick-in",
            "low-tide/comp: kick-in snare-top"
        ]
    );
}

#[test]
fn floor_toms_are_numbered_on_after_the_racks_once_per_set_up() {
    let got = session(&[
        "T01_Rack 1",
        "T01_Rack 2",
        "T01_Floor",
        "T02_Rack 1",
        "T02_Floor",
        "T02_FLR 2",
    ]);
    let want = [
        "low-tide/take-01: tom-1 tom-2 tom-3",
        "low-tide/take-02: tom-1 tom-3 tom-4",
    ];
    assert_eq!(takes(&got), want);
    let sizes = session(&["Tom 14", "Tom 10", "Tom 12", "Floor 18", "Floor 16"]);
    let files: Vec<_> = tracks(&sizes)
        .iter()
        .map(|t| t.sources[0].path.to_string_lossy().into_owned())
        .collect();
    assert_eq!(
        files,
        [
            "Tom 10.wav",
            "Tom 12.wav",
            "Tom 14.wav",
            "Floor 16.wav",
            "Floor 18.wav"
        ]
    );
    let three = session(&["Hi Tom", "Mid Tom", "Low Tom", "Floor Tom"]);
    let files: Vec<_> = tracks(&three)
        .iter()
        .map(|t| t.sources[0].path.to_string_lossy().into_owned())
        .collect();
    assert_eq!(
        files,
        ["Hi Tom.wav", "Mid Tom.wav", "Low Tom.wav", "Floor Tom.wav"]
    );
    let two_spellings = session(&[
        "T01_Tom 1",
        "T01_Tom 2",
        "T01_Tom 3",
        "T02_Tom 1",
        "T02_Tom 2",
        "T02_Floor",
    ]);
    assert_eq!(
        takes(&two_spellings)[1],
        "low-tide/take-02: tom-1 tom-2 tom-3"
    );
    let many: Vec<String> = (1..=7).map(|n| format!("Tom {n}")).collect();
    let many = session(&many.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(tracks(&many)[6].mic.is_unknown());
}

#[test]
fn set_ups_of_the_session_file_number_their_own_toms() {
    let toml = "[[setup]]\nname = \"small\"\ntakes = [\"low-tide/take-02\"]\n";
    let got = with(
        &[
            "T01_Rack 1",
            "T01_Rack 2",
            "T01_Floor",
            "T02_Rack",
            "T02_Floor",
        ],
        toml,
    );
    let want = [
        "low-tide/take-01: tom-1 tom-2 tom-3",
        "low-tide/take-02: tom-1 tom-2",
    ];
    assert_eq!(takes(&got), want);
    assert_eq!(got.songs[0].takes[1].setup, "small");
    assert_eq!(got.songs[0].takes[0].setup, "low-tide");
}

#[test]
fn only_overheads_and_rooms_become_pairs() {
    let got = session(&[
        "OHL", "OHR", "Mono OH", "Rm Far L", "Rm Far R", "CR L", "CR R", "Amb L",
    ]);
    assert_eq!(
        takes(&got),
        ["low-tide/take-01: crash-l crash-r overhead overhead-c room-l room-far"]
    );
    let tracks = tracks(&got);
    let overhead = tracks
        .iter()
        .find(|t| t.label == "overhead")
        .expect("a pair");
    let files: Vec<_> = overhead
        .sources
        .iter()
        .map(|s| s.path.to_string_lossy().into_owned())
        .collect();
    assert_eq!(
        (files, overhead.side, overhead.channels()),
        (vec!["OHL.wav".into(), "OHR.wav".into()], None, 2)
    );
    let split = with(&["OHL", "OHR"], "pairs = \"split\"");
    assert_eq!(takes(&split), ["low-tide/take-01: overhead-l overhead-r"]);
}

#[test]
fn sides_that_do_not_fit_stay_two_mono_tracks() {
    let rate = Info {
        rate_hz: 44_100,
        ..info(480_000)
    };
    let elsewhere = Info {
        time_reference_samples: Some(900_000_000),
        ..info(480_000)
    };
    let no_clock = Info {
        time_reference_samples: None,
        ..info(400_000)
    };
    let wide = Info {
        channels: 2,
        ..info(480_000)
    };
    for (right, what) in [
        (no_clock, "differ in length by 80000 frames (1.7 s)"),
        (rate, "differ in sample rate"),
        (elsewhere, "differ in start"),
        (wide, "stereo"),
    ] {
        let files = vec![
            ("OH L.wav".into(), info(480_000)),
            ("OH R.wav".into(), right),
        ];
        let got = arrange(Path::new("x"), files, &SessionFile::default()).expect("a session");
        assert_eq!(takes(&got), ["x/take-01: overhead-l overhead-r"]);
        for track in tracks(&got) {
            let mismatch = track.notes.iter().find(|note| {
                let code = note.finding.as_ref().map(|kind| kind.code());
                code == Some(batterhead::finding::Code::PairMismatch)
            });
            let note = mismatch.unwrap_or_else(|| panic!("{what}: {:?}", track.notes));
            assert!(note.ask && note.text.contains(what), "{note:?}");
        }
    }
}

#[test]
fn the_same_mic_twice_is_kept_numbered_and_said() {
    let got = session(&["Kick In", "kik_in", "OH L", "OH R", "ohl", "ohr"]);
    assert_eq!(
        takes(&got),
        ["low-tide/take-01: kick-in kick-in-2 overhead overhead-2"]
    );
    let second = tracks(&got)[1];
    assert!(
        second
            .notes
            .iter()
            .any(|n| n.ask && n.text.contains("kick-in")),
        "{:?}",
        second.notes
    );
}

#[test]
fn a_word_alone_is_the_usual_mic_only_if_that_is_free() {
    let got = session(&["BD", "Kick In", "SD", "Snare Top"]);
    let unknown: Vec<_> = tracks(&got)
        .iter()
        .filter(|t| t.mic.is_unknown())
        .map(|t| t.candidates[0].clone())
        .collect();
    assert_eq!(unknown, ["kick-out", "snare-bottom"]);
    assert_eq!(
        takes(&session(&["BD", "Kick Out", "SD", "Snare Btm"])),
        ["low-tide/take-01: kick-in kick-out snare-top snare-bottom"]
    );
}

#[test]
fn a_room_that_says_it_is_distorted_is_not_driven_again() {
    let got = session(&["Rm Far L", "Rm Far R", "Room Trash"]);
    let tracks = tracks(&got);
    let trash = tracks.iter().find(|t| t.already_driven).expect("one");
    assert_eq!(trash.label, "room");
    assert!(trash.notes.iter().any(|n| n.ask));
    let config = SessionFile::default();
    let derived = config.derived_of(&got.songs[0].takes[0]);
    assert_eq!((derived.len(), derived[0].of.as_str()), (1, "room-far"));
    let only = session(&["Dirt Room", "Kick In"]);
    assert!(config.derived_of(&only.songs[0].takes[0]).is_empty());
    let off = SessionFile::load("derived = []", "x").expect("right");
    assert!(off.derived_of(&got.songs[0].takes[0]).is_empty());
}

#[test]
fn the_mix_places_mics_by_the_table_the_view_and_the_session_file() {
    let got = session(&[
        "OHL", "OHR", "CR L", "CR R", "HH", "Amb L", "Mono Rm", "Met", "Crash 2", "Kick In",
    ]);
    let pan = |toml: &str, label: &str| {
        let config = SessionFile::load(toml, "x").expect("right");
        let tracks = tracks(&got);
        let track = tracks.iter().find(|t| t.label == label).expect("a track");
        config.place_of(track).map(|place| place.pan)
    };
    assert_eq!(pan("", "overhead"), Some((-100.0, 100.0)));
    assert_eq!(pan("", "crash-l"), Some((-60.0, -60.0)));
    assert_eq!(pan("", "crash-r"), Some((60.0, 60.0)));
    assert_eq!(pan("", "crash-2"), Some((-60.0, -60.0)));
    assert_eq!(pan("", "room-l"), Some((-100.0, -100.0)));
    assert_eq!(pan("", "room-c"), Some((0.0, 0.0)));
    assert_eq!(pan("", "click"), None);
    assert_eq!(pan("mix.view = \"audience\"", "hat"), Some((45.0, 45.0)));
    assert_eq!(
        pan("mix.view = \"audience\"", "overhead"),
        Some((100.0, -100.0))
    );
    assert_eq!(
        pan("mix.view = \"audience\"\nmix.left-handed = true", "hat"),
        Some((-45.0, -45.0))
    );
    assert_eq!(pan("mix.mic.hat.pan = -20", "hat"), Some((-20.0, -20.0)));
    assert_eq!(
        pan("mix.mic.overhead.pan = 30", "overhead"),
        Some((-70.0, 100.0))
    );
    assert_eq!(
        pan("mix.mic.click.fader_db = -20", "click"),
        Some((0.0, 0.0))
    );
    assert!(pan("", "kick-in").is_some());
}

#[test]
fn a_file_with_many_channels_is_a_mono_track_a_channel() {
    let files = || {
        vec![(
            "Low Tide_T04.wav".into(),
            Info {
                channels: 4,
                ..info(480_000)
            },
        )]
    };
    let toml = "inputs = [{ channel = 1, mic = \"kick-in\" }, { channel = 2, mic = \"overhead-l\" }, { channel = 3, mic = \"overhead-r\" }]";
    let config = SessionFile::load(toml, "x").expect("right");
    let got = arrange(Path::new("x"), files(), &config).expect("a session");
    assert_eq!(
        takes(&got),
        ["low-tide/take-04: kick-in overhead low-tide-t04-ch-04"]
    );
    let all = tracks(&got);
    assert_eq!((all[1].channels(), all[1].sources[1].channel), (2, Some(2)));
    assert!(all[2].mic.is_unknown() && all[2].notes[0].ask);
    let bare = arrange(Path::new("x"), files(), &SessionFile::default()).expect("a session");
    assert_eq!(tracks(&bare).len(), 4);
    let named = |name: &str| {
        let files = vec![(
            PathBuf::from(name),
            Info {
                channels: 8,
                ..info(480_000)
            },
        )];
        let got = arrange(Path::new("x"), files, &SessionFile::default()).expect("a session");
        format!("{}/{}", got.songs[0].slug, got.songs[0].takes[0].slug)
    };
    assert_eq!(named("Low Tide_03.wav"), "low-tide/take-03");
    assert_eq!(named("Deep Floor take 2.wav"), "deep-floor/take-02");
    assert_eq!(named("Gravelight.wav"), "gravelight/take-01");
    assert_eq!(named("REC_0007.wav"), "x/take-07");
    assert_eq!(named("Gravelight/Take 4/all.wav"), "gravelight/take-04");
}

#[test]
fn the_session_file_overrules_names_and_patterns() {
    let toml = "pattern = \"{take}-{song}/{mic}\"\ninputs = [{ file = \"knee*\", mic = \"room-near\" }, { file = \"*spare*\", skip = true }, { file = \"gone\", mic = \"hat\" }]\n[words]\nhoop = \"snare-side\"\n[presets]\nchina = \"x\"\n";
    let got = with(
        &[
            "3-Low Tide/Knee",
            "3-Low Tide/Hoop",
            "3-Low Tide/spare 1",
            "3-Low Tide/OH L",
        ],
        toml,
    );
    assert_eq!(
        takes(&got),
        ["low-tide/take-03: snare-side overhead-l room-near"]
    );
    assert_eq!(got.skipped[0].reason, Remark::LeftOutBySessionFile);
    assert!(got.notes.iter().any(|n| remark(n).contains("gone")));
    assert!(got.notes.iter().any(|n| remark(n).contains("china")));
}

#[test]
fn an_unknown_mic_keeps_its_files_name() {
    let got = session(&[
        "Low Tide_T03_Wobble X9",
        "Low Tide_T03_Kick In",
        "Low Tide_T03_X57",
    ]);
    assert_eq!(
        takes(&got),
        ["low-tide/take-03: kick-in low-tide-t03-wobble-x9 low-tide-t03-x57"]
    );
    let names: Vec<_> = tracks(&got).iter().map(|t| t.name.clone()).collect();
    assert_eq!(names[0], "low-tide_take-03_kick-in");
    assert_eq!(names[1], "low-tide_take-03_low-tide-t03-wobble-x9");
    assert_eq!(tracks(&got)[1].mic.name(), "unknown-mic");
}

#[test]
fn names_of_outputs_are_checked_before_anything_is_written() {
    let config = SessionFile::load("[naming]\ntemplate = \"{song}_{take}\"", "x").expect("right");
    let files = vec![("Kick In.wav".into(), info(1)), ("Hat.wav".into(), info(1))];
    let error = arrange(Path::new("x"), files, &config).expect_err("a collision");
    assert_eq!(error.kind.exit_status(), 2);
    assert!(error.reason.contains("`kick-in` and `hat`"), "{error}");
}

#[test]
fn the_order_of_the_files_does_not_matter() {
    let names = [
        "a/Kick",
        "a/Kick In",
        "b_T01_OHL",
        "b_T01_OHR",
        "b_T02_Floor",
        "c/Tom 10",
        "c/Tom 12_01",
        "Knee",
        "x_03",
        "Rack_03",
    ];
    let files: Vec<_> = names
        .iter()
        .map(|p| (PathBuf::from(format!("{p}.wav")), info(480_000)))
        .collect();
    let want = format!(
        "{:?}",
        arrange(Path::new("x"), files.clone(), &SessionFile::default()).expect("a session")
    );
    for turn in 1..files.len() {
        let mut files = files.clone();
        files.rotate_left(turn);
        files.swap(0, turn);
        let got = format!(
            "{:?}",
            arrange(Path::new("x"), files, &SessionFile::default()).expect("a session")
        );
        assert_eq!(got, want);
    }
}

#[test]
fn odd_names_are_kept_and_shown_safely() {
    use batterhead::session::table;
    let long = "x".repeat(250);
    let odd = [
        "-rf",
        "a\nb",
        "\u{1b}[31mred",
        "=1+1",
        "con",
        "Café",
        "Cafe\u{301}",
        "kick in",
        "KICK IN",
        &long,
        "a. ",
        "%s#?\"'<>|",
        "\u{202e}gnp",
    ];
    let got = session(&odd);
    let tracks = tracks(&got);
    assert_eq!(tracks.len(), odd.len());
    for track in &tracks {
        let portable =
            |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '-' | '_');
        assert!(
            track.name.chars().all(portable) && track.name.len() <= 200,
            "{}",
            track.name
        );
    }
    let text = table::text(&got, 96);
    assert!(!text.contains(['\u{1b}', '\u{202e}', '\r']));
    serde_json::to_string(&table::json(&got)).expect("json");
}

/// Empty takes and whatever else people put beside them, on a disk.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new(wavs: &[&str]) -> Self {
        let folder = Self(tempfile::tempdir().expect("a folder"));
        wavs.iter().for_each(|name| folder.wav(name));
        folder
    }
    fn root(&self) -> &Path {
        self.0.path()
    }
    fn file(&self, name: &str, bytes: &[u8]) {
        let path = self.root().join(name);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
        std::fs::write(path, bytes).expect("written");
    }
    fn wav(&self, name: &str) {
        self.file(name, b"");
        let spec = crate::support::pcm(1, 48_000, 16);
        let mut wav = hound::WavWriter::create(self.root().join(name), spec).expect("a file");
        (0..480).for_each(|i| wav.write_sample(i as i16).expect("written"));
        wav.finalize().expect("written");
    }
    fn scan(&self) -> Session {
        let (root, config) = batterhead::session::open(self.root()).expect("a session");
        batterhead::session::scan(&root, &config).expect("a session")
    }
}

fn reasons(session: &Session) -> Vec<String> {
    let skipped = session
        .skipped
        .iter()
        .map(|s| format!("{}: {}", s.path.display(), remark(&s.reason)));
    let failed = session
        .failed
        .iter()
        .map(|f| format!("! {}: {}", f.path.display(), f.reason));
    skipped.chain(failed).collect()
}

#[test]
fn a_folder_is_scanned_with_reasons_for_what_is_left_out() {
    let folder = Folder::new(&[
        "Low Tide/T1/Kick In.wav",
        "Low Tide/T1/SN TOP.WAV",
        "Low Tide/T1/.hidden.wav",
    ]);
    folder.file("notes.txt", b"takes of today");
    folder.file("Low Tide/T1/._Kick In.wav", b"twin");
    folder.file("Low Tide/T1/Hat.wav", b"RIFF");
    folder.file("rough.mp3", b"x");
    folder.file("session.toml", b"");
    folder.file("old/.batterhead/x", b"");
    folder.wav("old/stems/Kick In.wav");
    folder.file("older/manifest-sha256.txt", b"");
    folder.file(
        "older/session.json",
        b"{\"schema\":1,\"tool\":\"batterhead 0.1.0\"}",
    );
    folder.wav("older/stems/Kick In.wav");
    let got = folder.scan();
    assert_eq!(takes(&got), ["low-tide/take-01: kick-in snare-top"]);
    let reasons = reasons(&got);
    assert_eq!(
        reasons[..4],
        [
            "notes.txt: not a sound file",
            "old: an output folder of this program",
            "older: an output folder of this program",
            "rough.mp3: a sound format that cannot be read: convert it to WAV",
        ]
    );
    assert!(
        reasons[4].starts_with("! Low Tide/T1/Hat.wav: "),
        "{reasons:?}"
    );
    assert_eq!(reasons.len(), 5);
}

#[test]
fn folders_without_sound_are_an_error_that_says_what_is_there() {
    use batterhead::session::{SessionFile, scan};
    let config = SessionFile::default();
    let empty = Folder::new(&[]);
    let error = scan(empty.root(), &config).expect_err("empty");
    assert_eq!(error.kind.exit_status(), 2);
    empty.file("a.txt", b"");
    empty.file(".b.wav", b"");
    let error = scan(empty.root(), &config).expect_err("no sound");
    assert!(error.hint.expect("a hint").starts_with("1 other file"));
    let error = scan(&empty.root().join("none"), &config).expect_err("missing");
    assert_eq!(error.kind.exit_status(), 2);
    let error = batterhead::session::open(&empty.root().join("none")).expect_err("missing");
    assert_eq!(error.kind.exit_status(), 2);
}

#[test]
fn a_session_file_names_its_folder() {
    let folder = Folder::new(&["takes/Kick In.wav"]);
    folder.file("plans/x.toml", b"folder = \"../takes\"\npairs = \"split\"");
    let (root, config) =
        batterhead::session::open(&folder.root().join("plans/x.toml")).expect("a session");
    let got = batterhead::session::scan(&root, &config).expect("a session");
    assert_eq!(takes(&got), ["takes/take-01: kick-in"]);
    folder.file("plans/x.toml", b"folder = \"../gone\"");
    assert!(batterhead::session::open(&folder.root().join("plans/x.toml")).is_err());
    folder.file("takes/session.toml", b"piars = \"split\"");
    let error = batterhead::session::open(&folder.root().join("takes")).expect_err("a fault");
    assert!(
        error.to_string().contains("did you mean `pairs`?"),
        "{error}"
    );
}

#[cfg(unix)]
#[test]
fn links_pipes_and_deep_folders_are_left_out_with_reasons() {
    use std::os::unix::fs::symlink;
    let folder = Folder::new(&["Kick In.wav"]);
    let outside = Folder::new(&["Hat.wav"]);
    let root = folder.root();
    symlink(".", root.join("loop")).expect("a link");
    symlink("Kick In.wav", root.join("again.wav")).expect("a link");
    symlink(outside.root().join("Hat.wav"), root.join("Hat.wav")).expect("a link");
    symlink("none", root.join("none.wav")).expect("a link");
    symlink("/dev/zero", root.join("zero.wav")).expect("a link");
    std::fs::hard_link(root.join("Kick In.wav"), root.join("Twin.wav")).expect("a link");
    let made = std::process::Command::new("mkfifo")
        .arg(root.join("pipe.wav"))
        .status();
    assert!(made.expect("mkfifo").success());
    let deep = "d/".repeat(40);
    folder.wav(&format!("{deep}SN TOP.wav"));
    let got = folder.scan();
    assert_eq!(tracks(&got).len(), 1);
    let reasons = reasons(&got).join("\n");
    for part in [
        "loop: a link to something in this folder",
        "again.wav: a link to something in this folder",
        "Hat.wav: a link out of the session folder",
        "none.wav: a link to nothing",
        "zero.wav: a link out of the session folder",
        "Twin.wav: the same file as Kick In.wav",
        "pipe.wav: not a file",
        "d/d: a folder too deep",
    ] {
        assert!(reasons.contains(part), "{part} is not in\n{reasons}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn names_that_are_not_utf8_are_scanned_and_kept() {
    use std::os::unix::ffi::OsStrExt;
    let folder = Folder::new(&["Kick In.wav"]);
    let odd = std::ffi::OsStr::from_bytes(b"SN TOP \xff.wav");
    std::fs::copy(folder.root().join("Kick In.wav"), folder.root().join(odd)).expect("copied");
    let got = folder.scan();
    assert_eq!(takes(&got)[0].split(": ").nth(1), Some("kick-in snare-top"));
    assert_eq!(tracks(&got)[1].sources[0].path.as_os_str(), odd);
    let json = serde_json::to_string(&batterhead::session::table::json(&got)).expect("json");
    assert!(json.contains("\"path_b64\":\"U04gVE9QIP8ud2F2\""), "{json}");
}

#[test]
fn a_thousand_takes_of_twenty_mics_are_arranged() {
    let mics = [
        "Kick In", "Kick Out", "SN TOP", "SN BTM", "Tom 1", "Tom 2", "Floor", "HH", "RD", "CHN",
        "Spl", "CR L", "CR R", "OHL", "OHR", "Rm L", "Rm R", "Far L", "Far R", "TB",
    ];
    let mut files = Vec::new();
    for take in 1..=1000 {
        for mic in mics {
            files.push((PathBuf::from(format!("{mic}_{take:04}.wav")), info(480_000)));
        }
    }
    let got = arrange(Path::new("x"), files, &SessionFile::default()).expect("a session");
    assert_eq!(got.songs[0].takes.len(), 1000);
    assert!(
        got.songs[0]
            .takes
            .iter()
            .all(|take| take.tracks.len() == 17)
    );
}

#[test]
fn the_grid_shows_gaps_and_unknown_names() {
    let paths = [
        "T01_Kick In",
        "T01_SN TOP",
        "T01_OHL",
        "T01_OHR",
        "T02_Kick In",
        "T02_OHL",
        "T02_OHR",
        "T02_Knee",
    ];
    let text = batterhead::session::table::text(&session(&paths), 96);
    let want = "\
1 song, 2 takes, 6 tracks; 48000 Hz 24 bit
* all takes, - none, ! look at it (below); 1 mono, 2 stereo

                    low-tide
  takes             01-02
  kick-in        1  *
  snare-top      1  01
  overhead       2  *
  unknown-mic    1  !02

Unknown: put what is right into session.toml
inputs = [
  # room-near or room-c: a mic at the player's knee hears the whole kit from near
  { file = \"T02_Knee\", mic = \"room-near\" },
]
";
    assert!(text.starts_with(want), "{text}");
}

#[test]
fn sixty_takes_of_twenty_four_mics_fit_one_screen() {
    let mics = [
        "Kick In", "Kick Out", "Kick Sub", "SN TOP", "SN BTM", "Rack 1", "Rack 2", "Rack 3",
        "FLR 1", "FLR 2", "HH", "RD", "CHN L", "CHN R", "Spl", "CR L", "CR R", "OHL", "OHR",
        "Rm L", "Rm R", "Far L", "Far R", "TB", "Met", "Hi Rm L", "Hi Rm R", "Knee",
    ];
    let songs = [("Gravel Choir", 18), ("Tin Harp", 22), ("Salt Ladder", 20)];
    let mut paths = Vec::new();
    for (song, takes) in songs {
        for take in 1..=takes {
            let there = mics.iter().filter(|mic| **mic != "CHN L" || take % 7 != 3);
            paths.extend(there.map(|mic| format!("{song}_T{take:02}_{mic}")));
        }
    }
    let got = session(&paths.iter().map(String::as_str).collect::<Vec<_>>());
    let text = batterhead::session::table::text(&got, 96);
    assert!(text.lines().count() <= 40, "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 100),
        "{text}"
    );
    assert!(text.contains("china-l        1  not 03 10 17"), "{text}");
    let files = batterhead::session::table::files(&got);
    assert!(files.contains("Tin Harp_T22_Met.wav"));
}

/// Nothing but the lines that are to be copied is wider than the screen.
#[test]
fn what_scan_prints_fits_the_screen() {
    use batterhead::session::table;

    let long = "A Very Long Song Title That Nobody Would Ever Type";
    let mut paths = Vec::new();
    for song in [
        long,
        "Gravel Choir",
        "Iron Meadow",
        "Low Tide",
        "Salt Ladder",
    ] {
        for take in 1..=12 {
            let note = ["", " KEEP", " NG"][take % 3];
            for mic in ["Kick In", "SN TOP", "SN BTM", "OHL", "OHR", "Rm L", "Rm R"] {
                paths.push(format!("{song}/take {take}{note}/{mic}"));
            }
            if take % 5 == 2 {
                paths.push(format!("{song}/take {take}{note}/Snr u"));
                paths.push(format!(
                    "{song}/take {take}{note}/Mystery of the ninth channel"
                ));
            }
        }
    }
    let got = session(&paths.iter().map(String::as_str).collect::<Vec<_>>());
    for columns in [60, 80, 120] {
        let text = table::text(&got, columns);
        let folds = |line: &&str| !line.starts_with("  {");
        let wide = text
            .lines()
            .filter(folds)
            .find(|line| line.chars().count() > columns);
        assert_eq!(wide, None, "{columns}\n{text}");
        assert!(text.contains("02 (ng), 04 (keep)"), "{text}");
    }
}

/// What people note of a take is no song, and stays with the take.
#[test]
fn notes_of_a_take_are_kept_with_it() {
    let got = session(&[
        "Gravel Choir/Take 3 KEEP/Kick In",
        "Gravel Choir/Take 4 NG/Kick In",
        "Gravel Choir/Take 5 blue sticks/Kick In",
        "Tin Harp_T01 best_Kick In",
        "Tin Harp_T02_Kick In",
        "Tin Harp_T02_Kick In alt",
    ]);
    let takes = got
        .songs
        .iter()
        .flat_map(|song| song.takes.iter().map(move |take| (song, take)));
    let notes: Vec<String> = takes
        .map(|(song, take)| format!("{}/{}: {}", song.slug, take.slug, take.notes.join(", ")))
        .collect();
    let want = [
        "gravel-choir/take-03: keep",
        "gravel-choir/take-04: ng",
        "gravel-choir/take-05: blue sticks",
        "tin-harp/take-01: best",
        "tin-harp/take-02: ",
        "tin-harp/take-02-alt: alt",
    ];
    assert_eq!(notes, want);
}

#[test]
fn widths_of_take_numbers_follow_the_largest() {
    let paths = ["T1_Kick In", "T7_Kick In", "T120_Kick In"];
    let got = session(&paths);
    let slugs = got.songs[0].takes.iter().map(|take| take.slug.as_str());
    assert_eq!(
        slugs.collect::<Vec<_>>(),
        ["take-001", "take-007", "take-120"]
    );
}

/// The other names of a folder decide what one alone leaves open.
#[test]
fn company_decides() {
    let labels = |paths: &[&str]| {
        takes(&session(paths))[0]
            .split(": ")
            .nth(1)
            .map(str::to_owned)
    };
    for (paths, want) in [
        (&["OH 1", "OH 2"][..], "overhead"),
        (&["OH A", "OH B", "Room G", "Room D"], "overhead room"),
        (
            &["Kick In", "SN TOP", "T1", "T2"],
            "kick-in snare-top tom-1 tom-2",
        ),
        (&["Hi Tom", "Mid", "Floor"], "tom-1 tom-2 tom-3"),
        (&["Rack", "Floor", "Floor Rm"], "tom-1 tom-2 room"),
        (&["SN U", "SN D"], "snare-top snare-bottom"),
        (&["Snare T", "Snare B"], "snare-top snare-bottom"),
    ] {
        assert_eq!(labels(paths).as_deref(), Some(want), "{paths:?}");
    }
    let asked = session(&["OH 1", "Kick In"]);
    let overhead = |track: &&&Track| track.candidates == ["overhead-l"];
    assert_eq!(tracks(&asked).iter().filter(overhead).count(), 1);
}

#[test]
fn a_session_file_that_init_writes_changes_nothing() {
    let paths = [
        "Low Tide_T01_Kick In",
        "Low Tide_T01_OHL",
        "Low Tide_T01_OHR",
        "Low Tide_T01_Knee",
        "Gravelight_T01_\"odd\"\n[x]*",
        "Gravelight_T01_Rm",
    ];
    let got = session(&paths);
    let toml = batterhead::session::init_toml(&got);
    let config = SessionFile::load(&toml, "session.toml").expect("reads back");
    assert_eq!(format!("{:?}", with(&paths, &toml)), format!("{got:?}"));
    assert_eq!(
        format!("{config:?}"),
        format!("{:?}", SessionFile::default())
    );
    // With its examples taken in, it is still right, and the unknown mic is known.
    let set: Vec<&str> = toml
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(rest)
                if rest.contains(" = ") && !rest.starts_with("pattern")
                    || rest.starts_with("[[")
                    || rest.starts_with("  {")
                    || rest == "]"
                    || rest == "inputs = [" =>
            {
                rest
            }
            _ => line,
        })
        .collect();
    let set = set.join("\n");
    let again = with(&paths, &set);
    let knee = tracks(&again)
        .into_iter()
        .find(|t| t.sources[0].path.to_string_lossy().contains("Knee"));
    assert_eq!(
        knee.map(|t| t.label.clone()).as_deref(),
        Some("room-near"),
        "{set}"
    );
}

/// Pieces of real names, and of none.
const PIECES: [&str; 36] = [
    "Kick", "In", "OUT", "SN", "top", "Tom", "Rack", "Floor", "16in", "OH", "L", "R", "Mono", "Rm",
    "Far", "trash", "T", "T3", "take", "comp", "1", "02", "12", "X57", "Low Tide", "under", "_",
    "-", " ", ".", "/", "(2)", ".dup1", "ä", "\u{1b}", "雨",
];

proptest::proptest! {
    /// Whatever files are called, each is in the session once, and no two outputs have one name.
    #[test]
    fn every_file_is_in_the_session_once(
        names in proptest::collection::vec(proptest::collection::vec(0..PIECES.len(), 1..7), 1..12),
        lengths in proptest::collection::vec(1..4_u64, 12),
    ) {
        let name = |pieces: &Vec<usize>| {
            let name: String = pieces.iter().map(|i| PIECES[*i]).collect();
            let parts: Vec<_> = name.split('/').filter(|p| !p.trim_matches('.').is_empty()).collect();
            PathBuf::from(format!("{}x.wav", parts.join("/")))
        };
        let files: std::collections::BTreeMap<_, _> = names
            .iter()
            .zip(lengths)
            .map(|(pieces, n)| (name(pieces), Info { channels: n as usize, ..info(n * 100_000) }))
            .collect();
        let files: Vec<_> = files.into_iter().collect();
        let got = arrange(Path::new("x"), files.clone(), &SessionFile::default()).expect("a session");
        let mut found: Vec<_> = Vec::new();
        for take in got.songs.iter().flat_map(|s| &s.takes) {
            let mut names: Vec<_> = take.tracks.iter().map(|t| t.name.to_lowercase()).collect();
            names.sort();
            names.dedup();
            proptest::prop_assert_eq!(names.len(), take.tracks.len());
            for source in take.tracks.iter().flat_map(|t| &t.sources) {
                found.push((source.path.clone(), source.channel.unwrap_or(0)));
            }
        }
        found.sort();
        let channels = |info: &Info| if info.channels > 2 { info.channels } else { 1 };
        let mut want: Vec<_> = files.iter().flat_map(|(p, i)| (0..channels(i)).map(|c| (p.clone(), c))).collect();
        want.sort();
        proptest::prop_assert_eq!(found, want);
        let toml = batterhead::session::init_toml(&got);
        proptest::prop_assert!(SessionFile::load(&toml, "x").is_ok(), "{}", toml);
    }
}
