//! Delay and polarity between two mics of one drum.
//!
//! Delay by generalised cross-correlation, partly whitened (Knapp & Carter, IEEE Trans. ASSP 24(4),
//! 1976) and averaged over hits; polarity by the sign of the plain correlation in the body of the
//! sound at that delay. A verdict is given only where hits and methods agree.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

use crate::analysis::polarity::together::{self, Together};
use crate::dsp::median;
use crate::units::round_to;

/// Sound before and after the stroke, in seconds.
pub(crate) const BEFORE_S: f64 = 0.008;
pub(crate) const AFTER_S: f64 = 0.080;
/// What the delay is read from ends earlier, before most of the room has come.
const DELAY_S: f64 = 0.040;
/// How far the spectrum is whitened: 0 not at all, 1 wholly.
const WHITEN: f64 = 0.7;
/// Hits whose own delay is this near to the pooled one agree.
const AGREE_S: f64 = 0.000_15;
/// A whitened correlation this high, whose strongest rival of the other sign stays this far behind,
/// shows the polarity by itself, unless the body of the sound contradicts it this strongly.
const CLEAR_PEAK: f64 = 0.45;
const CLEAR_MARGIN: f64 = 0.4;
const CONTRADICTION: f64 = 0.5;
/// With less margin than this there is no verdict at all.
const LEAST_MARGIN: f64 = 0.28;
/// An arrival this much earlier and at least this strong casts doubt on the strongest.
const ECHO_S: f64 = 0.0003;
const ECHO_SHARE: f64 = 0.7;
/// A mic that leads by less than this (17 cm) may as well stand as near.
const LEAST_LEAD_S: f64 = 0.0005;
/// Strokes that a verdict needs, over all takes.
pub(crate) const LEAST_STROKES: usize = 3;
/// No pair is farther apart.
const LONGEST_LAG_S: f64 = 0.008;
/// Metres a second at 20 °C (ISO 9613-1).
const SOUND_M_S: f64 = 343.2;

/// What two mics have to do with each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PairKind {
    /// Two mics of a snare.
    Snare,
    /// Two mics of a kick.
    Kick,
    /// Two mics of a tom.
    Tom,
    /// A close mic and an overhead.
    CloseOverhead,
    /// Left and right.
    Sides,
}

struct Setting {
    /// Where the delay is read, in hertz.
    delay_hz: (f64, f64),
    /// The body of the sound.
    body_hz: (f64, f64),
    /// What delays can be, in seconds.
    range_s: (f64, f64),
}

impl PairKind {
    fn setting(self) -> Setting {
        let (delay_hz, body_hz, range_s) = match self {
            PairKind::Snare => ((150.0, 2500.0), (120.0, 500.0), (-0.0003, 0.0012)),
            PairKind::Kick => ((50.0, 1200.0), (40.0, 250.0), (-0.0005, 0.003)),
            PairKind::Tom => ((80.0, 2000.0), (50.0, 350.0), (-0.0005, 0.0015)),
            PairKind::CloseOverhead => ((200.0, 6000.0), (90.0, 500.0), (0.0005, 0.008)),
            PairKind::Sides => ((200.0, 6000.0), (90.0, 500.0), (-0.002, 0.002)),
        };
        Setting {
            delay_hz,
            body_hz,
            range_s,
        }
    }
}

/// Polarity of the second mic as compared with the first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// The same.
    Same,
    /// Turned over.
    Inverted,
    /// Undecided.
    NotSure,
}

