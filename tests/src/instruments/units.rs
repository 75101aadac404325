//! Modbus RTU units whose registers count how often they were read, so that each reading can be told from every other.
//!
//! They have their own checksum, bit by bit, so that an error here and one in the logger cannot cancel.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use super::Instrument;

/// Units on one line.
#[derive(Debug, Default)]
pub struct Units {
    /// Readings that each unit has given; a unit that is not here is silent. The answer to reading number n is n as
    /// an unsigned 32-bit value, in every pair of registers, more significant word first.
    pub readings: BTreeMap<u8, u32>,
    /// Nobody answers while this is set.
    pub is_silent: bool,
    /// Time before an answer, and between its halves.
    pub delay: Duration,
    /// Requests by the unit that they were for, whether it is there or not.
    pub requests: BTreeMap<u8, u32>,
    half: Vec<u8>,
    coming: Vec<(Instant, Vec<u8>)>,
}

impl Units {
    /// Units by their addresses.
    pub fn new(addresses: &[u8]) -> Self {
        let delay = Duration::from_millis(8);
        Self { readings: addresses.iter().map(|unit| (*unit, 0)).collect(), delay, ..Self::default() }
    }

    fn answer(&mut self, request: &[u8]) {
        let unit = request[0];
        *self.requests.entry(unit).or_default() += 1;
        let Some(reading) = self.readings.get_mut(&unit).filter(|_| !self.is_silent) else { return };
        *reading += 1;
        let registers = usize::from(u16::from_be_bytes([request[4], request[5]]));
        let mut answer = vec![unit, request[1], 2 * registers as u8];
        answer.extend(reading.to_be_bytes().into_iter().cycle().take(2 * registers));
        answer.extend(crc(&answer).to_le_bytes());
        let second = answer.split_off(answer.len() / 2);
        let at = Instant::now() + self.delay;
        self.coming.extend([(at, answer), (at + self.delay, second)]);
    }
}

impl Instrument for Units {
    fn hear(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.half.extend(bytes);
        while self.half.len() >= 8 {
            let request: Vec<u8> = self.half.drain(..8).collect();
            assert_eq!(crc(&request[..6]).to_le_bytes(), request[6..], "a request with its checksum: {request:02X?}");
            assert!(matches!(request[1], 3 | 4), "only reading is asked for: {request:02X?}");
            self.answer(&request);
        }
        Vec::new()
    }

    fn speak(&mut self) -> Vec<u8> {
        let now = Instant::now();
        let (due, coming) = std::mem::take(&mut self.coming).into_iter().partition(|(at, _)| *at <= now);
        self.coming = coming;
        Vec::from_iter(<Vec<_> as IntoIterator>::into_iter(due).flat_map(|(_, bytes): (Instant, Vec<u8>)| bytes))
    }
}

/// CRC-16 of a Modbus frame: polynomial x^16 + x^15 + x^2 + 1 reflected, begun with all ones.
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value of CRC-16/MODBUS in catalogues of CRC algorithms (from memory).
    #[test]
    fn the_checksum_is_that_of_the_catalogue() {
        assert_eq!(crc(b"123456789"), 0x4B37);
    }
}
