//! An engine control unit behind an slcan adapter, for tests: it answers OBD-II requests as ISO 15765-4 and SAE J1979
//! have it, and misbehaves on demand.
//!
//! It has its own way of cutting messages and lists, so that an error here and one in the logger cannot cancel.

use std::collections::{BTreeMap, BTreeSet};

/// A simulated ECU and the adapter in front of it.
#[derive(Debug, Clone)]
pub struct ObdEcu {
    /// Data bytes by parameter of service 01. The lists of supported parameters follow from it.
    pub values: BTreeMap<u8, Vec<u8>>,
    /// Parameters that are listed and never answered.
    pub silent: BTreeSet<u8>,
    /// Parameters that are listed and refused, with the code.
    pub refused: BTreeMap<u8, u8>,
    /// Parameters that are answered with "response pending" first.
    pub slow: BTreeSet<u8>,
    /// Vehicle identification number, 17 characters (service 09, parameter 02).
    pub vin: String,
    /// The adapter acknowledges each transmission with `z` or `Z`, not only with a carriage return.
    pub acknowledges: bool,
    /// The ECU is not there: nothing is answered.
    pub asleep: bool,
    request: u32,
    response: u32,
    extended: bool,
    rest: Vec<Vec<u8>>,
}

/// A frame as a tester sent it.
struct Heard {
    id: u32,
    extended: bool,
    data: Vec<u8>,
}

impl ObdEcu {
    /// ECU number 0 to 7 with 11-bit identifiers: 0 listens to 7E0 and answers with 7E8.
    pub fn new(number: u8) -> Self {
        let number = u32::from(number & 7);
        Self::with(0x7E0 + number, 0x7E8 + number, false)
    }

    /// An ECU with an address and 29-bit identifiers: 10 listens to 18DA10F1 and answers with 18DAF110.
    pub fn with_address(address: u8) -> Self {
        let address = u32::from(address);
        Self::with(0x18DA_00F1 | address << 8, 0x18DA_F100 | address, true)
    }

    fn with(request: u32, response: u32, extended: bool) -> Self {
        Self {
            values: BTreeMap::new(),
            silent: BTreeSet::new(),
            refused: BTreeMap::new(),
            slow: BTreeSet::new(),
            vin: "WBA12345678901234".to_owned(),
            acknowledges: true,
            asleep: false,
            request,
            response,
            extended,
            rest: Vec::new(),
        }
    }

    /// The same with a parameter.
    #[must_use]
    pub fn value(mut self, pid: u8, data: &[u8]) -> Self {
        self.values.insert(pid, data.to_vec());
        self
    }

    /// Identifier of its answers.
    pub fn response_id(&self) -> u32 {
        self.response
    }

    /// What the adapter says to one line of the host, with or without its carriage return: acknowledgement, then the
    /// frames of the answer.
    pub fn answer(&mut self, slcan_line: &[u8]) -> Vec<u8> {
        let line = slcan_line.strip_suffix(b"\r").unwrap_or(slcan_line);
        match line.first() {
            Some(b't' | b'T') => {}
            Some(b'V') => return b"V1013\r".to_vec(),
            Some(b'N') => return b"NSIW1\r".to_vec(),
            _ => return b"\r".to_vec(),
        }
        let Some(heard) = read(line) else { return b"\x07".to_vec() };
        let mut out = match (self.acknowledges, heard.extended) {
            (true, false) => b"z\r".to_vec(),
            (true, true) => b"Z\r".to_vec(),
            (false, _) => b"\r".to_vec(),
        };
        for frame in self.frames(&heard) {
            out.extend(self.line(&frame));
        }
        out
    }

    /// The frames that answer one.
    fn frames(&mut self, heard: &Heard) -> Vec<Vec<u8>> {
        let everybody = if self.extended { 0x18DB_33F1 } else { 0x7DF };
        if self.asleep || heard.extended != self.extended || ![everybody, self.request].contains(&heard.id) {
            return Vec::new();
        }
        match heard.data.as_slice() {
            // Flow control comes to this ECU's own identifier only.
            [0x30, ..] if heard.id == self.request => std::mem::take(&mut self.rest),
            [2, 0x01, pid, ..] => self.current(*pid),
            [2, 0x09, 0x02, ..] => {
                let mut message = vec![0x49, 0x02, 0x01];
                message.extend_from_slice(self.vin.as_bytes());
                self.cut(&message)
            }
            [n @ 1..=7, service, ..] if *n > 0 && heard.id == self.request => vec![vec![3, 0x7F, *service, 0x11]],
            _ => Vec::new(),
        }
    }

