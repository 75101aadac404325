//! Where the time of a captured message comes from.
//!
//! | capture | time |
//! | --- | --- |
//! | slcan with adapter time stamps | start of the capture plus the stamps, unwrapped at 60 s |
//! | slcan without | estimated: frames spread evenly over a span that the user gives |
//! | CAN log | as written; from the start where the log counts from zero |
//! | NMEA | RMC's date and time; GGA's time with the last date; VTG the last time |
//! | delimited text | the rig's time column |
//!
//! Messages without a time of their own take the last one, and those before the first take the first. Rows out of order
//! are the business of `order`.

use chrono::{Days, NaiveDate, NaiveDateTime, NaiveTime};
use tallywheel_schemas::{
    Rig, Timestamp,
    rig::{Port, Source, TimeFormat},
    unknown_name,
};

use crate::{
    decode::sentence::{self, Sentence},
    framing::{Columns, Row},
    message::Message,
};

/// Adapter time stamps run from 0 to 59,999 ms.
const DEVICE_WRAP_MS: u16 = 60_000;
/// Logs that count from zero end long before this (1973), and no log of ours is as old.
const RELATIVE_BELOW_US: i64 = 100_000_000_000_000;
const DAY_US: i64 = 86_400_000_000;

/// Times that cannot be known.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ClockError {
    /// The capture counts from its start, and the start is not given.
    #[error(
        "its times count from the start of the capture; say when that was with --start, as in --start 2026-10-05T08:30:00Z"
    )]
    NeedsStart,
    /// The capture has no time at all.
    #[error(
        "its frames have no time stamps; say how long the capture took with --span SECONDS, and when it began with --start"
    )]
    NeedsSpan,
    /// No date in the capture.
    #[error("no RMC sentence gives a date; say which day it was with --start")]
    NeedsDate,
    /// The rig does not say where the time is.
    #[error(
        "the rig does not say which column of port `{0}` holds the time; add time_column (and time_format) to the port"
    )]
    NoTimeColumn(String),
    /// The header lacks a column.
    #[error("{0}; its header names {1}")]
    Column(String, String),
    /// No readable time where one should be.
    #[error("no readable time in its first {lines} line(s)")]
    NoTime {
        /// Lines looked at.
        lines: usize,
    },
    /// Nothing to stamp.
    #[error("no message in it")]
    NoMessage,
}

/// The time of one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Time {
    /// As the capture says.
    At(Timestamp),
    /// None of its own.
    Unknown,
    /// It should have one, and it cannot be read.
    Unreadable,
}

/// Where the times of a capture come from.
#[derive(Debug)]
pub(super) enum Clock {
    Device { start: Timestamp, elapsed_ms: i64, last_ms: Option<u16>, bare: u64 },
    Spread { start: Timestamp, span_us: f64, frames: u64, seen: u64 },
    Logged { shift_us: i64 },
    Nmea(Box<NmeaClock>),
    Text(Box<TextClock>),
}

#[derive(Debug)]
pub(super) struct NmeaClock {
    /// Time of the sentence that gives the first date; until it comes, everything takes this time.
    anchor: Option<Timestamp>,
    anchor_is_valid: bool,
    date: NaiveDate,
    last: Option<Timestamp>,
    date_is_given: bool,
}

#[derive(Debug)]
pub(super) struct TextClock {
    columns: Columns,
    name: String,
    wanted: Vec<String>,
    at: Option<usize>,
    format: TimeFormat,
    utc_offset_s: i64,
    start: Option<Timestamp>,
}

impl Clock {
    pub(super) fn slcan(
        stamped: Option<bool>,
        frames: u64,
        start: Option<Timestamp>,
        span_s: Option<f64>,
    ) -> Result<Self, ClockError> {
        match (stamped, start, span_s) {
            (Some(false), _, None) => Err(ClockError::NeedsSpan),
            (_, None, _) => Err(ClockError::NeedsStart),
            (Some(false), Some(start), Some(span_s)) => {
                Ok(Self::Spread { start, span_us: span_s * 1e6, frames, seen: 0 })
            }
            (_, Some(start), _) => Ok(Self::Device { start, elapsed_ms: 0, last_ms: None, bare: 0 }),
        }
    }

