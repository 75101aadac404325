//! Which signals a J1939 parameter group carries, in one frame or in several.

use std::collections::HashMap;

use tallywheel_schemas::{
    Rig, Timestamp,
    j1939::{pgn_of, source_address_of},
    rig::{BitField, Source},
};

use super::{
    can::{Fields, Group, decode_message},
    rows::Rows,
    slot::{Slot, Tally},
};
use crate::{j1939::Broadcasts, message::CanFrame};

/// The signals of one port that are found by parameter group.
#[derive(Debug)]
pub(super) struct GroupPlan {
    by_pgn: HashMap<u32, Vec<OfSender>>,
    broadcasts: Broadcasts,
}

/// Signals of one group that name the same sender, or none.
#[derive(Debug)]
struct OfSender {
    source_address: Option<u8>,
    groups: Vec<Group<BitField>>,
}

impl GroupPlan {
    /// `None` when the port has no such signal.
    pub(super) fn new(rig: &Rig, port: &str) -> Option<Self> {
        let mut signals: HashMap<(u32, Option<u8>), Fields> = HashMap::new();
        for (tally, signal) in rig.signals.iter().enumerate().filter(|(_, s)| s.port == port) {
            if let Source::J1939(source) = &signal.source {
                let of_signal = (source.field.clone(), Slot::of_signal(rig, signal, tally));
                signals.entry((source.pgn, source.source_address)).or_default().push(of_signal);
            }
        }
        let mut by_pgn: HashMap<u32, Vec<OfSender>> = HashMap::new();
        for ((pgn, source_address), signals) in signals {
            by_pgn.entry(pgn).or_default().push(OfSender { source_address, groups: Group::gather(signals) });
        }
        let broadcasts = Broadcasts::of(by_pgn.keys().copied());
        (!by_pgn.is_empty()).then_some(Self { by_pgn, broadcasts })
    }

    /// Takes a frame; appends what it carries or completes.
    pub(super) fn decode(&mut self, t_us: i64, frame: &CanFrame, rows: &mut [Rows], tallies: &mut [Tally]) {
        if !frame.extended {
            return;
        }
        let source = source_address_of(frame.id);
        self.message(t_us, pgn_of(frame.id), source, frame.data(), rows, tallies);
        if let Some(whole) = self.broadcasts.frame(Timestamp::from_us(t_us), frame.id, frame.data()) {
            self.message(t_us, whole.pgn, source, &whole.data, rows, tallies);
        }
    }

    fn message(&self, t_us: i64, pgn: u32, source: u8, data: &[u8], rows: &mut [Rows], tallies: &mut [Tally]) {
        for of_sender in self.by_pgn.get(&pgn).into_iter().flatten() {
            if of_sender.source_address.is_none_or(|address| address == source) {
                decode_message(&of_sender.groups, t_us, data, rows, tallies);
            }
        }
    }

    pub(super) fn note(&self) -> Option<String> {
        let broken = self.broadcasts.broken();
        (broken > 0).then(|| format!("{broken} broken broadcast(s) of long J1939 parameter groups"))
    }
}
