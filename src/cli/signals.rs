//! Ctrl-C and termination signals: the run ends between two blocks, a second Ctrl-C at once.

use std::sync::Arc;

use crate::engine::Stop;

/// Sets `stop` when the process is asked to end. Where handlers cannot be installed, a signal ends
/// the process as usual: outputs are still whole or absent.
pub fn watch(stop: &Arc<Stop>) {
    #[cfg(unix)]
    unix(stop);
    #[cfg(not(unix))]
    let _ = stop;
}

#[cfg(unix)]
fn unix(stop: &Arc<Stop>) {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGXFSZ};

    // A file-size limit is an error of the file that meets it, not the end of the process.
    let _ = signal_hook::flag::register(SIGXFSZ, Arc::default());
    let Ok(mut signals) = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP]) else {
        return;
    };
    let stop = Arc::clone(stop);
    // Ends with the process.
    let _ = std::thread::Builder::new()
        .name("signals".to_owned())
        .spawn(move || {
            for signal in signals.forever() {
                let again = stop.is_set();
                match signal {
                    SIGINT => stop.interrupt(),
                    _ => stop.terminate(),
                }
                if again {
                    std::process::exit(128 + signal);
                }
            }
        });
}
