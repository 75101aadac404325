//! slcan, the serial-line CAN protocol, as the Linux kernel driver and python-can speak it.
//!
//! ```text
//! t iii l dd…            standard frame: 3 hex digits of identifier, length code, 2 hex digits a byte
//! T iiiiiiii l dd…       extended frame: 8 hex digits of identifier
//! r iii l  R iiiiiiii l  remote requests, no data
//! d D (b B)              CAN FD frames like t T (b B: with bit rate switch); length code 0-F → 0-8,12,…,64
//! … tttt                 optional adapter time stamp: 4 hex digits, ms, 0 to 59,999
//! s a 057 033            state (a active, w warning, p passive, b bus-off), rx and tx error counters
//! e 3 bcO                errors: their number, then a letter each
//! F xx                   reply: flags (bit 0 receive FIFO full, 1 transmit FIFO full, 2 warning, 3 data overrun,
//!                        5 error passive, 6 arbitration lost, 7 bus error)
//! V… v… N…               replies: version, serial number
//! z Z                    acknowledgement of a transmission
//! CR                     ends a message; alone: a command is accepted
//! BEL                    ends a message; alone: a command is refused
//! ```
//!
//! A serial terminal may have saved line feeds in place of carriage returns, so LF ends a message too. Commands
//! that a terminal or adapter echoes are recognised and kept as status lines.

use std::collections::VecDeque;

use super::{
    End,
    pending::{Pending, Span},
};
use crate::message::{
    Bad, CanFrame, FD_BIT_RATE_SWITCH, FD_LENGTHS, Fault, Framed, Message, Status, StatusMeaning, escaped,
};

/// The longest message: `D`, 8 digits, length code, 64 bytes, time stamp.
const LONGEST: usize = 1 + 8 + 1 + 128 + 4;
/// A line that grows beyond this is garbage.
const LIMIT: usize = 512;
/// Largest adapter time stamp, ms.
const DEVICE_MS_MAX: u16 = 59_999;
const BEL: u8 = 0x07;

/// Cuts an slcan byte stream into messages.
#[derive(Debug, Clone)]
pub struct SlcanFramer {
    pending: Pending,
    ready: VecDeque<Framed>,
    inside: bool,
    fd_seen: bool,
    stamped: bool,
}

impl Default for SlcanFramer {
    fn default() -> Self {
        Self::new()
    }
}

impl SlcanFramer {
    /// A framer at the start of a stream.
    pub fn new() -> Self {
        let pending = Pending::new(LIMIT, LONGEST);
        Self { pending, ready: VecDeque::new(), inside: false, fd_seen: false, stamped: false }
    }

    /// Says that the next bytes may begin inside a message.
    pub fn begin_inside(&mut self) {
        self.inside = true;
    }

    /// Takes bytes in the order in which they arrived.
    pub fn received(&mut self, bytes: &[u8]) {
        self.pending.push(bytes);
    }

    /// The next whole message, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<Framed> {
        loop {
            if let Some(framed) = self.ready.pop_front() {
                return Some(framed);
            }
            let span = self.pending.next_line(|b| matches!(b, b'\r' | BEL | b'\n'))?;
            if let Some(framed) = self.line(span) {
                return Some(framed);
            }
        }
    }

    /// Ends the stream; what is left comes out of [`SlcanFramer::next`].
    ///
    /// The last line of a complete file may lack its end, unless it also lacks the time stamp that earlier frames
    /// had: then it was cut.
    pub fn finish(&mut self, end: End) {
        self.ready = std::iter::from_fn(|| self.next()).collect();
        let Some(span) = self.pending.rest() else { return };
        let bytes = self.pending.bytes(span.range.clone());
        let whole = match message(bytes) {
            Ok(Message::Frame(frame)) if frame.device_ms.is_some() || !self.stamped => Some(Message::Frame(frame)),
            Ok(Message::Status(status)) => Some(Message::Status(status)),
            _ => None,
        };
        let message = match whole {
            Some(message) if end == End::Complete => message,
            _ => Message::Bad(Bad { text: escaped(bytes), fault: Fault::Cut }),
        };
        self.ready.push_back(Framed { offset: span.offset, message });
    }

    /// Bytes of a message that is not whole yet, once it has been drained.
    pub(crate) fn waiting(&self) -> usize {
        self.pending.waiting()
    }

    pub(super) fn seek(&mut self, offset: u64) {
        self.pending.seek(offset);
    }

    /// One line, or `None` for an empty one, which only acknowledges a command.
    fn line(&mut self, span: Span) -> Option<Framed> {
        let Span { offset, range, end } = span;
        let bytes = self.pending.bytes(range.clone());
        if bytes.is_empty() {
            let refused = Status { text: "\u{7}".to_owned(), meaning: StatusMeaning::Refused };
            return (end == Some(BEL)).then_some(Framed { offset, message: Message::Status(refused) });
        }
        let inside = std::mem::take(&mut self.inside);
        let fault = match (end, message(bytes)) {
            (None, _) => Fault::Endless(self.pending.limit()),
            (Some(_), Ok(message)) => {
                if let Message::Frame(frame) = &message {
                    self.fd_seen |= frame.fd_flags.is_some();
                    self.stamped |= frame.device_ms.is_some();
                }
                return Some(Framed { offset, message });
            }
            (Some(_), Err(fault)) => fault,
        };
        let tail = end.and_then(|_| tail_frame(bytes, self.fd_seen));
        let head = tail.as_ref().map_or(bytes.len(), |(at, _)| *at);
        let text = escaped(&bytes[..head]);
        let message = if inside { Message::Fragment(text) } else { Message::Bad(Bad { text, fault }) };
        if let Some((at, frame)) = tail {
            self.ready.push_back(Framed { offset: offset + at as u64, message: Message::Frame(frame) });
        }
        Some(Framed { offset, message })
    }
}

