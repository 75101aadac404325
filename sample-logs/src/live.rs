//! Instruments on real pseudo-terminals, at real pace.
//!
//! Each port is played by a thread. An adapter waits to be opened (`L` or `O`), answers every command with CR as
//! a real one does, and stops when it is closed; the receiver and the fuel box talk as soon as somebody listens.

use std::{
    fs::{File, OpenOptions},
    io::{self, Read, Write},
    os::fd::{AsFd, OwnedFd},
    path::{Path, PathBuf},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::Sender,
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use nix::{
    fcntl::OFlag,
    poll::{PollFd, PollFlags, PollTimeout, poll},
    pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt},
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
};
use tallywheel_schemas::Timestamp;

use crate::bench::{Port, Sent};

/// How long a listener may take to set up its line before a free-running instrument is heard.
const SETTLE: Duration = Duration::from_millis(300);
/// How often a waiting thread looks up.
const LOOK: Duration = Duration::from_millis(20);

/// What one port played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Played {
    /// The port.
    pub port: Port,
    /// Frames or lines written whole to the terminal.
    pub count: u64,
    /// Frames or lines that it should have written.
    pub planned: u64,
}

/// An instrument that waits at its terminal.
#[derive(Debug)]
pub struct Instrument {
    /// The port it plays.
    pub port: Port,
    /// Device that a recorder opens.
    pub device: PathBuf,
    thread: JoinHandle<io::Result<()>>,
}

impl Instrument {
    /// Opens a pseudo-terminal and waits in a thread. Once it is listened to, `script` is asked for what to play
    /// from that moment on; when all of it is out, `done` is told. The thread keeps the terminal open until the
    /// listener is gone or `stop` is set.
    ///
    /// # Errors
    /// When the system gives no pseudo-terminal.
    pub fn start(
        port: Port,
        script: impl FnOnce(Timestamp) -> Sent + Send + 'static,
        done: Sender<Played>,
        stop: Arc<AtomicBool>,
    ) -> io::Result<Self> {
        let (terminal, device) = Terminal::open()?;
        let thread = thread::spawn(move || play(terminal, port, script, &done, &stop));
        Ok(Self { port, device, thread })
    }

    /// Waits for the thread.
    ///
    /// # Errors
    /// When writing to the terminal failed.
    pub fn join(self) -> io::Result<()> {
        self.thread.join().unwrap_or_else(|_| Err(io::Error::other("the instrument's thread panicked")))
    }
}

fn play(
    mut terminal: Terminal,
    port: Port,
    script: impl FnOnce(Timestamp) -> Sent,
    done: &Sender<Played>,
    stop: &AtomicBool,
) -> io::Result<()> {
    while !terminal.is_listened_to(port)? {
        if stop.load(Ordering::Relaxed) {
            return Ok(());
        }
        thread::sleep(LOOK);
    }
    if !port.is_adapter() {
        thread::sleep(SETTLE);
    }
    let sent = script(Timestamp::now());
    let count = terminal.play(&sent, stop)?;
    // Nobody waits for the message once the recording was given up.
    let _ = done.send(Played { port, count, planned: sent.count });
    while !stop.load(Ordering::Relaxed) && !terminal.is_hung_up()? {
        terminal.answer()?;
        thread::sleep(LOOK);
    }
    Ok(())
}

/// Our end of a pseudo-terminal.
#[derive(Debug)]
struct Terminal {
    master: PtyMaster,
    command: Vec<u8>,
    is_open: bool,
}

impl Terminal {
    fn open() -> io::Result<(Self, PathBuf)> {
        let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let device = PathBuf::from(ptsname_r(&master)?);
        make_raw(&device)?;
        Ok((Self { master, command: Vec::new(), is_open: false }, device))
    }

    /// Whether the other end is closed. Known because it was open once, in [`make_raw`].
    fn is_hung_up(&self) -> io::Result<bool> {
        Ok(self.poll(PollFlags::empty(), Duration::ZERO)?.contains(PollFlags::POLLHUP))
    }

    fn poll(&self, events: PollFlags, wait: Duration) -> io::Result<PollFlags> {
        let mut fds = [PollFd::new(self.master.as_fd(), events)];
        let timeout = PollTimeout::try_from(wait).unwrap_or(PollTimeout::ZERO);
        poll(&mut fds, timeout)?;
        Ok(fds[0].revents().unwrap_or(PollFlags::empty()))
    }

    fn is_listened_to(&mut self, port: Port) -> io::Result<bool> {
        if self.is_hung_up()? {
            return Ok(false);
        }
        self.answer()?;
        Ok(!port.is_adapter() || self.is_open)
    }

