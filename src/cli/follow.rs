//! [`follow`]: hears of what happens in a folder, where the system tells it.

use std::any::Any;
use std::path::Path;
use std::sync::mpsc::Receiver;

/// What hears of it, until it is dropped, and where that is told.
pub type Followed = (Box<dyn Any>, Receiver<()>);

/// Hears of what happens in the folder `root`; `None` where nobody tells it. It is looked at anyway.
#[cfg(not(target_os = "macos"))]
pub fn follow(root: &Path) -> Option<Followed> {
    use notify::event::{AccessKind, AccessMode, EventKind};
    use notify::{RecursiveMode, Watcher as _};

    let (sender, events) = std::sync::mpsc::channel();
    let hear = move |event: notify::Result<notify::Event>| {
        let written = AccessKind::Close(AccessMode::Write);
        let tells = event.is_ok_and(|event| match event.kind {
            EventKind::Access(access) => access == written, // reading changes nothing
            _ => true,
        });
        if tells {
            let _ = sender.send(()); // nobody listens at the end
        }
    };
    let mut watcher = notify::recommended_watcher(hear).ok()?;
    watcher.watch(root, RecursiveMode::Recursive).ok()?;
    Some((Box::new(watcher), events))
}

/// Only a framework tells it there.
#[cfg(target_os = "macos")]
pub fn follow(_: &Path) -> Option<Followed> {
    None
}
