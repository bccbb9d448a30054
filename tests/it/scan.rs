//! Folders of files → songs, takes, tracks. Headers only: most of it needs no file at all.

use std::path::{Path, PathBuf};

use batterhead::audio::{Info, SampleFormat};
use batterhead::session::{Session, SessionFile, Track, arrange};

fn info(frames: u64) -> Info {
    Info {
        rate_hz: 48_000,
        channels: 1,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames,
        time_reference_samples: Some(1_000),
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
    let config = SessionFile::load(toml, "session.toml").expect("a session file");
    let files = paths.iter().map(|p| (PathBuf::from(format!("{p}.wav")), info(480_000)));
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
    ("Kick R", "? kick-in"),
    ("Kick Beater", "? kick-in"),
    ("SN TOP", "snare-top"),
    ("Snr_Tp", "snare-top"),
    ("SD", "! snare-top"),
    ("sn btm", "snare-bottom"),
    ("snr u", "snare-bottom"),
    ("Under", "? snare-bottom"),
    ("SN Shell", "snare-side"),
    ("Side Snare", "? a second snare's snare-top"),
    ("Tom 1", "tom-1"),
    ("T2", "? tom-2"),
    ("Song_T03_SN TOP", "snare-top"),
    ("Rack", "tom-1"),
    ("Rack Lo", "! tom-1"),
    ("Floor", "! tom-1"),
    ("FT", "! tom-1"),
    ("FLR 2", "! tom-2"),
    ("Tom 10", "! tom-1"),
    ("16in", "? a tom, by its size"),
    ("Hi Tom", "tom-1"),
    ("Mid", "? tom-2"),
    ("RT", "? tom-1"),
    ("Tom1 Btm", "? the bottom mic of that tom"),
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
        let [track] = tracks[..] else { panic!("one track of {name}") };
        let got = match &track.proposal {
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
        assert_eq!(track.side.is_some(), !track.mic.is_unknown() && track.label.ends_with(['l', 'r', 'c']) && track.label.as_bytes()[track.label.len() - 2] == b'-', "{name}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_take_number_stands_in_many_places() {
    let want = ["low-tide/take-03: kick-in snare-top overhead"];
    for paths in [
        ["Low Tide_T03_Kick In", "Low Tide_T03_SN TOP", "Low Tide_T03_OHL", "Low Tide_T03_OHR"],
        ["Low Tide/Take 3/Kick In", "Low Tide/Take 3/SN TOP", "Low Tide/Take 3/OHL", "Low Tide/Take 3/OHR"],
        ["Low Tide/03/Kick In", "Low Tide/03/SN TOP", "Low Tide/03/OH L", "Low Tide/03/OH R"],
        ["Low Tide T3/Kick In", "Low Tide T3/SN TOP", "Low Tide T3/OH L", "Low Tide T3/OH R"],
        ["Kick In_03", "SN TOP_03", "OH L_03", "OH R_03"],
        ["Kick In 3", "SN TOP 3", "OH L 3", "OH R 3"],
        ["Low Tide/Kick In-03", "Low Tide/SN TOP-03", "Low Tide/OHL-03", "Low Tide/OHR-03"],
        ["take3_kick in", "take3_SNTOP", "take3_oh_l", "take3_oh_r"],
        ["LowTide_KickIn_T03", "low_tide_sn_top_tk3", "LowTide_OHL_T03", "LowTide_OHR_T03"],
        ["Day 1/Low Tide/Take 3/audio/Kick In", "Day 1/Low Tide/Take 3/audio/SN TOP", "Day 1/Low Tide/Take 3/Overheads/L", "Day 1/Low Tide/Take 3/Overheads/R"],
    ] {
        assert_eq!(takes(&session(&paths)), want, "{paths:?}");
    }
}
