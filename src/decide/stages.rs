//! The stages of a track before anything is tried: followed frequencies, polarity, delay, and the
//! working level ahead of stages that depend on it.

use crate::preset::{Follow, Followed, Preset};
use crate::reason::{self, Reason};
use crate::stage::{Gain, Stage};
use crate::units::round_to;
use crate::worksheet::Decided;

/// What a drum is tuned to, as far as it is decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitch {
    /// In hertz.
    pub hz: f64,
    /// Hits that it rests on.
    pub hits: usize,
}

/// The frequencies that a stage may follow, of one set-up or one take.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tuned {
    /// The lowest ringing mode.
    pub fundamental: Option<Pitch>,
    /// The strongest ring above it.
    pub next_partial: Option<Pitch>,
    /// What stands out where drums sound boxy; only of a set-up.
    pub boxy_partial: Option<Pitch>,
    /// What the session file says that the drum is meant to be tuned to, in hertz.
    pub intended_hz: Option<f64>,
}

impl Tuned {
    fn of(&self, followed: Followed) -> Option<Pitch> {
        match followed {
            Followed::Fundamental => self.fundamental,
            Followed::NextPartial => self.next_partial,
            Followed::BoxyPartial => self.boxy_partial,
        }
    }
}

/// A take is followed only where it lies further from its set-up than this: takes get comped, and
/// an EQ that moves from take to take would be heard.
const OWN_WAY: f64 = 0.02;
/// Further than this is taken for a misreading.
const TOO_FAR: f64 = 0.06;

/// The stages of a preset with every followed frequency as a number, each with its reason.
pub fn follow(preset: &Preset, setup: &Tuned, take: &Tuned) -> Vec<Decided<Stage>> {
    let step = |step: &crate::preset::Step| {
        let mut stage = step.stage.clone();
        let why = match (&step.follow, stage.settings_mut().freq_hz()) {
            (Some(rule), Some(freq_hz)) => {
                let (hz, why) = frequency(rule, *freq_hz, setup, take);
                *freq_hz = hz;
                Some(why)
            }
            _ => None,
        };
        Decided {
            value: stage,
            why,
            edited: false,
        }
    };
    preset.stages.iter().map(step).collect()
}

fn frequency(rule: &Follow, fallback_hz: f64, setup: &Tuned, take: &Tuned) -> (f64, Reason) {
    let followed = rule.of;
    let Some(common) = setup.of(followed) else {
        return match setup
            .intended_hz
            .filter(|_| followed == Followed::Fundamental)
        {
            Some(intended_hz) => {
                let (freq_hz, limit_hz) = limited(intended_hz, rule);
                let times = rule.times;
                (
                    freq_hz,
                    Reason::Intended {
                        hz: intended_hz,
                        times,
                        limit_hz,
                    },
                )
            }
            None => (
                fallback_hz,
                Reason::Untuned {
                    followed,
                    freq_hz: fallback_hz,
                },
            ),
        };
    };
    let mut pitch = common;
    let (mut setup_hz, mut disbelieved_hz) = (None, None);
    if let Some(own) = take.of(followed) {
        let off = own.hz / common.hz - 1.0;
        if off.abs() > TOO_FAR {
            disbelieved_hz = Some(round_to(own.hz, 1));
        } else if off.abs() > OWN_WAY {
            setup_hz = Some(round_to(common.hz, 1));
            pitch = own;
        }
    }
    let (freq_hz, limit_hz) = limited(pitch.hz, rule);
    let why = reason::Tuned {
        followed,
        hz: round_to(pitch.hz, 1),
        hits: pitch.hits,
        setup_hz,
        disbelieved_hz,
        times: rule.times,
        limit_hz,
    };
    (freq_hz, Reason::Tuned(why))
}

/// The frequency that a rule makes of a pitch, and its limit where that is reached.
fn limited(pitch_hz: f64, rule: &Follow) -> (f64, Option<f64>) {
    let hz = pitch_hz * rule.times;
    let limits = [
        rule.min_hz.filter(|min| hz < *min),
        rule.max_hz.filter(|max| hz > *max),
    ];
    let limit_hz = limits.into_iter().flatten().last();
    (round_to(limit_hz.unwrap_or(hz), 1), limit_hz)
}

