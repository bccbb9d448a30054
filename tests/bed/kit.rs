//! Recorded strokes as the drums of a kit: trimmed to their onset, levelled, sorted by force.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use batterhead::audio;
use batterhead::block::Block;
use realfft::RealFftPlanner;

use super::RATE_HZ;
use super::font::{Font, layers};
use super::play::Way;

/// What sounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Voice {
    Kick,
    Snare,
    Tom1,
    Tom2,
    Tom3,
    Hat,
    Ride,
    Crash1,
    Crash2,
    China,
    /// Snare wires that rattle along.
    Wires,
    /// Two sticks struck together.
    Sticks,
    /// Somebody who talks.
    Talk,
}

impl Voice {
    /// All that a stick or a beater strikes.
    pub const STRUCK: [Voice; 10] = [
        Voice::Kick,
        Voice::Snare,
        Voice::Tom1,
        Voice::Tom2,
        Voice::Tom3,
        Voice::Hat,
        Voice::Ride,
        Voice::Crash1,
        Voice::Crash2,
        Voice::China,
    ];

    /// As the program calls the drum.
    pub fn drum(self) -> &'static str {
        match self {
            Voice::Kick => "kick",
            Voice::Snare => "snare",
            Voice::Tom1 => "tom-1",
            Voice::Tom2 => "tom-2",
            Voice::Tom3 => "tom-3",
            Voice::Hat => "hat",
            Voice::Ride => "ride",
            Voice::Crash1 => "crash-l",
            Voice::Crash2 => "crash-r",
            Voice::China => "china",
            Voice::Wires | Voice::Sticks | Voice::Talk => "",
        }
    }

    pub fn is_tom(self) -> bool {
        matches!(self, Voice::Tom1 | Voice::Tom2 | Voice::Tom3)
    }

    pub fn is_head(self) -> bool {
        self <= Voice::Tom3
    }
}

/// The folders of recordings.
#[derive(Clone, Debug)]
pub struct Sources {
    recorded: PathBuf,
    hits: PathBuf,
}

fn folder(name: &str, usual: PathBuf) -> Option<PathBuf> {
    let folder = std::env::var_os(name).map_or(usual, PathBuf::from);
    folder.is_dir().then_some(folder)
}

fn packaged_hits() -> Option<PathBuf> {
    folder("BATTERHEAD_HITS", "/usr/share/sonic-pi/samples".into())
}

/// The sound font that kits 5 and 6 come from.
fn font() -> PathBuf {
    let usual = || "/usr/share/sounds/sf2/FluidR3_GM.sf2".into();
    std::env::var_os("BATTERHEAD_FONT").map_or_else(usual, PathBuf::from)
}

/// The recordings, where they are.
pub fn sources() -> Option<Sources> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/recorded");
    match (folder("BATTERHEAD_RECORDED", beside), packaged_hits()) {
        (Some(recorded), Some(hits)) => Some(Sources { recorded, hits }),
        _ => {
            eprintln!("skipped: no folder of recorded kits (../shared/recorded, BATTERHEAD_HITS)");
            None
        }
    }
}

/// The recordings of the fourth kit alone, which a package of Debian's has.
pub fn packaged() -> Option<Sources> {
    let Some(hits) = packaged_hits() else {
        eprintln!("skipped: no folder of recorded hits (BATTERHEAD_HITS)");
        return None;
    };
    let recorded = PathBuf::new();
    Some(Sources { recorded, hits })
}

/// Frames of every sound that lie before its onset.
pub const LEAD: usize = 44;

/// One stroke: `LEAD` frames, the onset, what follows; its peak is 1.
#[derive(Clone, Debug)]
pub struct Sound {
    pub samples: Vec<f32>,
    /// What of it lies below 500 Hz.
    pub low: Vec<f32>,
}

/// What a head is tuned to.
#[derive(Clone, Copy, Debug)]
pub struct Pitch {
    /// 40 to 220 ms after the stroke.
    pub early_hz: f64,
    /// 100 to 500 ms after it.
    pub settled_hz: f64,
    /// Whether the recordings have one line that stands for it.
    pub clear: bool,
}

