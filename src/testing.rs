//! Signals and yardsticks for tests; not part of the public interface.

use std::f64::consts::PI;

use crate::block::Block;
use crate::dsp::random::Random;
use crate::stage::{Chain, Stage};

/// 1 at the first frame, then 0.
pub fn impulse(frames: usize) -> Vec<f64> {
    let mut samples = vec![0.0; frames];
    if let Some(first) = samples.first_mut() {
        *first = 1.0;
    }
    samples
}

/// Uniform noise within ±1 from a seed.
pub fn noise(seed: u64, frames: usize) -> Vec<f64> {
    let mut random = Random::new(seed);
    (0..frames).map(|_| random.noise()).collect()
}

/// A quarter of noise, then silence, in which a filter rings out.
pub fn burst(seed: u64, frames: usize) -> Vec<f64> {
    let mut samples = noise(seed, frames / 4);
    samples.resize(frames, 0.0);
    samples
}

/// A sine of amplitude 1 that starts at phase 0.
pub fn sine(hz: f64, rate_hz: f64, frames: usize) -> Vec<f64> {
    let w = 2.0 * PI * hz / rate_hz;
    (0..frames).map(|i| (w * i as f64).sin()).collect()
}

/// Stages as the entries of a preset's `stages` spell them.
pub fn stages(entries: &str) -> Vec<Stage> {
    #[derive(serde::Deserialize)]
    struct Preset {
        stages: Vec<Stage>,
    }
    let preset: Preset = toml::from_str(&format!("stages = [{entries}]")).expect(entries);
    preset.stages
}

/// What a chain makes of a whole track that is fed to it in blocks of `frames`.
pub fn run_in_blocks(stages: &[Stage], input: &Block, rate_hz: f64, frames: usize) -> Block {
    let mut chain = Chain::start(stages, rate_hz, input.count());
    let mut out = Block::new(input.count(), 0);
    let mut append = |block: &Block| {
        for (all, more) in out.vectors_mut().iter_mut().zip(block.channels()) {
            all.extend_from_slice(more);
        }
    };
    for from in (0..input.frames()).step_by(frames) {
        let to = input.frames().min(from + frames);
        let cut = input.channels().map(|samples| samples[from..to].to_vec());
        let mut block = Block::from_channels(cut.collect());
        chain.process(&mut block);
        append(&block);
    }
    let mut block = Block::default();
    while chain.finish(&mut block) > 0 {
        append(&block);
    }
    out
}

/// The same for one channel and one block.
pub fn run_mono(stages: &[Stage], input: &[f64], rate_hz: f64) -> Vec<f64> {
    let input = Block::from_channels(vec![input.to_vec()]);
    let out = run_in_blocks(stages, &input, rate_hz, input.frames().max(1));
    out.channel(0).to_vec()
}

/// Magnitude of the discrete-time Fourier transform at one frequency, as a sum.
pub fn magnitude_at(samples: &[f64], hz: f64, rate_hz: f64) -> f64 {
    let w = 2.0 * PI * hz / rate_hz;
    let (re, im) = samples
        .iter()
        .enumerate()
        .fold((0.0, 0.0), |(re, im), (i, x)| {
            let (sin, cos) = (w * i as f64).sin_cos();
            (re + x * cos, im - x * sin)
        });
    f64::hypot(re, im)
}

/// Fails with `what` unless `got` is within `tolerance` of `want`.
#[track_caller]
pub fn assert_close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!(
        (got - want).abs() <= tolerance,
        "{what}: {got}, expected {want} ± {tolerance}"
    );
}

/// Fails unless a file of the repository, by its path in it, holds `text`; writes it where
/// `BATTERHEAD_WRITE_GOLDEN` is set.
#[track_caller]
pub fn assert_golden(path: &str, text: &str) {
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    if std::env::var_os("BATTERHEAD_WRITE_GOLDEN").is_some() {
        std::fs::write(&file, text).expect("written");
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    let differ = text
        .lines()
        .zip(kept.lines())
        .find(|(now, kept)| now != kept);
    assert!(
        kept == text,
        "BATTERHEAD_WRITE_GOLDEN=1 rewrites {path}; first difference: {differ:#?}"
    );
}
