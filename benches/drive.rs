//! Cost of the drive: nanoseconds a sample are the item times printed here (`cargo bench --bench drive`).

use batterhead::block::Block;
use batterhead::stage::Settings;
use batterhead::stage::drive::{Curve, Drive};
use divan::Bencher;
use divan::counter::ItemsCount;

fn main() {
    divan::main();
}

const FRAMES: usize = 48_000;

/// A second of room-like sound: decaying noise bursts, 8 a second, peaks at −12 dBFS.
fn room() -> Vec<f64> {
    let mut seed = 1u64;
    let mut low = 0.0;
    (0..FRAMES)
        .map(|n| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let noise = (seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
            low += 0.35 * (noise - low);
            0.5 * low * (-((n % 6000) as f64) / 2500.0).exp()
        })
        .collect()
}

fn cost(bencher: Bencher, settings: &impl Settings, rate_hz: f64) {
    let input = room();
    let mut running = settings.start(rate_hz, 1);
    let mut block = Block::new(1, batterhead::block::FRAMES);
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for part in input.chunks(batterhead::block::FRAMES) {
            block.resize(part.len());
            block.channel_mut(0).copy_from_slice(part);
            running.process(&mut block);
        }
        divan::black_box(block.channel(0)[0])
    });
}

const CURVES: [(&str, Curve, f64); 10] = [
    ("soft 12 dB", Curve::Soft, 12.0),
    ("soft 30 dB", Curve::Soft, 30.0),
    ("tube 12 dB", Curve::Tube, 12.0),
    ("tube 30 dB", Curve::Tube, 30.0),
    ("hard 12 dB", Curve::Hard, 12.0),
    ("hard 30 dB", Curve::Hard, 30.0),
    ("fold 12 dB", Curve::Fold, 12.0),
    ("fold 18 dB", Curve::Fold, 18.0),
    ("starve 12 dB", Curve::Starve, 12.0),
    ("starve 30 dB", Curve::Starve, 30.0),
];

fn drive(bencher: Bencher, index: usize, rate_hz: f64) {
    let (_, curve, drive_db) = CURVES[index];
    let settings = Drive {
        curve,
        drive_db,
        mix: 1.0,
        bias: 0.0,
        threshold_db: None,
        match_db: Some(-12.0),
    };
    cost(bencher, &settings, rate_hz);
}

#[divan::bench(args = CURVES.map(|curve| curve.0))]
fn at_48_khz(bencher: Bencher, name: &str) {
    let index = CURVES.iter().position(|curve| curve.0 == name);
    drive(bencher, index.unwrap_or(0), 48e3);
}

#[divan::bench(args = [44_100, 48_000, 96_000, 192_000])]
fn soft_12_db(bencher: Bencher, rate_hz: u32) {
    drive(bencher, 0, f64::from(rate_hz));
}
