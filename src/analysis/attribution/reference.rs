//! What the takes of a set-up teach each other about the hits of each drum.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::attribute::Known;
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::rings::Rings;
use crate::analysis::attribution::take::DrumEvidence;
use crate::analysis::setup::played::{SURE, loud_take_db};
use crate::analysis::strokes::bank::BANDS;
use crate::dsp::maths;
use crate::dsp::median;

/// A take whose hits lie this far under the loud takes does not speak for the set-up: they may be
/// bleed.
const WEAK_TAKE_DB: f64 = 6.0;

/// What hits of each drum are like, pooled over takes: for a second, better attribution.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    drums: BTreeMap<String, DrumReference>,
    /// How each tom rings after its strokes.
    rings: BTreeMap<String, Rings>,
    /// How loud the mic of each drum gets in a take that plays it, in decibels.
    loud_db: BTreeMap<String, f64>,
    /// Drums that some take plays beyond doubt.
    played: BTreeSet<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct DrumReference {
    level_db: f64,
    template_db: BTreeMap<String, [f32; BANDS]>,
}

impl Reference {
    /// From the drums of the takes of a set-up. Drums with fewer than three hits in every take
    /// are not in it.
    pub fn pool(takes: &[&[DrumEvidence]]) -> Self {
        let mut levels: BTreeMap<&str, Vec<(f64, usize)>> = BTreeMap::new();
        for (i, take) in takes.iter().enumerate() {
            for drum in *take {
                if let Some(level) = drum.level_db.filter(|_| drum.count >= 3) {
                    levels.entry(&drum.name).or_default().push((level, i));
                }
            }
        }
        let drums = levels
            .into_iter()
            .filter_map(|(name, mut list)| {
                list.sort_by(|a, b| a.0.total_cmp(&b.0));
                let loud = list[(list.len() - 1) * 3 / 4].0;
                list.retain(|(level, _)| *level >= loud - WEAK_TAKE_DB);
                let mut values: BTreeMap<&str, [Vec<f64>; BANDS]> = BTreeMap::new();
                for &(_, i) in &list {
                    let drum = takes[i].iter().find(|d| d.name == name)?;
                    for (label, bands) in &drum.template_db {
                        let entry = values.entry(label).or_default();
                        for (all, band) in entry.iter_mut().zip(bands) {
                            all.push(f64::from(*band));
                        }
                    }
                }
                let template_db = values
                    .into_iter()
                    .map(|(label, bands)| {
                        let middle = bands.map(|b| median(b).unwrap_or(-90.0) as f32);
                        (label.to_owned(), middle)
                    })
                    .collect();
                Some((
                    name.to_owned(),
                    DrumReference {
                        level_db: median(list.iter().map(|l| l.0))?,
                        template_db,
                    },
                ))
            })
            .collect();
        let mut loudest: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        let mut rings: BTreeMap<&str, Vec<Rings>> = BTreeMap::new();
        let mut played = BTreeSet::new();
        for drum in takes.iter().flat_map(|take| take.iter()) {
            if drum.most >= SURE {
                played.insert(drum.name.clone());
            }
            let entry = loudest.entry(&drum.name).or_default();
            entry.extend(drum.loudest_db);
            rings.entry(&drum.name).or_default().extend(drum.rings);
        }
        let loud_db = loudest
            .into_iter()
            .filter_map(|(name, takes)| Some((name.to_owned(), loud_take_db(takes)?)))
            .collect();
        let rings = rings
            .into_iter()
            .filter_map(|(name, takes)| Some((name.to_owned(), Rings::middle(&takes)?)))
            .collect();
        Self {
            drums,
            rings,
            loud_db,
            played,
        }
    }

    /// Whether some take plays a drum beyond doubt.
    pub(crate) fn plays(&self, drum: &str) -> bool {
        self.played.contains(drum)
    }

    /// How a drum rings after its strokes.
    pub(crate) fn rings(&self, drum: &str) -> Option<Rings> {
        self.rings.get(drum).copied()
    }

    /// How loud the mic of a drum gets in the takes that it is compared with.
    pub(crate) fn loud_take_db(&self, drum: &str) -> Option<f64> {
        self.loud_db.get(drum).copied()
    }

    /// What is known of a drum, for a take with these tracks; `members` are those that take part in attribution.
    pub(crate) fn known(&self, drum: &str, tracks: &[TakeTrack], members: &[usize]) -> Known {
        let Some(known) = self.drums.get(drum) else {
            return Known::default();
        };
        let power = |db: f64| maths::pow(10.0, db / 10.0) as f32;
        let mut template = Vec::with_capacity(members.len() * BANDS);
        for &t in members {
            match known.template_db.get(&tracks[t].label) {
                Some(bands) => template.extend(bands.map(|b| power(f64::from(b)))),
                // a mic that no other take has: what is learned here counts
                None => {
                    return Known {
                        template: None,
                        level: Some(power(known.level_db)),
                    };
                }
            }
        }
        Known {
            template: Some(template),
            level: Some(power(known.level_db)),
        }
    }
}
