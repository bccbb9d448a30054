//! Ctrl-C and termination signals: the run ends between two blocks, a second Ctrl-C at once.

use std::sync::Arc;

use crate::job::Stop;

/// Sets `stop` when the process is asked to end. Where handlers cannot be installed, a signal ends
/// the process as usual: outputs are still whole or absent.
pub fn watch(stop: &Arc<Stop>) {
    #[cfg(unix)]
    unix(stop);
    #[cfg(windows)]
    windows(stop);
    #[cfg(not(any(unix, windows)))]
    let _ = stop;
}

/// From the first moment on: a file-size limit is an error of the file that meets it, and memory that
/// runs out (which ends in an abort) has a status of the contract.
pub fn prepare() {
    #[cfg(unix)]
    {
        use signal_hook::consts::{SIGABRT, SIGXFSZ};
        use signal_hook::flag::{register, register_conditional_shutdown};
        use std::sync::atomic::AtomicBool;

        let environment = i32::from(crate::error::Kind::Environment.exit_status());
        let always = Arc::new(AtomicBool::new(true));
        let _ = register(SIGXFSZ, Arc::default());
        let _ = register_conditional_shutdown(SIGABRT, environment, always);
    }
}

#[cfg(unix)]
fn unix(stop: &Arc<Stop>) {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

    let wanted = [SIGINT, SIGTERM, SIGHUP].into_iter();
    let Ok(mut signals) = signal_hook::iterator::Signals::new(wanted.filter(|s| !ignored(*s)))
    else {
        return;
    };
    let stop = Arc::clone(stop);
    // Ends with the process.
    let _ = std::thread::Builder::new()
        .name("signals".to_owned())
        .spawn(move || {
            for signal in signals.forever() {
                match signal {
                    SIGINT => heard(&stop, Stop::interrupt),
                    _ => heard(&stop, Stop::terminate),
                }
            }
        });
}

/// Ctrl-C. Ctrl-Break and the end of the console window come the same way; after the latter Windows
/// does not wait for the run.
#[cfg(windows)]
fn windows(stop: &Arc<Stop>) {
    let stop = Arc::clone(stop);
    // Heard in a thread that ends with the process.
    let _ = ctrlc::set_handler(move || heard(&stop, Stop::interrupt));
}

/// Ends the run, or the process at once where the run has been ending already.
#[cfg(any(unix, windows))]
fn heard(stop: &Stop, end: fn(&Stop)) {
    let again = stop.is_set();
    end(stop);
    if let (true, Err(error)) = (again, stop.check()) {
        std::process::exit(i32::from(error.kind.exit_status()));
    }
}

/// Whether who started the program wants this signal ignored, as `nohup` does. Where the system does
/// not say, no.
#[cfg(unix)]
fn ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|digits| u64::from_str_radix(digits.trim(), 16).ok());
    mask.is_some_and(|mask| mask & (1 << (signal - 1)) != 0)
}
