//! When to ask which unit for what.

use std::collections::BTreeMap;

use tallywheel_schemas::{
    Rig, Timestamp,
    rig::{ModbusSource, Parity, Port, PortKind, RegisterKind, Source},
};

use super::{Answer, Exception, Line, Request, exchange::MOST_REGISTERS, exchange::REQUEST_BYTES};
use crate::message::{Bad, Fault, Message};

/// How long a unit may take to begin its answer, µs.
const PATIENCE_US: i64 = 300_000;
/// Pause after the first request that a unit does not answer, µs; it doubles with each further one. Long enough that a
/// late answer cannot be taken for the answer to another request.
const FIRST_PAUSE_US: i64 = 500_000;
/// Longest pause, µs.
const LONGEST_PAUSE_US: i64 = 30_000_000;
/// Silence between two frames above 19,200 bit/s, µs (Modbus serial line specification).
const FAST_SILENCE_US: i64 = 1_750;
/// The line rate up to which it is 3.5 characters.
const FAST_BAUD: u32 = 19_200;

/// Asks the units of one Modbus line for their registers, one at a time.
///
/// It has no clock: say the time to [`Poller::due`] when [`Poller::next_at`] has come, send what it gives, and hand
/// every message of the line to [`Poller::heard`].
#[derive(Debug)]
pub struct Poller {
    groups: Vec<Group>,
    units: BTreeMap<u8, Unit>,
    line: LineTiming,
    asked: Option<Asked>,
    /// Until then the line must be silent.
    silent_until: Timestamp,
    events: Vec<String>,
}

/// Neighbouring registers that are asked for together.
#[derive(Debug)]
struct Group {
    request: Request,
    every_us: i64,
    due: Option<Timestamp>,
    /// The refusal that was told of.
    refusal: Option<Exception>,
}

/// What is known about a unit.
#[derive(Debug, Default)]
struct Unit {
    /// Requests in a row that it did not answer.
    unanswered: u32,
    pause_until: Option<Timestamp>,
}

/// The request that waits for its answer.
#[derive(Debug)]
struct Asked {
    group: usize,
    until: Timestamp,
}

/// Durations on the line.
#[derive(Debug, Clone, Copy)]
struct LineTiming {
    baud: u32,
    /// Start, data, parity and stop bits of a character.
    bits: u32,
}

impl LineTiming {
    fn of(port: &Port) -> Self {
        let parity = u32::from(port.line_parity() != Parity::None);
        Self { baud: port.baud.max(1), bits: 1 + 8 + parity + u32::from(port.line_stop_bits()) }
    }

    /// Time of so many halves of a character, µs.
    fn half_characters_us(self, count: usize) -> i64 {
        let bits = count as u64 * u64::from(self.bits) * 500_000;
        bits.div_ceil(u64::from(self.baud)) as i64
    }

    /// Time of so many bytes, µs.
    fn bytes_us(self, bytes: usize) -> i64 {
        self.half_characters_us(2 * bytes)
    }

    /// Silence that separates frames: 3.5 characters, at fast rates 1.75 ms.
    fn silence_us(self) -> i64 {
        if self.baud > FAST_BAUD { FAST_SILENCE_US } else { self.half_characters_us(7) }
    }

    /// A request, its answer and the silence behind each, without the unit's own time, µs.
    fn exchange_us(self, request: &Request) -> i64 {
        self.bytes_us(REQUEST_BYTES + request.answer_bytes()) + 2 * self.silence_us()
    }
}

impl Poller {
    /// A poller for a port of the rig, by its index. `None` when the port is no Modbus line, may not transmit, or
    /// nothing on it is asked for.
    pub fn new(rig: &Rig, port_index: usize) -> Option<Self> {
        let port = rig.ports.get(port_index)?;
        let groups = groups(rig, port);
        if port.kind != PortKind::Modbus || !port.transmit || groups.is_empty() {
            return None;
        }
        let units = groups.iter().map(|g| (g.request.unit, Unit::default())).collect();
        let silent_until = Timestamp::from_us(0);
        Some(Self { groups, units, line: LineTiming::of(port), asked: None, silent_until, events: Vec::new() })
    }

