//! NMEA 0183 sentences: `$` talker and type, fields, `*` checksum, CR LF.
//!
//! A sentence passes when its checksum holds, whatever its type; which types are understood is the decoder's
//! business. A sentence without a checksum cannot be trusted on a moving vehicle and counts as bad.

use std::collections::VecDeque;

use super::{
    End,
    pending::{Pending, Span},
    slcan::hex_digit,
};
use crate::message::{Bad, Fault, Framed, Message, escaped};

/// The standard allows 82 characters; some receivers send up to a hundred.
const LONGEST: usize = 256;
/// A line that grows beyond this is garbage.
const LIMIT: usize = 1024;

/// Cuts a receiver's byte stream into sentences.
#[derive(Debug, Clone)]
pub struct NmeaFramer {
    pending: Pending,
    ready: VecDeque<Framed>,
    inside: bool,
}

impl Default for NmeaFramer {
    fn default() -> Self {
        Self::new()
    }
}

impl NmeaFramer {
    /// A framer at the start of a stream.
    pub fn new() -> Self {
        Self { pending: Pending::new(LIMIT, LONGEST), ready: VecDeque::new(), inside: false }
    }

    /// Says that the next bytes may begin inside a sentence.
    pub fn begin_inside(&mut self) {
        self.inside = true;
    }

    /// Takes bytes in the order in which they arrived.
    pub fn received(&mut self, bytes: &[u8]) {
        self.pending.push(bytes);
    }

