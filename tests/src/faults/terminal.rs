//! A pseudo-terminal that a recorder takes for a serial device, and the link that plays its stable name.

use std::{
    fs::{self, File, OpenOptions},
    io::{self, Read, Write},
    os::{
        fd::{AsFd, OwnedFd},
        unix::fs::{OpenOptionsExt, symlink},
    },
    path::{Path, PathBuf},
    sync::atomic::{AtomicBool, Ordering},
    time::{Duration, Instant},
};

use nix::{
    fcntl::OFlag,
    poll::{PollFd, PollFlags, PollTimeout, poll},
    pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt},
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
};

/// The instrument's end of a pseudo-terminal. Dropping it unplugs the device.
#[derive(Debug)]
pub struct Terminal {
    master: PtyMaster,
    device: PathBuf,
}

impl Terminal {
    /// A terminal that passes every byte unchanged.
    ///
    /// # Errors
    /// When the system gives none.
    pub fn open() -> io::Result<Self> {
        let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let device = PathBuf::from(ptsname_r(&master)?);
        make_raw(&device)?;
        Ok(Self { master, device })
    }

    /// What a recorder opens.
    pub fn device(&self) -> &Path {
        &self.device
    }

    /// Waits until a recorder has opened the adapter on it, with the command `L` or `O`; gives all that it said.
    ///
    /// # Errors
    /// When it has not after so long.
    pub fn wait_opened(&mut self, patience: Duration) -> io::Result<String> {
        let until = Instant::now() + patience;
        let mut said = Vec::new();
        while !(said.ends_with(b"L\r") || said.ends_with(b"O\r")) {
            if Instant::now() > until {
                let said = String::from_utf8_lossy(&said).into_owned();
                return Err(io::Error::new(io::ErrorKind::TimedOut, format!("the recorder only said {said:?}")));
            }
            said.extend(self.heard()?);
        }
        Ok(String::from_utf8_lossy(&said).into_owned())
    }

    /// Waits until anybody has the other end open.
    ///
    /// # Errors
    /// When nobody has after so long.
    pub fn wait_listened(&self, patience: Duration) -> io::Result<()> {
        let until = Instant::now() + patience;
        // Known because it was open once, in `make_raw`.
        while self.poll(PollFlags::empty(), Duration::ZERO)?.contains(PollFlags::POLLHUP) {
            if Instant::now() > until {
                return Err(io::Error::new(io::ErrorKind::TimedOut, "nobody opened the terminal"));
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        Ok(())
    }

    /// What was said to the device, after a short wait for something.
    ///
    /// # Errors
    /// When the terminal cannot be read.
    pub fn heard(&mut self) -> io::Result<Vec<u8>> {
        let mut buffer = [0; 256];
        if !self.poll(PollFlags::POLLIN, Duration::from_millis(20))?.contains(PollFlags::POLLIN) {
            std::thread::sleep(Duration::from_millis(2));
            return Ok(Vec::new());
        }
        match self.master.read(&mut buffer) {
            Ok(length) => Ok(buffer[..length].to_vec()),
            // EIO: nobody has the other end open.
            Err(e) if e.kind() == io::ErrorKind::WouldBlock || e.raw_os_error() == Some(nix::libc::EIO) => {
                Ok(Vec::new())
            }
            Err(e) => Err(e),
        }
    }

    /// Writes bytes, waiting while the terminal is full; gives how many are out when it was told to stop.
    ///
    /// # Errors
    /// When the terminal cannot be written to.
    pub fn write(&mut self, bytes: &[u8], stop: &AtomicBool) -> io::Result<usize> {
        let mut written = 0;
        while written < bytes.len() && !stop.load(Ordering::Relaxed) {
            match self.master.write(&bytes[written..]) {
                Ok(n) => written += n,
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                    self.poll(PollFlags::POLLOUT, Duration::from_millis(20))?;
                }
                Err(e) => return Err(e),
            }
        }
        Ok(written)
    }

    fn poll(&self, events: PollFlags, wait: Duration) -> io::Result<PollFlags> {
        let mut fds = [PollFd::new(self.master.as_fd(), events)];
        poll(&mut fds, PollTimeout::try_from(wait).unwrap_or(PollTimeout::ZERO))?;
        Ok(fds[0].revents().unwrap_or(PollFlags::empty()))
    }
}

/// Makes the line raw and closes our other end of it again, so that it reads as hung up until a recorder opens it.
fn make_raw(device: &Path) -> io::Result<()> {
    let flags = OFlag::O_NOCTTY.bits();
    let line: File = OpenOptions::new().read(true).write(true).custom_flags(flags).open(device)?;
    let line: OwnedFd = line.into();
    let mut settings = tcgetattr(&line)?;
    cfmakeraw(&mut settings);
    Ok(tcsetattr(&line, SetArg::TCSANOW, &settings)?)
}

/// A link that leads to a device for as long as it is plugged in, as the names under `/dev/serial/by-id` do.
#[derive(Debug, Clone)]
pub struct StableLink(PathBuf);

impl StableLink {
    /// A name in a directory, which is made; it leads nowhere yet.
    ///
    /// # Errors
    /// When the directory cannot be made.
    pub fn new(directory: &Path, name: &str) -> io::Result<Self> {
        fs::create_dir_all(directory)?;
        Ok(Self(directory.join(name)))
    }

    /// Lets it lead to a device.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn point_to(&self, device: &Path) -> io::Result<()> {
        let next = self.0.with_extension("next");
        symlink(device, &next)?;
        fs::rename(next, &self.0)
    }

    /// Takes it away.
    ///
    /// # Errors
    /// When it is not there.
    pub fn remove(&self) -> io::Result<()> {
        fs::remove_file(&self.0)
    }

    /// The name.
    pub fn path(&self) -> &Path {
        &self.0
    }
}
