//! Pictures of a track: outline and spectrum, as thin lines in the colour of the text.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::text;
use crate::dsp::axis;
use crate::measure::waveform::{BANDS, STEPS, Waveform, mid_hz};
use crate::stage::{Chain, Stage};
use crate::units::round_to;
use crate::wording::numbers::plain;

/// The outline: so wide, and this much above and below the middle.
const HALF: f64 = 40.0;
const WIDE: usize = 600;

/// The spectrum: 150 units a decade, and 25 dB as high as a decade is wide.
const DECADE: f64 = 150.0;
const PER_DB: f64 = DECADE / 25.0;
const RANGE_DB: f64 = 50.0;
/// Where 0 dB of the applied curve lies below the top.
const CURVE_ZERO_DB: f64 = 15.0;

fn x(hz: f64) -> f64 {
    axis::position(hz) * axis::DECADES * DECADE
}

/// What all spectra share, drawn once.
pub fn shared() -> Markup {
    let height = RANGE_DB * PER_DB;
    html! {
        svg.shared width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                g #axes {
                    @for (hz, label) in axis::NAMED {
                        @let at = round_to(x(hz), 1);
                        path.rule d={ "M" (at) " 0V" (height) } {}
                        text x=(at) y=(height + 16.0) text-anchor="middle" { (label) }
                    }
                    text x=(x(20_000.0) / 2.0) y=(height + 34.0) text-anchor="middle" { "frequency, Hz" }
                    @for step in 0..=5 {
                        path.rule d={ "M0 " (f64::from(step) * 10.0 * PER_DB) "H" (round_to(x(20_000.0), 1)) } {}
                    }
                }
            }
        }
    }
}

/// A place on a waveform.
pub struct Pin {
    /// In seconds of the track.
    pub at_s: f64,
    /// A problem; else less than that.
    pub grave: bool,
    /// What is there.
    pub words: String,
    /// The sound to play from there, where there is one.
    pub address: Option<String>,
}

/// Peaks of the source upwards and of the stem downwards, as hairlines over one time axis, both on
/// one scale: the largest fills its half.
pub fn wave(
    before: Option<&Waveform>,
    after: Option<&Waveform>,
    length_s: f64,
    pins: &[Pin],
    about: &str,
) -> Markup {
    let peaks = |waveform: Option<&Waveform>| -> Vec<f64> {
        let both = waveform.map(|p| p.low.iter().zip(&p.high));
        both.into_iter()
            .flatten()
            .map(|(low, high)| f64::from(low.unsigned_abs().max(high.unsigned_abs())) / STEPS)
            .collect()
    };
    let (up, down) = (peaks(before), peaks(after));
    let top = up.iter().chain(&down).copied().fold(0.0, f64::max);
    let hairs = |peaks: &[f64], sign: f64| {
        let mut path = String::new();
        let step = WIDE as f64 / peaks.len().max(1) as f64;
        for (i, peak) in peaks.iter().enumerate() {
            let high = (peak / top.max(1e-9) * HALF).round();
            if high >= 1.0 {
                let _ = write!(path, "M{} 0V{}", (i as f64 * step).round(), sign * high);
            }
        }
        path
    };
    let x = |at_s: f64| round_to((at_s / length_s.max(1e-9)).clamp(0.0, 1.0) * WIDE as f64, 1);
    let level = |peaks: &[f64]| {
        let peak = peaks.iter().copied().fold(0.0, f64::max);
        crate::units::ratio_to_db(peak)
            .map_or(text::NONE.to_owned(), |db| format!("{} dBFS", plain(db, 1)))
    };
    html! {
        svg.wave role=(if pins.is_empty() { "img" } else { "group" }) viewBox={ "-6 -68 " (WIDE + 12) " 128" } {
            title { "Peaks of " (about) " over time" }
            desc { "Source up to " (level(&up)) ", stem up to " (level(&down)) ", " (text::time(length_s, 1)) " long" }
            path.rule d={ "M0 -44H" (WIDE) "M0 44H" (WIDE) } {}
            path.source d=(hairs(&up, -1.0)) {}
            path.stem d=(hairs(&down, 1.0)) {}
            path.zero d={ "M0 0H" (WIDE) } {}
            @for at in ticks(length_s) {
                path.rule d={ "M" (x(at)) " 44v4" } {}
                text x=(x(at)) y="58" text-anchor="middle" { (text::time(at, 0)) }
            }
            @for pin in pins {
                @let drawn = html! { path.pin .grave[pin.grave] d={ "M" (x(pin.at_s)) " -46l-4 -8h8Z" } {} };
                @match &pin.address {
                    Some(address) => a.listen href=(address) aria-label={ "Play " (about) ": " (pin.words) } { title { (pin.words) } rect.target x=(x(pin.at_s) - 12.0) y="-68" width="24" height="24" {} (drawn) },
                    None => (drawn),
                }
            }
        }
    }
}

