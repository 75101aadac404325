//! Frames of one sender on their way to whole messages.

use std::fmt;

use tallywheel_schemas::Timestamp;

use super::{LONGEST, TIMEOUT_US, padded};

/// Something in a stream of frames that is against the protocol. The frame, or what was received before it, is dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// A frame without a byte.
    #[error("a frame without data")]
    Empty,
    /// A message of no bytes.
    #[error("a single frame of length 0")]
    LengthZero,
    /// A first frame whose message would have fitted a single frame.
    #[error("a first frame of a message of only {0} bytes")]
    FirstFrameShort(usize),
    /// A frame that is shorter than its own length says, or than the frames before it.
    #[error("a frame with {found} bytes of data where {expected} were announced")]
    Truncated {
        /// Data bytes announced.
        expected: usize,
        /// Data bytes found.
        found: usize,
    },
    /// A message longer than the receiver takes.
    #[error("a message of {length} bytes, longer than the {limit} that are taken")]
    Overflow {
        /// Announced.
        length: usize,
        /// Taken.
        limit: usize,
    },
    /// A consecutive frame was lost, repeated or out of order.
    #[error("consecutive frame {found} where {expected} was due")]
    WrongSequence {
        /// Due.
        expected: u8,
        /// Found.
        found: u8,
    },
    /// A consecutive frame without a first one.
    #[error("consecutive frame {0} without a first frame")]
    UnexpectedConsecutive(u8),
    /// Another message began before this one was whole.
    #[error("another message began after {received} of {length} bytes")]
    Interrupted {
        /// Bytes received.
        received: usize,
        /// Bytes announced.
        length: usize,
    },
    /// The next consecutive frame did not come in time.
    #[error("nothing came for 1 s after {received} of {length} bytes")]
    Timeout {
        /// Bytes received.
        received: usize,
        /// Bytes announced.
        length: usize,
    },
    /// A kind of frame that the protocol does not have.
    #[error("frame kind {0:X} does not exist")]
    UnknownKind(u8),
}

impl Fault {
    const NAMES: [&str; 10] = [
        "without data",
        "of length 0",
        "first frame too short",
        "truncated",
        "overflow",
        "wrong sequence",
        "unexpected consecutive frame",
        "interrupted",
        "timeout",
        "unknown kind",
    ];

    fn index(self) -> usize {
        match self {
            Self::Empty => 0,
            Self::LengthZero => 1,
            Self::FirstFrameShort(_) => 2,
            Self::Truncated { .. } => 3,
            Self::Overflow { .. } => 4,
            Self::WrongSequence { .. } => 5,
            Self::UnexpectedConsecutive(_) => 6,
            Self::Interrupted { .. } => 7,
            Self::Timeout { .. } => 8,
            Self::UnknownKind(_) => 9,
        }
    }
}

/// How often each kind of fault was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FaultCounts([u64; 10]);

impl FaultCounts {
    /// Counts one.
    pub fn count(&mut self, fault: Fault) {
        self.0[fault.index()] += 1;
    }

    /// All of them.
    pub fn total(&self) -> u64 {
        self.0.iter().sum()
    }

    /// Adds another's.
    pub fn add(&mut self, other: &Self) {
        for (count, more) in self.0.iter_mut().zip(other.0) {
            *count += more;
        }
    }
}

/// `timeout 2, wrong sequence 1`; empty without faults.
impl fmt::Display for FaultCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seen = Fault::NAMES.iter().zip(self.0).filter(|(_, count)| *count > 0);
        for (i, (name, count)) in seen.enumerate() {
            write!(f, "{}{name} {count}", if i > 0 { ", " } else { "" })?;
        }
        Ok(())
    }
}

/// What a frame leads to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// A whole message.
    Message(Vec<u8>),
    /// This frame is to be sent to the sender, or it will not go on. Only who asked may send it.
    SendFlowControl([u8; 8]),
}

/// What came of one frame.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Step {
    /// What is to be done.
    pub outcome: Option<Outcome>,
    /// What was wrong: with this frame, or with what it ended.
    pub faults: Vec<Fault>,
}

/// Puts the messages of one sender together: of the frames with one identifier that answers another.
#[derive(Debug, Clone)]
pub struct Reassembly {
    limit: usize,
    partial: Option<Partial>,
    counts: FaultCounts,
}

/// A message that is not whole yet.
#[derive(Debug, Clone)]
struct Partial {
    length: usize,
    bytes: Vec<u8>,
    /// Number of the consecutive frame that is due.
    due: u8,
    /// Length of the sender's frames: all but the last have it.
    frame_length: usize,
    last: Timestamp,
}

impl Partial {
    fn timeout(&self) -> Fault {
        Fault::Timeout { received: self.bytes.len(), length: self.length }
    }
}

impl Default for Reassembly {
    fn default() -> Self {
        Self::with_limit(LONGEST)
    }
}

