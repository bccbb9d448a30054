//! The magnitude response of a preset's linear stages, as text, JSON and SVG.
//!
//! What is not linear (drive, compress, gate) has no magnitude response: it is named as not shown.
//! What follows the drum is drawn at its fallback frequency.

use std::fmt::Write;

use serde::Serialize;

use super::Preset;
use crate::dsp::axis::{DECADES, NAMED, at, position};
use crate::error::printable;
use crate::problem::Problems;
use crate::stage::Chain;

/// Points per decade.
const PER_DECADE: u32 = 80;

/// A curve.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Curve {
    /// Version of this form: 1.
    pub schema: u32,
    /// Name of the preset.
    pub preset: String,
    /// Sample rate, in hertz.
    pub rate_hz: f64,
    /// From 20 Hz to 20 kHz or half the rate, 80 a decade.
    pub points: Vec<Point>,
    /// What the curve leaves out, or draws at a fallback; in words.
    pub notes: Vec<String>,
}

/// A point of a [`Curve`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Frequency, to 0.001 Hz.
    pub hz: f64,
    /// Magnitude in decibels, to 0.001 dB; −300 at least.
    pub db: f64,
}

impl Curve {
    /// The curve of a preset at a sample rate.
    ///
    /// # Errors
    /// Every value that this rate does not allow.
    pub fn new(preset: &Preset, rate_hz: f64) -> Result<Self, Problems> {
        preset.check_at(rate_hz, "this curve")?;
        let stages = preset.fallback();
        let rounded = |x: f64| (x * 1000.0).round() / 1000.0;
        let hz = (0..=3 * PER_DECADE).map(|i| at(f64::from(i) / f64::from(3 * PER_DECADE)));
        let points = hz.filter(|hz| *hz <= rate_hz / 2.0).map(|hz| Point {
            hz: rounded(hz),
            db: rounded(Chain::response(&stages, rate_hz, hz).unwrap_or(0.0)),
        });
        let mut notes = Vec::new();
        for (index, step) in preset.stages.iter().enumerate() {
            let (nth, name) = (index + 1, step.name());
            if step
                .stage
                .settings()
                .magnitude_db(rate_hz, 1000.0)
                .is_none()
            {
                notes.push(format!("stage {nth} ({name}) is not linear and not shown"));
            } else if step.follow.is_some() {
                let text = format!("stage {nth} ({name}) follows the drum; shown at its `freq_hz`");
                notes.push(text);
            }
        }
        Ok(Self {
            schema: 1,
            preset: preset.name.clone(),
            rate_hz,
            points: points.collect(),
            notes,
        })
    }