/// Round times, six at the most behind the start.
pub(super) fn ticks(length_s: f64) -> Vec<f64> {
    const STEPS_S: [f64; 12] = [
        1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 3600.0,
    ];
    let step = STEPS_S
        .iter()
        .copied()
        .find(|step| length_s / step <= 6.0)
        .unwrap_or(7200.0);
    (0..=6)
        .map(|i| f64::from(i) * step)
        .filter(|at| *at <= length_s)
        .collect()
}

/// Third-octave spectra and the curve of the linear stages. `None` where both are silent.
pub fn spectrum(
    before: Option<&Waveform>,
    after: Option<&Waveform>,
    stages: &[Stage],
    rate_hz: f64,
) -> Option<Markup> {
    let bands = |p: Option<&Waveform>| p.map(|p| p.bands_db.clone()).unwrap_or_default();
    let (before, after) = (bands(before), bands(after));
    let loudest = before
        .iter()
        .chain(&after)
        .flatten()
        .copied()
        .max_by(f64::total_cmp)?;
    let top = ((loudest + 2.0) / 10.0).ceil() * 10.0;
    let height = RANGE_DB * PER_DB;
    let y = |db: f64| round_to(((top - db) * PER_DB).clamp(0.0, height), 0);
    let line = |bands: &[Option<f64>]| {
        let points = bands
            .iter()
            .take(BANDS)
            .enumerate()
            .filter_map(|(i, db)| db.map(|db| (round_to(x(mid_hz(i)), 0), y(db))));
        lines(points)
    };
    let curve = curve(stages, rate_hz);
    let curve_y = |db: f64| round_to(((CURVE_ZERO_DB - db) * PER_DB).clamp(0.0, height), 0);
    let curve_line = lines(
        curve
            .iter()
            .map(|&(hz, db)| (round_to(x(hz), 0), curve_y(db))),
    );
    let words = words(&before, &after, &curve);
    let low = top - RANGE_DB;
    Some(html! {
        svg.spectrum role="img" viewBox={ "-46 -14 " (round_to(x(20_000.0), 0) + 82.0) " " (height + 54.0) } {
            title { "Third-octave spectrum before and after, " (top) " to " (low) " dB re full scale" }
            desc { (words) }
            use href="#axes" {}
            @for step in 0..=5u32 {
                @let db = top - f64::from(step) * 10.0;
                text x="-8" y=(f64::from(step) * 10.0 * PER_DB + 4.0) text-anchor="end" { (db) }
            }
            @if !before.is_empty() { path.before d=(line(&before)) {} }
            @if !after.is_empty() { path.after d=(line(&after)) {} }
            @if !curve.is_empty() {
                path.zero d={ "M0 " (CURVE_ZERO_DB * PER_DB) "H" (round_to(x(20_000.0), 0)) } {}
                text x=(round_to(x(20_000.0), 0) + 6.0) y=(CURVE_ZERO_DB * PER_DB + 4.0) { "0 dB" }
                path.curve d=(curve_line) {}
            }
        }
    })
}

