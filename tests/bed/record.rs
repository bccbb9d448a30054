//! Takes: strokes into sound, through the room, into every mic.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use batterhead::analysis::Recorded;
use batterhead::analysis::TakeTrack;
use batterhead::dsp::random::Random;
use batterhead::units::db_to_ratio;
use rayon::prelude::*;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::RATE_HZ;
use super::along::{level, resonate, talk};
use super::keep;
use super::kit::{Kit, LEAD, Pitch, Sources, Voice};
use super::plans::{Mishap, Setup, TakePlan};
use super::play::{Sort, Stroke, perform};
use super::space::{self, Mic, Room};

/// Two strokes of one drum within this time are one to whoever counts.
const ONE_STROKE_S: f64 = 0.035;
const SIZE: usize = 1 << 16;

/// How each voice reaches a mic, as a spectrum.
type Paths = BTreeMap<Voice, Vec<Complex<f32>>>;

/// A set-up, ready to record its takes.
pub struct Session<'a> {
    sources: &'a Sources,
    pub setup: &'a Setup,
    pub mics: Vec<Mic>,
    room: Room,
    /// Gain of each preamplifier.
    gains: Vec<f64>,
    /// One a mic, and how long the longest is; found when the first take is rendered.
    paths: OnceLock<(Vec<Paths>, usize)>,
    /// Where rendered takes are kept.
    pub keep: Option<PathBuf>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

/// A take, and what is true of it.
pub struct Recording {
    pub mics: Vec<Mic>,
    /// One a mic.
    pub sound: Vec<Vec<f32>>,
    /// What the strokes of its own drum are of that; empty but for kick and toms.
    pub own: Vec<Vec<f32>>,
    /// Everything that was struck, in order.
    pub strokes: Vec<Stroke>,
    /// What the heads of this take are tuned to.
    pub pitch: BTreeMap<Voice, Pitch>,
}

/// What sounds in a take.
struct Scene<'a> {
    kit: &'a Kit,
    strokes: &'a [Stroke],
    /// What sounds along, by voice.
    more: &'a BTreeMap<Voice, Vec<f32>>,
    number: usize,
}

/// One stroke as a listener counts it: a flam or a buzz is one.
#[derive(Clone, Copy, Debug)]
pub struct Event {
    /// When its own mic first hears it, and the last part of it, in ms of the take.
    pub first_ms: f64,
    pub last_ms: f64,
    /// The loudest part.
    pub main_ms: f64,
    /// Of the loudest part.
    pub force: f64,
    pub sort: Sort,
}

/// What sounds beside what is struck.
const BESIDE: [Voice; 3] = [Voice::Wires, Voice::Sticks, Voice::Talk];

impl<'a> Session<'a> {
    /// Sets up the kit, the room and the mics.
    pub fn new(sources: &'a Sources, setup: &'a Setup) -> Self {
        let room = Room::new(setup.room);
        let mut rng = Random::new(setup.room ^ 0xBEEF);
        let mics = space::mics(&room, &mut rng);
        let gains = mics
            .iter()
            .map(|mic| {
                let loudest = mic.own.unwrap_or(Voice::Snare);
                let target_db = match mic.own {
                    Some(_) => rng.between(-12.0, -6.0),
                    None => -14.0,
                };
                db_to_ratio(target_db)
                    / (space::direct_gain(loudest, mic) * space::source_gain(loudest))
            })
            .collect();
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(SIZE);
        let inverse = planner.plan_fft_inverse(SIZE);
        Self {
            sources,
            setup,
            mics,
            room,
            gains,
            paths: OnceLock::new(),
            keep: None,
            forward,
            inverse,
        }
    }

    /// Seconds for 60 dB of the room.
    pub fn t60_s(&self) -> f64 {
        self.room.t60_s
    }

    /// How each voice reaches each mic, and the length of the longest path.
    fn paths(&self) -> &(Vec<Paths>, usize) {
        self.paths.get_or_init(|| {
            let (paths, lengths): (Vec<Paths>, Vec<usize>) = self
                .mics
                .par_iter()
                .map(|mic| {
                    let mut longest = 0;
                    let of = |voice: Voice| {
                        let h = space::path(&self.room, voice, mic);
                        longest = longest.max(h.len());
                        let mut input = self.forward.make_input_vec();
                        input[..h.len()].copy_from_slice(&h);
                        let mut bins = self.forward.make_output_vec();
                        self.forward
                            .process(&mut input, &mut bins)
                            .expect("equal lengths");
                        (voice, bins)
                    };
                    let all = Voice::STRUCK.into_iter().chain(BESIDE);
                    let paths: Paths = all.map(of).collect();
                    (paths, longest)
                })
                .unzip();
            (paths, lengths.into_iter().max().unwrap_or(1))
        })
    }