impl Pitch {
    /// Whether a value lies between settled − 1 Hz and early + 2 Hz.
    pub fn holds(&self, hz: f64) -> bool {
        let (low, high) = (
            self.early_hz.min(self.settled_hz),
            self.early_hz.max(self.settled_hz),
        );
        (low - 1.0..=high + 2.0).contains(&hz)
    }
}

/// How a kit differs from its recordings.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    /// `1` to `3`, `4` for the kit of the package, `5` and `6` for those of the sound font.
    pub kit: u8,
    /// Everything is so much higher.
    pub pitch: f64,
    /// Seconds for 60 dB of the toms' ring; the recordings are stretched or damped to it.
    pub ring_s: f64,
    /// Two modes of a tom's head are this far apart (as a share of its pitch), and beat.
    pub split: f64,
    /// The other snare and the other crash, where there are two.
    pub second: bool,
}

/// The drums of one kit as they are tuned in one take.
pub struct Kit {
    sounds: BTreeMap<(Voice, u8), Vec<Sound>>,
    pub pitch: BTreeMap<Voice, Pitch>,
}

/// Files of a voice: folder-independent names without their layers, and how much higher to play.
fn files(shape: &Shape, voice: Voice, way: Way) -> (&'static str, f64) {
    let second = shape.second;
    match (shape.kit, voice, way) {
        (1, Voice::Snare, _) if second => ("snare-second", 1.0),
        (3, Voice::Snare, Way::Rimshot) => ("snare-rimshot", 1.0),
        (_, Voice::Snare, _) => ("snare", 1.0),
        (_, Voice::Kick, _) => ("kick", 1.0),
        (1, Voice::Tom1, _) => ("tom", 1.0),
        (1, Voice::Tom2, _) => ("tom", 0.84),
        (1, Voice::Tom3, _) | (2, Voice::Tom3, _) => ("floor-tom", 1.0),
        (2, Voice::Tom1, _) | (3, Voice::Tom1, _) => ("tom-high", 1.0),
        (2, Voice::Tom2, _) => ("tom-low", 1.0),
        (3, Voice::Tom2, _) => ("tom-mid", 1.0),
        (3, Voice::Tom3, _) => ("tom-low", 1.0),
        (4, Voice::Tom1, _) => ("tom_hi", 1.0),
        (4, Voice::Tom2, _) => ("tom_mid", 1.0),
        (4, Voice::Tom3, _) => ("tom_lo", 1.0),
        (5 | 6, Voice::Tom1, _) => (if second { "tom-higher" } else { "tom-high" }, 1.0),
        (5 | 6, Voice::Tom2, _) => (if second { "tom-low" } else { "tom-mid" }, 1.0),
        (5 | 6, Voice::Tom3, _) => (if second { "floor-lower" } else { "floor-tom" }, 1.0),
        (_, Voice::Hat, Way::Open) => ("hat-open", 1.0),
        (1 | 2 | 5 | 6, Voice::Hat, Way::Pedal) => ("hat-pedal", 1.0),
        (_, Voice::Hat, _) => ("hat-closed", 1.0),
        (4, Voice::Ride, _) => ("crash", 1.1),
        (_, Voice::Ride, _) => ("ride", 1.0),
        (3, Voice::Crash2, _) => ("crash-second", 1.0),
        (_, Voice::Crash2, _) => ("crash", 0.9),
        (4, Voice::China, _) => ("splash", 0.9),
        (5 | 6, Voice::China, _) => ("china", 1.0),
        (_, Voice::China, _) => ("crash", 1.15),
        _ => ("crash", 1.0),
    }
}

impl Sources {
    /// Every layer of a voice.
    fn layers(&self, kit: u8, name: &str) -> Vec<Vec<f32>> {
        if kit < 5 {
            return self.paths(kit, name).iter().map(|p| read(p)).collect();
        }
        static FONT: OnceLock<Font> = OnceLock::new();
        let font = FONT.get_or_init(|| {
            let why = "Debian's fluid-soundfont-gm has it, BATTERHEAD_FONT says where it is";
            let path = font();
            Font::read(&path).unwrap_or_else(|e| panic!("{}: {e} ({why})", path.display()))
        });
        layers(kit, name).iter().map(|n| font.stroke(n)).collect()
    }

