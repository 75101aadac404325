//! One signal: where on a wire a channel is found, and how its raw value becomes a quantity.

use serde::{Deserialize, Serialize};

use crate::{channel::Hold, j1939};

/// A checked signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Canonical channel, or one of the rig's `aux` channels.
    pub channel: String,
    /// Motor position (`rear-left`), for channels of the motor table only.
    pub position: Option<String>,
    /// Port it arrives on.
    pub port: String,
    /// Where in the port's messages it is.
    pub source: Source,
    /// Value = raw · scale + offset, before calibration.
    pub scale: f64,
    /// See `scale`; in the channel's unit.
    pub offset: f64,
    /// Behaviour between samples.
    pub hold: Hold,
    /// Longest gap that may be bridged, s.
    pub max_gap_s: f64,
    /// Raw values that mean "not available".
    pub not_available: Vec<i64>,
    /// For counters: the count wraps to zero at this value.
    pub modulus: Option<u64>,
    /// Calibration of the sensor.
    pub calibration: Option<Calibration>,
    /// Smallest plausible value in the channel's unit.
    pub min: f64,
    /// Largest plausible value in the channel's unit.
    pub max: f64,
    /// Line of the rig file, for messages.
    pub line: usize,
}

impl Signal {
    /// The quantity that a raw value stands for: `(raw · scale + offset) · factor + shift` with the
    /// calibration's factor and shift.
    pub fn value(&self, raw: f64) -> f64 {
        let value = raw * self.scale + self.offset;
        self.calibration.as_ref().map_or(value, |c| value * c.factor + c.offset)
    }
}

/// Where a signal is found in the messages of its port.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// Bits of a CAN frame.
    Can(CanSource),
    /// A column of a text line.
    Text(TextSource),
    /// Registers of a Modbus unit.
    Modbus(ModbusSource),
    /// An answer to an OBD-II request.
    Obd(ObdSource),
    /// Bits of a J1939 parameter group.
    J1939(J1939Source),
}

impl Source {
    /// The message that carries the signal, for people; a column for a text line.
    pub fn message(&self) -> String {
        match self {
            Self::Can(source) => format!("id 0x{:X}", source.id),
            Self::Text(source) => format!("column `{}`", source.column),
            Self::Modbus(source) => format!("register {} of unit {}", source.register, source.unit),
            Self::Obd(source) => format!("PID 0x{:02X}", source.pid),
            Self::J1939(source) => format!("parameter group {}", source.pgn),
        }
    }
}

/// Bits of the data of a message, whatever carries it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BitField {
    /// As [`CanSource::start_bit`].
    pub start_bit: u16,
    /// Bits, 1 to 64.
    pub length: u16,
    /// Byte order.
    pub byte_order: ByteOrder,
    /// Two's complement.
    pub signed: bool,
    /// Only when another field of the message has a given value.
    pub mux: Option<Mux>,
}

impl BitField {
    /// Positions of the field's bits in the data, least significant first.
    pub fn bits(&self) -> Vec<u16> {
        field_bits(self.start_bit, self.length, self.byte_order)
    }

    /// The raw value, or `None` when the data are too short or the multiplexor says that they carry something else.
    pub fn extract(&self, data: &[u8]) -> Option<i64> {
        if let Some(mux) = &self.mux
            && extract_bits(data, mux.start_bit, mux.length, self.byte_order)? != mux.value
        {
            return None;
        }
        let raw = extract_bits(data, self.start_bit, self.length, self.byte_order)?;
        Some(if self.signed { sign_extend(raw, self.length) } else { raw as i64 })
    }

    /// Whether the multiplexor, if there is one, selects this field in some data.
    pub fn is_selected(&self, data: &[u8]) -> bool {
        let selected = |mux: &Mux| extract_bits(data, mux.start_bit, mux.length, self.byte_order) == Some(mux.value);
        self.mux.as_ref().is_none_or(selected)
    }
}