    /// Plays and records a take; one that is kept comes without `own`.
    pub fn record(&self, number: usize) -> Recording {
        let plan = &self.setup.takes[number];
        let kept = self.keep.as_deref();
        if let Some((sound, pitch)) = kept.and_then(|f| keep::get(f, self.setup, number)) {
            let mut rng = Random::new(plan.seed);
            return Recording {
                mics: self.mics.clone(),
                sound,
                own: Vec::new(),
                strokes: perform(&plan.playing, plan.seconds, &mut rng),
                pitch,
            };
        }
        // many threads are going to ask for them
        self.paths();
        let tuned = |voice: Voice| {
            let found = plan.tuned.iter().find(|t| t.0 == voice);
            found.map_or(1.0, |t| t.1)
        };
        let kit = Kit::load(self.sources, &self.setup.shape, &tuned);
        let mut rng = Random::new(plan.seed);
        let strokes = perform(&plan.playing, plan.seconds, &mut rng);
        let more = self.along(&kit, &strokes, plan, &mut rng);
        let seeds: Vec<u64> = (0..self.mics.len())
            .map(|_| (rng.between(0.0, 1.0) * 1e15) as u64)
            .collect();
        let scene = Scene {
            kit: &kit,
            strokes: &strokes,
            more: &more,
            number,
        };
        let (mut sound, own): (Vec<Vec<f32>>, Vec<Vec<f32>>) = (0..self.mics.len())
            .into_par_iter()
            .map(|m| self.mic(m, &scene, seeds[m]))
            .unzip();
        if self.setup.mishaps.contains(&Mishap::SwappedOverheads) {
            let left = self.mics.iter().position(|m| m.file == "OH L");
            let right = self.mics.iter().position(|m| m.file == "OH R");
            if let (Some(left), Some(right)) = (left, right) {
                sound.swap(left, right);
            }
        }
        if let Some(folder) = kept {
            keep::put(folder, self.setup, number, (&sound, &kit.pitch))
                .unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        }
        Recording {
            mics: self.mics.clone(),
            sound,
            own,
            strokes,
            pitch: kit.pitch,
        }
    }

    /// What sounds along: heads in sympathy, wires, talk. By voice, as loud as a source.
    fn along(
        &self,
        kit: &Kit,
        strokes: &[Stroke],
        plan: &TakePlan,
        rng: &mut Random,
    ) -> BTreeMap<Voice, Vec<f32>> {
        let frames = (plan.seconds * RATE_HZ) as usize;
        let mut dry: BTreeMap<Voice, Vec<f32>> = BTreeMap::new();
        for voice in [
            Voice::Kick,
            Voice::Snare,
            Voice::Tom1,
            Voice::Tom2,
            Voice::Tom3,
        ] {
            dry.insert(voice, lay(kit, strokes, voice, frames, None));
        }
        let mut more = BTreeMap::new();
        for voice in [Voice::Tom1, Voice::Tom2, Voice::Tom3] {
            let Some(pitch) = kit.pitch.get(&voice) else {
                continue;
            };
            let mut drive = vec![0.0f32; frames];
            for (_, other) in dry.iter().filter(|d| *d.0 != voice) {
                drive.iter_mut().zip(other).for_each(|(y, x)| *y += x);
            }
            let level_db = rng.between(-26.0, -20.0);
            let mut ring = vec![0.0f32; frames];
            // two modes of nearly one pitch beat; so do those above
            let split = self.setup.shape.split;
            for (times, gain) in [(1.0, 1.0), (1.0 + split, 0.5), (1.50, 0.5), (1.53, 0.4)] {
                let hz = pitch.settled_hz * times;
                resonate(&drive, hz, 0.7 * self.setup.shape.ring_s, gain, &mut ring);
            }
            level(&mut ring, db_to_ratio(level_db));
            more.insert(voice, ring);
        }
        // the wires answer to what shakes the shell, and to the snare's own head
        let mut shake = vec![0.0f32; frames];
        for (voice, gain) in [
            (Voice::Kick, 0.5),
            (Voice::Tom1, 0.5),
            (Voice::Tom2, 0.5),
            (Voice::Tom3, 0.4),
            (Voice::Snare, 3.0),
        ] {
            for (y, x) in shake.iter_mut().zip(&dry[&voice]) {
                *y += gain * x.abs();
            }
        }
        let (mut envelope, mut before) = (0.0f32, 0.0f32);
        let mut wires = vec![0.0f32; frames];
        let fall = (-1.0 / (0.05 * RATE_HZ)).exp() as f32;
        for (y, s) in wires.iter_mut().zip(&shake) {
            envelope = (envelope * fall).max(0.02 * s + 0.98 * envelope * fall);
            let noise = rng.normal(1.0) as f32;
            // two samples apart: a slope of 6 dB up to the middle of the band
            *y = envelope * (noise - before);
            before = noise;
        }
        level(&mut wires, db_to_ratio(-14.0));
        more.insert(Voice::Wires, wires);
        let mut sticks = vec![0.0f32; frames];
        for stroke in strokes.iter().filter(|s| s.voice == Voice::Sticks) {
            let at = (stroke.at_s * RATE_HZ) as usize;
            for i in 0..900usize.min(frames - at) {
                let t = i as f64 / RATE_HZ;
                let tone = (TAU * 2_300.0 * t).sin() + 0.7 * (TAU * 3_900.0 * t).sin();
                sticks[at + i] += (stroke.force * 0.5 * tone * (-t / 0.003).exp()) as f32;
            }
        }
        more.insert(Voice::Sticks, sticks);
        if plan.talk {
            more.insert(Voice::Talk, talk(frames, plan.playing.lead_s - 0.4, rng));
        }
        more
    }

