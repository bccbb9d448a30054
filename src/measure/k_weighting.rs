//! The K filter (ITU-R BS.1770-5 Annex 1) and the energy of what comes out of it.
//!
//! A filter has to wait for its own last output. So the four quarters of a piece are filtered side
//! by side, each as if silence had come before. What did come before adds a fixed sequence for each
//! number that the filter remembers, its echo, and the sums are put right afterwards:
//! Σ(z + Σ cₖeₖ)² = Σz² + 2 Σ cₖ Σ z·eₖ + Σ Σ cⱼcₖ Σ eⱼ·eₖ.

use multiversion::multiversion;

use crate::dsp::maths;

/// Pieces filtered side by side.
const LANES: usize = 4;
/// What the filter remembers of its outputs.
const STATES: usize = 4;
/// Frames of a quarter, at least and at most: less is not worth it, more only needs longer echoes.
const SHORTEST: usize = 8;
const LONGEST: usize = 512;

/// One second-order section, a0 = 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// The two sections of the K filter at any rate: head shelf, then high-pass.
///
/// The prototypes (corner, gain, Q) are not printed in BS.1770; they reproduce every printed digit
/// of its coefficients at 48 kHz. The numerator of the printed high-pass is 1, −2, 1, which puts
/// its pass band at +0.043 dB; scaled by d(48 kHz)/d(rate) the response is the same at every rate.
pub(super) fn sections(rate_hz: u32) -> [Section; 2] {
    let rate = f64::from(rate_hz);
    let warp = |corner_hz: f64, rate: f64| maths::tan(std::f64::consts::PI * corner_hz / rate);

    let (corner_hz, gain_db, q) = (
        1_681.974_450_955_533,
        3.999_843_853_973_347,
        0.707_175_236_955_419_6,
    );
    let k = warp(corner_hz, rate);
    let v = maths::db_to_ratio(gain_db);
    let w = maths::pow(v, 0.499_666_774_154_541_6);
    let d = 1.0 + k / q + k * k;
    let shelf = Section {
        b: [
            (v + w * k / q + k * k) / d,
            2.0 * (k * k - v) / d,
            (v - w * k / q + k * k) / d,
        ],
        a: [2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d],
    };

    let (corner_hz, q) = (38.135_470_876_024_44, 0.500_327_037_323_877_3);
    let denominator = |k: f64| 1.0 + k / q + k * k;
    let k = warp(corner_hz, rate);
    let d = denominator(k);
    let g = denominator(warp(corner_hz, 48_000.0)) / d;
    let high_pass = Section {
        b: [g, -2.0 * g, g],
        a: [2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d],
    };
    [shelf, high_pass]
}

/// The last two inputs, and the last two outputs of the shelf and of the high-pass: the newer one
/// first.
#[derive(Clone, Copy, Debug, Default)]
struct Memory {
    x: [f64; 2],
    y: [f64; 2],
    z: [f64; 2],
}

impl Memory {
    fn states(&self) -> [f64; STATES] {
        [self.y[0], self.y[1], self.z[0], self.z[1]]
    }
}

/// The K filter, running over any number of channels.
#[derive(Clone, Debug)]
pub struct KWeight {
    sections: [Section; 2],
    memory: Vec<Memory>,
    /// For each length of a quarter that came.
    echoes: Vec<Echo>,
}

impl KWeight {
    /// At rest.
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self {
            sections: sections(rate_hz),
            memory: vec![Memory::default(); channels],
            echoes: Vec::new(),
        }
    }

    /// Filters the next samples of one channel and returns the sum of the squares that come out.
    /// The sum starts anew with each call, so the calls must be cut at fixed frame numbers.
    pub fn energy(&mut self, channel: usize, samples: &[f64]) -> f64 {
        let memory = &mut self.memory[channel];
        let mut sum = 0.0;
        for piece in samples.chunks(LANES * LONGEST) {
            let quarter = piece.len() / LANES;
            let (even, rest) = piece.split_at(quarter * LANES);
            if quarter < SHORTEST {
                sum += one_by_one(&self.sections, memory, piece);
                continue;
            }
            let echo = match self.echoes.iter().position(|echo| echo.z.len() == quarter) {
                Some(known) => &self.echoes[known],
                None => {
                    self.echoes.push(Echo::new(&self.sections, quarter));
                    self.echoes.last().expect("one was pushed")
                }
            };
            sum += side_by_side(&self.sections, memory, even, echo);
            sum += one_by_one(&self.sections, memory, rest);
        }
        // far below anything that counts; keeps subnormal numbers, which are slow, out of silence
        for value in memory.y.iter_mut().chain(&mut memory.z) {
            if value.abs() < 1e-30 {
                *value = 0.0;
            }
        }
        sum
    }
}

