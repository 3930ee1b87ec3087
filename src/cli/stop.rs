//! Ctrl-C, and a terminal that is closed: the first request to stop is followed in good order, a second one at once.

use super::exit::Ending;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::flag;
use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Sets the flag that is given back when the process is asked to stop: by SIGINT or SIGTERM, or by SIGHUP unless that was ignored
/// when the process began (as under nohup). A second SIGINT or SIGTERM ends the process at once: nothing more is made durable, and
/// what was made durable stays. A read that hangs in the kernel can delay even that.
///
/// # Errors
/// What the system says.
pub fn stop_flag() -> io::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    // Apart from `stop`: a session that is closed sends SIGHUP and SIGTERM, each once, and both mean the same.
    let asked = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // In this order, so that the first signal finds the flag unset.
        flag::register_conditional_shutdown(signal, i32::from(Ending::Interrupted as u8), Arc::clone(&asked))?;
        flag::register(signal, Arc::clone(&asked))?;
        flag::register(signal, Arc::clone(&stop))?;
    }
    if !is_ignored(SIGHUP, &std::fs::read_to_string("/proc/self/status").unwrap_or_default()) {
        flag::register(SIGHUP, Arc::clone(&stop))?;
    }
    Ok(stop)
}

/// Whether a process with this `/proc/PID/status` ignores a signal: `SigIgn` is a hexadecimal mask, signal 1 its lowest bit
/// (proc_pid_status(5)).
fn is_ignored(signal: i32, status: &str) -> bool {
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    u32::try_from(signal - 1).is_ok_and(|bit| mask.checked_shr(bit).unwrap_or(0) & 1 == 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of proc_pid_status(5), from memory, with another mask.
    #[test]
    fn the_mask_of_ignored_signals() {
        let status = "Name:\tbash\nSigBlk:\t0000000000010000\nSigIgn:\t0000000000001001\nSigCgt:\t000000004b817efb\n";
        assert!(is_ignored(SIGHUP, status));
        assert!(!is_ignored(SIGINT, status) && !is_ignored(SIGTERM, status));
        assert!(!is_ignored(SIGHUP, "") && !is_ignored(SIGHUP, "SigIgn:\tffff nonsense\n"));
    }
}
