//! Modbus RTU, seen by the one who asks.
//!
//! A frame on this line has no start or end mark but silence, and silence does not survive USB adapters and device
//! servers. But whoever asks knows what the answer must look like: [`ModbusFramer::sent`] says what was asked, and
//! then only an answer to that, checksum and all, is an answer. Everything else is kept as what it is:
//!
//! ```text
//! > 010400000002…    a request of ours                              a line
//! < 0104040006…      its answer, exceptions too                     a line
//! = 010400000002…    the request heard again from the line's wires  status, an echo
//! ? 5A00             bytes that answer nothing, or damaged          bad
//! ```

use std::collections::VecDeque;

use super::End;
use crate::{
    message::{Bad, Fault, Framed, Message, Status, StatusMeaning},
    modbus::{Match, Request, answer_line, line, sent_line},
};

/// Bytes without an answer among them that are kept back for more, a Modbus frame's greatest length.
const LIMIT: usize = 256;

/// Cuts what a Modbus line says into answers.
#[derive(Debug, Clone, Default)]
pub struct ModbusFramer {
    ready: VecDeque<Framed>,
    /// Bytes that are not yet told of.
    waiting: Vec<u8>,
    /// Offset in the stream of `waiting[0]`.
    offset: u64,
    /// Request that is not yet answered.
    asked: Option<Request>,
    /// What was wrong with an answer among the waiting bytes.
    broken: Option<Fault>,
    inside: bool,
}

impl ModbusFramer {
    /// A framer at the start of a stream.
    pub fn new() -> Self {
        Self::default()
    }

    /// Says that the next bytes may begin inside an answer.
    pub fn begin_inside(&mut self) {
        self.inside = true;
    }

    /// Says that a request was sent after the bytes so far. What still waited for more of an earlier answer is over.
    pub fn sent(&mut self, request: &[u8]) {
        self.give_up();
        self.asked = Request::read(request);
        self.ready.push_back(Framed { offset: self.offset, message: Message::Line(sent_line(request)) });
    }

    /// Takes bytes in the order in which they arrived.
    pub fn received(&mut self, bytes: &[u8]) {
        // One by one, so that how they were split cannot matter. A line of 115,200 bit/s brings 10,000 a second.
        for byte in bytes {
            self.waiting.push(*byte);
            self.look();
        }
    }