/// How two mics of a take stand to each other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairEvidence {
    /// Label of the first track; of the side, for a pair.
    pub first: String,
    /// Label of the second.
    pub second: String,
    /// What they have to do with each other.
    pub kind: PairKind,
    /// Hits looked at.
    pub hits: usize,
    /// How much later the second hears, in samples of its rate, in steps of 0.1; `None`: not sure.
    pub delay_samples: Option<f64>,
    /// The same in milliseconds.
    pub delay_ms: Option<f64>,
    /// The way that sound goes in this time at 20 °C.
    pub distance_m: Option<f64>,
    /// Share of the hits that agree, 0 to 1.
    pub delay_confidence: f64,
    /// The verdict.
    pub polarity: Polarity,
    /// How sure, 0 to 1; 0 for [`Polarity::NotSure`].
    pub polarity_confidence: f64,
    /// Correlation of the body of the sound at that delay, −1 to 1.
    pub correlation: f64,
    /// By how much the sum of both exceeds their difference as they stand, in decibels; negative:
    /// they are better with one turned over.
    pub sum_gain_db: f64,
    /// How both add up, for what their chains do to them; nothing of a pair that is not one drum's.
    pub together: Vec<Together>,
    /// Why a verdict is missing.
    pub reason: Option<String>,
}

/// A stroke in both mics: from [`BEFORE_S`] before it on.
pub(crate) struct Stroke {
    pub first: Vec<f64>,
    pub second: Vec<f64>,
}

/// Correlation of one stroke by lag: index 0 is the first lag of the range.
struct Correlator {
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn realfft::ComplexToReal<f64>>,
    size: usize,
    rate_hz: f64,
}

impl Correlator {
    /// For sound up to `after_s` behind the stroke, and lags of up to 8 ms: beyond the longest lag
    /// nothing of the correlation is looked at, so no more zeros are needed.
    fn new(rate_hz: f64, after_s: f64) -> Self {
        let frames = ((BEFORE_S + after_s + LONGEST_LAG_S) * rate_hz) as usize + 4;
        let size = frames.next_power_of_two();
        let mut planner = RealFftPlanner::new();
        Self {
            forward: planner.plan_fft_forward(size),
            inverse: planner.plan_fft_inverse(size),
            size,
            rate_hz,
        }
    }

    /// Spectrum of a stroke, faded in before it and out after `after_s`.
    fn spectrum(&self, sound: &[f64], after_s: f64) -> Vec<Complex<f64>> {
        let before = (BEFORE_S * self.rate_hz) as usize;
        let after = (after_s * self.rate_hz) as usize;
        let mut input = self.forward.make_input_vec();
        let (rise, fall) = (before / 2, after / 2);
        for (i, (y, x)) in input.iter_mut().zip(sound).take(before + after).enumerate() {
            let gain = if i < rise {
                i as f64 / rise as f64
            } else if i >= before + after - fall {
                let u = (i - (before + after - fall)) as f64 / fall as f64;
                (0.5 * std::f64::consts::PI * u).cos().powi(2)
            } else {
                1.0
            };
            *y = if x.is_finite() { x * gain } else { 0.0 };
        }
        let mut output = self.forward.make_output_vec();
        // cannot fail: both vectors are of the planned size
        let _ = self.forward.process(&mut input, &mut output);
        output
    }

    /// Weight of each bin: 1 within the band, edges of a third of an octave.
    fn band(&self, (low, high): (f64, f64)) -> Vec<f64> {
        (0..=self.size / 2)
            .map(|k| {
                let f = (k as f64 * self.rate_hz / self.size as f64).max(1.0);
                let edge = |octaves: f64| (3.0 * octaves + 1.0).clamp(0.0, 1.0);
                let inside = edge((f / low).log2()) * edge((high / f).log2());
                0.5 - 0.5 * (std::f64::consts::PI * inside).cos()
            })
            .collect()
    }

