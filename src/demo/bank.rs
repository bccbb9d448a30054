//! [`Bank`]: a struck body as a sum of damped modes.
//!
//! One bank lives through a whole take, so that a stroke on a drum that still rings adds to what is
//! there, as on the real one. Each mode is a complex number that turns and shrinks every sample;
//! its imaginary part is heard. A stroke pushes the real parts for as long as the stick touches,
//! which is what takes the high modes off soft beaters.

use std::f64::consts::TAU;

use crate::dsp::maths::{cos, exp, sin};

/// Natural logarithm of 1000, the fall of 60 dB.
const LN_60_DB: f64 = 6.907_755_278_982_137;
/// Samples between two looks at the tension.
const STEP: usize = 32;
/// Below this a mode is at rest (numbers close to the smallest ones are slow to compute with).
const SILENT: f64 = 1e-15;

/// One mode of vibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mode {
    /// At rest, Hz.
    pub freq_hz: f64,
    /// Seconds to fall by 60 dB.
    pub t60_s: f64,
}

/// A push.
#[derive(Clone, Debug)]
pub struct Push {
    /// First sample.
    pub at: usize,
    /// Samples that the stick touches, at least 1; the force rises and falls as a raised cosine.
    pub contact: usize,
    /// What each mode gets: the amplitude it would have if the contact were one sample.
    pub amounts: Vec<f64>,
    /// From here on the whole body is damped to this T60 (a closed hat); `None`: as before.
    pub damped_to_s: Option<f64>,
}

/// A struck body.
pub struct Bank<'a> {
    /// Its modes.
    pub modes: &'a [Mode],
    /// How much sharper (relative) all modes are at an energy of 1 than at rest.
    pub glide: f64,
    /// Frames a second.
    pub rate_hz: f64,
}

impl Bank<'_> {
    /// What `pushes` (in order of time) make of `frames` samples.
    pub fn sound(&self, pushes: &[Push], frames: usize) -> Vec<f64> {
        let n = self.modes.len();
        let decay: Vec<f64> = (self.modes.iter())
            .map(|mode| exp(-LN_60_DB / (mode.t60_s * self.rate_hz)))
            .collect();
        let mut turn = Turn::new(n);
        turn.set(self, &decay, 1.0);
        let (mut re, mut im) = (vec![0.0f64; n], vec![0.0f64; n]);
        let mut sound = vec![0.0; frames];
        let (mut next, mut live) = (0, 0..0);
        let mut damping = 1.0;
        for (step, out) in sound.chunks_mut(STEP).enumerate() {
            let start = step * STEP;
            for x in re.iter_mut().chain(&mut im) {
                if x.abs() < SILENT {
                    *x = 0.0;
                }
            }
            if self.glide != 0.0 {
                let energy: f64 = re.iter().zip(&im).map(|(r, i)| r * r + i * i).sum();
                turn.set(self, &decay, 1.0 + self.glide * energy.min(2.0));
            }
            for (i, out) in out.iter_mut().enumerate() {
                let now = start + i;
                while next < pushes.len() && pushes[next].at <= now {
                    if let Some(t60_s) = pushes[next].damped_to_s {
                        damping = exp(-LN_60_DB / (t60_s * self.rate_hz));
                    }
                    next += 1;
                    live.end = next;
                }
                for push in &pushes[live.clone()] {
                    let force = push.force(now);
                    if force != 0.0 {
                        for (r, amount) in re.iter_mut().zip(&push.amounts) {
                            *r += force * amount;
                        }
                    }
                }
                while live.start < live.end && pushes[live.start].over(now) {
                    live.start += 1;
                }
                *out = turn.advance(&mut re, &mut im, damping);
            }
        }
        sound
    }
}

impl Push {
    /// The share of the push that sample `now` gets; all shares sum to 1.
    fn force(&self, now: usize) -> f64 {
        let Some(since) = now.checked_sub(self.at).filter(|s| *s < self.contact) else {
            return 0.0;
        };
        let phase = (since as f64 + 0.5) / self.contact as f64;
        if self.contact == 1 {
            1.0
        } else {
            (1.0 - cos(TAU * phase)) / self.contact as f64
        }
    }

