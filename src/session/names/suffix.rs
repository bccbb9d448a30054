//! [`Suffix`]: what recorders append to a name: lane, part, copy.

use crate::remark::Remark;

/// A name without what a recorder appended, and what that was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::session) struct Suffix<'a> {
    pub rest: &'a str,
    /// `_01-23` and `.05_12`: the first number.
    pub lane: Option<u32>,
    /// The second.
    pub part: Option<u32>,
    /// `.dup1`, ` copy`, ` (2)`.
    pub copy: bool,
}

impl<'a> Suffix<'a> {
    /// Strips from the right, as long as a name is left.
    pub fn of(name: &'a str) -> Self {
        let mut suffix = Suffix {
            rest: name,
            lane: None,
            part: None,
            copy: false,
        };
        while let Some(rest) = copy(suffix.rest) {
            (suffix.rest, suffix.copy) = (rest, true);
        }
        let numbers = numbers(suffix.rest, '-', '_').or(numbers(suffix.rest, '_', '.'));
        if let Some((rest, lane, part)) = numbers {
            suffix = Suffix {
                rest,
                lane: Some(lane),
                part: Some(part),
                ..suffix
            };
        }
        suffix
    }

    /// The note on it.
    pub fn note(self) -> Option<Remark> {
        let (lane, part) = (self.lane?, self.part?);
        Some(Remark::RecorderSuffix { lane, part })
    }
}

/// `NAME`, `first`, number, `second`, number.
fn numbers(name: &str, second: char, first: char) -> Option<(&str, u32, u32)> {
    let (head, part) = name.rsplit_once(second)?;
    let (rest, lane) = head.rsplit_once(first)?;
    let short = |text: &str| {
        let digits = (1..=3).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
        text.parse().ok().filter(|_| digits)
    };
    let (lane, part) = (short(lane)?, short(part)?);
    (!rest.is_empty()).then_some((rest, lane, part))
}

/// The name without a mark of a copy at its end.
fn copy(name: &str) -> Option<&str> {
    let unnumbered = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let lower = unnumbered.to_ascii_lowercase(); // of the same length
    let cut = [
        ".dup", "_dup", " dup", "-dup", " copy", "_copy", "-copy", ".copy", " copy ",
    ]
    .iter()
    .find_map(|mark| Some(unnumbered.len() - lower.strip_suffix(mark).map(|_| mark.len())?))
    .or_else(|| {
        let open = name.strip_suffix(')')?.rfind('(')?;
        let inside = name.get(open + 1..name.len() - 1)?;
        let number = !inside.is_empty() && inside.bytes().all(|b| b.is_ascii_digit());
        number.then_some(open)
    })?;
    let rest = name.get(..cut)?.trim_end_matches([' ', '-', '_', '.']);
    (!rest.is_empty()).then_some(rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_recorders_append_is_stripped_and_kept() {
        let of = |name| {
            let s = Suffix::of(name);
            (s.rest, s.lane, s.part, s.copy)
        };
        assert_eq!(of("KIK_IN_01-23"), ("KIK_IN", Some(1), Some(23), false));
        assert_eq!(of("Kick.05_12"), ("Kick", Some(5), Some(12), false));
        assert_eq!(of("BD.dup1"), ("BD", None, None, true));
        assert_eq!(of("BD - Copy (2)"), ("BD", None, None, true));
        assert_eq!(of("BD copy 3"), ("BD", None, None, true));
        for plain in [
            "Tom 10",
            "Kick In_03",
            "copy",
            ".dup1",
            "(2)",
            "_01-23",
            "OH 1",
            "",
        ] {
            assert_eq!(of(plain), (plain, None, None, false), "{plain}");
        }
    }
}
