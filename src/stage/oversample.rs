//! Oversampling for the curves: a cascade of linear-phase half-band filters, up and down again.
//!
//! A half-band filter has every other tap zero and 0.5 in the middle, so going up computes only
//! every other output sample and going down only every other product. Coefficients come from the
//! sample rate alone, through [`crate::dsp::maths`]: the same bits everywhere.

use multiversion::multiversion;

use super::history::History;
use crate::dsp::maths;

/// The pass band reaches up to here where the rate is 44.1 kHz or more, otherwise to the same share of it.
const PASS_HZ: f64 = 20_000.0;
/// The rate that the cascade reaches at least, unless that takes more than three doublings.
const HIGH_RATE_HZ: f64 = 300_000.0;
/// Stop band of one half-band filter, for a ripple of 1e-5 dB in its pass band.
const STOP_DB: f64 = 117.0;
/// More than any rate asks for.
const MOST_PAIRS: usize = 60;
const TURN: f64 = 2.0 * std::f64::consts::PI;

/// Up and down by a power of two: 8 at 44.1 and 48 kHz, 4 at 88.2 and 96, 2 at 176.4 and 192.
#[derive(Clone)]
pub(crate) struct Oversampler {
    up: Vec<Up>,
    down: Vec<Down>,
}

impl Oversampler {
    pub(crate) fn new(rate_hz: f64) -> Self {
        let pass_hz = PASS_HZ.min(rate_hz * PASS_HZ / 44_100.0);
        let designs: Vec<Vec<f64>> = (1..=doublings(rate_hz))
            .map(|stage| half_band(pass_hz / (rate_hz * f64::from(1 << stage))))
            .collect();
        Self {
            up: designs.iter().map(|taps| Up::new(taps)).collect(),
            down: designs.iter().map(|taps| Down::new(taps)).collect(),
        }
    }

    /// High-rate samples per sample.
    pub(crate) fn factor(&self) -> usize {
        1 << self.up.len()
    }

    /// Delay of the way up, in high-rate samples; the way down has the same.
    pub(crate) fn delay(&self) -> usize {
        let stages = self.up.iter().rev().enumerate();
        stages
            .map(|(above, up)| (2 * up.taps.len() - 1) << above)
            .sum()
    }

    /// Fills `high` with `factor()` high-rate samples for each of `low`.
    pub(crate) fn up(&mut self, low: &[f64], high: &mut [f64]) {
        climb(&mut self.up, low, high);
    }

    /// Makes one of `low` of each `factor()` high-rate samples.
    pub(crate) fn down(&mut self, high: &[f64], low: &mut [f64]) {
        descend(&mut self.down, high, low);
    }
}

/// How often the rate is doubled.
fn doublings(rate_hz: f64) -> u32 {
    (0..3)
        .find(|&n| rate_hz * f64::from(1 << n) >= HIGH_RATE_HZ)
        .unwrap_or(3)
}

fn climb(stages: &mut [Up], low: &[f64], high: &mut [f64]) {
    match stages {
        [] => high.copy_from_slice(low),
        [only] => only.process(low, high),
        [first, above @ ..] => {
            let mut between = std::mem::take(&mut first.between);
            between.resize(2 * low.len(), 0.0);
            first.process(low, &mut between);
            climb(above, &between, high);
            first.between = between;
        }
    }
}

fn descend(stages: &mut [Down], high: &[f64], low: &mut [f64]) {
    match stages {
        [] => low.copy_from_slice(high),
        [only] => only.process(high, low),
        [below @ .., last] => {
            let mut between = std::mem::take(&mut last.between);
            between.resize(high.len() / 2, 0.0);
            last.process(high, &mut between);
            descend(below, &between, low);
            last.between = between;
        }
    }
}

/// Doubles the rate.
#[derive(Clone)]
struct Up {
    taps: Vec<f64>,
    input: History,
    filtered: Vec<f64>,
    /// What goes on to the next stage.
    between: Vec<f64>,
}

impl Up {
    fn new(taps: &[f64]) -> Self {
        Self {
            taps: taps.iter().map(|h| 2.0 * h).collect(), // half of the samples it meets are zero
            input: History::new(2 * taps.len() - 1, 0.0),
            filtered: Vec::new(),
            between: Vec::new(),
        }
    }