    pub(super) fn logged(first_us: Option<i64>, start: Option<Timestamp>) -> Result<Self, ClockError> {
        let shift_us = match (first_us, start) {
            (Some(first), Some(start)) if first < RELATIVE_BELOW_US => start.as_us(),
            (Some(first), None) if first < RELATIVE_BELOW_US => return Err(ClockError::NeedsStart),
            _ => 0,
        };
        Ok(Self::Logged { shift_us })
    }

    pub(super) fn nmea(found: &DateFinder, start: Option<Timestamp>) -> Result<Self, ClockError> {
        let anchor = found.valid.or(found.void);
        let date = anchor.map(|t| t.date()).or(start.map(Timestamp::naive_date)).ok_or(ClockError::NeedsDate)?;
        Ok(Self::Nmea(Box::new(NmeaClock {
            anchor: anchor.map(stamp),
            anchor_is_valid: found.valid.is_some(),
            date,
            last: None,
            date_is_given: anchor.is_none(),
        })))
    }

    pub(super) fn text(rig: &Rig, port: &Port, start: Option<Timestamp>) -> Result<Self, ClockError> {
        let name = port.time_column.clone().ok_or_else(|| ClockError::NoTimeColumn(port.name.clone()))?;
        if port.time_format == TimeFormat::FromStartS && start.is_none() {
            return Err(ClockError::NeedsStart);
        }
        let columns = Columns::of(port);
        let wanted = rig.signals.iter().filter(|s| s.port == port.name).filter_map(|s| match &s.source {
            Source::Text(source) => Some(source.column.clone()),
            _ => None,
        });
        Ok(Self::Text(Box::new(TextClock {
            at: columns.position(&name),
            columns,
            name,
            wanted: wanted.collect(),
            format: port.time_format,
            utc_offset_s: port.utc_offset_s,
            start,
        })))
    }

    /// The time of a message; `logged` is what a CAN log says.
    ///
    /// # Errors
    /// When a header lacks the time column or one that the rig's signals need.
    pub(super) fn time_of(&mut self, message: &Message, logged: Option<i64>) -> Result<Time, ClockError> {
        Ok(match (self, message) {
            (Self::Logged { shift_us }, _) => {
                logged.map_or(Time::Unknown, |us| Time::At(Timestamp::from_us(us.saturating_add(*shift_us))))
            }
            (Self::Device { start, elapsed_ms, last_ms, bare }, Message::Frame(frame)) => match frame.device_ms {
                Some(ms) => {
                    *elapsed_ms += i64::from(last_ms.map_or(0, |last| since(last, ms)));
                    *last_ms = Some(ms);
                    Time::At(start.plus_us(*elapsed_ms * 1000))
                }
                None => {
                    *bare += 1;
                    Time::Unknown
                }
            },
            (Self::Spread { start, span_us, frames, seen }, Message::Frame(_)) => {
                let steps = frames.saturating_sub(1).max(1) as f64;
                let us = (*span_us * *seen as f64 / steps).round() as i64;
                *seen += 1;
                Time::At(start.plus_us(us))
            }
            (Self::Device { .. } | Self::Spread { .. }, _) => Time::Unknown,
            (Self::Nmea(clock), Message::Line(text)) => clock.time_of(text),
            (Self::Nmea(clock), _) => clock.anchor.map_or(Time::Unknown, Time::At),
            (Self::Text(clock), Message::Line(text)) => clock.time_of(text)?,
            (Self::Text(_), _) => Time::Unknown,
        })
    }

    /// Whether the start that is given takes part in the times.
    pub(super) fn uses_start(&self) -> bool {
        match self {
            Self::Device { .. } | Self::Spread { .. } => true,
            Self::Logged { shift_us } => *shift_us != 0,
            Self::Nmea(clock) => clock.date_is_given,
            Self::Text(clock) => clock.format == TimeFormat::FromStartS,
        }
    }