/// A good frame at the end of a line that is otherwise garbage, when only one reading is possible.
///
/// `t`, `T`, `r` and `R` are no hexadecimal digits, so the last of them can only begin a message. The letters of
/// CAN FD are digits as well: they count only where FD frames have been seen, and then there may be two readings,
/// which is none.
fn tail_frame(line: &[u8], fd_seen: bool) -> Option<(usize, CanFrame)> {
    let good = |at: usize| match message(&line[at..]) {
        Ok(Message::Frame(frame)) => Some((at, frame)),
        _ => None,
    };
    let last = line.iter().rposition(|b| matches!(b, b't' | b'T' | b'r' | b'R'));
    let classic = last.and_then(good);
    if !fd_seen {
        return classic;
    }
    let from = last.map_or(0, |at| at + 1);
    let fd = (from..line.len()).filter(|at| matches!(line[*at], b'd' | b'D' | b'b' | b'B')).filter_map(good);
    let mut readings = classic.into_iter().chain(fd);
    let first = readings.next();
    if readings.next().is_some() { None } else { first }
}

/// Reads one line without its end.
fn message(line: &[u8]) -> Result<Message, Fault> {
    match line[0] {
        b't' => frame(line, 3, Kind::Classic).map(Message::Frame),
        b'T' => frame(line, 8, Kind::Classic).map(Message::Frame),
        b'r' => frame(line, 3, Kind::Remote).map(Message::Frame),
        b'R' => frame(line, 8, Kind::Remote).map(Message::Frame),
        b'd' => frame(line, 3, Kind::Fd(0)).map(Message::Frame),
        b'D' => frame(line, 8, Kind::Fd(0)).map(Message::Frame),
        b'b' => frame(line, 3, Kind::Fd(FD_BIT_RATE_SWITCH)).map(Message::Frame),
        b'B' => frame(line, 8, Kind::Fd(FD_BIT_RATE_SWITCH)).map(Message::Frame),
        first => {
            let meaning = status(line).ok_or(match first {
                b's' | b'e' | b'F' | b'V' | b'v' | b'N' | b'z' | b'Z' => Fault::Status,
                _ => Fault::Start(first),
            })?;
            Ok(Message::Status(Status { text: escaped(line), meaning }))
        }
    }
}

#[derive(Clone, Copy)]
enum Kind {
    Classic,
    Remote,
    Fd(u8),
}

fn frame(line: &[u8], id_digits: usize, kind: Kind) -> Result<CanFrame, Fault> {
    let header = 1 + id_digits + 1;
    let Some(id_text) = line.get(1..1 + id_digits) else {
        return Err(Fault::Length { expected: header, found: line.len() });
    };
    let id = hex_u32(id_text)?;
    let extended = id_digits == 8;
    if id > if extended { 0x1FFF_FFFF } else { 0x7FF } {
        return Err(Fault::Identifier(id));
    }
    let Some(&code) = line.get(header - 1) else {
        return Err(Fault::Length { expected: header, found: line.len() });
    };
    let mut frame = CanFrame::new(id, extended);
    frame.dlc = hex_digit(code).map_err(|_| Fault::LengthCode(code))?;
    let length = match kind {
        Kind::Fd(flags) => {
            frame.fd_flags = Some(flags);
            FD_LENGTHS[usize::from(frame.dlc)]
        }
        _ if frame.dlc > 8 => return Err(Fault::LengthCode(code)),
        Kind::Classic => frame.dlc,
        Kind::Remote => {
            frame.remote = true;
            0
        }
    };
    let expected = header + 2 * usize::from(length);
    if line.len() == expected + 4 {
        let ms = hex_u32(&line[expected..])? as u16;
        if ms > DEVICE_MS_MAX {
            return Err(Fault::DeviceTime(ms));
        }
        frame.device_ms = Some(ms);
    } else if line.len() != expected {
        return Err(Fault::Length { expected, found: line.len() });
    }
    for (byte, digits) in frame.data_mut(length).iter_mut().zip(line[header..].chunks_exact(2)) {
        *byte = hex_byte(digits[0], digits[1])?;
    }
    Ok(frame)
}