    /// Reads commands that have come and answers each with CR.
    fn answer(&mut self) -> io::Result<()> {
        let mut buffer = [0; 256];
        while self.poll(PollFlags::POLLIN, Duration::ZERO)?.contains(PollFlags::POLLIN) {
            let length = match self.master.read(&mut buffer) {
                Ok(length) => length,
                // EIO: the other end has just been closed.
                Err(e) if e.kind() == io::ErrorKind::WouldBlock || e.raw_os_error() == Some(nix::libc::EIO) => break,
                Err(e) => return Err(e),
            };
            for byte in &buffer[..length] {
                match byte {
                    b'\r' => self.obey()?,
                    b'\n' => {}
                    other => self.command.push(*other),
                }
            }
        }
        Ok(())
    }

    fn obey(&mut self) -> io::Result<()> {
        match self.command.first() {
            Some(b'L' | b'O') => self.is_open = true,
            Some(b'C') => self.is_open = false,
            _ => {}
        }
        self.command.clear();
        self.master.write_all(b"\r")
    }

    /// Writes everything at its time. Gives the number of frames or lines that are out.
    fn play(&mut self, sent: &Sent, stop: &AtomicBool) -> io::Result<u64> {
        let (start, was_open) = (Instant::now(), self.is_open);
        let (mut from, mut count) = (0, 0);
        for mark in &sent.marks {
            let due = start + Duration::from_millis(mark.at_ms);
            thread::sleep(due.saturating_duration_since(Instant::now()));
            self.answer()?;
            let closed = was_open && !self.is_open;
            if closed || !self.write_whole(&sent.bytes[from..mark.end], stop)? {
                break;
            }
            (from, count) = (mark.end, mark.count);
        }
        Ok(count)
    }

    /// Writes bytes, waiting where the terminal is full; false when nobody listens any more.
    fn write_whole(&mut self, mut bytes: &[u8], stop: &AtomicBool) -> io::Result<bool> {
        while !bytes.is_empty() {
            if stop.load(Ordering::Relaxed) || self.is_hung_up()? {
                return Ok(false);
            }
            match self.master.write(bytes) {
                Ok(written) => bytes = &bytes[written..],
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                    self.poll(PollFlags::POLLOUT, Duration::from_millis(50))?;
                }
                Err(e) => return Err(e),
            }
        }
        Ok(true)
    }
}

/// Makes the line raw, so that no byte is changed on its way, and closes our end of it again: from then on the
/// terminal reads as hung up until a recorder opens it.
fn make_raw(device: &Path) -> io::Result<()> {
    let line: OwnedFd = open_line(device)?.into();
    let mut settings = tcgetattr(&line)?;
    cfmakeraw(&mut settings);
    tcsetattr(&line, SetArg::TCSANOW, &settings)?;
    Ok(())
}

fn open_line(device: &Path) -> io::Result<File> {
    use std::os::unix::fs::OpenOptionsExt;
    OpenOptions::new().read(true).write(true).custom_flags(OFlag::O_NOCTTY.bits()).open(device)
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;

    use super::*;
    use crate::bench::Mark;

    fn script(_: Timestamp) -> Sent {
        let bytes = b"t1230\rt4561AA\r".to_vec();
        let marks = vec![Mark { at_ms: 0, end: 6, count: 1 }, Mark { at_ms: 30, end: 14, count: 2 }];
        Sent { bytes, count: 2, marks }
    }

    fn read_until(line: &mut File, wanted: &[u8]) -> Vec<u8> {
        let (mut seen, mut buffer) = (Vec::new(), [0; 64]);
        while !seen.ends_with(wanted) {
            let length = line.read(&mut buffer).expect("a line that is open");
            seen.extend_from_slice(&buffer[..length]);
        }
        seen
    }

    #[test]
    fn an_adapter_answers_and_speaks_only_when_opened() {
        let (done, played) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let adapter = Instrument::start(Port::KitBus, script, done, Arc::clone(&stop)).expect("a terminal");
        let mut line = open_line(&adapter.device).expect("the other end");
        line.write_all(b"C\rS5\rZ1\r").expect("commands");
        assert_eq!(read_until(&mut line, b"\r\r\r"), b"\r\r\r");
        line.write_all(b"L\r").expect("the open command");
        assert_eq!(read_until(&mut line, b"AA\r"), b"\rt1230\rt4561AA\r");
        let played = played.recv_timeout(Duration::from_secs(5)).expect("a message");
        assert_eq!(played, Played { port: Port::KitBus, count: 2, planned: 2 });
        drop(line);
        adapter.join().expect("no error");
    }

    #[test]
    fn a_receiver_speaks_as_soon_as_somebody_listens() {
        let (done, played) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let receiver = Instrument::start(Port::Gps, script, done, Arc::clone(&stop)).expect("a terminal");
        let mut line = open_line(&receiver.device).expect("the other end");
        assert_eq!(read_until(&mut line, b"AA\r"), b"t1230\rt4561AA\r");
        assert_eq!(played.recv_timeout(Duration::from_secs(5)).expect("a message").count, 2);
        stop.store(true, Ordering::Relaxed);
        receiver.join().expect("no error");
    }
}
