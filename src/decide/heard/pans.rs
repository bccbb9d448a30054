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
/// How far apart two toms stand of which only one is heard. Common practice, no source.
const APART: f64 = 10.0;

impl SetUp<'_> {
    /// The pan of a close mic, −100 (left) to 100 in the view of the overheads; `None` where it is that
    /// of the table: without overheads, and of what has its place by name.
    pub(super) fn pan(&self, track: &Track) -> Option<Decided<f64>> {
        let may_lean = matches!(track.mic.family, Family::Tom | Family::Hat | Family::Cymbal);
        if track.side.is_some() || !may_lean {
            return None;
        }
        self.leans_of_overheads().next()?;
        if let Some((pan, why)) = self.pan_heard(&track.label) {
            return Some(Decided::new(pan, why));
        }
        (track.mic.family == Family::Tom).then(|| self.pan_by_number(track))
    }

    /// Where the overheads hear the drum of a close mic, if they tell its side.
    fn pan_heard(&self, label: &str) -> Option<(f64, Reason)> {
        let mut tracks = self.takes.iter().flat_map(|take| &take.evidence.tracks);
        let own = tracks.find(|evidence| evidence.label == label)?;
        let drum = own.drum.as_deref()?;
        let pair = &self.leans_of_overheads().next()?.pair;
        let of_pair = self.leans_of_overheads().filter(|lean| lean.pair == *pair);
        let pooled = pool_leans(of_pair);
        let lean = pooled.iter().find(|lean| lean.drum == drum);
        let lean = lean.filter(|lean| lean.side().is_some())?;
        let pan = (-lean.early_ms / WIDEST_MS * WIDEST).clamp(-WIDEST, WIDEST);
        let why = Reason::PanHeard {
            early_ms: lean.early_ms,
            louder_db: lean.level_db,
            hits: lean.hits,
        };
        Some((round_to(pan, 0), why))
    }

    fn leans_of_overheads(&self) -> impl Iterator<Item = &Lean> + Clone {
        let leans = self.takes.iter().flat_map(|take| &take.evidence.leans);
        leans.filter(|lean| lean.pair[0].starts_with("overhead"))
    }

    /// Near the middle on the side of its number, but in the order of the numbers with the toms that are
    /// heard.
    fn pan_by_number(&self, track: &Track) -> Decided<f64> {
        let heard = self.toms_heard();
        let turned = self.turned(&heard);
        let near = track.mic.pan * NEAR;
        let along = |tom: &TomHeard| tom.pan * turned;
        let by_pan = |a: &&TomHeard, b: &&TomHeard| along(a).total_cmp(&along(b));
        let (lower, higher) = (
            heard.iter().rev().filter(|tom| tom.usual < track.mic.pan),
            heard.iter().filter(|tom| tom.usual > track.mic.pan),
        );
        let (left, right) = (lower.max_by(by_pan), higher.min_by(by_pan));
        let bounds = [left, right].map(|tom| tom.map(along));
        let middle = match bounds {
            [Some(left), Some(right)] => 0.5 * (left + right),
            [Some(_), None] => WIDEST,
            _ => -WIDEST,
        };
        let (pan, beside) = match bounds {
            [Some(left), Some(right)] if left > right => (near, None),
            [Some(bound), _] if bound >= near => ((bound + APART).min(middle), left),
            [_, Some(bound)] if bound <= near => ((bound - APART).max(middle), right),
            _ => (near, None),
        };
        let why = match beside {
            Some(tom) => Reason::PanBeside {
                tom: tom.label.clone(),
            },
            None => Reason::PanUndecided,
        };
        Decided::new(round_to(pan * turned, 0), why)
    }

    /// The set-up's toms whose side the overheads tell.
    fn toms_heard(&self) -> Vec<TomHeard> {
        let tracks = self.takes.iter().flat_map(|take| &take.tracks);
        let mut heard: Vec<TomHeard> = Vec::new();
        for track in tracks.map(|listening| listening.track) {
            let is_new = heard.iter().all(|tom| tom.label != track.label);
            if track.mic.family == Family::Tom && track.side.is_none() && is_new {
                heard.extend(self.pan_heard(&track.label).map(|(pan, _)| TomHeard {
                    label: track.label.clone(),
                    usual: track.mic.pan,
                    pan,
                }));
            }
        }
        heard
    }

    /// 1 where toms go from left to right by their numbers, −1 the other way round: as most pairs of heard
    /// ones do, else as the session file says.
    fn turned(&self, heard: &[TomHeard]) -> f64 {
        let pairs = heard.iter().flat_map(|a| heard.iter().map(move |b| (a, b)));
        let along: f64 = pairs
            .filter(|(a, b)| a.usual < b.usual)
            .map(|(a, b)| (b.pan - a.pan).signum())
            .sum();
        match along {
            0.0 if self.config.mix.left_handed => -1.0,
            0.0 => 1.0,
            along => along.signum(),
        }
    }
}

/// A tom whose side the overheads tell.
struct TomHeard {
    label: String,
    /// Its pan by number, in a right-handed kit.
    usual: f64,
    /// As heard.
    pan: f64,
}