fn status(line: &[u8]) -> Option<StatusMeaning> {
    let rest = &line[1..];
    match line[0] {
        // A command that sets the bit rate registers (sxxyy) has four hexadecimal digits.
        b's' if rest.len() == 4 && rest.iter().all(u8::is_ascii_hexdigit) => Some(StatusMeaning::Echo),
        b's' => state(rest),
        b'e' => errors(rest),
        b'F' if rest.len() == 2 => hex_u32(rest).ok().map(|flags| StatusMeaning::Flags(flags as u8)),
        b'V' | b'v' | b'N' if !rest.is_empty() && rest.iter().all(u8::is_ascii_alphanumeric) => {
            Some(StatusMeaning::Version)
        }
        b'z' | b'Z' if rest.is_empty() => Some(StatusMeaning::Sent),
        // Commands heard as an echo: open, close, listen only, rate codes, time stamps, queries, filters.
        b'O' | b'C' | b'L' | b'V' | b'v' | b'N' | b'F' if rest.is_empty() => Some(StatusMeaning::Echo),
        b'S' | b'Y' | b'Z' | b'X' | b'W' if matches!(rest, [b'0'..=b'9']) => Some(StatusMeaning::Echo),
        b'M' | b'm' if rest.len() == 8 && rest.iter().all(u8::is_ascii_hexdigit) => Some(StatusMeaning::Echo),
        _ => None,
    }
}

fn state(rest: &[u8]) -> Option<StatusMeaning> {
    let state = match *rest.first()? {
        b'a' => "active",
        b'w' => "warning",
        b'p' => "passive",
        b'b' | b'f' => "bus-off",
        _ => return None,
    };
    let counters = rest.get(1..).filter(|d| d.len() == 6 && d.iter().all(u8::is_ascii_digit))?;
    let number = |digits: &[u8]| digits.iter().fold(0_u16, |n, d| n * 10 + u16::from(d - b'0'));
    Some(StatusMeaning::State { state, rx_errors: number(&counters[..3]), tx_errors: number(&counters[3..]) })
}

fn errors(rest: &[u8]) -> Option<StatusMeaning> {
    let (count, letters) = rest.split_first()?;
    if !count.is_ascii_digit() || letters.len() != usize::from(count - b'0') {
        return None;
    }
    let name = |letter: &u8| match letter {
        b'a' => Some("ack"),
        b'b' => Some("bit 0"),
        b'B' => Some("bit 1"),
        b'c' => Some("crc"),
        b'f' => Some("form"),
        b'o' => Some("rx overrun"),
        b'O' => Some("tx overrun"),
        b's' => Some("stuff"),
        _ => None,
    };
    letters.iter().map(name).collect::<Option<Vec<_>>>().map(StatusMeaning::Errors)
}

/// Values of the hexadecimal digits of either case, by their bytes; any other byte has [`NO_DIGIT`].
const DIGITS: [u8; 256] = {
    let mut digits = [NO_DIGIT; 256];
    let mut value = 0;
    while value < 16 {
        digits[b"0123456789ABCDEF"[value] as usize] = value as u8;
        digits[b"0123456789abcdef"[value] as usize] = value as u8;
        value += 1;
    }
    digits
};
const NO_DIGIT: u8 = 0xFF;

/// A hexadecimal digit of either case.
pub(super) const fn hex_digit(digit: u8) -> Result<u8, Fault> {
    match DIGITS[digit as usize] {
        NO_DIGIT => Err(Fault::Digit(digit)),
        value => Ok(value),
    }
}

