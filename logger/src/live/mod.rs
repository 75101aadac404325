//! The technician's page: the latest snapshot on a phone or tablet, marks and runs.
//!
//! ```text
//! view thread → LiveState (latest snapshot) → server thread → page
//!    recorder ← commands ← LiveState ←───────────────┘
//! ```
//!
//! The server runs on a thread of its own with a runtime of its own and shares no lock with the reading side. The page comes
//! from this program whole; it asks nobody else. It can set marks and note runs; there is no command that reaches a vehicle.
//!
//! On a loopback address it is open to whoever uses the computer. On any other address it asks for a [`Token`], which the
//! program prints once. The connection is not encrypted: whoever can listen to the network can read token and values.

mod ask;
mod guard;
mod listener;
mod routes;
mod state;
#[cfg(test)]
mod tests;
mod token;

pub use state::LiveState;
pub use token::Token;

use std::{
    io,
    net::{IpAddr, SocketAddr, TcpListener, UdpSocket},
    sync::Arc,
    thread::JoinHandle,
    time::Duration,
};

use tokio::sync::oneshot;

use guard::Guard;
use listener::{Limited, Peer};

/// Connections at a time; a browser keeps up to six.
const CONNECTIONS: usize = 64;
/// A connection on which nothing could be answered for so long is closed. Streams say something every ten seconds at
/// least, and a request has its answer within less; a browser opens an idle one again.
const QUIET: Duration = Duration::from_secs(30);
/// Requests that may wait for the recorder at a time.
const WAITING: usize = 16;

/// A page that cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The address cannot be listened on.
    #[error("listen on {address} for the live page: {source}; choose another address with --live")]
    Bind {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The system gives no random bytes for a token.
    #[error("make a token for the live page: {0}")]
    Token(io::Error),
    /// The server's thread or runtime cannot be started.
    #[error("start serving the live page: {0}")]
    Start(io::Error),
}

/// A server that has its address and is not yet serving.
#[derive(Debug)]
pub struct Server {
    listener: TcpListener,
    address: SocketAddr,
    token: Option<Token>,
}

impl Server {
    /// Takes an address. A port of 0 stands for any that is free. Unless the address is loopback, a new token is made.
    ///
    /// # Errors
    /// When the address cannot be had, or the system gives no random bytes.
    pub fn bind(address: SocketAddr) -> Result<Self, LiveError> {
        let bind_error = |source| LiveError::Bind { address, source };
        let listener = TcpListener::bind(address).map_err(bind_error)?;
        listener.set_nonblocking(true).map_err(bind_error)?;
        let bound = listener.local_addr().map_err(bind_error)?;
        let is_open = bound.ip().to_canonical().is_loopback();
        let token = if is_open { None } else { Some(Token::new_random().map_err(LiveError::Token)?) };
        Ok(Self { listener, address: bound, token })
    }

    /// The address that is listened on.
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// The token, when one is needed.
    pub const fn token(&self) -> Option<&Token> {
        self.token.as_ref()
    }

    /// What to open in a browser.
    pub fn url(&self) -> String {
        let address = SocketAddr::new(reachable(self.address.ip()), self.address.port());
        match &self.token {
            Some(token) => format!("http://{address}/?token={}", token.text()),
            None => format!("http://{address}/"),
        }
    }

    /// What to print once at the start: the address, and who can read the page.
    pub fn notice(&self) -> String {
        let url = self.url();
        match &self.token {
            None => format!("live page: {url} (on this computer only)"),
            Some(_) => format!(
                "live page: {url}\n\
                 Whoever has this address and is on the same network can read the page, set marks and note runs; the connection \
                 is not encrypted.\n\
                 Nothing on the vehicle can be changed from it."
            ),
        }
    }

    /// Serves until [`Running`] is dropped.
    ///
    /// # Errors
    /// When the thread or its runtime cannot be started.
    pub fn run(self, state: Arc<LiveState>) -> Result<Running, LiveError> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .max_blocking_threads(WAITING)
            .build()
            .map_err(LiveError::Start)?;
        let listener = {
            let _inside = runtime.enter();
            tokio::net::TcpListener::from_std(self.listener).map_err(LiveError::Start)?
        };
        let router = routes::router(state, Guard::new(self.address, self.token));
        let (stop, stopped) = oneshot::channel::<()>();
        let serve = move || {
            let service = router.into_make_service_with_connect_info::<Peer>();
            runtime.block_on(async {
                tokio::select! {
                    _ = axum::serve(Limited::new(listener, CONNECTIONS, QUIET), service) => {}
                    _ = stopped => {}
                }
            });
            // Requests that still wait for the recorder are not waited for.
            runtime.shutdown_background();
        };
        let thread = std::thread::Builder::new().name("live page".to_owned()).spawn(serve).map_err(LiveError::Start)?;
        Ok(Running { stop: Some(stop), thread: Some(thread) })
    }
}

/// A server at work. It ends when this is dropped.
#[derive(Debug)]
pub struct Running {
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.stop.take());
        // A panic there has been printed already and concerns the page only.
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// An address under which others reach this computer. "Any address" is no such; then the one that the system would use
/// towards the network is taken. Nothing is sent for that: the address is set aside for documentation (RFC 5737).
fn reachable(ip: IpAddr) -> IpAddr {
    if !ip.is_unspecified() {
        return ip;
    }
    let towards = || -> io::Result<IpAddr> {
        let socket = UdpSocket::bind(("0.0.0.0", 0))?;
        socket.connect(("192.0.2.1", 9))?;
        Ok(socket.local_addr()?.ip())
    };
    towards().ok().filter(|found| !found.is_unspecified()).unwrap_or(ip)
}