    fn paths(&self, kit: u8, name: &str) -> Vec<PathBuf> {
        if kit == 4 {
            let pairs: &[&str] = match name {
                "kick" => &["drum_bass_soft", "drum_bass_hard"],
                "snare" => &["drum_snare_soft", "drum_snare_hard"],
                "tom_hi" => &["drum_tom_hi_soft", "drum_tom_hi_hard"],
                "tom_mid" => &["drum_tom_mid_soft", "drum_tom_mid_hard"],
                "tom_lo" => &["drum_tom_lo_soft", "drum_tom_lo_hard"],
                "hat-open" => &["drum_cymbal_open"],
                "hat-closed" => &["drum_cymbal_closed", "drum_cymbal_pedal"],
                "splash" => &["drum_splash_soft", "drum_splash_hard"],
                _ => &["drum_cymbal_soft", "drum_cymbal_hard"],
            };
            return pairs
                .iter()
                .map(|n| self.hits.join(format!("{n}.flac")))
                .collect();
        }
        let folder = self.recorded.join(format!("kit-{kit}"));
        (1..)
            .map(|n| folder.join(format!("{name}_{n}.flac")))
            .take_while(|p| p.is_file())
            .collect()
    }
}

impl Kit {
    /// `tuned`: how much higher each drum is in this take than the kit is otherwise.
    pub fn load(sources: &Sources, shape: &Shape, tuned: &dyn Fn(Voice) -> f64) -> Self {
        let mut sounds = BTreeMap::new();
        let mut pitch = BTreeMap::new();
        for voice in Voice::STRUCK {
            for way in [Way::Plain, Way::Open, Way::Pedal, Way::Rimshot] {
                let fits = match way {
                    Way::Plain => true,
                    Way::Open | Way::Pedal => voice == Voice::Hat,
                    Way::Rimshot => voice == Voice::Snare,
                };
                if !fits {
                    continue;
                }
                let (name, higher) = files(shape, voice, way);
                let higher = higher * shape.pitch * tuned(voice);
                let layers: Vec<Sound> = sources
                    .layers(shape.kit, name)
                    .iter()
                    .map(|stroke| prepare(stroke, higher, shape, voice))
                    .collect();
                assert!(!layers.is_empty(), "kit {} has no {name}", shape.kit);
                sounds.insert((voice, way as u8), layers);
            }
            if voice.is_tom() || voice == Voice::Snare {
                let layers = &sounds[&(voice, 0)];
                let loud: Vec<&[f32]> = layers[layers.len() / 2..]
                    .iter()
                    .map(|s| &s.samples[..])
                    .collect();
                pitch.insert(voice, pitch_of(&loud, voice));
            }
        }
        Self { sounds, pitch }
    }

    /// The recording for a stroke of this force (0 to 1), one of its neighbours by `dice` (0 to 1).
    pub fn sound(&self, voice: Voice, way: Way, force: f64, dice: f64) -> &Sound {
        let layers = &self.sounds[&(voice, way as u8)];
        let db = 20.0 * force.max(1e-3).log10();
        let top = (layers.len() - 1) as f64;
        // the softest layer is for strokes 24 dB down
        let place = (1.0 + db / 24.0).clamp(0.0, 1.0) * top;
        let place = place + (dice - 0.5) * if layers.len() > 3 { 1.2 } else { 0.4 };
        &layers[place.round().clamp(0.0, top) as usize]
    }
}

/// The first channel of a recording, or the mean of two.
fn read(path: &Path) -> Vec<f32> {
    let name = path.display();
    let mut reader = audio::open(path).unwrap_or_else(|e| panic!("{name}: {e}"));
    assert_eq!(f64::from(reader.info().rate_hz), RATE_HZ, "{name}");
    let channels = reader.info().channels;
    let (mut block, mut samples) = (Block::default(), Vec::new());
    while reader.read(&mut block, 8192).expect("a whole recording") > 0 {
        let first = block.channel(0);
        match channels {
            1 => samples.extend(first.iter().map(|x| *x as f32)),
            _ => {
                let both = first.iter().zip(block.channel(1));
                samples.extend(both.map(|(l, r)| (0.5 * (l + r)) as f32));
            }
        }
    }
    samples
}

