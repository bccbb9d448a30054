//! The same sound in two tracks.

use serde::{Deserialize, Serialize};

use crate::analysis::strokes::trace::{PEAK_STEP_DB, Trace};
use crate::units::round_to;

/// How far apart in time the same sound is looked for.
const LAG_MS: i64 = 50;
/// Milliseconds compared, at most: the first that are loud.
const COMPARED: usize = 4000;
/// The same sound differs by no more than this from millisecond to millisecond.
const SAME_DB: f64 = 0.02;

/// Two tracks that hold the same sound.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SameSound {
    /// How much later the second has it, in whole milliseconds.
    pub lag_ms: i64,
    /// Level of the second over the first.
    pub gain_db: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// Whether two tracks hold the same sound but for a gain, a sign and a shift by whole milliseconds
/// of at most 50. Both at one rate; `None` if not, or if there is too little to compare. The peaks of
/// single milliseconds of two mics never agree to 0.02 dB throughout.
pub fn same_sound(first: &Trace, second: &Trace) -> Option<SameSound> {
    if first.rate_hz != second.rate_hz {
        return None;
    }
    // 40 dB below the top
    let loud = first.top()?.checked_sub((40.0 / PEAK_STEP_DB) as u16)?;
    let places: Vec<(usize, u16)> = (0..first.len_ms())
        .filter_map(|t| Some((t, first.peak(t)?)))
        .filter(|(_, peak)| *peak > loud)
        .take(COMPARED)
        .collect();
    if places.len() < 100 {
        return None;
    }
    // What the second has around each place; 0 is nothing.
    let there = |t: i64| usize::try_from(t).ok().and_then(|t| second.peak(t));
    let around: Vec<u16> = (places.iter())
        .flat_map(|&(t, _)| (-LAG_MS..=LAG_MS).map(move |lag| t as i64 + lag))
        .map(|t| there(t).unwrap_or(0))
        .collect();
    let near = (SAME_DB / PEAK_STEP_DB) as i32;
    let mut gains: Vec<i32> = Vec::with_capacity(places.len());
    let mut few = Vec::new();
    for lag in (0..=LAG_MS).flat_map(|l| [l, -l]) {
        let gain = |place: usize| {
            let value = around[place * (2 * LAG_MS as usize + 1) + (lag + LAG_MS) as usize];
            (value > 0).then(|| i32::from(value) - i32::from(places[place].1))
        };
        let agree = |values: &[i32], middle: i32, near: i32| {
            values
                .iter()
                .filter(|g| (*g - middle).abs() <= near)
                .count()
        };
        // Of the same sound one in twenty differs at most: of any tenth of it, most agree.
        few.clear();
        few.extend((0..places.len() / 8).filter_map(gain));
        if few.len() * 10 > places.len() {
            let middle = few.len() / 2;
            let middle = *few.select_nth_unstable(middle).1;
            if agree(&few, middle, 2 * near) * 2 < few.len() {
                continue;
            }
        }
        gains.clear();
        gains.extend((0..places.len()).filter_map(gain));
        if gains.len() * 10 < places.len() * 9 {
            continue;
        }
        let middle = gains.len() / 2;
        let middle = *gains.select_nth_unstable(middle).1;
        let same = agree(&gains, middle, near);
        let share = same as f64 / gains.len() as f64;
        if share >= 0.95 {
            return Some(SameSound {
                lag_ms: lag,
                gain_db: round_to(f64::from(middle) * PEAK_STEP_DB, 2),
                confidence: round_to(share.min(0.99), 2),
            });
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::{Listener, Material};
    use crate::block::Block;
    use crate::demo;
    use crate::session::Family;

    fn hear(sound: &[f64]) -> Trace {
        let mut listener = Listener::new(Family::Snare, 48_000, 1);
        listener.push(&Block::from_channels(vec![sound.to_vec()]));
        listener.finish()
    }

    #[test]
    fn a_copy_is_found_whatever_its_gain_sign_and_place_and_two_mics_are_not_copies() {
        let songs = demo::songs();
        let (mut recorded, _) = demo::heard(&songs[1], &songs[1].takes[1], |_| true);
        let sound = recorded.sound(1)[0].clone();
        let mut copy = vec![0.0; 480];
        copy.extend(sound.iter().map(|x| -0.5 * x));
        let found = same_sound(&hear(&sound), &hear(&copy)).expect("a copy");
        assert_eq!((found.lag_ms, found.gain_db), (10, -6.02));
        let traces: Vec<_> = (0..5).map(|t| recorded.trace(t).expect("it")).collect();
        for a in 0..5 {
            for b in 0..a {
                assert_eq!(same_sound(&traces[a], &traces[b]), None, "{a} {b}");
            }
        }
        assert_eq!(same_sound(&hear(&[0.0; 9600]), &hear(&[0.0; 9600])), None);
    }
}
