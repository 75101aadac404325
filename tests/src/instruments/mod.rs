//! Instruments that a recorder is connected to, each played by a thread on a pseudo-terminal or behind a TCP port.
//!
//! ```text
//! recorder ── /dev/pts/N or tcp://… ── wire ── Playing ── Instrument: hears bytes, answers, speaks by itself
//! ```

pub mod adapter;
pub mod units;
mod wire;

use std::{
    fmt,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use crate::faults::terminal::Terminal;
use wire::{Server, Wire};

/// How long anything is waited for on a machine that is busy with other tests.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Waits until something holds.
///
/// # Panics
/// When it does not after [`PATIENCE`], with what `seen` has to say of it.
pub fn wait_until(what: &str, mut holds: impl FnMut() -> bool, seen: impl FnOnce() -> String) {
    let until = Instant::now() + PATIENCE;
    while !holds() {
        assert!(Instant::now() < until, "waited in vain for {what}: {}", seen());
        thread::sleep(Duration::from_millis(20));
    }
}

/// What an instrument does, without any I/O.
pub trait Instrument: fmt::Debug + Send + 'static {
    /// Takes bytes that were said to it, however they are split; gives its answer.
    fn hear(&mut self, bytes: &[u8]) -> Vec<u8>;

    /// What it says by itself now.
    fn speak(&mut self) -> Vec<u8> {
        Vec::new()
    }
}

/// An instrument at work. It is unplugged when this is dropped.
#[derive(Debug)]
pub struct Playing<I> {
    shared: Arc<Shared<I>>,
    thread: Option<JoinHandle<()>>,
    device: String,
}

#[derive(Debug)]
struct Shared<I> {
    instrument: Mutex<I>,
    passed: Mutex<Passed>,
    away: AtomicBool,
    is_gone: AtomicBool,
    stop: AtomicBool,
}

/// Every byte that passed a line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Passed {
    /// From the recorder to the instrument.
    pub heard: Vec<u8>,
    /// From the instrument to the recorder.
    pub said: Vec<u8>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Whoever panicked left plain values.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl<I: Instrument> Playing<I> {
    /// Plugs it into a pseudo-terminal.
    ///
    /// # Panics
    /// When the system gives none.
    pub fn on_terminal(instrument: I) -> Self {
        let terminal = Terminal::open().expect("a pseudo-terminal");
        let device = terminal.device().to_string_lossy().into_owned();
        Self::start(instrument, Wire::Terminal(terminal), device)
    }

    /// Connects it to a device server on this computer.
    ///
    /// # Panics
    /// When no port is free.
    pub fn behind_tcp(instrument: I) -> Self {
        let server = Server::open().expect("a free port");
        let device = format!("tcp://{}", server.address());
        Self::start(instrument, Wire::Server(server), device)
    }

    fn start(instrument: I, wire: Wire, device: String) -> Self {
        let shared = Arc::new(Shared {
            instrument: Mutex::new(instrument),
            passed: Mutex::default(),
            away: AtomicBool::new(false),
            is_gone: AtomicBool::new(false),
            stop: AtomicBool::new(false),
        });
        let played = Arc::clone(&shared);
        Self { shared, thread: Some(thread::spawn(move || play(&played, wire))), device }
    }

    /// What the recorder opens.
    pub fn device(&self) -> &str {
        &self.device
    }

    /// Looks at the instrument, or changes something about it.
    pub fn with<T>(&self, what: impl FnOnce(&mut I) -> T) -> T {
        what(&mut locked(&self.shared.instrument))
    }

    /// What has passed so far.
    pub fn passed(&self) -> Passed {
        locked(&self.shared.passed).clone()
    }

    /// Closes a TCP connection and takes no other until [`Playing::return_back`]; what was said before arrives. A
    /// terminal stays.
    pub fn hang_up(&self) {
        self.shared.away.store(true, Relaxed);
        wait_until("the end of the connection", || self.shared.is_gone.load(Relaxed), || self.device.clone());
    }

    /// Takes connections again.
    pub fn return_back(&self) {
        self.shared.away.store(false, Relaxed);
        wait_until("the server's return", || !self.shared.is_gone.load(Relaxed), || self.device.clone());
    }
}

impl<I> Drop for Playing<I> {
    fn drop(&mut self) {
        self.shared.stop.store(true, Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed already, and the test has missed what should have come.
            let _ = thread.join();
        }
    }
}

fn play<I: Instrument>(shared: &Shared<I>, mut wire: Wire) {
    while !shared.stop.load(Relaxed) {
        if shared.away.load(Relaxed) {
            wire.hang_up();
            shared.is_gone.store(true, Relaxed);
            thread::sleep(Duration::from_millis(2));
            continue;
        }
        wire.listen().expect("the same port again");
        shared.is_gone.store(false, Relaxed);
        let heard = wire.heard().expect("the line can be read");
        // Noted before it is out, and before anybody else looks at the instrument: whoever sees it in a recording finds
        // it here, and what was said until a change is known.
        let mut instrument = locked(&shared.instrument);
        let mut said = if heard.is_empty() { Vec::new() } else { instrument.hear(&heard) };
        if wire.is_connected() {
            said.extend(instrument.speak());
        }
        let mut passed = locked(&shared.passed);
        passed.heard.extend(heard);
        passed.said.extend(&said);
        drop((passed, instrument));
        wire.say(&said, &shared.stop).expect("the line takes bytes");
    }
}