/// Two hexadecimal digits.
pub(super) fn hex_byte(high: u8, low: u8) -> Result<u8, Fault> {
    let (h, l) = (DIGITS[usize::from(high)], DIGITS[usize::from(low)]);
    // One look for both; which of them is bad only matters when one is.
    if (h | l) == NO_DIGIT {
        return Err(Fault::Digit(if h == NO_DIGIT { high } else { low }));
    }
    Ok(h << 4 | l)
}

/// Up to eight hexadecimal digits.
pub(super) fn hex_u32(digits: &[u8]) -> Result<u32, Fault> {
    digits.iter().try_fold(0, |value, digit| Ok(value << 4 | u32::from(hex_digit(*digit)?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(bytes: &[u8]) -> Vec<String> {
        let mut framer = SlcanFramer::new();
        framer.received(bytes);
        let mut out: Vec<String> = std::iter::from_fn(|| framer.next()).map(|f| show(&f)).collect();
        framer.finish(End::Cut);
        out.extend(std::iter::from_fn(|| framer.next()).map(|f| show(&f)));
        out
    }

    fn show(framed: &Framed) -> String {
        let message = match &framed.message {
            Message::Frame(frame) => format!("{frame:?}"),
            Message::Status(status) => format!("{} = {:?}", status.text.escape_default(), status.meaning),
            Message::Bad(bad) => format!("bad `{}`: {}", bad.text, bad.fault),
            Message::Line(text) | Message::Fragment(text) => format!("`{text}`"),
        };
        format!("{}: {message}", framed.offset)
    }

    /// Source: comments of the Linux driver drivers/net/can/slcan/slcan-core.c (read); the OBD line is synthetic;
    /// FD length codes from python-can's slcan.py (read); F flags from an adapter maker's manual (read second-hand).
    #[test]
    fn lines_of_the_kernel_driver_and_python_can_read_as_documented() {
        let cases = [
            ("t1230\r", "0: std 0x123 dlc 0 []"),
            ("t4563112233\r", "0: std 0x456 dlc 3 [11, 22, 33]"),
            ("T12ABCDEF2AA55\r", "0: ext 0x12ABCDEF dlc 2 [aa, 55]"),
            ("r1230\r", "0: std 0x123 dlc 0 remote []"),
            ("t7E8803410D3200000000EA5F\r", "0: std 0x7E8 dlc 8 [03, 41, 0d, 32, 00, 00, 00, 00] at 59999 ms"),
            (
                "T1111222281122334455667788EA5F\r",
                "0: ext 0x11112222 dlc 8 [11, 22, 33, 44, 55, 66, 77, 88] at 59999 ms",
            ),
            ("sb256256\r", "0: sb256256 = State { state: \"bus-off\", rx_errors: 256, tx_errors: 256 }"),
            ("sa057033\r", "0: sa057033 = State { state: \"active\", rx_errors: 57, tx_errors: 33 }"),
            ("e1a\r", "0: e1a = Errors([\"ack\"])"),
            ("e3bcO\r", "0: e3bcO = Errors([\"bit 0\", \"crc\", \"tx overrun\"])"),
            ("F08\r", "0: F08 = Flags(8)"),
            (
                "d1239000102030405060708090A0B\r",
                "0: std 0x123 dlc 9 fd 0 [00, 01, 02, 03, 04, 05, 06, 07, 08, 09, 0a, 0b]",
            ),
            ("B0000012310A\r", "0: ext 0x123 dlc 1 fd 1 [0a]"),
            ("R000001238\r", "0: ext 0x123 dlc 8 remote []"),
            ("t0bc1ff\r", "0: std 0xBC dlc 1 [ff]"),
            ("V1013\r", "0: V1013 = Version"),
            ("NA123\r", "0: NA123 = Version"),
            ("z\r", "0: z = Sent"),
            ("\x07", "0: \\u{7} = Refused"),
            ("t1230\x07", "0: std 0x123 dlc 0 []"),
            ("S6\r", "0: S6 = Echo"),
        ];
        for (bytes, expected) in cases {
            assert_eq!(all(bytes.as_bytes()), [expected], "{bytes}");
        }
    }

    /// Longest classic line 31 bytes with its CR, largest time stamp 0xEA5F = 59,999 (same source).
    #[test]
    fn longest_line_and_largest_time_stamp_are_as_documented() {
        let longest = "T1111222281122334455667788EA5F\r";
        assert_eq!(longest.len(), 31);
        assert_eq!(all(longest.as_bytes()).len(), 1);
        assert_eq!(u32::from(DEVICE_MS_MAX), hex_u32(b"EA5F").expect("digits"));
    }

    /// The kernel driver drops what has no more than 4 characters before its end; `t1230` has 5 (same source).
    #[test]
    fn no_frame_is_shorter_than_five_characters() {
        assert_eq!(all(b"t1230\r"), ["0: std 0x123 dlc 0 []"]);
        for short in ["t", "t1", "t12", "t123", "T123", "r123"] {
            assert!(all(format!("{short}\r").as_bytes())[0].starts_with("0: bad"), "{short}");
        }
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        let cases = [
            ("t123\r", "bad `t123`: 4 characters where its length code asks for 5 (or 4 more with a time stamp)"),
            ("t1239\r", "bad `t1239`: data length code `9` is not allowed"),
            ("t8000\r", "bad `t8000`: identifier 0x800 is too large for its kind"),
            ("T200000000\r", "bad `T200000000`: identifier 0x20000000 is too large for its kind"),
            ("t12g0\r", "bad `t12g0`: `g` is not a hexadecimal digit"),
            ("t12320102EA60\r", "bad `t12320102EA60`: time stamp 60000 ms is above 59999"),
            ("t123201\r", "bad `t123201`: 7 characters where its length code asks for 9 (or 4 more with a time stamp)"),
            ("x\r", "bad `x`: starts with `x`, which begins no message"),
            ("\u{0}\r", "bad `\u{0}`: starts with byte 0x00, which begins no message"),
            ("e3b\r", "bad `e3b`: not a well-formed status line"),
            ("sq000000\r", "bad `sq000000`: not a well-formed status line"),
            ("t1230", "bad `t1230`: cut off before its end"),
        ];
        for (bytes, expected) in cases {
            assert_eq!(all(bytes.as_bytes()), [format!("0: {expected}")], "{bytes}");
        }
        assert_eq!(all(b"\xFE\xFF\r")[0], "0: bad `\\xFE\\xFF`: starts with byte 0xFE, which begins no message");
    }

    #[test]
    fn the_next_good_frame_survives() {
        assert_eq!(
            all(b"t12380102\rt1230\r"),
            [
                "0: bad `t12380102`: 9 characters where its length code asks for 21 (or 4 more with a time stamp)",
                "10: std 0x123 dlc 0 []"
            ]
        );
        assert_eq!(
            all(b"t1238010t4563112233\r"),
            [
                "0: bad `t1238010`: 19 characters where its length code asks for 21 (or 4 more with a time stamp)",
                "8: std 0x456 dlc 3 [11, 22, 33]"
            ]
        );
        assert_eq!(all(b"\r\r\n\rt1230\r\n"), ["4: std 0x123 dlc 0 []"]);
    }

    #[test]
    fn an_fd_letter_inside_a_frame_is_a_second_reading_only_on_an_fd_bus() {
        // The last twelve characters alone would be the FD frame D 00000000 1 00.
        let line = b"xt1236D00000000100\r";
        assert_eq!(all(line)[1], "1: std 0x123 dlc 6 [d0, 00, 00, 00, 01, 00]");
        let on_fd_bus = [&b"d1230\r"[..], line].concat();
        assert_eq!(all(&on_fd_bus)[1..], ["6: bad `xt1236D00000000100`: starts with `x`, which begins no message"]);
    }

    #[test]
    fn an_endless_line_is_given_out_in_pieces_and_a_frame_at_its_end_is_kept() {
        let mut bytes = vec![b'x'; 2000];
        bytes.extend_from_slice(b"t4563112233\r");
        let out = all(&bytes);
        assert!(out[0].ends_with("no line end within 512 bytes"), "{}", out[0]);
        assert_eq!(out.last().map(String::as_str), Some("2000: std 0x456 dlc 3 [11, 22, 33]"));
        let mut framer = SlcanFramer::new();
        let mut kept = 0;
        for _ in 0..1000 {
            framer.received(&[b'x'; 100]);
            while let Some(framed) = framer.next() {
                let Message::Bad(bad) = framed.message else { panic!("garbage") };
                kept += bad.text.len();
            }
        }
        assert!(framer.pending.bytes(0..0).is_empty() && kept > 99_000, "{kept}");
    }

    #[test]
    fn a_cut_start_is_a_fragment() {
        let mut framer = SlcanFramer::new();
        framer.begin_inside();
        framer.received(b"0102\rt1230\r0102\r");
        let messages: Vec<Message> = std::iter::from_fn(|| framer.next()).map(|f| f.message).collect();
        assert!(matches!(&messages[0], Message::Fragment(text) if text == "0102"));
        assert!(matches!(&messages[1], Message::Frame(_)));
        assert!(matches!(&messages[2], Message::Bad(_)));
    }
}
