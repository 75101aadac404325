//! A listener that lets in so many connections at a time, and keeps none on which nothing is answered.
//!
//! Connections are open files, and a program that runs out of them cannot write its recording either. Whoever holds
//! them open without asking anything, with or without the token, would keep everybody else out.

use std::{
    io,
    net::SocketAddr,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
    time::Duration,
};

use axum::{
    extract::connect_info::Connected,
    serve::{IncomingStream, Listener},
};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore},
    time::{Instant, Sleep, sleep},
};

/// A listener with a number of places.
#[derive(Debug)]
pub(super) struct Limited {
    listener: TcpListener,
    places: Arc<Semaphore>,
    patience: Duration,
}

impl Limited {
    /// A connection to which nothing could be written for `patience` is given up.
    pub(super) fn new(listener: TcpListener, places: usize, patience: Duration) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(places)), patience }
    }
}

impl Listener for Limited {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        let place = Arc::clone(&self.places).acquire_owned().await.ok();
        let (stream, address) = Listener::accept(&mut self.listener).await;
        let patience = self.patience;
        (Connection { stream, patience, until: Box::pin(sleep(patience)), _place: place }, address)
    }

    fn local_addr(&self) -> io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

/// A connection that gives its place back when it is closed.
#[derive(Debug)]
pub(super) struct Connection {
    stream: TcpStream,
    patience: Duration,
    until: Pin<Box<Sleep>>,
    _place: Option<OwnedSemaphorePermit>,
}

impl Connection {
    /// What is not ready, or over when it was waited for too long.
    fn patient<T>(&mut self, cx: &mut Context<'_>, outcome: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        match outcome {
            Poll::Pending if self.until.as_mut().poll(cx).is_ready() => {
                Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
            }
            other => other,
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let read = Pin::new(&mut self.stream).poll_read(cx, buffer);
        self.patient(cx, read)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        if matches!(written, Poll::Ready(Ok(n)) if n > 0) {
            let until = Instant::now() + self.patience;
            self.until.as_mut().reset(until);
        }
        self.patient(cx, written)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

/// The other end of a connection.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer(pub(super) SocketAddr);

impl Connected<IncomingStream<'_, Limited>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Limited>) -> Self {
        Self(*stream.remote_addr())
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::AsyncReadExt;

    use super::*;

    #[test]
    fn a_connection_that_asks_nothing_gives_its_place_back() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let listener = TcpListener::bind(("127.0.0.1", 0)).await.expect("a free port");
            let address = listener.local_addr().expect("bound");
            let mut limited = Limited::new(listener, 1, Duration::from_millis(50));
            let _idle = TcpStream::connect(address).await.expect("a server");
            let _next = TcpStream::connect(address).await.expect("a server");
            let (mut first, _) = limited.accept().await;
            let error = first.read_u8().await.expect_err("nothing is ever sent");
            assert_eq!(error.kind(), io::ErrorKind::TimedOut);
            drop(first);
            let accepted = tokio::time::timeout(Duration::from_secs(10), limited.accept()).await;
            assert!(accepted.is_ok(), "the next one has the place");
        });
    }
}