    /// The bytes to send now, if any. They count as sent at `now`.
    pub fn due(&mut self, now: Timestamp) -> Option<Vec<u8>> {
        if let Some(asked) = &self.asked {
            if now < asked.until {
                return None;
            }
            self.give_up(now);
        }
        if now < self.silent_until {
            return None;
        }
        let (ready, chosen) = self.groups.iter().enumerate().map(|(i, g)| (self.ready_at(g), i)).min()?;
        if ready > now {
            return None;
        }
        let request = self.groups[chosen].request;
        self.groups[chosen].schedule(now);
        let wait_us = self.line.exchange_us(&request) + PATIENCE_US;
        self.asked = Some(Asked { group: chosen, until: now.plus_us(wait_us) });
        Some(request.bytes())
    }

    /// When [`Poller::due`] has something to do next, unless a message comes first. A time that has passed means now.
    pub fn next_at(&self) -> Option<Timestamp> {
        match &self.asked {
            Some(asked) => Some(asked.until),
            None => self.groups.iter().map(|g| self.ready_at(g)).min().map(|t| t.max(self.silent_until)),
        }
    }

    /// Takes a message of the line, heard at `at`.
    pub fn heard(&mut self, at: Timestamp, message: &Message) {
        let answer = match message {
            Message::Line(text) => match Line::read(text) {
                Some(Line::Answer(bytes)) => Some(bytes),
                // The framer's note of what was sent is not heard on the line.
                _ => return,
            },
            _ => None,
        };
        self.silent_until = self.silent_until.max(at.plus_us(self.line.silence_us()));
        match (answer, message) {
            (Some(bytes), _) => self.answered(&bytes),
            // The answer came and is spoilt: the unit lives, and is asked again in its turn.
            (None, Message::Bad(Bad { fault: Fault::Crc, .. })) => self.asked = None,
            _ => {}
        }
    }

    /// What happened since the last call, in words: units that fall silent, refuse, or answer again.
    pub fn take_events(&mut self) -> Vec<String> {
        std::mem::take(&mut self.events)
    }

    /// What will be sent on a port, said before anything is. Empty for a port on which nothing is asked.
    pub fn announcement(rig: &Rig, port_index: usize) -> String {
        let Some(poller) = Self::new(rig, port_index) else { return String::new() };
        let port = &rig.ports[port_index];
        let units: Vec<String> = poller.units.keys().map(u8::to_string).collect();
        let per_s: f64 = poller.groups.iter().map(|g| 1e6 / g.every_us as f64).sum();
        let load = |g: &Group| poller.line.exchange_us(&g.request) as f64 / g.every_us as f64;
        let busy: f64 = poller.groups.iter().map(load).sum();
        let mut text = format!(
            "TRANSMITS on port `{}`: asks Modbus unit {} up to {per_s:.1} times a second, reading only; the line is \
             busy for {:.0} % of the time at {} bit/s",
            port.name,
            units.join(", "),
            busy * 100.0,
            port.baud
        );
        if busy > 0.8 {
            text.push_str(", too much to keep the rates of the rig: ask less often or raise the line rate");
        }
        text
    }

    fn ready_at(&self, group: &Group) -> Timestamp {
        let due = group.due.unwrap_or(Timestamp::from_us(0));
        let pause = self.units.get(&group.request.unit).and_then(|u| u.pause_until);
        pause.map_or(due, |pause| due.max(pause))
    }

    /// Nothing came in time.
    fn give_up(&mut self, now: Timestamp) {
        let Some(asked) = self.asked.take() else { return };
        let request = self.groups[asked.group].request;
        let Some(unit) = self.units.get_mut(&request.unit) else { return };
        let pause_us = (FIRST_PAUSE_US << unit.unanswered.min(16)).min(LONGEST_PAUSE_US);
        unit.pause_until = Some(now.plus_us(pause_us));
        unit.unanswered += 1;
        if unit.unanswered == 1 {
            self.events.push(format!(
                "Modbus unit {} does not answer for {request}: check its address, the line's rate and parity, and \
                 its wiring; it is asked less often until it does",
                request.unit
            ));
        }
    }