/// The plain filter.
fn one_by_one([shelf, high_pass]: &[Section; 2], memory: &mut Memory, samples: &[f64]) -> f64 {
    let Memory {
        x: [mut x1, mut x2],
        y: [mut y1, mut y2],
        z: [mut z1, mut z2],
    } = *memory;
    let mut sum = 0.0;
    for &x in samples {
        let y = shelved(shelf, [x, x1, x2], [y1, y2]);
        let z = passed(high_pass, [y, y1, y2], [z1, z2]);
        (x2, x1) = (x1, x);
        (y2, y1) = (y1, y);
        (z2, z1) = (z1, z);
        sum += z * z;
    }
    *memory = Memory {
        x: [x1, x2],
        y: [y1, y2],
        z: [z1, z2],
    };
    sum
}

// Direct form 1, the newest output last: one product and one sum wait for it, no more.

#[inline(always)]
fn shelved(shelf: &Section, x: [f64; 3], y: [f64; 2]) -> f64 {
    let Section { b, a } = shelf;
    b[0] * x[0] + b[1] * x[1] + b[2] * x[2] - a[1] * y[1] - a[0] * y[0]
}

#[inline(always)]
fn passed(high_pass: &Section, y: [f64; 3], z: [f64; 2]) -> f64 {
    let Section { b, a } = high_pass;
    b[0] * (y[0] + y[2]) + b[1] * y[1] - a[1] * z[1] - a[0] * z[0]
}

/// What comes out of the filter when nothing goes in, for each of its states at 1 alone.
#[derive(Clone, Debug)]
struct Echo {
    z: Vec<[f64; STATES]>,
    /// The states after it.
    end: [[f64; STATES]; STATES],
    /// Σ eⱼ·eₖ.
    products: [[f64; STATES]; STATES],
}

impl Echo {
    fn new(sections: &[Section; 2], frames: usize) -> Self {
        let mut echo = Self {
            z: vec![[0.0; STATES]; frames],
            end: [[0.0; STATES]; STATES],
            products: [[0.0; STATES]; STATES],
        };
        for state in 0..STATES {
            let mut one = [0.0; STATES];
            one[state] = 1.0;
            let [y1, y2, z1, z2] = one;
            let mut memory = Memory {
                x: [0.0; 2],
                y: [y1, y2],
                z: [z1, z2],
            };
            for out in &mut echo.z {
                one_by_one(sections, &mut memory, &[0.0]);
                out[state] = memory.z[0];
            }
            echo.end[state] = memory.states();
        }
        for e in &echo.z {
            for (products, a) in echo.products.iter_mut().zip(e) {
                for (product, b) in products.iter_mut().zip(e) {
                    *product += a * b;
                }
            }
        }
        echo
    }

    /// Σ (z + Σ cₖeₖ)², where `square` is Σz² and `with` is Σ z·eₖ.
    fn energy(&self, c: &[f64; STATES], square: f64, with: [f64; STATES]) -> f64 {
        let mut sum = square;
        for ((c_j, with), products) in c.iter().zip(with).zip(&self.products) {
            let own: f64 = products.iter().zip(c).map(|(p, c_k)| p * c_k).sum();
            sum += c_j * (2.0 * with + own);
        }
        sum.max(0.0)
    }

    /// The states at the end, where they would be `rest` after silence and were `c` before.
    fn states(&self, c: &[f64; STATES], rest: [f64; STATES]) -> [f64; STATES] {
        let mut states = rest;
        for (c, end) in c.iter().zip(&self.end) {
            for (state, end) in states.iter_mut().zip(end) {
                *state += c * end;
            }
        }
        states
    }
}

