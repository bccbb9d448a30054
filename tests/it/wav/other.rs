use super::*;

use std::fs;

pub fn opened(name: &str, bytes: &[u8]) -> Result<Box<dyn AudioRead>> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    batterhead::audio::open(&path) // stays readable after its name is gone
}

#[test]
fn a_wav_is_a_wav_whatever_its_name() {
    let file = riff(&[(b"fmt ", fmt_16()), (b"data", vec![0, 0x40])]);
    let mut reader = opened("notes.txt", &file).unwrap();
    assert_eq!(read_all(&mut *reader, 9).unwrap(), [[0.5]]);
}

#[test]
fn what_is_no_sound_is_told_by_what_it_is() {
    for (bytes, words) in [
        (&b""[..], "is empty (0 bytes)"),
        (b"Kick, take 3", "is text"),
        (b"RIFX\0\0\0\x04WAVE", "big-endian WAV"),
        (b"RIFF\0\0\0\0AVI LIST", "type 'AVI ', not WAVE"),
        (b"RIFF", "holds 4 bytes, too few"),
        (b"\x00\x05\x16\x07\x00\x02\x00\x00", "AppleDouble"),
        (b"\xff\xfb\x90\x00", "MPEG audio stream"),
    ] {
        let text = error_of(opened("kick.wav", bytes));
        assert!(text.contains(words), "{text}, expected {words}");
    }
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_not_opened() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("socket.wav");
    let _listener = std::os::unix::net::UnixListener::bind(&socket).unwrap();
    let pipe = folder.path().join("pipe.wav");
    let made = std::process::Command::new("mkfifo")
        .arg(&pipe)
        .status()
        .unwrap();
    assert!(made.success());
    for path in [socket.as_path(), &pipe, Path::new("/dev/zero")] {
        let text = error_of(batterhead::audio::open(path));
        assert!(
            text.contains("is a pipe, socket or device, not a file"),
            "{text}"
        );
    }
    assert!(error_of(batterhead::audio::open(folder.path())).contains("is a folder"));
    let missing = folder.path().join("none.wav");
    assert!(error_of(batterhead::audio::open(&missing)).contains("no such file"));
}
