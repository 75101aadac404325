//! A CAN interface of the system as a stream of log lines.
//!
//! The kernel hands over frames; here they become the text that a CAN log has, with the time at which the kernel
//! received them, and from there on they are bytes of a port like any other. Nothing is ever sent.

use std::{
    io,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll, ready},
    time::{SystemTime, UNIX_EPOCH},
};

use socketcan::{CanAnyFrame, EmbeddedFrame, Frame, SocketOptions, timestamp::CanTimestamps, tokio::CanFdSocket};
use tallywheel_schemas::Timestamp;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use crate::{
    framing::{log_error_line, log_line},
    message::CanFrame,
};

/// Text gathered before it is handed on.
const ENOUGH: usize = 2048;
/// Flags of a CAN FD frame that are kept: bit rate switch and error state. The kernel's own mark that it is one at
/// all is not.
const KEPT_FLAGS: u8 = 3;

type NextFrame = Pin<Box<dyn Future<Output = io::Result<(CanAnyFrame, CanTimestamps)>> + Send>>;

/// An open CAN interface.
pub(super) struct CanInterface {
    socket: Arc<CanFdSocket>,
    name: String,
    next: NextFrame,
    text: Vec<u8>,
}

impl CanInterface {
    /// Opens an interface by its name, inside a runtime; its error frames and receive times are asked for.
    pub(super) fn open(name: &str) -> io::Result<Self> {
        let socket = Arc::new(CanFdSocket::open(name)?);
        socket.set_error_filter_accept_all()?;
        socket.set_recv_timestamp(true)?;
        Ok(Self { next: next_frame(&socket), socket, name: name.to_owned(), text: Vec::new() })
    }

    /// Gathers the lines of frames that are there; ready with the first, or with what went wrong.
    fn gather(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        while self.text.len() < ENOUGH {
            match self.next.as_mut().poll(context) {
                Poll::Pending if self.text.is_empty() => return Poll::Pending,
                Poll::Pending => break,
                Poll::Ready(frame) => {
                    self.next = next_frame(&self.socket);
                    let (frame, times) = match frame {
                        Ok(frame) => frame,
                        // What came before the error is handed on first; the error will come again.
                        Err(_) if !self.text.is_empty() => break,
                        Err(error) => return Poll::Ready(Err(error)),
                    };
                    let at = times.socket.unwrap_or_else(SystemTime::now);
                    self.text.extend_from_slice(line(at, &self.name, &frame).as_bytes());
                }
            }
        }
        Poll::Ready(Ok(()))
    }
}

fn next_frame(socket: &Arc<CanFdSocket>) -> NextFrame {
    let socket = Arc::clone(socket);
    Box::pin(async move { socket.read_frame_with_timestamps().await })
}

/// The log line of a frame.
fn line(at: SystemTime, name: &str, frame: &CanAnyFrame) -> String {
    let us = at.duration_since(UNIX_EPOCH).map_or(0, |d| i64::try_from(d.as_micros()).unwrap_or(i64::MAX));
    let at = Timestamp::from_us(us);
    let mut read = CanFrame::new(frame.raw_id(), frame.is_extended());
    match frame {
        CanAnyFrame::Normal(_) => read = read.with_data(frame.data()),
        CanAnyFrame::Fd(fd) => {
            read = read.with_data(frame.data());
            read.fd_flags = Some(fd.flags().bits() & KEPT_FLAGS);
        }
        CanAnyFrame::Remote(_) => (read.remote, read.dlc) = (true, frame.dlc() as u8),
        CanAnyFrame::Error(error) => return log_error_line(at, name, error.error_bits(), error.data()),
    }
    log_line(at, name, &read)
}

impl AsyncRead for CanInterface {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let this = self.get_mut();
        if this.text.is_empty() {
            ready!(this.gather(context))?;
        }
        let length = this.text.len().min(buffer.remaining());
        buffer.put_slice(&this.text[..length]);
        this.text.drain(..length);
        Poll::Ready(Ok(()))
    }
}

