//! What becomes of a raw value: conversion, range, and where it is stored and counted.

use tallywheel_schemas::{
    Channel, Domain, Hold, Kind, Rig,
    manifest::ChannelRecord,
    rig::{Signal, Source},
};

use super::rows::Cell;

/// The place and meaning of one channel.
#[derive(Debug, Clone)]
pub(super) struct Slot {
    pub(super) domain: Domain,
    /// Key of the row: motor position or `aux` channel.
    pub(super) key: i32,
    /// Column in the table.
    pub(super) column: usize,
    /// Index of the channel's counters.
    pub(super) tally: usize,
    kind: Kind,
    counter: bool,
    min: f64,
    max: f64,
    signal: Option<Signal>,
}

/// A raw value on the wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Raw {
    /// An integer of up to 64 bits.
    Int(i64),
    /// An unsigned integer of 64 bits.
    Unsigned(u64),
    /// A number written out.
    Number(f64),
}

impl Raw {
    fn as_f64(self) -> f64 {
        match self {
            Self::Int(raw) => raw as f64,
            Self::Unsigned(raw) => raw as f64,
            Self::Number(raw) => raw,
        }
    }

    /// The value as a count, when it is one.
    fn as_count(self) -> Option<i64> {
        match self {
            Self::Int(raw) => Some(raw),
            Self::Unsigned(raw) => i64::try_from(raw).ok(),
            // Up to 2^53 a float holds every integer.
            Self::Number(raw) if raw.fract() == 0.0 && raw.abs() <= 9_007_199_254_740_992.0 => Some(raw as i64),
            Self::Number(_) => None,
        }
    }
}

/// What a raw value turned out to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Reading {
    Value(Cell),
    Missing,
    OutOfRange,
}

impl Slot {
    /// The slot of a rig's signal.
    pub(super) fn of_signal(rig: &Rig, signal: &Signal, tally: usize) -> Self {
        let known = Channel::find(&signal.channel);
        let domain = known.map_or(Domain::Aux, |c| c.domain);
        let key = match domain {
            Domain::Motor => {
                let position = signal.position.as_deref().unwrap_or_default();
                rig.positions().iter().position(|p| *p == position).unwrap_or_default()
            }
            Domain::Aux => rig.aux.keys().position(|name| *name == signal.channel).unwrap_or_default(),
            _ => 0,
        };
        Self {
            domain,
            key: key as i32,
            column: known.map_or(0, column_of),
            tally,
            kind: known.map_or(Kind::Float, |c| c.kind),
            counter: signal.hold == Hold::Counter && known.is_some(),
            min: signal.min,
            max: signal.max,
            signal: Some(signal.clone()),
        }
    }

    /// The slot of a channel that needs no signal.
    pub(super) fn of_channel(channel: &Channel, tally: usize) -> Self {
        Self {
            domain: channel.domain,
            key: 0,
            column: column_of(channel),
            tally,
            kind: channel.kind,
            counter: false,
            min: channel.min,
            max: channel.max,
            signal: None,
        }
    }

    /// Converts a raw value.
    pub(super) fn read(&self, raw: Raw) -> Reading {
        if self.is_not_available(raw) {
            return Reading::Missing;
        }
        if self.counter {
            return match raw.as_count() {
                Some(count) if (self.min..=self.max).contains(&(count as f64)) => Reading::Value(Cell::Int(count)),
                Some(_) => Reading::OutOfRange,
                None if matches!(raw, Raw::Number(_)) => Reading::Missing,
                None => Reading::OutOfRange,
            };
        }
        let value = self.signal.as_ref().map_or(raw.as_f64(), |s| s.value(raw.as_f64()));
        match self.kind {
            Kind::Bool => Reading::Value(Cell::Bool(value != 0.0)),
            _ if !(self.min..=self.max).contains(&value) => Reading::OutOfRange,
            Kind::Float => Reading::Value(Cell::Float(value)),
            Kind::Int => Reading::Value(Cell::Int(value.round() as i64)),
        }
    }

    fn is_not_available(&self, raw: Raw) -> bool {
        let Some(signal) = &self.signal else { return false };
        if let (Source::J1939(source), Raw::Int(raw)) = (&signal.source, raw)
            && source.is_no_value(raw)
        {
            return true;
        }
        match raw {
            Raw::Int(raw) => signal.not_available.contains(&raw),
            Raw::Unsigned(raw) => i64::try_from(raw).is_ok_and(|raw| signal.not_available.contains(&raw)),
            Raw::Number(raw) => signal.not_available.iter().any(|n| *n as f64 == raw),
        }
    }
}

fn column_of(channel: &Channel) -> usize {
    Channel::of(channel.domain).position(|c| c.name == channel.name).expect("a channel is in its own domain's list")
}

/// Counters of one channel.
#[derive(Debug, Clone)]
pub(super) struct Tally {
    record: ChannelRecord,
    last_us: Option<i64>,
}

impl Tally {
    pub(super) fn new(channel: &str, position: Option<&str>) -> Self {
        let record = ChannelRecord {
            channel: channel.to_owned(),
            position: position.map(str::to_owned),
            samples: 0,
            missing: 0,
            out_of_range: 0,
            longest_gap_us: 0,
        };
        Self { record, last_us: None }
    }

    pub(super) fn is_of(&self, channel: &str, position: Option<&str>) -> bool {
        self.record.channel == channel && self.record.position.as_deref() == position
    }

    pub(super) fn count(&mut self, t_us: i64, reading: Reading) {
        match reading {
            Reading::Missing => self.record.missing += 1,
            Reading::OutOfRange => self.record.out_of_range += 1,
            Reading::Value(_) => {
                self.record.samples += 1;
                if let Some(last) = self.last_us.replace(t_us) {
                    self.record.longest_gap_us = self.record.longest_gap_us.max(t_us - last);
                }
            }
        }
    }

    pub(super) fn record(&self) -> ChannelRecord {
        self.record.clone()
    }
}