/// The onset: the first half millisecond that is within 18 dB of the brightest or 14 dB of the loudest
/// of the first 200 ms. A layer may begin with something softer, such as the way of a pedal.
fn onset(x: &[f32]) -> usize {
    const SPAN: usize = 22;
    let start = &x[..x.len().min(RATE_HZ as usize / 5)];
    let bright: Vec<f32> = start.windows(2).map(|w| w[1] - w[0]).collect();
    let levels = |x: &[f32]| -> Vec<f32> {
        let square = |part: &[f32]| part.iter().map(|x| x * x).sum::<f32>();
        x.chunks(SPAN).map(|part| square(part).sqrt()).collect()
    };
    let (bright, all) = (levels(&bright), levels(start));
    let top = |levels: &[f32]| levels.iter().fold(1e-9f32, |a, b| a.max(*b));
    let (bright_top, all_top) = (top(&bright), top(&all));
    let both = bright.iter().zip(&all);
    let first = both
        .enumerate()
        .find(|(_, (b, a))| **b > 0.126 * bright_top || **a > 0.2 * all_top);
    first.map_or(0, |(i, _)| i * SPAN)
}

fn prepare(x: &[f32], higher: f64, shape: &Shape, voice: Voice) -> Sound {
    let start = onset(x) as f64;
    let length = ((x.len() as f64 - start) / higher) as usize;
    let most = (if voice.is_head() { 2.0 } else { 4.0 } * RATE_HZ) as usize;
    let length = length.min(most);
    let mut samples: Vec<f32> = (0..length + LEAD)
        .map(|i| between(x, start + (i as f64 - LEAD as f64) * higher))
        .collect();
    let count = samples.len();
    if voice.is_tom() {
        // the second mode: the same recording a little higher, from the same onset on
        let upper = |i: usize| {
            between(
                x,
                start + (i as f64 - LEAD as f64) * higher * (1.0 + shape.split),
            )
        };
        for (i, y) in samples.iter_mut().enumerate() {
            *y += 0.4 * upper(i);
        }
        let rise = 6.908 / RATE_HZ * (1.0 / ring_s(&samples) - 1.0 / shape.ring_s);
        for (i, y) in samples.iter_mut().enumerate() {
            // no recording has more than 50 dB of ring above its own noise
            *y *= (i as f64 * rise).exp().min(30.0) as f32;
        }
    }
    for (i, y) in samples.iter_mut().enumerate() {
        // what stood before the stroke is the recording's own noise
        let fade_in = (i as f32 / (LEAD as f32 * 0.7)).min(1.0);
        let fade_out = ((count - i) as f32 / 6_000.0).min(1.0);
        *y *= fade_in * fade_out;
    }
    let peak = samples.iter().fold(1e-9f32, |m, y| m.max(y.abs()));
    samples.iter_mut().for_each(|y| *y /= peak);
    let c = (1.0 - (-2.0 * PI * 500.0 / RATE_HZ).exp()) as f32;
    let mut state = 0.0f32;
    let low = samples
        .iter()
        .map(|y| {
            state += c * (y - state);
            state
        })
        .collect();
    Sound { samples, low }
}

/// Seconds for 60 dB between 100 and 400 ms after the onset.
fn ring_s(x: &[f32]) -> f64 {
    let power = |from_s: f64| {
        let from = LEAD + (from_s * RATE_HZ) as usize;
        let piece = x.get(from..from + (0.08 * RATE_HZ) as usize).unwrap_or(&[]);
        piece.iter().map(|x| f64::from(x * x)).sum::<f64>() + 1e-12
    };
    let fall_db = 10.0 * (power(0.1) / power(0.32)).log10();
    (60.0 * 0.22 / fall_db.max(1.0)).clamp(0.1, 6.0)
}