    /// Any answer shows that its unit lives, a late one too.
    fn answered(&mut self, bytes: &[u8]) {
        let Some(number) = bytes.first() else { return };
        if let Some(unit) = self.units.get_mut(number) {
            if unit.unanswered > 0 {
                self.events.push(format!("Modbus unit {number} answers again after {} requests", unit.unanswered));
            }
            *unit = Unit::default();
        }
        let Some(asked) = &self.asked else { return };
        let group = &mut self.groups[asked.group];
        let Ok(answer) = group.request.answer(bytes) else { return };
        self.asked = None;
        let refusal = match answer {
            Answer::Registers(_) => None,
            Answer::Exception(exception) => Some(exception),
        };
        if let Some(exception) = refusal.filter(|_| refusal != group.refusal) {
            let (unit, request) = (group.request.unit, group.request);
            self.events.push(format!("Modbus unit {unit} refuses {request}: {exception}"));
        }
        group.refusal = refusal;
    }
}

impl Group {
    /// Plans the next request a period after this one was planned. Periods that have passed meanwhile are left out.
    fn schedule(&mut self, now: Timestamp) {
        let planned = self.due.unwrap_or(now);
        let late = (now.as_us() - planned.as_us()).max(0) / self.every_us;
        self.due = Some(planned.plus_us((late + 1) * self.every_us));
    }
}