    fn process(&mut self, low: &[f64], high: &mut [f64]) {
        self.input.next(low.len()).copy_from_slice(low);
        let input = self.input.all(low.len());
        self.filtered.resize(low.len(), 0.0);
        symmetric(input, &self.taps, &mut self.filtered);
        let delayed = &input[self.taps.len()..];
        for ((out, &even), &odd) in high.chunks_exact_mut(2).zip(&self.filtered).zip(delayed) {
            out[0] = even;
            out[1] = odd;
        }
        self.input.advance(low.len());
    }
}

/// Halves the rate.
#[derive(Clone)]
struct Down {
    taps: Vec<f64>,
    even: History,
    odd: History,
    /// What goes on to the next stage.
    between: Vec<f64>,
}

impl Down {
    fn new(taps: &[f64]) -> Self {
        Self {
            taps: taps.to_vec(),
            even: History::new(2 * taps.len() - 1, 0.0),
            odd: History::new(taps.len(), 0.0),
            between: Vec::new(),
        }
    }

    fn process(&mut self, high: &[f64], low: &mut [f64]) {
        let count = low.len();
        let places = self.even.next(count).iter_mut().zip(self.odd.next(count));
        for (two, (even, odd)) in high.chunks_exact(2).zip(places) {
            *even = two[0];
            *odd = two[1];
        }
        symmetric(self.even.all(count), &self.taps, low);
        for (out, middle) in low.iter_mut().zip(self.odd.all(count)) {
            *out += 0.5 * middle;
        }
        self.even.advance(count);
        self.odd.advance(count);
    }
}

/// `out[i] = Σ taps[j] · (x[i + j] + x[i + last − j])`, many outputs side by side. Each output is
/// summed in the same order wherever it falls, so the bits do not depend on how the stream is cut.
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn symmetric(x: &[f64], taps: &[f64], out: &mut [f64]) {
    const LANES: usize = 16;
    let span = 2 * taps.len();
    let whole = out.len() - out.len() % LANES;
    let (head, tail) = out.split_at_mut(whole);
    for (chunk, out) in head.chunks_exact_mut(LANES).enumerate() {
        let window = &x[chunk * LANES..chunk * LANES + span - 1 + LANES];
        let mut sum = [0.0; LANES];
        for (j, tap) in taps.iter().enumerate() {
            let left = &window[j..j + LANES];
            let right = &window[span - 1 - j..span - 1 - j + LANES];
            for lane in 0..LANES {
                sum[lane] += tap * (left[lane] + right[lane]);
            }
        }
        // a copy of slices may become a call
        for (out, sum) in out.iter_mut().zip(sum) {
            *out = sum;
        }
    }
    for (i, out) in tail.iter_mut().enumerate() {
        let window = &x[whole + i..whole + i + span];
        *out = taps.iter().enumerate().fold(0.0, |sum, (j, tap)| {
            sum + tap * (window[j] + window[span - 1 - j])
        });
    }
}

/// The taps that are not zero of one side of an equiripple half-band filter, outermost first (the
/// middle one, 0.5, is left out): the shortest that reaches [`STOP_DB`]. `pass` is the edge of the pass
/// band divided by the higher rate, below 0.25; the stop band begins at 0.5 − `pass`.
fn half_band(pass: f64) -> Vec<f64> {
    let allowed = maths::db_to_ratio(-STOP_DB);
    let likely = (STOP_DB - 13.0) / 14.6 / (0.5 - 2.0 * pass) / 4.0;
    let first = (likely as usize).saturating_sub(1).clamp(2, MOST_PAIRS);
    let mut taps = Vec::new();
    for pairs in first..=MOST_PAIRS {
        let ripple;
        (taps, ripple) = equiripple(pass, pairs);
        if ripple <= allowed {
            break;
        }
    }
    taps
}

