//! The poller: joins questions, answers and the reasons not to ask.

use std::collections::{BTreeMap, VecDeque};

use tallywheel_schemas::{
    Rig, Timestamp,
    obd::{is_request_id, physical_id},
    rig::{PortKind, obd_requests},
};

use super::{
    answer::{Answer, answer, is_final},
    guard::Guard,
    question::{Question, State},
    request::{Addressee, request, slcan_line},
    supported::{Supported, page_of},
};
use crate::{
    isotp::{FaultCounts, Outcome, Reassembly, TIMEOUT_US},
    message::{CanFrame, Message, Status, StatusMeaning},
};

/// Wait for an answer, µs. The standard gives an ECU 50 ms (P2); gateways and adapters take some as well.
const ANSWER_US: i64 = 250_000;
/// Wait after "response pending", µs (P2*).
const PENDING_US: i64 = 5_000_000;
/// "Response pending" in a row that are believed.
const PENDING_LIMIT: u8 = 6;
/// An echo of a frame comes within this time, µs.
const ECHO_US: i64 = 1_000_000;

/// Asks the OBD-II parameters of one port.
#[derive(Debug)]
pub struct Poller {
    port: String,
    extended: bool,
    pace_us: i64,
    addressees: Vec<(Addressee, BTreeMap<u32, Supported>)>,
    questions: Vec<Question>,
    outstanding: Option<Outstanding>,
    receivers: BTreeMap<u32, Reassembly>,
    flow: VecDeque<CanFrame>,
    echoes: VecDeque<(Timestamp, CanFrame)>,
    /// Earliest time of the next request, by the rate limit.
    free_at: Timestamp,
    guard: Guard,
    faults: FaultCounts,
    /// Refusals by parameter, ECU and code.
    refusals: BTreeMap<(u8, u32, u8), u64>,
    events: Vec<String>,
}

/// The request that is on its way.
#[derive(Debug)]
struct Outstanding {
    question: usize,
    deadline: Timestamp,
    /// ECUs that will answer; `None` when that is not known, and the whole time is waited.
    awaited: Option<Vec<u32>>,
    answered: bool,
    refused: bool,
    refused_for_good: bool,
    acknowledged: bool,
    pending: u8,
    /// ECUs that flow control was sent to.
    flowed: Vec<u32>,
}

impl Poller {
    /// A poller for a port of a rig, by its index. `None` when the port may not transmit or has no signal with `pid`.
    pub fn new(rig: &Rig, port: usize) -> Option<Self> {
        let port = rig.ports.get(port)?;
        let requests = obd_requests(&rig.signals, &port.name);
        if port.kind != PortKind::Slcan || !port.transmit || port.listen_only || requests.is_empty() {
            return None;
        }
        let mut poller = Self {
            port: port.name.clone(),
            extended: requests.iter().any(|r| r.extended),
            pace_us: (1e6 / port.request_limit()).ceil() as i64,
            addressees: Vec::new(),
            questions: Vec::new(),
            outstanding: None,
            receivers: BTreeMap::new(),
            flow: VecDeque::new(),
            echoes: VecDeque::new(),
            free_at: Timestamp::from_us(0),
            guard: Guard::default(),
            faults: FaultCounts::default(),
            refusals: BTreeMap::new(),
            events: Vec::new(),
        };
        for request in &requests {
            let addressee = poller.addressee(Addressee { ecu: request.ecu, extended: request.extended });
            poller.questions.push(Question::value(addressee, request));
        }
        Some(poller)
    }

    /// Index of an addressee; a new one is first asked what it supports.
    fn addressee(&mut self, addressee: Addressee) -> usize {
        let known = self.addressees.iter().position(|(a, _)| *a == addressee);
        known.unwrap_or_else(|| {
            self.addressees.push((addressee, BTreeMap::new()));
            let index = self.addressees.len() - 1;
            self.questions.push(Question::list(index, 0x00, Timestamp::from_us(0)));
            index
        })
    }