    /// Whether the span that is given makes the times.
    pub(super) fn uses_span(&self) -> bool {
        matches!(self, Self::Spread { .. })
    }

    /// In words, for the manifest.
    pub(super) fn describe(&self) -> String {
        match self {
            Self::Device { start, .. } => {
                format!("the adapter's time stamps (ms, unwrapped at 60 s; a silence of more is not seen) from {start}")
            }
            Self::Spread { start, span_us, .. } => {
                format!("times are estimated: frames spread evenly over {} s from {start}", span_us / 1e6)
            }
            Self::Logged { shift_us: 0 } => "as the log says".to_owned(),
            Self::Logged { shift_us } => format!("as the log counts from {}", Timestamp::from_us(*shift_us)),
            Self::Nmea(clock) if clock.date_is_given => {
                format!("the sentences' own UTC time of day on {}, as given", clock.date)
            }
            Self::Nmea(_) => "the sentences' own UTC".to_owned(),
            Self::Text(clock) => match (clock.format, clock.start) {
                (TimeFormat::FromStartS, Some(start)) => format!("column `{}`, seconds from {start}", clock.name),
                (TimeFormat::Iso8601, _) if clock.utc_offset_s != 0 => {
                    format!("column `{}`, local time {} s east of UTC", clock.name, clock.utc_offset_s)
                }
                _ => format!("column `{}`", clock.name),
            },
        }
    }

    /// What a reader of the data should know.
    pub(super) fn notes(&self) -> Vec<String> {
        match self {
            Self::Spread { span_us, .. } => {
                vec![format!("times are estimated: frames are spread evenly over {} s", span_us / 1e6)]
            }
            Self::Device { bare, .. } if *bare > 0 => {
                vec![format!("{bare} frame(s) without a time stamp took that of the frame before them")]
            }
            _ => Vec::new(),
        }
    }
}

/// Milliseconds from one adapter time stamp to the next.
///
/// # Formula
/// `(t₂ − t₁) mod 60000`
fn since(last: u16, now: u16) -> u16 {
    if now >= last { now - last } else { now + (DEVICE_WRAP_MS - last) }
}

fn stamp(time: NaiveDateTime) -> Timestamp {
    Timestamp::from_us(time.and_utc().timestamp_micros())
}

/// Looks for the first RMC sentence that dates a capture. One with a fix is preferred: before its first fix a receiver
/// may send a date from nowhere.
#[derive(Debug, Default)]
pub(super) struct DateFinder {
    valid: Option<NaiveDateTime>,
    void: Option<NaiveDateTime>,
}

impl DateFinder {
    /// Takes a message; false once a fix has given the date.
    pub(super) fn wants_more(&mut self, message: &Message) -> bool {
        if let Message::Line(text) = message
            && let Some(Sentence::Rmc(rmc)) = sentence::parse(text)
            && let (Some(date), Some(time)) = (rmc.date, rmc.time)
        {
            let time = date.and_time(time);
            if rmc.valid {
                self.valid = Some(time);
            } else {
                self.void.get_or_insert(time);
            }
        }
        self.valid.is_none()
    }
}

impl NmeaClock {
    fn time_of(&mut self, text: &str) -> Time {
        let (time, date, valid) = match sentence::parse(text) {
            Some(Sentence::Rmc(rmc)) => (rmc.time, rmc.date, rmc.valid),
            Some(Sentence::Gga(gga)) => (gga.time, None, gga.quality.is_some_and(|q| q > 0)),
            Some(Sentence::Vtg(_)) | None => (None, None, false),
        };
        if let Some(anchor) = self.anchor {
            // Everything before the sentence that gives the first date takes its time.
            if date.is_none() || time.is_none() || valid != self.anchor_is_valid {
                return Time::At(anchor);
            }
            self.anchor = None;
        }
        let Some(at) = time.and_then(|time| self.place(time, date)) else { return Time::Unknown };
        // Without a fix the receiver's clock may be anywhere; it is believed only where it fits.
        let fits = self.last.is_none_or(|last| (0..=DAY_US).contains(&(at.as_us() - last.as_us())));
        if !valid && !fits {
            return Time::Unknown;
        }
        if let Some(date) = date.filter(|_| valid || fits) {
            self.date = date;
        }
        self.last = Some(self.last.map_or(at, |last| last.max(at)));
        Time::At(at)
    }

