//! `gate`: opened by measured hits, closed along the ring of the drum. There is no detector in it, and
//! so no filter ahead of one: whose hit it was has been told from all mics and bands before.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::history::History;
use super::oversample::symmetric;
use super::{Fault, Running, Settings, within};
use crate::block::Block;
use crate::dsp::maths;
use crate::units::round_to;

/// When the gate opens: a hit, as measured before.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Opening {
    /// Frame of the hit, counted at the gate's input.
    pub at: u64,
    /// How far it opens, 0 (not at all) to 1 (fully), as a share of the amplitude: an unsure hit opens half, to about −6 dB.
    pub by: f64,
    /// Frames that it stays open before it starts to close.
    pub hold: u64,
}

/// Lowers what lies between the hits.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// How far it closes, −80 to 0 dB.
    pub range_db: f64,
    /// Slope of the closing in dB a second, 10 to 2,000; absent: it follows the measured ring of the drum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub close_db_per_s: Option<f64>,
    /// When it opens, decided from the measured hits; a preset leaves it out. Absent: nothing has been
    /// decided, and the gate does nothing. An empty list: no hit was found, and it stays closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub openings: Option<Vec<Opening>>,
}

/// The gate opens in this time, along a raised cosine,
const RISE_MS: f64 = 3.0;
/// and is open this long ahead of the hit.
const AHEAD_MS: f64 = 1.0;
/// Corners of the gain are rounded by a Hann window of this length, so that it does not click.
const SMOOTH_MS: f64 = 1.5;
/// Frames worked on at a time.
const CHUNK: usize = 256;
/// Closing where neither the settings nor a measured ring say how, dB a second: slow, a ring of 1.5 s. A
/// ring that is cut is heard, bleed for a moment longer hardly.
const CLOSE_DB_PER_S: f64 = 40.0;
/// A ring is held until it is so close to the floor, dB.
const ABOVE_FLOOR_DB: f64 = 3.0;
/// Shortest hold of an unsure hit, its longest, which is the shortest of a sure one, and the longest of all,
/// seconds. A sure note stays as it is for half a second, and what the gate opens ahead of a grace stroke,
/// whatever the first slope of its ring foretells: real rings fall fast first, and slower later.
const HOLD_S: [f64; 3] = [0.06, 0.55, 1.5];
/// From this probability on a hit opens fully, from the second on half, below it not; one that is as loud as
/// the drum's own strokes, a step further.
const SURE: f64 = 0.5;
const UNSURE: f64 = 0.2;

/// What was measured of the drum behind a gate, in one take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Struck<'a> {
    /// Its hits; those below a probability of 0.2 that are not loud need not be there.
    pub hits: &'a [GateHit],
    /// Its ring, T60 in seconds.
    pub ring_s: Option<f64>,
    /// Level of the bleed between the hits.
    pub floor_dbfs: f64,
    /// The drum rests in this take: whatever seems to be a hit of it opens half.
    pub rests: bool,
}

/// A hit as the gate wants to know it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GateHit {
    /// Frame of the onset at the gate's input.
    pub frame: u64,
    /// Probability that this mic's own drum was struck, 0 to 1.
    pub probability: f64,
    /// Peak of the hit, dBFS.
    pub level_dbfs: f64,
    /// As loud as the drum's own strokes, which bleed hardly ever is.
    pub loud: bool,
    /// Softer than they are, and not beyond doubt: it opens half, unless a stroke holds the gate open.
    pub soft: bool,
}

/// What [`Gate::decide`] found.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided {
    /// The settings with `openings` and `close_db_per_s` filled in.
    pub gate: Gate,
    /// Hits that open it fully.
    pub sure: usize,
    /// Hits that open it half.
    pub unsure: usize,
}

impl Gate {
    /// When to open and how fast to close. A hit is held until its ring has come down to 3 dB
    /// above the floor (a sure one half a second at least, an unsure one at most), and closed along its
    /// ring, unless the settings say how fast.
    pub fn decide(&self, struck: Struck<'_>, rate_hz: f64) -> Decided {
        let ring = struck.ring_s.map(|s| 60.0 / s.max(1e-3));
        let ring_db_per_s = ring.unwrap_or(CLOSE_DB_PER_S);
        let mut gate = self.clone();
        gate.close_db_per_s
            .get_or_insert(round_to(ring_db_per_s.clamp(10.0, 2000.0), 1));

        let mut openings = Vec::new();
        let mut hits = struck.hits.to_vec();
        hits.sort_by_key(|hit| hit.frame);
        let mut open_until = 0;
        for hit in hits {
            let may_be = hit.probability >= UNSURE;
            let is = hit.probability >= SURE || may_be && hit.loud;
            if !may_be && !hit.loud {
                continue;
            }
            let [shortest_s, middle_s, longest_s] = HOLD_S;
            // In the middle of a phrase a soft stroke is one of it.
            let alone = hit.soft && hit.frame >= open_until;
            let sure = is && !alone && !struck.rests;
            let (by, least_s, most_s) = match sure {
                true => (1.0, middle_s, longest_s),
                false => (0.5, shortest_s, middle_s),
            };
            let rings_s = (hit.level_dbfs - struck.floor_dbfs - ABOVE_FLOOR_DB) / ring_db_per_s;
            let hold = (rings_s.clamp(least_s, most_s) * rate_hz).round() as u64;
            let at = hit.frame;
            if sure {
                open_until = open_until.max(at + hold);
            }
            openings.push(Opening { at, by, hold });
        }
        let sure = openings.iter().filter(|opening| opening.by == 1.0).count();
        let unsure = openings.len() - sure;
        gate.openings = Some(openings);
        Decided { gate, sure, unsure }
    }
}

