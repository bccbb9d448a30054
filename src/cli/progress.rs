//! [`Progress`]: one bar over all phases of a run, with the time left.

use std::time::{Duration, Instant};

use crate::wording::text::about;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::json;

/// How often a line of progress is written where there is no terminal.
const PLAIN_EVERY: Duration = Duration::from_secs(30);
/// Before that nothing is said of the time left.
const WARM_UP: Duration = Duration::from_secs(3);
/// Parts of the bar.
const PARTS: u64 = 1000;

/// Phases in their order, each with its share of the processor time of a whole `prep`, measured on a
/// virtual server of 2023. A run that leaves some out is scaled to those that it has.
const PHASES: [(&str, f64); 9] = [
    ("measure", 0.30),
    ("listen", 0.05),
    ("listen", 0.08),
    ("match", 0.08),
    ("try", 0.03),
    ("render", 0.36),
    ("sum", 0.04),
    ("mix", 0.05),
    ("excerpt", 0.01),
];

/// How far a run is.
pub struct Progress {
    /// Share of all phases that the run has.
    whole: f64,
    /// The present phase, by its place among [`PHASES`].
    at: usize,
    name: &'static str,
    samples: u64,
    done: u64,
    begun: Instant,
    said: Instant,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// At the start of a run whose last phase is `last`; with a bar where it is `drawn`.
    pub fn new(last: &str, drawn: bool) -> Self {
        let end = PHASES.iter().rposition(|(name, _)| *name == last);
        let bar = drawn.then(|| {
            let bar = ProgressBar::with_draw_target(Some(PARTS), ProgressDrawTarget::stderr());
            let style = ProgressStyle::with_template("{wide_bar} {percent:>3} %  {msg}");
            bar.set_style(
                style
                    .unwrap_or_else(|_| ProgressStyle::default_bar())
                    .progress_chars("=> "),
            );
            bar
        });
        let now = Instant::now();
        Self {
            whole: share(end.map_or(PHASES.len(), |end| end + 1)),
            at: 0,
            name: "",
            samples: 0,
            done: 0,
            begun: now,
            said: now,
            bar,
        }
    }

    /// A phase begins that goes through so many samples.
    pub fn begin(&mut self, name: &'static str, samples: u64) {
        let from = match self.name.is_empty() {
            true => 0,
            false => self.at + 1,
        };
        // One that comes again late adds nothing.
        let next = (PHASES.iter().skip(from)).position(|(known, _)| *known == name);
        match next {
            Some(next) => self.at = from + next,
            None => self.at = (self.at + 1).min(PHASES.len()),
        }
        (self.name, self.samples, self.done) = (name, samples, 0);
        self.draw();
    }

    /// So many samples of it are done. Returns whether a line is due.
    pub fn advance(&mut self, samples: u64) -> bool {
        self.done += samples;
        self.draw();
        let due = self.bar.is_none() && self.said.elapsed() >= PLAIN_EVERY;
        if due {
            self.said = Instant::now();
        }
        due
    }

    /// The bar, where there is one.
    pub fn bar(&self) -> Option<&ProgressBar> {
        self.bar.as_ref()
    }

    /// How much of the whole is done, 0 to 1.
    fn part(&self) -> f64 {
        let of_phase = match self.samples {
            0 => 0.0,
            samples => (self.done as f64 / samples as f64).min(1.0),
        };
        let here = PHASES.get(self.at).map_or(0.0, |(_, share)| *share);
        ((share(self.at) + here * of_phase) / self.whole).min(1.0)
    }

    /// Seconds until the end, once that can be said.
    fn left_s(&self) -> Option<f64> {
        let (spent, part) = (self.begun.elapsed(), self.part());
        (spent >= WARM_UP && part > 0.01).then(|| spent.as_secs_f64() * (1.0 - part) / part)
    }

    fn draw(&self) {
        let Some(bar) = &self.bar else { return };
        bar.set_position((self.part() * PARTS as f64) as u64);
        bar.set_message(match self.left_s() {
            Some(left) => format!("{} left, {}", about(left), self.name),
            None => self.name.to_owned(),
        });
    }

    /// The same as a line.
    pub fn line(&self, json: bool) -> String {
        let (percent, left) = ((self.part() * 100.0).round(), self.left_s());
        if json {
            let left = left.map(f64::round);
            return json!({"type": "status", "phase": self.name, "percent": percent, "left_s": left})
                .to_string();
        }
        let left = left.map_or(String::new(), |left| format!(", {} left", about(left)));
        format!("{percent} % done{left} ({})", self.name)
    }
}

fn share(phases: usize) -> f64 {
    PHASES.iter().take(phases).map(|(_, share)| share).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_bar_runs_over_all_phases_and_never_back() {
        for (last, phases) in [
            (
                "excerpt",
                &[
                    "measure", "listen", "listen", "match", "try", "render", "sum", "mix", "sum",
                    "excerpt", "excerpt",
                ][..],
            ),
            (
                "excerpt",
                &["measure", "listen", "listen", "try", "render", "excerpt"],
            ),
            ("try", &["measure", "listen", "listen", "match", "try"]),
        ] {
            let mut progress = Progress::new(last, false);
            let mut before = 0.0;
            for name in phases {
                progress.begin(name, 100);
                for _ in 0..10 {
                    progress.advance(10);
                    assert!(progress.part() >= before, "{name}");
                    before = progress.part();
                }
            }
            assert!((before - 1.0).abs() < 1e-9, "{last}: {before}");
        }
    }

    #[test]
    fn what_was_found_again_is_skipped_over() {
        let mut progress = Progress::new("excerpt", false);
        progress.begin("measure", 0);
        progress.begin("render", 100);
        progress.advance(50);
        assert!((progress.part() - (0.54 + 0.18)).abs() < 1e-9);
        assert!(progress.line(false).starts_with("72 % done"));
    }
}
