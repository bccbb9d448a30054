//! What is played: songs of sections, by hands that are never exact.

use batterhead::dsp::random::Random;
use batterhead::units::db_to_ratio;

use super::kit::Voice;

/// How it is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    Plain,
    Open,
    Pedal,
    Rimshot,
}

/// What a stroke is to whoever counts it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sort {
    Plain,
    /// 12 to 20 dB under the drum's loud ones.
    Ghost,
    /// The small stroke of a flam; the large one follows within 30 ms.
    Grace,
    /// One of the bounces of a buzz.
    Buzz,
}

/// One stroke.
#[derive(Clone, Copy, Debug)]
pub struct Stroke {
    pub voice: Voice,
    /// Seconds from the start of the take, when the stick meets.
    pub at_s: f64,
    /// 1 is as hard as this player plays.
    pub force: f64,
    pub way: Way,
    pub sort: Sort,
    /// A hand grips the cymbal so much later.
    pub choke_s: Option<f64>,
}

/// A part of a song.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Hat eighths, backbeat, ghost strokes.
    Groove,
    /// The same on the ride.
    Ride,
    /// The floor tom leads.
    Toms,
    /// A bar over snare and toms.
    Fill,
    /// Kick and snare in turn, 16 strokes a second.
    Blast,
    /// Sixteenths on the kick under a slow backbeat.
    Double,
    /// Two slow bars: one kick, one snare, a tom that is left to ring.
    Half,
    /// Four seconds of nothing.
    Rest,
    /// A buzz roll that grows.
    Roll,
    /// One crash, choked or not.
    Crash,
}

/// How a take is played.
#[derive(Clone, Debug)]
pub struct Playing {
    pub tempo_bpm: f64,
    pub parts: Vec<Part>,
    /// This tom is not touched.
    pub without: Option<Voice>,
    /// This tom is touched only so many times.
    pub few: Option<(Voice, usize)>,
    /// Four stick clicks before the song.
    pub count_in: bool,
    /// Seconds before it begins (talk has its place there).
    pub lead_s: f64,
}

struct Hand<'a> {
    rng: &'a mut Random,
    out: Vec<Stroke>,
}

impl Hand<'_> {
    fn hit(&mut self, voice: Voice, at_s: f64, force: f64) -> &mut Stroke {
        let at_s = at_s + self.rng.normal(0.004);
        let force = (force * db_to_ratio(self.rng.normal(1.3))).clamp(0.03, 1.15);
        self.out.push(Stroke {
            voice,
            at_s,
            force,
            way: Way::Plain,
            sort: Sort::Plain,
            choke_s: None,
        });
        let last = self.out.len() - 1;
        &mut self.out[last]
    }

    fn ghost(&mut self, at_s: f64) {
        let force = db_to_ratio(-self.rng.between(12.0, 20.0));
        self.hit(Voice::Snare, at_s, force).sort = Sort::Ghost;
    }

    fn flam(&mut self, voice: Voice, at_s: f64) {
        let early = self.rng.between(0.010, 0.030);
        let main = *self.hit(voice, at_s, 0.9);
        let grace = Stroke {
            at_s: main.at_s - early,
            force: main.force * db_to_ratio(-self.rng.between(6.0, 12.0)),
            sort: Sort::Grace,
            ..main
        };
        self.out.push(grace);
    }

    fn buzz(&mut self, at_s: f64, force: f64, bounces: usize) {
        let first = *self.hit(Voice::Snare, at_s, force);
        let mut at = first.at_s;
        self.out.last_mut().expect("a stroke").sort = Sort::Buzz;
        for i in 1..bounces {
            at += self.rng.between(0.018, 0.030);
            self.out.push(Stroke {
                at_s: at,
                force: first.force * db_to_ratio(-2.2 * i as f64),
                sort: Sort::Buzz,
                ..first
            });
        }
    }

    fn chance(&mut self, share: f64) -> bool {
        self.rng.between(0.0, 1.0) < share
    }
}

/// The strokes of a take of `seconds`, in order; the parts repeat until it is full.
pub fn perform(playing: &Playing, seconds: f64, rng: &mut Random) -> Vec<Stroke> {
    let mut hand = Hand {
        rng,
        out: Vec::new(),
    };
    let beat = 60.0 / playing.tempo_bpm;
    let mut at = playing.lead_s;
    if playing.count_in {
        for i in 0..4 {
            hand.hit(Voice::Sticks, at + f64::from(i) * beat, 0.7);
        }
        at += 4.0 * beat;
    }
    let end = seconds - 1.2;
    let mut crashes = [2, 1, 1];
    for part in playing.parts.iter().cycle() {
        if at > end {
            break;
        }
        at = section(&mut hand, *part, at, beat, playing, &mut crashes);
    }
    let mut strokes = hand.out;
    strokes.retain(|s| s.at_s < end && s.at_s > 0.05);
    strokes.retain(|s| Some(s.voice) != playing.without);
    strokes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    if let Some((voice, most)) = playing.few {
        let mut seen = 0;
        strokes.retain(|s| {
            seen += usize::from(s.voice == voice);
            s.voice != voice || seen <= most
        });
    }
    strokes
}