/// Chebyshev approximation by Remez' exchange. Without its middle tap a half-band filter is
/// S(ω) = Σ 2hₖ cos((2k−1)ω) = cos ω · P(cos 2ω): one pass band, where S shall be ½, and the stop band
/// is its mirror image (Vaidyanathan, Nguyen, IEEE Trans. CAS 34(3), 1987). P is kept as values at
/// the extremes of the error, in barycentric form (Parks, McClellan, IEEE Trans. CT 19(2), 1972).
/// Gives the taps as [`half_band`] does, and the ripple.
fn equiripple(pass: f64, pairs: usize) -> (Vec<f64>, f64) {
    const GRID: usize = 16; // points per extreme
    const ROUNDS: usize = 12; // three are enough for every rate in use
    let points = GRID * pairs;
    // A frequency is given by y = cos 2ω. The grid is dense where the extremes of a Chebyshev
    // polynomial in y lie, which are the first guess.
    let half_width = 0.5 - 0.5 * maths::cos(2.0 * TURN * pass);
    let grid: Vec<f64> = (0..=points)
        .map(|i| maths::cos(0.5 * TURN * i as f64 / points as f64))
        .map(|x| 1.0 - half_width * (1.0 - x))
        .collect();
    let mut extremes: Vec<usize> = (0..=pairs).map(|i| GRID * i).collect();
    let mut fit = Fit::through(&grid, &extremes);
    let mut ripple = f64::INFINITY;
    for _ in 0..ROUNDS {
        let error: Vec<f64> = grid.iter().map(|&y| fit.at(y) - 0.5).collect();
        ripple = error.iter().fold(0.0, |most, e| e.abs().max(most));
        let next = alternating(&error, pairs + 1);
        if ripple < 1.001 * fit.ripple.abs() || next.len() <= pairs {
            break;
        }
        extremes = next;
        fit = Fit::through(&grid, &extremes);
    }
    // The taps are the cosine series of S.
    let nodes: Vec<(f64, f64)> = (0..pairs)
        .map(|j| TURN * (2 * j + 1) as f64 / (8 * pairs) as f64)
        .map(|angle| (angle, fit.at(maths::cos(2.0 * angle))))
        .collect();
    let tap = |k: usize| {
        let harmonic = (2 * k - 1) as f64;
        let terms = nodes
            .iter()
            .map(|(angle, s)| s * maths::cos(harmonic * angle));
        terms.sum::<f64>() / pairs as f64
    };
    ((1..=pairs).rev().map(tap).collect(), ripple)
}

/// S through alternating errors at so many frequencies, one more than it has coefficients.
struct Fit {
    ripple: f64,
    /// cos 2ω of each node, its barycentric weight, the value of P there.
    nodes: Vec<(f64, f64, f64)>,
}

impl Fit {
    fn through(grid: &[f64], extremes: &[usize]) -> Self {
        let y: Vec<f64> = extremes.iter().map(|&i| grid[i]).collect();
        let cos: Vec<f64> = y.iter().map(|&y| cos_of_half(y)).collect();
        let weights = |y: &[f64]| -> Vec<f64> {
            let weight = |(i, here): (usize, &f64)| {
                let others = y.iter().enumerate().filter(|(j, _)| *j != i);
                // Times 4, so that long products stay in range.
                1.0 / others.fold(1.0, |product, (_, other)| product * 4.0 * (here - other))
            };
            y.iter().enumerate().map(weight).collect()
        };
        let sign = |i: usize| if i.is_multiple_of(2) { 1.0 } else { -1.0 };
        let (mut above, mut below) = (0.0, 0.0);
        for (i, (b, cos)) in weights(&y).iter().zip(&cos).enumerate() {
            above += b * 0.5 / cos;
            below += b * sign(i) / cos;
        }
        let ripple = above / below;
        let nodes = weights(&y[1..])
            .into_iter()
            .zip(1..)
            .map(|(b, i)| (y[i], b, (0.5 - sign(i) * ripple) / cos[i]))
            .collect();
        Self { ripple, nodes }
    }

    fn at(&self, y: f64) -> f64 {
        let cos = cos_of_half(y);
        let (mut above, mut below) = (0.0, 0.0);
        for &(node, weight, value) in &self.nodes {
            if y == node {
                return cos * value;
            }
            let share = weight / (y - node);
            above += share * value;
            below += share;
        }
        cos * above / below
    }
}

/// cos ω from cos 2ω, ω up to π/2.
fn cos_of_half(y: f64) -> f64 {
    (0.5 + 0.5 * y).sqrt()
}

