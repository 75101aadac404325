//! A snapshot as text: a table for a terminal, and one calm line.

use std::fmt::Write as _;

use super::{ChannelNow, ChannelState, Gravity, PortNow, PortState, RecordingState, Snapshot};
use crate::summary::duration;

/// A snapshot as a text table: ports, channels by heading, clock, disk and alarms.
///
/// ```
/// use tallywheel_logger::view::{View, table};
/// use tallywheel_schemas::{Rig, TextFile, Timestamp};
///
/// let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
/// let mut view = View::new(&Rig::parse(TextFile::new("rig.toml", rig)).unwrap());
/// assert!(table(&view.snapshot(Timestamp::from_us(0))).contains("bus"));
/// ```
pub fn table(now: &Snapshot) -> String {
    let mut text = String::new();
    let heading = ["port", "kind", "state", "messages/s", "heard", "messages", "bad", "overruns", "dropped"];
    let ports = now.ports.iter().map(port_row);
    text.push_str(&columns(&heading, &[3, 4, 5, 6, 7, 8], ports));
    text.push('\n');
    let heading = ["channel", "value", "unit", "state", "age", "per s", "lowest", "highest", "calibration"];
    text.push_str(&columns(&heading, &[1, 4, 5, 6, 7], now.channels.iter().map(channel_row)));
    // Writing to a string does not fail.
    let _ = writeln!(text, "\nclock  {}", now.clock.text());
    if let Some(disk) = &now.disk {
        let _ = writeln!(text, "disk   room for {}", disk.hours_text());
    }
    for alarm in &now.alarms {
        let _ = writeln!(text, "{}{}", mark(alarm.gravity), alarm.text);
    }
    text
}

/// The snapshot in one line: time since the start, each port's rate or trouble, and the gravest alarm.
pub fn status_line(now: &Snapshot) -> String {
    let mut parts = Vec::new();
    match &now.recording {
        Some(recording) => {
            let paused = if recording.state == RecordingState::Paused { " PAUSED" } else { "" };
            parts.push(duration(now.at_us.seconds_since(recording.since_us)) + paused);
            parts.extend(recording.run.as_ref().map(|run| format!("run {}", run.run)));
        }
        None => parts.push(duration(now.watched_s)),
    }
    parts.extend(now.ports.iter().map(|port| match port.state {
        PortState::Listening => format!("{} {:.0}/s", port.name, port.rate_hz),
        state => format!("{} {}", port.name, state.word().to_uppercase()),
    }));
    let ok = now.channels.iter().filter(|c| c.state == ChannelState::Ok).count();
    parts.push(format!("{ok} of {} channels alive", now.channels.len()));
    let matters = now.alarms.iter().filter(|a| a.gravity < Gravity::Note).count();
    if let Some(first) = now.alarms.first().filter(|_| matters > 0) {
        let more = if matters > 1 { format!(" (and {} more)", matters - 1) } else { String::new() };
        parts.push(format!("{}{more}", first.text));
    }
    parts.join(" | ")
}

const fn mark(gravity: Gravity) -> &'static str {
    match gravity {
        Gravity::Grave => "ALARM  ",
        Gravity::Warning => "warn   ",
        Gravity::Note => "note   ",
    }
}

fn port_row(port: &PortNow) -> Vec<String> {
    let kind = serde_json::to_value(port.kind).ok().and_then(|k| k.as_str().map(str::to_owned));
    vec![
        port.name.clone(),
        kind.unwrap_or_default(),
        port.state.word().to_owned(),
        rate(port.rate_hz),
        age(port.age_s),
        port.messages.to_string(),
        port.bad.to_string(),
        port.overruns.to_string(),
        port.dropped.to_string(),
    ]
}

fn channel_row(channel: &ChannelNow) -> Vec<String> {
    let end = |value: Option<f64>| {
        let factor = if channel.text_unit == "km/h" && channel.unit == "m/s" { 3.6 } else { 1.0 };
        value.map_or_else(|| "–".to_owned(), |v| format!("{:.*}", channel.digits, v * factor))
    };
    vec![
        channel.full_name(),
        channel.text.clone(),
        channel.text_unit.clone(),
        channel.state.word().to_owned(),
        age(channel.age_s),
        rate(channel.rate_hz),
        end(channel.min),
        end(channel.max),
        channel.calibration.text(),
    ]
}

fn rate(per_s: f64) -> String {
    if per_s >= 10.0 { format!("{per_s:.0}") } else { format!("{per_s:.1}") }
}

fn age(seconds: Option<f64>) -> String {
    seconds.map_or_else(|| "–".to_owned(), |s| if s < 100.0 { format!("{s:.1} s") } else { format!("{s:.0} s") })
}

/// Rows under a heading, each column as wide as its widest cell; the columns in `right` end flush.
fn columns(heading: &[&str], right: &[usize], rows: impl Iterator<Item = Vec<String>>) -> String {
    let heading = heading.iter().map(|h| (*h).to_owned()).collect();
    let rows: Vec<Vec<String>> = std::iter::once(heading).chain(rows).collect();
    let count = rows.iter().map(Vec::len).max().unwrap_or_default();
    let width = |i: usize| rows.iter().filter_map(|row| row.get(i)).map(|cell| cell.chars().count()).max();
    let widths: Vec<usize> = (0..count).map(|i| width(i).unwrap_or_default()).collect();
    let mut text = String::new();
    for row in &rows {
        let cells = row.iter().zip(&widths).enumerate().map(|(i, (cell, width))| {
            if right.contains(&i) { format!("{cell:>width$}") } else { format!("{cell:<width$}") }
        });
        text.push_str(cells.collect::<Vec<_>>().join("  ").trim_end());
        text.push('\n');
    }
    text
}