    /// One mic: all, and the strokes of its own kick or tom alone.
    fn mic(&self, m: usize, scene: &Scene<'_>, seed: u64) -> (Vec<f32>, Vec<f32>) {
        let Scene {
            kit,
            strokes,
            more,
            number,
        } = *scene;
        let plan = &self.setup.takes[number];
        let mic = &self.mics[m];
        let mut rng = Random::new(seed);
        let frames = (plan.seconds * RATE_HZ) as usize;
        let mut parts: Vec<(Vec<f32>, &[Complex<f32>])> = Vec::new();
        let mut own = Vec::new();
        for voice in Voice::STRUCK.into_iter().chain(BESIDE) {
            let scatter_db = if mic.own == Some(voice) { 0.4 } else { 1.5 };
            let mut dry = lay(kit, strokes, voice, frames, Some((scatter_db, &mut rng)));
            let gain = space::source_gain(voice) as f32;
            let path = &self.paths().0[m][&voice][..];
            if mic.own == Some(voice) && (voice.is_tom() || voice == Voice::Kick) {
                let alone = dry.iter().map(|y| y * gain).collect();
                own = self.convolve(&[(alone, path)], frames);
            }
            if let Some(along) = more.get(&voice) {
                dry.iter_mut().zip(along).for_each(|(y, x)| *y += x);
            }
            dry.iter_mut().for_each(|y| *y *= gain);
            parts.push((dry, path));
        }
        let mut sound = self.convolve(&parts, frames);
        let mut gain = self.gains[m];
        let mut clip = false;
        let mut hum = None;
        for mishap in &self.setup.mishaps {
            match *mishap {
                Mishap::Inverted(file) if file == mic.file => gain = -gain,
                Mishap::Step(file, take, db) if file == mic.file && take == number => {
                    gain *= db_to_ratio(db);
                }
                Mishap::Clipped(file, take) if file == mic.file && take == number => {
                    gain *= db_to_ratio(14.0);
                    clip = true;
                }
                Mishap::Hum(file, hz, db) if file == mic.file => hum = Some((hz, db)),
                _ => {}
            }
        }
        let noise = db_to_ratio(rng.between(-96.0, -86.0));
        let peak = sound.iter().fold(0.0f32, |a, x| a.max(x.abs()));
        // whoever set the gain would not have let it clip
        let most = 0.9 / f64::from(peak).max(1e-9);
        if !clip && gain.abs() > most {
            gain = gain.signum() * most;
        }
        for (i, y) in sound.iter_mut().enumerate() {
            let mut x = f64::from(*y) * gain + rng.normal(noise);
            if let Some((hz, db)) = hum {
                let phase = TAU * hz * i as f64 / RATE_HZ;
                let a = db_to_ratio(db) * 2f64.sqrt();
                x += a
                    * (0.8 * phase.sin() + 0.5 * (2.0 * phase).sin() + 0.33 * (3.0 * phase).sin());
            }
            *y = x.clamp(-1.0, 1.0) as f32;
        }
        own.iter_mut().for_each(|y| *y *= gain as f32);
        (sound, own)
    }

    fn convolve(&self, parts: &[(Vec<f32>, &[Complex<f32>])], frames: usize) -> Vec<f32> {
        let hop = SIZE - self.paths().1;
        let mut y = vec![0.0f32; frames];
        let mut input = self.forward.make_input_vec();
        let mut bins = self.forward.make_output_vec();
        let mut out = self.inverse.make_output_vec();
        for from in (0..frames).step_by(hop) {
            let mut sum = self.forward.make_output_vec();
            for (x, h) in parts {
                let part = &x[from..frames.min(from + hop)];
                if part.iter().all(|&x| x == 0.0) {
                    continue;
                }
                input[..part.len()].copy_from_slice(part);
                input[part.len()..].fill(0.0);
                self.forward
                    .process(&mut input, &mut bins)
                    .expect("equal lengths");
                for ((s, a), b) in sum.iter_mut().zip(&bins).zip(*h) {
                    *s += a * b;
                }
            }
            // both ends of a real spectrum are real
            let last = sum.len() - 1;
            sum[0].im = 0.0;
            sum[last].im = 0.0;
            self.inverse
                .process(&mut sum, &mut out)
                .expect("equal lengths");
            for (y, x) in y[from..].iter_mut().zip(&out) {
                *y += x / SIZE as f32;
            }
        }
        y
    }
}