/// The largest error of each run of one sign: the wanted number of them, or what there is.
fn alternating(error: &[f64], wanted: usize) -> Vec<usize> {
    let mut found: Vec<usize> = Vec::new();
    for (i, e) in error.iter().enumerate() {
        match found.last_mut() {
            Some(last) if (error[*last] > 0.0) == (*e > 0.0) => {
                if e.abs() > error[*last].abs() {
                    *last = i;
                }
            }
            _ => found.push(i),
        }
    }
    // More than wanted: the smaller end goes, which keeps the signs alternating.
    while found.len() > wanted {
        if error[found[0]].abs() < error[found[found.len() - 1]].abs() {
            found.remove(0);
        } else {
            found.pop();
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Response of a half-band filter at `f` (share of its higher rate), without its delay.
    fn response(taps: &[f64], f: f64) -> f64 {
        let middle = (2 * taps.len() - 1) as f64;
        let mut sum = 0.5;
        for (j, tap) in taps.iter().enumerate() {
            let n = middle - 2.0 * j as f64;
            sum += 2.0 * tap * maths::cos(2.0 * std::f64::consts::PI * f * n);
        }
        sum
    }

    #[test]
    fn every_half_band_stops_at_110_db_and_the_cascade_passes_within_2e_5_db() {
        println!("rate      stage  taps  stop band dB  pass ripple dB");
        for rate in [32e3, 44.1e3, 48e3, 88.2e3, 96e3, 176.4e3, 192e3] {
            let pass_hz = PASS_HZ.min(rate * PASS_HZ / 44_100.0);
            let mut ripple = vec![0.0; 2001];
            for stage in 1..=doublings(rate) {
                let high = rate * f64::from(1 << stage);
                let taps = half_band(pass_hz / high);
                assert!(taps.iter().all(|tap| tap.is_finite()));
                let mut worst = 0.0f64;
                for (i, db) in ripple.iter_mut().enumerate() {
                    let f = pass_hz / high * i as f64 / 2000.0;
                    *db += maths::ratio_to_db(response(&taps, f));
                    worst = worst.max(response(&taps, 0.5 - f).abs());
                }
                let stop = -maths::ratio_to_db(worst);
                let all = ripple.iter().fold(0.0f64, |a, b| a.max(b.abs()));
                println!(
                    "{rate:8}  {stage}      {:4}  {stop:8.1}      {all:.1e}",
                    4 * taps.len() - 1
                );
                assert!(stop > 110.0, "{rate} {stage}: {stop}");
                assert!(all < 2e-5, "{rate} {stage}: {all}");
            }
        }
    }

    #[test]
    fn outputs_side_by_side_have_the_bits_of_one_at_a_time() {
        let x = crate::testing::noise(1, 100);
        let taps = crate::testing::noise(2, 12);
        for count in [1, 15, 16, 33, 77] {
            let mut out = vec![0.0; count];
            symmetric(&x, &taps, &mut out);
            for (i, out) in out.iter().enumerate() {
                let terms = taps.iter().enumerate();
                let sum = terms.fold(0.0, |sum, (j, tap)| sum + tap * (x[i + j] + x[i + 23 - j]));
                assert!(*out == sum, "{count}: {i}");
            }
        }
    }

    #[test]
    fn up_and_down_again_is_a_pure_delay_inside_the_pass_band() {
        for rate in [44.1e3, 48e3, 96e3, 192e3] {
            let mut over = Oversampler::new(rate);
            assert_eq!((rate * over.factor() as f64 / HIGH_RATE_HZ) as usize, 1);
            let sine = |n: f64| maths::sin(0.3 + 2.0 * std::f64::consts::PI * 9_000.0 / rate * n);
            let input: Vec<f64> = (0..2000).map(|n| sine(f64::from(n))).collect();
            let mut high = vec![0.0; input.len() * over.factor()];
            let mut output = vec![0.0; input.len()];
            over.up(&input, &mut high);
            over.down(&high, &mut output);
            let delay = 2.0 * over.delay() as f64 / over.factor() as f64;
            for (n, out) in output.iter().enumerate().skip(500) {
                assert!((out - sine(n as f64 - delay)).abs() < 5e-6);
            }
        }
    }
}
