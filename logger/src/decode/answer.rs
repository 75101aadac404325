//! Which signals an answer to an OBD-II request carries.
//!
//! Only what was received matters: the frames with answering identifiers are put together, one stream for each ECU, and
//! `41 PID data` is decoded with the time of its last frame. So sealed frames decode like live ones, and so do the
//! answers to another tester's requests.

use tallywheel_schemas::{
    Rig, Timestamp,
    obd::{SERVICE_CURRENT_DATA, physical_id},
    rig::{BitField, Source},
};

use super::{
    can::{Fields, Group, decode_message},
    rows::Rows,
    slot::{Slot, Tally},
    store,
};
use crate::{
    isotp::{FaultCounts, Outcome, Reassembly},
    message::CanFrame,
};

/// First byte of a positive answer: the service, and this bit.
const POSITIVE: u8 = 0x40;

/// The signals of one port that come in answers.
#[derive(Debug)]
pub(super) struct AnswerPlan {
    extended: bool,
    ecus: Vec<(u32, Reassembly)>,
    wanted: Vec<Wanted>,
}

/// What one parameter carries.
#[derive(Debug)]
struct Wanted {
    pid: u8,
    /// The ECU that the signals name.
    ecu: Option<u32>,
    /// Where they name none: the first that answered. The others are not mixed in.
    first: Option<u32>,
    groups: Vec<Group<BitField>>,
}

impl AnswerPlan {
    /// `None` when the port has no such signal.
    pub(super) fn new(rig: &Rig, port: &str) -> Option<Self> {
        let mut extended = false;
        let mut signals: Vec<(u8, Option<u32>, Fields)> = Vec::new();
        for (tally, signal) in rig.signals.iter().enumerate().filter(|(_, s)| s.port == port) {
            let Source::Obd(source) = &signal.source else { continue };
            extended = source.extended;
            let of_signal = (source.field.clone(), Slot::of_signal(rig, signal, tally));
            match signals.iter_mut().find(|(pid, ecu, _)| (*pid, *ecu) == (source.pid, source.ecu)) {
                Some((_, _, known)) => known.push(of_signal),
                None => signals.push((source.pid, source.ecu, vec![of_signal])),
            }
        }
        let wanted = signals.into_iter().map(|(pid, ecu, signals)| Wanted {
            pid,
            ecu,
            first: None,
            groups: Group::gather(signals),
        });
        let wanted: Vec<Wanted> = wanted.collect();
        (!wanted.is_empty()).then_some(Self { extended, ecus: Vec::new(), wanted })
    }

    /// Takes a frame; appends what it completes.
    pub(super) fn decode(&mut self, t_us: i64, frame: &CanFrame, rows: &mut [Rows], tallies: &mut [Tally]) {
        if frame.extended != self.extended || physical_id(frame.id, frame.extended).is_none() {
            return;
        }
        let step = self.ecu(frame.id).frame(Timestamp::from_us(t_us), frame.data());
        let Some(Outcome::Message(message)) = step.outcome else { return };
        let [service, pid, data @ ..] = message.as_slice() else { return };
        if *service != POSITIVE | SERVICE_CURRENT_DATA {
            return;
        }
        for wanted in self.wanted.iter_mut().filter(|w| w.pid == *pid) {
            if wanted.ecu.unwrap_or(*wanted.first.get_or_insert(frame.id)) == frame.id {
                decode_message(&wanted.groups, t_us, data, rows, tallies);
                wanted.count_missing(t_us, data, rows, tallies);
            }
        }
    }

    fn ecu(&mut self, id: u32) -> &mut Reassembly {
        let known = self.ecus.iter().position(|(ecu, _)| *ecu == id);
        let index = known.unwrap_or_else(|| {
            self.ecus.push((id, Reassembly::default()));
            self.ecus.len() - 1
        });
        &mut self.ecus[index].1
    }

    pub(super) fn note(&self) -> Option<String> {
        let mut counts = FaultCounts::default();
        for (_, ecu) in &self.ecus {
            counts.add(ecu.faults());
        }
        (counts.total() > 0).then(|| format!("{} faulty ISO 15765-2 frame(s) in answers: {counts}", counts.total()))
    }
}

impl Wanted {
    /// An answer that ends before a value does owes it.
    fn count_missing(&self, t_us: i64, data: &[u8], rows: &mut [Rows], tallies: &mut [Tally]) {
        for (field, slot) in self.groups.iter().flat_map(|g| &g.signals) {
            if field.extract(data).is_none() && field.is_selected(data) {
                store(slot, t_us, None, rows, tallies);
            }
        }
    }
}