/// Signals of one unit, table and rate whose registers touch or overlap share a request. Registers between them are
/// left alone: a unit refuses the whole request for one that it does not have.
fn groups(rig: &Rig, port: &Port) -> Vec<Group> {
    let mut sources: Vec<(u8, RegisterKind, i64, u32, u32)> = Vec::new();
    for signal in rig.signals.iter().filter(|s| s.port == port.name) {
        if let Source::Modbus(ModbusSource { unit, kind, register, format, every_s, .. }) = &signal.source {
            let first = u32::from(*register);
            let every_us = (every_s * 1e6).round() as i64;
            sources.push((*unit, *kind, every_us, first, first + u32::from(format.registers())));
        }
    }
    sources.sort_unstable();
    let mut spans: Vec<(u8, RegisterKind, i64, u32, u32)> = Vec::new();
    for source in sources {
        let (unit, kind, every_us, first, end) = source;
        match spans.last_mut() {
            Some(span)
                if (span.0, span.1, span.2) == (unit, kind, every_us)
                    && first <= span.4
                    && end.max(span.4) - span.3 <= u32::from(MOST_REGISTERS) =>
            {
                span.4 = span.4.max(end);
            }
            _ => spans.push(source),
        }
    }
    let group = |(unit, kind, every_us, first, end): (u8, RegisterKind, i64, u32, u32)| Group {
        request: Request { unit, kind, first: first as u16, count: (end - first) as u16 },
        every_us,
        due: None,
        refusal: None,
    };
    spans.into_iter().map(group).collect()
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::TextFile;

    use super::*;
    use crate::{framing::ModbusFramer, modbus::answer_line};

    fn signal(name: &str, unit: u8, register: u16, format: &str, more: &str) -> String {
        format!(
            "[aux.{name}]\nunit = \"1\"\nmin = -1e9\nmax = 1e9\n[[signal]]\nchannel = \"{name}\"\nport = \"meter\"\n\
             unit_id = {unit}\nregister = {register}\nregister_kind = \"input\"\nformat = \"{format}\"\n\
             max_gap_s = 60.0\n{more}\n"
        )
    }

    fn rig(port: &str, signals: &[String]) -> Rig {
        let text = format!(
            "schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n{port}\n{}",
            signals.concat()
        );
        Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig")
    }

    fn at(ms: f64) -> Timestamp {
        Timestamp::from_us(1_700_000_000_000_000 + (ms * 1e3) as i64)
    }

    fn requests(rig: &Rig) -> Vec<Request> {
        Poller::new(rig, 0).expect("a poller").groups.iter().map(|g| g.request).collect()
    }

    fn input(unit: u8, first: u16, count: u16) -> Request {
        Request { unit, kind: RegisterKind::Input, first, count }
    }

    /// An answer with its checksum, found by asking the reader which one it takes.
    fn answer(request: &Request) -> Vec<u8> {
        let mut body = vec![request.unit, 4, 2 * request.count as u8];
        body.resize(3 + 2 * usize::from(request.count), 7);
        complete(request, &body)
    }

    fn complete(request: &Request, body: &[u8]) -> Vec<u8> {
        let frames = (0..=u16::MAX).map(|crc| [body, &crc.to_le_bytes()].concat());
        frames.into_iter().find(|f| request.answer(f).is_ok()).expect("one of them")
    }

    fn line(bytes: &[u8]) -> Message {
        Message::Line(answer_line(bytes))
    }

    #[test]
    fn neighbours_of_one_unit_and_rate_share_a_request() {
        let signals = [
            signal("a", 1, 10, "f32", ""),
            signal("b", 1, 12, "u16", ""),
            signal("c", 1, 11, "u16", ""),
            signal("d", 1, 14, "u16", ""),
            signal("e", 2, 13, "u16", ""),
            signal("f", 1, 13, "u16", "every_s = 5.0"),
            signal("g", 1, 13, "u16", "").replace("input", "holding"),
        ];
        let holding = Request { kind: RegisterKind::Holding, ..input(1, 13, 1) };
        assert_eq!(
            requests(&rig("", &signals)),
            [holding, input(1, 10, 3), input(1, 14, 1), input(1, 13, 1), input(2, 13, 1)]
        );
        let many: Vec<String> = (0..70).map(|i| signal(&format!("s{i}"), 1, 2 * i, "u32", "")).collect();
        assert_eq!(requests(&rig("", &many)), [input(1, 0, 124), input(1, 124, 16)]);
    }

    #[test]
    fn nothing_is_asked_without_signals() {
        assert!(Poller::new(&rig("", &[]), 0).is_none() && Poller::new(&rig("", &[]), 1).is_none());
        assert_eq!(Poller::announcement(&rig("", &[]), 0), "");
    }

    /// Closed form: 19,200 bit/s and 11 bits a character make 573 µs each, so 3.5 of them 2.005 ms; above, 1.75 ms.
    #[test]
    fn one_request_at_a_time_with_silence_between() {
        for (port, silence_ms) in [("", 2.005), ("baud = 115200", 1.75), ("baud = 9600\nparity = \"none\"", 4.01)] {
            let rig = rig(port, &[signal("a", 1, 0, "u16", ""), signal("b", 1, 9, "u16", "")]);
            let mut poller = Poller::new(&rig, 0).expect("a poller");
            assert!(poller.next_at().expect("a time") < at(0.0), "at once");
            let first = poller.due(at(0.0)).expect("a request");
            assert_eq!(first, input(1, 0, 1).bytes());
            assert_eq!(poller.due(at(20.0)), None, "the first is not answered yet");
            poller.heard(at(30.0), &Message::Line("> 00".to_owned()));
            poller.heard(at(30.0), &line(&answer(&input(1, 0, 1))));
            let free = poller.next_at().expect("a time");
            assert!((free.seconds_since(at(30.0)) * 1e3 - silence_ms).abs() < 0.01, "{}", free.seconds_since(at(30.0)));
            assert_eq!(poller.due(at(31.7)), None, "silence");
            assert_eq!(poller.due(free), Some(input(1, 9, 1).bytes()));
            poller.heard(at(50.0), &line(&answer(&input(1, 9, 1))));
            assert_eq!(poller.due(at(999.0)), None, "not yet");
            assert_eq!(poller.due(at(1000.0)), Some(first), "the period counts from the plan");
            assert_eq!(poller.take_events(), Vec::<String>::new());
        }
    }

    #[test]
    fn a_silent_unit_is_asked_less_and_less_and_the_others_as_before() {
        let rig = rig("baud = 115200", &[signal("a", 1, 0, "u16", "every_s = 0.2"), signal("b", 2, 0, "u16", "")]);
        let mut poller = Poller::new(&rig, 0).expect("a poller");
        let (mut now, mut silent, mut good) = (at(0.0), Vec::new(), 0);
        while now < at(120_000.0) {
            if let Some(sent) = poller.due(now) {
                let request = Request::read(&sent).expect("a request");
                if request.unit == 2 {
                    good += 1;
                    now = now.plus_us(20_000);
                    poller.heard(now, &line(&answer(&request)));
                } else {
                    silent.push(now);
                }
            }
            now = poller.next_at().expect("a time").max(now.plus_us(1));
        }
        let pauses: Vec<f64> = silent.windows(2).map(|w| w[1].seconds_since(w[0])).collect();
        assert!(pauses.windows(2).all(|p| p[1] > p[0] - 0.4) && pauses.iter().all(|p| *p < 30.8), "{pauses:?}");
        // Pauses of 0.5, 1, 2, 4, 8, 16, 30 and 30 s, and 0.3 s of patience before each.
        assert_eq!(silent.len(), 9);
        assert!((115..=120).contains(&good), "{good}");
        let events = poller.take_events();
        assert!(matches!(&events[..], [e] if e.starts_with("Modbus unit 1 does not answer for input register 0x0000")));
        poller.heard(now, &line(&answer(&input(1, 0, 1))));
        assert!(matches!(&poller.take_events()[..], [e] if e.starts_with("Modbus unit 1 answers again")));
        assert!(poller.due(now.plus_us(400_000)).is_some(), "its pause is over");
    }

    #[test]
    fn a_refusal_is_told_of_once_and_is_no_silence() {
        let rig = rig("", &[signal("a", 1, 0, "u16", "")]);
        let mut poller = Poller::new(&rig, 0).expect("a poller");
        let refusal = complete(&input(1, 0, 1), &[1, 0x84, 2]);
        for second in 0..3 {
            assert!(poller.due(at(1000.0 * f64::from(second))).is_some());
            poller.heard(at(1000.0 * f64::from(second) + 9.0), &line(&refusal));
        }
        assert_eq!(
            poller.take_events(),
            ["Modbus unit 1 refuses input register 0x0000: exception 02, illegal data address"]
        );
    }

    #[test]
    fn a_spoilt_answer_ends_the_wait_and_noise_does_not() {
        let rig = rig("", &[signal("a", 1, 0, "u16", ""), signal("b", 1, 9, "u16", "")]);
        let mut poller = Poller::new(&rig, 0).expect("a poller");
        poller.due(at(0.0)).expect("a request");
        let bad = |fault| Message::Bad(Bad { text: "? 00".to_owned(), fault });
        poller.heard(at(10.0), &bad(Fault::Unasked));
        assert_eq!(poller.due(at(20.0)), None);
        poller.heard(at(30.0), &bad(Fault::Crc));
        assert_eq!(poller.due(at(40.0)), Some(input(1, 9, 1).bytes()));
        assert_eq!(poller.take_events(), Vec::<String>::new());
    }

    #[test]
    fn only_reading_requests_are_ever_sent() {
        let holding = signal("b", 5, 3, "f32", "").replace("input", "holding");
        let rig = rig("", &[signal("a", 1, 0, "u16", ""), holding]);
        let mut poller = Poller::new(&rig, 0).expect("a poller");
        let mut sent = 0;
        for second in 0..600 {
            if let Some(request) = poller.due(at(f64::from(second) * 1000.0)) {
                assert!(matches!(request[1], 3 | 4) && request.len() == 8, "{request:02X?}");
                sent += 1;
            }
        }
        assert!(sent > 20, "{sent}");
    }

    #[test]
    fn the_announcement_says_what_is_sent() {
        let signals = [signal("a", 1, 0, "u16", "every_s = 0.5"), signal("b", 7, 0, "f32", "")];
        assert_eq!(
            Poller::announcement(&rig("", &signals), 0),
            "TRANSMITS on port `meter`: asks Modbus unit 1, 7 up to 3.0 times a second, reading only; the line is busy \
             for 4 % of the time at 19200 bit/s"
        );
        let slow = rig("baud = 1200", &[signal("a", 1, 0, "u16", "every_s = 0.1")]);
        assert!(Poller::announcement(&slow, 0).contains("too much to keep the rates"));
    }

    /// Framer and poller together, as at a port.
    #[test]
    fn an_exchange_goes_round() {
        let rig = rig("", &[signal("a", 1, 0, "u16", "")]);
        let (mut poller, mut framer) = (Poller::new(&rig, 0).expect("a poller"), ModbusFramer::new());
        for second in 0..3 {
            let sent = poller.due(at(1000.0 * f64::from(second))).expect("a request");
            framer.sent(&sent);
            framer.received(&answer(&input(1, 0, 1)));
            let mut messages = 0;
            while let Some(framed) = framer.next() {
                poller.heard(at(1000.0 * f64::from(second) + 5.0), &framed.message);
                messages += 1;
            }
            assert_eq!(messages, 2);
        }
    }
}