/// A value of OBD-II service 01 (SAE J1979), asked for on the bus.
#[derive(Debug, Clone, PartialEq)]
pub struct ObdSource {
    /// Parameter number.
    pub pid: u8,
    /// Time between two requests, s.
    pub every_s: f64,
    /// Identifier with which the one ECU answers that is asked; `None` asks all and takes the first that answers.
    pub ecu: Option<u32>,
    /// 29-bit identifiers.
    pub extended: bool,
    /// Bits of the data bytes after the echoed parameter number: bit 0 is the lowest of byte A.
    pub field: BitField,
}

/// Bits of a J1939 parameter group, from whatever priority and, unless it is named, whatever sender.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct J1939Source {
    /// Parameter group number.
    pub pgn: u32,
    /// Only from this sender.
    pub source_address: Option<u8>,
    /// Bits of the group's data, which may be longer than a frame.
    pub field: BitField,
}

impl J1939Source {
    /// Whether a raw value is in the ranges that the standard keeps for errors and for "not available"; never for a
    /// signed one, which the standard does not know.
    pub fn is_no_value(&self, raw: i64) -> bool {
        !self.field.signed && j1939::is_no_value(raw as u64, self.field.length)
    }
}

/// Bits of a CAN frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CanSource {
    /// Identifier, 11 bits, or 29 when `extended`.
    pub id: u32,
    /// 29-bit identifier.
    pub extended: bool,
    /// For `little`: number of the least significant bit, byte · 8 + bit, bit 0 the least significant of its
    /// byte. For `big`: number of the most significant bit in the same numbering, as CAN database files have it.
    pub start_bit: u16,
    /// Bits, 1 to 64.
    pub length: u16,
    /// Byte order.
    pub byte_order: ByteOrder,
    /// Two's complement.
    pub signed: bool,
    /// Only when another field of the frame has a given value.
    pub mux: Option<Mux>,
}

impl CanSource {
    /// Positions of the signal's bits in the frame, least significant first.
    pub fn bits(&self) -> Vec<u16> {
        field_bits(self.start_bit, self.length, self.byte_order)
    }

    /// The signal's bits without the identifier of the frame.
    pub fn field(&self) -> BitField {
        let Self { start_bit, length, byte_order, signed, ref mux, .. } = *self;
        BitField { start_bit, length, byte_order, signed, mux: mux.clone() }
    }

    /// The raw value in a frame's data, or `None` when the frame is too short or the multiplexor says that it
    /// carries something else.
    pub fn extract(&self, data: &[u8]) -> Option<i64> {
        self.field().extract(data)
    }
}

/// Selector of a multiplexed frame, in the byte order of the signal it selects.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mux {
    /// Start bit of the selector.
    pub start_bit: u16,
    /// Bits of the selector.
    pub length: u16,
    /// Value that selects this signal.
    pub value: u64,
}

/// Byte order of a CAN signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ByteOrder {
    /// Least significant byte first.
    #[default]
    Little,
    /// Most significant byte first.
    Big,
}

/// A column of a delimited text line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextSource {
    /// Column name.
    pub column: String,
}

/// Registers of a Modbus unit, and how often they are asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusSource {
    /// Address of the unit on its line, 1 to 247.
    pub unit: u8,
    /// Which of the unit's two tables of registers.
    pub kind: RegisterKind,
    /// Number of the first register as it is sent on the wire, from 0.
    pub register: u16,
    /// What the registers hold.
    pub format: RegisterFormat,
    /// Order of the two registers of a 32-bit value.
    pub word_order: WordOrder,
    /// Time between two requests, s.
    pub every_s: f64,
}

/// A table of registers of a Modbus unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RegisterKind {
    /// Holding registers, read with function 03.
    Holding,
    /// Input registers, read with function 04.
    Input,
}

/// What the registers of a Modbus signal hold. Each register has 16 bits, its more significant byte first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RegisterFormat {
    /// Unsigned, one register.
    U16,
    /// Two's complement, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Two's complement, two registers.
    I32,
    /// IEEE 754 single precision, two registers.
    F32,
}

