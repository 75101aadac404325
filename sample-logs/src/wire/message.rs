//! A message of a bus: when it is due and how its bytes are filled.

use crate::{drive::Sample, sensors::Sensors};

use super::slcan::Frame;

/// Steps of the simulation in a second.
pub const STEPS_PER_S: u64 = 100;

/// One message.
#[derive(Debug, Clone, Copy)]
pub struct Message {
    /// Identifier.
    pub id: u32,
    /// 29-bit identifier.
    pub extended: bool,
    /// Sent every so many steps of 10 ms.
    pub every: u64,
    /// Steps by which it is late within its period, so that not everything comes at once.
    pub phase: u64,
    /// Milliseconds by which it is late within the step.
    pub late_ms: u64,
    /// Number of data bytes.
    pub length: u8,
    /// Fills the data. The last argument counts how often the message has been sent.
    pub fill: fn(&Sample, &mut Sensors, &mut [u8; 8], u64),
}

impl Message {
    /// Whether it is due at a step.
    pub fn is_due(&self, step: u64) -> bool {
        step % self.every == self.phase
    }

    /// The frame at a step.
    pub fn frame(&self, step: u64, sample: &Sample, sensors: &mut Sensors) -> Frame {
        let mut data = [0; 8];
        (self.fill)(sample, sensors, &mut data, step / self.every);
        Frame { id: self.id, extended: self.extended, remote: false, length: self.length, data }
    }
}

/// Raw value of a quantity with so many units per bit, within 16 bits without sign. 0xFFFF is kept free: it
/// means "not available".
pub(crate) fn unsigned16(value: f64, per_bit: f64) -> u16 {
    (value / per_bit).round().clamp(0.0, f64::from(u16::MAX - 1)) as u16
}

/// Raw value within 16 bits with sign.
pub(crate) fn signed16(value: f64, per_bit: f64) -> i16 {
    (value / per_bit).round().clamp(f64::from(i16::MIN), f64::from(i16::MAX)) as i16
}

/// Raw value within 8 bits without sign; 0xFF is kept free.
pub(crate) fn unsigned8(value: f64, per_bit: f64) -> u8 {
    (value / per_bit).round().clamp(0.0, 254.0) as u8
}

/// Writes two bytes, most significant first.
pub(crate) fn put_big(data: &mut [u8; 8], at: usize, raw: u16) {
    data[at..at + 2].copy_from_slice(&raw.to_be_bytes());
}

/// Writes two bytes, least significant first.
pub(crate) fn put_little(data: &mut [u8; 8], at: usize, raw: u16) {
    data[at..at + 2].copy_from_slice(&raw.to_le_bytes());
}