    /// Normalised correlation at `lags` (samples); positive lags: the second is later.
    fn correlate(
        &self,
        stroke: &Stroke,
        after_s: f64,
        band: &[f64],
        whiten: f64,
        lags: std::ops::RangeInclusive<i64>,
    ) -> Vec<f64> {
        let a = self.spectrum(&stroke.first, after_s);
        let b = self.spectrum(&stroke.second, after_s);
        let top = a
            .iter()
            .zip(&b)
            .map(|(a, b)| (a.norm_sqr() * b.norm_sqr()).sqrt())
            .fold(0.0, f64::max);
        let (mut ea, mut eb) = (0.0, 0.0);
        let mut cross: Vec<Complex<f64>> = a
            .iter()
            .zip(&b)
            .zip(band)
            .map(|((a, b), &w)| {
                if w == 0.0 {
                    return Complex::default(); // powers are dear
                }
                let x = a.conj() * b;
                ea += w * a.norm_sqr().powf(1.0 - whiten);
                eb += w * b.norm_sqr().powf(1.0 - whiten);
                x * (w / (x.norm_sqr().sqrt() + 1e-6 * top + 1e-300).powf(whiten))
            })
            .collect();
        let ends = cross.len() - 1;
        cross[0].im = 0.0;
        cross[ends].im = 0.0;
        let mut out = self.inverse.make_output_vec();
        let _ = self.inverse.process(&mut cross, &mut out);
        let scale = 0.5 / ((ea * eb).sqrt() + 1e-30);
        lags.map(|lag| out[lag.rem_euclid(self.size as i64) as usize] * scale)
            .collect()
    }
}

/// Place and value of the largest magnitude, by a parabola through three points.
fn peak(curve: &[f64]) -> Option<(f64, f64)> {
    let (at, value) = curve
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()).then(b.0.cmp(&a.0)))?;
    let sign = value.signum();
    let y = |i: usize| curve.get(i).map(|v| v * sign);
    if let (Some(i), Some(c)) = (at.checked_sub(1), y(at + 1)) {
        let (a, b) = (y(i)?, value * sign);
        let bend = a - 2.0 * b + c;
        if bend.abs() > 1e-12 {
            let shift = (0.5 * (a - c) / bend).clamp(-0.5, 0.5);
            return Some((at as f64 + shift, sign * (b - 0.25 * (a - c) * shift)));
        }
    }
    Some((at as f64, *value))
}

/// Value of a curve between two points.
fn between(curve: &[f64], at: f64) -> f64 {
    let last = curve.len().saturating_sub(1);
    let i = (at.max(0.0) as usize).min(last);
    let next = curve.get(i + 1).copied().unwrap_or(0.0);
    let here = curve.get(i).copied().unwrap_or(0.0);
    here + (next - here) * (at - i as f64).clamp(0.0, 1.0)
}

fn mean_curve(curves: &[Vec<f64>]) -> Vec<f64> {
    let count = curves.len().max(1) as f64;
    let length = curves.first().map_or(0, Vec::len);
    (0..length)
        .map(|i| curves.iter().map(|c| c[i]).sum::<f64>() / count)
        .collect()
}

/// Looks at strokes that begin at these samples in two signals of one rate.
#[doc(hidden)]
pub fn analyse_signals(
    sound: &[Vec<f64>; 2],
    hits: &[usize],
    kind: PairKind,
    rate_hz: u32,
) -> PairEvidence {
    let before = (BEFORE_S * f64::from(rate_hz)) as usize;
    let frames = ((BEFORE_S + AFTER_S) * f64::from(rate_hz)) as usize;
    let strokes: Vec<Stroke> = hits
        .iter()
        .filter_map(|&hit| {
            let piece =
                |x: &Vec<f64>| Some(x.get(hit.checked_sub(before)?..)?.get(..frames)?.to_vec());
            Some(Stroke {
                first: piece(&sound[0])?,
                second: piece(&sound[1])?,
            })
        })
        .collect();
    analyse("first", "second", kind, &strokes, rate_hz)
}

/// How much later the second of two mics hears the strokes of one drum, in samples; `None` unless
/// three strokes at least, and two in five, agree: in a room an echo may win now and then.
pub(crate) fn lag(kind: PairKind, strokes: &[Stroke], rate_hz: u32) -> Option<f64> {
    let (samples, share, _) = common_lag(strokes, rate_hz, kind.setting())?;
    let agree = share * strokes.len() as f64;
    (share >= 0.4 && agree > 2.5).then_some(samples)
}