/// The response of the linear stages without gains, 24 points an octave at the most.
fn curve(stages: &[Stage], rate_hz: f64) -> Vec<(f64, f64)> {
    let shaping = |s: &&Stage| !matches!(s, Stage::Gain(_) | Stage::Polarity(_) | Stage::Delay(_));
    let stages: Vec<Stage> = stages.iter().filter(shaping).cloned().collect();
    let hz = |i: u32| 20.0 * 10f64.powf(f64::from(i) / 40.0);
    (0..=120)
        .map(hz)
        .filter(|&hz| hz < rate_hz / 2.0)
        .filter_map(|hz| {
            Chain::response(&stages, rate_hz, hz)
                .filter(|db| db.is_finite())
                .map(|db| (hz, db))
        })
        .collect()
}

fn lines(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    for (i, (x, y)) in points.enumerate() {
        let _ = write!(path, "{}{x} {y}", if i == 0 { "M" } else { "L" });
    }
    path
}

/// The same in words, for those who do not see it.
fn words(before: &[Option<f64>], after: &[Option<f64>], curve: &[(f64, f64)]) -> String {
    let mut text = String::new();
    for (name, bands) in [("Before", before), ("After", after)] {
        let loudest = bands
            .iter()
            .enumerate()
            .filter_map(|(i, db)| db.map(|db| (i, db)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((band, db)) = loudest {
            let _ = write!(
                text,
                "{name}: strongest in the band at {} Hz, {db} dB. ",
                round_to(mid_hz(band), 0)
            );
        }
    }
    if let (Some(first), Some(last)) = (curve.first(), curve.last()) {
        let most = curve
            .iter()
            .fold(first, |m, c| if c.1 > m.1 { c } else { m });
        let least = curve
            .iter()
            .fold(first, |m, c| if c.1 < m.1 { c } else { m });
        let at = |c: &(f64, f64)| format!("{} dB at {} Hz", round_to(c.1, 1), round_to(c.0, 0));
        let _ = write!(
            text,
            "Applied curve: highest {}, lowest {}, {} at the upper end.",
            at(most),
            at(least),
            at(last)
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::Peak;

    #[test]
    fn a_waveform_stays_below_eight_kilobytes_and_leaves_silence_out() {
        let loud = Waveform {
            low: vec![-2000; 200],
            high: vec![1999; 200],
            bands_db: Vec::new(),
        };
        let silent = Waveform {
            low: vec![0; 200],
            high: vec![0; 200],
            bands_db: Vec::new(),
        };
        let svg = wave(Some(&loud), Some(&silent), 30.0, &[], "kick").into_string();
        assert!(svg.len() < 8000, "{}", svg.len());
        assert!(svg.contains("M0 0V-40"), "{svg}");
        assert!(svg.contains("Source up to 0.0 dBFS, stem up to –"), "{svg}");
    }

    #[test]
    fn times_under_a_waveform_are_round_and_few() {
        assert_eq!(ticks(9.2), [0.0, 2.0, 4.0, 6.0, 8.0]);
        assert_eq!(ticks(232.0), [0.0, 60.0, 120.0, 180.0]);
        assert!(ticks(7200.0).len() <= 7);
    }

    #[test]
    fn a_decade_is_as_wide_as_25_db_are_high() {
        assert!((x(200.0) - x(20.0) - 25.0 * PER_DB).abs() < 1e-9);
        assert!((x(20_000.0) - 3.0 * DECADE).abs() < 1e-9);
    }

    #[test]
    fn the_curve_is_that_of_the_linear_stages_around_zero() {
        let peak = Stage::Peak(Peak {
            freq_hz: 1000.0,
            gain_db: 6.0,
            q: 1.0,
        });
        let gain = Stage::Gain(crate::stage::Gain { gain_db: 20.0 });
        let found = curve(&[gain.clone(), peak], 48_000.0);
        let top = found
            .iter()
            .fold((0.0, 0.0), |m, &c| if c.1 > m.1 { c } else { m });
        assert!(
            (top.1 - 6.0).abs() < 0.05 && (top.0 / 1000.0 - 1.0).abs() < 0.06,
            "{top:?}"
        );
        assert!(curve(&[gain], 48_000.0).is_empty());
    }
}
