//! Is everything ready to be recorded? What the ports said for a few seconds, as a table and a verdict.
//!
//! [`run`] watches what arrives and judges it; opening the ports is the caller's. A port that cannot be opened arrives as
//! the reason why.
//!
//! ```
//! use std::{path::PathBuf, sync::mpsc, time::Duration};
//! use tallywheel_logger::check::{CheckOptions, News, run};
//! use tallywheel_schemas::{Rig, TextFile, Timestamp};
//!
//! let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
//! let rig = Rig::parse(TextFile::new("rig.toml", rig)).unwrap();
//! let (sender, arrivals) = mpsc::channel();
//! sender.send((0, Timestamp::now(), News::Gone("no such device".to_owned()))).unwrap();
//! drop(sender);
//! let options = CheckOptions { length: Duration::from_secs(1), data: PathBuf::from("."), journal_bytes_per_s: None };
//! let readiness = run(&rig, &arrivals, &options, Timestamp::now);
//! assert_eq!(readiness.exit().code(), 1);
//! assert!(readiness.to_string().ends_with("to fix:\n  1. port bus is not open: no such device\n"));
//! ```

use std::{
    fmt,
    path::PathBuf,
    sync::mpsc::{Receiver, RecvTimeoutError},
    time::{Duration, Instant},
};

use serde::Serialize;
use tallywheel_schemas::{Rig, Timestamp};

use crate::{
    exit::Exit,
    view::{
        CalibrationState, ChannelNow, ChannelState, ClockState, DiskNow, PortEvent, PortNow, PortState, Snapshot, View,
        free_bytes, table,
    },
};

/// Hours of room below which somebody should think, and below which nobody should start.
const HOURS: (f64, f64) = (8.0, 1.0);
/// Share of malformed messages that is no accident.
const BAD_SHARE: f64 = 0.01;
/// How often the arrivals are looked at.
const LOOK: Duration = Duration::from_millis(250);

/// Something about a port, named by its index in the rig.
pub type Arrival = (usize, Timestamp, News);

/// What is known of a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum News {
    /// It said these bytes.
    Bytes(Vec<u8>),
    /// It was asked with these bytes, without which a meter's answer cannot be told from garbage.
    Asked(Vec<u8>),
    /// It cannot be read (any more), and why.
    Gone(String),
}

/// How to check.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckOptions {
    /// How long to watch.
    pub length: Duration,
    /// Dataset directory, for the room on its disk.
    pub data: PathBuf,
    /// What recording takes, bytes a second, when it has been measured; without it what arrives counts.
    pub journal_bytes_per_s: Option<f64>,
}

/// Watches and judges; see [`observe`] and [`Readiness::of`].
pub fn run(
    rig: &Rig,
    arrivals: &Receiver<Arrival>,
    options: &CheckOptions,
    now: impl FnMut() -> Timestamp,
) -> Readiness {
    let observed = observe(rig, arrivals, options.length, now);
    let bytes_per_s = options.journal_bytes_per_s.unwrap_or(observed.bytes_per_s);
    // Where the system cannot say, the room is reported as not known.
    let disk = free_bytes(&options.data).ok().map(|free| DiskNow::new(free, bytes_per_s));
    Readiness::of(observed.snapshot, disk)
}

/// Watches arrivals for a while, or until their senders are gone, and gives what is known then.
///
/// `now` is the clock that the arrivals are stamped with.
pub fn observe(
    rig: &Rig,
    arrivals: &Receiver<Arrival>,
    length: Duration,
    mut now: impl FnMut() -> Timestamp,
) -> Observed {
    let mut view = View::new(rig);
    let (began, end) = (now(), Instant::now() + length);
    let mut due = Instant::now() + LOOK;
    let _ = view.snapshot(began);
    while Instant::now() < end {
        match arrivals.recv_timeout(due.min(end).saturating_duration_since(Instant::now())) {
            Ok((port, at, News::Bytes(bytes))) => view.bytes(port, at, &bytes),
            Ok((port, at, News::Asked(bytes))) => view.port_event(port, at, PortEvent::Asked(bytes)),
            Ok((port, at, News::Gone(why))) => view.port_event(port, at, PortEvent::Gone(why)),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if Instant::now() >= due {
            let _ = view.snapshot(now());
            due = Instant::now() + LOOK;
        }
    }
    let snapshot = view.snapshot(now());
    let bytes_per_s = view.bytes_per_s();
    Observed { snapshot, bytes_per_s }
}

/// What was seen while watching.
#[derive(Debug, Clone, PartialEq)]
pub struct Observed {
    /// Everything at the end.
    pub snapshot: Snapshot,
    /// Bytes a second that arrived on all ports together; the journal takes about as much.
    pub bytes_per_s: f64,
}

/// Whether a finding stands in the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// To be fixed before anything is recorded.
    Fix,
    /// To be known.
    Warning,
}

