//! Time of the resampler, and of sections in series, against the same coefficients in the `biquad` crate's runner, one
//! sample after the other through all sections. Throughput counts samples of one channel.

use batterhead::block::Block;
use batterhead::resample::Resampler;
use batterhead::stage::biquad::Cascade;
use batterhead::stage::{Peak, Running, Section, Settings};
use batterhead::testing::noise;
use biquad::{Biquad, DirectForm2Transposed};
use divan::Bencher;
use divan::counter::ItemsCount;

const FRAMES: usize = 4096;
const SECTIONS: [usize; 8] = [1, 2, 3, 4, 5, 6, 8, 12];

fn main() {
    divan::main();
}

fn sections(count: usize) -> Vec<Section> {
    let peak = |i| Peak {
        freq_hz: 100.0 + 700.0 * i as f64,
        gain_db: if i % 2 == 0 { 3.0 } else { -3.0 },
        q: 1.0,
    };
    (0..count)
        .filter_map(|i| peak(i).sections(48_000.0))
        .flatten()
        .collect()
}

fn cascade(bencher: Bencher, count: usize, channels: usize) {
    let mut cascade = Cascade::new(sections(count), channels);
    let samples = (0..channels as u64).map(|seed| noise(seed, FRAMES));
    let input = Block::from_channels(samples.collect());
    bencher
        .counter(ItemsCount::new(FRAMES * channels))
        .with_inputs(|| input.clone())
        .bench_local_refs(|block| cascade.process(block));
}

#[divan::bench(args = SECTIONS)]
fn mono(bencher: Bencher, count: usize) {
    cascade(bencher, count, 1);
}

#[divan::bench(args = SECTIONS)]
fn pair(bencher: Bencher, count: usize) {
    cascade(bencher, count, 2);
}

#[divan::bench(args = SECTIONS)]
fn biquad_crate_chained(bencher: Bencher, count: usize) {
    let mut chain: Vec<DirectForm2Transposed<f64>> = sections(count)
        .into_iter()
        .map(|section| DirectForm2Transposed::new(section.into()))
        .collect();
    let input = noise(0, FRAMES);
    bencher
        .counter(ItemsCount::new(FRAMES))
        .with_inputs(|| input.clone())
        .bench_local_refs(|samples| {
            for sample in samples {
                *sample = chain.iter_mut().fold(*sample, |x, section| section.run(x));
            }
        });
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
