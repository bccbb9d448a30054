//! Figures as a person reads them: a real minus, fixed decimals, times as `m:ss.t`, takes as ranges.

use super::numbers::plain;
use crate::units::round_to;

/// Stands where nothing was measured.
pub const NONE: &str = "–";

/// A figure with its sign, but for zero.
pub fn signed(value: f64, decimals: u32) -> String {
    let plus = if round_to(value, decimals) > 0.0 {
        "+"
    } else {
        ""
    };
    format!("{plus}{}", plain(value, decimals))
}

/// A figure that may be missing.
pub fn or_none(value: Option<f64>, decimals: u32) -> String {
    value.map_or(NONE.to_owned(), |value| plain(value, decimals))
}

/// `before → after`.
pub fn change(before: Option<f64>, after: Option<f64>, decimals: u32) -> String {
    format!(
        "{} → {}",
        or_none(before, decimals),
        or_none(after, decimals)
    )
}

/// Minutes and seconds with so many decimals: `1:28.0`.
pub fn time(seconds: f64, decimals: u32) -> String {
    let seconds = round_to(seconds.max(0.0), decimals);
    let minutes = (seconds / 60.0).floor();
    let width = if decimals == 0 {
        2
    } else {
        3 + decimals as usize
    };
    let rest = seconds - 60.0 * minutes;
    format!("{minutes}:{rest:0width$.*}", decimals as usize)
}

/// Hours and minutes, or minutes: "2 h 5 min", "45 min", under a minute "12 s".
pub fn duration(seconds: f64) -> String {
    if seconds < 59.5 {
        return format!("{seconds:.0} s");
    }
    let minutes = (seconds / 60.0).round() as u64;
    match minutes / 60 {
        0 => format!("{minutes} min"),
        hours => format!("{hours} h {} min", minutes % 60),
    }
}

/// An estimate, good for two digits: "12 s", "45 min", "2.1 h".
pub fn about(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{:.0} s", s.max(1.0)),
        s if s < 5_400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3_600.0),
    }
}

/// `take-03` as "take 3"; a name that is not a number stays.
pub fn take(slug: &str) -> String {
    match number(slug) {
        Some(n) => format!("take {n}"),
        None => slug.to_owned(),
    }
}

/// The number of a take, where its slug has one; a copy's number stays with it.
pub fn number(slug: &str) -> Option<u64> {
    slug.strip_prefix("take-")?.parse().ok()
}

/// "take 3", "takes 1 to 4", "takes 1, 2 and 4"; names that are not numbers follow.
pub fn takes(slugs: &[&str]) -> String {
    let numbers: Vec<u64> = slugs.iter().filter_map(|slug| number(slug)).collect();
    let names = slugs.iter().filter(|slug| number(slug).is_none());
    let mut parts: Vec<String> = Vec::new();
    let mut i = 0;
    while i < numbers.len() {
        let mut end = i;
        while end + 1 < numbers.len() && numbers[end + 1] == numbers[end] + 1 {
            end += 1;
        }
        if end >= i + 2 {
            parts.push(format!("{} to {}", numbers[i], numbers[end]));
        } else {
            parts.extend(numbers[i..=end].iter().map(u64::to_string));
        }
        i = end + 1;
    }
    let mut all = Vec::new();
    if !parts.is_empty() {
        let word = if numbers.len() == 1 { "take" } else { "takes" };
        all.push(format!("{word} {}", list(&parts)));
    }
    all.extend(names.map(|name| (*name).to_owned()));
    list(&all)
}

/// "a", "a and b", "a, b and c".
pub fn list(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// From one frequency to another, in semitones (12 to the octave).
pub fn semitones(from_hz: f64, to_hz: f64) -> f64 {
    12.0 * (to_hz / from_hz).log2()
}

/// The nearest note of equal temperament at A4 = 440 Hz (ISO 16), and how far off, in cents.
pub fn note(hz: f64) -> String {
    const NAMES: [&str; 12] = [
        "C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B",
    ];
    // MIDI's numbers: A4 is 69, C-1 is 0.
    let exact = 69.0 + semitones(440.0, hz);
    let nearest = exact.round();
    let cents = ((exact - nearest) * 100.0).round();
    let name = NAMES[(nearest as i64).rem_euclid(12) as usize];
    let octave = (nearest as i64).div_euclid(12) - 1;
    match cents == 0.0 {
        true => format!("{name}{octave}"),
        false => format!("{name}{octave} {} ct", signed(cents, 0)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_their_sign_and_a_dash_where_there_is_none() {
        assert_eq!(signed(2.0, 1), "+2.0");
        assert_eq!(signed(0.02, 1), "0.0");
        assert_eq!(change(Some(-1.4), None, 1), "−1.4 → –");
    }

    #[test]
    fn times_are_minutes_and_seconds() {
        assert_eq!(time(88.04, 1), "1:28.0");
        assert_eq!(time(59.96, 1), "1:00.0");
        assert_eq!(time(6.4, 1), "0:06.4");
        assert_eq!(time(62.44, 1), "1:02.4");
        assert_eq!(time(0.0, 1), "0:00.0");
        assert_eq!(time(232.4, 0), "3:52");
        assert_eq!(duration(45.0 * 60.0), "45 min");
        assert_eq!(duration(7500.0), "2 h 5 min");
    }

    #[test]
    fn takes_are_ranges_where_three_follow_each_other() {
        assert_eq!(takes(&["take-03"]), "take 3");
        assert_eq!(
            takes(&["take-01", "take-02", "take-03", "take-04"]),
            "takes 1 to 4"
        );
        assert_eq!(
            takes(&["take-01", "take-02", "take-04"]),
            "takes 1, 2 and 4"
        );
        assert_eq!(takes(&["take-01", "comp"]), "take 1 and comp");
        assert_eq!(takes(&["take-007", "take-120"]), "takes 7 and 120");
    }

    #[test]
    fn notes_are_those_of_equal_temperament() {
        // ISO 16: A4 is 440 Hz; a semitone is a factor of 2^(1/12).
        assert_eq!(note(440.0), "A4");
        assert_eq!(note(220.0 * 2f64.powf(0.05 / 12.0)), "A3 +5 ct");
        assert_eq!(note(58.1), "A♯1 −5 ct");
        assert!((semitones(196.0, 156.0) + 3.95).abs() < 0.01);
    }
}
