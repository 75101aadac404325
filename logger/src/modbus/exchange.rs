//! One request and its answer, byte by byte.
//!
//! ```text
//! request    unit | 03 or 04 | first register (2) | registers (2) | CRC (2, low byte first)
//! answer     unit | 03 or 04 | bytes that follow  | registers (2 each) | CRC
//! exception  unit | 83 or 84 | code               | CRC
//! ```
//!
//! The bytes and their checksum are rmodbus's; here is only what it does not check: that the answer is to this
//! request and has as many registers as were asked for.

use rmodbus::{ErrorKind, ModbusProto, client::ModbusRequest, consts::ModbusFunction, guess_response_frame_len};
use tallywheel_schemas::rig::RegisterKind;

use crate::message::Fault;

/// Most registers that one request may ask for: their bytes are counted in one byte.
pub(super) const MOST_REGISTERS: u16 = 125;
/// Bytes of a request.
pub(super) const REQUEST_BYTES: usize = 8;
/// Set in the function code of an exception.
const EXCEPTION: u8 = 0x80;

/// A request to read registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Request {
    /// Address of the unit, 1 to 247.
    pub unit: u8,
    /// Which of its tables.
    pub kind: RegisterKind,
    /// First register.
    pub first: u16,
    /// Registers, 1 to 125.
    pub count: u16,
}

/// What a unit answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// The registers asked for, in order.
    Registers(Vec<u16>),
    /// The unit refuses.
    Exception(Exception),
}

/// The code by which a unit refuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exception(pub u8);

impl std::fmt::Display for Exception {
    /// Names as in the Modbus application protocol specification, V1.1b3 (from memory; the server of pymodbus sends
    /// 02 for registers that it does not have).
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let name = match self.0 {
            0x01 => "illegal function",
            0x02 => "illegal data address",
            0x03 => "illegal data value",
            0x04 => "server device failure",
            0x05 => "acknowledge",
            0x06 => "server device busy",
            0x08 => "memory parity error",
            0x0A => "gateway path unavailable",
            0x0B => "gateway target device failed to respond",
            _ => "unknown",
        };
        write!(f, "exception {:02X}, {name}", self.0)
    }
}

/// How the bytes at hand compare with an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Match {
    /// They cannot begin one.
    No,
    /// They may; so many bytes make it whole, as far as can be said yet.
    Begun,
    /// So many bytes are an answer.
    Whole(usize),
    /// So many bytes would be an answer, were it not for what is wrong with them.
    Broken(usize, Fault),
}

