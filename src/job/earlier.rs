//! What a program that looks at a session again and again remembers of the looks before.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::cache::store::Key;
use crate::files::Stamp;

/// Files that need not be hashed again, and takes that need not be heard again.
#[derive(Default)]
pub struct Earlier(Mutex<Known>);

#[derive(Default)]
struct Known {
    /// What files were when their hash was taken.
    hashes: HashMap<PathBuf, (Stamp, String)>,
    /// Where the last hearing of a take is kept, by what was measured of it.
    heard: HashMap<Key, Key>,
    /// Whether a hearing counts that knew less of the other takes.
    in_haste: bool,
    /// Whether one was used.
    used: bool,
}

impl Earlier {
    fn lock(&self) -> MutexGuard<'_, Known> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a look. In haste, takes that were heard before the newest ones came are not heard again for
    /// what these show of the set-up.
    pub fn begin(&self, in_haste: bool) {
        let mut known = self.lock();
        (known.in_haste, known.used) = (in_haste, false);
    }

    /// Whether the look rests on such a hearing: one without haste may find more.
    pub fn is_rough(&self) -> bool {
        self.lock().used
    }

    /// The hash of a file that is as it was when its hash was taken.
    pub(super) fn hash(&self, path: &Path) -> Option<String> {
        // Elsewhere a stamp does not tell that a file was written to and its times were set back.
        if !cfg!(unix) {
            return None;
        }
        let (then, sha256) = self.lock().hashes.get(path)?.clone();
        (Stamp::of(path).ok()? == then).then_some(sha256)
    }

    /// Notes the hash of a file that had this stamp before and after it was taken.
    pub(super) fn note_hash(&self, path: &Path, stamp: &Stamp, sha256: &str) {
        let taken = (stamp.clone(), sha256.to_owned());
        self.lock().hashes.insert(path.to_owned(), taken);
    }

    /// Where the last hearing of this take is kept, if it counts.
    pub(super) fn last_heard(&self, take: &Key) -> Option<Key> {
        let mut known = self.lock();
        let last = known.heard.get(take).cloned();
        known.used |= known.in_haste && last.is_some();
        last.filter(|_| known.in_haste)
    }

    /// Notes where a take's newest hearing is kept.
    pub(super) fn note_heard(&self, take: Key, at: &Key) {
        self.lock().heard.insert(take, at.clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_older_hearing_counts_in_haste_alone() {
        let earlier = Earlier::default();
        let (take, old, new) = (Key::of("take", &1), Key::of("a", &1), Key::of("a", &2));
        earlier.begin(true);
        assert_eq!(earlier.last_heard(&take), None);
        assert!(!earlier.is_rough());
        earlier.note_heard(take.clone(), &old);
        assert_eq!(earlier.last_heard(&take), Some(old));
        assert!(earlier.is_rough());
        earlier.begin(false);
        assert_eq!(earlier.last_heard(&take), None);
        assert!(!earlier.is_rough());
        earlier.note_heard(take.clone(), &new);
        earlier.begin(true);
        assert_eq!(earlier.last_heard(&take), Some(new));
    }
}
