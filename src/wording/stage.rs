//! Stages and codes of findings in a few words, for tables and lists.

use super::numbers::{plain, signed, written};
use crate::finding::Code;
use crate::stage::Stage;

/// A frequency in as few digits as it needs: `58 Hz`, `2.5 kHz`.
fn at(hz: f64) -> String {
    match hz >= 1000.0 {
        true => format!("{} kHz", trimmed(hz / 1000.0)),
        false => format!("{} Hz", plain(hz, 0)),
    }
}

/// At most one decimal, and none where it is zero.
fn trimmed(value: f64) -> String {
    let text = plain(value, 1);
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

fn by(gain_db: f64) -> String {
    signed(gain_db, 1, "dB").replace(".0 ", " ")
}

/// What a stage does: `high-pass 80 Hz`, `+3 dB at 196 Hz`, `drive 12 dB`.
pub fn stage(stage: &Stage) -> String {
    match stage {
        Stage::HighPass(s) => format!("high-pass {}", at(s.freq_hz)),
        Stage::LowPass(s) => format!("low-pass {}", at(s.freq_hz)),
        Stage::Peak(s) => format!("{} at {}", by(s.gain_db), at(s.freq_hz)),
        Stage::LowShelf(s) => format!("{} below {}", by(s.gain_db), at(s.freq_hz)),
        Stage::HighShelf(s) => format!("{} above {}", by(s.gain_db), at(s.freq_hz)),
        Stage::Tilt(s) => format!("tilt {} around {}", by(s.gain_db), at(s.freq_hz)),
        Stage::Notch(s) => format!("notch at {}", at(s.freq_hz)),
        Stage::Drive(s) => format!("drive {} dB", trimmed(s.drive_db)),
        Stage::Compress(s) => format!(
            "compress {}:1 from {} dBFS",
            trimmed(s.ratio),
            written(s.threshold_db)
        ),
        Stage::Gate(s) => format!("gate, {} dB", trimmed(s.range_db)),
        Stage::Gain(s) => format!("gain {}", by(s.gain_db)),
        Stage::Polarity(s) if s.inverted => "inverted".to_owned(),
        Stage::Polarity(_) => "not inverted".to_owned(),
        Stage::Delay(s) => match (s.samples, s.ms) {
            (Some(samples), _) => format!("delay {samples} samples"),
            (None, Some(ms)) => format!("delay {} ms", plain(ms, 2)),
            (None, None) => "delay 0".to_owned(),
        },
    }
}

/// A finding's code as a word in a table.
pub fn code(code: Code) -> &'static str {
    match code {
        Code::Clipped => "clipped",
        Code::Silent => "silence",
        Code::NotPlayed => "not played",
        Code::Dropout => "dropout",
        Code::Click => "click",
        Code::Hum => "hum",
        Code::DcOffset => "DC offset",
        Code::Polarity => "polarity",
        Code::Delay => "delay",
        Code::Duplicate => "duplicate",
        Code::PairMismatch => "pair differs",
        Code::SidesSwapped => "sides swapped",
        Code::RateMismatch => "sample rate",
        Code::LengthMismatch => "length",
        Code::LevelStep => "level step",
        Code::Detuned => "tuning moved",
        Code::UnlikelyMic => "name doubtful",
        Code::UnknownMic => "name unknown",
        Code::Unreadable => "unreadable",
        Code::Truncated => "cut short",
        Code::NonFinite => "broken samples",
        Code::Metronome => "metronome",
        Code::OddHeader => "odd header",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::{HighPass, Peak};

    #[test]
    fn a_stage_reads_as_an_engineer_would_say_it() {
        let peak = |freq_hz, gain_db| {
            let q = 1.0;
            stage(&Stage::Peak(Peak {
                freq_hz,
                gain_db,
                q,
            }))
        };
        assert_eq!(peak(196.3, 3.0), "+3 dB at 196 Hz");
        assert_eq!(peak(4500.0, -2.5), "−2.5 dB at 4.5 kHz");
        let high_pass = HighPass {
            freq_hz: 80.0,
            order: 4,
            shape: Default::default(),
        };
        assert_eq!(stage(&Stage::HighPass(high_pass)), "high-pass 80 Hz");
    }
}