/// Refuses: an interface is only listened to.
impl AsyncWrite for CanInterface {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, _: &[u8]) -> Poll<io::Result<usize>> {
        Poll::Ready(Err(io::Error::new(io::ErrorKind::Unsupported, "a CAN interface is only listened to")))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use socketcan::{
        CanDataFrame, CanErrorFrame, CanFdFrame, CanRemoteFrame, ExtendedId, Socket, StandardId, id::FdFlags,
    };
    use tokio::io::AsyncReadExt;

    use super::*;
    use crate::{
        framing::{CandumpFramer, End},
        message::{Message, StatusMeaning},
    };

    fn standard(id: u16) -> StandardId {
        StandardId::new(id).expect("11 bits")
    }

    fn frames() -> Vec<(CanAnyFrame, &'static str)> {
        let extended = ExtendedId::new(0x12AB_CDEF).expect("29 bits");
        let fd_data: Vec<u8> = (0..12).collect();
        let flags = FdFlags::BRS | FdFlags::FDF;
        vec![
            (CanDataFrame::new(standard(0x123), &[0xAA, 0xBB]).expect("a frame").into(), "123#AABB"),
            (CanDataFrame::new(extended, &[]).expect("a frame").into(), "12ABCDEF#"),
            (CanRemoteFrame::new_remote(standard(0x7FF), 4).expect("a frame").into(), "7FF#R4"),
            (
                CanFdFrame::with_flags(standard(1), &fd_data, flags).expect("a frame").into(),
                "001##1000102030405060708090A0B",
            ),
            (
                CanErrorFrame::new_error(0x240, &[0, 0, 0, 0, 0, 0, 248, 3]).expect("a frame").into(),
                "20000240#000000000000F803",
            ),
        ]
    }

    #[test]
    fn frames_become_lines_that_read_back() {
        for (frame, expected) in frames() {
            let at = UNIX_EPOCH + Duration::from_micros(1_735_270_496_916_858);
            let text = line(at, "can0", &frame);
            assert_eq!(text, format!("(1735270496.916858) can0 {expected}\n"));
            let mut framer = CandumpFramer::new();
            framer.received(text.as_bytes());
            framer.finish(End::Cut);
            let logged = framer.next().expect("a line");
            assert_eq!(logged.stamp_us, Some(1_735_270_496_916_858));
            match logged.framed.message {
                Message::Frame(read) => {
                    assert_eq!((read.id, read.data()), (frame.raw_id(), frame.data()));
                }
                Message::Status(status) => {
                    assert!(matches!(status.meaning, StatusMeaning::State { state: "bus-off", .. }));
                }
                other => panic!("{other:?}"),
            }
        }
    }

    /// Needs an interface `vcan0`: `ip link add dev vcan0 type vcan && ip link set up vcan0`.
    #[test]
    fn a_virtual_bus_is_listened_to() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let mut interface = match CanInterface::open("vcan0") {
                Ok(interface) => interface,
                Err(error) => return eprintln!("skipped: no interface vcan0 here ({error})"),
            };
            let sender = socketcan::CanFdSocket::open("vcan0").expect("the same interface");
            let (sent, expected): (Vec<_>, Vec<_>) = frames().into_iter().take(3).unzip();
            for frame in &sent {
                sender.write_frame(frame).expect("sent");
            }
            let mut heard = String::new();
            while heard.lines().count() < expected.len() {
                let mut buffer = [0; 64];
                let read = tokio::time::timeout(Duration::from_secs(5), interface.read(&mut buffer)).await;
                let length = read.expect("in time").expect("readable");
                heard.push_str(std::str::from_utf8(&buffer[..length]).expect("text"));
            }
            let bodies: Vec<&str> = heard.lines().filter_map(|l| l.split(' ').nth(2)).collect();
            assert_eq!(bodies, expected);
        });
    }
}