/// The filter over four times as many samples as the echo has.
fn side_by_side(sections: &[Section; 2], memory: &mut Memory, samples: &[f64], echo: &Echo) -> f64 {
    let frames = echo.z.len();
    let mut lanes = Quarters::default();
    // what each quarter has before it: the samples are known, only the outputs are not
    for lane in 0..LANES {
        let before = match lane {
            0 => memory.x,
            _ => [samples[lane * frames - 1], samples[lane * frames - 2]],
        };
        (lanes.x[0][lane], lanes.x[1][lane]) = (before[0], before[1]);
    }
    quarters(sections, samples, &echo.z, &mut lanes);
    let mut sum = 0.0;
    let mut states = memory.states();
    for lane in 0..LANES {
        let with = lanes.with.map(|with| with[lane]);
        sum += echo.energy(&states, lanes.squares[lane], with);
        let [y, z] = [lanes.y, lanes.z];
        let rest = [y[0][lane], y[1][lane], z[0][lane], z[1][lane]];
        states = echo.states(&states, rest);
    }
    let [y1, y2, z1, z2] = states;
    *memory = Memory {
        x: [lanes.x[0][LANES - 1], lanes.x[1][LANES - 1]],
        y: [y1, y2],
        z: [z1, z2],
    };
    sum
}

/// Memory and sums of all quarters.
#[derive(Default)]
struct Quarters {
    x: [[f64; LANES]; 2],
    y: [[f64; LANES]; 2],
    z: [[f64; LANES]; 2],
    squares: [f64; LANES],
    with: [[f64; LANES]; STATES],
}

#[multiversion(targets("x86_64+avx2"))]
fn quarters(
    [shelf, high_pass]: &[Section; 2],
    samples: &[f64],
    echo: &[[f64; STATES]],
    lanes: &mut Quarters,
) {
    let (a, rest) = samples.split_at(echo.len());
    let (b, rest) = rest.split_at(echo.len());
    let (c, d) = rest.split_at(echo.len());
    let Quarters {
        x: [mut x1, mut x2],
        y: [mut y1, mut y2],
        z: [mut z1, mut z2],
        mut squares,
        with: [mut with0, mut with1, mut with2, mut with3],
    } = *lanes;
    for ((((&a, &b), &c), &d), e) in a.iter().zip(b).zip(c).zip(d).zip(echo) {
        let x = [a, b, c, d];
        let (mut y, mut z) = ([0.0; LANES], [0.0; LANES]);
        for l in 0..LANES {
            y[l] = shelved(shelf, [x[l], x1[l], x2[l]], [y1[l], y2[l]]);
        }
        for l in 0..LANES {
            z[l] = passed(high_pass, [y[l], y1[l], y2[l]], [z1[l], z2[l]]);
        }
        for l in 0..LANES {
            squares[l] += z[l] * z[l];
        }
        for l in 0..LANES {
            with0[l] += z[l] * e[0];
        }
        for l in 0..LANES {
            with1[l] += z[l] * e[1];
        }
        for l in 0..LANES {
            with2[l] += z[l] * e[2];
        }
        for l in 0..LANES {
            with3[l] += z[l] * e[3];
        }
        (x2, x1) = (x1, x);
        (y2, y1) = (y1, y);
        (z2, z1) = (z1, z);
    }
    *lanes = Quarters {
        x: [x1, x2],
        y: [y1, y2],
        z: [z1, z2],
        squares,
        with: [with0, with1, with2, with3],
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quarters_side_by_side_are_as_one_by_one() {
        for rate_hz in [8_000, 44_100, 48_000, 192_000] {
            let mut filter = KWeight::new(rate_hz, 1);
            let mut plain = Memory::default();
            let mut random = 1u64;
            // noise, a loud constant, and what rings on in silence
            for (piece, level) in [(480, 0.5), (1920, 0.0), (31, 0.9), (32, 1e-5), (5000, 0.0)] {
                for _ in 0..5 {
                    let mut noise = || {
                        random = random
                            .wrapping_mul(6_364_136_223_846_793_005)
                            .wrapping_add(1);
                        (random >> 33) as f64 / f64::from(1u32 << 31)
                    };
                    let samples: Vec<f64> = (0..piece).map(|_| level * noise()).collect();
                    let got = filter.energy(0, &samples);
                    let want = one_by_one(&filter.sections, &mut plain, &samples);
                    // both round, the more the higher the rate; a millionth is 4e-6 dB
                    let off = (got - want).abs();
                    assert!(
                        off <= 1e-6 * want + 1e-28,
                        "{rate_hz} {piece}: {got} {want}"
                    );
                }
            }
        }
    }
}