    /// The next message, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<Framed> {
        self.ready.pop_front()
    }

    /// Ends the stream; what is left comes out of [`ModbusFramer::next`]. No answer is expected any more.
    pub fn finish(&mut self, _end: End) {
        self.give_up();
        self.asked = None;
    }

    /// Bytes of an answer that is not whole yet, once it has been drained.
    pub(crate) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    pub(super) fn seek(&mut self, offset: u64) {
        self.offset = offset;
    }

    /// Looks for an answer among the waiting bytes after one more has come.
    fn look(&mut self) {
        let Some(asked) = self.asked else {
            if self.waiting.len() == LIMIT {
                self.tell_bad(LIMIT, Fault::Unasked);
            }
            return;
        };
        if self.waiting == asked.bytes() {
            return self.tell_echo();
        }
        let mut from = 0;
        while from < self.waiting.len() {
            match asked.compare(&self.waiting[from..]) {
                Match::No => {}
                Match::Begun => break,
                Match::Broken(_, fault) => self.broken = Some(fault),
                Match::Whole(length) => return self.tell_answer(from, length),
            }
            from += 1;
        }
        if from == self.waiting.len() && self.broken.is_some() {
            self.give_up();
        } else if from >= LIMIT {
            let fault = self.broken.take().unwrap_or(Fault::Unasked);
            self.tell_bad(from, fault);
        }
    }

    fn tell_answer(&mut self, from: usize, length: usize) {
        let fault = self.broken.take().unwrap_or(Fault::Unasked);
        self.tell_bad(from, fault);
        let (offset, bytes) = self.take(length);
        self.ready.push_back(Framed { offset, message: Message::Line(answer_line(&bytes)) });
        self.asked = None;
        self.inside = false;
    }

    /// The wires of many two-wire adapters bring back what is sent.
    fn tell_echo(&mut self) {
        let (offset, bytes) = self.take(self.waiting.len());
        let echo = Status { text: line('=', &bytes), meaning: StatusMeaning::Echo };
        self.ready.push_back(Framed { offset, message: Message::Status(echo) });
        self.inside = false;
    }

    /// Tells of all that waits, as nothing more can come of it.
    fn give_up(&mut self) {
        let begun = self.asked.is_some_and(|asked| {
            (0..self.waiting.len()).any(|from| asked.compare(&self.waiting[from..]) == Match::Begun)
        });
        let fault = self.broken.take().unwrap_or(if begun { Fault::Cut } else { Fault::Unasked });
        self.tell_bad(self.waiting.len(), fault);
    }

    fn tell_bad(&mut self, length: usize, fault: Fault) {
        if length == 0 {
            return;
        }
        let (offset, bytes) = self.take(length);
        let text = line('?', &bytes);
        let inside = std::mem::take(&mut self.inside);
        let message = if inside { Message::Fragment(text) } else { Message::Bad(Bad { text, fault }) };
        self.ready.push_back(Framed { offset, message });
    }

    fn take(&mut self, length: usize) -> (u64, Vec<u8>) {
        let offset = self.offset;
        self.offset += length as u64;
        (offset, self.waiting.drain(..length).collect())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use tallywheel_schemas::rig::RegisterKind;

    use super::*;

    /// Requests and answers with their checksums. Source: rmodbus's own tests (client.rs, read): two registers that
    /// hold 6 and 5; the refusal's checksum was worked out by pymodbus.
    const ASK: [u8; 8] = [0x01, 0x04, 0x00, 0x00, 0x00, 0x02, 0x71, 0xCB];
    const GOOD: [u8; 9] = [0x01, 0x04, 0x04, 0x00, 0x06, 0x00, 0x05, 0xDB, 0x86];
    const REFUSED: [u8; 5] = [0x01, 0x84, 0x02, 0xC2, 0xC1];

    /// What happens on a line, in order.
    #[derive(Debug, Clone)]
    enum Step {
        Sent(Vec<u8>),
        Received(Vec<u8>),
    }

    fn show(framed: &Framed) -> String {
        match &framed.message {
            Message::Line(text) => format!("{} {text}", framed.offset),
            Message::Status(status) => format!("{} {} {:?}", framed.offset, status.text, status.meaning),
            Message::Bad(bad) => format!("{} {}: {:?}", framed.offset, bad.text, bad.fault),
            other => format!("{} {other:?}", framed.offset),
        }
    }

    fn all(framer: &mut ModbusFramer, steps: &[Step], end: Option<End>) -> Vec<Framed> {
        for step in steps {
            match step {
                Step::Sent(bytes) => framer.sent(bytes),
                Step::Received(bytes) => framer.received(bytes),
            }
        }
        end.into_iter().for_each(|end| framer.finish(end));
        std::iter::from_fn(|| framer.next()).collect()
    }

    fn heard(received: &[u8]) -> Vec<String> {
        let steps = [Step::Sent(ASK.to_vec()), Step::Received(received.to_vec())];
        all(&mut ModbusFramer::new(), &steps, None).iter().map(show).collect()
    }

    #[test]
    fn an_answer_is_an_answer_to_what_was_asked() {
        assert_eq!(heard(&GOOD), ["0 > 01040000000271CB", "0 < 01040400060005DB86"]);
        assert_eq!(heard(&REFUSED)[1..], ["0 < 018402C2C1"]);
        // Nothing more is expected then: the same bytes again wait to be told of.
        assert_eq!(heard(&[GOOD, GOOD].concat())[1..], ["0 < 01040400060005DB86"]);
    }

    #[test]
    fn noise_before_an_answer_is_kept_apart() {
        assert_eq!(
            heard(&[&[0x00, 0x01, 0xFF][..], &GOOD].concat())[1..],
            ["0 ? 0001FF: Unasked", "3 < 01040400060005DB86"]
        );
    }

    #[test]
    fn the_echo_of_two_wires_is_known() {
        assert_eq!(heard(&[&ASK[..], &GOOD].concat())[1..], ["0 = 01040000000271CB Echo", "8 < 01040400060005DB86"]);
    }

    #[test]
    fn a_damaged_answer_is_bad_at_once_and_the_next_is_not() {
        let mut damaged = GOOD;
        damaged[4] = 7;
        assert_eq!(heard(&damaged)[1..], ["0 ? 01040400070005DB86: Crc"]);
        assert_eq!(heard(&[damaged, GOOD].concat())[1..], ["0 ? 01040400070005DB86: Crc", "9 < 01040400060005DB86"]);
        // A lost byte makes the answer swallow the first of the next one, which is found all the same.
        let short = [&GOOD[..4], &GOOD[5..]].concat();
        assert_eq!(heard(&[&short[..], &GOOD].concat())[1..], ["0 ? 010404000005DB86: Crc", "8 < 01040400060005DB86"]);
    }

    #[test]
    fn what_another_master_asks_and_hears_is_never_an_answer() {
        let foreign = [&ASK[..], &GOOD].concat();
        let steps = [Step::Received(foreign.clone()), Step::Sent(ASK.to_vec())];
        let out: Vec<String> = all(&mut ModbusFramer::new(), &steps, None).iter().map(show).collect();
        assert_eq!(out, ["0 ? 01040000000271CB01040400060005DB86: Unasked", "17 > 01040000000271CB"]);
        // A stream that is never asked anything is told of in pieces.
        let many = foreign.repeat(40);
        let steps = [Step::Received(many.clone())];
        let out = all(&mut ModbusFramer::new(), &steps, Some(End::Cut));
        assert_eq!(out.iter().map(|f| f.offset).collect::<Vec<_>>(), [0, 256, 512]);
        assert_eq!(bytes_of(&out), many);
    }

    #[test]
    fn a_cut_answer_ends_with_the_next_request() {
        let half = Step::Received(GOOD[..6].to_vec());
        let steps = [Step::Sent(ASK.to_vec()), half, Step::Sent(ASK.to_vec()), Step::Received(GOOD.to_vec())];
        let out: Vec<String> = all(&mut ModbusFramer::new(), &steps, None).iter().map(show).collect();
        assert_eq!(out[1..], ["0 ? 010404000600: Cut", "6 > 01040000000271CB", "6 < 01040400060005DB86"]);
    }

    #[test]
    fn what_was_cut_by_the_start_is_a_fragment() {
        let mut framer = ModbusFramer::new();
        framer.begin_inside();
        let steps = [Step::Received(GOOD[5..].to_vec()), Step::Sent(ASK.to_vec()), Step::Received(vec![9])];
        let out = all(&mut framer, &steps, Some(End::Cut));
        assert!(matches!(&out[0].message, Message::Fragment(text) if text == "? 0005DB86"), "{out:?}");
        assert!(matches!(&out[2].message, Message::Bad(bad) if bad.fault == Fault::Unasked), "{out:?}");
    }

    /// The received bytes behind messages.
    fn bytes_of(messages: &[Framed]) -> Vec<u8> {
        let text = |m: &Message| match m {
            Message::Line(text) | Message::Fragment(text) => text.clone(),
            Message::Bad(bad) => bad.text.clone(),
            Message::Status(status) => status.text.clone(),
            Message::Frame(_) => panic!("no CAN here"),
        };
        let received = messages.iter().map(|m| text(&m.message)).filter(|t| !t.starts_with('>'));
        received
            .flat_map(|t| {
                (2..t.len()).step_by(2).map(move |i| u8::from_str_radix(&t[i..i + 2], 16)).collect::<Vec<_>>()
            })
            .map(|b| b.expect("hexadecimal digits"))
            .collect()
    }

    fn request() -> impl Strategy<Value = Request> {
        (1..4_u8, any::<bool>(), 0..4_u16, 1..5_u16).prop_map(|(unit, input, first, count)| {
            let kind = if input { RegisterKind::Input } else { RegisterKind::Holding };
            Request { unit, kind, first, count }
        })
    }

    fn steps() -> impl Strategy<Value = Vec<Step>> {
        let received = prop_oneof![
            3 => Just(GOOD.to_vec()),
            2 => Just(REFUSED.to_vec()),
            1 => Just(ASK.to_vec()),
            1 => Just(vec![1, 4, 4]),
            2 => proptest::collection::vec(any::<u8>(), 1..20),
            1 => proptest::collection::vec(0..5_u8, 1..400),
        ];
        let step = prop_oneof![
            1 => request().prop_map(|r| Step::Sent(r.bytes())),
            2 => Just(Step::Sent(ASK.to_vec())),
            4 => received.prop_map(Step::Received),
        ];
        proptest::collection::vec(step, 0..30)
    }

    proptest! {
        #[test]
        fn any_split_gives_the_same_messages_and_no_byte_is_lost(steps in steps(), inside: bool) {
            let mut framer = ModbusFramer::new();
            if inside {
                framer.begin_inside();
            }
            let split: Vec<Step> = steps.iter().flat_map(|step| match step {
                Step::Sent(bytes) => vec![Step::Sent(bytes.clone())],
                Step::Received(bytes) => bytes.iter().map(|b| Step::Received(vec![*b])).collect(),
            }).collect();
            let whole = all(&mut framer.clone(), &steps, Some(End::Cut));
            prop_assert_eq!(&all(&mut framer, &split, Some(End::Cut)), &whole);
            let received: Vec<u8> = steps.iter().flat_map(|step| match step {
                Step::Sent(_) => Vec::new(),
                Step::Received(bytes) => bytes.clone(),
            }).collect();
            prop_assert_eq!(bytes_of(&whole), received);
            let mut offset = 0;
            for framed in whole.iter().filter(|f| !show(f).contains("> ")) {
                prop_assert_eq!(framed.offset, offset);
                offset += bytes_of(std::slice::from_ref(framed)).len() as u64;
            }
        }

        #[test]
        fn no_answer_is_made_up(received in proptest::collection::vec(any::<u8>(), 0..600)) {
            let steps = [Step::Sent(ASK.to_vec()), Step::Received(received.clone())];
            let out = all(&mut ModbusFramer::new(), &steps, Some(End::Cut));
            for framed in &out[1..] {
                if let Message::Line(_) = framed.message {
                    let asked = Request::read(&ASK).expect("a request");
                    prop_assert!(asked.answer(&bytes_of(std::slice::from_ref(framed))).is_ok());
                }
            }
        }
    }
}