fn section(
    hand: &mut Hand<'_>,
    part: Part,
    at: f64,
    beat: f64,
    playing: &Playing,
    crashes: &mut [usize; 3],
) -> f64 {
    let sixteenth = beat / 4.0;
    let time = |i: usize| at + i as f64 * sixteenth;
    let mut crash = |hand: &mut Hand<'_>, at: f64, choke: bool| {
        let which = hand.rng.index(3);
        if crashes[which] == 0 {
            return;
        }
        crashes[which] -= 1;
        let voice = [Voice::Crash1, Voice::Crash2, Voice::China][which];
        let choke_s = choke.then(|| hand.rng.between(0.25, 0.6));
        hand.hit(voice, at, 0.9).choke_s = choke_s;
    };
    match part {
        Part::Groove | Part::Ride | Part::Toms => {
            let bars = 2;
            let kicks: [&[usize]; 4] = [&[0, 8], &[0, 6, 10], &[0, 3, 8, 11], &[0, 7, 8, 10]];
            let kicks = kicks[hand.rng.index(4)];
            for i in 0..bars * 16 {
                let step = i % 16;
                if i == 0 && hand.chance(0.5) {
                    crash(hand, time(0), false);
                }
                match part {
                    Part::Groove if i % 2 == 0 => {
                        let force = if i % 4 == 0 { 0.8 } else { 0.5 };
                        let open = step == 14 && hand.chance(0.5);
                        let hit = hand.hit(Voice::Hat, time(i), force);
                        if open {
                            hit.way = Way::Open;
                        }
                    }
                    Part::Ride => {
                        if i % 2 == 0 {
                            hand.hit(Voice::Ride, time(i), 0.75);
                        }
                        if step == 4 || step == 12 {
                            hand.hit(Voice::Hat, time(i), 0.35).way = Way::Pedal;
                        }
                    }
                    Part::Toms if i % 2 == 0 => {
                        let force = if i % 4 == 0 { 0.85 } else { 0.6 };
                        hand.hit(Voice::Tom3, time(i), force);
                    }
                    _ => {}
                }
                if kicks.contains(&step) {
                    let force = if step == 0 { 0.95 } else { 0.75 };
                    hand.hit(Voice::Kick, time(i), force);
                }
                if step == 4 || step == 12 {
                    if hand.chance(0.12) {
                        hand.flam(Voice::Snare, time(i));
                    } else {
                        let rimshot = hand.chance(0.4);
                        let hit = hand.hit(Voice::Snare, time(i), 0.95);
                        if rimshot {
                            hit.way = Way::Rimshot;
                        }
                    }
                } else if part != Part::Toms && [7, 9, 15].contains(&step) && hand.chance(0.7) {
                    hand.ghost(time(i));
                }
            }
            time(bars * 16)
        }
        Part::Fill => {
            let path = [
                [Voice::Snare, Voice::Tom1, Voice::Tom2, Voice::Tom3],
                [Voice::Tom1, Voice::Snare, Voice::Tom3, Voice::Tom2],
                [Voice::Snare, Voice::Snare, Voice::Tom1, Voice::Tom3],
            ][hand.rng.index(3)];
            // a third of the toms is left off where the tempo is high
            for i in 0..16 {
                let voice = path[i / 4];
                let force = if i % 4 == 0 { 0.95 } else { 0.65 };
                if i == 12 && hand.chance(0.4) {
                    hand.flam(voice, time(i));
                } else if !(i % 4 == 3 && hand.chance(0.5)) {
                    hand.hit(voice, time(i), force);
                }
                if i % 4 == 0 {
                    hand.hit(Voice::Kick, time(i), 0.7);
                }
            }
            crash(hand, time(16), hand_choke(playing));
            hand.hit(Voice::Kick, time(16), 0.95);
            time(16) + 2.0 * beat
        }
        Part::Blast => {
            let step = 1.0 / 16.0;
            for i in 0..44 {
                let at = at + i as f64 * step;
                if i % 2 == 0 {
                    hand.hit(Voice::Kick, at, 0.75);
                    hand.hit(Voice::Ride, at, 0.6);
                } else {
                    hand.hit(Voice::Snare, at, 0.7);
                }
            }
            at + 44.0 * step
        }
        Part::Double => {
            for i in 0..32 {
                hand.hit(Voice::Kick, time(i), 0.7);
                if i % 16 == 8 {
                    hand.hit(Voice::Snare, time(i), 0.95);
                }
                if i % 4 == 0 {
                    hand.hit(Voice::Ride, time(i), 0.8);
                }
            }
            time(32)
        }
        Part::Half => {
            let toms = [Voice::Tom1, Voice::Tom2, Voice::Tom3];
            for bar in 0..2 {
                let at = at + f64::from(bar) * 4.0 * beat;
                hand.hit(Voice::Kick, at, 0.95);
                hand.hit(Voice::Hat, at, 0.6).way = Way::Open;
                hand.hit(Voice::Snare, at + 2.0 * beat, 0.95);
                let tom = toms[hand.rng.index(3)];
                hand.hit(tom, at + 3.0 * beat, 0.9);
            }
            at + 8.0 * beat
        }
        Part::Rest => at + 4.0,
        Part::Roll => {
            for i in 0..4 {
                hand.buzz(at + i as f64 * beat, 0.3 + 0.1 * i as f64, 6);
            }
            hand.hit(Voice::Snare, at + 4.0 * beat, 1.0);
            hand.hit(Voice::Kick, at + 4.0 * beat, 0.9);
            at + 5.0 * beat
        }
        Part::Crash => {
            crash(hand, at, true);
            hand.hit(Voice::Kick, at, 1.0);
            at + 2.0 * beat
        }
    }
}

fn hand_choke(playing: &Playing) -> bool {
    playing.tempo_bpm > 120.0
}
