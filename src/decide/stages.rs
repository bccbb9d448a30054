//! The stages of a track before anything is tried: followed frequencies, polarity, delay, and the
//! working level ahead of stages that depend on it.

use crate::preset::{Follow, Followed, Preset};
use crate::stage::{Gain, Stage};
use crate::units::round_to;
use crate::worksheet::Decided;

/// What a drum is tuned to, as far as it could be told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitch {
    /// In hertz.
    pub hz: f64,
    /// Hits that it rests on.
    pub hits: usize,
}

/// Both frequencies that a stage may follow, of one set-up or one take.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tuned {
    /// The lowest ringing mode.
    pub fundamental: Option<Pitch>,
    /// The strongest ring above it.
    pub next_partial: Option<Pitch>,
}

impl Tuned {
    fn of(&self, followed: Followed) -> Option<Pitch> {
        match followed {
            Followed::Fundamental => self.fundamental,
            Followed::NextPartial => self.next_partial,
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
        let why = match (&step.follow, crate::preset::freq_hz(&mut stage)) {
            (Some(rule), Some(freq_hz)) => {
                let (hz, why) = frequency(rule, *freq_hz, setup, take);
                *freq_hz = hz;
                why
            }
            _ => String::new(),
        };
        Decided::new(stage, why)
    };
    preset.stages.iter().map(step).collect()
}

fn frequency(rule: &Follow, fallback_hz: f64, setup: &Tuned, take: &Tuned) -> (f64, String) {
    let what = match rule.of {
        Followed::Fundamental => "fundamental",
        Followed::NextPartial => "next partial",
    };
    let Some(common) = setup.of(rule.of) else {
        return (
            fallback_hz,
            format!("no clear {what}: the preset's {fallback_hz} Hz"),
        );
    };
    let mut pitch = common;
    let mut why = format!(
        "{what} of the set-up {} Hz ({} hits)",
        round_to(common.hz, 1),
        common.hits
    );
    if let Some(own) = take.of(rule.of) {
        let off = own.hz / common.hz - 1.0;
        let percent = round_to(off * 100.0, 1);
        if off.abs() > TOO_FAR {
            why += &format!(
                "; this take reads {} Hz ({percent} %), too far to be followed",
                round_to(own.hz, 1)
            );
        } else if off.abs() > OWN_WAY {
            pitch = own;
            why = format!(
                "{what} of this take {} Hz ({} hits), {percent} % off the set-up's {} Hz",
                round_to(own.hz, 1),
                own.hits,
                round_to(common.hz, 1)
            );
        }
    }
    let mut hz = pitch.hz * rule.times;
    if rule.times != 1.0 {
        why += &format!(" × {}", rule.times);
    }
    for (limit, beyond) in [
        (rule.min_hz, rule.min_hz.is_some_and(|m| hz < m)),
        (rule.max_hz, rule.max_hz.is_some_and(|m| hz > m)),
    ] {
        if let (Some(limit), true) = (limit, beyond) {
            why += &format!(", limited to {limit} Hz");
            hz = limit;
        }
    }
    (round_to(hz, 1), why)
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
    let (target, what) = if incoming.from_hits {
        (working_dbfs, "hit level")
    } else {
        (working_dbfs + PEAK_OVER_HITS_DB, "sample peak")
    };
    let gain_db = round_to(target - incoming.level_dbfs, 1).clamp(-40.0, 40.0);
    let why = format!(
        "{what} {} dBFS to {target} dBFS",
        round_to(incoming.level_dbfs, 1)
    );
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
    let Decided {
        value: gain_db,
        why,
    } = working_gain(incoming, working_dbfs);
    let why = format!("working level ahead of drive, compress or gate: {why}");
    stages.insert(0, Decided::new(Stage::Gain(Gain { gain_db }), why));
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
            next_partial: None,
        }
    }

    #[test]
    fn a_take_is_followed_only_where_it_goes_its_own_way() {
        let none = Tuned::default();
        for (setup, take, hz, words) in [
            (tuned(200.0), none, 200.0, "of the set-up 200 Hz (40 hits)"),
            (tuned(200.0), tuned(203.0), 200.0, "of the set-up"),
            (
                tuned(200.0),
                tuned(206.0),
                206.0,
                "3 % off the set-up's 200 Hz",
            ),
            (tuned(200.0), tuned(240.0), 200.0, "too far to be followed"),
            (
                none,
                tuned(206.0),
                180.0,
                "no clear fundamental: the preset's 180 Hz",
            ),
            (tuned(300.0), none, 260.0, "limited to 260 Hz"),
        ] {
            let (found, why) = frequency(&rule(), 180.0, &setup, &take);
            assert_eq!(found, hz, "{why}");
            assert!(why.contains(words), "{why}");
        }
    }
}