/// How much earlier the second of two mics hears what the first hears, in samples, if it is beyond
/// doubt the same sound: single strokes correlate at one lag, as those of two drums that are struck
/// together do not.
pub(crate) fn lead(strokes: &[Stroke], rate_hz: u32) -> Option<f64> {
    let setting = Setting {
        range_s: (-0.006, 0.006),
        ..PairKind::CloseOverhead.setting()
    };
    let (samples, share, value) = common_lag(strokes, rate_hz, setting)?;
    let early = -samples >= LEAST_LEAD_S * f64::from(rate_hz);
    (early && share >= 0.5 && value >= CLEAR_PEAK).then_some(-samples)
}

/// The lag at which most strokes correlate (samples; positive: the second is later), the share of
/// those that do, and their median correlation.
fn common_lag(strokes: &[Stroke], rate_hz: u32, setting: Setting) -> Option<(f64, f64, f64)> {
    let rate = f64::from(rate_hz);
    let correlator = Correlator::new(rate, DELAY_S);
    let low = (setting.range_s.0 * rate).floor() as i64 - 1;
    let high = (setting.range_s.1 * rate).ceil() as i64 + 1;
    let band = correlator.band(setting.delay_hz);
    let curves: Vec<Vec<f64>> = strokes
        .iter()
        .map(|s| correlator.correlate(s, DELAY_S, &band, WHITEN, low..=high))
        .collect();
    let (at, _) = peak(&mean_curve(&curves))?;
    let near = |p: &(f64, f64)| (p.0 - at).abs() <= AGREE_S * rate;
    let agree: Vec<f64> = curves
        .iter()
        .filter_map(|c| peak(c))
        .filter(near)
        .map(|p| p.1.abs())
        .collect();
    let share = agree.len() as f64 / strokes.len().max(1) as f64;
    Some((at + low as f64, share, median(agree)?))
}

/// How the strokes of one drum add up in two mics of one rate.
pub(crate) fn add_up(strokes: &[Stroke], rate_hz: u32) -> Vec<Together> {
    let rate = f64::from(rate_hz);
    let correlator = Correlator::new(rate, AFTER_S);
    let step_hz = rate / correlator.size as f64;
    let mut all = Vec::new();
    for stroke in strokes {
        let [a, b] = [&stroke.first, &stroke.second].map(|x| correlator.spectrum(x, AFTER_S));
        together::pool(&mut all, &together::of_stroke(&a, &b, step_hz));
    }
    all
}

