//! Changing names beneath an output folder. Where the system resolves paths beneath an open folder,
//! it does; elsewhere the path of the folder is put before them.

use std::io;
use std::path::Path;

use super::Outbox;

#[cfg(unix)]
impl Outbox {
    /// Makes one folder.
    pub(super) fn make_folder(&self, relative: &Path) -> io::Result<()> {
        self.dir.create_dir(relative)
    }

    /// Gives a file a name in `other`, where it replaces what has that name.
    pub(super) fn rename(&self, from: &Path, other: &Self, to: &Path) -> io::Result<()> {
        self.dir.rename(from, &other.dir, to)
    }

    /// Takes a file away.
    pub(super) fn unlink(&self, relative: &Path) -> io::Result<()> {
        self.dir.remove_file(relative)
    }
}

/// `cap_std` does these three by the path that the system gives for the open folder, of which it cuts
/// off four letters: what is left of `\\?\UNC\server\share` names no place, so it fails on network
/// shares.
#[cfg(not(unix))]
impl Outbox {
    pub(super) fn make_folder(&self, relative: &Path) -> io::Result<()> {
        std::fs::create_dir(self.root.join(relative))
    }

    pub(super) fn rename(&self, from: &Path, other: &Self, to: &Path) -> io::Result<()> {
        std::fs::rename(self.root.join(from), other.root.join(to))
    }

    pub(super) fn unlink(&self, relative: &Path) -> io::Result<()> {
        std::fs::remove_file(self.root.join(relative))
    }
}