    /// Puts a time of day on its date. A sentence without date that seems to lie half a day back is of the next day:
    /// midnight has passed since the last RMC.
    fn place(&mut self, time: NaiveTime, date: Option<NaiveDate>) -> Option<Timestamp> {
        let at = stamp(date.unwrap_or(self.date).and_time(time));
        let passed = date.is_none() && self.last.is_some_and(|last| last.as_us() - at.as_us() > DAY_US / 2);
        if !passed {
            return Some(at);
        }
        self.date = self.date.checked_add_days(Days::new(1))?;
        Some(stamp(self.date.and_time(time)))
    }
}

impl TextClock {
    fn time_of(&mut self, text: &str) -> Result<Time, ClockError> {
        if self.columns.judge(text) == Row::Header {
            self.check_header()?;
            return Ok(Time::Unknown);
        }
        let cells = self.columns.cells(text);
        let time = self.at.and_then(|at| self.read(cells.get(at)?));
        Ok(time.map_or(Time::Unreadable, Time::At))
    }

    fn check_header(&mut self) -> Result<(), ClockError> {
        for column in std::iter::once(&self.name).chain(&self.wanted) {
            if self.columns.position(column).is_none() {
                let names = self.columns.names();
                let message = unknown_name("column", column, names.iter().map(String::as_str));
                return Err(ClockError::Column(message, names.join(", ")));
            }
        }
        self.at = self.columns.position(&self.name);
        Ok(())
    }

    fn read(&self, cell: &str) -> Option<Timestamp> {
        let seconds = |cell| self.columns.number(cell).map(|s| s * 1e6).filter(|us| us.abs() < 1e17);
        match self.format {
            TimeFormat::EpochS => seconds(cell).map(|us| Timestamp::from_us(us.round() as i64)),
            TimeFormat::Iso8601 => Timestamp::parse(cell, self.utc_offset_s).ok(),
            TimeFormat::FromStartS => Some(self.start?.plus_us(seconds(cell)?.round() as i64)),
        }
    }
}

/// What the time column of an imported row says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RowTime {
    /// The rig names no time column that the row has.
    NoColumn,
    /// It cannot be read.
    Unreadable,
    /// Microseconds from wherever the column counts.
    At(i64),
}

/// The time column of a text port, for decoding lines again that were imported.
pub(crate) fn row_time(port: &Port, columns: &Columns, text: &str) -> RowTime {
    let Some(at) = port.time_column.as_deref().and_then(|name| columns.position(name)) else {
        return RowTime::NoColumn;
    };
    let read = columns.cells(text).get(at).and_then(|cell| match port.time_format {
        TimeFormat::Iso8601 => Timestamp::parse(cell, port.utc_offset_s).ok().map(Timestamp::as_us),
        TimeFormat::EpochS | TimeFormat::FromStartS => {
            columns.number(cell).map(|s| s * 1e6).filter(|us| us.abs() < 1e17).map(|us| us.round() as i64)
        }
    });
    read.map_or(RowTime::Unreadable, RowTime::At)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (t2 − t1) mod 60000: from 59,990 to 15 is 25 ms (derived from the documented range 0 to 59,999).
    #[test]
    fn device_time_wraps_at_a_minute() {
        assert_eq!(since(59_990, 15), 25);
        assert_eq!(since(15, 15), 0);
        assert_eq!(since(0, 59_999), 59_999);
    }
}
