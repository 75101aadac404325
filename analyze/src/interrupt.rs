//! Ctrl-C: the first asks a computation to stop at the next good place, the second ends the process on the spot.
//!
//! Ending on the spot loses work but no data: whatever is written is written under another name first.

use std::{
    io,
    sync::{Arc, atomic::AtomicBool},
};

use signal_hook::{
    consts::{SIGINT, SIGTERM},
    flag,
};

/// Exit code of a process that was interrupted, as shells have it for SIGINT.
pub const INTERRUPTED: u8 = 130;

/// A flag that is set when the process is asked to end.
///
/// # Errors
/// When the system does not let signals be caught.
pub fn stop_flag() -> io::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // Asked first: only once the flag is set does a signal end the process.
        flag::register_conditional_shutdown(signal, i32::from(INTERRUPTED), Arc::clone(&stop))?;
        flag::register(signal, Arc::clone(&stop))?;
    }
    Ok(stop)
}
