//! Memory does not grow with the length of a take.

use std::io::{Seek, SeekFrom, Write};
use std::process::Stdio;
use std::time::Duration;

use crate::support::{Place, program};

const RATE_HZ: u32 = 16_000;

/// A quiet recording of so many minutes with strokes in its first; what is not written is silence.
fn quiet(place: &Place, relative: &str, hz: f64, minutes: u32) {
    let path = place.path(relative);
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
    let mut file = std::fs::File::create(path).expect("a file");
    let bytes = minutes * 60 * RATE_HZ * 2;
    let mut head = Vec::new();
    head.extend(b"RIFF");
    head.extend((bytes + 36).to_le_bytes());
    head.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    head.extend(RATE_HZ.to_le_bytes());
    head.extend((RATE_HZ * 2).to_le_bytes());
    head.extend(b"\x02\0\x10\0data");
    head.extend(bytes.to_le_bytes());
    file.write_all(&head).expect("room");
    let mut sound = Vec::new();
    for frame in 0..60 * RATE_HZ {
        let since = f64::from(frame % RATE_HZ) / f64::from(RATE_HZ) - 0.1;
        let ring = match since < 0.0 {
            true => 0.0,
            false => 0.4 * (-since * 12.0).exp() * (std::f64::consts::TAU * hz * since).cos(),
        };
        sound.extend(((ring * 32_000.0) as i16).to_le_bytes());
    }
    file.write_all(&sound).expect("room");
    file.set_len(u64::from(bytes) + head.len() as u64)
        .expect("room");
    file.seek(SeekFrom::End(0)).expect("an end");
}

/// The most memory that a run held, in MiB: `VmHWM` of proc(5), as last seen before its end.
fn peak_mib(place: &Place, args: &[&str]) -> f64 {
    let mut child = program()
        .args(args)
        .current_dir(place.path(""))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0.0f64;
    let ended = loop {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse::<f64>().ok());
        most = most.max(kib.unwrap_or(0.0) / 1024.0);
        if let Some(ended) = child.try_wait().expect("a child") {
            break ended;
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    assert!(ended.success(), "{args:?}: {ended}");
    most
}

#[test]
#[cfg(target_os = "linux")]
fn a_take_of_an_hour_and_a_half_needs_no_more_memory_than_one_of_ten_minutes() {
    let place = Place::new();
    let [short, long] = [10, 90].map(|minutes| {
        let folder = format!("takes-{minutes}/low tide/take 1");
        quiet(&place, &format!("{folder}/Kick In.wav"), 60.0, minutes);
        quiet(&place, &format!("{folder}/SN TOP.wav"), 210.0, minutes);
        let session = format!("takes-{minutes}");
        peak_mib(&place, &["check", &session, "--jobs", "1"])
    });
    assert!(short > 5.0, "{short} MiB");
    assert!(
        long < short + 12.0,
        "10 minutes: {short:.1} MiB, 90 minutes: {long:.1} MiB"
    );
}
