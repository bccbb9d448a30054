//! [`Label`]: a mic with its side and index, as file names and session files spell it.

use std::fmt;

use super::{Mic, Side};

/// `snare-top`, `china-r`, `snare-top-2`, `crash-l-2`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Label {
    /// Which mic.
    pub mic: Mic,
    /// Its side, where it is one of several.
    pub side: Option<Side>,
    /// 1, or 2 and up for a further mic of the same name.
    pub index: u32,
}

impl Label {
    /// Reads `china-r`; `None` if no mic of the table is spelled so.
    pub fn parse(text: &str) -> Option<Label> {
        // The longest name first: `room-near-l` is not a `room`.
        let fits = |mic: &Mic| {
            let rest = text.strip_prefix(mic.name());
            rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
        };
        let mic = Mic::all().filter(fits).max_by_key(|m| m.name().len())?;
        let mut label = Label {
            mic,
            side: None,
            index: 1,
        };
        let rest = text.strip_prefix(mic.name())?;
        for (i, part) in rest.split('-').skip(1).enumerate() {
            match (part, part.parse::<u32>()) {
                ("l", _) if i == 0 => label.side = Some(Side::L),
                ("r", _) if i == 0 => label.side = Some(Side::R),
                ("c", _) if i == 0 => label.side = Some(Side::C),
                (_, Ok(index @ 2..=99)) if label.index == 1 => label.index = index,
                _ => return None,
            }
        }
        Some(label)
    }
}

impl fmt::Display for Label {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.mic.name())?;
        f.write_str(match self.side {
            Some(Side::L) => "-l",
            Some(Side::R) => "-r",
            Some(Side::C) => "-c",
            None => "",
        })?;
        match self.index {
            0 | 1 => Ok(()),
            index => write!(f, "-{index}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_reads_back() {
        for text in [
            "kick-in",
            "tom-1",
            "room-near-l",
            "crash-l-2",
            "tom-1-2",
            "room-c",
        ] {
            let label = Label::parse(text).expect("a label");
            assert_eq!(label.to_string(), text);
        }
        let label = Label::parse("room-near-l").expect("a label");
        assert_eq!((label.mic.name(), label.side), ("room-near", Some(Side::L)));
        for wrong in [
            "",
            "kick",
            "tom",
            "tom-7",
            "china-x",
            "china-r-l",
            "china-2-r",
            "china-1",
        ] {
            assert_eq!(Label::parse(wrong), None, "{wrong}");
        }
    }
}
