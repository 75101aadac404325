//! Puts the times of one capture to the test before its messages go on.
//!
//! Rows may be out of order by as much as the sealer sorts. A row that lies further back belongs to another stretch
//! of time, as where two captures were joined the wrong way round: it is kept as malformed and never given a time that
//! is not its own, since a counter that is read in the wrong order counts what never was. A single row that jumps
//! ahead is told from a gap by the row behind it.

use std::collections::VecDeque;

use tallywheel_schemas::Timestamp;

use crate::{
    framing::log_line,
    message::{Bad, Fault, Framed, Message},
};

/// How far a row may lie behind one before it, µs: as far as the sealer's window sorts.
pub(crate) const SORTED_US: i64 = 5_000_000;
/// Messages that may wait for a time.
pub(super) const MOST_WAITING: usize = 10_000;

/// A message with the time that its capture gives it.
#[derive(Debug)]
pub(super) struct Stamped {
    pub(super) at: Timestamp,
    pub(super) framed: Framed,
}

/// A row that jumps ahead, and the messages without a time behind it.
#[derive(Debug)]
struct Held {
    at: Timestamp,
    row: Framed,
    followers: Vec<Framed>,
}

/// The messages of a capture on their way to the sealer.
#[derive(Debug, Default)]
pub(super) struct Order {
    /// Latest time that is believed.
    newest: Option<Timestamp>,
    /// What a message without a time of its own takes: the time of the one before it.
    last: Option<Timestamp>,
    /// Messages before the first time.
    early: VecDeque<Framed>,
    held: Option<Held>,
    ready: VecDeque<Stamped>,
    first: Option<Timestamp>,
    sorted: u64,
    misplaced: u64,
}

impl Order {
    /// Takes a message and the time that it carries itself.
    pub(super) fn push(&mut self, framed: Framed, own: Option<Timestamp>) {
        let Some(at) = own else { return self.push_untimed(framed) };
        if let Some(held) = self.held.take() {
            let fits_before = self.newest.is_none_or(|newest| !is_before(at, newest));
            match self.newest {
                _ if !is_before(at, held.at) || !fits_before => self.accept(held),
                Some(newest) => self.reject(held, newest),
                None => {
                    // The first row of all is the wrong one: this one takes its place.
                    self.believe(at);
                    self.give(at, framed);
                    return self.reject(held, at);
                }
            }
        }
        match self.newest {
            Some(newest) if is_before(at, newest) => self.misplace(at, framed, newest),
            Some(newest) if !is_before(newest, at) => {
                self.sorted += u64::from(at < newest);
                self.newest = Some(newest.max(at));
                self.give(at, framed);
            }
            _ => self.held = Some(Held { at, row: framed, followers: Vec::new() }),
        }
    }

    fn push_untimed(&mut self, framed: Framed) {
        match (&mut self.held, self.last) {
            (Some(held), _) if held.followers.len() < MOST_WAITING => held.followers.push(framed),
            (Some(_), _) => {
                self.settle();
                self.push_untimed(framed);
            }
            (None, Some(last)) => self.give(last, framed),
            (None, None) => self.early.push_back(framed),
        }
    }

    /// The next message whose time is settled.
    pub(super) fn next(&mut self) -> Option<Stamped> {
        self.ready.pop_front()
    }

    /// Settles what is held, at the end of the capture.
    pub(super) fn settle(&mut self) {
        if let Some(held) = self.held.take() {
            self.accept(held);
        }
    }

    /// Gives the messages before the first time a time from elsewhere.
    pub(super) fn start_at(&mut self, start: Timestamp) {
        while let Some(framed) = self.early.pop_front() {
            self.give(start, framed);
        }
    }

    /// Messages that wait for a first time.
    pub(super) fn waiting(&self) -> usize {
        self.early.len()
    }

    /// The first time in the capture.
    pub(super) fn first(&self) -> Option<Timestamp> {
        self.first
    }

    /// Rows that the sealer sorts, and rows that are kept as malformed.
    pub(super) fn disorder(&self) -> (u64, u64) {
        (self.sorted, self.misplaced)
    }

    /// Takes a time as the latest so far.
    fn believe(&mut self, at: Timestamp) {
        self.newest = Some(at);
        self.first.get_or_insert(at);
        self.start_at(at);
    }

    fn accept(&mut self, held: Held) {
        self.believe(held.at);
        self.give(held.at, held.row);
        held.followers.into_iter().for_each(|framed| self.give(held.at, framed));
    }

    fn reject(&mut self, held: Held, at: Timestamp) {
        self.misplace(held.at, held.row, at);
        held.followers.into_iter().for_each(|framed| self.give(at, framed));
    }

    /// Keeps a row as malformed, with the time of its neighbours in place of its own.
    fn misplace(&mut self, own: Timestamp, framed: Framed, stamp: Timestamp) {
        self.misplaced += 1;
        let text = match framed.message {
            Message::Frame(frame) => log_line(own, "log", &frame).trim_end().to_owned(),
            Message::Line(text) | Message::Fragment(text) => text,
            Message::Status(status) => status.text,
            Message::Bad(bad) => bad.text,
        };
        self.give(stamp, Framed { message: Message::Bad(Bad { text, fault: Fault::Order }), ..framed });
    }

    fn give(&mut self, at: Timestamp, framed: Framed) {
        self.last = Some(at);
        self.ready.push_back(Stamped { at, framed });
    }
}

/// Whether a time lies so far before another that it cannot be sorted.
fn is_before(at: Timestamp, other: Timestamp) -> bool {
    at.as_us() < other.as_us().saturating_sub(SORTED_US)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows by their time in seconds; `-` has none.
    fn through(rows: &str) -> String {
        let mut order = Order::default();
        for word in rows.split(' ') {
            let own = word.parse::<f64>().ok().map(|s| Timestamp::from_us((s * 1e6) as i64));
            order.push(Framed { offset: 0, message: Message::Line(word.to_owned()) }, own);
        }
        order.settle();
        let show = |s: Stamped| {
            let seconds = s.at.as_us() as f64 / 1e6;
            match s.framed.message {
                Message::Line(text) => format!("{text}@{seconds}"),
                Message::Bad(bad) => format!("!{}@{seconds}", bad.text),
                other => format!("{other:?}"),
            }
        };
        std::iter::from_fn(|| order.next()).map(show).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn rows_keep_their_own_time_or_are_malformed() {
        let cases = [
            ("0 1 2", "0@0 1@1 2@2"),
            // Within the window every row keeps its own time; the sealer sorts.
            ("0 3 1 2 4", "0@0 3@3 1@1 2@2 4@4"),
            // Beyond it the row is malformed, at the time of the latest.
            ("0 4 8 2 9", "0@0 4@4 8@8 !2@8 9@9"),
            // Two halves joined the wrong way round: the earlier half is malformed, every row of it.
            ("100 101 0 1 102", "100@100 101@101 !0@101 !1@101 102@102"),
            // A row that jumps ahead alone is malformed; a gap is not.
            ("0 1 90 2 3", "0@0 1@1 !90@1 2@2 3@3"),
            ("0 1 90 91", "0@0 1@1 90@90 91@91"),
            ("90 0 1", "0@0 !90@0 1@1"),
            ("0 1 90", "0@0 1@1 90@90"),
            // Messages without a time take that of the one before; before the first, that of the first.
            ("- 0 - 1 90 - 2 -", "-@0 0@0 -@0 1@1 !90@1 -@1 2@2 -@2"),
        ];
        for (rows, expected) in cases {
            assert_eq!(through(rows), expected, "{rows}");
        }
    }
}