impl Request {
    /// The request on the wire.
    ///
    /// # Panics
    /// Never: rmodbus fails only where its buffer ends, and a vector has no end.
    pub fn bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(REQUEST_BYTES);
        let mut request = self.rmodbus();
        let generated = match self.kind {
            RegisterKind::Holding => request.generate_get_holdings(self.first, self.count, &mut bytes),
            RegisterKind::Input => request.generate_get_inputs(self.first, self.count, &mut bytes),
        };
        generated.expect("a vector takes any number of bytes");
        bytes
    }

    /// Reads a request of ours back. `None` for anything else, a damaged one as well.
    pub fn read(bytes: &[u8]) -> Option<Self> {
        let [unit, function, first_high, first_low, count_high, count_low, _, _] = *bytes else { return None };
        let kind = match function {
            3 => RegisterKind::Holding,
            4 => RegisterKind::Input,
            _ => return None,
        };
        let first = u16::from_be_bytes([first_high, first_low]);
        let count = u16::from_be_bytes([count_high, count_low]);
        let request = Self { unit, kind, first, count };
        ((1..=MOST_REGISTERS).contains(&count) && request.bytes() == bytes).then_some(request)
    }

    /// Whether a signal's registers are among those asked for, and which is their first.
    pub(crate) fn position(&self, register: u16, registers: u16) -> Option<usize> {
        let at = register.checked_sub(self.first)?;
        (u32::from(at) + u32::from(registers) <= u32::from(self.count)).then_some(usize::from(at))
    }

    /// Bytes of the answer.
    pub(crate) fn answer_bytes(&self) -> usize {
        5 + 2 * usize::from(self.count)
    }

    /// Reads a whole answer.
    ///
    /// # Errors
    /// What is wrong with it, also when it answers something else.
    pub fn answer(&self, bytes: &[u8]) -> Result<Answer, Fault> {
        match self.compare(bytes) {
            Match::Whole(length) if length == bytes.len() => {}
            Match::Broken(length, fault) if length == bytes.len() => return Err(fault),
            Match::Begun => return Err(Fault::Cut),
            _ => return Err(Fault::Unasked),
        }
        if bytes[1] & EXCEPTION != 0 {
            return Ok(Answer::Exception(Exception(bytes[2])));
        }
        let mut registers = Vec::with_capacity(usize::from(self.count));
        self.rmodbus().parse_u16(bytes, &mut registers).map_err(|_| Fault::Unasked)?;
        Ok(Answer::Registers(registers))
    }

    /// Compares the beginning of `bytes` with an answer.
    pub(crate) fn compare(&self, bytes: &[u8]) -> Match {
        let function = self.function().byte();
        let refuses = bytes.get(1).is_some_and(|f| *f == function | EXCEPTION);
        let head = [self.unit, function, (2 * self.count) as u8];
        let fits = if refuses {
            bytes[0] == self.unit
        } else {
            bytes.iter().zip(head).all(|(found, expected)| *found == expected)
        };
        if !fits {
            return Match::No;
        }
        let Ok(length) = guess_response_frame_len(bytes, ModbusProto::Rtu) else { return Match::Begun };
        let length = usize::from(length);
        let Some(whole) = bytes.get(..length) else { return Match::Begun };
        match self.rmodbus().parse_ok(whole) {
            Err(ErrorKind::FrameCRCError | ErrorKind::FrameBroken) => Match::Broken(length, Fault::Crc),
            // rmodbus reports an exception as an error of its own.
            Ok(()) | Err(_) => Match::Whole(length),
        }
    }

    const fn function(&self) -> ModbusFunction {
        match self.kind {
            RegisterKind::Holding => ModbusFunction::GetHoldings,
            RegisterKind::Input => ModbusFunction::GetInputs,
        }
    }

    fn rmodbus(&self) -> ModbusRequest {
        let mut request = ModbusRequest::new(self.unit, ModbusProto::Rtu);
        (request.func, request.reg, request.count) = (self.function(), self.first, self.count);
        request
    }
}