    fn current(&mut self, pid: u8) -> Vec<Vec<u8>> {
        if self.silent.contains(&pid) {
            return Vec::new();
        }
        if let Some(code) = self.refused.get(&pid) {
            return vec![vec![3, 0x7F, 0x01, *code]];
        }
        let data = if pid.is_multiple_of(0x20) { self.list(pid) } else { self.values.get(&pid).cloned() };
        let Some(data) = data else { return Vec::new() };
        let mut message = vec![0x41, pid];
        message.extend(data);
        let mut frames = if self.slow.contains(&pid) { vec![vec![3, 0x7F, 0x01, 0x78]] } else { Vec::new() };
        frames.extend(self.cut(&message));
        frames
    }

    /// The list of the 32 parameters after a multiple of 32: the first is the top bit, the last says that the next list
    /// has something. `None` where there is nothing to list.
    fn list(&self, page: u8) -> Option<Vec<u8>> {
        let listed = || self.values.keys().chain(&self.silent).chain(self.refused.keys()).map(|pid| u32::from(*pid));
        let from = u32::from(page) + 1;
        let mut bits = 0_u32;
        for pid in listed() {
            if (from..from + 32).contains(&pid) {
                bits |= 0x8000_0000 >> (pid - from);
            }
        }
        if listed().any(|pid| pid > u32::from(page) + 32) {
            bits |= 1;
        }
        (bits != 0 || page == 0).then(|| bits.to_be_bytes().to_vec())
    }

    /// A message as frames; all but the first wait for flow control.
    fn cut(&mut self, message: &[u8]) -> Vec<Vec<u8>> {
        if message.len() <= 7 {
            let mut frame = vec![message.len() as u8];
            frame.extend_from_slice(message);
            return vec![frame];
        }
        let mut first = vec![0x10 + (message.len() / 256) as u8, (message.len() % 256) as u8];
        first.extend_from_slice(&message[..6]);
        let numbered = message[6..].chunks(7).enumerate().map(|(i, part)| {
            let mut frame = vec![0x20 + ((i + 1) % 16) as u8];
            frame.extend_from_slice(part);
            frame
        });
        self.rest = numbered.collect();
        vec![first]
    }

    /// A received frame as the adapter writes it, filled up with AA.
    fn line(&self, frame: &[u8]) -> Vec<u8> {
        let mut bytes = frame.to_vec();
        bytes.resize(8, 0xAA);
        let id = if self.extended { format!("T{:08X}", self.response) } else { format!("t{:03X}", self.response) };
        let data: String = bytes.iter().map(|b| format!("{b:02X}")).collect();
        format!("{id}8{data}\r").into_bytes()
    }
}

/// Reads a line that transmits a frame.
fn read(line: &[u8]) -> Option<Heard> {
    let text = std::str::from_utf8(line).ok()?;
    let extended = text.starts_with('T');
    let digits = if extended { 8 } else { 3 };
    let id = u32::from_str_radix(text.get(1..1 + digits)?, 16).ok()?;
    let length: usize = text.get(1 + digits..2 + digits)?.parse().ok()?;
    let hex = text.get(2 + digits..)?;
    if length > 8 || hex.len() != 2 * length {
        return None;
    }
    let data = (0..length).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).ok()).collect::<Option<_>>()?;
    Some(Heard { id, extended, data })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(ecu: &mut ObdEcu, line: &str) -> String {
        String::from_utf8(ecu.answer(line.as_bytes())).expect("ASCII").replace('\r', "|")
    }

    /// Source: 7DF 02 01 0D and 7E8 03 41 0D <A> on an OBD overview page (read); the first frame of the identification
    /// number from a Q&A thread (read): 7DF#0209005555555555 -> 7E8#1014490201574241; the rest is synthetic.
    #[test]
    fn it_answers_as_published() {
        let mut ecu = ObdEcu::new(0).value(0x0D, &[0x32]).value(0x5E, &[0x00, 0x50]);
        assert_eq!(said(&mut ecu, "t7DF802010D5555555555\r"), "z|t7E880341 0D32AAAAAAAA|".replace(' ', ""));
        assert_eq!(said(&mut ecu, "t7DF80201005555555555"), "z|t7E8806410000080001AA|");
        assert_eq!(said(&mut ecu, "t7DF80209025555555555"), "z|t7E881014490201574241|");
        assert_eq!(said(&mut ecu, "t7DF83000005555555555"), "z|", "flow control goes to 7E0");
        let rest = "z|t7E882131323334353637|t7E882238393031323334|";
        assert_eq!(said(&mut ecu, "t7E083000005555555555"), rest);
        assert_eq!(said(&mut ecu, "t7DF802010C5555555555"), "z|", "not supported: silence");
        assert_eq!((said(&mut ecu, "S6"), said(&mut ecu, "t7DF8zz")), ("|".to_owned(), "\u{7}".to_owned()));
        let mut long = ObdEcu::with_address(0x10).value(0x0D, &[0x32]);
        assert_eq!(said(&mut long, "T18DB33F1802010D5555555555"), "Z|T18DAF110803410D32AAAAAAAA|");
    }
}