impl Settings for Gate {
    fn check(&self, _rate_hz: f64) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut expect = |key, value, low, high| faults.extend(within(key, value, low, high));
        expect("range_db", self.range_db, -80.0, 0.0);
        expect(
            "close_db_per_s",
            self.close_db_per_s.unwrap_or(CLOSE_DB_PER_S),
            10.0,
            2000.0,
        );
        for opening in self.openings.iter().flatten() {
            expect("openings", opening.by, 0.0, 1.0);
        }
        faults
    }

    fn start(&self, rate_hz: f64, _channels: usize) -> Box<dyn Running> {
        let mut openings = self.openings.clone().unwrap_or_default();
        openings.sort_by_key(|opening| opening.at);
        openings.reverse();
        let decided = self.openings.is_some();
        let db_per_s = self.close_db_per_s.unwrap_or(CLOSE_DB_PER_S);
        let taps = hann(((SMOOTH_MS * rate_hz / 2000.0).round() as usize).max(1));
        let back = 2 * taps.len() - 1;
        let mut gating = Gating {
            idle: !decided || self.range_db == 0.0,
            range: maths::db_to_ratio(self.range_db),
            octaves_per_frame: db_per_s / maths::ratio_to_db(2.0) / rate_hz,
            rise: (RISE_MS * rate_hz / 1000.0).round(),
            ahead: (AHEAD_MS * rate_hz / 1000.0).round(),
            waiting: openings,
            active: Vec::new(),
            frame: -(taps.len() as i64),
            taps,
            cornered: History::new(back, 0.0),
            smooth: Vec::new(),
            alike: 0,
        };
        gating.extend(back);
        gating.cornered.advance(back);
        let backwards = gating.cornered.all(0).windows(2).rev();
        gating.alike = backwards.take_while(|two| two[0] == two[1]).count();
        Box::new(gating)
    }
}

/// The first half of a Hann window of 2·`half` frames with the sum 1.
fn hann(half: usize) -> Vec<f64> {
    let step = std::f64::consts::PI / half as f64;
    let weight = |n| (0.5 - 0.5 * maths::cos(step * (n as f64 + 0.5))) / half as f64;
    (0..half).map(weight).collect()
}

struct Gating {
    idle: bool,
    range: f64,
    octaves_per_frame: f64,
    /// Frames of the opening, and from its end to the hit.
    rise: f64,
    ahead: f64,
    /// The next one last.
    waiting: Vec<Opening>,
    /// Those that may hold the gate open now.
    active: Vec<Opening>,
    /// The next one to get a gain: half a window ahead of the sound.
    frame: i64,
    taps: Vec<f64>,
    /// Gains with corners, of the frames that the window covers.
    cornered: History,
    smooth: Vec<f64>,
    /// How many of the latest with corners equal the one before.
    alike: usize,
}

impl Gating {
    /// Gain of one opening, so many frames after its hit (before it: negative).
    fn gain_of(&self, opening: &Opening, since: f64) -> f64 {
        let top = self.range + opening.by * (1.0 - self.range);
        let hold = opening.hold as f64;
        if since <= -self.ahead {
            let into = (since + self.ahead + self.rise).max(0.0) / self.rise;
            let share = 0.5 - 0.5 * maths::cos(std::f64::consts::PI * into);
            self.range + share * (top - self.range)
        } else if since <= hold {
            top
        } else {
            let fallen = maths::fast_exp2(-self.octaves_per_frame * (since - hold));
            (top * fallen).max(self.range)
        }
    }

    /// Gains of the next frames: each that of the opening which is widest then.
    fn extend(&mut self, frames: usize) {
        let lead = self.rise + self.ahead;
        let mut active = std::mem::take(&mut self.active);
        let mut cornered = std::mem::take(&mut self.cornered);
        for (frame, place) in (self.frame..).zip(cornered.next(frames)) {
            let due = |o: &mut Opening| o.at as f64 - lead <= frame as f64;
            while let Some(opening) = self.waiting.pop_if(due) {
                active.push(opening);
            }
            let mut gain = self.range;
            active.retain(|opening| {
                let since = frame as f64 - opening.at as f64;
                let own = self.gain_of(opening, since);
                gain = gain.max(own);
                since <= opening.hold as f64 || own > self.range
            });
            *place = gain;
        }
        self.frame += frames as i64;
        self.active = active;
        self.cornered = cornered;
    }
}

impl Running for Gating {
    fn process(&mut self, block: &mut Block) {
        if self.idle {
            return;
        }
        let window = 2 * self.taps.len();
        for start in (0..block.frames()).step_by(CHUNK) {
            let frames = CHUNK.min(block.frames() - start);
            self.extend(frames);
            let cornered = self.cornered.all(frames);
            self.smooth.resize(frames, 0.0);
            symmetric(cornered, &self.taps, &mut self.smooth);
            // Where nothing moves, the gain is exact.
            let latest = cornered[window - 2..].windows(2);
            for (two, gain) in latest.zip(&mut self.smooth) {
                self.alike = if two[0] == two[1] { self.alike + 1 } else { 0 };
                if self.alike >= window - 1 {
                    *gain = two[1];
                }
            }
            for samples in block.channels_mut() {
                let samples = &mut samples[start..start + frames];
                for (x, gain) in samples.iter_mut().zip(&self.smooth) {
                    *x *= gain;
                }
            }
            self.cornered.advance(frames);
        }
    }
}

#[cfg(test)]
mod tests;