impl RegisterFormat {
    /// Registers that one value takes.
    pub const fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }
}

/// Order of the two registers of a 32-bit value. The specification leaves it open, and meters differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WordOrder {
    /// More significant register first.
    #[default]
    HighFirst,
    /// Less significant register first.
    LowFirst,
}

/// Calibration of one sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Factor on the value.
    #[serde(default = "one")]
    pub factor: f64,
    /// Added after the factor, in the channel's unit.
    #[serde(default)]
    pub offset: f64,
    /// Day of the calibration, `YYYY-MM-DD`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Last day on which it is valid, `YYYY-MM-DD`. Without it a year is assumed, and said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub due: Option<String>,
    /// Certificate or record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    /// Standard uncertainty as a share of the value (k = 1).
    #[serde(default)]
    pub relative_uncertainty: f64,
    /// Standard uncertainty in the channel's unit (k = 1).
    #[serde(default)]
    pub absolute_uncertainty: f64,
    /// Degrees of freedom of both, as the certificate states them. Without them the uncertainty is taken as exactly
    /// known, which JCGM 100 (G.4.3) allows for bounds that are safely wide.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
}

const fn one() -> f64 {
    1.0
}

/// A signal as it is written in the file.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SignalText {
    pub(super) channel: String,
    pub(super) position: Option<String>,
    pub(super) port: String,
    pub(super) id: Option<u32>,
    pub(super) pgn: Option<u32>,
    pub(super) source_address: Option<u8>,
    pub(super) pid: Option<u8>,
    pub(super) every_s: Option<f64>,
    pub(super) ecu: Option<u32>,
    #[serde(default)]
    pub(super) extended: bool,
    pub(super) start_bit: Option<u16>,
    pub(super) length: Option<u16>,
    #[serde(default)]
    pub(super) byte_order: ByteOrder,
    #[serde(default)]
    pub(super) signed: bool,
    pub(super) mux: Option<Mux>,
    pub(super) column: Option<String>,
    pub(super) unit_id: Option<u8>,
    pub(super) register: Option<u16>,
    pub(super) register_kind: Option<RegisterKind>,
    pub(super) format: Option<RegisterFormat>,
    pub(super) word_order: Option<WordOrder>,
    pub(super) scale: Option<f64>,
    pub(super) offset: Option<f64>,
    pub(super) hold: Option<Hold>,
    pub(super) max_gap_s: Option<f64>,
    #[serde(default)]
    pub(super) not_available: Vec<i64>,
    pub(super) modulus: Option<u64>,
    pub(super) min: Option<f64>,
    pub(super) max: Option<f64>,
    pub(super) calibration: Option<Calibration>,
}

/// Bit positions of a field, least significant first.
pub(super) fn field_bits(start_bit: u16, length: u16, order: ByteOrder) -> Vec<u16> {
    match order {
        ByteOrder::Little => (start_bit..start_bit + length).collect(),
        ByteOrder::Big => {
            // In database numbering the most significant bit comes first and runs down a byte, then to the
            // top of the next one.
            let mut bits = Vec::with_capacity(usize::from(length));
            let mut bit = start_bit;
            for _ in 0..length {
                bits.push(bit);
                bit = if bit.is_multiple_of(8) { bit + 15 } else { bit - 1 };
            }
            bits.reverse();
            bits
        }
    }
}

