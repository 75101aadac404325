//! What is said to a device while it is listened to. Most are told nothing.

use tallywheel_schemas::{Rig, Timestamp, rig::PortKind};

use crate::{message::Message, modbus, obd};

/// What a port says, decided without any I/O.
#[derive(Debug, Default)]
pub(crate) enum Talk {
    /// Nothing is ever said.
    #[default]
    Silent,
    /// Meters are asked.
    Meters(Box<modbus::Poller>),
    /// Control units on the vehicle's bus are asked.
    Units(Box<obd::Poller>),
}

impl Talk {
    /// What the rig wants said on a port.
    pub(super) fn new(rig: &Rig, port: usize) -> Self {
        match rig.ports[port].kind {
            PortKind::Modbus => modbus::Poller::new(rig, port).map_or(Self::Silent, |p| Self::Meters(Box::new(p))),
            _ => obd::Poller::new(rig, port).map_or(Self::Silent, |p| Self::Units(Box::new(p))),
        }
    }

    /// What a person is told before anything is said; `None` where nothing ever is.
    pub(crate) fn announcement(rig: &Rig, port: usize) -> Option<String> {
        match Self::new(rig, port) {
            Self::Silent => None,
            Self::Meters(_) => Some(modbus::Poller::announcement(rig, port)),
            Self::Units(_) => Some(obd::announcement(rig, port)),
        }
    }

    /// Bytes that are to be sent now.
    pub(super) fn due(&mut self, now: Timestamp) -> Option<Vec<u8>> {
        match self {
            Self::Silent => None,
            Self::Meters(poller) => poller.due(now),
            Self::Units(poller) => poller.due(now),
        }
    }

    /// When something will be due.
    pub(super) fn next_at(&self) -> Option<Timestamp> {
        match self {
            Self::Silent => None,
            Self::Meters(poller) => poller.next_at(),
            Self::Units(poller) => poller.next_at(),
        }
    }

    /// Takes a message of the port.
    pub(super) fn heard(&mut self, at: Timestamp, message: &Message) {
        match self {
            Self::Silent => {}
            Self::Meters(poller) => poller.heard(at, message),
            Self::Units(poller) => poller.heard(at, message),
        }
    }

    /// What a person should know.
    pub(super) fn take_events(&mut self) -> Vec<String> {
        match self {
            Self::Silent => Vec::new(),
            Self::Meters(poller) => poller.take_events(),
            Self::Units(poller) => poller.take_events(),
        }
    }
}

/// Bytes in hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect()
}
