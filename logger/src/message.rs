//! What a port says, once its bytes are cut into messages: CAN frames, lines, and what could not be read.

use std::fmt;

/// Payload lengths of CAN FD by data length code (ISO 11898-1; python-can's `CAN_FD_DLC` has the same list).
pub const FD_LENGTHS: [u8; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];

/// Bit of [`CanFrame::fd_flags`]: the data phase ran at the faster bit rate.
pub const FD_BIT_RATE_SWITCH: u8 = 1;

/// One CAN frame, classic or FD. Small, since some seconds of a full bus are kept in memory while they are put in order.
#[derive(Clone, PartialEq, Eq)]
pub struct CanFrame {
    /// Identifier, 11 bits, or 29 when `extended`.
    pub id: u32,
    /// 29-bit identifier.
    pub extended: bool,
    /// Remote request: no data, only a data length code.
    pub remote: bool,
    /// Transmitted by the logging side, as some capture formats note; false for a received frame.
    pub transmitted: bool,
    /// CAN FD: its flags as the Linux `canfd_frame` has them (1 bit rate switch, 2 error state). `None` is a
    /// classic frame.
    pub fd_flags: Option<u8>,
    /// Data length code as sent.
    pub dlc: u8,
    /// The adapter's own time stamp, ms, 0 to 59,999.
    pub device_ms: Option<u16>,
    length: u8,
    bytes: Bytes,
}

/// Room for data.
#[derive(Clone, PartialEq, Eq)]
enum Bytes {
    Classic([u8; 8]),
    Fd(Box<[u8; 64]>),
}

impl CanFrame {
    /// A received classic frame without data; the other fields are public.
    pub const fn new(id: u32, extended: bool) -> Self {
        Self {
            id,
            extended,
            remote: false,
            transmitted: false,
            fd_flags: None,
            dlc: 0,
            device_ms: None,
            length: 0,
            bytes: Bytes::Classic([0; 8]),
        }
    }

    /// The same frame with data; `dlc` follows from the length.
    ///
    /// # Panics
    /// When there are more than 64 bytes.
    #[must_use]
    pub fn with_data(mut self, data: &[u8]) -> Self {
        self.data_mut(data.len() as u8).copy_from_slice(data);
        self.dlc = FD_LENGTHS.iter().position(|l| usize::from(*l) >= data.len()).unwrap_or(15) as u8;
        self
    }

    /// The data, 0 to 64 bytes.
    pub fn data(&self) -> &[u8] {
        let length = usize::from(self.length);
        match &self.bytes {
            Bytes::Classic(bytes) => &bytes[..length],
            Bytes::Fd(bytes) => &bytes[..length],
        }
    }

    /// Room for `length` bytes of data, at most 64.
    pub(crate) fn data_mut(&mut self, length: u8) -> &mut [u8] {
        self.length = length.min(64);
        let length = usize::from(self.length);
        if length > 8 && matches!(self.bytes, Bytes::Classic(_)) {
            self.bytes = Bytes::Fd(Box::new([0; 64]));
        }
        match &mut self.bytes {
            Bytes::Classic(bytes) => &mut bytes[..length],
            Bytes::Fd(bytes) => &mut bytes[..length],
        }
    }
}

impl fmt::Debug for CanFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = if self.extended { "ext" } else { "std" };
        write!(f, "{kind} 0x{:X} dlc {}", self.id, self.dlc)?;
        if self.remote {
            f.write_str(" remote")?;
        }
        if let Some(flags) = self.fd_flags {
            write!(f, " fd {flags}")?;
        }
        if self.transmitted {
            f.write_str(" tx")?;
        }
        write!(f, " {:02x?}", self.data())?;
        match self.device_ms {
            Some(ms) => write!(f, " at {ms} ms"),
            None => Ok(()),
        }
    }
}

/// One message of a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// A CAN frame.
    Frame(CanFrame),
    /// A good line of text: a sentence whose checksum holds, a row, a header.
    Line(String),
    /// What an adapter says about itself: state, errors, refusals, its version.
    Status(Status),
    /// Something that cannot be read.
    Bad(Bad),
    /// Part of a message that the recording does not hold whole, as its first and last bytes often are. Kept, never
    /// decoded, and not held against the port.
    Fragment(String),
}

/// What an adapter says about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Status {
    /// The line as received.
    pub text: String,
    /// What it means.
    pub meaning: StatusMeaning,
}