impl Reassembly {
    /// One that takes messages of so many bytes at most.
    pub fn with_limit(limit: usize) -> Self {
        Self { limit, partial: None, counts: FaultCounts::default() }
    }

    /// Faults so far.
    pub fn faults(&self) -> &FaultCounts {
        &self.counts
    }

    /// When the message that is being received is given up, if nothing comes.
    pub fn deadline(&self) -> Option<Timestamp> {
        self.partial.as_ref().map(|p| p.last.plus_us(TIMEOUT_US))
    }

    /// Says what time it is; gives up a message that has not gone on for a second.
    pub fn tick(&mut self, now: Timestamp) -> Option<Fault> {
        let overdue = self.deadline().is_some_and(|deadline| now > deadline);
        let fault = self.partial.take_if(|_| overdue)?.timeout();
        self.counts.count(fault);
        Some(fault)
    }

    /// Takes the data of a frame that arrived at a time. Flow control is for the sending side and passes by.
    pub fn frame(&mut self, at: Timestamp, data: &[u8]) -> Step {
        let mut step = Step { outcome: None, faults: self.tick(at).into_iter().collect() };
        let result = match data.first().map(|b| b >> 4) {
            None => Err(Fault::Empty),
            Some(0) => single(data).map(|message| {
                self.interrupt(&mut step);
                Some(Outcome::Message(message.to_vec()))
            }),
            Some(1) => self.first(at, data, &mut step),
            Some(2) => self.consecutive(at, data),
            Some(3) => Ok(None),
            Some(kind) => Err(Fault::UnknownKind(kind)),
        };
        match result {
            Ok(outcome) => step.outcome = outcome,
            Err(fault) => {
                if let Fault::Overflow { .. } = fault {
                    step.outcome = Some(Outcome::SendFlowControl(padded(&[0x32, 0, 0])));
                }
                self.counts.count(fault);
                step.faults.push(fault);
            }
        }
        step
    }

    /// A new message ends the one before it, whole or not.
    fn interrupt(&mut self, step: &mut Step) {
        if let Some(partial) = self.partial.take() {
            let fault = Fault::Interrupted { received: partial.bytes.len(), length: partial.length };
            self.counts.count(fault);
            step.faults.push(fault);
        }
    }

    fn first(&mut self, at: Timestamp, data: &[u8], step: &mut Step) -> Result<Option<Outcome>, Fault> {
        // A first frame is full: 8 bytes, or a length that only CAN FD has.
        let [high, low, short @ ..] = data else { return Err(Fault::Truncated { expected: 6, found: 0 }) };
        let (length, bytes) = match (usize::from(high & 0xF) << 8 | usize::from(*low), short) {
            (0, [a, b, c, d, rest @ ..]) => (u32::from_be_bytes([*a, *b, *c, *d]) as usize, rest),
            (length, rest) => (length, rest),
        };
        if data.len() < 8 {
            return Err(Fault::Truncated { expected: 6, found: short.len() });
        }
        if length < 8 || length <= bytes.len() {
            return Err(Fault::FirstFrameShort(length));
        }
        self.interrupt(step);
        if length > self.limit {
            return Err(Fault::Overflow { length, limit: self.limit });
        }
        let mut message = Vec::with_capacity(length);
        message.extend_from_slice(bytes);
        self.partial = Some(Partial { length, bytes: message, due: 1, frame_length: data.len(), last: at });
        // Everything at once and as fast as it likes.
        Ok(Some(Outcome::SendFlowControl(padded(&[0x30, 0, 0]))))
    }

    fn consecutive(&mut self, at: Timestamp, data: &[u8]) -> Result<Option<Outcome>, Fault> {
        let found = data[0] & 0xF;
        let Some(mut partial) = self.partial.take() else { return Err(Fault::UnexpectedConsecutive(found)) };
        if found != partial.due {
            return Err(Fault::WrongSequence { expected: partial.due, found });
        }
        let remaining = partial.length - partial.bytes.len();
        let expected = remaining.min(partial.frame_length - 1);
        let Some(bytes) = data.get(1..=expected) else {
            return Err(Fault::Truncated { expected, found: data.len() - 1 });
        };
        partial.bytes.extend_from_slice(bytes);
        if partial.bytes.len() == partial.length {
            return Ok(Some(Outcome::Message(partial.bytes)));
        }
        (partial.due, partial.last) = ((partial.due + 1) & 0xF, at);
        self.partial = Some(partial);
        Ok(None)
    }
}

/// The message of a single frame.
fn single(data: &[u8]) -> Result<&[u8], Fault> {
    let (length, bytes) = match data {
        [0, length, rest @ ..] if data.len() > 8 => (usize::from(*length), rest),
        [length, rest @ ..] => (usize::from(*length), rest),
        [] => return Err(Fault::Empty),
    };
    if length == 0 {
        return Err(Fault::LengthZero);
    }
    // A short length in a long frame has no place in the standard, yet can only mean itself.
    bytes.get(..length).ok_or(Fault::Truncated { expected: length, found: bytes.len() })
}
