//! Rows of the raw tables on their way into Arrow arrays.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BinaryBuilder, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray, StringBuilder,
    UInt8Array, UInt8Builder, UInt16Builder, UInt32Array,
};
use tallywheel_schemas::Table;

use crate::{
    decode::{constant, dictionary},
    message::CanFrame,
};

/// Rows of `frames`.
#[derive(Debug, Default)]
pub(super) struct FrameRows {
    t_us: Vec<i64>,
    port: Vec<i32>,
    direction: Vec<i32>,
    id: Vec<u32>,
    extended: Vec<bool>,
    remote: Vec<bool>,
    fd: Vec<bool>,
    fd_flags: UInt8Builder,
    dlc: Vec<u8>,
    device_ms: UInt16Builder,
    data: BinaryBuilder,
}

impl FrameRows {
    pub(super) fn push(&mut self, t_us: i64, port: usize, frame: &CanFrame) {
        self.t_us.push(t_us);
        self.port.push(port as i32);
        self.direction.push(i32::from(frame.transmitted));
        self.id.push(frame.id);
        self.extended.push(frame.extended);
        self.remote.push(frame.remote);
        self.fd.push(frame.fd_flags.is_some());
        self.fd_flags.append_option(frame.fd_flags);
        self.dlc.push(frame.dlc);
        self.device_ms.append_option(frame.device_ms);
        self.data.append_value(frame.data());
    }

    pub(super) fn len(&self) -> usize {
        self.t_us.len()
    }

    pub(super) fn take(&mut self, session: &str, ports: &StringArray) -> RecordBatch {
        let taken = std::mem::take(self);
        let rows = taken.t_us.len();
        let Self { t_us, port, direction, id, extended, remote, fd, mut fd_flags, dlc, mut device_ms, mut data } =
            taken;
        let arrays: Vec<ArrayRef> = vec![
            constant(session, rows),
            Arc::new(Int64Array::from(t_us)),
            dictionary(port, ports),
            dictionary(direction, &StringArray::from(vec!["rx", "tx"])),
            Arc::new(UInt32Array::from(id)),
            Arc::new(BooleanArray::from(extended)),
            Arc::new(BooleanArray::from(remote)),
            Arc::new(BooleanArray::from(fd)),
            Arc::new(fd_flags.finish()),
            Arc::new(UInt8Array::from(dlc)),
            Arc::new(device_ms.finish()),
            Arc::new(data.finish()),
        ];
        RecordBatch::try_new(Table::Frames.schema(), arrays).expect("the arrays follow the schema of frames")
    }
}

/// Rows of `lines`.
#[derive(Debug, Default)]
pub(super) struct LineRows {
    t_us: Vec<i64>,
    port: Vec<i32>,
    text: StringBuilder,
}

impl LineRows {
    pub(super) fn push(&mut self, t_us: i64, port: usize, text: &str) {
        self.t_us.push(t_us);
        self.port.push(port as i32);
        self.text.append_value(text);
    }

    pub(super) fn len(&self) -> usize {
        self.t_us.len()
    }

    pub(super) fn take(&mut self, session: &str, ports: &StringArray) -> RecordBatch {
        let Self { t_us, port, mut text } = std::mem::take(self);
        let arrays: Vec<ArrayRef> = vec![
            constant(session, t_us.len()),
            Arc::new(Int64Array::from(t_us)),
            dictionary(port, ports),
            Arc::new(text.finish()),
        ];
        RecordBatch::try_new(Table::Lines.schema(), arrays).expect("the arrays follow the schema of lines")
    }
}

/// Kinds of events that the logger writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub(crate) enum EventKind {
    /// A line is part of a message that the recording does not hold whole; `text` is the port and the line.
    Fragment,
    /// A port went away; `text` is the port and what the system said.
    Disconnected,
    /// A port came back; `text` is the port and the device.
    Reconnected,
    /// Messages were dropped; `text` is the port, `value` their number.
    Dropped,
    /// An adapter lost frames; `text` is the port.
    Overrun,
    /// An adapter reports errors on the bus or leaves it; `text` is the port and what it says.
    Adapter,
    /// An adapter's clock started anew; `text` is the port.
    Restart,
    /// A port's conversation with its device; `text` is the port and what happened.
    Remark,
    /// A person marked the moment; `text` is what is to be remembered and who marked it.
    Marker,
    /// The system's clock was set; `value` is by how many seconds.
    ClockStep,
    /// The disk took nothing until now; `text` is why, `value` for how many seconds.
    DiskStopped,
}

impl EventKind {
    const ALL: [Self; 11] = [
        Self::Fragment,
        Self::Disconnected,
        Self::Reconnected,
        Self::Dropped,
        Self::Overrun,
        Self::Adapter,
        Self::Restart,
        Self::Remark,
        Self::Marker,
        Self::ClockStep,
        Self::DiskStopped,
    ];

    /// As in the table.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Fragment => "fragment",
            Self::Disconnected => "disconnected",
            Self::Reconnected => "reconnected",
            Self::Dropped => "dropped",
            Self::Overrun => "overrun",
            Self::Adapter => "adapter",
            Self::Restart => "restart",
            Self::Remark => "remark",
            Self::Marker => "marker",
            Self::ClockStep => "clock-step",
            Self::DiskStopped => "disk-stopped",
        }
    }
}

/// Rows of `events`, in any order. They are few, and kept until the end.
#[derive(Debug, Default)]
pub(super) struct EventRows(Vec<EventRow>);

#[derive(Debug)]
struct EventRow {
    t_us: i64,
    kind: EventKind,
    text: String,
    value: Option<f64>,
}

impl EventRows {
    pub(super) fn push(&mut self, t_us: i64, kind: EventKind, text: &str, value: Option<f64>) {
        self.0.push(EventRow { t_us, kind, text: text.to_owned(), value });
    }

    /// All rows in the order of time.
    pub(super) fn take(&mut self, session: &str) -> RecordBatch {
        let mut rows = std::mem::take(&mut self.0);
        rows.sort_by_key(|row| row.t_us);
        let kinds = StringArray::from(EventKind::ALL.map(EventKind::name).to_vec());
        let arrays: Vec<ArrayRef> = vec![
            constant(session, rows.len()),
            Arc::new(Int64Array::from_iter_values(rows.iter().map(|row| row.t_us))),
            dictionary(rows.iter().map(|row| row.kind as i32).collect(), &kinds),
            Arc::new(StringArray::from_iter_values(rows.iter().map(|row| &row.text))),
            Arc::new(Float64Array::from_iter(rows.iter().map(|row| row.value))),
        ];
        RecordBatch::try_new(Table::Events.schema(), arrays).expect("the arrays follow the schema of events")
    }
}
