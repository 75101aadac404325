//! The instrument's end of a line: a pseudo-terminal, or a TCP port that takes one connection at a time.

use std::{
    io::{self, Read, Write},
    net::{Ipv4Addr, Shutdown, SocketAddr, SocketAddrV4, TcpListener, TcpStream},
    sync::atomic::AtomicBool,
    thread,
    time::{Duration, Instant},
};

use crate::faults::terminal::Terminal;

/// How long a read waits for something.
const WAIT: Duration = Duration::from_millis(5);
/// How long the other side may take to close its end.
const GOODBYE: Duration = Duration::from_secs(5);

#[derive(Debug)]
pub(super) enum Wire {
    Terminal(Terminal),
    Server(Server),
}

#[derive(Debug)]
pub(super) struct Server {
    address: SocketAddr,
    listener: Option<TcpListener>,
    stream: Option<TcpStream>,
}

impl Server {
    /// Takes a free port on a loopback address of this process: on the usual one another program could take the port
    /// while nobody listens.
    pub(super) fn open() -> io::Result<Self> {
        let [_, _, high, low] = std::process::id().to_be_bytes();
        let own = Ipv4Addr::new(127, 83, high, low);
        let listener = TcpListener::bind(SocketAddrV4::new(own, 0))?;
        listener.set_nonblocking(true)?;
        Ok(Self { address: listener.local_addr()?, listener: Some(listener), stream: None })
    }

    pub(super) const fn address(&self) -> SocketAddr {
        self.address
    }

    fn listen(&mut self) -> io::Result<()> {
        if self.listener.is_none() {
            let listener = TcpListener::bind(self.address)?;
            listener.set_nonblocking(true)?;
            self.listener = Some(listener);
        }
        Ok(())
    }

    fn accept(&mut self) -> io::Result<()> {
        let Some(listener) = self.listener.as_ref().filter(|_| self.stream.is_none()) else { return Ok(()) };
        match listener.accept() {
            Ok((stream, _)) => {
                stream.set_nonblocking(false)?;
                stream.set_nodelay(true)?;
                stream.set_read_timeout(Some(WAIT))?;
                self.stream = Some(stream);
                Ok(())
            }
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                thread::sleep(WAIT);
                Ok(())
            }
            Err(e) => Err(e),
        }
    }

    fn heard(&mut self) -> io::Result<Vec<u8>> {
        self.accept()?;
        let Some(stream) = self.stream.as_mut() else { return Ok(Vec::new()) };
        let mut buffer = [0; 256];
        match stream.read(&mut buffer) {
            Ok(length) if length > 0 => Ok(buffer[..length].to_vec()),
            Err(e) if matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => Ok(Vec::new()),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => Ok(Vec::new()),
            // The recorder has gone.
            Ok(_) | Err(_) => {
                self.stream = None;
                Ok(Vec::new())
            }
        }
    }

    /// Ends the connection as a device server does that shuts down: what was said arrives, then the end.
    fn hang_up(&mut self) {
        self.listener = None;
        let Some(mut stream) = self.stream.take() else { return };
        let until = Instant::now() + GOODBYE;
        let mut rest = [0; 256];
        // Whether the other side has gone already makes no difference.
        let _ = stream.shutdown(Shutdown::Write);
        while Instant::now() < until {
            match stream.read(&mut rest) {
                Ok(0) => return,
                Err(e) if !matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => return,
                _ => {}
            }
        }
    }
}

impl Wire {
    pub(super) fn listen(&mut self) -> io::Result<()> {
        match self {
            Self::Terminal(_) => Ok(()),
            Self::Server(server) => server.listen(),
        }
    }

    pub(super) fn hang_up(&mut self) {
        if let Self::Server(server) = self {
            server.hang_up();
        }
    }

    /// Whether what is said goes anywhere.
    pub(super) const fn is_connected(&self) -> bool {
        match self {
            Self::Terminal(_) => true,
            Self::Server(server) => server.stream.is_some(),
        }
    }

    /// What was said to the instrument, after a short wait for something.
    pub(super) fn heard(&mut self) -> io::Result<Vec<u8>> {
        match self {
            Self::Terminal(terminal) => terminal.heard(),
            Self::Server(server) => server.heard(),
        }
    }

    pub(super) fn say(&mut self, bytes: &[u8], stop: &AtomicBool) -> io::Result<()> {
        match self {
            Self::Terminal(terminal) => terminal.write(bytes, stop).map(|_| ()),
            Self::Server(Server { stream, .. }) => {
                if stream.as_mut().is_some_and(|s| s.write_all(bytes).is_err()) {
                    *stream = None;
                }
                Ok(())
            }
        }
    }
}
