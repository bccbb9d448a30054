//! What a prepared session sounds like, in figures: loudness of the mixes, rooms, sums of the mics of one
//! drum, gates of toms. Reads the folder that the program left, and the takes that it was made from.

use std::collections::BTreeMap;
use std::path::Path;

use batterhead::block::Block;
use batterhead::stage::Chain;
use realfft::RealFftPlanner;
use serde_json::Value;

use super::gate::GateFigures;
use super::record::{Event, Recording};

/// A rough mix.
#[derive(Clone, Debug)]
pub struct MixFigures {
    pub song: String,
    pub take: String,
    pub lufs: f64,
    pub true_peak_dbtp: f64,
}

/// A derived room beside its source.
#[derive(Clone, Debug)]
pub struct RoomFigures {
    pub take: String,
    /// How much lower the crest factor is, dB.
    pub denser_db: f64,
    /// The same beside the source without its lows.
    pub driven_db: f64,
    /// How far what lies under 120 Hz is below 300 to 3000 Hz, in the source and in the stem.
    pub lows_db: [f64; 2],
    /// How far it lies under the mix, LU, as panned alone.
    pub under_mix_lu: f64,
}

/// Mics of one drum in one take: level of their sum over the sum of their powers, in the drum's band and
/// at the levels of the mix, dB.
#[derive(Clone, Debug)]
pub struct SumFigures {
    pub take: String,
    pub drum: &'static str,
    pub mics: Vec<String>,
    pub sources_db: f64,
    pub stems_db: f64,
}

/// How loud a drum's strokes are in the mix of a song, before its gain: the median of the harder half, dBFS.
#[derive(Clone, Debug)]
pub struct LoudFigures {
    pub song: String,
    pub mic: &'static str,
    pub level_dbfs: f64,
}

/// All of a session.
#[derive(Clone, Debug, Default)]
pub struct Figures {
    pub mixes: Vec<MixFigures>,
    pub rooms: Vec<RoomFigures>,
    pub sums: Vec<SumFigures>,
    pub gates: Vec<GateFigures>,
    /// One a take and mic.
    pub loud: Vec<LoudFigures>,
}

/// What is looked at of each drum.
const DRUMS: [(&str, [&str; 3], (f64, f64)); 2] = [
    ("kick", ["kick-in", "kick-out", "kick-sub"], (40.0, 120.0)),
    (
        "snare",
        ["snare-top", "snare-bottom", "snare-side"],
        (150.0, 400.0),
    ),
];

/// Mics, and by which strokes they are heard.
const LOUD: [(&str, &[&str]); 6] = [
    ("kick-in", &["kick"]),
    ("snare-top", &["snare"]),
    ("tom-1", &["tom-1"]),
    ("tom-2", &["tom-2"]),
    ("tom-3", &["tom-3"]),
    ("overhead", &["kick", "snare"]),
];

fn json(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).expect("JSON")
}

/// All samples of a file, by channel, and its rate.
fn sound(path: &Path) -> (Vec<Vec<f64>>, f64) {
    let mut reader = batterhead::audio::open(path).expect("a sound file");
    let rate_hz = f64::from(reader.info().rate_hz);
    let (mut all, mut block) = (Vec::new(), Block::default());
    while reader.read(&mut block, 65_536).expect("readable") > 0 {
        all.resize_with(block.count(), Vec::new);
        for (all, more) in all.iter_mut().zip(block.channels()) {
            all.extend_from_slice(more);
        }
    }
    (all, rate_hz)
}