    /// For `--json`: one object, ends with a line break.
    pub fn json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).expect("plain data");
        text.push('\n');
        text
    }

    /// For a terminal of 80 columns.
    pub fn text(&self) -> String {
        const COLUMNS: usize = 72;
        let (low, high, step) = self.scale(16);
        let rows = ((high - low) / step).round() as usize + 1;
        let row_of = |db: f64| ((high - db) / step).round();
        let mut grid = vec![vec![' '; COLUMNS]; rows];
        if let Some(row) = grid.get_mut(row_of(0.0) as usize) {
            row.fill('.');
        }
        let mut before: Option<usize> = None;
        for column in 0..COLUMNS {
            let hz = at(column as f64 / (COLUMNS - 1) as f64);
            let Some(db) = self.db(hz) else { continue };
            let row = row_of(db);
            if row >= rows as f64 {
                before = before.map(|_| rows); // below the scale
                continue;
            }
            let row = row.max(0.0) as usize;
            // A steep slope is drawn without gaps.
            let (from, to) = match before {
                Some(b) if b + 1 < row => (b + 1, row),
                Some(b) if b > row + 1 => (row, b - 1),
                _ => (row, row),
            };
            for line in grid.iter_mut().take(to + 1).skip(from) {
                line[column] = '*';
            }
            before = Some(row);
        }
        let name = printable(&self.preset);
        let mut text = format!("{name}: magnitude in dB at {} Hz\n\n", self.rate_hz);
        for (row, line) in grid.iter().enumerate() {
            let db = high - row as f64 * step;
            let sign = if db > 0.0 { "+" } else { "" };
            let line: String = line.iter().collect();
            let label = format!("{sign}{db}");
            text.push_str(format!("{label:>5} |{line}").trim_end());
            text.push('\n');
        }
        let (mut axis, mut names) = (vec!['-'; COLUMNS], vec![' '; COLUMNS + 4]);
        for (hz, name) in NAMED {
            let column = (position(hz) * (COLUMNS - 1) as f64).round() as usize;
            axis[column] = '+';
            let start = column.saturating_sub(name.len() / 2);
            names.splice(start..start + name.len(), name.chars());
        }
        let (axis, names): (String, String) = (axis.iter().collect(), names.iter().collect());
        let _ = writeln!(text, "      +{axis}\n    Hz {}", names.trim_end());
        if !self.notes.is_empty() {
            text.push('\n');
        }
        for note in &self.notes {
            let _ = writeln!(text, "{note}");
        }
        text
    }

    /// A picture of its own: takes the colour of the text around it, and says in words what it
    /// shows.
    pub fn svg(&self) -> String {
        const WIDTH: f64 = 640.0;
        const HEIGHT: f64 = 280.0;
        const LEFT: f64 = 48.0;
        const TOP: f64 = 12.0;
        let (low, high, step) = self.scale(8);
        let x = |hz: f64| LEFT + position(hz) * WIDTH;
        let y = |db: f64| TOP + (high - db.clamp(low, high)) / (high - low) * HEIGHT;
        let (right, bottom) = (LEFT + WIDTH, TOP + HEIGHT);
        let name = escaped(&self.preset);
        let rate = self.rate_hz;
        let mut notes = self.notes.join("; ");
        if !notes.is_empty() {
            notes = format!(" {}.", escaped(&notes));
        }
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" \
             aria-label=\"Magnitude response of {name}\" \
             viewBox=\"0 0 {} {}\" fill=\"none\" stroke=\"currentColor\" \
             font-family=\"sans-serif\" font-size=\"11\">\n\
             <title>Magnitude response of {name}</title>\n\
             <desc>Decibels over frequency at {rate} Hz. {}{notes}</desc>\n",
            right + 24.0,
            bottom + 28.0,
            self.in_words(),
        );
        let thin = "stroke-width=\"0.5\" stroke-opacity=\"0.3\"";
        let plain = "fill=\"currentColor\" stroke=\"none\"";
        for (hz, label) in NAMED {
            let (x, below) = (x(hz), bottom + 18.0);
            let _ = writeln!(
                svg,
                "<path d=\"M{x:.1} {TOP:.1}V{bottom:.1}\" {thin}/>\
                 <text x=\"{x:.1}\" y=\"{below:.1}\" text-anchor=\"middle\" {plain}>{label}</text>"
            );
        }
        for row in 0..=((high - low) / step).round() as u32 {
            let db = high - f64::from(row) * step;
            let (y, sign) = (y(db), if db > 0.0 { "+" } else { "" });
            let _ = writeln!(
                svg,
                "<path d=\"M{LEFT:.1} {y:.1}H{right:.1}\" {thin}/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" {plain}>{sign}{db}</text>",
                LEFT - 6.0,
                y + 4.0,
            );
        }
        let inside = |p: &&Point| p.db >= low;
        let points = self.points.iter().filter(inside);
        let points: Vec<_> = points
            .map(|p| format!("{:.1},{:.1}", x(p.hz), y(p.db)))
            .collect();
        let points = points.join(" ");
        let _ = writeln!(
            svg,
            "<polyline points=\"{points}\" stroke-width=\"1.5\"/>\n</svg>"
        );
        svg
    }

    /// For those who cannot see the picture.
    fn in_words(&self) -> String {
        let value = |(hz, name): (f64, &str)| Some(format!("{:.1} dB at {name} Hz", self.db(hz)?));
        let values: Vec<_> = NAMED.into_iter().filter_map(value).collect();
        format!("{}.", values.join(", "))
    }

    /// Bottom, top and step of a dB scale of at most so many steps: all that is above 0, and at
    /// least 6 dB and at most 24 dB of what is below.
    fn scale(&self, steps: u32) -> (f64, f64, f64) {
        let all = || self.points.iter().map(|point| point.db);
        let high = all().fold(3.0, f64::max);
        let low = all().fold(-6.0, f64::min).max(-24.0);
        let fits = |step: &f64| (high / step).ceil() - (low / step).floor() <= f64::from(steps);
        let step = [1.0, 2.0, 3.0, 6.0, 12.0].into_iter().find(fits);
        let step = step.unwrap_or_else(|| ((high - low) / f64::from(steps) / 12.0).ceil() * 12.0);
        (
            (low / step).floor() * step,
            (high / step).ceil() * step,
            step,
        )
    }

    /// At the nearest point; `None` above half the rate.
    fn db(&self, hz: f64) -> Option<f64> {
        let index = position(hz) * DECADES * f64::from(PER_DECADE);
        self.points.get(index.round() as usize).map(|p| p.db)
    }
}

