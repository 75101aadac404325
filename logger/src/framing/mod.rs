//! From bytes to messages: pure and synchronous, one framer for each protocol.
//!
//! A framer takes bytes as they come ([`Framer::received`]) and gives messages ([`Framer::next`]) with the place in
//! the stream where each began. Any split of the same bytes gives the same messages. What cannot be read comes out
//! as [`Message::Bad`](crate::message::Message::Bad) with all its bytes, and the next good message is never lost with it.
//!
//! ```
//! use tallywheel_logger::{framing::SlcanFramer, message::Message};
//!
//! let mut framer = SlcanFramer::new();
//! framer.received(b"t45631122");
//! assert!(framer.next().is_none());
//! framer.received(b"33\r");
//! let framed = framer.next().unwrap();
//! let Message::Frame(frame) = framed.message else { panic!("a frame") };
//! assert_eq!((framed.offset, frame.id, frame.data()), (0, 0x456, &[0x11, 0x22, 0x33][..]));
//! ```

mod can_error;
mod can_log;
mod candump;
mod columns;
mod modbus;
mod nmea;
mod pending;
mod slcan;
#[cfg(test)]
mod splits;
mod text;

pub use can_log::{log_error_line, log_line};
pub use candump::{CandumpFramer, LoggedFrame};
pub use columns::{Columns, Row};
pub use modbus::ModbusFramer;
pub use nmea::{NmeaFramer, checksum, is_verified};
pub use slcan::SlcanFramer;
pub use text::TextFramer;

use tallywheel_schemas::rig::{Port, PortKind};

use crate::message::Framed;

/// What the end of a stream means for the message that it cuts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// A file that is over: its last line may lack a line end and is still a line.
    Complete,
    /// A port that fell silent: an unfinished message is cut off.
    Cut,
}

/// The framer of a port, whatever its kind.
#[derive(Debug, Clone)]
pub enum Framer {
    /// CAN adapter.
    Slcan(SlcanFramer),
    /// Satellite receiver.
    Nmea(NmeaFramer),
    /// Delimited text.
    Text(TextFramer),
    /// Meters that are asked.
    Modbus(ModbusFramer),
    /// CAN interface, whose frames come as log lines.
    Can(CandumpFramer),
}

impl Framer {
    /// The framer for a port of a rig.
    pub fn new(port: &Port) -> Self {
        match port.kind {
            PortKind::Slcan => Self::Slcan(SlcanFramer::new()),
            PortKind::Nmea => Self::Nmea(NmeaFramer::new()),
            PortKind::Text => Self::Text(TextFramer::new(Columns::of(port))),
            PortKind::Modbus => Self::Modbus(ModbusFramer::new()),
            PortKind::Can => Self::Can(CandumpFramer::new()),
        }
    }

    /// Says that the next bytes may begin inside a message.
    pub fn begin_inside(&mut self) {
        match self {
            Self::Slcan(f) => f.begin_inside(),
            Self::Nmea(f) => f.begin_inside(),
            Self::Text(f) => f.begin_inside(),
            Self::Modbus(f) => f.begin_inside(),
            Self::Can(f) => f.begin_inside(),
        }
    }

    /// Says that bytes were sent on the port, after what was received so far. It matters where an answer can only be
    /// told by its question.
    pub fn sent(&mut self, bytes: &[u8]) {
        if let Self::Modbus(f) = self {
            f.sent(bytes);
        }
    }

    /// Says that the first line of a text stream may lack its beginning. A sentence or an slcan line proves itself.
    pub fn begin_perhaps_inside(&mut self) {
        if let Self::Text(f) = self {
            f.begin_perhaps_inside();
        }
    }

    /// Takes bytes in the order in which they arrived.
    pub fn received(&mut self, bytes: &[u8]) {
        match self {
            Self::Slcan(f) => f.received(bytes),
            Self::Nmea(f) => f.received(bytes),
            Self::Text(f) => f.received(bytes),
            Self::Modbus(f) => f.received(bytes),
            Self::Can(f) => f.received(bytes),
        }
    }

    /// The next whole message, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<Framed> {
        match self {
            Self::Slcan(f) => f.next(),
            Self::Nmea(f) => f.next(),
            Self::Text(f) => f.next(),
            Self::Modbus(f) => f.next(),
            Self::Can(f) => f.next().map(|logged| logged.framed),
        }
    }

    /// Bytes of a message that is not whole yet, once [`Framer::next`] has given `None`.
    pub fn waiting(&self) -> usize {
        match self {
            Self::Slcan(f) => f.waiting(),
            Self::Nmea(f) => f.waiting(),
            Self::Text(f) => f.waiting(),
            Self::Modbus(f) => f.waiting(),
            Self::Can(f) => f.waiting(),
        }
    }

    /// What is left when the stream ends; at most two messages, through [`Framer::next`].
    pub fn finish(&mut self, end: End) {
        match self {
            Self::Slcan(f) => f.finish(end),
            Self::Nmea(f) => f.finish(end),
            Self::Text(f) => f.finish(end),
            Self::Modbus(f) => f.finish(end),
            Self::Can(f) => f.finish(end),
        }
    }

    /// Says that the stream begins at `offset`, where a message begins.
    pub fn seek(&mut self, offset: u64) {
        match self {
            Self::Slcan(f) => f.seek(offset),
            Self::Nmea(f) => f.seek(offset),
            Self::Text(f) => f.seek(offset),
            Self::Modbus(f) => f.seek(offset),
            Self::Can(f) => f.seek(offset),
        }
    }

    /// Says that bytes were lost: what is pending is cut off, and the stream goes on at `offset`, inside a
    /// message. Drain with [`Framer::next`] before and after.
    pub fn jump(&mut self, offset: u64) {
        self.finish(End::Cut);
        self.seek(offset);
        self.begin_inside();
    }
}
