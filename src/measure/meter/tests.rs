use super::*;
use crate::measure::testing::drums;

fn read(rate_hz: u32, channels: &[Vec<f64>], size: usize) -> Levels {
    let mut meter = Meter::new(rate_hz, channels.len());
    for at in (0..channels[0].len()).step_by(size) {
        let end = (at + size).min(channels[0].len());
        meter.push(&Block::from_channels(
            channels.iter().map(|c| c[at..end].to_vec()).collect(),
        ));
    }
    meter.finish()
}

#[test]
fn a_full_scale_sine_reads_minus_3_01_rms() {
    // the plain convention: RMS 1 is 0 dB
    let x = (0..48_000)
        .map(|n| (std::f64::consts::TAU * f64::from(n) / 48.0).sin())
        .collect();
    let levels = read(48_000, &[x], 4096);
    assert!((levels.rms_dbfs.unwrap() + 3.0103).abs() < 1e-4);
    assert!((levels.crest_factor_db.unwrap() - 3.0103).abs() < 1e-4);
    assert!(levels.sample_peak_dbfs.unwrap().abs() < 1e-9);
    assert!(levels.dc_offset.abs() < 1e-12);
    assert!(levels.channels.is_empty());
}

#[test]
fn no_figure_depends_on_how_the_stream_is_cut() {
    let stereo = [drums(1, 44_100, 18.0), drums(2, 44_100, 18.0)];
    let whole = read(44_100, &stereo, usize::MAX >> 1);
    assert!(whole.loudness_range_lu.is_some() && whole.channels.len() == 2);
    for size in [1, 7, 64, 4096] {
        // equal as f64, so equal to the bit: none is NaN or zero
        assert_eq!(read(44_100, &stereo, size), whole, "{size}");
    }
}

#[test]
fn six_decibels_of_gain_move_every_level_by_as_much() {
    let x = drums(5, 48_000, 18.0);
    let doubled: Vec<f64> = x.iter().map(|v| v * 2.0).collect();
    let (a, b) = (read(48_000, &[x], 4096), read(48_000, &[doubled], 4096));
    let six = 20.0 * 2f64.log10();
    let told = a.louder_by(six);
    assert!((told.dc_offset - b.dc_offset).abs() < 1e-12);
    for (a, b, by) in [
        (told.sample_peak_dbfs, b.sample_peak_dbfs, 0.0),
        (told.true_peak_dbtp, b.true_peak_dbtp, 0.0),
        (told.rms_dbfs, b.rms_dbfs, 0.0),
        (told.integrated_lufs, b.integrated_lufs, 0.0),
        (told.momentary_max_lufs, b.momentary_max_lufs, 0.0),
        (told.short_term_max_lufs, b.short_term_max_lufs, 0.0),
        (told.loudness_range_lu, b.loudness_range_lu, 0.0),
        (told.crest_factor_db, b.crest_factor_db, 0.0),
        (a.sample_peak_dbfs, b.sample_peak_dbfs, six),
        (a.true_peak_dbtp, b.true_peak_dbtp, six),
        (a.rms_dbfs, b.rms_dbfs, six),
        (a.integrated_lufs, b.integrated_lufs, six),
        (a.momentary_max_lufs, b.momentary_max_lufs, six),
        (a.short_term_max_lufs, b.short_term_max_lufs, six),
        (a.loudness_range_lu, b.loudness_range_lu, 0.0),
        (a.crest_factor_db, b.crest_factor_db, 0.0),
    ] {
        assert!((b.unwrap() - a.unwrap() - by).abs() < 1e-9, "{a:?} {b:?}");
    }
}

#[test]
fn a_pair_of_equal_sides_is_three_lu_louder_than_one() {
    let x = drums(7, 48_000, 18.0);
    let mono = read(48_000, std::slice::from_ref(&x), 4096);
    let pair = read(48_000, &[x.clone(), x], 4096);
    let by = pair.integrated_lufs.unwrap() - mono.integrated_lufs.unwrap();
    assert!((by - 3.0103).abs() < 1e-4);
    assert_eq!(pair.rms_dbfs, mono.rms_dbfs);
    assert_eq!(pair.true_peak_dbtp, mono.true_peak_dbtp);
    assert_eq!(pair.channels, [mono.clone(), mono]);
}

#[test]
fn a_pair_has_the_larger_peak_and_the_rms_of_all_samples() {
    let levels = read(48_000, &[vec![0.5; 4800], vec![-0.25; 4800]], 100);
    assert!((levels.sample_peak_dbfs.unwrap() + 6.0206).abs() < 1e-4);
    assert!((levels.rms_dbfs.unwrap() - 10.0 * ((0.25 + 0.0625) / 2.0f64).log10()).abs() < 1e-9);
    assert_eq!(levels.dc_offset, 0.125);
    assert_eq!(levels.channels[1].dc_offset, -0.25);
}

#[test]
fn silence_and_nothing_have_no_figures() {
    for x in [vec![], vec![0.0; 100_000]] {
        assert_eq!(read(48_000, &[x], 4096), Levels::default());
    }
}

#[test]
fn what_is_no_number_never_reaches_a_figure() {
    let mut x = drums(4, 48_000, 18.0);
    let clean = x.clone();
    for (i, bad) in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300]
        .into_iter()
        .enumerate()
    {
        x[100_000 + 1000 * i] = bad;
    }
    let (got, want) = (read(48_000, &[x], 4096), read(48_000, &[clean], 4096));
    assert!((got.integrated_lufs.unwrap() - want.integrated_lufs.unwrap()).abs() < 0.01);
    let loudest = read(48_000, &[vec![f64::from(f32::MAX); 48_000 * 20]], 4096);
    assert!(loudest.integrated_lufs.unwrap().is_finite() && loudest.rms_dbfs.unwrap().is_finite());
}

#[test]
fn a_meter_without_loudness_reads_the_same_peaks_and_rms() {
    let stereo = vec![drums(1, 48_000, 3.0), drums(2, 48_000, 3.0)];
    let block = Block::from_channels(stereo);
    let (mut whole, mut plain) = (Meter::new(48_000, 2), Meter::without_loudness(48_000, 2));
    whole.push(&block);
    plain.push(&block);
    let (whole, plain) = (whole.finish(), plain.finish());
    assert!(plain.integrated_lufs.is_none() && plain.momentary_max_lufs.is_none());
    assert_eq!(plain.sample_peak_dbfs, whole.sample_peak_dbfs);
    assert_eq!(plain.true_peak_dbtp, whole.true_peak_dbtp);
    assert_eq!(plain.rms_dbfs, whole.rms_dbfs);
    assert_eq!(plain.dc_offset, whole.dc_offset);
}
