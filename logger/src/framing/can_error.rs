//! What the kernel says about bus errors, in a frame of its own.
//!
//! ```text
//! identifier  bit 2 controller, 6 bus-off, 9 error counters are given, others: what a single frame suffered
//! byte 1      controller: bit 0 rx overrun, 1 tx overrun, 2 and 3 warning, 4 and 5 passive, 6 active again
//! byte 6, 7   transmit and receive error counters
//! ```
//!
//! From `linux/can/error.h` (from memory; with the feature `socketcan` a test compares with that crate's reading).

use crate::message::StatusMeaning;

const CONTROLLER: u32 = 1 << 2;
const BUS_OFF: u32 = 1 << 6;
const COUNTERS: u32 = 1 << 9;

const RX_OVERRUN: u8 = 1;
const TX_OVERRUN: u8 = 1 << 1;
const WARNING: u8 = 1 << 2 | 1 << 3;
const PASSIVE: u8 = 1 << 4 | 1 << 5;
const ACTIVE: u8 = 1 << 6;

/// Meaning of an error frame: lost frames first, since they are gone for good, then the controller's state.
pub(super) fn meaning(classes: u32, detail: &[u8]) -> StatusMeaning {
    let byte = |at: usize, class: u32| if classes & class != 0 { detail.get(at).copied().unwrap_or(0) } else { 0 };
    let controller = byte(1, CONTROLLER);
    let lost = [(RX_OVERRUN, "rx overrun"), (TX_OVERRUN, "tx overrun")].into_iter();
    let lost: Vec<_> = lost.filter(|(bit, _)| controller & bit != 0).map(|(_, word)| word).collect();
    if !lost.is_empty() {
        return StatusMeaning::Errors(lost);
    }
    let state = match controller {
        _ if classes & BUS_OFF != 0 => "bus-off",
        c if c & PASSIVE != 0 => "passive",
        c if c & WARNING != 0 => "warning",
        c if c & ACTIVE != 0 => "active",
        _ => return StatusMeaning::ErrorFrame,
    };
    let (tx_errors, rx_errors) = (u16::from(byte(6, COUNTERS)), u16::from(byte(7, COUNTERS)));
    StatusMeaning::State { state, rx_errors, tx_errors }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lost_frames_and_bus_off_are_told_apart() {
        let state = |state, rx_errors, tx_errors| StatusMeaning::State { state, rx_errors, tx_errors };
        let cases = [
            (0x004, [0, 0x01, 0, 0, 0, 0, 0, 0], StatusMeaning::Errors(vec!["rx overrun"])),
            (0x004, [0, 0x0C, 0, 0, 0, 0, 0, 0], state("warning", 0, 0)),
            (0x204, [0, 0x30, 0, 0, 0, 0, 128, 130], state("passive", 130, 128)),
            (0x040, [0, 0, 0, 0, 0, 0, 9, 9], state("bus-off", 0, 0)),
            (0x240, [0, 0, 0, 0, 0, 0, 248, 3], state("bus-off", 3, 248)),
            (0x004, [0, 0x40, 0, 0, 0, 0, 0, 0], state("active", 0, 0)),
            (0x088, [0, 0x01, 0x08, 0, 0, 0, 0, 0], StatusMeaning::ErrorFrame),
        ];
        for (classes, detail, expected) in cases {
            assert_eq!(meaning(classes, &detail), expected, "{classes:03X} {detail:02X?}");
        }
        assert_eq!(meaning(0x004, &[]), StatusMeaning::ErrorFrame);
    }

    /// Source: the socketcan crate's reading of the same frames.
    #[test]
    #[cfg(feature = "socketcan")]
    fn another_reader_agrees() {
        use socketcan::{CanErrorFrame, errors::ControllerProblems};
        for classes in 1..0x400_u32 {
            for controller in 0..=0x7F_u8 {
                let detail = [0, controller, 0, 0, 0, 0, 40, 50];
                let error = CanErrorFrame::new_error(classes, &detail).expect("a frame").into_error();
                let found = meaning(classes, &detail);
                let problems = error.controller().unwrap_or(ControllerProblems::empty());
                let overrun = problems.contains(ControllerProblems::RX_OVERFLOW);
                let says = |word| matches!(&found, StatusMeaning::Errors(words) if words.contains(&word));
                assert_eq!(says("rx overrun"), overrun, "{classes:03X} {controller:02X}");
                if let StatusMeaning::State { state, rx_errors, tx_errors } = found {
                    assert_eq!(state == "bus-off", error.is_bus_off(), "{classes:03X} {controller:02X}");
                    let counters = error.counters().unwrap_or((0, 0));
                    assert_eq!((tx_errors, rx_errors), (u16::from(counters.0), u16::from(counters.1)));
                }
            }
        }
    }
}
