//! What is said to a device while it is listened to. Most are told nothing.

use tallywheel_schemas::{Rig, Timestamp};

use crate::message::Message;

/// What a port says, decided without any I/O.
#[derive(Debug, Default)]
pub(super) enum Talk {
    /// Nothing is ever said.
    #[default]
    Silent,
}

impl Talk {
    /// What the rig wants said on a port.
    pub(super) fn new(_rig: &Rig, _port: usize) -> Self {
        Self::Silent
    }

    /// Bytes that are to be sent now.
    pub(super) fn due(&mut self, _now: Timestamp) -> Option<Vec<u8>> {
        match self {
            Self::Silent => None,
        }
    }

    /// When something will be due.
    pub(super) fn next_at(&self) -> Option<Timestamp> {
        match self {
            Self::Silent => None,
        }
    }

    /// Takes a message of the port.
    pub(super) fn heard(&mut self, _at: Timestamp, _message: &Message) {
        match self {
            Self::Silent => {}
        }
    }

    /// What a person should know.
    pub(super) fn take_events(&mut self) -> Vec<String> {
        match self {
            Self::Silent => Vec::new(),
        }
    }
}

/// Bytes in hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect()
}
