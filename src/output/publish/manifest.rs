//! [`Manifest`]: file names and their SHA-256, in the format that `sha256sum -c` reads.

use std::collections::BTreeMap;
use std::path::Path;

use crate::error::{Error, Result, if_there};
use crate::files;

/// Paths relative to the output folder, with `/`, in order of their bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Manifest {
    entries: BTreeMap<String, String>,
}

impl Manifest {
    /// Adds or replaces an entry; `sha256` in lower-case hexadecimal digits.
    pub fn insert(&mut self, path: impl Into<String>, sha256: impl Into<String>) {
        self.entries.insert(path.into(), sha256.into());
    }

    /// Takes off a path.
    pub fn remove(&mut self, path: &str) {
        self.entries.remove(path);
    }

    /// Takes off what `keep` says no to.
    pub fn retain(&mut self, mut keep: impl FnMut(&str) -> bool) {
        self.entries.retain(|path, _| keep(path));
    }

    /// Path and SHA-256 of every entry, sorted by path.
    pub fn entries(&self) -> impl ExactSizeIterator<Item = (&str, &str)> {
        let pair = |(path, sha256)| (String::as_str(path), String::as_str(sha256));
        self.entries.iter().map(pair)
    }

    /// The SHA-256 of one path.
    pub fn get(&self, path: &str) -> Option<&str> {
        self.entries.get(path).map(String::as_str)
    }

    /// The text of the file: a line is the digits, two spaces, the path. A path with a backslash, a
    /// line feed or a carriage return has them escaped, and a backslash in front of the line.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (path, sha256) in &self.entries {
            let escaped = escape(path);
            if escaped != *path {
                text.push('\\');
            }
            text.push_str(sha256);
            text.push_str("  ");
            text.push_str(&escaped);
            text.push('\n');
        }
        text
    }

    /// The same for readers that know no escapes.
    pub fn plain_text(&self) -> String {
        let line = |(path, sha256): (&str, &str)| format!("{sha256}  {path}\n");
        self.entries().map(line).collect()
    }

    /// The manifest of an output folder, but for lines that are damaged; `None` where none lies there.
    ///
    /// # Errors
    /// [`crate::error::Kind::Environment`]: it is there, and cannot be read.
    pub fn of(folder: &Path) -> Result<Option<Self>> {
        let path = folder.join(super::MANIFEST);
        if !files::stands(&path)? {
            return Ok(None);
        }
        let bytes = if_there(&path, files::read(&path))?;
        Ok(bytes.map(|bytes| Self::lenient(&bytes).0))
    }

    /// Reads such a text. The error names the line ([`crate::error::Kind::Input`]).
    pub fn parse(text: &str) -> Result<Self> {
        let mut manifest = Self::default();
        for (index, line) in text.split_terminator('\n').enumerate() {
            let (sha256, path) = parse_line(line).ok_or_else(|| {
                Error::input(format!(
                    "line {} of the manifest is not a SHA-256, two spaces and a path",
                    index + 1
                ))
            })?;
            if manifest.entries.insert(path, sha256.to_owned()).is_some() {
                let reason = format!("line {} of the manifest names a file again", index + 1);
                return Err(Error::input(reason));
            }
        }
        Ok(manifest)
    }
}

impl Manifest {
    /// What can be read of a manifest that may be damaged, and the numbers (from 1) of the lines
    /// that cannot. Of two lines about one file the first counts.
    pub fn lenient(bytes: &[u8]) -> (Self, Vec<usize>) {
        let mut manifest = Self::default();
        let mut wrong = Vec::new();
        let lines = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        for (index, line) in lines.split(|byte| *byte == b'\n').enumerate() {
            let entry = std::str::from_utf8(line).ok().and_then(parse_line);
            match entry {
                Some((sha256, path)) if manifest.get(&path).is_none() => {
                    manifest.insert(path, sha256);
                }
                _ => wrong.push(index + 1),
            }
        }
        (manifest, wrong)
    }
}

fn parse_line(line: &str) -> Option<(&str, String)> {
    let (escaped, line) = match line.strip_prefix('\\') {
        Some(line) => (true, line),
        None => (false, line),
    };
    let (sha256, path) = line.split_at_checked(64)?;
    let digit = |byte: u8| matches!(byte, b'0'..=b'9' | b'a'..=b'f');
    // ` *` marks a file read as binary, which is the same thing.
    let path = path
        .strip_prefix("  ")
        .or_else(|| path.strip_prefix(" *"))?;
    if path.is_empty() || !sha256.bytes().all(digit) {
        return None;
    }
    let path = if escaped {
        unescape(path)?
    } else {
        path.to_owned()
    };
    Some((sha256, path))
}

fn escape(path: &str) -> String {
    let path = path.replace('\\', "\\\\");
    path.replace('\n', "\\n").replace('\r', "\\r")
}

fn unescape(path: &str) -> Option<String> {
    let mut plain = String::with_capacity(path.len());
    let mut chars = path.chars();
    while let Some(c) = chars.next() {
        plain.push(match c {
            '\\' => match chars.next()? {
                '\\' => '\\',
                'n' => '\n',
                'r' => '\r',
                _ => return None,
            },
            c => c,
        });
    }
    Some(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_names_come_back() {
        let mut manifest = Manifest::default();
        for (index, path) in ["b.wav", "a b/ c.wav", "x\\y.wav", "line\nbreak\r.wav", "*"]
            .into_iter()
            .enumerate()
        {
            manifest.insert(path, format!("{index:064x}"));
        }
        let text = manifest.text();
        assert_eq!(Manifest::parse(&text).unwrap(), manifest);
        let first: Vec<&str> = text.lines().map(|line| line.get(66..).unwrap()).collect();
        let sorted = [
            "*",
            "a b/ c.wav",
            "b.wav",
            " line\\nbreak\\r.wav",
            " x\\\\y.wav",
        ];
        assert_eq!(first, sorted);
    }

    #[test]
    fn what_is_no_manifest_is_refused_with_its_line() {
        let good = format!("{}  a\n", "0".repeat(64));
        for bad in [
            "x",
            "",
            &"é".repeat(40),
            &format!("\\{}  a\\x", "0".repeat(64)),
            good.trim(),
        ] {
            let error = Manifest::parse(&format!("{good}{bad}\n")).unwrap_err();
            assert!(error.reason.contains("line 2"), "{bad:?}: {error}");
        }
    }
}
