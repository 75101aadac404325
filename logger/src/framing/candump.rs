//! The log format of `candump -L`: one frame a line, with absolute time.
//!
//! ```text
//! (seconds.micros) interface ID#DATA       classic frame; 3 hex digits of identifier standard, 8 extended
//! (…) interface ID#DATA_D                  classic frame of 8 bytes with data length code D = 9 to F
//! (…) interface ID#R   ID#Rn               remote request (of n bytes)
//! (…) interface ID##FDATA                  CAN FD frame, F its flags as one hex digit
//! … R   … T                                optional: received or transmitted
//! ```

use std::collections::VecDeque;

use super::{
    End, can_error,
    pending::{Pending, Span},
    slcan::{hex_digit, hex_u32},
};
use crate::message::{Bad, CanFrame, FD_LENGTHS, Fault, Framed, Message, Status, StatusMeaning, escaped};

/// Far beyond the longest line, a CAN FD frame of 64 bytes.
const LIMIT: usize = 1024;
/// Flag in an 8-digit identifier: the frame reports bus errors.
pub(super) const ERROR_FLAG: u32 = 0x2000_0000;

/// A message of a log with the time that the log gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoggedFrame {
    /// Time as written, µs; `None` for a line that cannot be read.
    pub stamp_us: Option<i64>,
    /// The message.
    pub framed: Framed,
}

/// Interfaces that are told apart by name.
const MOST_INTERFACES: usize = 32;

/// Cuts a CAN log into frames.
#[derive(Debug, Clone)]
pub struct CandumpFramer {
    pending: Pending,
    ready: VecDeque<LoggedFrame>,
    inside: bool,
    /// The interface whose lines are wanted; without it all are.
    wanted: Option<String>,
    interfaces: Vec<String>,
    passed_over: u64,
}

impl Default for CandumpFramer {
    fn default() -> Self {
        Self::new()
    }
}

impl CandumpFramer {
    /// A framer at the start of a log.
    pub fn new() -> Self {
        Self {
            pending: Pending::new(LIMIT, 0),
            ready: VecDeque::new(),
            inside: false,
            wanted: None,
            interfaces: Vec::new(),
            passed_over: 0,
        }
    }

    /// A framer that passes over the lines of every interface but one.
    pub fn of_interface(interface: &str) -> Self {
        Self { wanted: Some(interface.to_owned()), ..Self::new() }
    }

    /// Names of the interfaces seen so far, in the order of the log.
    pub fn interfaces(&self) -> &[String] {
        &self.interfaces
    }

    /// Lines of other interfaces that were passed over.
    pub fn passed_over(&self) -> u64 {
        self.passed_over
    }

    /// Says that the next bytes may begin inside a line.
    pub fn begin_inside(&mut self) {
        self.inside = true;
    }

    /// Takes bytes in the order of the file.
    pub fn received(&mut self, bytes: &[u8]) {
        self.pending.push(bytes);
    }

    /// The next line's frame, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<LoggedFrame> {
        if let Some(logged) = self.ready.pop_front() {
            return Some(logged);
        }
        loop {
            let span = self.pending.next_line(|b| matches!(b, b'\r' | b'\n'))?;
            if let Some(logged) = self.line(span) {
                return Some(logged);
            }
        }
    }

    /// Ends the log; a last line without line end comes out of [`CandumpFramer::next`].
    pub fn finish(&mut self, end: End) {
        self.ready = std::iter::from_fn(|| self.next()).collect();
        let Some(mut span) = self.pending.rest() else { return };
        let last = match end {
            End::Complete => {
                span.end = Some(b'\n');
                self.line(span)
            }
            End::Cut => {
                let text = escaped(self.pending.bytes(span.range));
                let message = Message::Bad(Bad { text, fault: Fault::Cut });
                Some(LoggedFrame { stamp_us: None, framed: Framed { offset: span.offset, message } })
            }
        };
        self.ready.extend(last);
    }

    /// Bytes of a line that is not whole yet, once it has been drained.
    pub(crate) fn waiting(&self) -> usize {
        self.pending.waiting()
    }

    pub(super) fn seek(&mut self, offset: u64) {
        self.pending.seek(offset);
    }

    /// A line's message; `None` for a blank one and for one of an interface that is not wanted.
    fn line(&mut self, span: Span) -> Option<LoggedFrame> {
        if span.range.is_empty() {
            return None;
        }
        let bytes = self.pending.bytes(span.range);
        if let Some(interface) = interface(bytes) {
            let known = self.interfaces.iter().any(|known| known.as_bytes() == interface);
            if !known && self.interfaces.len() < MOST_INTERFACES {
                self.interfaces.push(escaped(interface));
            }
            if self.wanted.as_ref().is_some_and(|wanted| wanted.as_bytes() != interface) {
                self.passed_over += 1;
                return None;
            }
        }
        let read = if span.end.is_some() { line(bytes) } else { Err(Fault::Endless(LIMIT)) };
        let inside = std::mem::take(&mut self.inside);
        let (stamp_us, message) = match read {
            Ok((stamp, message)) => (Some(stamp), message),
            Err(_) if inside => (None, Message::Fragment(escaped(bytes))),
            Err(fault) => (None, Message::Bad(Bad { text: escaped(bytes), fault })),
        };
        Some(LoggedFrame { stamp_us, framed: Framed { offset: span.offset, message } })
    }
}

