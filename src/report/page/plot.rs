//! Pictures of a track: outline and spectrum, as thin lines in the colour of the text.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::dsp::axis;
use crate::measure::picture::{BANDS, Picture, STEPS, mid_hz};
use crate::stage::{Chain, Stage};
use crate::units::round_to;

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

/// How to read the pictures.
pub fn legend() -> Markup {
    html! {
        p.legend {
            "Waveform: lowest and highest sample of each column, before and after on one scale; a mark above it is a "
            "clipped place. Spectrum: mean level in third-octave bands over the whole track; dotted before, solid "
            "after; the dashed line is the applied curve of the linear stages without gains, on the same scale of "
            "dB, around the line marked 0."
        }
    }
}

/// The largest value of the pictures, as the power of two that holds it: the edge of the scale.
pub fn scale(pictures: &[&Picture]) -> f64 {
    let peak = pictures
        .iter()
        .flat_map(|p| p.low.iter().chain(&p.high))
        .map(|v| f64::from(v.unsigned_abs()) / STEPS)
        .fold(0.0, f64::max);
    let mut edge = 1.0;
    while edge < peak {
        edge *= 2.0;
    }
    while edge > 1.0 / 1024.0 && edge / 2.0 >= peak {
        edge /= 2.0;
    }
    edge
}

/// The outline of a track. `edge` is what reaches the rim; `marks` are clipped places as shares of
/// the length, 0 to 1.
pub fn outline(picture: &Picture, edge: f64, marks: &[f64], title: &str, words: &str) -> Markup {
    let y = |v: i16| (-f64::from(v) / STEPS / edge * HALF).round() as i32;
    let mut path = String::new();
    let columns = picture.low.len().max(1);
    let step = (WIDE / columns).max(1) as i32;
    let mut at = (0, 0);
    let mut to = |x: i32, y: i32| {
        // Relative lines without needless blanks: half the size.
        let (dx, dy) = (x - at.0, y - at.1);
        let _ = match path.is_empty() {
            true => write!(path, "M{x} {y}l"),
            false => write!(
                path,
                "{}{dx}{}{dy}",
                if dx < 0 { "" } else { " " },
                if dy < 0 { "" } else { " " }
            ),
        };
        at = (x, y);
    };
    let there = picture.high.iter().enumerate().map(|(i, &v)| (i, v));
    let back = picture.low.iter().enumerate().rev().map(|(i, &v)| (i, v));
    for (i, v) in there.chain(back) {
        to(i as i32 * step, y(v));
    }
    let mut clipped = String::new();
    for mark in marks {
        let _ = write!(clipped, "M{} -50v7", (mark * WIDE as f64).round());
    }
    html! {
        svg.outline role="img" viewBox={ "0 -52 " (WIDE) " 94" } {
            title { (title) }
            desc { (words) }
            path.rule d={ "M0 0H" (WIDE) "M0 -40H" (WIDE) "M0 40H" (WIDE) } {}
            @if !path.is_empty() { path.wave d=(path) {} }
            @if !clipped.is_empty() { path.mark d=(clipped) {} }
        }
    }
}

/// Third-octave spectra and the curve of the linear stages. `None` where both are silent.
pub fn spectrum(
    before: Option<&Picture>,
    after: Option<&Picture>,
    stages: &[Stage],
    rate_hz: f64,
) -> Option<Markup> {
    let bands = |p: Option<&Picture>| p.map(|p| p.bands_db.clone()).unwrap_or_default();
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
    fn an_outline_stays_below_six_kilobytes() {
        // The worst case: every column jumps over the whole height.
        let high = (0..200)
            .map(|i| if i % 2 == 0 { 2000 } else { 1 })
            .collect();
        let low = (0..200)
            .map(|i| if i % 2 == 0 { -2000 } else { -1 })
            .collect();
        let picture = Picture {
            low,
            high,
            bands_db: Vec::new(),
        };
        let marks: Vec<f64> = (0..40).map(|i| f64::from(i) / 40.0).collect();
        let svg = outline(&picture, 1.0, &marks, "Before", "words").into_string();
        assert!(svg.len() < 6000, "{}", svg.len());
        assert!(svg.contains("M0 -40l 3 40"), "{svg}");
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

    #[test]
    fn the_scale_is_the_power_of_two_that_holds_everything() {
        let with = |v: i16| Picture {
            low: vec![-v],
            high: vec![0],
            bands_db: Vec::new(),
        };
        assert_eq!(scale(&[&with(2000)]), 1.0);
        assert_eq!(scale(&[&with(2001)]), 2.0);
        assert_eq!(scale(&[&with(400), &with(100)]), 0.25);
        assert!(scale(&[&with(0)]) > 0.0);
    }
}