impl std::fmt::Display for Request {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let kind = match self.kind {
            RegisterKind::Holding => "holding",
            RegisterKind::Input => "input",
        };
        match self.count {
            1 => write!(f, "{kind} register 0x{:04X}", self.first),
            count => write!(f, "{kind} registers 0x{:04X} to 0x{:04X}", self.first, self.first + count - 1),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(unit: u8, kind: RegisterKind, first: u16, count: u16) -> Request {
        Request { unit, kind, first, count }
    }

    /// Source: CRC-16/MODBUS of "123456789" is 0x4B37 (crccheck package, read, recomputed). rmodbus does not show its
    /// checksum, so it is asked about a frame of these nine bytes with every checksum there is: it must take that one
    /// alone, and then stumble over the next thing, since `2` is no function.
    #[test]
    fn the_checksum_is_the_catalogues() {
        let accepts = |crc: u16| {
            let frame = [&b"123456789"[..], &crc.to_le_bytes()].concat();
            let client = ModbusRequest::new(b'1', ModbusProto::Rtu);
            client.parse_ok(&frame) != Err(ErrorKind::FrameCRCError)
        };
        let accepted: Vec<u16> = (0..=u16::MAX).filter(|crc| accepts(*crc)).collect();
        assert_eq!(accepted, [0x4B37]);
    }

    /// Source: the examples of functions 03 and 04 in the Modbus application protocol specification V1.1b3 (from
    /// memory): registers 108 to 110 hold 0x022B, 0 and 0x0064; input register 9 holds 0x000A.
    #[test]
    fn the_specifications_examples_read_as_printed() {
        let holding = request(0x11, RegisterKind::Holding, 0x6B, 3);
        assert_eq!(&holding.bytes()[..6], [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03]);
        let input = request(0x11, RegisterKind::Input, 0x08, 1);
        assert_eq!(&input.bytes()[..6], [0x11, 0x04, 0x00, 0x08, 0x00, 0x01]);
        assert_eq!(Request::read(&input.bytes()), Some(input));
        let answer = with_crc(&[0x11, 0x03, 6, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
        assert_eq!(holding.answer(&answer), Ok(Answer::Registers(vec![0x022B, 0, 0x64])));
        let answer = with_crc(&[0x11, 0x04, 2, 0x00, 0x0A]);
        assert_eq!(input.answer(&answer), Ok(Answer::Registers(vec![0x0A])));
    }

    /// A frame with its checksum, found by asking which one is taken.
    fn with_crc(body: &[u8]) -> Vec<u8> {
        let client = ModbusRequest::new(body[0], ModbusProto::Rtu);
        let frames = (0..=u16::MAX).map(|crc| [body, &crc.to_le_bytes()].concat());
        frames.into_iter().find(|f| client.parse_ok(f) != Err(ErrorKind::FrameCRCError)).expect("one of them")
    }

    #[test]
    fn only_an_answer_to_the_request_is_taken() {
        let asked = request(1, RegisterKind::Input, 0, 2);
        let good = with_crc(&[1, 4, 4, 0, 6, 0, 5]);
        assert_eq!(asked.answer(&good), Ok(Answer::Registers(vec![6, 5])));
        for (body, expected) in [
            (&[2, 4, 4, 0, 6, 0, 5][..], Fault::Unasked),
            (&[1, 3, 4, 0, 6, 0, 5], Fault::Unasked),
            (&[1, 4, 2, 0, 6], Fault::Unasked),
            (&[1, 4, 6, 0, 6, 0, 5, 0, 1], Fault::Unasked),
            (&[1, 0x83, 2], Fault::Unasked),
        ] {
            assert_eq!(asked.answer(&with_crc(body)), Err(expected), "{body:02X?}");
        }
        let refusal = asked.answer(&with_crc(&[1, 0x84, 2]));
        assert_eq!(refusal, Ok(Answer::Exception(Exception(2))));
        assert_eq!(Exception(2).to_string(), "exception 02, illegal data address");
        assert_eq!(asked.answer(&good[..8]), Err(Fault::Cut));
        for at in 3..good.len() {
            let mut damaged = good.clone();
            damaged[at] ^= 0x10;
            assert_eq!(asked.answer(&damaged), Err(Fault::Crc), "byte {at}");
        }
    }

    #[test]
    fn the_longest_answer_is_read() {
        let asked = request(247, RegisterKind::Holding, 65_411, 125);
        let mut body = vec![247, 3, 250];
        body.extend((0..125_u16).flat_map(u16::to_be_bytes));
        assert_eq!(asked.answer(&with_crc(&body)), Ok(Answer::Registers((0..125).collect())));
        assert_eq!(Request::read(&request(1, RegisterKind::Input, 0, 126).bytes()), None);
        let mut damaged = asked.bytes();
        damaged[7] ^= 1;
        assert_eq!(Request::read(&damaged), None);
    }

    #[test]
    fn a_signal_is_found_among_the_registers_asked_for() {
        let asked = request(1, RegisterKind::Input, 10, 4);
        assert_eq!([9, 10, 12, 13, 14].map(|r| asked.position(r, 2)), [None, Some(0), Some(2), None, None]);
        assert_eq!(request(1, RegisterKind::Input, 65_535, 1).position(65_535, 1), Some(0));
    }
}
