//! One signal of the database in the rig's terms, or why the rig cannot express it.

use can_dbc::{ByteOrder, Message, MultiplexIndicator, NumericValue, Signal, ValueType};

use super::parsed::{Database, is_nested};

/// Bits of a CAN FD frame, the largest there is.
const MAX_FRAME_BYTES: u64 = 64;

/// A signal that the rig can express.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Field {
    pub(super) message: String,
    pub(super) signal: String,
    pub(super) id: u32,
    pub(super) extended: bool,
    /// Line in the database, from 1.
    pub(super) line: Option<usize>,
    pub(super) start_bit: u16,
    pub(super) length: u16,
    pub(super) big: bool,
    pub(super) signed: bool,
    pub(super) selector: Option<Selector>,
    /// Positions of its bits in the frame.
    bits: Vec<u16>,
    pub(super) scale: f64,
    pub(super) offset: f64,
    /// Smallest and largest plausible value, or what its bits can say where the database states no range.
    pub(super) range: (f64, f64),
    /// Whether the database states the range.
    pub(super) stated: bool,
    /// Unit as the database writes it.
    pub(super) unit: String,
    pub(super) comment: String,
    /// Its values have names, or it is a single bit: a state rather than a quantity.
    pub(super) is_state: bool,
    /// `0 = off, 1 = on`; empty without names.
    pub(super) value_names: String,
    /// What is to be said about it although it is taken over.
    pub(super) notes: Vec<String>,
}

/// What selects a multiplexed signal, numbered in the byte order of that signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Selector {
    pub(super) start_bit: u16,
    pub(super) length: u16,
    pub(super) value: u64,
    bits: Vec<u16>,
}

/// Identifier of a message and whether it is an extended one, or why it has none that a frame can carry.
pub(super) fn identifier(message: &Message, written: Option<u64>) -> Result<(u32, bool), String> {
    if message.name == "VECTOR__INDEPENDENT_SIG_MSG" {
        return Err("it belongs to no message".to_owned());
    }
    let raw = written.unwrap_or_else(|| u64::from(message.id.raw()));
    let (id, extended) = (raw & 0x7FFF_FFFF, raw & 0x8000_0000 != 0);
    let most = if extended { 0x1FFF_FFFF } else { 0x7FF };
    match u32::try_from(id) {
        Ok(id) if id <= most && raw <= u64::from(u32::MAX) => Ok((id, extended)),
        _ => Err(format!("identifier 0x{id:X} does not fit {} bits", if extended { 29 } else { 11 })),
    }
}

impl Field {
    pub(super) fn read(
        database: &Database,
        message: &Message,
        (id, extended): (u32, bool),
        signal: &Signal,
        line: Option<usize>,
    ) -> Result<Self, String> {
        if message.size > MAX_FRAME_BYTES {
            return Err(format!("its message has {} bytes, more than a CAN frame", message.size));
        }
        if let Some(kind) = database.float(message, &signal.name) {
            return Err(format!("its bits are a {kind} floating-point number"));
        }
        let place = Place::of(signal, message.size)?;
        let selector = selector(database, message, signal)?;
        let (scale, offset) = (signal.factor, signal.offset);
        if scale == 0.0 || !scale.is_finite() || !offset.is_finite() {
            return Err(format!("factor {scale} and offset {offset} give no values"));
        }
        let signed = signal.value_type == ValueType::Signed;
        let mut notes = Vec::new();
        let possible = possible_range(place.length, signed, scale, offset)?;
        let stated = stated_range(signal, &mut notes);
        let value_names = names(database, message, &signal.name);
        if !value_names.is_empty() {
            notes.push(format!("value names are not taken over: {value_names}"));
        }
        let is_state = !value_names.is_empty() || place.length == 1;
        Ok(Self {
            message: message.name.clone(),
            signal: signal.name.clone(),
            id,
            extended,
            line,
            start_bit: place.start_bit,
            length: place.length,
            big: place.big,
            signed,
            selector,
            bits: place.bits,
            scale,
            offset,
            range: stated.map_or(possible, |stated| widened(stated, scale, offset)),
            stated: stated.is_some(),
            unit: signal.unit.clone(),
            comment: database.comment(message, &signal.name),
            is_state,
            value_names,
            notes,
        })
    }

