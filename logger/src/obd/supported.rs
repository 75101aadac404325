//! Which parameters an ECU says that it has.

use std::collections::BTreeMap;

/// Bit lists of one ECU. Parameter 00 lists 01 to 20, 20 lists 21 to 40, and so on: the highest bit of byte A is the
/// first, the lowest of D the last (public OBD parameter tables, read).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Supported {
    pages: BTreeMap<u8, u32>,
}

impl Supported {
    /// Takes the data of a list; false when they are too short to be one.
    pub(super) fn take(&mut self, page: u8, data: &[u8]) -> bool {
        let [a, b, c, d, ..] = *data else { return false };
        self.pages.insert(page, u32::from_be_bytes([a, b, c, d]));
        true
    }

    /// Whether the ECU lists a parameter, 01 or higher.
    pub(super) fn has(&self, pid: u8) -> bool {
        let place = pid.wrapping_sub(1);
        self.pages.get(&(place & 0xE0)).is_some_and(|bits| bits >> (31 - (place & 0x1F)) & 1 == 1)
    }
}

/// The list that a parameter, 01 or higher, is in.
pub(super) const fn page_of(pid: u8) -> u8 {
    pid.wrapping_sub(1) & 0xE0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The list BE 1F A8 13 appears in public OBD tutorials: 01, 03-07, 0C-11, 13, 15, 1C, 1F and 20 (worked out by
    /// hand from the bit order).
    #[test]
    fn bits_count_from_the_top() {
        let mut ecu = Supported::default();
        assert!(!ecu.take(0x00, &[1, 2, 3]) && ecu.take(0x00, &[0xBE, 0x1F, 0xA8, 0x13]));
        let listed: Vec<u8> = (1..=0x40).filter(|pid| ecu.has(*pid)).collect();
        let expected =
            [0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20];
        assert_eq!(listed, expected);
        assert!(ecu.take(0xE0, &[0, 0, 0, 2]) && ecu.has(0xFF));
        assert_eq!((page_of(0x01), page_of(0x20), page_of(0x21), page_of(0xFF)), (0x00, 0x00, 0x20, 0xE0));
    }
}