/// Unsigned value of a field, `None` when the data end before it does.
///
/// The field's bits lie in at most nine neighbouring bytes; they are gathered into one wide integer, so that
/// the cost does not grow with the length of the field.
fn extract_bits(data: &[u8], start_bit: u16, length: u16, order: ByteOrder) -> Option<u64> {
    let (start, length) = (usize::from(start_bit), usize::from(length));
    let first = start / 8;
    let mask = if length == 64 { u64::MAX } else { (1 << length) - 1 };
    let (last, shift) = match order {
        ByteOrder::Little => ((start + length - 1) / 8, start % 8),
        ByteOrder::Big => {
            // Bits from the top of the first byte down to the field's least significant bit.
            let above = 7 - start % 8;
            let last = first + (above + length - 1) / 8;
            (last, (last - first + 1) * 8 - above - length)
        }
    };
    let bytes = data.get(first..=last)?;
    let gather = |wide: u128, byte: &u8| (wide << 8) | u128::from(*byte);
    let wide = match order {
        ByteOrder::Little => bytes.iter().rev().fold(0, gather),
        ByteOrder::Big => bytes.iter().fold(0, gather),
    };
    Some((wide >> shift) as u64 & mask)
}

fn sign_extend(raw: u64, length: u16) -> i64 {
    let shift = 64 - u32::from(length);
    ((raw << shift) as i64) >> shift
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(start_bit: u16, length: u16, byte_order: ByteOrder, signed: bool) -> CanSource {
        CanSource { id: 1, extended: false, start_bit, length, byte_order, signed, mux: None }
    }

    #[test]
    fn little_endian_counts_from_the_least_significant_bit() {
        // SAE J1939-71 engine speed, bytes 4-5, 0x2580 = 9600 raw (0.125 rpm a bit: 1200 rpm).
        let data = [0, 0, 0, 0x80, 0x25, 0, 0, 0];
        assert_eq!(source(24, 16, ByteOrder::Little, false).extract(&data), Some(9600));
        assert_eq!(source(4, 8, ByteOrder::Little, false).extract(&[0xAB, 0xCD]), Some(0xDA));
    }

    #[test]
    fn big_endian_counts_from_the_most_significant_bit() {
        // SAE J1979 engine speed 1A F8 in bytes 3-4 of a reply: 0x1AF8 / 4 = 1726 rpm.
        let data = [0x04, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0];
        assert_eq!(source(31, 16, ByteOrder::Big, false).extract(&data), Some(0x1AF8));
        assert_eq!(source(3, 8, ByteOrder::Big, false).extract(&[0xAB, 0xCD]), Some(0xBC));
    }

    #[test]
    fn signed_values_extend() {
        assert_eq!(source(0, 12, ByteOrder::Little, true).extract(&[0xFF, 0x0F]), Some(-1));
        assert_eq!(
            source(0, 64, ByteOrder::Little, true).extract(&[0xFE, 255, 255, 255, 255, 255, 255, 255]),
            Some(-2)
        );
        assert_eq!(source(7, 64, ByteOrder::Big, false).extract(&[0, 0, 0, 0, 0, 0, 1, 2]), Some(258));
    }

    #[test]
    fn short_frames_and_other_multiplexor_values_carry_nothing() {
        let mut s = source(8, 16, ByteOrder::Little, false);
        assert_eq!(s.extract(&[1, 2]), None);
        s.mux = Some(Mux { start_bit: 0, length: 8, value: 5 });
        assert_eq!(s.extract(&[5, 2, 0]), Some(2));
        assert_eq!(s.extract(&[4, 2, 0]), None);
    }

    #[test]
    fn extraction_agrees_with_gathering_bit_by_bit() {
        let data: [u8; 8] = [0x13, 0x57, 0x9B, 0xDF, 0x24, 0x68, 0xAC, 0xE0];
        for order in [ByteOrder::Little, ByteOrder::Big] {
            for start in 0..64 {
                for length in 1..=64 {
                    let bits = field_bits(start, length, order);
                    let expected = bits.iter().all(|b| *b < 64).then(|| {
                        bits.iter().enumerate().fold(0_u64, |value, (i, bit)| {
                            value | u64::from(data[usize::from(bit / 8)] >> (bit % 8) & 1) << i
                        })
                    });
                    assert_eq!(extract_bits(&data, start, length, order), expected, "{order:?} {start} {length}");
                }
            }
        }
    }
}
