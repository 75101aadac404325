//! What is counted about one port while its messages pass.

use tallywheel_schemas::{
    Rig, Timestamp,
    manifest::{BadInput, Gap, GapCause, PortRecord},
    rig::{Port, PortKind},
};

use crate::message::{Framed, Message, StatusMeaning};

/// Silence that a satellite receiver or a port without signals may keep, µs.
const DEFAULT_LIMIT_US: i64 = 2_000_000;
/// Bad messages that are described one by one.
const EXAMPLES: usize = 5;
/// Gaps that are listed one by one.
const MOST_GAPS: usize = 1000;

/// Counters of one port.
#[derive(Debug)]
pub(crate) struct PortTally {
    record: PortRecord,
    kind: PortKind,
    limit_us: i64,
    last_us: Option<i64>,
    /// Why the silence that begins now is known to have begun.
    cause: Option<GapCause>,
    /// Last stamp of anything, good or bad, since the last good message.
    last_any_us: Option<i64>,
    /// Longest time without anything at all since the last good message, µs.
    quiet_us: i64,
    gaps: Vec<Gap>,
    unlisted_gaps: u64,
    fragments: u64,
    refusals: u64,
    stamped: u64,
    absent: bool,
    /// The session breaks off without an end.
    open_ended: bool,
}

impl PortTally {
    pub(crate) fn new(rig: &Rig, port: &Port) -> Self {
        let limits = rig.signals.iter().filter(|s| s.port == port.name).map(|s| s.max_gap_s);
        let limit_us = limits.fold(None, |most: Option<f64>, s| Some(most.map_or(s, |m| m.max(s))));
        Self {
            record: PortRecord { port: port.name.clone(), ..PortRecord::default() },
            kind: port.kind,
            limit_us: limit_us.map_or(DEFAULT_LIMIT_US, |s| (s * 1e6) as i64),
            last_us: None,
            cause: None,
            last_any_us: None,
            quiet_us: 0,
            gaps: Vec::new(),
            unlisted_gaps: 0,
            fragments: 0,
            refusals: 0,
            stamped: 0,
            absent: false,
            open_ended: false,
        }
    }

    pub(crate) fn bytes(&mut self, bytes: u64) {
        self.record.bytes += bytes;
    }

    pub(crate) fn carried(&mut self, bytes: u64) {
        self.record.bytes = self.record.bytes.saturating_sub(bytes);
    }

    /// Says that nothing could come from the port: it has no capture.
    pub(crate) fn absent(&mut self) {
        self.absent = true;
    }

    /// Counts messages that never reached the journal.
    pub(crate) fn dropped(&mut self, messages: u64, disk_stopped: bool) {
        self.record.dropped += messages;
        self.lost(if disk_stopped { GapCause::DiskFull } else { GapCause::Dropped });
    }

    /// Says why data are missing from the last good message on. The first cause is kept: what follows from it is none.
    pub(crate) fn lost(&mut self, cause: GapCause) {
        self.cause.get_or_insert(cause);
    }

    /// Counts a message; `start_us` is the start of the session.
    pub(crate) fn count(&mut self, start_us: i64, t_us: i64, framed: &Framed) {
        match &framed.message {
            // What the logger itself says is no sign of life.
            Message::Frame(frame) if frame.transmitted => {}
            Message::Frame(frame) => {
                self.heard(start_us, t_us);
                self.record.frames += 1;
                self.stamped += u64::from(frame.device_ms.is_some());
            }
            Message::Line(text) => {
                self.record.lines += 1;
                if self.kind != PortKind::Modbus || crate::modbus::is_answer(text) {
                    self.heard(start_us, t_us);
                }
            }
            Message::Status(status) => {
                self.record.lines += 1;
                self.record.overruns += u64::from(status.is_overrun());
                self.refusals += u64::from(status.meaning == StatusMeaning::Refused);
                if status.is_overrun() {
                    self.lost(GapCause::Overrun);
                }
                if status.is_bus_off() {
                    self.lost(GapCause::BusOff);
                }
            }
            Message::Bad(bad) => {
                self.something(start_us, t_us);
                self.record.bad += 1;
                if self.record.bad_examples.len() < EXAMPLES {
                    let example = BadInput { byte_offset: framed.offset, reason: bad.fault.to_string() };
                    self.record.bad_examples.push(example);
                }
            }
            Message::Fragment(_) => self.fragments += 1,
        }
    }

    /// A good message: ends the stretch without data before it.
    fn heard(&mut self, start_us: i64, t_us: i64) {
        self.pause(start_us, Some(t_us));
        (self.last_us, self.last_any_us, self.quiet_us) = (Some(t_us), None, 0);
    }

    /// Anything that arrived, good or bad: ends the time without anything at all.
    fn something(&mut self, start_us: i64, t_us: i64) {
        let since = self.last_any_us.or(self.last_us).unwrap_or(start_us);
        self.quiet_us = self.quiet_us.max(t_us - since);
        self.last_any_us = Some(t_us);
    }

    /// Says that the session breaks off: from the last good message on nothing is known.
    pub(crate) fn broken_off(&mut self, cause: GapCause) {
        self.cause = Some(self.cause.unwrap_or(cause));
        self.open_ended = true;
    }

    /// Ends the stretch without data that ends at `t_us`, or at a time that nobody knows.
    fn pause(&mut self, start_us: i64, t_us: Option<i64>) {
        let from = self.last_us.unwrap_or(start_us);
        let length_us = t_us.map(|t| t - from);
        if let (Some(_), Some(length)) = (self.last_us, length_us) {
            self.record.longest_gap_us = self.record.longest_gap_us.max(length);
        }
        let cause = self.cause.take();
        // What is known to be lost is listed however short the silence was.
        if cause.is_none() && length_us.is_some_and(|length| length <= self.limit_us) {
            return;
        }
        if self.gaps.len() == MOST_GAPS {
            self.unlisted_gaps += 1;
            return;
        }
        t_us.into_iter().for_each(|t| self.something(start_us, t));
        let otherwise = if self.quiet_us > self.limit_us { GapCause::Silent } else { GapCause::Unreadable };
        self.gaps.push(Gap {
            port: self.record.port.clone(),
            start_us: Timestamp::from_us(from),
            length_us,
            cause: cause.unwrap_or(otherwise),
        });
    }

    /// Ends the count at the end of the session.
    pub(crate) fn finish(mut self, start_us: i64, end_us: i64) -> (PortRecord, Vec<Gap>, Vec<String>) {
        let mut notes = Vec::new();
        if self.absent {
            notes.push(format!("port {}: no capture was imported for it", self.record.port));
        } else {
            self.pause(start_us, (!self.open_ended).then_some(end_us));
        }
        let port = &self.record.port;
        if self.fragments > 0 {
            notes.push(format!(
                "port {port}: {} message(s) were cut by the start or end of listening; kept in `lines`, not decoded",
                self.fragments
            ));
        }
        if self.refusals > 0 {
            notes.push(format!("port {port}: the adapter refused a command {} time(s)", self.refusals));
        }
        if self.kind == PortKind::Slcan && self.stamped > 0 && self.stamped < self.record.frames {
            let bare = self.record.frames - self.stamped;
            notes.push(format!(
                "port {port}: {bare} frame(s) came without the adapter's time stamp among {} that had one",
                self.stamped
            ));
        }
        if self.unlisted_gaps > 0 {
            notes.push(format!("port {port}: {} further gaps are not listed", self.unlisted_gaps));
        }
        (self.record, self.gaps, notes)
    }
}
