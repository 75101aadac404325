//! One message on its way to frames, at the pace that its receiver sets.

use tallywheel_schemas::Timestamp;

use super::{LONGEST, TIMEOUT_US, padded};

/// Flow control frames in a row that may say "wait".
const WAITS: u8 = 10;

/// A message that cannot be sent, or was given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum SegmentError {
    /// No bytes, or more than a 12-bit length can say.
    #[error("a message has 1 to 4095 bytes, not {0}")]
    Length(usize),
    /// The receiver has no room for it.
    #[error("the receiver says that the message is too long for it")]
    Overflow,
    /// The receiver asked to wait too often.
    #[error("the receiver asked to wait more than {WAITS} times")]
    Waits,
    /// The receiver said something that does not exist.
    #[error("flow control with status {0:X}, which does not exist")]
    FlowStatus(u8),
    /// The receiver says nothing.
    #[error("no flow control came within 1 s")]
    Timeout,
}

/// Cuts one message into classic CAN frames. Nothing is sent here: the frames come out of [`Segmenter::due`].
#[derive(Debug, Clone)]
pub struct Segmenter {
    payload: Vec<u8>,
    sent: usize,
    sequence: u8,
    state: State,
}

#[derive(Debug, Clone, Copy)]
enum State {
    Begin,
    AwaitFlowControl { since: Timestamp, waits: u8 },
    Sending { left: Option<u8>, gap_us: i64, next: Timestamp },
    Done,
    Failed(SegmentError),
}

impl Segmenter {
    /// Takes the message.
    ///
    /// # Errors
    /// When it is empty or longer than 4,095 bytes.
    pub fn new(payload: &[u8]) -> Result<Self, SegmentError> {
        if payload.is_empty() || payload.len() > LONGEST {
            return Err(SegmentError::Length(payload.len()));
        }
        Ok(Self { payload: payload.to_vec(), sent: 0, sequence: 1, state: State::Begin })
    }

    /// The next frame, when its time has come.
    ///
    /// # Errors
    /// When the message was given up; it stays so.
    pub fn due(&mut self, now: Timestamp) -> Result<Option<[u8; 8]>, SegmentError> {
        match self.state {
            State::Begin => Ok(Some(self.begin(now))),
            State::AwaitFlowControl { since, .. } if now > since.plus_us(TIMEOUT_US) => {
                self.fail(SegmentError::Timeout)
            }
            State::Sending { left, gap_us, next } if now >= next => Ok(Some(self.consecutive(now, left, gap_us))),
            State::AwaitFlowControl { .. } | State::Sending { .. } | State::Done => Ok(None),
            State::Failed(error) => Err(error),
        }
    }

    /// When [`Segmenter::due`] has to be asked next; `None` when the message is sent or given up.
    pub fn next_at(&self) -> Option<Timestamp> {
        match self.state {
            State::Begin => Some(Timestamp::from_us(i64::MIN)),
            State::AwaitFlowControl { since, .. } => Some(since.plus_us(TIMEOUT_US + 1)),
            State::Sending { next, .. } => Some(next),
            State::Done | State::Failed(_) => None,
        }
    }

    /// Whether every frame has come out.
    pub fn is_done(&self) -> bool {
        matches!(self.state, State::Done)
    }

    /// Takes a frame of the receiver. Anything but flow control passes by, and so does flow control that nobody waits
    /// for.
    ///
    /// # Errors
    /// When the receiver refuses the message.
    pub fn heard(&mut self, at: Timestamp, data: &[u8]) -> Result<(), SegmentError> {
        let (State::AwaitFlowControl { waits, .. }, [first, block, separation, ..]) = (self.state, data) else {
            return Ok(());
        };
        if first >> 4 != 3 {
            return Ok(());
        }
        match first & 0xF {
            0 => {
                let left = (*block > 0).then_some(*block);
                self.state = State::Sending { left, gap_us: separation_us(*separation), next: at };
                Ok(())
            }
            1 if waits < WAITS => {
                self.state = State::AwaitFlowControl { since: at, waits: waits + 1 };
                Ok(())
            }
            1 => self.fail(SegmentError::Waits),
            2 => self.fail(SegmentError::Overflow),
            status => self.fail(SegmentError::FlowStatus(status)),
        }
    }

    fn fail<T>(&mut self, error: SegmentError) -> Result<T, SegmentError> {
        self.state = State::Failed(error);
        Err(error)
    }

    fn begin(&mut self, now: Timestamp) -> [u8; 8] {
        let length = self.payload.len();
        let mut frame = Vec::with_capacity(8);
        if length <= 7 {
            frame.push(length as u8);
            self.state = State::Done;
        } else {
            frame.extend([0x10 | (length >> 8) as u8, length as u8]);
            self.state = State::AwaitFlowControl { since: now, waits: 0 };
        }
        self.fill(frame)
    }

    fn consecutive(&mut self, now: Timestamp, left: Option<u8>, gap_us: i64) -> [u8; 8] {
        let frame = self.fill(vec![0x20 | self.sequence]);
        self.sequence = (self.sequence + 1) & 0xF;
        let left = left.map(|n| n - 1);
        self.state = match left {
            _ if self.sent == self.payload.len() => State::Done,
            Some(0) => State::AwaitFlowControl { since: now, waits: 0 },
            left => State::Sending { left, gap_us, next: now.plus_us(gap_us) },
        };
        frame
    }

    /// Adds as much of the message as the frame still takes.
    fn fill(&mut self, mut frame: Vec<u8>) -> [u8; 8] {
        let to = self.payload.len().min(self.sent + 8 - frame.len());
        frame.extend_from_slice(&self.payload[self.sent..to]);
        self.sent = to;
        padded(&frame)
    }
}

/// Least time between two consecutive frames, µs: 00 to 7F are ms, F1 to F9 hundreds of µs; everything else is reserved
/// and to be taken as the longest, 127 ms (from memory).
fn separation_us(byte: u8) -> i64 {
    match byte {
        0..=0x7F => i64::from(byte) * 1000,
        0xF1..=0xF9 => i64::from(byte - 0xF0) * 100,
        _ => 127_000,
    }
}
