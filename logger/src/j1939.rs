//! J1939 parameter groups longer than a frame, as far as one can overhear them: broadcasts (SAE J1939-21, TP.BAM).
//!
//! ```text
//! TP.CM  group 0xEC00  20 nn nn pp FF gg gg gg   announces nn bytes in pp packets of group gg (low byte first)
//! TP.DT  group 0xEB00  ss dd dd dd dd dd dd dd   packet ss, from 1
//! ```
//!
//! Transfers between two nodes (RTS/CTS) are left alone: they repeat packets on demand.

use std::collections::HashMap;

use tallywheel_schemas::{
    Timestamp,
    j1939::{TRANSPORT_MAX, destination_of, pgn_of, source_address_of},
};

const CONNECTION: u32 = 0xEC00;
const TRANSFER: u32 = 0xEB00;
const ANNOUNCE: u8 = 0x20;
const EVERYBODY: u8 = 255;
const PACKET: usize = 7;
/// Longest time between two packets, µs (T1, from memory).
const TIMEOUT_US: i64 = 750_000;

/// A parameter group that came in several packets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LongGroup {
    /// Parameter group number.
    pub pgn: u32,
    /// Its data, as long as announced.
    pub data: Vec<u8>,
}

/// Puts the broadcasts of a bus together, one at a time from each sender.
#[derive(Debug, Clone, Default)]
pub struct Broadcasts {
    wanted: Vec<u32>,
    partial: HashMap<u8, Partial>,
    broken: u64,
}

#[derive(Debug, Clone)]
struct Partial {
    pgn: u32,
    length: usize,
    due: u8,
    data: Vec<u8>,
    last: Timestamp,
}

impl Broadcasts {
    /// Those of some groups; the others are not looked at.
    pub fn of(groups: impl IntoIterator<Item = u32>) -> Self {
        Self { wanted: groups.into_iter().collect(), ..Self::default() }
    }

    /// Broadcasts that were announced and did not come whole: a packet was lost, late or out of order, another began, or
    /// the announcement was impossible.
    pub fn broken(&self) -> u64 {
        self.broken
    }

    /// Takes a frame with a 29-bit identifier; gives the group that it completes.
    pub fn frame(&mut self, at: Timestamp, id: u32, data: &[u8]) -> Option<LongGroup> {
        if destination_of(id) != EVERYBODY {
            return None;
        }
        match pgn_of(id) {
            CONNECTION => {
                self.connection(at, source_address_of(id), data);
                None
            }
            TRANSFER => self.transfer(at, source_address_of(id), data),
            _ => None,
        }
    }

    fn connection(&mut self, at: Timestamp, source: u8, data: &[u8]) {
        let [ANNOUNCE, low, high, packets, _, g0, g1, g2] = *data else { return };
        self.broken += u64::from(self.partial.remove(&source).is_some());
        let pgn = u32::from_le_bytes([g0, g1, g2, 0]);
        if !self.wanted.contains(&pgn) {
            return;
        }
        let length = usize::from(u16::from_le_bytes([low, high]));
        if !(9..=TRANSPORT_MAX).contains(&length) || length.div_ceil(PACKET) != usize::from(packets) {
            self.broken += 1;
            return;
        }
        self.partial.insert(source, Partial { pgn, length, due: 1, data: Vec::with_capacity(length), last: at });
    }

