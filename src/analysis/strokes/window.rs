//! Where a take is played: count-in, taps before it and talk after it do not count.

use crate::analysis::attribution::attribute::Attribution;
use crate::analysis::attribution::take::Kit;
use crate::session::Family;

/// A pause this long may divide the take from taps before or after it.
const PAUSE_MS: i64 = 4000;
/// A stretch with fewer hits than this, or than this share of the longest, is not the take.
const FEW_HITS: usize = 8;
const FEW_SHARE: f64 = 0.1;
/// A hat alone before the first drum is a count-in if it is no longer than this.
const COUNT_IN_HITS: usize = 8;
const COUNT_IN_MS: i64 = 5000;
/// Room before the first and after the last hit.
const BEFORE_MS: i64 = 50;
const AFTER_MS: i64 = 2000;

/// First and last millisecond of the take that count.
pub(crate) fn window(kit: &Kit, attribution: &Attribution) -> Option<(i64, i64)> {
    let mut hits: Vec<(i64, bool)> = Vec::new();
    for (m, moment) in kit.moments.iter().enumerate() {
        let struck = |counts: &dyn Fn(Family) -> bool| {
            kit.drums
                .iter()
                .zip(&attribution.probability)
                .any(|((_, drum), p)| counts(drum.family) && p[m] >= 0.5)
        };
        if kit.drums.is_empty() || struck(&|_| true) {
            let drum = kit.drums.is_empty() || struck(&|f| f != Family::Hat);
            hits.push((moment.first_ms, drum));
        }
    }
    let mut stretches: Vec<&[(i64, bool)]> = hits.chunk_by(|a, b| b.0 - a.0 <= PAUSE_MS).collect();
    let longest = stretches.iter().map(|s| s.len()).max()?;
    if longest >= FEW_HITS {
        stretches.retain(|s| {
            s.len() >= FEW_HITS.min(longest) && s.len() as f64 >= FEW_SHARE * longest as f64
        });
    }
    let first = stretches.first()?;
    let last = stretches.last()?.last()?.0;
    let drum = first.iter().position(|h| h.1).unwrap_or(0);
    let counted_in = drum <= COUNT_IN_HITS && first[drum].0 - first[0].0 <= COUNT_IN_MS;
    let start = if counted_in {
        first[drum].0
    } else {
        first[0].0
    };
    Some((start - BEFORE_MS, last + AFTER_MS))
}
