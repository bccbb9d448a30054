//! The two songs of the demo: kits, microphones, names as two people write them, and mishaps.

use std::path::PathBuf;

use super::groove::{FAST, Part, Piece, SLOW};
use super::kit::{Drum, Kit};
use super::space::{Capsule, Point};

/// A song: one set-up, and its takes.
#[derive(Debug)]
pub struct Song {
    /// As people write it.
    pub name: &'static str,
    /// What is played.
    pub part: Part,
    /// How the drums are tuned.
    pub kit: Kit,
    /// The microphones.
    pub mics: Vec<Mic>,
    /// In order.
    pub takes: Vec<Take>,
    /// The mic whose name says nothing to a stranger.
    pub nameless: Option<&'static str>,
    /// Whether files carry the time of day (`bext`).
    pub stamped: bool,
    /// Where the file of a mic goes: take number, name of the mic.
    pub file: fn(u32, &str) -> PathBuf,
}

/// A microphone, or something else that is recorded with them.
#[derive(Clone, Debug)]
pub struct Mic {
    /// As written in file names.
    pub name: &'static str,
    /// What it records.
    pub feed: Feed,
    /// From pressure to full scale.
    pub gain_db: f64,
    /// The preamp's polarity switch is pressed.
    pub flipped: bool,
    /// RMS of the mic's own noise after the preamp.
    pub noise_dbfs: f64,
    /// Peak of the 50 Hz line of a hum; its third and fifth harmonics come with it.
    pub hum_dbfs: Option<f64>,
    /// Bits of a sample.
    pub bits: u16,
}

/// What is recorded.
#[derive(Clone, Debug)]
pub enum Feed {
    /// One capsule, or two in one stereo file.
    Capsules(Vec<Capsule>),
    /// The metronome itself.
    Metronome,
}

/// A take as planned.
#[derive(Clone, Debug)]
pub struct Take {
    /// From 1.
    pub number: u32,
    /// Length of its files.
    pub seconds: f64,
    /// Time of day at which it starts.
    pub start_s: f64,
    /// What goes wrong.
    pub mishaps: Vec<Mishap>,
}

/// Something that goes wrong in one take.
#[derive(Clone, Debug, PartialEq)]
pub enum Mishap {
    /// The floor tom is not played.
    FloorUnplayed,
    /// The snare has gone flat by this much.
    SnareFlat {
        /// Down from the song's tuning.
        by_hz: f64,
    },
    /// A preamp is turned up too far, into the converter's ceiling.
    TooHot {
        /// The mic.
        mic: &'static str,
        /// Above its usual gain.
        by_db: f64,
    },
    /// The recorder stopped before it finished the file.
    Unfinished {
        /// The mic.
        mic: &'static str,
        /// What is missing at the end.
        lost_s: f64,
    },
}

/// A cardioid close to what it is aimed at.
fn close(name: &'static str, place: Point, aim: Point, gain_db: f64) -> Mic {
    mic(name, vec![capsule(place, aim, 1.0, false)], gain_db)
}

fn capsule(place: Point, aim: Point, directivity: f64, ambient: bool) -> Capsule {
    Capsule {
        place,
        aim,
        directivity,
        inside: None,
        ambient,
    }
}

fn mic(name: &'static str, capsules: Vec<Capsule>, gain_db: f64) -> Mic {
    Mic {
        name,
        feed: Feed::Capsules(capsules),
        gain_db,
        flipped: false,
        noise_dbfs: -82.0,
        hum_dbfs: None,
        bits: 24,
    }
}

/// Place of the top snare in a song's list of mics.
pub const SNARE_TOP: usize = 2;
/// Place of the bottom snare.
pub const SNARE_BOTTOM: usize = 3;
/// Place of the floor tom.
pub const FLOOR_TOM: usize = 6;

/// The microphones that every song has first, in this order: kick in and out, snare top and bottom, three
/// toms, hat, ride, overheads left and right, room (stereo).
pub fn usual_mics(names: [&'static str; 12]) -> Vec<Mic> {
    let [
        kick_in,
        kick_out,
        top,
        bottom,
        tom1,
        tom2,
        floor,
        hat,
        ride,
        left,
        right,
        room,
    ] = names;
    let kick = [0.25, 0.45, 0.30];
    let mut inside = capsule([0.27, 0.62, 0.30], kick, 0.3, false);
    inside.inside = Some(Piece::Kick);
    let over = |place: Point| vec![capsule(place, [place[0] * 0.6, 0.3, 0.7], 0.9, true)];
    let far = |x: f64| capsule([x, 3.6, 1.7], [0.2, 0.3, 0.7], 0.2, true);
    vec![
        mic(kick_in, vec![inside], -31.0),
        close(kick_out, [0.30, 1.00, 0.32], [0.25, 0.80, 0.30], -34.0),
        close(top, [0.06, 0.16, 0.70], [0.0, 0.0, 0.62], -38.0),
        close(bottom, [0.05, 0.08, 0.36], [0.0, 0.0, 0.48], -41.0),
        // toms: over the rim that is farthest from the snare, and straight down
        close(tom1, [0.05, 0.57, 0.88], [0.05, 0.56, 0.82], -39.0),
        close(tom2, [0.50, 0.56, 0.86], [0.50, 0.55, 0.80], -39.0),
        close(floor, [0.85, 0.10, 0.68], [0.85, 0.09, 0.62], -43.0),
        close(hat, [-0.52, 0.20, 1.00], [-0.49, 0.17, 0.88], -24.0),
        close(ride, [0.98, 0.52, 0.86], [0.92, 0.51, 1.0], -25.0),
        mic(left, over([-0.55, 0.15, 1.85]), -22.0),
        mic(right, over([0.85, 0.20, 1.80]), -22.0),
        mic(room, vec![far(-1.6), far(1.9)], -26.0),
    ]
}

fn named<'a>(mics: &'a mut [Mic], name: &str) -> Option<&'a mut Mic> {
    mics.iter_mut().find(|mic| mic.name == name)
}

