//! Reading and writing, by format: `cargo bench --bench wav`. Ten seconds of stereo at 48 kHz, in
//! blocks of the usual size; the rate is in bytes of the file.

use std::io::Cursor;
use std::path::Path;

use batterhead::audio::AudioRead;
use batterhead::block::{Block, FRAMES};
use batterhead::output::publish::{Outbox, sha256_file};
use batterhead::wav::{Codec, Depth, Dither, Encoder, Metadata, Reader, WriteSpec, Writer, decode};
use divan::counter::BytesCount;
use divan::{Bencher, black_box};

const LENGTH: usize = 480_000;

fn main() {
    divan::main();
}

fn block() -> Block {
    let channel = |c: usize| (0..FRAMES).map(move |i| ((i * (7 + c)) % 1000) as f64 / 1001.0 - 0.5);
    Block::from_channels((0..2).map(|c| channel(c).collect()).collect())
}

fn spec(depth: Depth, dither: bool) -> WriteSpec {
    let dither = if dither {
        Dither::Tpdf { seed: 1 }
    } else {
        Dither::None
    };
    WriteSpec {
        rate_hz: 48_000,
        channels: 2,
        depth,
        dither,
        frames: LENGTH as u64,
    }
}

fn write(spec: &WriteSpec, block: &Block, tail: &Block) -> Vec<u8> {
    let bytes = LENGTH * 2 * usize::from(spec.depth.bits()) / 8 + 200;
    let sink = Vec::with_capacity(bytes);
    let mut writer = Writer::create(sink, spec, &Metadata::default()).expect("a valid spec");
    for _ in 0..LENGTH / FRAMES {
        writer.write(block).expect("memory takes it");
    }
    writer.write(tail).expect("memory takes it");
    writer.finish().expect("all frames came").0
}

fn written(spec: &WriteSpec) -> Vec<u8> {
    let mut tail = block();
    tail.resize(LENGTH % FRAMES);
    write(spec, &block(), &tail)
}

#[divan::bench(args = [Depth::Int16, Depth::Int24, Depth::Float32])]
fn writing(bencher: Bencher, depth: Depth) {
    bench_write(bencher, &spec(depth, false));
}

#[divan::bench(args = [Depth::Int16, Depth::Int24])]
fn writing_with_dither(bencher: Bencher, depth: Depth) {
    bench_write(bencher, &spec(depth, true));
}

fn bench_write(bencher: Bencher, spec: &WriteSpec) {
    let bytes = written(spec).len();
    let (block, mut tail) = (block(), block());
    tail.resize(LENGTH % FRAMES);
    let bencher = bencher.counter(BytesCount::new(bytes));
    bencher.bench(|| black_box(write(black_box(spec), &block, &tail)));
}

#[divan::bench(args = [Depth::Int16, Depth::Int24, Depth::Float32])]
fn reading(bencher: Bencher, depth: Depth) {
    let file = written(&spec(depth, false));
    let mut block = Block::default();
    let bencher = bencher.counter(BytesCount::new(file.len()));
    bencher.bench_local(|| {
        let mut reader = Reader::new(Cursor::new(&file), Path::new("a.wav")).expect("our own file");
        while reader.read(&mut block, FRAMES).expect("in memory") > 0 {
            black_box(&mut block);
        }
    });
}

#[divan::bench(args = [Codec::I16, Codec::I24, Codec::I32, Codec::F32, Codec::F64])]
fn decoding(bencher: Bencher, codec: Codec) {
    let bytes = vec![0x11; 2 * FRAMES * codec.bytes()];
    let mut channels = vec![vec![0.0; FRAMES]; 2];
    let bencher = bencher.counter(BytesCount::new(bytes.len()));
    bencher.bench_local(|| decode(codec, black_box(&bytes), black_box(&mut channels), 0));
}

#[divan::bench(args = [Codec::I16, Codec::I24, Codec::F32])]
fn encoding(bencher: Bencher, codec: Codec) {
    bench_encode(bencher, codec, Dither::None);
}

#[divan::bench(args = [Codec::I16, Codec::I24])]
fn encoding_with_dither(bencher: Bencher, codec: Codec) {
    bench_encode(bencher, codec, Dither::Tpdf { seed: 1 });
}

fn bench_encode(bencher: Bencher, codec: Codec, dither: Dither) {
    let block = block();
    let mut bytes = vec![0; 2 * FRAMES * codec.bytes()];
    let mut encoder = Encoder::new(codec, dither);
    let bencher = bencher.counter(BytesCount::new(bytes.len()));
    bencher.bench_local(|| {
        for (index, samples) in black_box(&block).channels().enumerate() {
            encoder.encode(samples, black_box(&mut bytes), index, 2, 0);
        }
    });
}

/// 64 MiB: written to a temporary folder, read back, renamed; and hashed alone.
#[divan::bench(sample_count = 5)]
fn publishing(bencher: Bencher) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let outbox = Outbox::open(folder.path()).expect("a temporary folder");
    let bytes = vec![0x55; 1 << 26];
    let bencher = bencher.counter(BytesCount::new(bytes.len()));
    bencher.bench_local(|| outbox.write(Path::new("a.wav"), &bytes).expect("space"));
}

#[divan::bench(sample_count = 5)]
fn hashing(bencher: Bencher) {
    let file = tempfile::NamedTempFile::new().expect("a temporary file");
    std::fs::write(file.path(), vec![0x55; 1 << 26]).expect("space");
    let bencher = bencher.counter(BytesCount::new(1usize << 26));
    bencher.bench_local(|| sha256_file(file.path(), &|| false).expect("readable"));
}
