//! [`History`]: new samples behind the last few of those before.

/// A buffer in which each chunk of a stream stands behind the end of the one before, for everything
/// that looks back. It grows to the longest chunk and is not touched otherwise.
#[derive(Clone, Debug, Default)]
pub(crate) struct History {
    samples: Vec<f64>,
    kept: usize,
}

impl History {
    /// Looks back over `kept` samples, before the first one all `value`.
    pub(crate) fn new(kept: usize, value: f64) -> Self {
        Self {
            samples: vec![value; kept],
            kept,
        }
    }

    /// The place of the next `count` samples, for the caller to fill.
    pub(crate) fn next(&mut self, count: usize) -> &mut [f64] {
        let all = self.kept + count;
        if self.samples.len() < all {
            self.samples.resize(all, 0.0);
        }
        &mut self.samples[self.kept..all]
    }

    /// The kept samples and the `count` new ones.
    pub(crate) fn all(&self, count: usize) -> &[f64] {
        &self.samples[..self.kept + count]
    }

    /// The `count` new ones are done with: keeps the last samples.
    pub(crate) fn advance(&mut self, count: usize) {
        self.samples.copy_within(count..count + self.kept, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_looks_back_over_chunks_of_any_size() {
        let mut history = History::new(3, -1.0);
        let mut seen = vec![-1.0; 3];
        let mut next = 0.0;
        for count in [2, 0, 5, 1, 1, 9, 4] {
            for sample in history.next(count) {
                *sample = next;
                seen.push(next);
                next += 1.0;
            }
            assert_eq!(history.all(count), &seen[seen.len() - 3 - count..]);
            history.advance(count);
        }
    }
}
