//! What somebody should know, gravest first, each in a plain sentence.
//!
//! One cause gives one alarm: a port that is gone speaks for all its channels, and many channels with the same trouble on one
//! port share a sentence.

use serde::Serialize;

use super::{
    calibration::CalibrationState,
    clock::ClockState,
    snapshot::{ChannelNow, ChannelState, PortNow, PortState, RecordingState, Snapshot},
};

/// A channel that has never been seen is reported after so long, s; a slow one after its gap limit.
const PATIENCE_S: f64 = 10.0;
/// Share of malformed messages that hints at a wrong rate or a bad cable.
const BAD_SHARE: f64 = 0.01;
/// Names that a sentence spells out.
const NAMES: usize = 3;
/// Hours of room below which an alarm is grave, a warning, a note.
const HOURS: [f64; 3] = [0.5, 2.0, 8.0];

/// How much an alarm matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Gravity {
    /// Data are being lost, or something may be damaged.
    Grave,
    /// Data may be worth less than they seem.
    Warning,
    /// Good to know.
    Note,
}

/// Something that somebody should know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Alarm {
    /// How much it matters.
    pub gravity: Gravity,
    /// Kind, for programs: `port_gone`, `stale`, `limit` and so on.
    pub kind: &'static str,
    /// Port or channel that it is about.
    pub subject: String,
    /// A sentence for people.
    pub text: String,
}

fn alarm(gravity: Gravity, kind: &'static str, subject: &str, text: String) -> Alarm {
    Alarm { gravity, kind, subject: subject.to_owned(), text }
}

use Gravity::{Grave, Note, Warning};

/// The alarms of a snapshot. `ports` says of each port whether it is losing messages and which share is malformed.
pub(super) fn alarms(now: &Snapshot, ports: &[(bool, f64)]) -> Vec<Alarm> {
    let mut alarms = Vec::new();
    recording(now, &mut alarms);
    for (port, (is_losing, bad_share)) in now.ports.iter().zip(ports) {
        let channels: Vec<&ChannelNow> = now.channels.iter().filter(|c| c.port == port.name).collect();
        let is_heard = port_alarms(port, &channels, *is_losing, *bad_share, &mut alarms);
        if is_heard {
            unheard(now, port, &channels, &mut alarms);
        }
    }
    for channel in &now.channels {
        value_alarms(channel, &mut alarms);
    }
    clock_and_calibration(now, &mut alarms);
    alarms.sort_by_key(|a| a.gravity);
    alarms
}

fn recording(now: &Snapshot, alarms: &mut Vec<Alarm>) {
    if let Some(recording) = &now.recording {
        let trouble = recording.trouble.clone();
        if recording.state == RecordingState::Paused {
            let why = trouble.unwrap_or_else(|| "the reason is not known".to_owned());
            alarms.push(alarm(Grave, "recording_paused", "recording", format!("Nothing is being recorded: {why}.")));
        } else if let Some(trouble) = trouble {
            alarms.push(alarm(Warning, "recording", "recording", format!("Recording: {trouble}.")));
        }
    }
    if let Some((disk, hours)) = now.disk.and_then(|disk| Some((disk, disk.hours_left?)))
        && let Some(gravity) = [Grave, Warning, Note].into_iter().zip(HOURS).find(|(_, limit)| hours < *limit)
    {
        let text = format!("The disk has room for {} of recording.", disk.hours_text());
        alarms.push(alarm(gravity.0, "disk", "disk", text));
    }
}

/// What a port does wrong. False when it is not heard, so that its channels need not say so one by one.
fn port_alarms(
    port: &PortNow,
    channels: &[&ChannelNow],
    is_losing: bool,
    bad_share: f64,
    out: &mut Vec<Alarm>,
) -> bool {
    let name = &port.name;
    let of = match channels.len() {
        0 => String::new(),
        1 => "; its channel goes stale".to_owned(),
        n => format!("; its {n} channels go stale"),
    };
    if port.state == PortState::Gone {
        let why = port.why.as_deref().filter(|w| !w.is_empty()).map(|w| format!(" ({w})")).unwrap_or_default();
        out.push(alarm(Grave, "port_gone", name, format!("Port {name} is gone{why}{of}.")));
        return false;
    }
    if is_losing {
        let counts = format!("{} overruns in the adapter, {} dropped here", port.overruns, port.dropped);
        out.push(alarm(Warning, "loss", name, format!("Port {name} is losing messages: {counts} so far.")));
    }
    if bad_share > BAD_SHARE {
        let text = format!(
            "Port {name}: {:.0} % of the messages are garbage; check bit rate, baud rate and cable.",
            100.0 * bad_share
        );
        out.push(alarm(Warning, "garbage", name, text));
    }
    match port.bus {
        Some("bus-off") => out.push(alarm(Grave, "bus_off", name, format!("Port {name}: the adapter is bus-off."))),
        Some(state @ ("passive" | "warning")) => {
            let text = format!("Port {name}: the adapter counts many bus errors (error {state}).");
            out.push(alarm(Warning, "bus_errors", name, text));
        }
        _ => {}
    }
    if port.state == PortState::Silent {
        let text = match port.age_s {
            Some(age) => format!("Port {name} has been silent for {}{of}.", span(age)),
            None => format!("Port {name} has said nothing yet."),
        };
        out.push(alarm(Grave, "port_silent", name, text));
    }
    port.state == PortState::Listening
}

