//! What a file is, by its first bytes.

/// What to do with a file.
#[derive(Debug, PartialEq)]
pub enum Kind {
    /// RIFF, RF64 or BW64.
    Wav,
    /// FLAC.
    Flac,
    /// AIFF or AIFF-C.
    Aiff,
    /// Nothing that can be read, in words.
    Not(String),
}

/// First bytes, and what a file is that starts with them.
const LOOKS: [(&[u8], &str); 18] = [
    (
        b"RIFX",
        "is a big-endian WAV file (RIFX), which is not supported: convert it to WAV",
    ),
    (
        b"riff\x2e\x91\xcf\x11",
        "is a Wave64 file, which is not supported: convert it to WAV",
    ),
    (
        b"caff",
        "is a CAF file, which is not supported: convert it to WAV",
    ),
    (
        b"OggS",
        "is an Ogg stream, which is not supported: convert it to WAV",
    ),
    (
        b"ID3",
        "is an MPEG audio stream, which is not supported: convert it to WAV",
    ),
    (
        b"\x00\x05\x16\x07",
        "holds the attributes of another file (AppleDouble), no sound",
    ),
    (b"\x89PNG", "is a PNG image"),
    (b"\xff\xd8\xff", "is a JPEG image"),
    (b"GIF8", "is a GIF image"),
    (b"II*\x00", "is a TIFF image"),
    (b"MM\x00*", "is a TIFF image"),
    (b"%PDF", "is a PDF document"),
    (b"PK\x03\x04", "is a ZIP archive"),
    (b"\x1f\x8b", "is a gzip archive"),
    (b"7z\xbc\xaf", "is a 7z archive"),
    (b"Rar!", "is a RAR archive"),
    (b"MThd", "is a MIDI file: notes, no sound"),
    (b"\x7fELF", "is a program"),
];

/// Decides by the first bytes of a file, 512 or all of them.
pub fn of(head: &[u8]) -> Kind {
    if head.is_empty() {
        return Kind::Not("is empty (0 bytes)".to_owned());
    }
    match (head.get(..4), head.get(8..12)) {
        (Some(b"RIFF" | b"RF64" | b"BW64"), _) => return Kind::Wav,
        (Some(b"FORM"), Some(b"AIFF" | b"AIFC")) => return Kind::Aiff,
        (Some(b"fLaC"), _) => return Kind::Flac,
        _ => {}
    }
    if let Some((_, what)) = LOOKS.iter().find(|(start, _)| head.starts_with(start)) {
        return Kind::Not((*what).to_owned());
    }
    let what = if head.get(4..8) == Some(b"ftyp") {
        "is an MPEG-4 file, which is not supported: convert its sound to WAV"
    } else if matches!(head, [0xff, second, ..] if second & 0xe0 == 0xe0) {
        "is an MPEG audio stream, which is not supported: convert it to WAV"
    } else if head.iter().all(|byte| *byte == 0) {
        "starts with zeros only: its content is lost, copy it again"
    } else if is_text(head) {
        "is text"
    } else {
        "is no sound file that can be read (WAV, RF64, BW64, FLAC, AIFF)"
    };
    Kind::Not(what.to_owned())
}

fn is_text(head: &[u8]) -> bool {
    let control = |byte: u8| byte < 0x20 && !matches!(byte, b'\t' | b'\n' | b'\r' | 0x0c);
    let valid = match std::str::from_utf8(head) {
        Ok(_) => true,
        // A letter may be cut in two by the end of what was read.
        Err(error) => error.error_len().is_none(),
    };
    valid && !head.iter().any(|byte| control(*byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_told_by_its_first_bytes() {
        assert_eq!(of(b"RIFF\0\0\0\0WAVE"), Kind::Wav);
        assert_eq!(of(b"BW64\xff\xff\xff\xffWAVE"), Kind::Wav);
        assert_eq!(of(b"FORM\0\0\0\0AIFC"), Kind::Aiff);
        assert_eq!(of(b"fLaC\0"), Kind::Flac);
        for (head, what) in [
            (&b""[..], "is empty (0 bytes)"),
            ("Snare, Größe 14".as_bytes(), "is text"),
            (b"\xef\xbb", "is text"),
            (b"\xff\xfb\x90\x64", "is an MPEG audio stream"),
            (b"\0\0\0\x20ftypM4A ", "is an MPEG-4 file"),
            (b"\x89PNG\r\n", "is a PNG image"),
            (b"\0\0\0\0\0\0", "starts with zeros only"),
            (b"\x01\x02\x03", "is no sound file"),
        ] {
            let Kind::Not(text) = of(head) else {
                panic!("{head:?} was taken for sound")
            };
            assert!(text.starts_with(what), "{head:?}: {text}");
        }
    }
}