fn escaped(text: &str) -> String {
    let text = printable(text).replace('&', "&amp;").replace('<', "&lt;");
    text.replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::preset::load;

    fn curve(stages: &str, rate_hz: f64) -> Curve {
        let preset = load(&format!("stages = [ {stages} ]"), "x.toml").expect("a right preset");
        Curve::new(&preset, rate_hz).expect("right at this rate")
    }

    #[test]
    fn a_high_pass_is_three_db_down_at_its_frequency_and_falls_by_its_order() {
        let curve = curve("{ high-pass = { freq_hz = 200, order = 2 } }", 96_000.0);
        assert_eq!(curve.points.len(), 241);
        // Butterworth: 10 log10(1 + (f0 / f)^2n); far below half the rate the warping is negligible.
        for hz in [20.0, 50.0, 100.0, 200.0, 1000.0] {
            let nearest = at((position(hz) * 240.0).round() / 240.0);
            let want = -10.0 * (1.0 + (200.0 / nearest).powi(4)).log10();
            let got = curve.db(hz).expect("below half the rate");
            assert!((got - want).abs() < 0.01, "{hz}: {got} {want}");
        }
    }

    #[test]
    fn the_text_fits_a_terminal_and_names_what_it_leaves_out() {
        let curve = curve(
            "{ peak = { freq_of = 'fundamental', freq_hz = 200, gain_db = 6, q = 1 } },
             { drive = { curve = 'soft', drive_db = 6 } }",
            48_000.0,
        );
        let text = curve.text();
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        assert!(text.contains("stage 1 (peak) follows the drum; shown at its `freq_hz`"));
        assert!(text.contains("stage 2 (drive) is not linear and not shown"));
        let top = text.lines().nth(2).expect("a first row");
        assert!(top.starts_with("   +6 |"), "{text}");
        // 200 Hz is a third of the way from 20 Hz to 20 kHz.
        let column = top.find('*').expect("the top of the peak") - 7;
        assert!((20..=26).contains(&column), "{text}");
    }

    #[test]
    fn the_whole_text_is_as_kept() {
        let want = "\
x: magnitude in dB at 48000 Hz

   +3 |
   +2 |
   +1 |
    0 |************************************************************************
   -1 |
   -2 |
   -3 |
   -4 |
   -5 |
   -6 |
      ++--------+-------+------+--------+------+------+---------+------+------+
    Hz 20      50      100    200      500    1k     2k        5k     10k    20k
";
        assert_eq!(curve("", 48_000.0).text(), want);
    }

    #[test]
    fn nothing_is_drawn_above_half_the_rate() {
        let curve = curve("{ gain = { gain_db = 2 } }", 8000.0);
        assert!(
            curve
                .points
                .iter()
                .all(|point| point.hz <= 4000.0 && point.db == 2.0)
        );
        assert_eq!(curve.db(5000.0), None);
        assert!(curve.text().lines().all(|line| line.chars().count() <= 80));
    }

    #[test]
    fn every_preset_of_the_library_is_drawn_in_every_form() {
        for builtin in crate::preset::builtin() {
            let preset = crate::preset::find(builtin.name).unwrap_or_else(|e| panic!("{e}"));
            for rate_hz in [44_100.0, 192_000.0] {
                let curve = Curve::new(&preset, rate_hz).unwrap_or_else(|e| panic!("{e}"));
                let rows = curve.text().lines().count();
                assert!((10..40).contains(&rows), "{}", curve.text());
                let json: serde_json::Value = serde_json::from_str(&curve.json()).expect("JSON");
                assert_eq!(json["schema"], 1);
                assert_eq!(json["points"].as_array().map(Vec::len), Some(241));
                assert!(!curve.svg().contains("NaN") && !curve.svg().contains("inf"));
            }
        }
    }

    #[test]
    fn a_name_from_outside_cannot_break_the_picture() {
        let name = "a\"><script>&\u{1b}.toml";
        let preset = load("stages = []", name).expect("a right preset");
        let svg = Curve::new(&preset, 48_000.0).expect("right").svg();
        assert!(
            svg.contains("a&quot;&gt;&lt;script&gt;&amp;\\u{1b}"),
            "{svg}"
        );
        assert!(svg.contains("role=\"img\"") && svg.contains("<desc>"));
        assert_eq!(svg.matches('<').count(), svg.matches('>').count());
    }

    #[test]
    fn a_rate_that_is_too_low_is_said() {
        let text = "stages = [ { low-pass = { freq_hz = 9000, order = 2 } } ]";
        let preset = load(text, "x.toml").expect("right at high rates");
        let problems = Curve::new(&preset, 16_000.0).expect_err("too low");
        assert!(
            problems
                .to_string()
                .contains("below 8000 (half of 16000 Hz"),
            "{problems}"
        );
    }
}
