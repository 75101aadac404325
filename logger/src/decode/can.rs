//! Which signals a CAN frame carries.

use std::collections::HashMap;

use tallywheel_schemas::{
    Domain, Rig,
    rig::{BitField, Source},
};

use super::{
    answer::AnswerPlan,
    parameter_group::GroupPlan,
    rows::Rows,
    slot::{Raw, Slot, Tally},
    store,
};
use crate::message::CanFrame;

/// Signals that share a row: same domain and same motor position. A group of the `aux` table has one signal, since
/// each of its rows holds one value.
#[derive(Debug)]
pub(super) struct Group<S> {
    pub(super) domain: Domain,
    pub(super) key: i32,
    pub(super) signals: Vec<(S, Slot)>,
}

impl<S> Group<S> {
    pub(super) fn gather(signals: impl IntoIterator<Item = (S, Slot)>) -> Vec<Self> {
        let mut groups: Vec<Self> = Vec::new();
        for (source, slot) in signals {
            match groups.iter_mut().find(|g| (g.domain, g.key) == (slot.domain, slot.key)) {
                Some(group) => group.signals.push((source, slot)),
                None => groups.push(Self { domain: slot.domain, key: slot.key, signals: vec![(source, slot)] }),
            }
        }
        groups
    }
}

/// Fields of a message and where their values go.
pub(super) type Fields = Vec<(BitField, Slot)>;

const NONE: u32 = u32::MAX;

/// The signals of one CAN port, found by identifier in a step or two, by parameter group, or in answers to requests.
#[derive(Debug)]
pub(super) struct CanPlan {
    port: String,
    messages: Vec<Vec<Group<BitField>>>,
    /// Index of the message by 11-bit identifier, or [`NONE`].
    standard: Vec<u32>,
    extended: HashMap<u32, u32>,
    groups: Option<Box<GroupPlan>>,
    answers: Option<Box<AnswerPlan>>,
}

impl CanPlan {
    pub(super) fn new(rig: &Rig, port: &str) -> Self {
        let mut by_id: HashMap<(u32, bool), Fields> = HashMap::new();
        for (tally, signal) in rig.signals.iter().enumerate().filter(|(_, s)| s.port == port) {
            if let Source::Can(source) = &signal.source {
                let slot = Slot::of_signal(rig, signal, tally);
                by_id.entry((source.id, source.extended)).or_default().push((source.field(), slot));
            }
        }
        let mut plan = Self {
            port: port.to_owned(),
            messages: Vec::new(),
            standard: vec![NONE; 0x800],
            extended: HashMap::new(),
            groups: GroupPlan::new(rig, port).map(Box::new),
            answers: AnswerPlan::new(rig, port).map(Box::new),
        };
        for ((id, extended), signals) in by_id {
            let index = plan.messages.len() as u32;
            plan.messages.push(Group::gather(signals));
            if extended {
                plan.extended.insert(id, index);
            } else {
                plan.standard[id as usize] = index;
            }
        }
        plan
    }

    /// Appends what a frame carries: by its identifier, then by its parameter group, then as part of an answer. A
    /// remote request carries nothing.
    pub(super) fn decode(&mut self, t_us: i64, frame: &CanFrame, rows: &mut [Rows], tallies: &mut [Tally]) {
        if frame.remote {
            return;
        }
        let index = match frame.extended {
            false => self.standard.get(frame.id as usize).copied().unwrap_or(NONE),
            true => self.extended.get(&frame.id).copied().unwrap_or(NONE),
        };
        if index != NONE {
            decode_message(&self.messages[index as usize], t_us, frame.data(), rows, tallies);
        }
        if let Some(groups) = &mut self.groups {
            groups.decode(t_us, frame, rows, tallies);
        }
        if let Some(answers) = &mut self.answers {
            answers.decode(t_us, frame, rows, tallies);
        }
    }

    /// What was wrong with messages of several frames, a line each.
    pub(super) fn notes(&self) -> Vec<String> {
        let notes = [self.groups.as_ref().and_then(|g| g.note()), self.answers.as_ref().and_then(|a| a.note())];
        notes.into_iter().flatten().map(|note| format!("port `{}`: {note}", self.port)).collect()
    }
}

/// Appends what the data of a message carry. Where they end before a field does, they do not carry it.
pub(super) fn decode_message(
    groups: &[Group<BitField>],
    t_us: i64,
    data: &[u8],
    rows: &mut [Rows],
    tallies: &mut [Tally],
) {
    for group in groups {
        let mut begun = false;
        for (field, slot) in &group.signals {
            let Some(raw) = field.extract(data) else { continue };
            if !begun && slot.domain != Domain::Aux {
                rows[slot.domain as usize].begin(t_us, group.key);
                begun = true;
            }
            let raw = if field.signed || field.length < 64 { Raw::Int(raw) } else { Raw::Unsigned(raw as u64) };
            store(slot, t_us, Some(raw), rows, tallies);
        }
    }
}
