//! [`PathText`]: a path as reports write it.

use std::path::Path;

use serde::Serialize;

/// A relative path with `/` between its parts; where it is not UTF-8, its bytes beside it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PathText {
    /// As text; bytes that are not UTF-8 become U+FFFD.
    pub path: String,
    /// Base 64 (RFC 4648, section 4) of the path's bytes, only where `path` had to change them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path_b64: Option<String>,
}

impl From<&Path> for PathText {
    fn from(path: &Path) -> Self {
        let parts: Vec<_> = path.components().map(|c| c.as_os_str()).collect();
        let texts: Vec<_> = parts.iter().map(|part| part.to_string_lossy()).collect();
        let lossy = path.to_str().is_none();
        let bytes = || {
            let bytes: Vec<&[u8]> = parts.iter().map(|part| part.as_encoded_bytes()).collect();
            base64(&bytes.join(&b'/'))
        };
        Self {
            path: texts.join("/"),
            path_b64: lossy.then(bytes),
        }
    }
}

/// Standard Base64 with padding (RFC 4648, section 4).
pub(crate) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for i in 0..4 {
            let six = bits >> (18 - 6 * i) & 63;
            match i <= chunk.len() {
                true => text.push(char::from(LETTERS[six as usize])),
                false => text.push('='),
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn base64_is_that_of_the_standard() {
        for (text, want) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(text.as_bytes()), want);
        }
    }

    #[cfg(unix)]
    #[test]
    fn only_what_is_not_utf8_keeps_its_bytes() {
        use std::os::unix::ffi::OsStrExt;
        let plain = PathText::from(Path::new("a/b.wav"));
        assert_eq!((plain.path.as_str(), plain.path_b64), ("a/b.wav", None));
        let odd = PathText::from(Path::new(std::ffi::OsStr::from_bytes(b"a/\xff.wav")));
        assert_eq!(odd.path, "a/\u{fffd}.wav");
        assert_eq!(odd.path_b64.as_deref(), Some("YS//Lndhdg=="));
    }
}