/// Looks at the strokes of one drum in two mics of one rate.
pub(crate) fn analyse(
    first: &str,
    second: &str,
    kind: PairKind,
    strokes: &[Stroke],
    rate_hz: u32,
) -> PairEvidence {
    let mut evidence = PairEvidence {
        first: first.to_owned(),
        second: second.to_owned(),
        kind,
        hits: strokes.len(),
        delay_samples: None,
        delay_ms: None,
        distance_m: None,
        delay_confidence: 0.0,
        polarity: Polarity::NotSure,
        polarity_confidence: 0.0,
        correlation: 0.0,
        sum_gain_db: 0.0,
        together: Vec::new(),
        reason: None,
    };
    if strokes.is_empty() {
        evidence.reason = Some(format!("only {} hits stand alone", strokes.len()));
        return evidence;
    }
    let rate = f64::from(rate_hz);
    let setting = kind.setting();
    let correlator = Correlator::new(rate, AFTER_S);
    // one sample more on both sides, for the parabola
    let low = (setting.range_s.0 * rate).floor() as i64 - 1;
    let high = (setting.range_s.1 * rate).ceil() as i64 + 1;
    let (delay_band, body_band) = (
        correlator.band(setting.delay_hz),
        correlator.band(setting.body_hz),
    );
    let curves: Vec<Vec<f64>> = strokes
        .iter()
        .map(|s| correlator.correlate(s, DELAY_S, &delay_band, WHITEN, low..=high))
        .collect();
    let pooled = mean_curve(&curves);
    let Some((at, value)) = peak(&pooled) else {
        return evidence;
    };
    let agree = curves
        .iter()
        .filter_map(|c| peak(c))
        .filter(|(a, _)| (a - at).abs() <= AGREE_S * rate)
        .count() as f64
        / strokes.len() as f64;
    evidence.delay_confidence = round_to(agree, 2);
    // from afar an echo can be as strong as what came first
    let far = matches!(kind, PairKind::CloseOverhead | PairKind::Sides);
    let earlier = (at - ECHO_S * rate).max(0.0) as usize;
    let rival = pooled[..earlier.min(pooled.len())]
        .iter()
        .any(|v| v.abs() >= ECHO_SHARE * value.abs());
    if far && rival {
        evidence.delay_confidence = evidence.delay_confidence.min(0.4);
        evidence.reason = Some("delay unsure: two arrivals of nearly one strength".into());
        return evidence;
    }
    let delay_ok = agree >= 0.6 && value != 0.0;
    // how far the strongest correlation of the other sign stays behind
    let opposite = pooled
        .iter()
        .map(|v| -v * value.signum())
        .fold(0.0, f64::max);
    let margin = 1.0 - opposite / value.abs().max(1e-12);
    // the body of the sound, around lag 0 and around the delay
    let (low0, high0) = (low.min(-1), high.max(1));
    let bodies: Vec<Vec<f64>> = strokes
        .iter()
        .map(|s| correlator.correlate(s, AFTER_S, &body_band, 0.0, low0..=high0))
        .collect();
    let body = mean_curve(&bodies);
    let place = at + (low - low0) as f64;
    let r = between(&body, place);
    let r0 = between(&body, (-low0) as f64).clamp(-0.99, 0.99);
    evidence.correlation = round_to(r, 2);
    evidence.sum_gain_db = round_to(10.0 * ((1.0 + r0) / (1.0 - r0)).log10(), 1);
    if !delay_ok {
        evidence.reason = Some(format!(
            "delay unsure: {:.0} of {} hits agree",
            agree * strokes.len() as f64,
            strokes.len()
        ));
        return evidence;
    }
    let samples = at + low as f64;
    let enough = strokes.len() >= LEAST_STROKES;
    if enough {
        evidence.delay_samples = Some(round_to(samples, 1));
        evidence.delay_ms = Some(round_to(samples / rate * 1000.0, 3));
        evidence.distance_m = Some(round_to(samples / rate * SOUND_M_S, 2));
    } else {
        // a few strokes always agree
        evidence.delay_confidence = 0.0;
    }
    let same_sign = bodies
        .iter()
        .filter(|b| between(b, place).signum() == r.signum())
        .count() as f64
        / strokes.len() as f64;
    // either the delay's own peak is beyond doubt, or the body of the sound says the same
    let clear = value.abs() >= CLEAR_PEAK
        && margin >= CLEAR_MARGIN
        && (r * value.signum()) > -CONTRADICTION;
    let body_agrees = r.signum() == value.signum()
        && r.abs() >= 0.3
        && same_sign >= 0.8
        && margin >= LEAST_MARGIN;
    // few strokes count with those of the other takes, and only where both say so
    if clear && body_agrees || (clear || body_agrees) && enough {
        evidence.polarity = if value < 0.0 {
            Polarity::Inverted
        } else {
            Polarity::Same
        };
        let doubt = if clear && body_agrees { 0.0 } else { 0.2 };
        evidence.polarity_confidence =
            round_to((agree * (0.75 + 0.24 * margin) - doubt).max(0.5), 2);
    } else {
        evidence.reason = Some(format!(
            "polarity unsure: partials disagree (correlation {r:.2}, {:.0} % of the hits); listen to both",
            100.0 * same_sign
        ));
    }
    evidence
}
