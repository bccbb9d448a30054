//! Counting what was found, missed and invented.

/// Hits found, invented and missed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Score {
    /// Found.
    pub right: usize,
    /// Invented.
    pub wrong: usize,
    /// Not found.
    pub missed: usize,
}

impl Score {
    /// Share of what was found that is real.
    pub fn precision(&self) -> f64 {
        self.right as f64 / (self.right + self.wrong).max(1) as f64
    }

    /// Share of what is real that was found.
    pub fn recall(&self) -> f64 {
        self.right as f64 / (self.right + self.missed).max(1) as f64
    }

    /// Harmonic mean of both.
    pub fn f1(&self) -> f64 {
        let (p, r) = (self.precision(), self.recall());
        2.0 * p * r / (p + r).max(1e-9)
    }

    /// Adds another count.
    pub fn add(&mut self, other: Score) {
        self.right += other.right;
        self.wrong += other.wrong;
        self.missed += other.missed;
    }
}

/// Pairs what was found with what is true, nearest first, one to one, within `tolerance`.
pub fn score(found: &[f64], truth: &[f64], tolerance: f64) -> Score {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, f) in found.iter().enumerate() {
        for (j, t) in truth.iter().enumerate() {
            if (f - t).abs() <= tolerance {
                pairs.push(((f - t).abs(), i, j));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut used, mut hit) = (vec![false; found.len()], vec![false; truth.len()]);
    let mut right = 0;
    for (_, i, j) in pairs {
        if !used[i] && !hit[j] {
            used[i] = true;
            hit[j] = true;
            right += 1;
        }
    }
    Score {
        right,
        wrong: found.len() - right,
        missed: truth.len() - right,
    }
}
