//! Which pulse is the beat: kick and snare say it, where they fall on one in so many pulses far more
//! often than by chance.

/// Pulses that a beat may have.
const PULSES: [i64; 7] = [1, 2, 3, 4, 6, 8, 12];
/// Seconds of a beat: 40 to 240 a minute; a pulse alone is called a beat from 60 to 200.
const BEAT_S: std::ops::RangeInclusive<f64> = 0.25..=1.5;
const PLAIN_S: std::ops::RangeInclusive<f64> = 0.3..=1.0;
/// Where most beats lie, and how wide, in octaves. Common practice, no source.
const PREFERRED_S: f64 = 0.5;
const OCTAVES: f64 = 0.8;
/// By how much the share of strokes on the beat has to exceed chance, in standard errors and at all.
const LEAST_ERRORS: f64 = 4.0;
const LEAST_LIFT: f64 = 0.1;
/// What the pulse itself counts as: it explains all strokes and proves nothing.
const PLAIN_LIFT: f64 = 0.2;
/// The best has to be better than the next by this factor, or none is chosen.
const CLEAR: f64 = 1.1;

/// Pulses a beat, from the pulses of the strokes and whether each is one of kick or snare. `None`
/// where it is not decided.
pub(super) fn pulses_a_beat(strokes: &[(i64, bool)], pulse_s: f64) -> Option<i64> {
    let main: Vec<i64> = strokes.iter().filter(|s| s.1).map(|s| s.0).collect();
    let all: Vec<i64> = strokes.iter().map(|s| s.0).collect();
    let judged = if main.len() >= 8 { main } else { all };
    let mut scores: Vec<(f64, i64)> = Vec::new();
    for pulses in PULSES {
        let beat_s = pulses as f64 * pulse_s;
        if !BEAT_S.contains(&beat_s) {
            continue;
        }
        let lift = match pulses {
            1 if PLAIN_S.contains(&beat_s) => PLAIN_LIFT,
            1 => continue,
            _ => match lift(&judged, pulses) {
                Some(lift) => lift,
                None => continue,
            },
        };
        let away = libm::log2(beat_s / PREFERRED_S) / OCTAVES;
        scores.push((lift * libm::exp(-0.5 * away * away), pulses));
    }
    scores.sort_by(|a, b| b.0.total_cmp(&a.0));
    match scores[..] {
        [(best, _), (next, _), ..] if best < CLEAR * next => None,
        [(_, pulses), ..] => Some(pulses),
        [] => None,
    }
}

/// By how much the most frequent place among `pulses` exceeds its share by chance.
fn lift(judged: &[i64], pulses: i64) -> Option<f64> {
    let n = judged.len() as f64;
    let on = |place: i64| {
        judged
            .iter()
            .filter(|p| p.rem_euclid(pulses) == place)
            .count()
    };
    let share = (0..pulses).map(on).max()? as f64 / n.max(1.0);
    let chance = 1.0 / pulses as f64;
    let error = (chance * (1.0 - chance) / n.max(1.0)).sqrt();
    let lift = share - chance;
    (lift >= LEAST_LIFT && lift >= LEAST_ERRORS * error).then_some(lift)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bar of `length` pulses, over and over: where kick and snare fall, and hats on all.
    fn bars(length: i64, main: &[i64]) -> Vec<(i64, bool)> {
        let bar = |bar: i64| {
            let own = main.iter().map(move |p| (bar * length + p, true));
            own.chain((0..length).map(move |p| (bar * length + p, false)))
        };
        (0..40).flat_map(bar).collect()
    }

    #[test]
    fn quarters_of_a_rock_beat_are_found_from_eighths_and_sixteenths() {
        assert_eq!(pulses_a_beat(&bars(8, &[0, 2, 4, 6]), 0.25), Some(2));
        assert_eq!(pulses_a_beat(&bars(8, &[0, 2, 4, 5, 6]), 0.25), Some(2));
        assert_eq!(pulses_a_beat(&bars(16, &[0, 4, 8, 10, 12]), 0.13), Some(4));
        assert_eq!(pulses_a_beat(&bars(12, &[0, 3, 6, 9]), 0.17), Some(3));
    }

    #[test]
    fn seven_eighths_and_even_blasts_have_no_beat() {
        assert_eq!(pulses_a_beat(&bars(7, &[0, 2, 4]), 0.21), None);
        assert_eq!(pulses_a_beat(&bars(4, &[0, 1, 2, 3]), 0.0625), None);
    }

    #[test]
    fn plain_quarters_are_the_beat() {
        assert_eq!(pulses_a_beat(&bars(1, &[0]), 0.5), Some(1));
    }
}
