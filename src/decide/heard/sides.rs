//! A pair whose sides are exchanged: it hears the drums the other way round than it does in the other
//! takes, or than the other pairs do.

use super::SetUp;
use crate::analysis::{Lean, opposed, pool_leans};
use crate::finding::{Finding, FindingKind, Severity};
use crate::session::{Family, Side, Track};

/// How a pair looks beside others.
#[derive(Default)]
struct Count {
    opposed: usize,
    confidence: f64,
    first: String,
}

impl SetUp<'_> {
    pub(super) fn sides(&self, t: usize, track: &Track) -> Option<Finding> {
        if !matches!(track.mic.family, Family::Overhead | Family::Room) {
            return None;
        }
        let left = match track.side {
            None => format!("{}-l", track.label),
            Some(Side::L) => track.label.clone(),
            _ => return None,
        };
        let leans = |take: usize, left: &str| -> Vec<&Lean> {
            let all = self.takes[take].evidence.leans.iter();
            all.filter(|l| l.pair[0] == left).collect()
        };
        let here = leans(t, &left);
        let against = |other: &[&Lean]| opposed(here.iter().copied(), other.iter().copied());
        // against the same pair in the other takes
        let (mut takes, mut same) = (Count::default(), 0);
        for other in (0..self.takes.len()).filter(|&other| other != t) {
            let there = leans(other, &left);
            match against(&there) {
                Some(confidence) => takes.add(confidence, self.takes[other].slug),
                None => same += usize::from(!there.is_empty()),
            }
        }
        let earlier = takes.opposed == 1 && self.takes[..t].iter().any(|o| o.slug == takes.first);
        if takes.opposed > same && (takes.opposed > 1 || earlier) {
            return Some(takes.swapped(true));
        }
        // against the other pairs, over all takes: they stand before the same kit
        let all = pool_leans(self.takes.iter().flat_map(|t| &t.evidence.leans));
        let of = |left: &str| all.iter().filter(|l| l.pair[0] == left).collect::<Vec<_>>();
        let here = of(&left);
        let mut pairs: Vec<&str> = Vec::new();
        for lean in &all {
            if lean.pair[0] != left && !pairs.contains(&lean.pair[0].as_str()) {
                pairs.push(&lean.pair[0]);
            }
        }
        let (mut others, mut alike) = (Count::default(), 0);
        for pair in pairs {
            let there = of(pair);
            match opposed(here.iter().copied(), there.iter().copied()) {
                Some(confidence) => {
                    others.add(confidence, pair.strip_suffix("-l").unwrap_or(pair));
                }
                None => alike += usize::from(!there.is_empty()),
            }
        }
        let room = track.mic.family == Family::Room;
        (others.opposed > alike && (room || others.opposed > 1)).then(|| others.swapped(false))
    }
}

impl Count {
    fn add(&mut self, confidence: f64, name: &str) {
        self.opposed += 1;
        self.confidence = self.confidence.max(confidence);
        if self.first.is_empty() {
            name.clone_into(&mut self.first);
        }
    }

    fn swapped(self, in_a_take: bool) -> Finding {
        let kind = FindingKind::SidesSwapped {
            than: self.first,
            in_a_take,
        };
        Finding::new(kind, Severity::Warning, self.confidence)
    }
}
