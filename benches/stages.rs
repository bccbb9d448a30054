//! Time of every stage and of the resampler, and of sections in series against the same coefficients
//! in the `biquad` crate's runner, one sample after the other through all sections.
//! `cargo bench --bench stages`.

use std::time::Instant;

use batterhead::block::Block;
use batterhead::dsp::resample::Resampler;
use batterhead::stage::{Cascade, Chain, Peak, Running, STAGES, Section, Settings, Stage};
use batterhead::testing::noise;
use biquad::{Biquad, DirectForm2Transposed};
use divan::Bencher;
use divan::counter::ItemsCount;

const RATE_HZ: f64 = 48_000.0;
const FRAMES: usize = 4096;

fn main() {
    sections_in_series();
    divan::main();
}

fn sections(count: usize) -> Vec<Section> {
    let peak = |i| Peak {
        freq_hz: 100.0 + 700.0 * i as f64,
        gain_db: if i % 2 == 0 { 3.0 } else { -3.0 },
        q: 1.0,
    };
    (0..count)
        .filter_map(|i| peak(i).sections(RATE_HZ))
        .flatten()
        .collect()
}

/// Prints nanoseconds per sample of one channel, and what share that is of the `biquad` crate's: medians
/// of runs that take turns, so that a change of the processor's clock meets all of them.
fn sections_in_series() {
    const RUNS: usize = 99;
    println!("ns per sample of one channel; share of the biquad crate's chained run()");
    println!("sections  biquad      mono           pair");
    for count in 1..=12 {
        let input = [0, 1].map(|seed| noise(seed, FRAMES));
        let mut chain: Vec<DirectForm2Transposed<f64>> = sections(count)
            .into_iter()
            .map(|section| DirectForm2Transposed::new(section.into()))
            .collect();
        let mut mono = Cascade::new(sections(count), 1);
        let mut pair = Cascade::new(sections(count), 2);
        let mut times = [const { Vec::new() }; 3];
        for _ in 0..RUNS {
            let mut samples = input[0].clone();
            times[0].push(ns_per_sample(1, || {
                for sample in &mut samples {
                    *sample = chain.iter_mut().fold(*sample, |x, section| section.run(x));
                }
                divan::black_box(&samples);
            }));
            for (cascade, channels) in [(&mut mono, 1), (&mut pair, 2)] {
                let mut block = Block::from_channels(input[..channels].to_vec());
                times[channels].push(ns_per_sample(channels, || cascade.process(&mut block)));
            }
        }
        let [theirs, mono, pair] = times.map(|mut times| {
            times.sort_by(f64::total_cmp);
            times[RUNS / 2]
        });
        let share = |ns: f64| format!("{ns:5.2} ({:.2} x)", ns / theirs);
        println!(
            "{count:8} {theirs:7.2} {:>14} {:>14}",
            share(mono),
            share(pair)
        );
    }
    println!();
}

fn ns_per_sample(channels: usize, work: impl FnOnce()) -> f64 {
    let start = Instant::now();
    work();
    start.elapsed().as_secs_f64() * 1e9 / (FRAMES * channels) as f64
}

/// The example of every stage, on one channel of noise.
#[divan::bench(args = STAGES.map(|row| row.name))]
fn stage(bencher: Bencher, name: &str) {
    let row = STAGES.iter().find(|row| row.name == name).expect(name);
    let table: toml::Table = toml::from_str(&format!("stage = {}", row.example)).expect(name);
    let stage: Stage = table["stage"].clone().try_into().expect(name);
    let mut chain = Chain::start(&[stage], RATE_HZ, 1);
    let input = Block::from_channels(vec![noise(0, FRAMES)]);
    bencher
        .counter(ItemsCount::new(FRAMES))
        .with_inputs(|| input.clone())
        .bench_local_refs(|block| chain.process(block));
}

/// Throughput counts input samples.
#[divan::bench(args = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (192_000, 48_000)])]
fn resample(bencher: Bencher, (from_hz, to_hz): (u32, u32)) {
    let mut resampler = Resampler::new(from_hz, to_hz, 1, 0).expect("usual rates");
    let input = Block::from_channels(vec![noise(0, FRAMES)]);
    let mut out = Block::default();
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench_local(|| resampler.process(&input, &mut out));
}