    fn over(&self, now: usize) -> bool {
        now + 1 >= self.at + self.contact
    }
}

/// What a sample does to each mode.
struct Turn {
    re: Vec<f64>,
    im: Vec<f64>,
}

impl Turn {
    fn new(n: usize) -> Self {
        Self {
            re: vec![0.0; n],
            im: vec![0.0; n],
        }
    }

    fn set(&mut self, bank: &Bank, decay: &[f64], sharper: f64) {
        for (i, mode) in bank.modes.iter().enumerate() {
            let angle = TAU * mode.freq_hz * sharper / bank.rate_hz;
            self.re[i] = decay[i] * cos(angle);
            self.im[i] = decay[i] * sin(angle);
        }
    }

    /// Turns all modes by one sample and gives what is heard.
    fn advance(&self, re: &mut [f64], im: &mut [f64], damping: f64) -> f64 {
        let mut heard = 0.0;
        for (((r, i), c), s) in re.iter_mut().zip(im).zip(&self.re).zip(&self.im) {
            let turned = (*r * c - *i * s) * damping;
            *i = (*r * s + *i * c) * damping;
            *r = turned;
            heard += *i;
        }
        heard
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    fn push(at: usize, contact: usize, amount: f64) -> Push {
        Push {
            at,
            contact,
            amounts: vec![amount],
            damped_to_s: None,
        }
    }

    #[test]
    fn a_tap_gives_the_closed_form_of_a_damped_sine() {
        let modes = [Mode {
            freq_hz: 211.0,
            t60_s: 0.3,
        }];
        let bank = Bank {
            modes: &modes,
            glide: 0.0,
            rate_hz: RATE,
        };
        let sound = bank.sound(&[push(10, 1, 0.7)], 9600);
        for (n, y) in sound.iter().enumerate() {
            let t = (n as f64 - 9.0) / RATE;
            let wanted = if n < 10 {
                0.0
            } else {
                0.7 * 10f64.powf(-3.0 * t / 0.3) * (TAU * 211.0 * t).sin()
            };
            assert!((y - wanted).abs() < 1e-9, "{n}: {y} {wanted}");
        }
    }

    #[test]
    fn overlapping_strokes_add_up() {
        let modes = [Mode {
            freq_hz: 90.0,
            t60_s: 1.0,
        }];
        let bank = Bank {
            modes: &modes,
            glide: 0.0,
            rate_hz: RATE,
        };
        let (a, b) = (push(100, 60, 1.0), push(130, 48, 0.5));
        let both = bank.sound(&[a.clone(), b.clone()], 4800);
        let (a, b) = (bank.sound(&[a], 4800), bank.sound(&[b], 4800));
        for n in 0..4800 {
            assert!((both[n] - a[n] - b[n]).abs() < 1e-12);
        }
        assert!(both.iter().any(|y| y.abs() > 0.5));
    }

    #[test]
    fn the_shares_of_a_push_sum_to_one() {
        for contact in [1, 2, 7, 48, 100] {
            let push = push(5, contact, 1.0);
            let sum: f64 = (0..200).map(|n| push.force(n)).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{contact}: {sum}");
        }
    }

    #[test]
    fn a_hard_stroke_starts_sharp_and_settles_on_the_tuning() {
        let modes = [Mode {
            freq_hz: 100.0,
            t60_s: 0.5,
        }];
        let bank = Bank {
            modes: &modes,
            glide: 0.1,
            rate_hz: RATE,
        };
        let sound = bank.sound(&[push(0, 1, 1.0)], 48_000);
        // rising zero crossings in two windows of 100 ms
        let freq = |from: usize| {
            let crossings: Vec<usize> = (from..from + 4800)
                .filter(|&n| sound[n] < 0.0 && sound[n + 1] >= 0.0)
                .collect();
            let periods = (crossings.len() - 1) as f64;
            periods * RATE / (crossings[crossings.len() - 1] - crossings[0]) as f64
        };
        assert!(freq(0) > 102.0, "{}", freq(0));
        assert!((freq(30_000) - 100.0).abs() < 0.2, "{}", freq(30_000));
    }
}
