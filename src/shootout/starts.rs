//! Where two patterns may coincide: a histogram of the differences of all onset times for each of many
//! tempo ratios, in which onsets of like colour count more.

use super::align::{LAST_MS, Map, RATE_RANGE};
use super::colour::{Colour, alike, colours};
use super::hear::Onset;

/// Most onsets that the histograms look at: the strongest.
const MOST_ONSETS: usize = 400;
/// Bin of a histogram, and how many neighbours on either side count with it.
const BIN_MS: f64 = 4.0;
const NEIGHBOURS: usize = 6;
/// Places that start a pairing.
const STARTS: usize = 16;

/// Farther than this from where they are expected two patterns are not looked for, in milliseconds.
pub(super) const FARTHEST_MS: f64 = 30_000.0;

/// The most promising maps by which `b` is later than `a` by `later_ms`, more or less.
pub(super) fn starts(a: &[Onset], b: &[Onset], later_ms: f64) -> Vec<Map> {
    let (strong_a, strong_b) = (strongest(a), strongest(b));
    let weights: Vec<f64> = strong_a
        .iter()
        .flat_map(|x| strong_b.iter().map(|y| alike(&x.1, &y.1)))
        .collect();
    let length = a[a.len() - 1].ms.max(b[b.len() - 1].ms).max(1000.0);
    let middle = 0.5 * (a[0].ms + a[a.len() - 1].ms);
    let step = (20.0 / length).clamp(0.000_3, 0.005);
    let rates = (RATE_RANGE / step).floor() as i64;
    let low = -(1.0 + RATE_RANGE) * length - 100.0;
    let bins = ((2.0 * (1.0 + RATE_RANGE) * length + 200.0) / BIN_MS) as usize + 1;
    let mut peaks: Vec<(f64, f64, f64)> = Vec::new();
    let mut counts = vec![0.0f64; bins];
    let mut smooth = vec![0.0f64; bins];
    let mut highest = 0.0f64;
    // ratio 1 first: of equals it comes first, and stays first
    for k in std::iter::once(0).chain((1..=rates).flat_map(|k| [k, -k])) {
        let rate = 1.0 + step * k as f64;
        counts.fill(0.0);
        for (x, weights) in strong_a.iter().zip(weights.chunks_exact(strong_b.len())) {
            for (y, weight) in strong_b.iter().zip(weights) {
                let bin = ((y.0 - x.0 * rate - low) / BIN_MS) as usize;
                if let Some(count) = counts.get_mut(bin) {
                    *count += weight;
                }
            }
        }
        smooth_over(&counts, &mut smooth);
        for i in 1..bins - 1 {
            if smooth[i] >= smooth[i - 1] && smooth[i] > smooth[i + 1] && smooth[i] > 0.5 * highest
            {
                let offset = low + BIN_MS * (i as f64 + 0.5);
                peaks.push((smooth[i], offset, rate));
                highest = highest.max(smooth[i]);
            }
        }
    }
    peaks.sort_by(|x, y| y.0.total_cmp(&x.0));
    let mut chosen: Vec<Map> = Vec::new();
    for (_, offset_ms, rate) in peaks {
        let map = Map { offset_ms, rate };
        if (map.at(middle) - middle - later_ms).abs() > FARTHEST_MS {
            continue;
        }
        if chosen
            .iter()
            .all(|other| (other.at(middle) - map.at(middle)).abs() > 2.0 * LAST_MS)
        {
            chosen.push(map);
        }
        if chosen.len() == STARTS {
            break;
        }
    }
    chosen
}

/// Times and colours of the strongest onsets.
fn strongest(onsets: &[Onset]) -> Vec<(f64, Colour)> {
    let mut sorted: Vec<(&Onset, Colour)> = onsets.iter().zip(colours(onsets)).collect();
    sorted.sort_by(|x, y| {
        y.0.strength
            .total_cmp(&x.0.strength)
            .then(x.0.ms.total_cmp(&y.0.ms))
    });
    sorted
        .iter()
        .take(MOST_ONSETS)
        .map(|(o, colour)| (o.ms, *colour))
        .collect()
}

/// A triangle over the neighbours of each bin.
fn smooth_over(counts: &[f64], out: &mut [f64]) {
    out.fill(0.0);
    for (i, &count) in counts.iter().enumerate().filter(|(_, count)| **count > 0.0) {
        for k in i.saturating_sub(NEIGHBOURS)..(i + NEIGHBOURS + 1).min(out.len()) {
            out[k] += count * (1.0 - i.abs_diff(k) as f64 / (NEIGHBOURS + 1) as f64);
        }
    }
}