    fn transfer(&mut self, at: Timestamp, source: u8, data: &[u8]) -> Option<LongGroup> {
        let mut partial = self.partial.remove(&source)?;
        let late = at > partial.last.plus_us(TIMEOUT_US);
        let [number, bytes @ ..] = data else {
            self.broken += 1;
            return None;
        };
        let expected = PACKET.min(partial.length - partial.data.len());
        let Some(bytes) = bytes.get(..expected).filter(|_| !late && *number == partial.due) else {
            self.broken += 1;
            return None;
        };
        partial.data.extend_from_slice(bytes);
        if partial.data.len() == partial.length {
            return Some(LongGroup { pgn: partial.pgn, data: partial.data });
        }
        (partial.due, partial.last) = (partial.due + 1, at);
        self.partial.insert(source, partial);
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn at(ms: i64) -> Timestamp {
        Timestamp::from_us(ms * 1000)
    }

    /// Group 0xFEE3 of 17 bytes in 3 packets.
    const ANNOUNCED: [u8; 8] = [0x20, 17, 0, 3, 0xFF, 0xE3, 0xFE, 0x00];
    const CM: u32 = 0x1CEC_FF00;
    const DT: u32 = 0x1CEB_FF00;

    fn packet(n: u8) -> [u8; 8] {
        let base = 7 * (n - 1);
        [n, base, base + 1, base + 2, base + 3, base + 4, base + 5, base + 6]
    }

    #[test]
    fn a_broadcast_comes_together_among_others() {
        let mut bus = Broadcasts::of([0xFEE3]);
        assert_eq!(bus.frame(at(0), CM, &ANNOUNCED), None);
        assert_eq!(bus.frame(at(50), DT, &packet(1)), None);
        // Another sender, another group, a transfer between two nodes: none of them matters here.
        assert_eq!(bus.frame(at(55), CM | 3, &[0x20, 20, 0, 3, 0xFF, 0xCA, 0xFE, 0]), None);
        assert_eq!(bus.frame(at(60), DT | 3, &packet(1)), None);
        assert_eq!(bus.frame(at(65), 0x1CEB_2100, &packet(3)), None);
        assert_eq!(bus.frame(at(100), DT, &packet(2)), None);
        let whole = bus.frame(at(150), DT, &packet(3)).expect("whole");
        assert_eq!((whole.pgn, whole.data), (0xFEE3, (0..17).collect::<Vec<u8>>()));
        assert_eq!(bus.broken(), 0);
    }

    #[test]
    fn a_broken_broadcast_is_counted_and_gives_nothing() {
        let broken = |frames: &[(i64, u32, &[u8])]| {
            let mut bus = Broadcasts::of([0xFEE3]);
            assert!(frames.iter().all(|(t, id, data)| bus.frame(at(*t), *id, data).is_none()));
            bus.broken()
        };
        let (announced, p1, p2, p3) = (&ANNOUNCED[..], &packet(1)[..], &packet(2)[..], &packet(3)[..]);
        assert_eq!(broken(&[(0, CM, announced), (1, DT, p1), (2, DT, p3)]), 1, "lost");
        assert_eq!(broken(&[(0, CM, announced), (1, DT, p1), (752, DT, p2), (753, DT, p3)]), 1, "late");
        assert_eq!(broken(&[(0, CM, announced), (1, CM, announced)]), 1, "begun again");
        assert_eq!(broken(&[(0, CM, announced), (1, DT, &[1, 2])]), 1, "short");
        assert_eq!(broken(&[(0, CM, announced), (1, DT, &[])]), 1, "empty");
        assert_eq!(broken(&[(0, CM, &[0x20, 8, 0, 2, 0xFF, 0xE3, 0xFE, 0])]), 1, "fits a frame");
        assert_eq!(broken(&[(0, CM, &[0x20, 17, 0, 4, 0xFF, 0xE3, 0xFE, 0])]), 1, "a packet too many");
        assert_eq!(broken(&[(0, DT, p1)]), 0, "of an unknown group");
    }

    #[test]
    fn the_longest_group_has_255_packets() {
        let mut bus = Broadcasts::of([0xFEE3]);
        bus.frame(at(0), CM, &[0x20, 0xF9, 0x06, 255, 0xFF, 0xE3, 0xFE, 0]);
        let frame = |n: u8| [n, 1, 2, 3, 4, 5, 6, 7];
        assert!((1..255).all(|n| bus.frame(at(i64::from(n)), DT, &frame(n)).is_none()));
        assert_eq!(bus.frame(at(255), DT, &frame(255)).map(|g| g.data.len()), Some(TRANSPORT_MAX));
    }
}
