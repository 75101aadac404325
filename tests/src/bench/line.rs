//! An adapter at a pseudo-terminal: opened by a recorder, it speaks in packets of a millisecond, as on USB.
//!
//! A pseudo-terminal has no way to lose bytes, so the adapter keeps what the line does not take at once and counts it:
//! a device with little memory of its own would have lost it.

use std::{
    fs::{File, OpenOptions},
    io::{self, Read, Write},
    os::{fd::OwnedFd, unix::fs::OpenOptionsExt},
    path::{Path, PathBuf},
    thread,
    time::{Duration, Instant},
};

use nix::{
    fcntl::OFlag,
    pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt},
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
};

use super::{BenchError, traffic::Traffic};

/// How long a recorder may take to open the adapter.
const OPENING: Duration = Duration::from_secs(20);
/// How long a reader may go on opening an adapter that is open.
const SETTLE: Duration = Duration::from_millis(500);
/// How long what is held back may take to get through at the end.
const TAIL: Duration = Duration::from_secs(5);

/// The adapter's end of a line.
#[derive(Debug)]
pub(super) struct Line {
    master: PtyMaster,
    /// Device that a recorder opens.
    pub(super) device: PathBuf,
    /// Keeps the terminal alive before and after the recorder has it open.
    _kept: OwnedFd,
}

/// What went out.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Spoken {
    pub(super) frames: u64,
    /// Packets that the line did not take whole at their time.
    pub(super) packets_held: u64,
    /// The most that was held back, bytes.
    pub(super) most_held: usize,
    /// The longest that a packet was late because this thread was, as on a machine that has too much to do.
    pub(super) longest_late: Duration,
    pub(super) passed: Duration,
}

impl Line {
    pub(super) fn open() -> Result<Self, BenchError> {
        let open = || -> io::Result<Self> {
            let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
            grantpt(&master)?;
            unlockpt(&master)?;
            let device = PathBuf::from(ptsname_r(&master)?);
            let kept = raw(&device)?.into();
            Ok(Self { master, device, _kept: kept })
        };
        open().map_err(BenchError::io("open a pseudo-terminal"))
    }

    /// Waits until a recorder has opened the adapter: the command ends in `L` or `O`.
    pub(super) fn wait_until_opened(&mut self) -> Result<(), BenchError> {
        let until = Instant::now() + OPENING;
        let (mut heard, mut buffer) = (Vec::new(), [0; 64]);
        while !heard.ends_with(b"L\r") && !heard.ends_with(b"O\r") {
            if Instant::now() > until {
                let source = io::Error::from(io::ErrorKind::TimedOut);
                return Err(BenchError::io("wait until the recorder opens the adapter")(source));
            }
            match self.master.read(&mut buffer) {
                Ok(n) => heard.extend_from_slice(&buffer[..n]),
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => thread::sleep(Duration::from_millis(2)),
                Err(e) => return Err(BenchError::io("listen to the recorder")(e)),
            }
        }
        Ok(())
    }

    /// Speaks for so long, the traffic again and again.
    pub(super) fn speak(&mut self, traffic: &Traffic, length: Duration) -> Result<Spoken, BenchError> {
        let start = Instant::now();
        let mut spoken = Spoken::default();
        let mut held: Vec<u8> = Vec::new();
        let mut round = Duration::ZERO;
        'rounds: loop {
            let mut from = 0;
            for packet in &traffic.packets {
                let at = round + Duration::from_micros(packet.at_us);
                if at > length {
                    break 'rounds;
                }
                thread::sleep(at.saturating_sub(start.elapsed()));
                spoken.longest_late = spoken.longest_late.max(start.elapsed().saturating_sub(at));
                held.extend_from_slice(&traffic.bytes[from..packet.end]);
                spoken.frames += u64::from(packet.frames);
                from = packet.end;
                self.push(&mut held)?;
                spoken.packets_held += u64::from(!held.is_empty());
                spoken.most_held = spoken.most_held.max(held.len());
            }
            round += traffic.length();
        }
        let until = Instant::now() + TAIL;
        while !held.is_empty() && Instant::now() < until {
            thread::sleep(Duration::from_millis(1));
            self.push(&mut held)?;
        }
        spoken.passed = start.elapsed();
        Ok(spoken)
    }

    /// Writes blocks, each when the one before it was answered.
    pub(super) fn answered(&mut self, blocks: &[&[u8]]) -> Result<(), BenchError> {
        let mut buffer = [0; 64];
        // What is still said while the adapter is opened is no answer; python-can opens it twice.
        thread::sleep(SETTLE);
        while self.master.read(&mut buffer).is_ok_and(|n| n > 0) {}
        for block in blocks {
            let (mut held, until) = (block.to_vec(), Instant::now() + OPENING);
            self.push(&mut held)?;
            while !matches!(self.master.read(&mut buffer), Ok(n) if n > 0) {
                if Instant::now() > until {
                    return Err(BenchError::Peer { what: "the reader", said: "no answer".to_owned() });
                }
                thread::sleep(Duration::from_micros(200));
                self.push(&mut held)?;
            }
        }
        Ok(())
    }

    fn push(&mut self, held: &mut Vec<u8>) -> Result<(), BenchError> {
        let mut from = 0;
        while from < held.len() {
            match self.master.write(&held[from..]) {
                Ok(0) => break,
                Ok(n) => from += n,
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => break,
                Err(e) => return Err(BenchError::io("speak on a pseudo-terminal")(e)),
            }
        }
        held.drain(..from);
        Ok(())
    }
}

/// Opens the recorder's end and makes it raw, so that no byte is changed on its way.
fn raw(device: &Path) -> io::Result<File> {
    let line = OpenOptions::new().read(true).write(true).custom_flags(OFlag::O_NOCTTY.bits()).open(device)?;
    let mut settings = tcgetattr(&line)?;
    cfmakeraw(&mut settings);
    tcsetattr(&line, SetArg::TCSANOW, &settings)?;
    Ok(line)
}
