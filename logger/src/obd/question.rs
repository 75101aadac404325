//! What is asked, how often, and how it fares.

use tallywheel_schemas::{Timestamp, obd::Pid, rig::ObdRequest};

/// Misses in a row after which a question is asked less often.
const PATIENCE: u32 = 3;
/// Longest time between two attempts at a question that is never answered, µs.
const LONGEST_US: i64 = 60_000_000;
/// Time between two attempts at a list of supported parameters, µs.
const LIST_EVERY_US: i64 = 1_000_000;

/// One thing to ask again and again.
#[derive(Debug, Clone)]
pub(super) struct Question {
    /// Whom it is for, by index.
    pub(super) addressee: usize,
    /// Parameter number.
    pub(super) pid: u8,
    /// Where it stands.
    pub(super) state: State,
    /// When it is to be asked next.
    pub(super) due: Timestamp,
    /// Requests sent.
    pub(super) asked: u64,
    /// Requests answered.
    pub(super) answered: u64,
    channels: Vec<String>,
    every_us: i64,
    misses: u32,
}

/// Where a question stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum State {
    /// A list of supported parameters, asked until it is answered.
    List,
    /// A list that was answered.
    Listed,
    /// A value that no list has mentioned yet.
    Unknown,
    /// A value that is supported and asked for.
    Active,
    /// A value that the vehicle does not have.
    Unsupported,
}

impl Question {
    /// A list of supported parameters.
    pub(super) fn list(addressee: usize, page: u8, due: Timestamp) -> Self {
        Self {
            addressee,
            pid: page,
            state: State::List,
            due,
            asked: 0,
            answered: 0,
            channels: Vec::new(),
            every_us: LIST_EVERY_US,
            misses: 0,
        }
    }

    /// A value, not to be asked for before a list has it.
    pub(super) fn value(addressee: usize, request: &ObdRequest) -> Self {
        Self {
            state: State::Unknown,
            channels: request.channels.clone(),
            every_us: (request.every_s * 1e6) as i64,
            ..Self::list(addressee, request.pid, Timestamp::from_us(0))
        }
    }

    /// Whether it is being asked at all.
    pub(super) fn is_open(&self) -> bool {
        matches!(self.state, State::List | State::Active)
    }

    /// It was sent.
    pub(super) fn sent(&mut self, now: Timestamp) {
        self.asked += 1;
        self.due = now.plus_us(self.every_us);
    }

    /// It was answered; gives what to say.
    pub(super) fn hit(&mut self) -> Option<String> {
        self.answered += 1;
        let misses = std::mem::take(&mut self.misses);
        (misses >= PATIENCE).then(|| format!("{} answers again", self.name()))
    }

    /// It was not answered; gives what to say. From the third time on the pauses grow, up to a minute.
    pub(super) fn missed(&mut self, now: Timestamp) -> Option<String> {
        self.misses = self.misses.saturating_add(1);
        if self.misses < PATIENCE {
            return None;
        }
        let longer = self.every_us.max(1_000_000) << (self.misses + 1 - PATIENCE).min(6);
        self.due = now.plus_us(longer.min(LONGEST_US).max(self.every_us));
        (self.misses == PATIENCE).then(|| match self.state {
            State::List => format!("no ECU answers to {}: is the ignition on? It is asked less often now", self.name()),
            _ => format!("{} was not answered {PATIENCE} times and is asked less often now", self.name()),
        })
    }

    /// `PID 0x0C (engine speed)`.
    pub(super) fn name(&self) -> String {
        match (self.state, Pid::find(self.pid)) {
            (State::List | State::Listed, _) => format!("PID 0x{:02X} (supported parameters)", self.pid),
            (_, Some(known)) => format!("PID 0x{:02X} ({})", self.pid, known.name),
            (_, None) => format!("PID 0x{:02X}", self.pid),
        }
    }

    /// What it means that the vehicle does not have it.
    pub(super) fn unsupported(&self) -> String {
        format!("{} is not supported by the vehicle and not asked for: {} stays empty", self.name(), self.feeds())
    }

    /// Its channels.
    pub(super) fn feeds(&self) -> String {
        self.channels.join(", ")
    }
}
