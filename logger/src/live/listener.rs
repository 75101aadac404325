//! A listener that lets in so many connections at a time.
//!
//! Connections are open files, and a program that runs out of them cannot write its recording either.

use std::{
    io,
    net::SocketAddr,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
};

use axum::{
    extract::connect_info::Connected,
    serve::{IncomingStream, Listener},
};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore},
};

/// A listener with a number of places.
#[derive(Debug)]
pub(super) struct Limited {
    listener: TcpListener,
    places: Arc<Semaphore>,
}

impl Limited {
    pub(super) fn new(listener: TcpListener, places: usize) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(places)) }
    }
}

impl Listener for Limited {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        let place = Arc::clone(&self.places).acquire_owned().await.ok();
        let (stream, address) = Listener::accept(&mut self.listener).await;
        (Connection { stream, _place: place }, address)
    }

    fn local_addr(&self) -> io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

/// A connection that gives its place back when it is closed.
#[derive(Debug)]
pub(super) struct Connection {
    stream: TcpStream,
    _place: Option<OwnedSemaphorePermit>,
}

impl AsyncRead for Connection {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, bytes)
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
