use super::*;
use crate::audio::SampleFormat;
use crate::finding::Code;
use crate::measure::Meter;
use crate::measure::testing::{drums, quantise};

/// One pass over whole channels.
pub(crate) fn survey(rate_hz: u32, channels: &[Vec<f64>], bits: u16) -> (Levels, Inspection) {
    cut(rate_hz, channels, bits, crate::block::FRAMES)
}

fn cut(rate_hz: u32, channels: &[Vec<f64>], bits: u16, size: usize) -> (Levels, Inspection) {
    let info = Info {
        rate_hz,
        channels: channels.len(),
        bit_depth: bits,
        sample_format: SampleFormat::Int,
        frames: channels[0].len() as u64,
        time_reference_samples: None,
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    };
    let mut survey = Survey::new(&info, channels.len());
    for at in (0..channels[0].len()).step_by(size) {
        let end = (at + size).min(channels[0].len());
        survey.push(&Block::from_channels(
            channels.iter().map(|c| c[at..end].to_vec()).collect(),
        ));
    }
    survey.finish()
}

/// A take with one of every fault, and the frame of its click: where least is played.
fn faulty(seed: u64) -> (Vec<f64>, usize) {
    let mut x = drums(seed, 48_000, 10.0);
    for (n, v) in x.iter_mut().enumerate() {
        let hum = |h: f64| 0.004 * (h * n as f64 * std::f64::consts::TAU / 960.0).sin();
        *v = (*v * 1.5 + hum(1.0) + hum(2.0) + hum(3.0)).clamp(-0.9, 0.9) + 0.01;
    }
    quantise(&mut x, 24);
    x[100_000..100_020].fill(0.0);
    x.copy_within(200_000..200_512, 200_512);
    let loud = |at: &usize| {
        x[at - 2000..at + 2000]
            .iter()
            .fold(0.0, |m: f64, v| m.max(v.abs()))
    };
    let quiet = (250_000..390_000)
        .step_by(1000)
        .min_by(|a, b| loud(a).total_cmp(&loud(b)));
    let click = quiet.expect("a frame");
    x[click] += 0.5;
    x[400_000] = f64::NAN;
    (x, click)
}

#[test]
fn nothing_depends_on_how_the_stream_is_cut() {
    let ((left, click), (right, _)) = (faulty(1), faulty(3));
    let stereo = [left, right];
    let whole = cut(48_000, &stereo, 24, 1 << 30);
    let codes: Vec<Code> = whole.1.findings.iter().map(|f| f.code()).collect();
    for code in [
        Code::Clipped,
        Code::Dropout,
        Code::DcOffset,
        Code::NonFinite,
    ] {
        assert!(codes.contains(&code), "{code:?} of {codes:?}");
    }
    assert!(
        whole.1.clicks.iter().any(|c| c.frame == click as u64),
        "{:?}",
        whole.1.clicks
    );
    for size in [1, 7, 64, 4096] {
        assert_eq!(cut(48_000, &stereo, 24, size), whole, "{size}");
    }
}

#[test]
fn the_figures_are_those_of_the_meter() {
    let (x, _) = faulty(2);
    let mut meter = Meter::new(48_000, 1);
    meter.push(&Block::from_channels(vec![x.clone()]));
    let (levels, inspection) = survey(48_000, &[x], 24);
    assert_eq!(meter.finish(), levels);
    assert!(levels.clipped_samples > 0);
    assert_eq!(levels.clipped_samples, inspection.clipped_samples);
}

#[test]
fn a_survey_can_move_between_threads() {
    fn send<T: Send>() {}
    send::<Survey>();
    send::<Meter>();
}

/// A stretch of a stream that no studio would make.
fn stretch() -> impl proptest::strategy::Strategy<Value = Vec<f64>> {
    use proptest::prelude::*;
    let value = prop_oneof![
        Just(0.0),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::from(f32::MAX)),
        Just(-1.0),
        Just(1e-310),
        -1.0..1.0f64,
    ];
    let held = (value.clone(), 0..6000usize).prop_map(|(v, n)| vec![v; n]);
    let mixed = proptest::collection::vec(value, 0..300);
    let noise = (any::<u64>(), 0..9000usize, -12.0..1.0f64).prop_map(|(seed, n, level)| {
        let mut random = crate::dsp::random::Random::new(seed);
        (0..n)
            .map(|_| random.between(-1.0, 1.0) * 10f64.powf(level))
            .collect()
    });
    prop_oneof![held, mixed, noise]
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(60))]

    #[test]
    fn any_stream_is_survived_and_every_figure_is_a_number(
        stretches in proptest::collection::vec(stretch(), 0..6),
        rate_hz in proptest::sample::select(vec![8000u32, 11_025, 44_100, 48_000, 192_000, 384_000]),
        bits in proptest::sample::select(vec![8u16, 16, 24, 32]),
        size in 1..5000usize,
    ) {
        let x = stretches.concat();
        let (levels, inspection) = cut(rate_hz, &[x.clone(), x], bits, size);
        for side in std::iter::once(&levels).chain(&levels.channels) {
            let figures = [
                side.sample_peak_dbfs, side.true_peak_dbtp, side.integrated_lufs,
                side.momentary_max_lufs, side.short_term_max_lufs, side.loudness_range_lu,
                side.rms_dbfs, side.crest_factor_db, Some(side.dc_offset),
            ];
            proptest::prop_assert!(figures.iter().flatten().all(|v| v.is_finite()), "{side:?}");
            proptest::prop_assert!(side.true_peak_dbtp >= side.sample_peak_dbfs);
        }
        proptest::prop_assert_eq!(levels.clipped_samples, inspection.clipped_samples);
        let clicks = crate::measure::inspect::confirm_clicks(&inspection.clicks, &[]);
        for finding in inspection.findings.iter().chain(&clicks) {
            proptest::prop_assert!(finding.at_s.iter().all(|s| s.is_finite()));
            let said = crate::wording::finding(finding).to_string();
            proptest::prop_assert!(!said.contains("NaN ") && !said.contains("inf"));
        }
    }
}
