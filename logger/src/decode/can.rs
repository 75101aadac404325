//! Which signals a CAN frame carries.

use std::collections::HashMap;

use tallywheel_schemas::{
    Domain, Rig,
    rig::{CanSource, Source},
};

use super::{
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

const NONE: u32 = u32::MAX;

/// The signals of one CAN port, found by identifier in a step or two.
#[derive(Debug)]
pub(super) struct CanPlan {
    messages: Vec<Vec<Group<CanSource>>>,
    /// Index of the message by 11-bit identifier, or [`NONE`].
    standard: Vec<u32>,
    extended: HashMap<u32, u32>,
}

impl CanPlan {
    pub(super) fn new(rig: &Rig, port: &str) -> Self {
        let mut by_id: HashMap<(u32, bool), Vec<(CanSource, Slot)>> = HashMap::new();
        for (tally, signal) in rig.signals.iter().enumerate().filter(|(_, s)| s.port == port) {
            if let Source::Can(source) = &signal.source {
                let slot = Slot::of_signal(rig, signal, tally);
                by_id.entry((source.id, source.extended)).or_default().push((source.clone(), slot));
            }
        }
        let mut plan = Self { messages: Vec::new(), standard: vec![NONE; 0x800], extended: HashMap::new() };
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

    /// Appends what a frame carries. A remote request carries nothing.
    pub(super) fn decode(&self, t_us: i64, frame: &CanFrame, rows: &mut [Rows], tallies: &mut [Tally]) {
        let index = match frame.extended {
            false => self.standard.get(frame.id as usize).copied().unwrap_or(NONE),
            true => self.extended.get(&frame.id).copied().unwrap_or(NONE),
        };
        if index == NONE || frame.remote {
            return;
        }
        for group in &self.messages[index as usize] {
            let mut begun = false;
            for (source, slot) in &group.signals {
                let Some(raw) = source.extract(frame.data()) else { continue };
                if !begun && slot.domain != Domain::Aux {
                    rows[slot.domain as usize].begin(t_us, group.key);
                    begun = true;
                }
                let raw = if source.signed || source.length < 64 { Raw::Int(raw) } else { Raw::Unsigned(raw as u64) };
                store(slot, t_us, Some(raw), rows, tallies);
            }
        }
    }
}
