//! One channel as it is watched: last value, range so far, counts.

use arrow::{
    array::{Array as _, ArrayRef, AsArray, DictionaryArray, RecordBatch},
    datatypes::{DataType, Float64Type, Int32Type, Int64Type},
};
use tallywheel_schemas::{
    Channel, Domain, Rig, Timestamp,
    manifest::ChannelRecord,
    rig::{Calibration, PortKind},
};

use super::{
    calibration::CalibrationNow,
    rate::Rate,
    snapshot::{ChannelNow, ChannelState, LimitNow},
    wording::{Format, group, label},
};

/// Readings out of range keep a channel marked at least so long, s, so that an eye can catch it.
const SHOW_OUT_OF_RANGE_S: f64 = 2.0;

/// One channel as it is watched.
#[derive(Debug)]
pub(super) struct ChannelView {
    channel: String,
    position: Option<String>,
    pub(super) port: usize,
    pub(super) domain: Domain,
    /// Column in the domain's table.
    column: &'static str,
    /// Key of its rows, for motors and the rig's own channels.
    key: Option<i32>,
    port_name: String,
    doc: String,
    format: Format,
    pub(super) max_gap_s: f64,
    plausible: (f64, f64),
    calibration: Option<Calibration>,
    limits_c: Vec<f64>,
    last: Option<(Timestamp, f64)>,
    range: Option<(f64, f64)>,
    counts: Counts,
    rate: Rate,
    /// When something last came that was no value, and whether a value came in the same look.
    missing_at: Option<Timestamp>,
    is_missing: bool,
    out_of_range_at: Option<Timestamp>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    samples: u64,
    missing: u64,
    out_of_range: u64,
}

impl ChannelView {
    /// For one of the channels that the decoder counts.
    pub(super) fn new(rig: &Rig, record: &ChannelRecord) -> Self {
        let known = Channel::find(&record.channel);
        let signal = rig.signal(&record.channel, record.position.as_deref());
        let domain = known.map_or(Domain::Aux, |c| c.domain);
        let port = match signal {
            Some(signal) => rig.ports.iter().position(|p| p.name == signal.port),
            // Only receivers feed channels that no signal names.
            None => rig.ports.iter().position(|p| p.kind == PortKind::Nmea),
        };
        let port = port.unwrap_or_default();
        let key = match domain {
            Domain::Motor => {
                let position = record.position.as_deref().unwrap_or_default();
                rig.positions().iter().position(|p| *p == position)
            }
            Domain::Aux => rig.aux.keys().position(|name| *name == record.channel),
            _ => None,
        };
        let limits_c = match record.channel.as_str() {
            "motor.winding_temp_c" => rig.assist.winding_limits_c.clone(),
            "motor.controller_temp_c" => rig.assist.controller_limits_c.clone(),
            _ => Vec::new(),
        };
        let own = rig.aux.get(&record.channel);
        let plausible = match (signal, known) {
            (Some(signal), _) => (signal.min, signal.max),
            (None, Some(known)) => (known.min, known.max),
            (None, None) => (f64::MIN, f64::MAX),
        };
        Self {
            channel: record.channel.clone(),
            position: record.position.clone(),
            port,
            domain,
            column: known.map_or("value", |c| c.column),
            key: key.map(|k| k as i32),
            port_name: rig.ports.get(port).map(|p| p.name.clone()).unwrap_or_default(),
            doc: known.map(|c| c.doc).or(own.map(|a| a.doc.as_str())).unwrap_or_default().to_owned(),
            format: Format::of(rig, &record.channel, signal),
            max_gap_s: signal.map(|s| s.max_gap_s).or(known.map(|c| c.max_gap_s)).unwrap_or(1.0),
            plausible,
            calibration: signal.and_then(|s| s.calibration.clone()),
            limits_c,
            last: None,
            range: None,
            counts: Counts::default(),
            rate: Rate::default(),
            missing_at: None,
            is_missing: false,
            out_of_range_at: None,
        }
    }

