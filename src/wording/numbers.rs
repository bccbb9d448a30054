//! Numbers, units and plurals as people read them.

use crate::units::round_to;

/// `1 hit`, `2 hits`, `3 rough mixes`.
pub fn counted(n: impl TryInto<u64>, what: &str) -> String {
    let n = n.try_into().unwrap_or(u64::MAX);
    let ending = match what.ends_with(['s', 'x']) || what.ends_with("ch") {
        _ if n == 1 => "",
        true => "es",
        false => "s",
    };
    format!("{n} {what}{ending}")
}

/// With `digits` decimals, a real minus, and never a negative zero.
pub fn plain(value: f64, digits: u32) -> String {
    let rounded = round_to(value, digits);
    format!("{rounded:.*}", digits as usize).replace('-', "−")
}

/// A difference or gain with its sign: `+3.4 dB`, `−0.5 dB`, `0.0 dB`.
pub fn db(value: f64) -> String {
    signed(value, 1, "dB")
}

/// A value with its sign and `digits` decimals: `−0.9 semitones`.
pub fn signed(value: f64, digits: u32, unit: &str) -> String {
    format!("{} {unit}", super::text::signed(value, digits))
}

/// A size without a sign, where words say the direction: `3.4 dB`, `2.9 m`, `300.0 ms`.
pub fn size(value: f64, unit: &str) -> String {
    format!("{} {unit}", plain(value.abs(), 1))
}

/// A level: `−15.4 dBFS`, `1.2 dBTP`.
pub fn level(value: f64, unit: &str) -> String {
    format!("{} {unit}", plain(value, 1))
}

/// A frequency: `209.0 Hz`.
pub fn hz(value: f64) -> String {
    format!("{} Hz", plain(value, 1))
}

/// A sample rate: `44.1 kHz`, `48 kHz`.
pub fn rate(rate_hz: f64) -> String {
    format!("{} kHz", round_to(rate_hz / 1000.0, 3))
}

/// A number as a person wrote it, in a preset or a session file: `−12`, `0.5`.
pub fn written(value: f64) -> String {
    format!("{value}").replace('-', "−")
}

/// A place in time: `0:09.200`, `62:03.100`.
pub fn time(seconds: f64) -> String {
    let ms = (seconds.max(0.0) * 1000.0).round() as u64;
    format!("{}:{:02}.{:03}", ms / 60_000, ms / 1000 % 60, ms % 1000)
}

/// A length: `2.0 s`, `340.0 ms`.
pub fn length(seconds: f64) -> String {
    match seconds < 1.0 {
        true => size(seconds * 1000.0, "ms"),
        false => size(seconds, "s"),
    }
}

/// A share of 1: `91 %`.
pub fn percent(share: f64) -> String {
    format!("{} %", plain(share * 100.0, 0))
}

/// How much higher one frequency is than another: `−0.9 semitones`.
pub fn semitones(from_hz: f64, to_hz: f64) -> String {
    signed(12.0 * (to_hz / from_hz).log2(), 1, "semitones")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(counted(1u64, "hit"), "1 hit");
        assert_eq!(counted(0usize, "hit"), "0 hits");
        assert_eq!(counted(2usize, "rough mix"), "2 rough mixes");
        assert_eq!(
            [db(3.44), db(-0.5), db(-0.01)],
            ["+3.4 dB", "−0.5 dB", "0.0 dB"]
        );
        assert_eq!(size(-5.06, "dB"), "5.1 dB");
        assert_eq!(level(-15.42, "dBFS"), "−15.4 dBFS");
        assert_eq!(hz(209.0), "209.0 Hz");
        assert_eq!([rate(44_100.0), rate(48_000.0)], ["44.1 kHz", "48 kHz"]);
        assert_eq!(
            [time(9.2), time(3723.1), time(59.9999)],
            ["0:09.200", "62:03.100", "1:00.000"]
        );
        assert_eq!([length(2.0), length(0.3)], ["2.0 s", "300.0 ms"]);
        assert_eq!(percent(0.914), "91 %");
        // twelve semitones are an octave
        assert_eq!(semitones(220.0, 110.0), "−12.0 semitones");
        assert_eq!([written(-12.0), written(0.5)], ["−12", "0.5"]);
    }
}
