//! [`Stop`]: one flag that ends a run between two blocks.

use std::sync::atomic::{AtomicU8, Ordering};

use crate::error::{Error, Kind, Result};

/// Why a run has to end early. Set once, read by every worker between blocks.
#[derive(Debug, Default)]
pub struct Stop(AtomicU8);

const INTERRUPTED: u8 = 1;
const TERMINATED: u8 = 2;
const ENVIRONMENT: u8 = 3;

impl Stop {
    /// Ctrl-C.
    pub fn interrupt(&self) {
        self.set(INTERRUPTED);
    }

    /// A termination signal.
    pub fn terminate(&self) {
        self.set(TERMINATED);
    }

    /// The disk is full or the output folder is gone: no worker needs to try again.
    pub fn environment(&self) {
        self.set(ENVIRONMENT);
    }

    fn set(&self, reason: u8) {
        // The first reason stays.
        let _ = self
            .0
            .compare_exchange(0, reason, Ordering::Relaxed, Ordering::Relaxed);
    }

    /// Whether a reason has been set.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed) != 0
    }

    /// An error with the reason, once there is one.
    pub fn check(&self) -> Result<()> {
        let (kind, reason) = match self.0.load(Ordering::Relaxed) {
            0 => return Ok(()),
            INTERRUPTED => (Kind::Interrupted, "stopped by Ctrl-C"),
            TERMINATED => (Kind::Terminated, "stopped by a termination signal"),
            _ => (
                Kind::Environment,
                "stopped, since nothing more can be written",
            ),
        };
        Err(Error::new(kind, reason))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_reason_stays() {
        let stop = Stop::default();
        assert!(stop.check().is_ok());
        stop.terminate();
        stop.interrupt();
        assert_eq!(stop.check().unwrap_err().kind, Kind::Terminated);
    }
}
