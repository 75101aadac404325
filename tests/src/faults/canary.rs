//! Whether the machine passes bytes through a pseudo-terminal in time.
//!
//! The kernel hands them over in a work item of its own, which starves for seconds while every processor is kept busy
//! by others (seen: 9.7 s beside two endless loops on two processors, when sleeps were never more than 11 ms late).
//! A serial line does not do that. So a cell that fails during such a stall says nothing of the recorder.

use std::{
    collections::VecDeque,
    fs::{File, OpenOptions},
    io::{self, Read},
    os::unix::fs::OpenOptionsExt,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    thread,
    time::{Duration, Instant},
};

use nix::fcntl::OFlag;

use super::{speaker::now_us, terminal::Terminal};

const EVERY: Duration = Duration::from_millis(10);

/// Sends a byte every 10 ms through a pseudo-terminal of its own.
#[derive(Debug)]
pub struct Canary {
    log: Arc<Mutex<Log>>,
    stop: Arc<AtomicBool>,
}

#[derive(Debug, Default)]
struct Log {
    /// When the bytes that have not arrived were sent, µs.
    under_way: VecDeque<i64>,
    /// Delays worth remembering: when sent and how long, µs.
    late: Vec<(i64, i64)>,
}

impl Canary {
    /// A delay from which on a verdict is in doubt, µs: half of the matrix's tolerance.
    pub const STALL_US: i64 = super::stated::TOLERANCE_US / 2;

    /// Starts it.
    ///
    /// # Errors
    /// When the system gives no pseudo-terminal.
    pub fn start() -> io::Result<Self> {
        let mut terminal = Terminal::open()?;
        let flags = OFlag::O_NOCTTY.bits();
        let line = OpenOptions::new().read(true).write(true).custom_flags(flags).open(terminal.device())?;
        let (log, stop) = (Arc::new(Mutex::new(Log::default())), Arc::new(AtomicBool::new(false)));
        let (noted, stopped) = (Arc::clone(&log), Arc::clone(&stop));
        thread::spawn(move || {
            let mut due_us = now_us();
            while !stopped.load(Relaxed) {
                // A late thread counts like a late byte.
                locked(&noted).under_way.push_back(due_us);
                if terminal.write(b".", &stopped).is_err() {
                    return;
                }
                thread::sleep(EVERY);
                due_us = (due_us + EVERY.as_micros() as i64).max(now_us() - Self::STALL_US);
            }
        });
        let noted = Arc::clone(&log);
        thread::spawn(move || arrivals(line, &noted));
        Ok(Self { log, stop })
    }

    /// The longest delay of what was under way since a moment, µs.
    pub fn worst_since_us(&self, since_us: i64) -> i64 {
        let log = locked(&self.log);
        let arrived = log.late.iter().filter(|(sent, delay)| sent + delay >= since_us).map(|(_, delay)| *delay);
        let waiting = log.under_way.front().map(|sent| now_us() - sent);
        arrived.chain(waiting).max().unwrap_or_default()
    }

    /// Waits until the machine has passed every byte in time for a second; gives up after so long.
    pub fn wait_calm(&self, patience: Duration) {
        let until = Instant::now() + patience;
        while Instant::now() < until {
            let since_us = now_us();
            thread::sleep(Duration::from_secs(1));
            if self.worst_since_us(since_us) < Self::STALL_US {
                return;
            }
        }
    }
}

impl Drop for Canary {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
    }
}

fn locked(log: &Mutex<Log>) -> MutexGuard<'_, Log> {
    // Whoever panicked left plain values.
    log.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Notes what arrives until the other end is gone.
fn arrivals(mut line: File, log: &Mutex<Log>) {
    let mut buffer = [0; 4096];
    while let Ok(count) = line.read(&mut buffer)
        && count > 0
    {
        let now_us = now_us();
        let mut log = locked(log);
        for _ in 0..count {
            let Some(sent_us) = log.under_way.pop_front() else { break };
            if now_us - sent_us >= Canary::STALL_US {
                log.late.push((sent_us, now_us - sent_us));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_byte_that_is_late_is_remembered() {
        let canary = Canary::start().expect("a pseudo-terminal");
        thread::sleep(Duration::from_millis(100));
        let began_us = now_us();
        locked(&canary.log).late.push((began_us - 10, 3_000_000));
        assert!(canary.worst_since_us(began_us) >= 3_000_000);
        assert!(canary.worst_since_us(began_us + 4_000_000) < 3_000_000);
    }
}