    /// The next whole sentence or bad line, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<Framed> {
        loop {
            if let Some(framed) = self.ready.pop_front() {
                return Some(framed);
            }
            let span = self.pending.next_line(|b| matches!(b, b'\r' | b'\n'))?;
            if !span.range.is_empty() {
                return Some(self.line(span));
            }
        }
    }

    /// Ends the stream; what is left comes out of [`NmeaFramer::next`]. A sentence whose checksum holds is whole
    /// even without a line end.
    pub fn finish(&mut self, _end: End) {
        self.ready = std::iter::from_fn(|| self.next()).collect();
        let Some(span) = self.pending.rest() else { return };
        let bytes = self.pending.bytes(span.range);
        let text = escaped(bytes);
        let message = match verify(bytes) {
            Ok(()) => Message::Line(text),
            Err(_) => Message::Bad(Bad { text, fault: Fault::Cut }),
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

    fn line(&mut self, span: Span) -> Framed {
        let Span { offset, range, end } = span;
        let bytes = self.pending.bytes(range);
        let inside = std::mem::take(&mut self.inside);
        let fault = match (end, verify(bytes)) {
            (None, _) => Fault::Endless(self.pending.limit()),
            (Some(_), Ok(())) => return Framed { offset, message: Message::Line(escaped(bytes)) },
            (Some(_), Err(fault)) => fault,
        };
        // A start character lost its line end, or noise came before it: the last sentence may still be whole.
        let start = bytes.iter().rposition(|b| matches!(b, b'$' | b'!')).filter(|at| *at > 0 && end.is_some());
        let tail = start.filter(|at| verify(&bytes[*at..]).is_ok());
        let text = escaped(&bytes[..tail.unwrap_or(bytes.len())]);
        let message = if inside { Message::Fragment(text) } else { Message::Bad(Bad { text, fault }) };
        if let Some(at) = tail {
            let message = Message::Line(escaped(&bytes[at..]));
            self.ready.push_back(Framed { offset: offset + at as u64, message });
        }
        Framed { offset, message }
    }
}

/// Exclusive or of the bytes between the start character and `*`.
///
/// ```
/// use tallywheel_logger::framing::checksum;
/// assert_eq!(checksum(b"GPHDT,74.20,T"), 0x34);
/// ```
pub fn checksum(body: &[u8]) -> u8 {
    body.iter().fold(0, |sum, byte| sum ^ byte)
}

/// Whether a sentence without its line end has a checksum that holds.
pub fn is_verified(line: &[u8]) -> bool {
    verify(line).is_ok()
}

/// Checks a sentence without its line end.
fn verify(line: &[u8]) -> Result<(), Fault> {
    let [b'$' | b'!', body @ ..] = line else {
        return Err(Fault::Start(line.first().copied().unwrap_or_default()));
    };
    let Some(star) = body.iter().rposition(|b| *b == b'*') else { return Err(Fault::NoChecksum) };
    let [high, low] = &body[star + 1..] else { return Err(Fault::NoChecksum) };
    let sent = hex_digit(*high)? << 4 | hex_digit(*low)?;
    let computed = checksum(&body[..star]);
    if sent == computed { Ok(()) } else { Err(Fault::Checksum { sent, computed }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(bytes: &[u8]) -> Vec<Framed> {
        let mut framer = NmeaFramer::new();
        framer.received(bytes);
        std::iter::from_fn(|| framer.next()).collect()
    }

    /// Source: NOAA ATOMIC 2020 ship GPS raw file (read) for the first seven; the last three are a classic tutorial
    /// example (from memory), recomputed.
    #[test]
    fn published_sentences_have_the_checksums_they_were_sent_with() {
        let cases = [
            ("GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D", 0x0B),
            ("GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138", 0x7E),
            ("GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D", 0x2C),
            ("GPGLL,1541.31258893,N,05130.51204125,W,195959.00,A,D", 0x7B),
            ("GPHDT,74.20,T", 0x34),
            ("GPVTG,70.52,T,87.27,M,10.17,N,18.83,K,D", 0x29),
            ("GPRMC,060000.00,A,1353.25162451,N,05445.30213512,W,10.17,70.52,080220,16.8,W,D", 0x05),
            ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
            ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
            ("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", 0x48),
        ];
        for (body, expected) in cases {
            assert_eq!(checksum(body.as_bytes()), expected, "{body}");
            let sentence = format!("${body}*{expected:02X}\r\n");
            assert!(matches!(&all(sentence.as_bytes())[..], [Framed { offset: 0, message: Message::Line(_) }]));
        }
    }

    #[test]
    fn bad_lines_say_why_and_keep_their_text() {
        let cases = [
            ("$GPHDT,74.20,T*35\r\n", "checksum 35 sent, 34 computed"),
            ("$GPHDT,74.20,T\r\n", "no checksum"),
            ("$GPHDT,74.20,T*3\r\n", "no checksum"),
            ("$GPHDT,74.20,T*3x\r\n", "`x` is not a hexadecimal digit"),
            ("boot 1.2\r\n", "starts with `b`, which begins no message"),
        ];
        for (line, expected) in cases {
            let [Framed { offset: 0, message: Message::Bad(bad) }] = &all(line.as_bytes())[..] else {
                panic!("{line}: one bad line")
            };
            assert_eq!((bad.text.as_str(), bad.fault.to_string().as_str()), (line.trim_end(), expected));
        }
    }

    #[test]
    fn a_sentence_glued_to_half_of_another_is_kept() {
        let out = all(b"$GPRMC,1959$GPHDT,74.20,T*34\r\n");
        assert!(matches!(&out[0].message, Message::Bad(bad) if bad.text == "$GPRMC,1959"));
        assert_eq!(out[1], Framed { offset: 11, message: Message::Line("$GPHDT,74.20,T*34".to_owned()) });
    }

    #[test]
    fn a_cut_start_is_a_fragment_and_a_cut_end_is_bad() {
        let mut framer = NmeaFramer::new();
        framer.begin_inside();
        framer.received(b"20,T*34\r\n$GPHDT,74.20,T*34\r\n$GPHD");
        framer.finish(End::Cut);
        let messages: Vec<Message> = std::iter::from_fn(|| framer.next()).map(|f| f.message).collect();
        assert!(matches!(&messages[0], Message::Fragment(text) if text == "20,T*34"));
        assert!(matches!(&messages[1], Message::Line(_)));
        assert!(matches!(&messages[2], Message::Bad(bad) if bad.fault == Fault::Cut));
    }
}