/// Between two samples, by a windowed sinc of 16.
fn between(x: &[f32], at: f64) -> f32 {
    let whole = at.floor();
    let part = at - whole;
    let mut sum = 0.0;
    for k in -7..=8i64 {
        let i = whole as i64 + k;
        if i < 0 || i as usize >= x.len() {
            continue;
        }
        let d = k as f64 - part;
        let sinc = if d.abs() < 1e-9 {
            1.0
        } else {
            (PI * d).sin() / (PI * d)
        };
        sum += f64::from(x[i as usize]) * sinc * (0.5 + 0.5 * (PI * d / 8.5).cos());
    }
    sum as f32
}

/// Early and settled, from loud strokes alone. The line is the lowest within 10 dB of the strongest in
/// their common spectrum, or one less than a minor third above it that is stronger in the hardest of
/// them, which is what ears and tuners go by: no two modes of a head lie as near, so that the lower is
/// a twin, or a trace of the glide. Then where each stroke has it. It is clear where 3 dB more or less would
/// name the same line: kit 2's floor tom is all noise, and has 57 Hz at one tuning and 148 Hz at another.
fn pitch_of(strokes: &[&[f32]], voice: Voice) -> Pitch {
    let range = match voice {
        Voice::Snare => (120.0, 400.0),
        Voice::Tom3 => (45.0, 190.0),
        _ => (60.0, 320.0),
    };
    const EARLY_S: (f64, f64) = (0.040, 0.220);
    let mut common = vec![0.0; SIZE / 2 + 1];
    let mut hardest = common.clone();
    for stroke in strokes {
        let power = power(stroke, EARLY_S);
        let sum: f64 = power.iter().sum();
        let all = common.iter_mut().zip(&power);
        all.for_each(|(y, x)| *y += x / sum);
        hardest = power;
    }
    let lines: Vec<usize> = (bin(range.0)..bin(range.1))
        .filter(|&k| common[k] > common[k - 1] && common[k] >= common[k + 1])
        .collect();
    let strongest = lines.iter().map(|&k| common[k]).fold(0.0, f64::max);
    let line = |share: f64| {
        let lowest = *lines.iter().find(|&&k| common[k] > share * strongest)?;
        (lowest..bin(1.2 * hz(lowest))).max_by(|a, b| hardest[*a].total_cmp(&hardest[*b]))
    };
    let early_hz = line(0.1).map_or(range.0, hz);
    let near = |window_s, range: (f64, f64)| {
        strokes.iter().map(move |stroke| {
            let power = power(stroke, window_s);
            let top = (bin(range.0)..bin(range.1)).max_by(|a, b| power[*a].total_cmp(&power[*b]));
            top.map_or(range.0, hz)
        })
    };
    // the loudest glides from farthest, the softest settles lowest
    Pitch {
        early_hz: near(EARLY_S, (early_hz * 0.96, early_hz * 1.04)).fold(0.0, f64::max),
        settled_hz: near((0.100, 0.500), (early_hz * 0.88, early_hz * 1.03)).fold(1e9, f64::min),
        clear: line(0.2) == line(0.05),
    }
}

const SIZE: usize = 1 << 17;

fn bin(hz: f64) -> usize {
    (hz / RATE_HZ * SIZE as f64) as usize
}

fn hz(bin: usize) -> f64 {
    bin as f64 * RATE_HZ / SIZE as f64
}

/// Power by bins of 0.34 Hz of a part of a stroke.
fn power(x: &[f32], window_s: (f64, f64)) -> Vec<f64> {
    let from = LEAD + (window_s.0 * RATE_HZ) as usize;
    let to = (LEAD + (window_s.1 * RATE_HZ) as usize).min(x.len());
    let mut planner = RealFftPlanner::<f64>::new();
    let fft = planner.plan_fft_forward(SIZE);
    let mut input = fft.make_input_vec();
    let count = to.saturating_sub(from);
    for (i, y) in input.iter_mut().enumerate().take(count) {
        let w = (PI * (i as f64 + 0.5) / count as f64).sin().powi(2);
        *y = w * f64::from(x[from + i]);
    }
    let mut bins = fft.make_output_vec();
    fft.process(&mut input, &mut bins).expect("equal lengths");
    bins.iter().map(|b| b.norm_sqr() + 1e-30).collect()
}
