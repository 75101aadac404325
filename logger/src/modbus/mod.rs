//! Meters on a Modbus RTU line: what they are asked, and what they answer.
//!
//! Only the two reading functions exist here: 03, holding registers, and 04, input registers. [`Request`] is one of
//! them and reads its answer; [`Poller`] decides when to ask what. Both are plain values: time and messages in,
//! requests out.
//!
//! In `lines` an exchange is two rows, as hexadecimal digits: `> …` what was sent, `< …` what answered.

mod exchange;
mod poller;

pub(crate) use exchange::Match;
pub use exchange::{Answer, Exception, Request};
pub use poller::Poller;

use std::fmt::Write as _;

/// The line of a request that was sent.
pub(crate) fn sent_line(bytes: &[u8]) -> String {
    line('>', bytes)
}

/// The line of an answer.
pub(crate) fn answer_line(bytes: &[u8]) -> String {
    line('<', bytes)
}

/// Whether a line is an answer, so that somebody is there.
pub(crate) fn is_answer(text: &str) -> bool {
    text.starts_with("< ")
}

/// Bytes on the line after a mark: `> 01 04 …` without the spaces.
pub(crate) fn line(mark: char, bytes: &[u8]) -> String {
    let mut text = String::with_capacity(2 + 2 * bytes.len());
    text.push(mark);
    text.push(' ');
    for byte in bytes {
        // Writing to a string does not fail.
        let _ = write!(text, "{byte:02X}");
    }
    text
}

/// A line of an exchange, read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Line {
    /// `> …`
    Sent(Vec<u8>),
    /// `< …`
    Answer(Vec<u8>),
}

impl Line {
    /// `None` for a line that is no part of an exchange: what was not asked for, or cannot be read.
    pub(crate) fn read(text: &str) -> Option<Self> {
        let (mark, digits) = text.split_at_checked(2)?;
        let pair = |at: usize| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok();
        let bytes: Option<Vec<u8>> = (0..digits.len()).step_by(2).map(pair).collect();
        match mark {
            "> " => bytes.map(Self::Sent),
            "< " => bytes.map(Self::Answer),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_read_back() {
        let bytes = [0x01, 0x84, 0xFF];
        assert_eq!(sent_line(&bytes), "> 0184FF");
        assert_eq!(Line::read("> 0184FF"), Some(Line::Sent(bytes.to_vec())));
        assert_eq!(Line::read(&answer_line(&bytes)), Some(Line::Answer(bytes.to_vec())));
        for other in ["? 0184FF", "= 0184FF", "> 018", "> 0g", "", ">", "é 01", "> é1"] {
            assert_eq!(Line::read(other), None, "{other}");
        }
    }
}
