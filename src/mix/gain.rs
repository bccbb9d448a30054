//! [`rough_gain`]: the one final gain of a song's rough mixes; [`reach_lufs`]: what all songs of a session
//! have in common.

use crate::dsp::median;

/// What was measured of the mix of one take before the final gain. `None`: silence, or too short.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MixLevels {
    /// Gated loudness.
    pub integrated_lufs: Option<f64>,
    /// Largest true peak.
    pub true_peak_dbtp: Option<f64>,
}

/// The final gain of all takes of a song, and how it came about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoughGain {
    /// To be applied, dB.
    pub db: f64,
    /// What the loudness alone asks for; `None` where no take has a loudness.
    pub wanted_db: Option<f64>,
    /// The take whose true peak holds the gain down; `None` where none does.
    pub held_by: Option<usize>,
    /// The song's loudness with this gain.
    pub reached_lufs: Option<f64>,
}

/// The loudness of a song, of its takes as they are: their median, not the loudness of all of them in
/// a row. A false start, a take with the room full of talk or one with a hot preamp would pull the
/// pooled value and with it the level of every other take; the median lets them be as loud as they
/// are. With an even number it is the mean of the middle two.
fn median_lufs(takes: &[MixLevels]) -> Option<f64> {
    median(takes.iter().filter_map(|take| take.integrated_lufs))
}

/// The highest loudness that a song can have without a take that passes `ceiling_dbtp`; `None` where
/// it has no loudness.
pub fn reach_lufs(takes: &[MixLevels], ceiling_dbtp: f64) -> Option<f64> {
    let peaks: Vec<Option<f64>> = takes.iter().map(|take| take.true_peak_dbtp).collect();
    let (db, _) = no_louder_than(f64::MAX, &peaks, ceiling_dbtp);
    Some(median_lufs(takes)? + db)
}

/// The gain that brings a song to `target_lufs`, lowered so that no take passes `ceiling_dbtp`.
/// Without any loudness it is 0 dB, or less where the ceiling asks for it.
pub fn rough_gain(takes: &[MixLevels], target_lufs: f64, ceiling_dbtp: f64) -> RoughGain {
    let median = median_lufs(takes);
    let wanted_db = median.map(|lufs| target_lufs - lufs);
    let peaks: Vec<Option<f64>> = takes.iter().map(|take| take.true_peak_dbtp).collect();
    let (db, held_by) = no_louder_than(wanted_db.unwrap_or(0.0), &peaks, ceiling_dbtp);
    RoughGain {
        db,
        wanted_db,
        held_by,
        reached_lufs: median.map(|lufs| lufs + db),
    }
}

/// `wanted_db`, lowered so that none of `peaks_dbtp` passes `ceiling_dbtp`, and the one that lowers
/// it. Group stems of a song share such a gain, with 0 dB wanted: where one of them would clip, all
/// of them are that much softer, and still sum to the mix.
pub fn no_louder_than(
    wanted_db: f64,
    peaks_dbtp: &[Option<f64>],
    ceiling_dbtp: f64,
) -> (f64, Option<usize>) {
    let loudest = (peaks_dbtp.iter().enumerate())
        .filter_map(|(index, peak)| peak.map(|peak| (index, peak)))
        .filter(|(_, peak)| peak.is_finite())
        .max_by(|a, b| a.1.total_cmp(&b.1));
    match loudest {
        Some((index, peak)) if peak + wanted_db > ceiling_dbtp => {
            (ceiling_dbtp - peak, Some(index))
        }
        _ => (wanted_db, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(lufs: f64, dbtp: f64) -> MixLevels {
        MixLevels {
            integrated_lufs: Some(lufs),
            true_peak_dbtp: Some(dbtp),
        }
    }

    #[test]
    fn the_median_take_comes_to_the_target() {
        let gain = rough_gain(
            &[take(-25.0, -9.0), take(-24.0, -9.5), take(-12.0, -9.0)],
            -18.0,
            -1.0,
        );
        assert_eq!((gain.db, gain.held_by), (6.0, None));
        assert_eq!(gain.reached_lufs, Some(-18.0));
        let even = rough_gain(&[take(-25.0, -20.0), take(-23.0, -20.0)], -18.0, -1.0);
        assert_eq!(even.db, 6.0);
    }

    #[test]
    fn one_peak_holds_the_whole_song_down_and_is_named() {
        let takes = [take(-25.0, -9.0), take(-24.0, -2.5), take(-24.0, -9.0)];
        let gain = rough_gain(&takes, -18.0, -1.0);
        assert_eq!(
            (gain.db, gain.held_by, gain.wanted_db),
            (1.5, Some(1), Some(6.0))
        );
        assert_eq!(gain.reached_lufs, Some(-22.5));
        assert!(
            takes
                .iter()
                .all(|t| t.true_peak_dbtp.unwrap() + gain.db <= -1.0)
        );
    }

    #[test]
    fn a_song_reaches_what_its_highest_peak_allows() {
        let takes = [take(-25.0, -9.0), take(-24.0, -2.5), take(-24.0, -9.0)];
        assert_eq!(reach_lufs(&takes, -1.0), Some(-22.5));
        let reached = rough_gain(&takes, -22.5, -1.0);
        assert_eq!((reached.db, reached.held_by), (1.5, None));
        assert_eq!(reach_lufs(&[MixLevels::default()], -1.0), None);
    }

    #[test]
    fn a_loud_song_is_turned_down_to_the_target() {
        let gain = rough_gain(&[take(-9.0, 6.0)], -18.0, -1.0);
        assert_eq!((gain.db, gain.held_by), (-9.0, None));
    }

    #[test]
    fn silence_neither_counts_nor_breaks_anything() {
        let silent = MixLevels::default();
        let gain = rough_gain(&[silent, take(-20.0, -12.0), silent], -18.0, -1.0);
        assert_eq!(gain.db, 2.0);
        assert_eq!(rough_gain(&[], -18.0, -1.0).db, 0.0);
        let short = MixLevels {
            integrated_lufs: None,
            true_peak_dbtp: Some(3.0),
        };
        let gain = rough_gain(&[short, silent], -18.0, -1.0);
        assert_eq!(
            (gain.db, gain.held_by, gain.reached_lufs),
            (-4.0, Some(0), None)
        );
    }

    #[test]
    fn stems_that_would_clip_share_one_gain() {
        assert_eq!(
            no_louder_than(0.0, &[Some(-3.0), None, Some(2.0)], -1.0),
            (-3.0, Some(2))
        );
        assert_eq!(no_louder_than(0.0, &[Some(-3.0), None], -1.0), (0.0, None));
    }
}