/// How loud a mic comes in, in the unit of its working level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Incoming {
    /// dBFS.
    pub level_dbfs: f64,
    /// Whether it is the level of hits; otherwise it is the sample peak, which lies higher.
    pub from_hits: bool,
}

/// How far a file's sample peak lies above the level of its hits. Common practice, no source.
const PEAK_OVER_HITS_DB: f64 = 6.0;

/// The gain that brings a mic to its working level, with its reason.
pub fn working_gain(incoming: Incoming, working_dbfs: f64) -> Decided<f64> {
    let target_dbfs = match incoming.from_hits {
        true => working_dbfs,
        false => working_dbfs + PEAK_OVER_HITS_DB,
    };
    let gain_db = round_to(target_dbfs - incoming.level_dbfs, 1).clamp(-40.0, 40.0);
    let why = Reason::WorkingLevel {
        level_dbfs: round_to(incoming.level_dbfs, 1),
        from_hits: incoming.from_hits,
        target_dbfs,
    };
    Decided::new(gain_db, why)
}

/// Puts a gain in front of a chain that depends on the level, so that 12 dB of drive mean the same
/// behind every preamplifier: one gain for a mic and set-up.
pub fn bring_to_working_level(
    stages: &mut Vec<Decided<Stage>>,
    incoming: Option<Incoming>,
    working_dbfs: f64,
) {
    if !stages.iter().any(|stage| stage.value.depends_on_level()) {
        return;
    }
    let Some(incoming) = incoming else { return };
    let gain = working_gain(incoming, working_dbfs);
    let stage = Stage::Gain(Gain {
        gain_db: gain.value,
    });
    let why = gain.why;
    let edited = false;
    stages.insert(
        0,
        Decided {
            value: stage,
            why,
            edited,
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule() -> Follow {
        Follow {
            of: Followed::Fundamental,
            times: 1.0,
            min_hz: Some(150.0),
            max_hz: Some(260.0),
        }
    }

    fn tuned(hz: f64) -> Tuned {
        Tuned {
            fundamental: Some(Pitch { hz, hits: 40 }),
            ..Tuned::default()
        }
    }

    #[test]
    fn a_take_is_followed_only_where_it_goes_its_own_way() {
        let none = Tuned::default();
        let common = reason::Tuned {
            followed: Followed::Fundamental,
            hz: 200.0,
            hits: 40,
            setup_hz: None,
            disbelieved_hz: None,
            times: 1.0,
            limit_hz: None,
        };
        let own = reason::Tuned {
            hz: 206.0,
            setup_hz: Some(200.0),
            ..common.clone()
        };
        let far = reason::Tuned {
            disbelieved_hz: Some(240.0),
            ..common.clone()
        };
        let limited = reason::Tuned {
            hz: 300.0,
            limit_hz: Some(260.0),
            ..common.clone()
        };
        let fallback = Reason::Untuned {
            followed: Followed::Fundamental,
            freq_hz: 180.0,
        };
        let meant = |hz| Tuned {
            intended_hz: Some(hz),
            ..none
        };
        let intended = |hz, limit_hz| Reason::Intended {
            hz,
            times: 1.0,
            limit_hz,
        };
        for (setup, take, hz, why) in [
            (tuned(200.0), none, 200.0, Reason::Tuned(common.clone())),
            (tuned(200.0), tuned(203.0), 200.0, Reason::Tuned(common)),
            (tuned(200.0), tuned(206.0), 206.0, Reason::Tuned(own)),
            (tuned(200.0), tuned(240.0), 200.0, Reason::Tuned(far)),
            (none, tuned(206.0), 180.0, fallback),
            (tuned(300.0), none, 260.0, Reason::Tuned(limited)),
            (meant(190.0), none, 190.0, intended(190.0, None)),
            (
                meant(290.0),
                tuned(200.0),
                260.0,
                intended(290.0, Some(260.0)),
            ),
        ] {
            assert_eq!(frequency(&rule(), 180.0, &setup, &take), (hz, why));
        }
    }
}
