//! Where the drums of a set-up sound boxy, by their own strokes without bleed, and what a cut does there.

use std::f64::consts::PI;

use batterhead::block::Block;
use batterhead::preset::{self, Followed};
use batterhead::stage::{Chain, Peak, Stage};
use realfft::RealFftPlanner;

use super::RATE_HZ;
use super::judge::Heard;
use super::kit::Voice;
use super::record::Recording;

/// A drum of a set-up.
#[derive(Clone, Debug)]
pub struct BoxyFigures {
    pub drum: String,
    /// What stands out most of its strokes; `None` where nothing does.
    pub true_hz: Option<f64>,
    pub found_hz: Option<f64>,
    /// What the cut of its preset does to the third of an octave there: at the preset's own frequency, and
    /// where it was found, dB.
    pub fixed_db: f64,
    pub followed_db: f64,
}

const DRUMS: [(&str, Voice); 4] = [
    ("kick-in", Voice::Kick),
    ("tom-1", Voice::Tom1),
    ("tom-2", Voice::Tom2),
    ("tom-3", Voice::Tom3),
];
const STEPS: f64 = 48.0;
const FROM_HZ: f64 = 200.0;
const COUNT: usize = 93;
/// What it is read from, in seconds after a stroke.
const WINDOW_S: (f64, f64) = (0.02, 0.12);
const SIZE: usize = 1 << 16;

fn hz(k: usize) -> f64 {
    FROM_HZ * (k as f64 / STEPS).exp2()
}

fn bin(hz: f64) -> usize {
    (hz / RATE_HZ * SIZE as f64).round() as usize
}

/// Where each drum of a set-up is boxy, and where the program says so.
/// Nothing where the takes were kept, which are so without the drums' own shares.
pub fn boxy(name: &str, heard: &Heard) -> Vec<BoxyFigures> {
    if heard.takes.iter().any(|(take, _)| take.own.is_empty()) {
        return Vec::new();
    }
    let of = |&(label, voice): &(&str, Voice)| {
        let powers = strokes(heard, label, voice);
        let pitch = heard.takes[0].0.pitch.get(&voice);
        let true_hz = strongest(&powers, pitch.map_or(0.0, |pitch| 1.8 * pitch.early_hz));
        let found = heard.setup.boxy.iter().find(|found| found.label == label);
        let found_hz = found.map(|found| found.hz);
        let cut = cut(label);
        let change_db = |freq_hz: f64| {
            true_hz.map_or(0.0, |hz| change_db(&powers, &Peak { freq_hz, ..cut }, hz))
        };
        BoxyFigures {
            drum: format!("{name} {label}"),
            true_hz,
            found_hz,
            fixed_db: change_db(cut.freq_hz),
            followed_db: change_db(found_hz.unwrap_or(cut.freq_hz)),
        }
    };
    DRUMS.iter().map(of).collect()
}

/// The cut of a mic's preset.
fn cut(mic: &str) -> Peak {
    let preset = preset::find(mic).expect("a preset of the library");
    let boxy = |step: &&preset::Step| {
        let follow = step.follow.as_ref();
        follow.is_some_and(|follow| follow.of == Followed::BoxyPartial)
    };
    match &preset.stages.iter().find(boxy).expect("a cut").stage {
        Stage::Peak(peak) => peak.clone(),
        stage => panic!("{stage:?}"),
    }
}

/// Power by bins of the drum's own strokes, each as much as any other.
fn strokes(heard: &Heard, label: &str, voice: Voice) -> Vec<f64> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(SIZE);
    let mut sum = vec![0.0; SIZE / 2 + 1];
    let mut add = |take: &Recording| {
        let mic = take.mics.iter().position(|mic| mic.label == label);
        let own = &take.own[mic.expect("a mic")];
        let events = take.events(voice.drum());
        for (i, event) in events.iter().enumerate() {
            let next_ms = events.get(i + 1).map_or(f64::MAX, |next| next.first_ms);
            let at = |s: f64| ((event.main_ms / 1000.0 + s) * RATE_HZ) as usize;
            let (from, to) = (at(WINDOW_S.0), at(WINDOW_S.1));
            if next_ms < event.main_ms + 1000.0 * WINDOW_S.1 || to > own.len() {
                continue;
            }
            let mut input = plan.make_input_vec();
            for (k, x) in own[from..to].iter().enumerate() {
                let window = (PI * (k as f64 + 0.5) / (to - from) as f64).sin().powi(2);
                input[k] = window * f64::from(*x);
            }
            let mut bins = plan.make_output_vec();
            plan.process(&mut input, &mut bins).expect("equal lengths");
            let range = bin(FROM_HZ)..bin(hz(COUNT - 1));
            let energy: f64 = bins[range].iter().map(|b| b.norm_sqr()).sum();
            let all = sum.iter_mut().zip(&bins);
            all.for_each(|(sum, b)| *sum += b.norm_sqr() / energy.max(1e-30));
        }
    };
    heard.takes.iter().for_each(|(take, _)| add(take));
    sum
}

/// Power between two frequencies.
fn band(powers: &[f64], low_hz: f64, high_hz: f64) -> f64 {
    powers[bin(low_hz)..=bin(high_hz)].iter().sum()
}

/// The strongest peak from 250 to 600 Hz and above `least_hz` of what a filter of a quarter of an octave
/// gives.
fn strongest(powers: &[f64], least_hz: f64) -> Option<f64> {
    let half = (0.125f64).exp2();
    let level = |k: usize| band(powers, hz(k) / half, hz(k) * half) / hz(k);
    let levels: Vec<f64> = (0..COUNT).map(level).collect();
    let peaks = (1..COUNT - 1).filter(|&k| {
        let inside = (least_hz.max(250.0)..600.0).contains(&hz(k));
        inside && levels[k] > levels[k - 1] && levels[k] >= levels[k + 1]
    });
    let top = peaks.max_by(|&a, &b| levels[a].total_cmp(&levels[b]));
    top.map(hz)
}

/// What a cut does to the third of an octave round a frequency.
fn change_db(powers: &[f64], cut: &Peak, at_hz: f64) -> f64 {
    let mut impulse = vec![0.0; SIZE];
    impulse[0] = 1.0;
    let mut block = Block::from_channels(vec![impulse]);
    Chain::start(&[Stage::Peak(cut.clone())], RATE_HZ, 1).process(&mut block);
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(SIZE);
    let (mut input, mut bins) = (block.channel(0).to_vec(), plan.make_output_vec());
    plan.process(&mut input, &mut bins).expect("equal lengths");
    let after: Vec<f64> = powers
        .iter()
        .zip(&bins)
        .map(|(p, b)| p * b.norm_sqr())
        .collect();
    let sixth = (1.0f64 / 6.0).exp2();
    let of = |powers: &[f64]| band(powers, at_hz / sixth, at_hz * sixth);
    10.0 * (of(&after) / of(powers)).log10()
}