    /// Whether both claim a bit of the same frame, which the rig refuses.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        if (self.id, self.extended) != (other.id, other.extended) {
            return false;
        }
        if let (Some(a), Some(b)) = (&self.selector, &other.selector)
            && a.bits == b.bits
            && a.value != b.value
        {
            return false;
        }
        self.bits.iter().any(|bit| other.bits.contains(bit))
    }

    /// `MESSAGE.SIGNAL`.
    pub(super) fn full_name(&self) -> String {
        format!("{}.{}", self.message, self.signal)
    }
}

struct Place {
    start_bit: u16,
    length: u16,
    big: bool,
    /// Least significant first.
    bits: Vec<u16>,
}

impl Place {
    fn of(signal: &Signal, bytes: u64) -> Result<Self, String> {
        let outside =
            || format!("bits {} + {} are not 1 to 64 bits of its {bytes} bytes", signal.start_bit, signal.size);
        let (Ok(start_bit), Ok(length)) = (u16::try_from(signal.start_bit), u16::try_from(signal.size)) else {
            return Err(outside());
        };
        let frame = bytes as u16 * 8;
        if !(1..=64).contains(&length) || start_bit >= frame {
            return Err(outside());
        }
        let big = signal.byte_order == ByteOrder::BigEndian;
        let bits = bits(start_bit, length, big);
        if bits.iter().any(|bit| *bit >= frame) {
            return Err(outside());
        }
        Ok(Self { start_bit, length, big, bits })
    }
}

/// Positions of a field's bits, least significant first: byte · 8 + bit, bit 0 the least significant of its byte. A
/// big-endian field is given by its most significant bit, runs down its byte and goes on at the top of the next.
fn bits(start_bit: u16, length: u16, big: bool) -> Vec<u16> {
    if !big {
        return (start_bit..start_bit + length).collect();
    }
    let below = |bit: &u16| Some(if bit.is_multiple_of(8) { bit + 15 } else { bit - 1 });
    let mut bits: Vec<u16> = std::iter::successors(Some(start_bit), below).take(usize::from(length)).collect();
    bits.reverse();
    bits
}

/// What selects a signal; `None` for one that is always there.
fn selector(database: &Database, message: &Message, signal: &Signal) -> Result<Option<Selector>, String> {
    let value = match signal.multiplexer_indicator {
        MultiplexIndicator::Plain | MultiplexIndicator::Multiplexor => return Ok(None),
        MultiplexIndicator::MultiplexedSignal(value) | MultiplexIndicator::MultiplexorAndMultiplexedSignal(value) => {
            value
        }
    };
    if is_nested(message) {
        return Err("extended multiplexing: its message has more than one multiplexor".to_owned());
    }
    let is_multiplexor = |s: &&Signal| s.multiplexer_indicator == MultiplexIndicator::Multiplexor;
    let Some(multiplexor) = message.signals.iter().find(is_multiplexor) else {
        return Err("it is multiplexed, but its message has no multiplexor".to_owned());
    };
    let plain = |s: &super::parsed::Selection| s.multiplexor == multiplexor.name && s.ranges == [(value, value)];
    if !database.selections(message, &signal.name).iter().all(plain) {
        return Err(format!("extended multiplexing: several values of {} select it", multiplexor.name));
    }
    if database.float(message, &multiplexor.name).is_some() {
        return Err(format!("its multiplexor {} is a floating-point number", multiplexor.name));
    }
    let place =
        Place::of(multiplexor, message.size).map_err(|e| format!("its multiplexor {}: {e}", multiplexor.name))?;
    if place.length < 64 && value >> place.length != 0 {
        return Err(format!("its multiplexor {} never becomes {value}", multiplexor.name));
    }
    let big = signal.byte_order == ByteOrder::BigEndian;
    let start_bit = match (place.big, big) {
        (a, b) if a == b => place.start_bit,
        // Inside one byte both orders agree and only the bit that names the field is another.
        _ if place.bits.iter().all(|bit| bit / 8 == place.bits[0] / 8) => match big {
            true => place.bits[place.bits.len() - 1],
            false => place.bits[0],
        },
        _ => return Err(format!("its multiplexor {} spans bytes in the other byte order", multiplexor.name)),
    };
    Ok(Some(Selector { start_bit, length: place.length, value, bits: place.bits }))
}

