//! What is known at one moment, ready to be shown or sent: plain data, no behaviour but wording.

use serde::Serialize;
use tallywheel_schemas::{Condition, Timestamp, rig::PortKind};

use super::{alarm::Alarm, calibration::CalibrationNow, clock::ClockNow, disk::DiskNow};

/// The latest of everything.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Snapshot {
    /// When, by the recording's clock, µs.
    pub at_us: Timestamp,
    /// Vehicle, as in the rig.
    pub vehicle: String,
    /// How long the ports have been watched, s.
    pub watched_s: f64,
    /// Every channel that the rig names or a receiver feeds, in the rig's order.
    pub channels: Vec<ChannelNow>,
    /// Every port, in the rig's order.
    pub ports: Vec<PortNow>,
    /// The host's clock against satellite time.
    pub clock: ClockNow,
    /// What is being recorded; `None` when nothing is.
    pub recording: Option<RecordingNow>,
    /// Room on the disk; `None` when it is not known.
    pub disk: Option<DiskNow>,
    /// What somebody should know, gravest first.
    pub alarms: Vec<Alarm>,
}

/// What a channel's latest reading amounts to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ChannelState {
    /// A good value, younger than the channel's gap limit.
    Ok,
    /// The last value is older than the channel's gap limit.
    Stale,
    /// No value has come yet.
    Never,
    /// Values come, but outside the plausible range.
    OutOfRange,
    /// The wire says that there is no value, or the cell cannot be read.
    Missing,
}

impl ChannelState {
    /// In a word or two.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Stale => "stale",
            Self::Never => "never seen",
            Self::OutOfRange => "out of range",
            Self::Missing => "not available",
        }
    }
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelNow {
    /// Canonical name, or one of the rig's own.
    pub channel: String,
    /// Motor position.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// Port that feeds it.
    pub port: String,
    /// Heading under which it is shown.
    pub group: &'static str,
    /// Name for people.
    pub label: String,
    /// One line about it.
    pub doc: String,
    /// Unit of `value`, `min` and `max`, as people write it; empty for a bare number.
    pub unit: String,
    /// Last good value.
    pub value: Option<f64>,
    /// The last good value as it is to be shown: digits as the sensor has them, km/h for road speeds; a dash without one.
    pub text: String,
    /// Unit of `text`.
    pub text_unit: String,
    /// Digits behind the point in `text`.
    pub digits: usize,
    /// Age of the last good value, s.
    pub age_s: Option<f64>,
    /// Age from which it counts as stale, s.
    pub max_gap_s: f64,
    /// What to make of it.
    pub state: ChannelState,
    /// Good values so far.
    pub samples: u64,
    /// Readings marked not available, or unreadable.
    pub missing: u64,
    /// Readings outside the plausible range.
    pub out_of_range: u64,
    /// Good values a second over the last few seconds.
    pub rate_hz: f64,
    /// Smallest good value so far.
    pub min: Option<f64>,
    /// Largest good value so far.
    pub max: Option<f64>,
    /// Plausible range, in `unit`.
    pub plausible: (f64, f64),
    /// Calibration of its sensor.
    pub calibration: CalibrationNow,
    /// The highest of the rig's temperature limits that the value is above.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<LimitNow>,
}

impl ChannelNow {
    /// Name for a sentence: `engine speed`, `rear-left winding`.
    pub fn spoken(&self) -> String {
        match &self.position {
            Some(position) => format!("{position} {}", self.label.to_lowercase()),
            None => self.label.clone(),
        }
    }

    /// Canonical name with the position: `motor.torque_n_m (rear-left)`.
    pub fn full_name(&self) -> String {
        self.position.as_ref().map_or_else(|| self.channel.clone(), |p| format!("{} ({p})", self.channel))
    }

    /// Value and unit as shown: `23.4 km/h`.
    pub fn shown(&self) -> String {
        if self.text_unit.is_empty() { self.text.clone() } else { format!("{} {}", self.text, self.text_unit) }
    }
}

/// A limit that a temperature is above.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LimitNow {
    /// The limit, °C.
    pub limit_c: f64,
    /// No higher one is given.
    pub is_top: bool,
}

/// Whether a port speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PortState {
    /// It is open, and was heard lately or has just been opened.
    Listening,
    /// It is open but has not been heard for longer than its channels allow.
    Silent,
    /// It could not be opened, or was unplugged.
    Gone,
}

impl PortState {
    /// In a word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Listening => "listening",
            Self::Silent => "silent",
            Self::Gone => "gone",
        }
    }
}

/// One port.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PortNow {
    /// Name in the rig.
    pub name: String,
    /// What speaks on it.
    pub kind: PortKind,
    /// Whether it speaks.
    pub state: PortState,
    /// Why it is gone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// Good frames and lines so far.
    pub messages: u64,
    /// Malformed messages so far.
    pub bad: u64,
    /// Overruns that the adapter reported.
    pub overruns: u64,
    /// Messages that were dropped on our side.
    pub dropped: u64,
    /// Bytes so far.
    pub bytes: u64,
    /// Good messages a second over the last few seconds.
    pub rate_hz: f64,
    /// Age of the last good message, s.
    pub age_s: Option<f64>,
    /// State of the adapter's controller, when it says one: `active`, `warning`, `passive` or `bus-off`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bus: Option<&'static str>,
}

/// Whether samples reach the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RecordingState {
    /// They do.
    Recording,
    /// They do not, for a reason that is given; recording goes on when it is gone.
    Paused,
    /// The session is being closed.
    Ending,
}

/// What is being recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecordingNow {
    /// Session.
    pub session: String,
    /// Start of the session.
    pub since_us: Timestamp,
    /// Whether samples reach the disk.
    pub state: RecordingState,
    /// What is wrong, in a sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
    /// The run that is on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<RunNow>,
    /// Marks set so far.
    pub marks: u64,
}

/// A run that is on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunNow {
    /// Name.
    pub run: String,
    /// Route.
    pub route: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Start of the run.
    pub since_us: Timestamp,
}
