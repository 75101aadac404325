//! An adapter that speaks numbered frames at a set rate, can be plugged out and in, and knows what it sent when.

use std::{
    io,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicI64, AtomicU32, Ordering::Relaxed},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use tallywheel_schemas::Timestamp;

use super::{frames, terminal::Terminal};

/// Frames of eight bytes that a bus of 1 Mbit/s carries in a second when it is full.
pub const FULL_BUS: u32 = 9_009;

/// One frame that went out whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sent {
    /// Its number.
    pub number: u32,
    /// When it was out, µs of UTC by [`now_us`].
    pub at_us: i64,
}

/// The harness's own clock, carried on by the monotonic clock from one look at the system's, as recorders do it.
pub fn now_us() -> i64 {
    static ANCHOR: std::sync::OnceLock<(Instant, i64)> = std::sync::OnceLock::new();
    let (began, anchor_us) = ANCHOR.get_or_init(|| (Instant::now(), Timestamp::now().as_us()));
    anchor_us + began.elapsed().as_micros() as i64
}

#[derive(Debug, Default)]
struct Control {
    stop: AtomicBool,
    rate: AtomicU32,
    /// Where the device's own milliseconds stand against [`now_us`], ms; negative infinity stands for none.
    device_ms: Mutex<Option<i64>>,
    plugged: Mutex<Option<Terminal>>,
    failed: AtomicI64,
}

/// A speaking adapter.
#[derive(Debug)]
pub struct Speaker {
    control: Arc<Control>,
    thread: JoinHandle<Vec<Sent>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Whoever panicked left plain values.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Speaker {
    /// An adapter on a terminal that speaks so many frames a second from now on.
    pub fn start(terminal: Terminal, rate: u32) -> Self {
        let control = Arc::new(Control::default());
        control.rate.store(rate, Relaxed);
        *locked(&control.plugged) = Some(terminal);
        let shared = Arc::clone(&control);
        Self { control, thread: thread::spawn(move || speak(&shared)) }
    }

    /// Speaks at another rate; 0 is silence.
    pub fn rate(&self, per_second: u32) {
        self.control.rate.store(per_second, Relaxed);
        // Whatever is being written is out when the terminal is free.
        drop(locked(&self.control.plugged));
    }

    /// Stamps frames with the device's own milliseconds, which stand at `ms` now.
    pub fn device_clock(&self, ms: i64) {
        *locked(&self.control.device_ms) = Some(ms - now_us() / 1000);
    }

    /// Puts bytes between two frames; gives when they were out.
    ///
    /// # Errors
    /// When the terminal cannot be written to or nothing is plugged in.
    pub fn inject(&self, bytes: &[u8]) -> io::Result<i64> {
        let mut plugged = locked(&self.control.plugged);
        let terminal = plugged.as_mut().ok_or(io::Error::new(io::ErrorKind::NotConnected, "nothing is plugged in"))?;
        terminal.write(bytes, &self.control.stop)?;
        Ok(now_us())
    }

    /// Takes the device away; gives when it was gone.
    pub fn unplug(&self) -> i64 {
        let terminal = locked(&self.control.plugged).take();
        let at_us = now_us();
        drop(terminal);
        at_us
    }

    /// Plugs in a terminal on which a recorder has opened the adapter already.
    pub fn plug(&self, terminal: Terminal) {
        *locked(&self.control.plugged) = Some(terminal);
    }

    /// Ends; gives what was sent, in order. The device is gone then.
    ///
    /// # Errors
    /// When the terminal could not be written to.
    pub fn finish(self) -> io::Result<Vec<Sent>> {
        self.control.stop.store(true, Relaxed);
        let sent = self.thread.join().map_err(|_| io::Error::other("the speaker's thread panicked"))?;
        match self.control.failed.load(Relaxed) {
            0 => Ok(sent),
            code => Err(io::Error::from_raw_os_error(code as i32)),
        }
    }
}

fn speak(control: &Control) -> Vec<Sent> {
    const TICK: Duration = Duration::from_millis(1);
    let (mut sent, mut number, mut owed) = (Vec::new(), 0_u32, 0.0);
    let mut last = Instant::now();
    while !control.stop.load(Relaxed) {
        thread::sleep(TICK);
        let passed = last.elapsed();
        last += passed;
        let mut plugged = locked(&control.plugged);
        let rate = control.rate.load(Relaxed);
        let Some(terminal) = plugged.as_mut().filter(|_| rate > 0) else {
            owed = 0.0;
            continue;
        };
        owed += f64::from(rate) * passed.as_secs_f64();
        let count = owed as u32;
        owed -= f64::from(count);
        if let Err(error) = burst(control, terminal, &mut number, count, &mut sent) {
            control.failed.store(error.raw_os_error().unwrap_or(nix::libc::EIO).into(), Relaxed);
            break;
        }
    }
    sent
}

/// Frames that are due; those that go out whole are noted.
fn burst(
    control: &Control,
    terminal: &mut Terminal,
    number: &mut u32,
    count: u32,
    sent: &mut Vec<Sent>,
) -> io::Result<()> {
    // Small enough for the time at which each was out to be known.
    const AT_ONCE: u32 = 64;
    let device_ms = *locked(&control.device_ms);
    let mut left = count;
    while left > 0 {
        let now = left.min(AT_ONCE);
        left -= now;
        let stamp = device_ms.map(|ms| ((ms + now_us() / 1000).rem_euclid(60_000)) as u16);
        let text: String = (*number..*number + now).map(|n| frames::line(n, stamp)).collect();
        let written = terminal.write(text.as_bytes(), &control.stop)?;
        let whole = (written / (text.len() / now as usize)) as u32;
        let at_us = now_us();
        sent.extend((*number..*number + whole).map(|number| Sent { number, at_us }));
        *number += whole;
        if whole < now {
            break;
        }
    }
    Ok(())
}