    /// The next line to write to the adapter, when its time has come. Ask again until there is none.
    pub fn due(&mut self, now: Timestamp) -> Option<Vec<u8>> {
        self.tick(now);
        if !self.guard.allows() {
            return None;
        }
        if let Some(frame) = self.flow.pop_front() {
            return Some(self.send(now, frame));
        }
        if self.outstanding.is_some() || now < self.free_at {
            return None;
        }
        let (index, _) = self.next_question().filter(|(_, due)| *due <= now)?;
        Some(self.ask(now, index))
    }

    /// When [`Poller::due`] has to be asked next, unless something is heard before; `None` when nothing will be sent any
    /// more.
    pub fn next_at(&self) -> Option<Timestamp> {
        if self.guard.stopped().is_some() {
            return None;
        }
        if let Some(until) = self.guard.paused_until() {
            return Some(until);
        }
        if !self.flow.is_empty() {
            return Some(Timestamp::from_us(0));
        }
        match &self.outstanding {
            Some(outstanding) => Some(outstanding.deadline),
            None => self.next_question().map(|(_, due)| due.max(self.free_at)),
        }
    }

    /// Takes every message of the port, with the time when it arrived.
    pub fn heard(&mut self, at: Timestamp, message: &Message) {
        self.tick(at);
        match message {
            Message::Frame(frame) => self.frame(at, frame),
            Message::Status(status) => self.status(at, status),
            Message::Line(_) | Message::Bad(_) | Message::Fragment(_) => {}
        }
    }

    /// What happened since the last call, for the technician and the session's events.
    pub fn take_events(&mut self) -> Vec<String> {
        std::mem::take(&mut self.events)
    }

    /// How the requests fared, for the end of a session.
    pub fn report(&self) -> Vec<String> {
        let sum = |of: fn(&Question) -> u64| self.questions.iter().map(of).sum::<u64>();
        let mut lines = vec![format!("{} OBD-II requests sent, {} answered", sum(|q| q.asked), sum(|q| q.answered))];
        lines.extend(self.questions.iter().filter_map(about));
        for ((pid, ecu, code), count) in &self.refusals {
            lines.push(format!("ECU {ecu:X} refused PID 0x{pid:02X} {count} time(s) with code {code:02X}"));
        }
        let faults = self.fault_counts();
        if faults.total() > 0 {
            lines.push(format!("{} faulty ISO 15765-2 frame(s) in answers: {faults}", faults.total()));
        }
        lines.extend(self.guard.stopped().map(|cause| format!("requests stopped: {cause}")));
        lines.into_iter().map(|line| format!("port `{}`: {line}", self.port)).collect()
    }

    fn fault_counts(&self) -> FaultCounts {
        let mut counts = self.faults;
        self.receivers.values().for_each(|receiver| counts.add(receiver.faults()));
        counts
    }

    fn say(&mut self, what: impl IntoIterator<Item = String>) {
        let port = &self.port;
        self.events.extend(what.into_iter().map(|what| format!("port `{port}`: {what}")));
    }

    /// The open question that is due first.
    fn next_question(&self) -> Option<(usize, Timestamp)> {
        let open = self.questions.iter().enumerate().filter(|(_, q)| q.is_open());
        open.map(|(index, q)| (index, q.due)).min_by_key(|(_, due)| *due)
    }

    fn send(&mut self, now: Timestamp, frame: CanFrame) -> Vec<u8> {
        self.echoes.retain(|(sent, _)| now < sent.plus_us(ECHO_US));
        let line = slcan_line(&frame);
        self.echoes.push_back((now, frame));
        line
    }

