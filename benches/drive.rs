//! Cost of the stages that are not linear, for a second of one channel: at 48 kHz 1 ms is 20.8 ns a
//! sample, or 1000 times real time. `cargo bench --bench drive`.

use batterhead::block::{self, Block};
use batterhead::stage::compress::{Compress, Detector};
use batterhead::stage::drive::{Curve, Drive};
use batterhead::stage::gate::{Gate, Opening};
use batterhead::stage::pass::{HighPass, LowPass, Shape};
use batterhead::stage::{Chain, Stage};
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

fn cost(bencher: Bencher, stages: &[Stage], rate_hz: f64) {
    let input = room();
    let mut chain = Chain::start(stages, rate_hz, 1);
    let mut block = Block::new(1, block::FRAMES);
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for part in input.chunks(block::FRAMES) {
            block.resize(part.len());
            block.channel_mut(0).copy_from_slice(part);
            chain.process(&mut block);
        }
        divan::black_box(&block);
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

fn drive(index: usize) -> Stage {
    let (_, curve, drive_db) = CURVES[index];
    Stage::Drive(Drive {
        curve,
        drive_db,
        mix: 1.0,
        bias: 0.0,
        threshold_db: None,
        match_db: Some(-12.0),
    })
}

#[divan::bench(args = CURVES.map(|curve| curve.0))]
fn at_48_khz(bencher: Bencher, name: &str) {
    let index = CURVES.iter().position(|curve| curve.0 == name);
    cost(bencher, &[drive(index.unwrap_or(0))], 48e3);
}

#[divan::bench(args = [44_100, 48_000, 96_000, 192_000])]
fn soft_12_db(bencher: Bencher, rate_hz: u32) {
    cost(bencher, &[drive(0)], f64::from(rate_hz));
}

/// High-pass, 12 dB of drive, low-pass of fourth order.
#[divan::bench(args = ["soft 12 dB", "tube 12 dB", "hard 12 dB"])]
fn room_chain(bencher: Bencher, name: &str) {
    let index = CURVES.iter().position(|curve| curve.0 == name);
    let shape = Shape::Butterworth;
    let high_pass = Stage::HighPass(HighPass {
        freq_hz: 100.0,
        order: 2,
        shape,
    });
    let low_pass = Stage::LowPass(LowPass {
        freq_hz: 7000.0,
        order: 4,
        shape,
    });
    cost(
        bencher,
        &[high_pass, drive(index.unwrap_or(0)), low_pass],
        48e3,
    );
}

#[divan::bench(args = ["peak", "rms"])]
fn compress(bencher: Bencher, detector: &str) {
    let compress = Compress {
        threshold_db: -24.0,
        ratio: 6.0,
        attack_ms: 0.3,
        release_ms: 60.0,
        knee_db: 6.0,
        detector: match detector {
            "rms" => Detector::Rms,
            _ => Detector::Peak,
        },
        side_high_pass_hz: Some(100.0),
        makeup_db: 0.0,
    };
    cost(bencher, &[Stage::Compress(compress)], 48e3);
}

/// Eight hits a second.
#[divan::bench]
fn gate(bencher: Bencher) {
    let opening = |hit: u64| Opening {
        at: 6000 * hit,
        by: 1.0,
        hold: 2880,
    };
    let gate = Gate {
        range_db: -24.0,
        close_db_per_s: Some(100.0),
        openings: Some((0..100_000).map(opening).collect()),
    };
    cost(bencher, &[Stage::Gate(gate)], 48e3);
}
