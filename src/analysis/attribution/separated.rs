//! What each drum contributes at each moment, by a mixture over some of the bands.

use crate::analysis::attribution::attribute::{Drum, Heard, Known, db};
use crate::analysis::attribution::features::{Bleed, attack_levels, bleed};
use crate::analysis::attribution::mixture::{Mixture, Start, Table, Template};
use crate::analysis::strokes::bank::BANDS;
use crate::session::Family;

/// A mixture, and the levels that follow from it.
pub(crate) struct Separated {
    pub table: Table,
    pub mixture: Mixture,
    /// Reference level of each drum: what its template is multiplied by.
    pub level: Vec<f32>,
    /// At each moment, the level of each drum over its reference, in decibels.
    pub levels: Vec<Vec<f32>>,
    /// All that each drum's own mic rose by, over the drum's reference, in decibels.
    pub raw: Vec<Vec<f32>>,
    /// What the attack of each drum's hits is like in its own mic (mean square).
    pub attack_level: Vec<f32>,
    /// How each drum's own mic hears the others.
    pub bleed: Vec<Vec<Option<Bleed>>>,
}

impl Separated {
    /// By the bands from one on.
    pub fn learn(heard: &Heard, drums: &[Drum], known: &[Known], first_band: usize) -> Self {
        let table = Table::new(heard.rises, first_band);
        let own: Vec<usize> = drums.iter().map(|d| d.own).collect();
        let known: Vec<Known> = (known.iter().zip(drums))
            .map(|(known, drum)| cut(known, drum, first_band))
            .collect();
        let templates: Vec<Option<Template>> = known.iter().map(|k| k.template.clone()).collect();
        let start = Start {
            own: &own,
            known: &templates,
            overheads: heard.overheads,
        };
        let mixture = Mixture::learn(&table, &start);
        let level: Vec<f32> = (drums.iter().enumerate())
            .map(|(d, drum)| {
                let gains: Vec<f32> = (0..table.len()).map(|m| mixture.gains(m)[d]).collect();
                let here = reference(&gains, drum.family);
                match known[d].level {
                    // 6 dB and more below the other takes: it is not these hits
                    Some(other) if here < 0.25 * other => 0.5 * other,
                    _ => here,
                }
            })
            .collect();
        let share = |d: usize| mixture.templates[d][table.of(own[d])].iter().sum::<f32>();
        let shares: Vec<f32> = (0..drums.len()).map(share).collect();
        let at_moments = |over: &dyn Fn(usize, usize) -> f32| -> Vec<Vec<f32>> {
            let row = |m| (0..drums.len()).map(|d| over(m, d)).collect();
            (0..table.len()).map(row).collect()
        };
        let levels = at_moments(&|m, d| db(mixture.gains(m)[d] / level[d].max(1e-20)));
        let raw =
            at_moments(&|m, d| db(table.level(m, own[d]) / (level[d] * shares[d]).max(1e-20)));
        Self {
            attack_level: attack_levels(heard, drums, &levels),
            bleed: bleed(heard, drums, &levels),
            table,
            mixture,
            level,
            levels,
            raw,
        }
    }
}

/// What is known of a drum, in the bands from one on. A cymbal's template there is learned from the take
/// alone: the one that is known was learned with the lows of other drums in it.
fn cut(known: &Known, drum: &Drum, first_band: usize) -> Known {
    if first_band == 0 {
        return known.clone();
    }
    let Some(template) = &known.template else {
        return Known::default();
    };
    let upper = template
        .chunks(BANDS)
        .flat_map(|bands| &bands[first_band..]);
    let mut upper: Template = upper.copied().collect();
    let bands = BANDS - first_band;
    let share: f32 = upper[drum.own * bands..(drum.own + 1) * bands].iter().sum();
    for value in &mut upper {
        *value /= share.max(1e-12);
    }
    Known {
        template: (!drum.is_cymbal()).then_some(upper),
        level: known.level.map(|level| level * share),
    }
}

/// Mean of the strongest, as a reference for a drum's own hits.
fn reference(gains: &[f32], family: Family) -> f32 {
    let mut sorted = gains.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let count = match family {
        Family::Tom => 3,
        _ => (sorted.len() / 20).max(3),
    }
    .min(sorted.len());
    let sum: f32 = sorted[..count].iter().map(|&g| db(g)).sum();
    libm::powf(10.0, sum / count.max(1) as f32 / 10.0)
}
