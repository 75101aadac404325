//! An slcan adapter with traffic and engine control units on its bus.

use std::{fmt, time::Instant};

use super::Instrument;
use crate::{
    faults::speaker::{Sent, now_us},
    obd_ecu::ObdEcu,
};

/// An adapter. It speaks while it is open, and transmits only when it was not opened to listen.
#[derive(Debug, Default)]
pub struct Adapter {
    /// Units that answer requests.
    pub ecus: Vec<ObdEcu>,
    /// What is on the bus by itself.
    pub traffic: Option<Traffic>,
    /// Every whole command that was said to it, without its end.
    pub commands: Vec<String>,
    half: Vec<u8>,
    mode: Mode,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
enum Mode {
    #[default]
    Closed,
    Listening,
    Open,
}

impl Adapter {
    /// An adapter with traffic on its bus.
    pub fn with_traffic(traffic: Traffic) -> Self {
        Self { traffic: Some(traffic), ..Self::default() }
    }

    /// An adapter with a unit on its bus.
    pub fn with_ecu(ecu: ObdEcu) -> Self {
        Self { ecus: vec![ecu], ..Self::default() }
    }

    /// Frames that it was told to transmit, in order.
    pub fn transmitted(&self) -> Vec<String> {
        self.commands.iter().filter(|c| c.starts_with(['t', 'T', 'r', 'R', 'd', 'D', 'b', 'B'])).cloned().collect()
    }

    /// Whether a recorder has opened it.
    pub fn is_open(&self) -> bool {
        self.mode != Mode::Closed
    }

    fn command(&mut self, command: &str) -> Vec<u8> {
        match command.as_bytes().first() {
            Some(b'C') => self.mode = Mode::Closed,
            Some(b'L') => self.mode = Mode::Listening,
            Some(b'O') => self.mode = Mode::Open,
            Some(b't' | b'T' | b'r' | b'R' | b'd' | b'D' | b'b' | b'B') if self.mode == Mode::Open => {
                let answers = self.ecus.iter_mut().map(|ecu| ecu.answer(command.as_bytes()));
                // One adapter acknowledges, however many units are on the bus.
                return answers.reduce(|all, more| [all, after_first_line(more)].concat()).unwrap_or(b"z\r".to_vec());
            }
            Some(b't' | b'T' | b'r' | b'R' | b'd' | b'D' | b'b' | b'B') => return b"\x07".to_vec(),
            _ => {}
        }
        b"\r".to_vec()
    }
}

fn after_first_line(answer: Vec<u8>) -> Vec<u8> {
    answer.into_iter().skip_while(|b| *b != b'\r').skip(1).collect()
}

impl Instrument for Adapter {
    fn hear(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut said = Vec::new();
        for byte in bytes {
            if *byte != b'\r' {
                self.half.push(*byte);
                continue;
            }
            let command = String::from_utf8_lossy(&std::mem::take(&mut self.half)).into_owned();
            said.extend(self.command(&command));
            self.commands.push(command);
        }
        said
    }

    fn speak(&mut self) -> Vec<u8> {
        let is_open = self.is_open();
        self.traffic.as_mut().map(|traffic| traffic.speak(is_open)).unwrap_or_default()
    }
}

/// Frames at a steady rate.
pub struct Traffic {
    /// Nothing is said while this is set.
    pub is_silent: bool,
    /// Frames that were said.
    pub sent: Vec<Sent>,
    rate_hz: f64,
    line: Box<dyn FnMut(u32) -> String + Send>,
    owed: f64,
    last: Option<Instant>,
}

impl fmt::Debug for Traffic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Traffic").field("sent", &self.sent.len()).finish_non_exhaustive()
    }
}

impl Traffic {
    /// So many lines a second, each made from its number.
    pub fn new(rate_hz: f64, line: impl FnMut(u32) -> String + Send + 'static) -> Self {
        Self { is_silent: false, sent: Vec::new(), rate_hz, line: Box::new(line), owed: 0.0, last: None }
    }

    fn speak(&mut self, is_open: bool) -> Vec<u8> {
        let now = Instant::now();
        let passed = self.last.replace(now).map_or(0.0, |last| (now - last).as_secs_f64());
        if !is_open || self.is_silent {
            self.owed = 0.0;
            return Vec::new();
        }
        // After a stall of the machine the bus does not catch up.
        self.owed = (self.owed + passed * self.rate_hz).min(self.rate_hz / 4.0);
        let mut said = Vec::new();
        while self.owed >= 1.0 {
            self.owed -= 1.0;
            let number = self.sent.len() as u32;
            said.extend((self.line)(number).into_bytes());
            self.sent.push(Sent { number, at_us: now_us() });
        }
        said
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_transmits_only_when_it_is_open_for_it() {
        let mut adapter = Adapter::with_ecu(ObdEcu::new(0).value(0x0D, &[0x32]));
        assert_eq!(adapter.hear(b"C\rS6\rZ0\rL"), b"\r\r\r");
        assert_eq!(adapter.hear(b"\rt7DF802010D5555555555\r"), b"\r\x07");
        assert_eq!(
            adapter.hear(b"O\rt7DF802010D5555555555\r"),
            b"\rz\rt7E880341 0D32AAAAAAAA\r".split(|b| *b == b' ').collect::<Vec<_>>().concat()
        );
        assert_eq!(adapter.transmitted().len(), 2);
    }

    #[test]
    fn traffic_is_said_while_the_adapter_is_open() {
        let mut adapter = Adapter::with_traffic(Traffic::new(1e6, |n| format!("t3101{n:02X}\r")));
        assert!(adapter.speak().is_empty());
        adapter.hear(b"L\r");
        std::thread::sleep(std::time::Duration::from_millis(1));
        assert!(adapter.speak().starts_with(b"t310100\rt310101\r"));
        adapter.hear(b"C\r");
        assert!(adapter.speak().is_empty());
    }
}