/// Something that is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Whether it stands in the way.
    pub weight: Weight,
    /// A sentence, and what to do where that is known.
    pub text: String,
}

/// Whether everything is ready to be recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Readiness {
    /// Nothing has to be fixed.
    pub is_ready: bool,
    /// What is not as it should be, what stands in the way first.
    pub findings: Vec<Finding>,
    /// What was seen.
    #[serde(flatten)]
    pub seen: Snapshot,
}

impl Readiness {
    /// Judges a snapshot that was taken after a few seconds of watching.
    pub fn of(mut seen: Snapshot, disk: Option<DiskNow>) -> Self {
        seen.disk = disk.or(seen.disk);
        let mut findings = Vec::new();
        for port in &seen.ports {
            let channels: Vec<&ChannelNow> = seen.channels.iter().filter(|c| c.port == port.name).collect();
            judge_port(port, &mut findings);
            if port.messages > 0 {
                judge_channels(&channels, seen.watched_s, &mut findings);
            }
        }
        judge_values(&seen.channels, &mut findings);
        judge_clock(&seen, &mut findings);
        judge_disk(seen.disk.as_ref(), &mut findings);
        findings.sort_by_key(|f| f.weight);
        Self { is_ready: findings.iter().all(|f| f.weight != Weight::Fix), findings, seen }
    }

    /// 0 ready, 1 not ready. (2 is for who could not check at all.)
    pub const fn exit(&self) -> Exit {
        if self.is_ready { Exit::Success } else { Exit::Faults }
    }

    /// As JSON text.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("only string keys and finite numbers") + "\n"
    }
}

fn fix(text: String) -> Finding {
    Finding { weight: Weight::Fix, text }
}

fn warn(text: String) -> Finding {
    Finding { weight: Weight::Warning, text }
}

fn judge_port(port: &PortNow, out: &mut Vec<Finding>) {
    let name = &port.name;
    let why = port.why.as_deref().unwrap_or("the reason is not known");
    if port.state == PortState::Gone {
        out.push(fix(format!("port {name} is not open: {why}")));
        return;
    }
    if port.messages == 0 && port.bad > 0 {
        out.push(fix(format!(
            "port {name}: only garbage comes; check its bit rate and baud rate, and its kind in the rig"
        )));
    } else if port.messages == 0 {
        out.push(fix(format!("port {name} is open but says nothing; check power, cable and bit rate")));
    } else if port.state == PortState::Silent {
        let age = port.age_s.unwrap_or_default();
        out.push(fix(format!("port {name} fell silent {age:.1} s ago; check power and cable")));
    }
    let share = port.bad as f64 / (port.bad + port.messages).max(1) as f64;
    if port.messages > 0 && share > BAD_SHARE {
        let text = format!(
            "port {name}: {:.0} % of the messages are garbage; check baud rate, bit rate and cable",
            100.0 * share
        );
        out.push(fix(text));
    }
    if port.overruns + port.dropped > 0 {
        out.push(warn(format!("port {name} lost messages: {} overruns, {} dropped", port.overruns, port.dropped)));
    }
    match port.bus {
        Some("bus-off") => out.push(fix(format!("port {name}: the adapter is bus-off; check bit rate and wiring"))),
        Some(state @ ("passive" | "warning")) => {
            out.push(warn(format!("port {name}: the adapter counts many bus errors (error {state})")));
        }
        _ => {}
    }
}

