//! A recorder's one file with all mics: names inside it, written as the iXML specification has them.
//! The file stays in `target/tmp`, where `tests/cross/poly.py` reads it with another library.

use std::path::PathBuf;

use serde_json::Value;

use crate::support::Place;

/// What the recorder calls its channels, by their place in the file; `""`: nothing.
const NAMES: [&str; 24] = [
    "Kick In",
    "Kick Out",
    "Sn Up",
    "Sn Dn",
    "Rack 1",
    "Rack 2",
    "Flr",
    "HH",
    "Ride & Bell",
    "Chn L",
    "Chn R",
    "Crash L",
    "Crash R",
    "OH 1",
    "OH 2",
    "Rm L",
    "Rm R",
    "Far L",
    "Far R",
    "Ceiling",
    "Knee",
    "",
    "TB",
    "Click",
];

/// What they are; the last part of the output name.
const LABELS: [&str; 24] = [
    "kick-in",
    "kick-out",
    "snare-top",
    "snare-bottom",
    "tom-1",
    "tom-2",
    "tom-3",
    "hat",
    "ride",
    "china-l",
    "china-r",
    "crash-l",
    "crash-r",
    "overhead",
    "overhead",
    "room",
    "room",
    "room-far",
    "room-far",
    "room-high",
    "?room-near",
    "snare-side", // by the input list
    "talkback",
    "click",
];

fn chunk(id: &[u8; 4], payload: &[u8]) -> Vec<u8> {
    let size = u32::try_from(payload.len()).expect("small");
    let mut bytes = [&id[..], &size.to_le_bytes(), payload].concat();
    bytes.resize(bytes.len() + payload.len() % 2, 0);
    bytes
}

/// Tracks from the last to the first, with the recorder's own numbers beside the places in the file.
fn ixml() -> String {
    let mut xml = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\r\n<!-- a comment -->\r\n<BWFXML>\r\n\
         <IXML_VERSION>1.61</IXML_VERSION>\r\n<PROJECT>Monday</PROJECT>\r\n\
         <SCENE>Gravel Choir</SCENE>\r\n<TAKE>7</TAKE>\r\n<TRACK_LIST>\r\n\
         <TRACK_COUNT>23</TRACK_COUNT>\r\n",
    );
    for (at, name) in NAMES
        .iter()
        .enumerate()
        .rev()
        .filter(|(_, name)| !name.is_empty())
    {
        let name = name.replace('&', "&amp;");
        xml += &format!(
            "<TRACK><CHANNEL_INDEX>{}</CHANNEL_INDEX><INTERLEAVE_INDEX>{}</INTERLEAVE_INDEX>\
             <NAME> {name} </NAME><FUNCTION/></TRACK>\r\n",
            100 - at,
            at + 1
        );
    }
    xml + "</TRACK_LIST>\r\n</BWFXML>\r\n\0"
}

/// Sound first, names behind it; each channel plays its own number.
fn poly() -> Vec<u8> {
    let channels = u16::try_from(NAMES.len()).expect("24");
    let mut format = Vec::new();
    format.extend(1u16.to_le_bytes());
    format.extend(channels.to_le_bytes());
    format.extend(48_000u32.to_le_bytes());
    format.extend((48_000 * u32::from(channels) * 2).to_le_bytes());
    format.extend((channels * 2).to_le_bytes());
    format.extend(16u16.to_le_bytes());
    let mut data = Vec::new();
    for frame in 0..48_000u32 {
        for channel in 0..u32::from(channels) {
            let sample = ((frame * (channel + 3)) % 200) as i16 * 20 - 2_000;
            data.extend(sample.to_le_bytes());
        }
    }
    let body = [
        b"WAVE".to_vec(),
        chunk(b"fmt ", &format),
        chunk(b"data", &data),
        chunk(b"LIST", b"INFOINAM\x02\0\0\0x\0"),
        chunk(b"iXML", ixml().as_bytes()),
    ];
    chunk(b"RIFF", &body.concat())
}

#[test]
fn the_names_in_a_recorders_file_name_its_channels_song_and_take() {
    let place = Place::new();
    let path = place.path("takes/REC_0001.wav");
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
    std::fs::write(&path, poly()).expect("written");
    let kept = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("poly.wav");
    std::fs::write(kept, poly()).expect("written");
    // The recorder's names count before the list, which fills the gap.
    let list =
        "inputs = [{ channel = 22, mic = \"snare-side\" }, { channel = 1, mic = \"hat\" }]\n";
    std::fs::write(place.path("takes/session.toml"), list).expect("written");
    let ran = place.run(&["scan", "takes", "--json"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let json: Value = serde_json::from_str(&ran.stdout).expect("JSON");
    assert_eq!(json["songs"][0]["song"], "gravel-choir");
    let take = &json["songs"][0]["takes"][0];
    assert_eq!(take["take"], "take-07");
    let mut found = vec![String::new(); NAMES.len()];
    for track in take["tracks"].as_array().expect("tracks") {
        for source in track["sources"].as_array().expect("sources") {
            let channel = source["channel"].as_u64().expect("a channel") as usize;
            found[channel - 1] = match track["mic"].as_str() {
                Some("unknown-mic") => {
                    format!("?{}", track["candidates"][0].as_str().expect("one"))
                }
                _ => track["label"].as_str().expect("a label").to_owned(),
            };
        }
    }
    assert_eq!(found, LABELS);
    assert_eq!(json["totals"]["files"], 1);
    assert_eq!(json["totals"]["channels"], 24);
}