/// The strokes of a voice one after the other; with scatter, each has a level and a balance below
/// and above 500 Hz of its own.
fn lay(
    kit: &Kit,
    strokes: &[Stroke],
    voice: Voice,
    frames: usize,
    mut scatter: Option<(f64, &mut Random)>,
) -> Vec<f32> {
    let mut y = vec![0.0f32; frames];
    if matches!(voice, Voice::Wires | Voice::Sticks | Voice::Talk) {
        return y;
    }
    for (i, stroke) in strokes.iter().enumerate().filter(|s| s.1.voice == voice) {
        // the same recording in every mic
        let dice = (i as f64 * 0.618_034).fract();
        let sound = kit.sound(voice, stroke.way, stroke.force, dice);
        let (mut low, mut high) = (stroke.force, stroke.force);
        if let Some((db, rng)) = &mut scatter {
            let both = rng.normal(*db * 0.7);
            low *= db_to_ratio(both + rng.normal(*db * 0.7));
            high *= db_to_ratio(both + rng.normal(*db * 0.7));
        }
        let start = (stroke.at_s * RATE_HZ).round() as usize;
        let skip = LEAD.saturating_sub(start);
        let first = (start + skip) - LEAD;
        let (tilt, high) = ((low - high) as f32, high as f32);
        let grip = stroke.choke_s.map(|s| (s * RATE_HZ) as usize);
        let pairs = sound.samples[skip..].iter().zip(&sound.low[skip..]);
        for (j, (y, (x, l))) in y[first.min(frames)..].iter_mut().zip(pairs).enumerate() {
            let mut x = high * x + tilt * l;
            if let Some(grip) = grip.filter(|g| j > *g) {
                x *= (-((j - grip) as f32) / (0.03 * RATE_HZ as f32)).exp();
            }
            *y += x;
        }
    }
    y
}

impl Recording {
    /// The strokes of a drum (`tom-2`, `crash-l`) as they are counted.
    pub fn events(&self, drum: &str) -> Vec<Event> {
        let Some(voice) = Voice::STRUCK.into_iter().find(|v| v.drum() == drum) else {
            return Vec::new();
        };
        let mic = self.mics.iter().find(|m| m.own == Some(voice));
        let late_ms = mic.map_or(0.0, |m| space::delay_samples(voice, m) / RATE_HZ * 1000.0);
        let mut events: Vec<Event> = Vec::new();
        for s in self.strokes.iter().filter(|s| s.voice == voice) {
            let at_ms = s.at_s * 1000.0 + late_ms;
            match events.last_mut() {
                Some(e) if at_ms - e.last_ms < ONE_STROKE_S * 1000.0 => {
                    e.last_ms = at_ms;
                    if s.force > e.force {
                        (e.force, e.main_ms) = (s.force, at_ms);
                    }
                    e.sort = e.sort.max(s.sort);
                }
                _ => events.push(Event {
                    first_ms: at_ms,
                    last_ms: at_ms,
                    main_ms: at_ms,
                    force: s.force,
                    sort: s.sort,
                }),
            }
        }
        events
    }

    /// The take as evidence takes it: overheads and rooms are one track of two channels each.
    pub fn material(&self) -> Recorded {
        let mut tracks: Vec<TakeTrack> = Vec::new();
        let mut sound: Vec<Vec<Vec<f64>>> = Vec::new();
        for (mic, samples) in self.mics.iter().zip(&self.sound) {
            let samples: Vec<f64> = samples.iter().map(|x| f64::from(*x)).collect();
            if tracks.last().is_some_and(|t| t.label == mic.label) {
                sound.last_mut().expect("a track").push(samples);
                continue;
            }
            let side = match mic.label.rsplit_once('-') {
                Some(("crash", "l")) => Some(batterhead::session::Side::L),
                Some(("crash", "r")) => Some(batterhead::session::Side::R),
                _ => None,
            };
            tracks.push(TakeTrack {
                label: mic.label.to_owned(),
                mic: if side.is_some() { "crash" } else { mic.label }.to_owned(),
                family: mic.family,
                side,
                rate_hz: RATE_HZ as u32,
                frames: samples.len() as u64,
                offset_frames: 0,
            });
            sound.push(vec![samples]);
        }
        Recorded::new(tracks, sound)
    }
}