/// The interface of a line that begins as one of a log does.
fn interface(bytes: &[u8]) -> Option<&[u8]> {
    let mut words = bytes.split(u8::is_ascii_whitespace).filter(|w| !w.is_empty());
    words.next().and_then(seconds)?;
    words.next().filter(|word| !word.contains(&b'#'))
}

fn line(bytes: &[u8]) -> Result<(i64, Message), Fault> {
    let mut words = bytes.split(u8::is_ascii_whitespace).filter(|w| !w.is_empty());
    let stamp = words.next().and_then(seconds).ok_or(Fault::Log("no time"))?;
    let _interface = words.next().ok_or(Fault::Log("no interface"))?;
    let frame = words.next().ok_or(Fault::Log("no frame"))?;
    let transmitted = match (words.next(), words.next()) {
        (None | Some(b"R"), None) => false,
        (Some(b"T"), None) => true,
        _ => return Err(Fault::Log("more behind the frame")),
    };
    let message = match parse_frame(frame)? {
        Some(mut frame) => {
            frame.transmitted = transmitted;
            Message::Frame(frame)
        }
        None => Message::Status(Status { text: escaped(bytes), meaning: error_meaning(frame) }),
    };
    Ok((stamp, message))
}

/// `(1436509052.249713)` in µs. Read as two integers: a 64-bit float is too coarse for µs since 1970 plus rounding.
fn seconds(word: &[u8]) -> Option<i64> {
    let inner = word.strip_prefix(b"(")?.strip_suffix(b")")?;
    let mut parts = inner.split(|b| *b == b'.');
    let whole = digits(parts.next()?)?;
    let fraction = match parts.next() {
        None => 0,
        Some(text) if text.len() <= 9 => digits(text)? * 10_i64.pow(9 - text.len() as u32) / 1000,
        Some(_) => return None,
    };
    if parts.next().is_some() {
        return None;
    }
    whole.checked_mul(1_000_000)?.checked_add(fraction)
}

fn digits(text: &[u8]) -> Option<i64> {
    if text.is_empty() || text.len() > 12 || !text.iter().all(u8::is_ascii_digit) {
        return None;
    }
    Some(text.iter().fold(0, |n, d| n * 10 + i64::from(d - b'0')))
}

/// A frame, or `None` for one that reports bus errors.
fn parse_frame(word: &[u8]) -> Result<Option<CanFrame>, Fault> {
    let hash = word.iter().position(|b| *b == b'#').ok_or(Fault::Log("no `#`"))?;
    let (id_text, rest) = (&word[..hash], &word[hash + 1..]);
    let id = hex_u32(id_text)?;
    let mut frame = match id_text.len() {
        3 if id <= 0x7FF => CanFrame::new(id, false),
        8 if id & ERROR_FLAG != 0 && id <= 0x3FFF_FFFF => return Ok(None),
        8 if id <= 0x1FFF_FFFF => CanFrame::new(id, true),
        3 | 8 => return Err(Fault::Identifier(id)),
        _ => return Err(Fault::Log("the identifier has 3 or 8 digits")),
    };
    match rest {
        [b'#', flags, data @ ..] => {
            frame.fd_flags = Some(hex_digit(*flags)?);
            let length = hex_data(&mut frame, data, 64)?;
            let code = FD_LENGTHS.iter().position(|l| *l == length);
            frame.dlc = code.ok_or(Fault::Log("no CAN FD frame has this length"))? as u8;
        }
        [b'R', code @ ..] => {
            frame.remote = true;
            frame.dlc = match code {
                [] => 0,
                [digit @ b'0'..=b'8'] => digit - b'0',
                _ => return Err(Fault::Log("a remote request is R or R0 to R8")),
            };
        }
        [data @ .., b'_', code] if data.len() == 16 => {
            hex_data(&mut frame, data, 8)?;
            frame.dlc = hex_digit(*code).ok().filter(|c| *c > 8).ok_or(Fault::LengthCode(*code))?;
        }
        data => frame.dlc = hex_data(&mut frame, data, 8)?,
    }
    Ok(Some(frame))
}

/// Meaning of a frame that reports bus errors, as far as its data can be read.
fn error_meaning(word: &[u8]) -> StatusMeaning {
    let Some((id, data)) = word.split_at_checked(8) else { return StatusMeaning::ErrorFrame };
    let classes = hex_u32(id).unwrap_or_default() & !ERROR_FLAG;
    let byte = |pair: &[u8]| Some(hex_digit(*pair.first()?).ok()? << 4 | hex_digit(*pair.get(1)?).ok()?);
    let detail: Option<Vec<u8>> = data.get(1..).unwrap_or_default().chunks(2).map(byte).collect();
    can_error::meaning(classes, &detail.unwrap_or_default())
}

