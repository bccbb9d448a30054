//! Lines of a track sheet: headings, items beside their names, words wrapped.

use crate::error::printable;

/// Columns of a line.
const WIDTH: usize = 78;
/// Stands for a blank at which no line ends; text that is [`printable`] holds none.
const KEPT_BLANK: &str = "\u{1f}";

/// A name from outside as it is shown, on one line as long as that has room for it.
pub fn shown(name: &str) -> String {
    printable(name).replace(' ', KEPT_BLANK)
}

/// Text of at most [`WIDTH`] columns.
#[derive(Default)]
pub struct Lines(pub String);

impl Lines {
    pub fn line(&mut self, text: &str) {
        self.wrapped("", text);
    }

    pub fn heading(&mut self, text: &str) {
        self.0.push('\n');
        self.line(&text.to_uppercase());
    }

    /// A name, and what is said of it beside it.
    pub fn item(&mut self, name: &str, text: &str) {
        const COLUMN: usize = 16;
        let name: String = if name == "-" {
            "- ".to_owned()
        } else {
            format!("{name:<COLUMN$} ")
        };
        self.wrapped(&name, text);
    }

    /// Words in lines, the first behind `lead`, the others below where it ends.
    pub fn wrapped(&mut self, lead: &str, text: &str) {
        let lead: &str = &lead.chars().take(WIDTH).collect::<String>();
        let indent = lead.chars().count().min(WIDTH / 2);
        let room = WIDTH - indent;
        let mut line = String::new();
        let mut first = true;
        let mut put = |line: &mut String, out: &mut String| {
            match first {
                true => out.push_str(lead),
                false => out.extend(std::iter::repeat_n(' ', indent)),
            }
            first = false;
            out.push_str(&line.replace(KEPT_BLANK, " "));
            out.truncate(out.trim_end_matches(' ').len());
            out.push('\n');
            line.clear();
        };
        // a lead that is longer than its column stands alone
        if lead.chars().count() > indent {
            put(&mut String::new(), &mut self.0);
        }
        for word in pieces(text, room) {
            let length = line.chars().count() + word.chars().count();
            if !line.is_empty() && length > room {
                put(&mut line, &mut self.0);
            }
            line.push_str(&word);
        }
        put(&mut line, &mut self.0);
    }
}

/// Words with the blanks behind them; one that fits into no line is cut.
fn pieces(text: &str, room: usize) -> impl Iterator<Item = String> {
    text.split_inclusive(' ').flat_map(move |word| {
        let chars: Vec<char> = word.chars().collect();
        let pieces: Vec<String> = chars.chunks(room).map(|c| c.iter().collect()).collect();
        pieces
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_78_columns() {
        let mut lines = Lines::default();
        lines.item("snare-bottom", &"words and more of them, ".repeat(30));
        lines.item(&"x".repeat(100), "short");
        lines.wrapped("", &"é".repeat(200));
        lines.item("kick-in", "");
        assert!(
            lines.0.lines().all(|line| line.chars().count() <= WIDTH),
            "{}",
            lines.0
        );
        assert!(lines.0.lines().all(|line| !line.ends_with(' ')));
        let second = lines.0.lines().nth(1).expect("a second line");
        assert_eq!(second.find(|c| c != ' '), Some(17), "{second:?}");
    }

    #[test]
    fn a_name_is_not_cut_at_its_blanks_and_makes_no_line() {
        let mut lines = Lines::default();
        let name = shown("Low Tide/Snare\nerror: forged.wav");
        lines.wrapped("", &format!("{}{name}: not heard", "a ".repeat(35)));
        assert_eq!(
            lines.0.lines().nth(1),
            Some("Low Tide/Snare\\u{a}error: forged.wav: not heard")
        );
    }
}