    /// Takes what rows of its domain say about it.
    pub(super) fn absorb(&mut self, batch: &RecordBatch) {
        let Some(column) = batch.column_by_name(self.column) else { return };
        let times = batch.column_by_name("t_us").map(AsArray::as_primitive::<Int64Type>);
        let keys = batch.columns().get(2).and_then(|k| k.as_dictionary_opt::<Int32Type>()).map(DictionaryArray::keys);
        let Some(times) = times else { return };
        for row in 0..batch.num_rows() {
            let is_other = self.key.is_some_and(|key| keys.is_none_or(|keys| keys.value(row) != key));
            if is_other || column.is_null(row) {
                continue;
            }
            let value = value(column, row);
            let at = Timestamp::from_us(times.value(row));
            if self.last.is_none_or(|(last, _)| at >= last) {
                self.last = Some((at, value));
            }
            let (min, max) = self.range.unwrap_or((value, value));
            self.range = Some((min.min(value), max.max(value)));
        }
    }

    /// Takes the decoder's counts. `heard` is when its port was last heard.
    pub(super) fn count(&mut self, record: &ChannelRecord, heard: Option<Timestamp>) {
        let last = self.counts;
        self.counts = Counts { samples: record.samples, missing: record.missing, out_of_range: record.out_of_range };
        if self.counts.out_of_range > last.out_of_range {
            self.out_of_range_at = heard;
        }
        if self.counts.samples > last.samples {
            self.is_missing = false;
        } else if self.counts.missing > last.missing {
            self.is_missing = true;
        }
        if self.counts.missing > last.missing {
            self.missing_at = heard;
        }
    }

    pub(super) fn mark(&mut self, now: Timestamp) {
        self.rate.mark(now, self.counts.samples);
    }

    pub(super) fn now(&self, now: Timestamp) -> ChannelNow {
        let value = self.last.map(|(_, value)| value);
        let limit = value.and_then(|v| self.limits_c.iter().copied().filter(|limit| v > *limit).reduce(f64::max));
        let top = self.limits_c.iter().copied().fold(f64::MIN, f64::max);
        ChannelNow {
            channel: self.channel.clone(),
            position: self.position.clone(),
            port: self.port_name.clone(),
            group: group(self.domain),
            label: label(&self.channel),
            doc: self.doc.clone(),
            unit: self.format.unit.clone(),
            value,
            text: self.format.text(value),
            text_unit: self.format.shown_unit.clone(),
            digits: self.format.digits,
            age_s: self.last.map(|(at, _)| age(now, at)),
            max_gap_s: self.max_gap_s,
            state: self.state(now),
            samples: self.counts.samples,
            missing: self.counts.missing,
            out_of_range: self.counts.out_of_range,
            rate_hz: self.rate.per_s(),
            min: self.range.map(|r| r.0),
            max: self.range.map(|r| r.1),
            plausible: self.plausible,
            calibration: CalibrationNow::on(now.naive_date(), self.calibration.as_ref()),
            limit: limit.map(|limit_c| LimitNow { limit_c, is_top: limit_c >= top }),
        }
    }

    fn state(&self, now: Timestamp) -> ChannelState {
        let within = |at: Option<Timestamp>, limit_s: f64| at.is_some_and(|at| age(now, at) <= limit_s);
        let last = self.last.map(|(at, _)| at);
        if within(self.out_of_range_at, self.max_gap_s.max(SHOW_OUT_OF_RANGE_S)) {
            ChannelState::OutOfRange
        } else if self.is_missing && within(self.missing_at, self.max_gap_s) {
            ChannelState::Missing
        } else if within(last, self.max_gap_s) {
            ChannelState::Ok
        } else if last.or(self.missing_at).or(self.out_of_range_at).is_some() {
            ChannelState::Stale
        } else {
            ChannelState::Never
        }
    }
}

/// Never negative: a reader may stamp a message while the snapshot is being made.
pub(super) fn age(now: Timestamp, at: Timestamp) -> f64 {
    now.seconds_since(at).max(0.0)
}

fn value(column: &ArrayRef, row: usize) -> f64 {
    match column.data_type() {
        DataType::Float64 => column.as_primitive::<Float64Type>().value(row),
        DataType::Int64 => column.as_primitive::<Int64Type>().value(row) as f64,
        _ => f64::from(u8::from(column.as_boolean().value(row))),
    }
}