fn judge_channels(channels: &[&ChannelNow], watched_s: f64, out: &mut Vec<Finding>) {
    for channel in channels {
        let name = channel.full_name();
        match channel.state {
            ChannelState::Ok | ChannelState::Missing => {}
            ChannelState::Never if watched_s < channel.max_gap_s => {
                out.push(warn(format!("{name} has not been seen yet; it may take up to {} s", channel.max_gap_s)));
            }
            ChannelState::Never => {
                out.push(fix(format!("{name} was never seen; check the sensor, and identifier or column in the rig")));
            }
            ChannelState::Stale => {
                let age = channel.age_s.map_or_else(|| "no value".to_owned(), |age| format!("no value for {age:.1} s"));
                out.push(fix(format!("{name} is stale: {age}, the limit is {} s", channel.max_gap_s)));
            }
            ChannelState::OutOfRange => {
                let (min, max) = channel.plausible;
                let text = format!(
                    "{name}: {} of {} readings are outside {min} to {max} {}; check sensor and scale",
                    channel.out_of_range,
                    channel.samples + channel.missing + channel.out_of_range,
                    channel.unit
                );
                out.push(fix(text));
            }
        }
    }
    let missing = channels.iter().filter(|c| c.state == ChannelState::Missing);
    let missing: Vec<String> = missing.map(|c| c.full_name()).collect();
    if !missing.is_empty() {
        out.push(warn(format!("the wire says that there is no value: {}", missing.join(", "))));
    }
}

fn judge_values(channels: &[ChannelNow], out: &mut Vec<Finding>) {
    for channel in channels {
        let name = channel.full_name();
        if let Some(limit) = channel.limit {
            out.push(warn(format!("{name} is at {}, above its limit of {} °C", channel.shown(), limit.limit_c)));
        }
        if channel.channel == "motor.fault" && channel.value.is_some_and(|code| code != 0.0) {
            out.push(warn(format!("{name}: the controller reports code {}", channel.text)));
        }
        let calibration = channel.calibration.text();
        match channel.calibration.state {
            CalibrationState::Due => out.push(fix(format!("{name}: calibration {calibration}"))),
            CalibrationState::Future => {
                out.push(fix(format!("{name}: calibration {calibration}; check the rig and this computer's date")));
            }
            CalibrationState::InDate | CalibrationState::Undated | CalibrationState::NoneGiven => {}
        }
    }
}

fn judge_clock(seen: &Snapshot, out: &mut Vec<Finding>) {
    match seen.clock.state {
        ClockState::Off => out.push(warn(format!("this computer's clock is {}", seen.clock.text()))),
        ClockState::NoFix => out.push(warn(seen.clock.text())),
        ClockState::Agrees | ClockState::NoReceiver => {}
    }
}

fn judge_disk(disk: Option<&DiskNow>, out: &mut Vec<Finding>) {
    let Some(disk) = disk else {
        out.push(warn("the room on the disk is not known".to_owned()));
        return;
    };
    let text = format!("the disk has room for {} of recording", disk.hours_text());
    match disk.hours_left {
        Some(hours) if hours < HOURS.1 => out.push(fix(text)),
        Some(hours) if hours < HOURS.0 => out.push(warn(text)),
        _ => {}
    }
}