/// Channels of a port that speaks, from which nothing comes.
fn unheard(now: &Snapshot, port: &PortNow, channels: &[&ChannelNow], out: &mut Vec<Alarm>) {
    let stale: Vec<&&ChannelNow> = channels.iter().filter(|c| c.state == ChannelState::Stale).collect();
    if stale.len() > NAMES {
        let text = format!("Stale on port {}: {}.", port.name, names(&stale));
        out.push(alarm(Warning, "stale", &port.name, text));
    } else {
        for channel in stale {
            let age = channel.age_s.map_or("no value".to_owned(), |age| format!("no value for {}", span(age)));
            let text = format!("{} is stale: {age}.", capital(&channel.spoken()));
            out.push(alarm(Warning, "stale", &channel.full_name(), text));
        }
    }
    let is_due = |c: &ChannelNow| c.state == ChannelState::Never && now.watched_s > c.max_gap_s.max(PATIENCE_S);
    let never: Vec<&&ChannelNow> = channels.iter().filter(|c| is_due(c)).collect();
    if !never.is_empty() {
        let text = format!("Never seen on port {}: {}.", port.name, names(&never));
        out.push(alarm(Warning, "never", &port.name, text));
    }
}

/// What a channel's values say.
fn value_alarms(channel: &ChannelNow, out: &mut Vec<Alarm>) {
    let name = capital(&channel.spoken());
    if channel.state == ChannelState::OutOfRange {
        let (min, max) = channel.plausible;
        let unit = if channel.unit.is_empty() { String::new() } else { format!(" {}", channel.unit) };
        let text = format!("{name} is out of range: {} readings outside {min} to {max}{unit}.", channel.out_of_range);
        out.push(alarm(Warning, "out_of_range", &channel.full_name(), text));
    }
    // A limit that was passed stays of interest when the sensor then goes quiet.
    if let Some(limit) = channel.limit {
        let gravity = if limit.is_top { Grave } else { Warning };
        let is = if channel.state == ChannelState::Ok { "is" } else { "was last" };
        let text = format!("{name} {is} at {}, above its limit of {} °C.", channel.shown(), limit.limit_c);
        out.push(alarm(gravity, "limit", &channel.full_name(), text));
    }
    if channel.channel == "motor.fault" && channel.value.is_some_and(|code| code != 0.0) {
        let position = channel.position.as_deref().unwrap_or("motor");
        let text = format!("The {position} controller reports fault code {}.", channel.text);
        out.push(alarm(Warning, "fault", &channel.full_name(), text));
    }
}

fn clock_and_calibration(now: &Snapshot, out: &mut Vec<Alarm>) {
    match now.clock.state {
        ClockState::Off => {
            let text = format!("This computer's clock is {}.", now.clock.text());
            out.push(alarm(Warning, "clock", "clock", text));
        }
        ClockState::NoFix if now.watched_s > PATIENCE_S => {
            let text = "No satellite fix, so this computer's clock is not checked.".to_owned();
            out.push(alarm(Note, "no_fix", "clock", text));
        }
        _ => {}
    }
    let of = |state: CalibrationState| -> Vec<&ChannelNow> {
        now.channels.iter().filter(|c| c.calibration.state == state).collect()
    };
    for (state, words) in [(CalibrationState::Due, "overdue"), (CalibrationState::Future, "dated after today")] {
        let channels = of(state);
        if !channels.is_empty() {
            let text = format!("Calibration {words}: {}.", names(&channels.iter().collect::<Vec<_>>()));
            out.push(alarm(Note, "calibration", "calibration", text));
        }
    }
}

/// The first few names and how many more there are.
fn names(channels: &[&&ChannelNow]) -> String {
    let first: Vec<String> = channels.iter().take(NAMES).map(|c| c.spoken()).collect();
    match channels.len().saturating_sub(NAMES) {
        0 => first.join(", "),
        more => format!("{} and {more} more", first.join(", ")),
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

/// An age in whole seconds or minutes.
fn span(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}