    fn ask(&mut self, now: Timestamp, index: usize) -> Vec<u8> {
        self.faults = self.fault_counts();
        self.receivers.clear();
        let question = &mut self.questions[index];
        question.sent(now);
        let (addressee, ecus) = &self.addressees[question.addressee];
        let supporting = || ecus.iter().filter(|(_, s)| s.has(question.pid)).map(|(ecu, _)| *ecu).collect();
        let awaited = match (addressee.ecu, question.state) {
            (Some(ecu), _) => Some(vec![ecu]),
            (None, State::Active) => Some(supporting()),
            (None, _) => None,
        };
        self.free_at = now.plus_us(self.pace_us);
        self.outstanding = Some(Outstanding {
            question: index,
            deadline: now.plus_us(ANSWER_US),
            awaited,
            answered: false,
            refused: false,
            refused_for_good: true,
            acknowledged: false,
            pending: 0,
            flowed: Vec::new(),
        });
        let frame = request(*addressee, question.pid);
        self.send(now, frame)
    }

    fn tick(&mut self, now: Timestamp) {
        let said = self.guard.tick(now);
        self.say(said);
        if self.outstanding.as_ref().is_some_and(|o| now >= o.deadline) {
            self.finish(now);
        }
    }

    /// Drops everything that is on its way.
    fn hold(&mut self, said: Option<String>) {
        if said.is_some() {
            self.outstanding = None;
            self.flow.clear();
        }
        self.say(said);
    }

    fn status(&mut self, at: Timestamp, status: &Status) {
        let said = self.guard.status(at, &status.meaning);
        self.hold(said);
        match (&status.meaning, &mut self.outstanding) {
            (StatusMeaning::Sent, Some(outstanding)) => outstanding.acknowledged = true,
            // The adapter did not take the frame: nobody will answer.
            (StatusMeaning::Refused, Some(outstanding)) if !outstanding.acknowledged => self.finish(at),
            _ => {}
        }
    }

    fn frame(&mut self, at: Timestamp, frame: &CanFrame) {
        if is_request_id(frame.id, frame.extended) {
            return self.requested(at, frame);
        }
        let is_answer = frame.extended == self.extended && physical_id(frame.id, frame.extended).is_some();
        let Some(outstanding) = self.outstanding.as_mut().filter(|_| is_answer && !frame.remote) else { return };
        let addressee = self.addressees[self.questions[outstanding.question].addressee].0;
        if addressee.ecu.is_some_and(|ecu| ecu != frame.id) {
            return;
        }
        let step = self.receivers.entry(frame.id).or_default().frame(at, frame.data());
        let receiving = self.receivers[&frame.id].deadline().is_some();
        match step.outcome {
            Some(Outcome::Message(message)) => self.message(at, frame.id, &message),
            Some(Outcome::SendFlowControl(data)) => self.grant(at, frame.id, data),
            None if receiving => outstanding.deadline = outstanding.deadline.max(at.plus_us(TIMEOUT_US)),
            None => {}
        }
    }

    /// A frame with a tester's identifier: our own, heard as an echo, or another tester's.
    fn requested(&mut self, at: Timestamp, frame: &CanFrame) {
        let same = |(sent, ours): &(Timestamp, CanFrame)| {
            at < sent.plus_us(ECHO_US)
                && (ours.id, ours.extended, ours.data()) == (frame.id, frame.extended, frame.data())
        };
        let echo = self.echoes.iter().position(same);
        if echo.is_none() && !frame.transmitted {
            let said = self.guard.other_tester(frame.id);
            return self.hold(said);
        }
        if let Some(index) = echo {
            self.echoes.remove(index);
        }
        if let Some(outstanding) = &mut self.outstanding {
            outstanding.acknowledged = true;
        }
    }

    /// Lets an ECU go on with a long answer, once for each request.
    fn grant(&mut self, at: Timestamp, ecu: u32, data: [u8; 8]) {
        let (Some(outstanding), Some(id)) = (&mut self.outstanding, physical_id(ecu, self.extended)) else { return };
        if !outstanding.flowed.contains(&ecu) {
            outstanding.flowed.push(ecu);
            outstanding.deadline = outstanding.deadline.max(at.plus_us(TIMEOUT_US));
            self.flow.push_back(CanFrame::new(id, self.extended).with_data(&data));
        }
    }