/// Values at the ends of what the bits can say.
fn possible_range(length: u16, signed: bool, scale: f64, offset: f64) -> Result<(f64, f64), String> {
    let (least, most) = match signed {
        true => ((i64::MIN >> (64 - length)) as f64, (i64::MAX >> (64 - length)) as f64),
        false => (0.0, (u64::MAX >> (64 - length)) as f64),
    };
    let (a, b) = (least * scale + offset, most * scale + offset);
    let (min, max) = (a.min(b), a.max(b));
    if min < max && min.is_finite() && max.is_finite() {
        return Ok((min, max));
    }
    Err(format!("factor {scale} and offset {offset} are beyond what 64-bit numbers tell apart"))
}

/// The range that the database states. Equal ends, mostly both 0, are how it says that there is none.
fn stated_range(signal: &Signal, notes: &mut Vec<String>) -> Option<(f64, f64)> {
    let (min, max) = (number(signal.min), number(signal.max));
    if min < max && min.is_finite() && max.is_finite() {
        return Some((min, max));
    }
    if min != max {
        notes.push(format!("its range {min} to {max} is empty and is not taken over"));
    }
    None
}

const fn number(value: NumericValue) -> f64 {
    match value {
        NumericValue::Uint(value) => value as f64,
        NumericValue::Int(value) => value as f64,
        NumericValue::Double(value) => value,
    }
}

/// A stated range with its ends moved to what the decoder makes of the raw values that stand for them: 2550 · 0.1 is
/// a rounding error above 255 and still inside.
fn widened((min, max): (f64, f64), scale: f64, offset: f64) -> (f64, f64) {
    let decoded = |value: f64| {
        let raw = (value - offset) / scale;
        let near = raw.round() * scale + offset;
        ((raw - raw.round()).abs() < 1e-6 && near.is_finite()).then_some(near)
    };
    (decoded(min).map_or(min, |v| v.min(min)), decoded(max).map_or(max, |v| v.max(max)))
}

fn names(database: &Database, message: &Message, signal: &str) -> String {
    let names = database.value_names(message, signal).iter();
    let one = |n: &can_dbc::ValDescription| format!("{} = {}", n.id, n.description.replace("\\\"", "\""));
    names.map(one).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_range_holds_what_the_decoder_makes_of_its_ends() {
        // 2550 · 0.1 = 255.00000000000003 in 64-bit floats.
        let (min, max) = widened((0.0, 255.0), 0.1, 0.0);
        assert!(min == 0.0 && max >= 2550.0 * 0.1 && max - 255.0 < 1e-9, "{min} {max}");
        assert_eq!(widened((-40.0, 100.03), 0.1, -40.0).1, 100.03, "an end that no raw value stands for stays");
    }

    #[test]
    fn the_ends_of_the_bits_are_exact() {
        assert_eq!(possible_range(12, true, 0.5, 1.0), Ok((-1023.0, 1024.5)));
        assert_eq!(possible_range(64, false, 1.0, 0.0), Ok((0.0, u64::MAX as f64)));
        assert_eq!(possible_range(1, true, 1.0, 0.0), Ok((-1.0, 0.0)));
        assert!(possible_range(8, false, 1e-300, 1.0).is_err() && possible_range(64, false, 1e300, 0.0).is_err());
    }
}
