//! What is counted about one port while its messages pass.

use tallywheel_schemas::{
    Rig, Timestamp,
    manifest::{BadInput, Gap, PortRecord},
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
    cause: Option<&'static str>,
    gaps: Vec<Gap>,
    unlisted_gaps: u64,
    fragments: u64,
    refusals: u64,
    stamped: u64,
    absent: bool,
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
            gaps: Vec::new(),
            unlisted_gaps: 0,
            fragments: 0,
            refusals: 0,
            stamped: 0,
            absent: false,
        }
    }

    pub(crate) fn bytes(&mut self, bytes: u64) {
        self.record.bytes += bytes;
    }

    /// Says that nothing could come from the port: it has no capture.
    pub(crate) fn absent(&mut self) {
        self.absent = true;
    }

    pub(crate) fn dropped(&mut self, messages: u64) {
        self.record.dropped += messages;
        self.cause = Some("dropped");
    }

    pub(crate) fn disconnected(&mut self) {
        self.cause = Some("disconnected");
    }

    /// Counts a message; `start_us` is the start of the session.
    pub(crate) fn count(&mut self, start_us: i64, t_us: i64, framed: &Framed) {
        self.pause(start_us, t_us);
        self.last_us = Some(t_us);
        match &framed.message {
            Message::Frame(frame) => {
                self.record.frames += 1;
                self.stamped += u64::from(frame.device_ms.is_some());
            }
            Message::Line(_) => self.record.lines += 1,
            Message::Status(status) => {
                self.record.lines += 1;
                self.record.overruns += u64::from(status.is_overrun());
                self.refusals += u64::from(status.meaning == StatusMeaning::Refused);
            }
            Message::Bad(bad) => {
                self.record.bad += 1;
                if self.record.bad_examples.len() < EXAMPLES {
                    let example = BadInput { byte_offset: framed.offset, reason: bad.fault.to_string() };
                    self.record.bad_examples.push(example);
                }
            }
            Message::Fragment(_) => self.fragments += 1,
        }
    }

    /// Ends the stretch without data that ends at `t_us`.
    fn pause(&mut self, start_us: i64, t_us: i64) {
        let from = self.last_us.unwrap_or(start_us);
        let length_us = t_us - from;
        if self.last_us.is_some() {
            self.record.longest_gap_us = self.record.longest_gap_us.max(length_us);
        }
        let cause = self.cause.take();
        // What is known to be lost is listed however short the silence was.
        if length_us > self.limit_us || cause.is_some() {
            if self.gaps.len() == MOST_GAPS {
                self.unlisted_gaps += 1;
                return;
            }
            self.gaps.push(Gap {
                port: self.record.port.clone(),
                start_us: Timestamp::from_us(from),
                length_us,
                cause: cause.unwrap_or("silent").to_owned(),
            });
        }
    }

    /// Ends the count at the end of the session.
    pub(crate) fn finish(mut self, start_us: i64, end_us: i64) -> (PortRecord, Vec<Gap>, Vec<String>) {
        let mut notes = Vec::new();
        if self.absent {
            notes.push(format!("port {}: no capture was imported for it", self.record.port));
        } else {
            self.pause(start_us, end_us);
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