/// Puts hexadecimal data into a frame; gives its length in bytes.
fn hex_data(frame: &mut CanFrame, text: &[u8], most: usize) -> Result<u8, Fault> {
    if !text.len().is_multiple_of(2) || text.len() / 2 > most {
        return Err(Fault::Log("data are pairs of hexadecimal digits, as many as a frame can hold"));
    }
    let length = (text.len() / 2) as u8;
    for (byte, pair) in frame.data_mut(length).iter_mut().zip(text.chunks_exact(2)) {
        *byte = hex_digit(pair[0])? << 4 | hex_digit(pair[1])?;
    }
    Ok(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(bytes: &[u8]) -> Vec<LoggedFrame> {
        let mut framer = CandumpFramer::new();
        framer.received(bytes);
        framer.finish(End::Complete);
        std::iter::from_fn(|| framer.next()).collect()
    }

    fn show(text: &str) -> String {
        let logged = all(text.as_bytes());
        let [LoggedFrame { stamp_us, framed }] = &logged[..] else { panic!("one line: {logged:?}") };
        match &framed.message {
            Message::Frame(frame) => format!("{stamp_us:?} {frame:?}"),
            Message::Bad(bad) => bad.fault.to_string(),
            other => format!("{other:?}"),
        }
    }

    #[test]
    fn one_interface_can_be_chosen() {
        let log = b"(1.0) can0 123#11\n(1.1) can1 123#22\nnonsense\n(1.2) can0 123#33\n(1.3) can1 12#4\n";
        let mut framer = CandumpFramer::of_interface("can0");
        framer.received(log);
        framer.finish(End::Complete);
        let stamps: Vec<Option<i64>> = std::iter::from_fn(|| framer.next()).map(|l| l.stamp_us).collect();
        assert_eq!(stamps, [Some(1_000_000), None, Some(1_200_000)], "what has no interface is kept");
        assert_eq!((framer.interfaces(), framer.passed_over()), (&["can0".to_owned(), "can1".to_owned()][..], 2));
        assert_eq!(all(log).len(), 5);
    }

    /// What is written for keeping reads back as the same frame.
    #[test]
    fn a_kept_frame_reads_back() {
        for line in
            ["001#8D00100100820100", "12ABCDEF#AA55 T", "044#R4", "123##1000102", "123#0011223344556677_F", "7FF#"]
        {
            let read = |text: &str| all(text.as_bytes()).remove(0);
            let first = read(&format!("(12.000034) can0 {line}\n"));
            let Message::Frame(frame) = &first.framed.message else { panic!("a frame: {first:?}") };
            let at = tallywheel_schemas::Timestamp::from_us(first.stamp_us.expect("a time"));
            let again = read(&crate::framing::log_line(at, "log", frame));
            assert_eq!(again, first, "{line}");
        }
    }

    /// Source of the first line: python-can canutils.py (read), 8 bytes. The forms behind it are the ones that the
    /// module's table lists.
    #[test]
    fn log_lines_read_as_documented() {
        let cases = [
            ("(0.0) vcan0 001#8d00100100820100", "Some(0) std 0x1 dlc 8 [8d, 00, 10, 01, 00, 82, 01, 00]"),
            ("(1436509052.249713) can1 12ABCDEF#AA55", "Some(1436509052249713) ext 0x12ABCDEF dlc 2 [aa, 55]"),
            ("(1.5) can0 044#R", "Some(1500000) std 0x44 dlc 0 remote []"),
            ("(1.5) can0 044#R4 T", "Some(1500000) std 0x44 dlc 4 remote tx []"),
            (
                "(1.000001) can0 123##1000102030405060708090A0B R",
                "Some(1000001) std 0x123 dlc 9 fd 1 [00, 01, 02, 03, 04, 05, 06, 07, 08, 09, 0a, 0b]",
            ),
            ("(1.0) can0 123#0011223344556677_F", "Some(1000000) std 0x123 dlc 15 [00, 11, 22, 33, 44, 55, 66, 77]"),
            ("(1.0) can0 123#", "Some(1000000) std 0x123 dlc 0 []"),
            (
                "(1.0) can0 123#1",
                "not `(seconds) interface id#data`: data are pairs of hexadecimal digits, as many as a frame can hold",
            ),
            ("(1.0) can0 1234#11", "not `(seconds) interface id#data`: the identifier has 3 or 8 digits"),
            ("(1.0) can0 FFF#11", "identifier 0xFFF is too large for its kind"),
            ("(x) can0 123#11", "not `(seconds) interface id#data`: no time"),
            ("(1.0) can0", "not `(seconds) interface id#data`: no frame"),
            (
                "(1.0) can0 123##0112233445566778899",
                "not `(seconds) interface id#data`: no CAN FD frame has this length",
            ),
        ];
        for (line, expected) in cases {
            assert_eq!(show(line), expected, "{line}");
        }
        assert!(show("(1.0) can0 20000080#0000000000000000").contains("ErrorFrame"));
    }
}