/// Meaning of an adapter's status line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StatusMeaning {
    /// State of the controller and its error counters.
    State {
        /// `active`, `warning`, `passive` or `bus-off`.
        state: &'static str,
        /// Receive error counter.
        rx_errors: u16,
        /// Transmit error counter.
        tx_errors: u16,
    },
    /// Errors seen on the bus, in words.
    Errors(Vec<&'static str>),
    /// The flags byte of an `F` reply.
    Flags(u8),
    /// Version or serial number.
    Version,
    /// A command was refused (BEL).
    Refused,
    /// Acknowledgement of a transmission.
    Sent,
    /// A command for an adapter, heard as an echo.
    Echo,
    /// A frame that a capture format uses to report bus errors.
    ErrorFrame,
}

impl Status {
    /// Whether the adapter says that it lost received frames.
    pub fn is_overrun(&self) -> bool {
        match &self.meaning {
            StatusMeaning::Errors(errors) => errors.contains(&"rx overrun"),
            // Bit 0: receive FIFO full; bit 3: data overrun.
            StatusMeaning::Flags(flags) => flags & 0b1001 != 0,
            _ => false,
        }
    }
}

impl Status {
    /// Whether the adapter says that it has left the bus.
    pub fn is_bus_off(&self) -> bool {
        matches!(self.meaning, StatusMeaning::State { state: "bus-off", .. })
    }

    /// What is wrong, in words; `None` for a status that is none.
    pub fn trouble(&self) -> Option<String> {
        match &self.meaning {
            StatusMeaning::State { state: "active", .. }
            | StatusMeaning::Version
            | StatusMeaning::Sent
            | StatusMeaning::Echo => None,
            StatusMeaning::State { state, rx_errors, tx_errors } => {
                Some(format!("controller is {state}, {rx_errors} receive and {tx_errors} transmit errors"))
            }
            StatusMeaning::Errors(errors) => Some(format!("bus errors: {}", errors.join(", "))),
            StatusMeaning::Flags(0) => None,
            StatusMeaning::Flags(flags) => Some(flag_words(*flags)),
            StatusMeaning::Refused => Some("the adapter refused a command".to_owned()),
            StatusMeaning::ErrorFrame => Some("error frame".to_owned()),
        }
    }
}

/// Bits of the `F` reply in words, as adapter makers' manuals have them.
fn flag_words(flags: u8) -> String {
    const BITS: [&str; 8] = [
        "receive queue full",
        "transmit queue full",
        "error warning",
        "data overrun",
        "bit 4",
        "error passive",
        "arbitration lost",
        "bus error",
    ];
    let set = BITS.iter().enumerate().filter(|(bit, _)| flags >> bit & 1 == 1).map(|(_, word)| *word);
    set.collect::<Vec<_>>().join(", ")
}

/// Something that cannot be read, kept whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bad {
    /// The bytes, undecodable ones as `\xNN`.
    pub text: String,
    /// What is wrong with them.
    pub fault: Fault,
}

/// What is wrong with a message.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// No message of the protocol begins like this.
    #[error("starts with {}, which begins no message", shown(*.0))]
    Start(u8),
    /// A digit is not hexadecimal.
    #[error("{} is not a hexadecimal digit", shown(*.0))]
    Digit(u8),
    /// The identifier does not fit its kind.
    #[error("identifier 0x{0:X} is too large for its kind")]
    Identifier(u32),
    /// The data length code does not exist here.
    #[error("data length code {} is not allowed", shown(*.0))]
    LengthCode(u8),
    /// Too short or too long for its own length code.
    #[error("{found} characters where its length code asks for {expected} (or 4 more with a time stamp)")]
    Length {
        /// Characters without a time stamp.
        expected: usize,
        /// Characters found.
        found: usize,
    },
    /// Device time stamps run from 0 to 59,999 ms.
    #[error("time stamp {0} ms is above 59999")]
    DeviceTime(u16),
    /// Not a well-formed status or error line.
    #[error("not a well-formed status line")]
    Status,
    /// A CAN log line that is not `(seconds) interface frame`.
    #[error("not `(seconds) interface id#data`: {0}")]
    Log(&'static str),
    /// The checksum does not hold.
    #[error("checksum {sent:02X} sent, {computed:02X} computed")]
    Checksum {
        /// As written in the sentence.
        sent: u8,
        /// As computed from it.
        computed: u8,
    },
    /// A sentence without checksum.
    #[error("no checksum")]
    NoChecksum,
    /// A row with another number of columns.
    #[error("{found} columns where {expected} were expected")]
    Columns {
        /// By the header or the rig.
        expected: usize,
        /// In this line.
        found: usize,
    },
    /// No line end in sight.
    #[error("no line end within {0} bytes")]
    Endless(usize),
    /// The stream ended or broke inside the message.
    #[error("cut off before its end")]
    Cut,
    /// A Modbus answer whose checksum does not hold.
    #[error("its CRC does not hold")]
    Crc,
    /// Bytes on a Modbus line that answer no request of ours.
    #[error("answers nothing that was asked: another master, an echo or noise on the line")]
    Unasked,
    /// Its time lies so far from its neighbours' that it cannot be put in order.
    #[error("its time is more than 5 s out of order")]
    Order,
    /// The time column cannot be read.
    #[error("its time cannot be read")]
    Time,
}

