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

/// A take with one of every fault.
fn faulty(seed: u64) -> Vec<f64> {
    let mut x = drums(seed, 48_000, 10.0);
    for (n, v) in x.iter_mut().enumerate() {
        let hum = |h: f64| 0.004 * (h * n as f64 * std::f64::consts::TAU / 960.0).sin();
        *v = (*v * 1.5 + hum(1.0) + hum(2.0) + hum(3.0)).clamp(-0.9, 0.9) + 0.01;
    }
    quantise(&mut x, 24);
    x[100_000..100_020].fill(0.0);
    x.copy_within(200_000..200_512, 200_512);
    x[300_000] += 0.5;
    x[400_000] = f64::NAN;
    x
}

#[test]
fn nothing_depends_on_how_the_stream_is_cut() {
    let stereo = [faulty(1), faulty(3)];
    let whole = cut(48_000, &stereo, 24, 1 << 30);
    let codes: Vec<Code> = whole.1.findings.iter().map(|f| f.code).collect();
    for code in [
        Code::Clipped,
        Code::Dropout,
        Code::DcOffset,
        Code::NonFinite,
    ] {
        assert!(codes.contains(&code), "{code:?} of {codes:?}");
    }
    assert!(
        whole.1.clicks.iter().any(|c| c.frame == 300_000),
        "{:?}",
        whole.1.clicks
    );
    for size in [1, 7, 64, 4096] {
        assert_eq!(cut(48_000, &stereo, 24, size), whole, "{size}");
    }
}

#[test]
fn the_figures_are_those_of_the_meter() {
    let x = faulty(2);
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