impl fmt::Display for Readiness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut plain = self.seen.clone();
        // The findings say the same for this purpose.
        plain.alarms.clear();
        writeln!(f, "{} for {:.1} s\n\n{}", self.seen.vehicle, self.seen.watched_s, table(&plain))?;
        let of = |weight: Weight| self.findings.iter().filter(move |finding| finding.weight == weight);
        for warning in of(Weight::Warning) {
            writeln!(f, "warning: {}", warning.text)?;
        }
        if self.is_ready {
            return writeln!(f, "ready");
        }
        writeln!(f, "not ready; to fix:")?;
        of(Weight::Fix).enumerate().try_for_each(|(i, finding)| writeln!(f, "  {}. {}", i + 1, finding.text))
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::TextFile;

    use super::*;

    const RIG: &str = "\
schema = 1
vehicle = \"skerry-1\"
[[port]]
name = \"kit\"
kind = \"slcan\"
bit_rate = 250000
[[signal]]
channel = \"pack.voltage_v\"
port = \"kit\"
id = 0x310
start_bit = 7
length = 16
byte_order = \"big\"
scale = 0.01
calibration = { date = \"2026-09-01\" }
[[signal]]
channel = \"pack.soc_pct\"
port = \"kit\"
id = 0x311
start_bit = 0
length = 8
not_available = [255]
";

    /// Five seconds of a frame every 100 ms, then a verdict.
    fn checked(rig: &str, frames: &str, disk: Option<DiskNow>) -> Readiness {
        let mut view = View::new(&Rig::parse(TextFile::new("rig.toml", rig)).expect("a good rig"));
        let start = Timestamp::parse("2026-10-05T08:00:00Z", 0).expect("a time");
        view.bytes(0, start, b"\r");
        let mut now = view.snapshot(start);
        for i in 1..=50 {
            let at = start.plus_us(i * 100_000);
            view.bytes(0, at, frames.as_bytes());
            now = view.snapshot(at);
        }
        Readiness::of(now, disk)
    }

    fn texts(readiness: &Readiness) -> Vec<String> {
        let mark = |f: &Finding| if f.weight == Weight::Fix { "fix" } else { "warn" };
        readiness.findings.iter().map(|f| format!("{}: {}", mark(f), f.text)).collect()
    }

    const GOOD: &str = "t31022616\rt3111C8\r";
    const ROOM: Option<DiskNow> = Some(DiskNow { free_bytes: 1, bytes_per_s: 1.0, hours_left: Some(100.0) });

    #[test]
    fn when_all_is_well_it_says_ready() {
        let rig = RIG.replace("not_available = [255]", "scale = 0.5");
        let readiness = checked(&rig, GOOD, ROOM);
        assert_eq!(texts(&readiness), Vec::<String>::new());
        let text = readiness.to_string();
        assert!(text.starts_with("skerry-1 for 5.0 s\n\n") && text.ends_with("\nready\n"), "{text}");
        assert!(text.contains("97.5  V     ok"), "{text}");
        assert_eq!(readiness.exit(), Exit::Success);
    }

    #[test]
    fn each_fault_is_told_with_what_to_do() {
        let of = |from: &str, to: &str, frames: &str| texts(&checked(&RIG.replace(from, to), frames, ROOM));
        let one = |text: &str| vec![text.to_owned()];
        assert_eq!(of("", "", "t31022616\rt3111FF\r"), one("warn: the wire says that there is no value: pack.soc_pct"));
        assert_eq!(
            of("", "", "t31022616\rt3111C8\r"),
            one("fix: pack.soc_pct: 50 of 50 readings are outside 0 to 100 %; check sensor and scale")
        );
        assert_eq!(
            of("max_gap_s", "", "t31022616\r"),
            one("warn: pack.soc_pct has not been seen yet; it may take up to 10 s")
        );
        assert_eq!(
            of("id = 0x311", "id = 0x312\nmax_gap_s = 2.0", "t31022616\r"),
            one("fix: pack.soc_pct was never seen; check the sensor, and identifier or column in the rig")
        );
        assert_eq!(
            of("2026-09-01\"", "2026-09-01\", due = \"2026-10-01\"", "t31022616\rt311120\r"),
            one("fix: pack.voltage_v: calibration DUE since 2026-10-01")
        );
        assert_eq!(
            of("", "", "x\r"),
            one("fix: port kit: only garbage comes; check its bit rate and baud rate, and its kind in the rig")
        );
        assert_eq!(of("", "", ""), one("fix: port kit is open but says nothing; check power, cable and bit rate"));
    }

    #[test]
    fn room_on_the_disk_is_hours_of_recording() {
        let of = |hours: f64| {
            texts(&checked(RIG, "t31022616\rt311120\r", Some(DiskNow::new((hours * 3.6e6) as u64, 1000.0))))
        };
        assert_eq!(of(9.0), Vec::<String>::new());
        assert_eq!(of(7.5), ["warn: the disk has room for 7.5 h of recording"]);
        assert_eq!(of(0.5), ["fix: the disk has room for 0.5 h of recording"]);
        assert_eq!(texts(&checked(RIG, "t31022616\rt311120\r", None)), ["warn: the room on the disk is not known"]);
    }

    #[test]
    fn arrivals_are_watched_until_their_time_is_over() {
        let rig = Rig::parse(TextFile::new("rig.toml", RIG)).expect("a good rig");
        let (sender, arrivals) = std::sync::mpsc::channel();
        let clock = Timestamp::now;
        for _ in 0..3 {
            sender.send((0, clock(), News::Bytes(b"\rt31022616\r".to_vec()))).expect("a receiver");
        }
        let began = Instant::now();
        let seen = observe(&rig, &arrivals, Duration::from_millis(400), clock);
        assert!(began.elapsed() >= Duration::from_millis(400));
        assert_eq!((seen.snapshot.ports[0].messages, seen.snapshot.channels[0].samples), (3, 3));
        assert!(seen.bytes_per_s > 0.0);
        let json: serde_json::Value =
            serde_json::from_str(&Readiness::of(seen.snapshot, None).to_json()).expect("JSON");
        assert_eq!((&json["is_ready"], &json["channels"][0]["text"]), (&true.into(), &"97.5".into()));
    }
}