/// A byte as a person would write it.
fn shown(byte: u8) -> String {
    if byte.is_ascii_graphic() { format!("`{}`", char::from(byte)) } else { format!("byte 0x{byte:02X}") }
}

/// A message and where in its port's stream it began.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framed {
    /// Bytes of the stream before it.
    pub offset: u64,
    /// The message.
    pub message: Message,
}

/// Bytes as text without loss: valid UTF-8 stays, other bytes become `\xNN`, and so does a backslash that would
/// look like one of these.
///
/// ```
/// use tallywheel_logger::message::escaped;
/// assert_eq!(escaped(b"t1230"), "t1230");
/// assert_eq!(escaped(b"a\xFFb"), r"a\xFFb");
/// assert_eq!(escaped(br"a\xFFb"), r"a\x5CxFFb");
/// ```
pub fn escaped(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        let mut rest = chunk.valid();
        while let Some(at) = rest.find("\\x") {
            text.push_str(&rest[..at]);
            text.push_str("\\x5C");
            rest = &rest[at + 1..];
        }
        text.push_str(rest);
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02X}"));
        }
    }
    text
}

/// The bytes behind an [`escaped`] text.
pub fn unescaped(text: &str) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        let digits = after.strip_prefix(b"x").and_then(|d| std::str::from_utf8(d.get(..2)?).ok());
        match digits.filter(|_| *first == b'\\').and_then(|d| u8::from_str_radix(d, 16).ok()) {
            Some(byte) => {
                bytes.push(byte);
                rest = &after[3..];
            }
            None => {
                bytes.push(*first);
                rest = after;
            }
        }
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_read_as_fragments_of_a_sentence() {
        assert_eq!(Fault::Start(b'?').to_string(), "starts with `?`, which begins no message");
        assert_eq!(Fault::Digit(0).to_string(), "byte 0x00 is not a hexadecimal digit");
        assert_eq!(Fault::Checksum { sent: 0x0b, computed: 0xa0 }.to_string(), "checksum 0B sent, A0 computed");
    }

    /// F flags from an adapter maker's manual (read second-hand): bit 0 receive FIFO full, 1 transmit FIFO full,
    /// 2 error warning, 3 data overrun, 5 error passive, 6 arbitration lost, 7 bus error. Letters of an error line
    /// from the comments of Linux drivers/net/can/slcan/slcan-core.c (read).
    #[test]
    fn only_what_loses_received_frames_is_an_overrun() {
        let overrun = |meaning| Status { text: String::new(), meaning }.is_overrun();
        let lossy = (0..8).filter(|bit| overrun(StatusMeaning::Flags(1 << bit)));
        assert_eq!(lossy.collect::<Vec<_>>(), [0, 3], "F01 and F08");
        assert!(overrun(StatusMeaning::Errors(vec!["crc", "rx overrun"])));
        assert!(!overrun(StatusMeaning::Errors(vec!["bit 0", "crc", "tx overrun"])));
    }

    proptest::proptest! {
        #[test]
        fn escaping_loses_nothing(bytes in proptest::collection::vec(
            proptest::prop_oneof![proptest::prelude::any::<u8>(), proptest::sample::select(&b"\\x5CfF"[..])], 0..40)
        ) {
            proptest::prop_assert_eq!(unescaped(&escaped(&bytes)), bytes);
        }
    }

    #[test]
    fn data_length_code_follows_from_the_data() {
        assert_eq!(CanFrame::new(1, false).with_data(&[0; 8]).dlc, 8);
        assert_eq!(CanFrame::new(1, false).with_data(&[0; 12]).dlc, 9);
        assert_eq!(CanFrame::new(1, false).with_data(&[0; 64]).dlc, 15);
    }

    #[test]
    fn data_of_any_length_comes_back_and_a_message_stays_small() {
        let bytes: Vec<u8> = (0..64).collect();
        for length in 0..=64 {
            assert_eq!(CanFrame::new(1, false).with_data(&bytes[..length]).data(), &bytes[..length]);
        }
        assert!(size_of::<Framed>() <= 64, "{}", size_of::<Framed>());
    }
}
