//! Where a drum stands in the picture of the overheads, so that its close mic stands there too.

use super::SetUp;
use crate::analysis::{Lean, pool_leans};
use crate::reason::Reason;
use crate::session::{Family, Track};
use crate::units::round_to;
use crate::worksheet::Decided;

/// A drum that one side hears so much earlier (40 cm) stands at [`WIDEST`], nearer ones in proportion.
/// Common practice, no source.
const WIDEST_MS: f64 = 1.2;
const WIDEST: f64 = 70.0;
/// The share of its usual pan that a tom keeps whose side is not clear: on the wrong side it would be
/// worse than near the middle.
const NEAR: f64 = 0.4;

impl SetUp<'_> {
    /// The pan of a close mic, −100 (left) to 100 in the view of the overheads; `None` where it is that
    /// of the table: without overheads, and of what has its place by name.
    pub(super) fn pan(&self, track: &Track) -> Option<Decided<f64>> {
        let may_lean = matches!(track.mic.family, Family::Tom | Family::Hat | Family::Cymbal);
        if track.side.is_some() || !may_lean {
            return None;
        }
        let mut tracks = self.takes.iter().flat_map(|take| &take.evidence.tracks);
        let own = tracks.find(|evidence| evidence.label == track.label)?;
        let drum = own.drum.as_deref()?;
        let leans = self.takes.iter().flat_map(|take| &take.evidence.leans);
        let of_overheads: Vec<&Lean> = leans
            .filter(|lean| lean.pair[0].starts_with("overhead"))
            .collect();
        let pair = &of_overheads.first()?.pair;
        let of_pair = of_overheads
            .iter()
            .copied()
            .filter(|lean| lean.pair == *pair);
        let pooled = pool_leans(of_pair);
        let lean = pooled.iter().find(|lean| lean.drum == drum);
        match lean.filter(|lean| lean.side().is_some()) {
            Some(lean) => {
                let pan = (-lean.early_ms / WIDEST_MS * WIDEST).clamp(-WIDEST, WIDEST);
                let why = Reason::PanHeard {
                    early_ms: lean.early_ms,
                    louder_db: lean.level_db,
                    hits: lean.hits,
                };
                Some(Decided::new(round_to(pan, 0), why))
            }
            None if track.mic.family == Family::Tom => {
                let turned = if self.config.mix.left_handed {
                    -NEAR
                } else {
                    NEAR
                };
                let pan = round_to(track.mic.pan * turned, 0);
                Some(Decided::new(pan, Reason::PanUndecided))
            }
            None => None,
        }
    }
}