    fn message(&mut self, at: Timestamp, ecu: u32, message: &[u8]) {
        let Some(outstanding) = &mut self.outstanding else { return };
        let question = &self.questions[outstanding.question];
        match answer(message) {
            Some(Answer::Positive { pid, data }) if pid == question.pid => {
                let list = question.state == State::List;
                let ecus = &mut self.addressees[question.addressee].1;
                if list && !ecus.entry(ecu).or_default().take(pid, data) {
                    return;
                }
                outstanding.answered = true;
            }
            Some(Answer::Pending) if outstanding.pending < PENDING_LIMIT => {
                outstanding.pending += 1;
                outstanding.deadline = at.plus_us(PENDING_US);
                return;
            }
            Some(Answer::Negative { code }) => {
                outstanding.refused = true;
                outstanding.refused_for_good &= is_final(code);
                let count = self.refusals.entry((question.pid, ecu, code)).or_default();
                *count += 1;
                let first =
                    (*count == 1).then(|| format!("ECU {ecu:X} refused {} with code {code:02X}", question.name()));
                self.say(first);
            }
            _ => return,
        }
        self.settle(at, ecu);
    }

    /// An ECU has said what it will say; when all have, the request is over.
    fn settle(&mut self, at: Timestamp, ecu: u32) {
        let Some(awaited) = self.outstanding.as_mut().and_then(|o| o.awaited.as_mut()) else { return };
        awaited.retain(|other| *other != ecu);
        if awaited.is_empty() {
            self.finish(at);
        }
    }

    /// The request is over, answered or not.
    fn finish(&mut self, now: Timestamp) {
        let Some(outstanding) = self.outstanding.take() else { return };
        self.flow.clear();
        let index = outstanding.question;
        if outstanding.answered || outstanding.refused {
            self.guard.answered(now);
        } else if outstanding.acknowledged {
            self.guard.acknowledged();
        } else {
            let said = self.guard.unanswered(now);
            self.hold(said);
        }
        let question = &mut self.questions[index];
        let said = match outstanding {
            Outstanding { answered: true, .. } => question.hit(),
            Outstanding { refused: true, refused_for_good: true, .. } => {
                let listing = question.state == State::List;
                question.state = if listing { State::Listed } else { State::Unsupported };
                (!listing).then(|| question.unsupported())
            }
            _ => question.missed(now),
        };
        self.say(said);
        if self.questions[index].state == State::Listed
            || (outstanding.answered && self.questions[index].state == State::List)
        {
            self.listed(now, index);
        }
    }

    /// A list has come, or never will: what it decides.
    fn listed(&mut self, now: Timestamp, index: usize) {
        self.questions[index].state = State::Listed;
        let (addressee, page) = (self.questions[index].addressee, self.questions[index].pid);
        let ecus = &self.addressees[addressee].1;
        let has = |pid: u8| ecus.values().any(|ecu| ecu.has(pid));
        let next = page.checked_add(0x20).filter(|next| has(*next));
        let mut said = Vec::new();
        let mut more = false;
        for question in self.questions.iter_mut().filter(|q| q.addressee == addressee && q.state == State::Unknown) {
            let here = page_of(question.pid) == page;
            if here && has(question.pid) {
                (question.state, question.due) = (State::Active, now);
            } else if here || next.is_none() {
                question.state = State::Unsupported;
                said.push(question.unsupported());
            } else {
                more = true;
            }
        }
        self.say(said);
        if let Some(next) = next.filter(|_| more) {
            self.questions.push(Question::list(addressee, next, now));
        }
    }
}

/// A line about a question that did not fare well.
fn about(question: &Question) -> Option<String> {
    match question.state {
        State::Unsupported => Some(question.unsupported()),
        State::Unknown => {
            Some(format!("{} was not asked for, since no list of supported parameters came", question.name()))
        }
        State::Active if question.answered < question.asked => Some(format!(
            "{}, for {}: {} of {} requests answered",
            question.name(),
            question.feeds(),
            question.answered,
            question.asked
        )),
        State::List | State::Listed | State::Active => None,
    }
}
