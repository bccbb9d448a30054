//! Prints what every linear stage does over a grid of settings and rates, one JSON object a line:
//! its settings, the rate, its sections and its magnitude at some frequencies. `tests/cross/filters.py`
//! compares it with other implementations.

use std::io::{self, BufWriter, Write};

use batterhead::stage::pass::Shape;
use batterhead::stage::{HighPass, HighShelf, LowPass, LowShelf, Notch, Peak, Stage, Tilt};

const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];
const FREQS_HZ: [f64; 14] = [
    20.0, 40.0, 80.0, 200.0, 500.0, 1e3, 2e3, 4e3, 6e3, 8e3, 10e3, 12e3, 14e3, 16e3,
];
const GAINS_DB: [f64; 8] = [-12.0, -9.0, -6.0, -3.0, 3.0, 6.0, 9.0, 12.0];

fn main() -> io::Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    for rate_hz in RATES_HZ {
        for freq_hz in FREQS_HZ {
            for stage in stages(freq_hz) {
                let Some(sections) = stage.settings().sections(rate_hz) else {
                    continue;
                };
                let sections: Vec<_> = sections.iter().map(|s| (s.b, s.a)).collect();
                let magnitudes: Vec<_> = (0..80)
                    .map(|i| 20.0 * 2f64.powf(f64::from(i) / 8.0))
                    .chain([freq_hz, 18e3, 20e3])
                    .filter(|&hz| hz <= 20_000.0)
                    .filter_map(|hz| Some((hz, stage.settings().magnitude_db(rate_hz, hz)?)))
                    .collect();
                let line = serde_json::json!({
                    "stage": stage,
                    "rate_hz": rate_hz,
                    "sections": sections,
                    "magnitudes": magnitudes,
                });
                writeln!(out, "{line}")?;
            }
        }
    }
    out.flush()
}

fn stages(freq_hz: f64) -> Vec<Stage> {
    let mut stages = Vec::new();
    for shape in [Shape::Butterworth, Shape::LinkwitzRiley] {
        for order in 1..=8 {
            if shape == Shape::Butterworth || order % 2 == 0 {
                stages.push(Stage::HighPass(HighPass {
                    freq_hz,
                    order,
                    shape,
                }));
                stages.push(Stage::LowPass(LowPass {
                    freq_hz,
                    order,
                    shape,
                }));
            }
        }
    }
    for q in [0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 4.0, 8.0] {
        stages.push(Stage::Notch(Notch { freq_hz, q }));
        for gain_db in GAINS_DB {
            stages.push(Stage::Peak(Peak {
                freq_hz,
                gain_db,
                q,
            }));
        }
    }
    let shapes = [(Some(0.3), None), (Some(1.0), None), (Some(2.0), None)];
    let slopes = [(None, None), (None, Some(0.3)), (None, Some(0.8))];
    for gain_db in GAINS_DB {
        stages.push(Stage::Tilt(Tilt { freq_hz, gain_db }));
        for (q, slope) in shapes.into_iter().chain(slopes) {
            stages.push(Stage::LowShelf(LowShelf {
                freq_hz,
                gain_db,
                q,
                slope,
            }));
            stages.push(Stage::HighShelf(HighShelf {
                freq_hz,
                gain_db,
                q,
                slope,
            }));
        }
    }
    stages
}
