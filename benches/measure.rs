//! What measuring costs, against the `ebur128` crate with the same figures. Ten seconds of mono
//! audio each; divan shows the time of all and the samples a second.

use batterhead::analysis::Listener;
use batterhead::audio::{Info, SampleFormat};
use batterhead::block::{Block, FRAMES};
use batterhead::measure::{Meter, Survey};
use batterhead::session::Family;
use divan::{Bencher, black_box, counter::ItemsCount};
use ebur128::{EbuR128, Mode};

const RATE_HZ: u32 = 48_000;

fn main() {
    divan::main();
}

#[derive(Clone, Copy, Debug)]
enum Material {
    /// Decaying strokes, 4 a second.
    Strokes,
    /// Steady noise: no piece is much below the peak.
    Noise,
    /// A full-scale sine: the worst that there is for the shortcut of the true peak.
    Sine,
}

const ALL: [Material; 3] = [Material::Strokes, Material::Noise, Material::Sine];

fn blocks(material: Material) -> Vec<Block> {
    let mut state = 1u64;
    let mut noise = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state as f64 / u64::MAX as f64 * 2.0 - 1.0
    };
    let samples: Vec<f64> = (0..RATE_HZ * 10)
        .map(|n| {
            let t = f64::from(n % (RATE_HZ / 4)) / f64::from(RATE_HZ);
            let stroke = n / (RATE_HZ / 4);
            match material {
                Material::Strokes => {
                    let force = 0.4 + 0.05 * f64::from(stroke * 7 % 11);
                    let ring = (1200.0 * t).sin() * (-12.0 * t).exp();
                    0.9 * force * (ring + 0.3 * noise() * (-40.0 * t).exp()) + 3e-4 * noise()
                }
                Material::Noise => 0.5 * noise(),
                Material::Sine => (f64::from(n) * 0.1).sin(),
            }
        })
        .collect();
    samples
        .chunks(FRAMES)
        .map(|c| Block::from_channels(vec![c.to_vec()]))
        .collect()
}

#[divan::bench(args = ALL)]
fn meter(bencher: Bencher, material: Material) {
    let blocks = blocks(material);
    bencher
        .counter(ItemsCount::new(RATE_HZ * 10))
        .bench_local(|| {
            let mut meter = Meter::new(RATE_HZ, 1);
            blocks.iter().for_each(|block| meter.push(block));
            black_box(meter.finish())
        });
}

#[divan::bench(args = ALL)]
fn survey(bencher: Bencher, material: Material) {
    let blocks = blocks(material);
    let info = Info {
        rate_hz: RATE_HZ,
        channels: 1,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames: u64::from(RATE_HZ) * 10,
        time_reference_samples: None,
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    };
    bencher
        .counter(ItemsCount::new(RATE_HZ * 10))
        .bench_local(|| {
            let mut survey = Survey::new(&info, 1);
            blocks.iter().for_each(|block| survey.push(block));
            black_box(survey.finish())
        });
}

/// Finding the strokes of a snare mic.
#[divan::bench(args = ALL)]
fn strokes(bencher: Bencher, material: Material) {
    let blocks = blocks(material);
    bencher
        .counter(ItemsCount::new(RATE_HZ * 10))
        .bench_local(|| {
            let mut listener = Listener::new(Family::Snare, RATE_HZ, 1);
            blocks.iter().for_each(|block| listener.push(block));
            black_box(listener.finish())
        });
}

#[divan::bench(args = ALL)]
fn ebur128_crate(bencher: Bencher, material: Material) {
    let blocks = blocks(material);
    bencher
        .counter(ItemsCount::new(RATE_HZ * 10))
        .bench_local(|| {
            let modes = Mode::I | Mode::LRA | Mode::M | Mode::S | Mode::TRUE_PEAK;
            let mut meter = EbuR128::new(1, RATE_HZ, modes).expect("a mono meter at 48 kHz");
            for block in &blocks {
                meter
                    .add_frames_planar_f64(&[block.channel(0)])
                    .expect("a mono block");
            }
            black_box((
                meter.loudness_global().ok(),
                meter.loudness_range().ok(),
                meter.true_peak(0).ok(),
            ))
        });
}
