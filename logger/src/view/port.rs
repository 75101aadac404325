//! One port as it is watched: its framer, what it said, and whether it still speaks.

use tallywheel_schemas::{
    Timestamp,
    rig::{Port, PortKind},
};

use super::{
    channel::age,
    rate::Rate,
    snapshot::{PortNow, PortState},
};
use crate::{
    framing::Framer,
    message::{Message, Status, StatusMeaning},
    modbus::is_answer,
};

/// Losses are shown for so long, s.
const SHOW_LOSS_S: f64 = 10.0;

/// Something that happened to a port, beside bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortEvent {
    /// It has been opened, at first or again.
    Opened,
    /// It could not be opened, or is not there any more.
    Gone(String),
    /// So many messages, or pieces of unknown content, were dropped on our side.
    Dropped(u64),
    /// It was asked with these bytes, by which an answer is told.
    Asked(Vec<u8>),
}

/// One port as it is watched.
#[derive(Debug)]
pub(super) struct PortView {
    port: Port,
    framer: Framer,
    gone: Option<String>,
    silent_after_s: f64,
    messages: u64,
    bad: u64,
    overruns: u64,
    dropped: u64,
    bytes: u64,
    /// Last good message.
    pub(super) heard: Option<Timestamp>,
    opened: Option<Timestamp>,
    lost_at: Option<Timestamp>,
    bus: Option<&'static str>,
    rate: Rate,
    bad_rate: Rate,
    byte_rate: Rate,
}

impl PortView {
    /// `gaps_s` are the gap limits of the channels that it feeds.
    pub(super) fn new(port: &Port, gaps_s: impl Iterator<Item = f64>) -> Self {
        // A message that is a little late is no silence; a port without channels is given five seconds.
        let silent_after_s = gaps_s.reduce(f64::min).unwrap_or(5.0).clamp(2.0, 60.0);
        Self {
            port: port.clone(),
            framer: framer(port),
            gone: None,
            silent_after_s,
            messages: 0,
            bad: 0,
            overruns: 0,
            dropped: 0,
            bytes: 0,
            heard: None,
            opened: None,
            lost_at: None,
            bus: None,
            rate: Rate::default(),
            bad_rate: Rate::default(),
            byte_rate: Rate::default(),
        }
    }

    pub(super) fn is_receiver(&self) -> bool {
        self.port.kind == PortKind::Nmea
    }

    pub(super) fn received(&mut self, bytes: &[u8]) {
        self.gone = None;
        self.bytes += bytes.len() as u64;
        self.framer.received(bytes);
    }

    pub(super) fn next(&mut self) -> Option<Message> {
        self.framer.next().map(|framed| framed.message)
    }

    /// Counts a message.
    pub(super) fn count(&mut self, at: Timestamp, message: &Message) {
        match message {
            // What the logger itself says is no sign of life.
            Message::Line(text) if self.port.kind == PortKind::Modbus && !is_answer(text) => {}
            Message::Frame(_) | Message::Line(_) => {
                self.messages += 1;
                self.heard = Some(at);
            }
            Message::Bad(_) => self.bad += 1,
            Message::Status(status) => self.status(at, status),
            Message::Fragment(_) => {}
        }
    }

    fn status(&mut self, at: Timestamp, status: &Status) {
        if status.is_overrun() {
            self.overruns += 1;
            self.lost_at = Some(at);
        }
        if let StatusMeaning::State { state, .. } = &status.meaning {
            self.bus = Some(state);
        }
    }

    pub(super) fn event(&mut self, at: Timestamp, event: PortEvent) {
        match event {
            PortEvent::Opened => {
                self.gone = None;
                self.bus = None;
                self.opened = Some(at);
                self.framer = framer(&self.port);
            }
            PortEvent::Gone(why) => self.gone = Some(why),
            PortEvent::Dropped(messages) => {
                self.dropped += messages;
                self.lost_at = Some(at);
            }
            PortEvent::Asked(bytes) => self.framer.sent(&bytes),
        }
    }

    pub(super) fn mark(&mut self, now: Timestamp) {
        self.rate.mark(now, self.messages);
        self.bad_rate.mark(now, self.bad);
        self.byte_rate.mark(now, self.bytes);
    }

    /// Bytes a second over the last few seconds.
    pub(super) fn bytes_per_s(&self) -> f64 {
        self.byte_rate.per_s()
    }

    /// Malformed messages as a share of all in the last few seconds.
    pub(super) fn bad_share(&self) -> f64 {
        let (good, bad) = (self.rate.per_s(), self.bad_rate.per_s());
        if bad > 0.0 { bad / (good + bad) } else { 0.0 }
    }

    /// Whether messages were lost in the last few seconds.
    pub(super) fn is_losing(&self, now: Timestamp) -> bool {
        self.lost_at.is_some_and(|at| age(now, at) <= SHOW_LOSS_S)
    }

    pub(super) fn now(&self, now: Timestamp, began: Timestamp) -> PortNow {
        let quiet_since = self.heard.max(self.opened).unwrap_or(began);
        let state = match &self.gone {
            Some(_) => PortState::Gone,
            None if age(now, quiet_since) > self.silent_after_s => PortState::Silent,
            None => PortState::Listening,
        };
        PortNow {
            name: self.port.name.clone(),
            kind: self.port.kind,
            state,
            why: self.gone.clone(),
            messages: self.messages,
            bad: self.bad,
            overruns: self.overruns,
            dropped: self.dropped,
            bytes: self.bytes,
            rate_hz: self.rate.per_s(),
            age_s: self.heard.map(|at| age(now, at)),
            bus: self.bus,
        }
    }
}

/// A port is opened in the middle of whatever it is saying.
fn framer(port: &Port) -> Framer {
    let mut framer = Framer::new(port);
    framer.begin_inside();
    framer
}