fn db(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

/// Power between two frequencies.
fn band(samples: &[f64], rate_hz: f64, (low_hz, high_hz): (f64, f64)) -> f64 {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(samples.len());
    let (mut input, mut bins) = (samples.to_vec(), plan.make_output_vec());
    plan.process(&mut input, &mut bins).expect("equal lengths");
    let step = rate_hz / samples.len() as f64;
    let of = bins.iter().enumerate();
    of.filter(|(k, _)| (low_hz..high_hz).contains(&(*k as f64 * step)))
        .map(|(_, bin)| bin.norm_sqr())
        .sum()
}

/// Level of the sum over that of the powers.
fn sum_db(parts: &[Vec<f64>], rate_hz: f64, hz: (f64, f64)) -> f64 {
    let frames = parts.iter().map(Vec::len).min().unwrap_or(0);
    let mut sum = vec![0.0; frames];
    for part in parts {
        sum.iter_mut().zip(part).for_each(|(sum, x)| *sum += x);
    }
    let powers: f64 = parts
        .iter()
        .map(|part| band(&part[..frames], rate_hz, hz))
        .sum();
    db(band(&sum, rate_hz, hz) / powers)
}

/// Crest factor of what lies above 150 Hz.
fn crest_without_lows_db(path: &Path) -> f64 {
    let (channels, rate_hz) = sound(path);
    let stages = "stages = [ { high-pass = { freq_hz = 150, order = 6 } } ]";
    let preset = batterhead::preset::load(stages, "lows.toml").unwrap_or_else(|e| panic!("{e}"));
    let count = channels.len();
    let mut block = Block::from_channels(channels);
    Chain::start(&preset.fallback(), rate_hz, count).process(&mut block);
    let samples = || block.channels().flatten();
    let peak = samples().fold(0.0, |most: f64, x| most.max(x.abs()));
    let power = samples().map(|x| x * x).sum::<f64>() / samples().count() as f64;
    db(peak * peak / power)
}

/// The median peak of the harder half of these strokes, dBFS; `None` for fewer than three.
fn loud_db(channels: &[Vec<f64>], rate_hz: f64, mut events: Vec<Event>) -> Option<f64> {
    events.sort_by(|a, b| b.force.total_cmp(&a.force));
    events.truncate(events.len().div_ceil(2));
    let peak = |event: &Event| {
        let from = (event.main_ms / 1000.0 * rate_hz) as usize;
        let part = |x: &Vec<f64>| {
            let to = (from + (0.03 * rate_hz) as usize).min(x.len());
            x[from.min(to)..to]
                .iter()
                .fold(0.0, |a: f64, x| a.max(x.abs()))
        };
        db(channels.iter().map(part).fold(0.0, f64::max).powi(2))
    };
    let mut peaks: Vec<f64> = events.iter().map(peak).collect();
    peaks.sort_by(f64::total_cmp);
    (peaks.len() >= 3).then(|| peaks[peaks.len() / 2])
}

/// Listens to a folder that the program left, made from the takes in `session`. `truth`: what was played
/// in a take of a song, where that is known.
pub fn listen(
    session: &Path,
    prepared: &Path,
    truth: &dyn Fn(&str, &str) -> Option<Recording>,
) -> Figures {
    let mut figures = Figures::default();
    let report = json(&prepared.join("session.json"));
    for mix in report["mixes"].as_array().expect("mixes") {
        let text = |key: &str| mix[key].as_str().expect(key).to_owned();
        let (song, take) = (text("song"), text("take"));
        let figure = |key: &str| mix["after"][key].as_f64().expect(key);
        let (lufs, true_peak_dbtp) = (figure("integrated_lufs"), figure("true_peak_dbtp"));
        let faders = mix["levels"].as_array().expect("levels");
        let fader_db = |label: &str| {
            let level = faders.iter().find(|level| level["label"] == label);
            level.and_then(|level| level["fader_db"].as_f64())
        };
        let track = |label: &str| {
            let path = format!("reports/{song}/{take}/{song}_{take}_{label}.json");
            let path = prepared.join(path);
            path.is_file().then(|| json(&path))
        };
        let stem = |track: &Value| prepared.join(track["output"]["path"].as_str().expect("a stem"));
        let source =
            |track: &Value| session.join(track["sources"][0]["path"].as_str().expect("a source"));
        let place = format!("{song}/{take}");
        if let (Some(room), Some(fader_db)) = (track("trashy-room"), fader_db("trashy-room")) {
            let gain_db = mix["gain_db"].as_f64().expect("a gain");
            let figure = |side: &str, key: &str| room[side][key].as_f64().expect(key);
            let lows = |path: &Path| {
                let (channels, rate_hz) = sound(path);
                let of = |hz| channels.iter().map(|x| band(x, rate_hz, hz)).sum::<f64>();
                db(of((300.0, 3000.0)) / of((20.0, 120.0)))
            };
            figures.rooms.push(RoomFigures {
                take: place.clone(),
                driven_db: crest_without_lows_db(&source(&room))
                    - figure("after", "crest_factor_db"),
                denser_db: figure("before", "crest_factor_db") - figure("after", "crest_factor_db"),
                lows_db: [lows(&source(&room)), lows(&stem(&room))],
                under_mix_lu: lufs - (figure("after", "integrated_lufs") + fader_db + gain_db),
            });
        }
        for (drum, mics, hz) in DRUMS {
            let (mut before, mut after, mut names) = (Vec::new(), Vec::new(), Vec::new());
            let mut rate = 48_000.0;
            for mic in mics {
                let (Some(track), Some(fader_db)) = (track(mic), fader_db(mic)) else {
                    continue;
                };
                let gain_db = track["decisions"]["gain_db"].as_f64().expect("a gain");
                let mut scaled = |path: &Path, gain_db: f64| -> Vec<f64> {
                    let (mut channels, rate_hz) = sound(path);
                    rate = rate_hz;
                    channels
                        .swap_remove(0)
                        .into_iter()
                        .map(|x| x * batterhead::units::db_to_ratio(gain_db))
                        .collect()
                };
                before.push(scaled(&source(&track), gain_db + fader_db));
                after.push(scaled(&stem(&track), fader_db));
                names.push(mic.to_owned());
            }
            if names.len() > 1 {
                figures.sums.push(SumFigures {
                    take: place.clone(),
                    drum,
                    mics: names,
                    sources_db: sum_db(&before, rate, hz),
                    stems_db: sum_db(&after, rate, hz),
                });
            }
        }
        if let Some(recording) = truth(&song, &take) {
            for (mic, drums) in LOUD {
                let (Some(track), Some(fader_db)) = (track(mic), fader_db(mic)) else {
                    continue;
                };
                let (channels, rate_hz) = sound(&stem(&track));
                let events = drums.iter().flat_map(|drum| recording.events(drum));
                if let Some(peak_db) = loud_db(&channels, rate_hz, events.collect()) {
                    figures.loud.push(LoudFigures {
                        song: song.clone(),
                        mic,
                        level_dbfs: peak_db + fader_db,
                    });
                }
            }
            for tom in ["tom-1", "tom-2", "tom-3"] {
                let track = track(tom).filter(|track| track["output"].is_object());
                let gate = track.and_then(|track| GateFigures::of(&place, tom, &track, &recording));
                figures.gates.extend(gate);
            }
        }
        figures.mixes.push(MixFigures {
            song,
            take,
            lufs,
            true_peak_dbtp,
        });
    }
    figures
}

impl Figures {
    /// How far apart the songs are in the level of each mic, dB, each at its median take.
    pub fn balance_db(&self) -> Vec<(&'static str, f64)> {
        let of = |mic: &'static str| {
            let mut songs: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for loud in self.loud.iter().filter(|loud| loud.mic == mic) {
                songs.entry(&loud.song).or_default().push(loud.level_dbfs);
            }
            let medians = songs.into_values().map(|mut levels| {
                levels.sort_by(f64::total_cmp);
                0.5 * (levels[(levels.len() - 1) / 2] + levels[levels.len() / 2])
            });
            let medians: Vec<f64> = medians.collect();
            let most = medians.iter().copied().fold(f64::MIN, f64::max);
            let least = medians.iter().copied().fold(f64::MAX, f64::min);
            (medians.len() > 1).then_some((mic, most - least))
        };
        LOUD.iter().filter_map(|(mic, _)| of(mic)).collect()
    }

    /// The widest difference of the songs' loudness, each that of its median take.
    pub fn spread_lu(&self) -> f64 {
        let mut songs: Vec<&str> = self.mixes.iter().map(|mix| mix.song.as_str()).collect();
        songs.dedup();
        let median = |song: &&str| {
            let mut all: Vec<f64> = (self.mixes.iter())
                .filter(|mix| mix.song == **song)
                .map(|mix| mix.lufs)
                .collect();
            all.sort_by(f64::total_cmp);
            0.5 * (all[(all.len() - 1) / 2] + all[all.len() / 2])
        };
        let of = || songs.iter().map(median);
        of().fold(f64::MIN, f64::max) - of().fold(f64::MAX, f64::min)
    }
}