fn drum(fundamental_hz: f64, t60_s: f64, glide: f64) -> Drum {
    Drum {
        fundamental_hz,
        t60_s,
        glide,
    }
}

/// `Low Tide_T01_SN TOP.wav`: all takes in one folder, the time of day in the files.
pub fn low_tide() -> Song {
    let mut mics = usual_mics([
        "Kick In", "Kick Out", "SN TOP", "SN BTM", "Rack 1", "Rack 2", "Floor", "HH", "RD", "OH L",
        "OH R", "Rm",
    ]);
    mics.push(Mic {
        feed: Feed::Metronome,
        noise_dbfs: -95.0,
        ..mic("Click", Vec::new(), -12.0)
    });
    if let Some(mic) = named(&mut mics, "RD") {
        mic.hum_dbfs = Some(-44.0);
    }
    let take = |number, seconds, start_s, mishaps| Take {
        number,
        seconds,
        start_s,
        mishaps,
    };
    Song {
        name: "Low Tide",
        part: SLOW,
        kit: Kit {
            kick: drum(58.0, 0.32, 0.10),
            snare: drum(196.0, 0.34, 0.02),
            toms: [
                drum(142.0, 0.75, 0.045),
                drum(113.0, 0.85, 0.05),
                drum(81.0, 1.05, 0.05),
            ],
        },
        mics,
        takes: vec![
            take(1, 17.2, 52_260.0, vec![]),
            take(2, 17.6, 52_401.5, vec![Mishap::FloorUnplayed]),
            take(3, 17.4, 52_655.25, vec![Mishap::SnareFlat { by_hz: 7.0 }]),
        ],
        nameless: None,
        stamped: true,
        file: |take, mic| PathBuf::from(format!("Low Tide_T{take:02}_{mic}.wav")),
    }
}

/// `iron-meadow/take 2/Snr_Tp.wav`: a folder a take, no time of day.
pub fn iron_meadow() -> Song {
    let mut mics = usual_mics([
        "BD_In", "BD_Out", "Snr_Tp", "Snr_Btm", "Tom1", "Tom2", "FT", "Hats", "Ride", "OHL", "OHR",
        "Room",
    ]);
    if let Some(mic) = named(&mut mics, "Snr_Btm") {
        mic.flipped = true;
    }
    let second_machine = |name, place, gain_db| Mic {
        bits: 16,
        noise_dbfs: -76.0,
        ..mic(
            name,
            vec![capsule(place, [0.2, 0.3, 0.6], 0.0, false)],
            gain_db,
        )
    };
    mics.push(second_machine("TB", [2.4, -1.6, 1.4], -29.0));
    mics.push(second_machine("Barrel", [0.4, -1.1, 0.35], -28.0));
    let take = |number, seconds, start_s, mishaps| Take {
        number,
        seconds,
        start_s,
        mishaps,
    };
    let unfinished = Mishap::Unfinished {
        mic: "Ride",
        lost_s: 0.7,
    };
    let too_hot = Mishap::TooHot {
        mic: "BD_In",
        by_db: 14.0,
    };
    Song {
        name: "Iron Meadow",
        part: FAST,
        kit: Kit {
            kick: drum(52.0, 0.28, 0.12),
            snare: drum(214.0, 0.28, 0.02),
            toms: [
                drum(156.0, 0.70, 0.04),
                drum(121.0, 0.80, 0.05),
                drum(74.0, 1.10, 0.05),
            ],
        },
        mics,
        takes: vec![
            take(1, 9.9, 61_200.0, vec![unfinished]),
            take(2, 10.3, 61_310.0, vec![]),
            take(3, 10.0, 61_600.0, vec![too_hot]),
        ],
        nameless: Some("Barrel"),
        stamped: false,
        file: |take, mic| PathBuf::from(format!("iron-meadow/take {take}/{mic}.wav")),
    }
}
