//! Whether the mics of one drum add up: their sum after both chains, where the drum has its weight.

use std::f64::consts::{LOG2_10, TAU};

use realfft::num_complex::Complex;

use super::SetUp;
use crate::analysis::polarity::pair::LEAST_STROKES;
use crate::analysis::{PairEvidence, PairKind, PairVerdict, sum_gain_db};
use crate::decide::stages::{Tuned, follow};
use crate::dsp::maths;
use crate::preset::Measure;
use crate::reason::MovedFigures;
use crate::session::{Family, Track};
use crate::stage::{Chain, Polarity, Stage};
use crate::units::round_to;

/// Where the weight of a drum lies, in hertz. Common practice, no source.
const KICK_HZ: (f64, f64) = (40.0, 120.0);
const SNARE_HZ: (f64, f64) = (150.0, 400.0);
/// Of a tom, where its note is not known.
const TOM_HZ: (f64, f64) = (50.0, 300.0);
/// A polarity that gains less than this is no better than the other.
const LEAST_GAIN_DB: f64 = 1.0;
/// A mic is moved no further than to where the sum is so much under its highest, and not at all for less.
const MOVED_GAIN_DB: f64 = 0.1;

/// How two mics of a drum add up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sum {
    /// Where that was looked at, in hertz.
    pub low_hz: f64,
    /// As above.
    pub high_hz: f64,
    /// Level of the sum over that of both powers, as recorded, dB.
    pub as_is_db: f64,
    /// The same with the second mic inverted.
    pub inverted_db: f64,
}

impl Sum {
    /// Whether the second mic is to be inverted.
    pub fn gains_inverted(&self) -> bool {
        self.inverted_db - self.as_is_db >= LEAST_GAIN_DB
    }

    /// How sure, 0.6 to 0.99: by how much one polarity exceeds the other.
    pub fn confidence(&self) -> f64 {
        let over_db = (self.inverted_db - self.as_is_db).abs();
        round_to(1.0 - 0.5 * (-over_db * LOG2_10 / 6.0).exp2(), 2).min(0.99)
    }
}

/// Two mics of one drum, where enough strokes stand alone.
fn summed(verdict: &PairVerdict) -> Option<&PairEvidence> {
    let pair = &verdict.pair;
    let few = pair.hits < LEAST_STROKES || pair.together.is_empty();
    (pair.kind != PairKind::Sides && !few).then_some(pair)
}

impl SetUp<'_> {
    /// How a mic adds up with the main mic of its drum; `None` where they are not two mics of one
    /// drum, or too few strokes stand alone.
    pub(super) fn sum(&self, verdict: &PairVerdict, track: &Track) -> Option<Sum> {
        let pair = summed(verdict)?;
        let (low_hz, high_hz) = self.weight_hz(track);
        let response = self.chains(pair, track);
        let [as_is_db, inverted_db] = sum_gain_db(&pair.together, (low_hz, high_hz), response)?;
        Some(Sum {
            low_hz: round_to(low_hz, 0),
            high_hz: round_to(high_hz, 0),
            as_is_db: round_to(as_is_db, 1),
            inverted_db: round_to(inverted_db, 1),
        })
    }

    /// By how many samples a mic is to be moved so that it adds up best with the main mic of its drum, in the
    /// polarity that it has, and by how much: no further than a quarter of a cycle in the middle of the band,
    /// beyond which the other polarity would be nearer. `None` as of [`SetUp::sum`].
    pub(super) fn moved(
        &self,
        verdict: &PairVerdict,
        track: &Track,
        inverted: bool,
    ) -> Option<MovedFigures> {
        let pair = summed(verdict)?;
        let (low_hz, high_hz) = self.weight_hz(track);
        let chains = self.chains(pair, track);
        let rate_hz = f64::from(track.rate_hz());
        let db = |samples: i64| {
            let response = |hz: f64| {
                let [first, second] = chains(hz);
                let turn = -TAU * hz * samples as f64 / rate_hz;
                let turned = Complex::new(maths::cos(turn), maths::sin(turn));
                [first, second * turned]
            };
            let gains = sum_gain_db(&pair.together, (low_hz, high_hz), response)?;
            Some(gains[usize::from(inverted)])
        };
        let as_is_db = db(0)?;
        let furthest = (rate_hz / (low_hz * high_hz).sqrt() / 4.0) as i64;
        let tried: Vec<(i64, f64)> = (-furthest..=furthest)
            .filter_map(|samples| Some((samples, db(samples)?)))
            .collect();
        let highest_db = tried.iter().map(|(_, db)| *db).fold(as_is_db, f64::max);
        let near = tried
            .into_iter()
            .filter(|(_, db)| *db >= highest_db - MOVED_GAIN_DB);
        let (samples, moved_db) = near.min_by_key(|(samples, _)| samples.abs())?;
        Some(MovedFigures {
            with: pair.first.clone(),
            hits: pair.hits,
            low_hz: round_to(low_hz, 0),
            high_hz: round_to(high_hz, 0),
            samples,
            ms: round_to(samples as f64 * 1000.0 / rate_hz, 2),
            as_is_db: round_to(as_is_db, 1),
            moved_db: round_to(moved_db, 1),
        })
    }

    /// The response of what both mics of a pair go through, at a frequency.
    fn chains<'s>(
        &'s self,
        pair: &'s PairEvidence,
        track: &Track,
    ) -> impl Fn(f64) -> [Complex<f64>; 2] + use<'s> {
        let rate_hz = f64::from(track.rate_hz());
        let chains = [&pair.first, &pair.second].map(|label| self.chain(label));
        move |hz| {
            let response = |chain: &Vec<Stage>| Chain::complex_response(chain, rate_hz, hz);
            chains.each_ref().map(response)
        }
    }

    fn weight_hz(&self, track: &Track) -> (f64, f64) {
        match track.mic.family {
            Family::Kick => KICK_HZ,
            Family::Snare => SNARE_HZ,
            _ => {
                let tuned = self.tuned(track);
                let note = tuned
                    .fundamental
                    .map(|pitch| pitch.hz)
                    .or(tuned.intended_hz);
                note.map_or(TOM_HZ, |hz| (hz / 2.0, hz * 2.0))
            }
        }
    }

    /// What the mic with this label goes through on its way into the mix: its preset's stages, its own
    /// inversion where all drums together show it (a preset without stages keeps the sound as recorded),
    /// the gain to its working level, and its fader.
    fn chain(&self, label: &str) -> Vec<Stage> {
        let mut all = self.takes.iter().flat_map(|take| &take.tracks);
        let Some(listening) = all.find(|listening| listening.track.label == label) else {
            return Vec::new();
        };
        let Some(preset) = listening.preset else {
            return Vec::new();
        };
        let stages = follow(preset, &self.tuned(listening.track), &Tuned::default());
        let mut chain: Vec<Stage> = stages.into_iter().map(|stage| stage.value).collect();
        let listed = self.config.polarity.lists(listening.track);
        if listed && !chain.is_empty() && self.odd(listening.track).is_some() {
            chain.push(Stage::Polarity(Polarity { inverted: true }));
        }
        let hits = preset
            .level
            .filter(|rule| rule.measure == Measure::HitLevel);
        let incoming = self.incoming(listening.track);
        if let (Some(rule), Some(incoming)) = (hits, incoming) {
            let fader_db = self
                .config
                .place_of(listening.track)
                .map_or(0.0, |p| p.fader_db);
            let gain_db = rule.target - incoming.level_dbfs + fader_db;
            chain.push(Stage::Gain(crate::stage::Gain { gain_db }));
        }
        chain
    }
}
