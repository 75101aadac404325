//! Whom a request is for, and how it looks on the wire.

use std::fmt;

use tallywheel_schemas::obd::{SERVICE_CURRENT_DATA, functional_id, physical_id};

use crate::{isotp::padded, message::CanFrame};

/// Whom a request is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Addressee {
    /// Identifier with which the one ECU answers; `None` is every ECU.
    pub(super) ecu: Option<u32>,
    /// 29-bit identifiers.
    pub(super) extended: bool,
}

impl Addressee {
    /// Identifier of a request.
    pub(super) fn request_id(self) -> u32 {
        let all = functional_id(self.extended);
        self.ecu.map_or(all, |ecu| physical_id(ecu, self.extended).unwrap_or(all))
    }
}

/// `every ECU (7DF)` or `ECU 7E8 (7E0)`.
impl fmt::Display for Addressee {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.ecu {
            None => write!(f, "every ECU ({:X})", self.request_id()),
            Some(ecu) => write!(f, "ECU {ecu:X} ({:X})", self.request_id()),
        }
    }
}

/// The frame that asks for a parameter.
pub(super) fn request(addressee: Addressee, pid: u8) -> CanFrame {
    let data = padded(&[0x02, SERVICE_CURRENT_DATA, pid]);
    CanFrame::new(addressee.request_id(), addressee.extended).with_data(&data)
}

/// A frame of up to eight bytes as an adapter is told to transmit it.
pub(super) fn slcan_line(frame: &CanFrame) -> Vec<u8> {
    let mut line = match frame.extended {
        true => format!("T{:08X}{}", frame.id, frame.data().len()),
        false => format!("t{:03X}{}", frame.id, frame.data().len()),
    };
    for byte in frame.data() {
        line.push_str(&format!("{byte:02X}"));
    }
    line.push('\r');
    line.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: 7DF 02 01 0D + padding on an OBD overview page (read); padding 55 as in a Q&A thread's
    /// 7DF#0209005555555555 (read); 29-bit from memory of ISO 15765-4.
    #[test]
    fn requests_look_as_published() {
        let line = |ecu, extended, pid| {
            String::from_utf8(slcan_line(&request(Addressee { ecu, extended }, pid))).expect("ASCII")
        };
        assert_eq!(line(None, false, 0x0D), "t7DF802010D5555555555\r");
        assert_eq!(line(Some(0x7E8), false, 0x0C), "t7E0802010C5555555555\r");
        assert_eq!(line(None, true, 0x0C), "T18DB33F1802010C5555555555\r");
        assert_eq!(line(Some(0x18DA_F110), true, 0x5E), "T18DA10F1802015E5555555555\r");
    }
}