impl std::fmt::Display for Figures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for mix in &self.mixes {
            let (song, take) = (&mix.song, &mix.take);
            writeln!(
                f,
                "  mix {song}/{take}: {:.1} LUFS, {:.1} dBTP",
                mix.lufs, mix.true_peak_dbtp
            )?;
        }
        writeln!(
            f,
            "  loudness of the songs: {:.2} LU apart",
            self.spread_lu()
        )?;
        for room in &self.rooms {
            let [before, after] = room.lows_db;
            writeln!(
                f,
                "  room {}: crest factor {:.1} dB lower ({:.1} than that of the source without lows), lows {before:.1} dB under the mids before, {after:.1} after, {:.1} LU under the mix",
                room.take, room.denser_db, room.driven_db, room.under_mix_lu
            )?;
        }
        for sum in &self.sums {
            writeln!(
                f,
                "  {} {}, {}: {:+.1} dB over the powers in the sources, {:+.1} dB in the stems",
                sum.drum,
                sum.take,
                sum.mics.join(" + "),
                sum.sources_db,
                sum.stems_db
            )?;
        }
        let balance = self.balance_db();
        if !balance.is_empty() {
            let each = balance.iter().map(|(mic, db)| format!("{mic} {db:.1} dB"));
            let each = each.collect::<Vec<_>>().join(", ");
            writeln!(f, "  strokes in the mix, songs apart: {each}")?;
        }
        for gate in &self.gates {
            write!(f, "{gate}")?;
        }
        if !self.gates.is_empty() {
            write!(f, "{}", GateFigures::all(&self.gates))?;
        }
        Ok(())
    }
}
