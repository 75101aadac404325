//! What is known about a running recording, for whoever asks: counters of the ports, the session, the disk.

use std::sync::{
    Arc, Mutex, MutexGuard, PoisonError,
    atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed},
};

use serde::Serialize;
use tallywheel_schemas::{
    Rig, Timestamp,
    rig::{PortKind, Source},
};

use super::sync_times::{SyncStatus, SyncTimes};

/// Silence of this length is more than a pause, s, unless the port is asked less often.
const LONG_SILENCE_S: f64 = 60.0;
/// Messages below which the share of bad ones says nothing.
const FEW_MESSAGES: u64 = 20;

/// The longest time between two requests for the same on a port, s; 0 where nothing is asked.
fn slowest_request_s(rig: &Rig, port: &str) -> f64 {
    let every_s = |source: &Source| match source {
        Source::Modbus(modbus) => modbus.every_s,
        Source::Obd(obd) => obd.every_s,
        Source::Can(_) | Source::Text(_) | Source::J1939(_) => 0.0,
    };
    rig.signals.iter().filter(|s| s.port == port).map(|s| every_s(&s.source)).fold(0.0, f64::max)
}

/// Live counters of one port.
#[derive(Debug, Default)]
pub(crate) struct Counters {
    pub(crate) port: String,
    /// What comes on it can only be told by what was asked.
    pub(crate) is_asked: bool,
    /// Silence of this length is more than a pause, s.
    pub(crate) long_silence_s: f64,
    pub(crate) messages: AtomicU64,
    pub(crate) bad: AtomicU64,
    pub(crate) overruns: AtomicU64,
    pub(crate) dropped: AtomicU64,
    pub(crate) reconnections: AtomicU64,
    pub(crate) listening: AtomicBool,
    pub(crate) last_us: AtomicI64,
    /// The longest that a read was late, µs.
    pub(super) longest_stall_us: AtomicU64,
    pub(super) lost_to_disk: AtomicBool,
}

/// A running recording.
#[derive(Debug)]
pub(crate) struct Board {
    pub(crate) vehicle: String,
    pub(crate) counters: Vec<Arc<Counters>>,
    pub(crate) journal_bytes: AtomicU64,
    state: Mutex<State>,
    sync_times: Mutex<SyncTimes>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct State {
    pub(crate) session: String,
    pub(crate) run: Option<String>,
    pub(crate) since: Option<Timestamp>,
    pub(crate) disk: Option<String>,
    pub(crate) sealed: u64,
    /// Faults that a person should see at the end, newest last.
    pub(crate) faults: u64,
}

/// One port as [`Status`] tells of it.
#[derive(Debug, Clone, PartialEq, Serialize, serde::Deserialize)]
pub(crate) struct PortStatus {
    pub(crate) port: String,
    pub(crate) listening: bool,
    pub(crate) messages: u64,
    pub(crate) bad: u64,
    pub(crate) overruns: u64,
    pub(crate) dropped: u64,
    pub(crate) reconnections: u64,
    /// Seconds since anything arrived; `None` when nothing has.
    pub(crate) silent_s: Option<f64>,
    /// The longest that the port was left unread beyond the pause that is meant, ms.
    #[serde(default)]
    pub(crate) longest_stall_ms: f64,
    /// What should not be so, in words; empty where all is well.
    #[serde(default)]
    pub(crate) trouble: Vec<String>,
}

/// What a recorder says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, serde::Deserialize)]
pub(crate) struct Status {
    pub(crate) vehicle: String,
    pub(crate) session: String,
    pub(crate) run: Option<String>,
    pub(crate) pid: u32,
    pub(crate) since: Option<Timestamp>,
    pub(crate) recorded_s: f64,
    pub(crate) journal_bytes: u64,
    /// How long what arrived waited for the disk; `None` before anything did.
    #[serde(default)]
    pub(crate) sync: Option<SyncStatus>,
    /// Why the disk takes nothing, when it does not.
    pub(crate) disk: Option<String>,
    pub(crate) sealed_sessions: u64,
    pub(crate) ports: Vec<PortStatus>,
}

impl Board {
    pub(crate) fn new(rig: &Rig) -> Arc<Self> {
        let counters = |p: &tallywheel_schemas::rig::Port| {
            let is_asked = p.kind == PortKind::Modbus;
            Arc::new(Counters {
                port: p.name.clone(),
                is_asked,
                long_silence_s: LONG_SILENCE_S.max(3.0 * slowest_request_s(rig, &p.name)),
                last_us: AtomicI64::new(i64::MIN),
                ..Counters::default()
            })
        };
        Arc::new(Self {
            vehicle: rig.vehicle.clone(),
            counters: rig.ports.iter().map(counters).collect(),
            journal_bytes: AtomicU64::new(0),
            state: Mutex::default(),
            sync_times: Mutex::default(),
        })
    }

    pub(crate) fn state(&self) -> MutexGuard<'_, State> {
        // The state is plain values: whoever panicked while holding it left nothing half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Counts chunks that are on the disk now, by their arrivals.
    pub(super) fn synced(&self, now: Timestamp, arrivals: impl Iterator<Item = Timestamp>) {
        let mut times = self.sync_times.lock().unwrap_or_else(PoisonError::into_inner);
        arrivals.for_each(|arrival| times.add(now.as_us() - arrival.as_us()));
    }

    pub(crate) fn status(&self, now: Timestamp) -> Status {
        let sync = self.sync_times.lock().unwrap_or_else(PoisonError::into_inner).status();
        let state = self.state().clone();
        Status {
            vehicle: self.vehicle.clone(),
            session: state.session,
            run: state.run,
            pid: std::process::id(),
            since: state.since,
            recorded_s: state.since.map_or(0.0, |since| now.seconds_since(since)),
            journal_bytes: self.journal_bytes.load(Relaxed),
            sync,
            disk: state.disk,
            sealed_sessions: state.sealed,
            ports: self.counters.iter().map(|c| c.status(state.since, now)).collect(),
        }
    }
}

impl Counters {
    pub(crate) fn status(&self, since: Option<Timestamp>, now: Timestamp) -> PortStatus {
        let last_us = self.last_us.load(Relaxed);
        let status = PortStatus {
            port: self.port.clone(),
            listening: self.listening.load(Relaxed),
            messages: self.messages.load(Relaxed),
            bad: self.bad.load(Relaxed),
            overruns: self.overruns.load(Relaxed),
            dropped: self.dropped.load(Relaxed),
            reconnections: self.reconnections.load(Relaxed),
            longest_stall_ms: self.longest_stall_us.load(Relaxed) as f64 / 1000.0,
            silent_s: (last_us != i64::MIN).then(|| now.seconds_since(Timestamp::from_us(last_us))),
            trouble: Vec::new(),
        };
        PortStatus { trouble: self.trouble(&status, since, now), ..status }
    }

    fn trouble(&self, port: &PortStatus, since: Option<Timestamp>, now: Timestamp) -> Vec<String> {
        let recorded_s = since.map_or(0.0, |since| now.seconds_since(since));
        let long = |s: f64| s > self.long_silence_s;
        let mut trouble = Vec::new();
        if !port.listening {
            trouble.push("the device is gone".to_owned());
        }
        if port.dropped > 0 {
            trouble.push("messages were dropped".to_owned());
        }
        match port.silent_s {
            Some(silent) if long(silent) => trouble.push(format!("silent for {silent:.0} s")),
            None if long(recorded_s) => trouble.push("nothing arrived yet".to_owned()),
            _ => {}
        }
        let all = port.messages;
        if all >= FEW_MESSAGES && port.bad * 2 > all {
            let percent = 100.0 * port.bad as f64 / all as f64;
            trouble
                .push(format!("{percent:.0} % of its messages are bad: is it the right device, and the right baud?"));
        }
        trouble
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::TextFile;

    use super::*;

    #[test]
    fn noise_and_long_silence_are_trouble() {
        let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"gps\"\nkind = \"nmea\"\n";
        let board = Board::new(&Rig::parse(TextFile::new("rig.toml", rig)).expect("a good rig"));
        let (gps, start) = (&board.counters[0], Timestamp::from_us(1_791_189_000_000_000));
        board.state().since = Some(start);
        gps.listening.store(true, Relaxed);
        let trouble = |s: i64| board.status(start.plus_us(s * 1_000_000)).ports[0].trouble.join("; ");
        assert_eq!(trouble(59), "");
        assert_eq!(trouble(61), "nothing arrived yet");
        gps.last_us.store(start.plus_us(61_000_000).as_us(), Relaxed);
        gps.messages.store(1000, Relaxed);
        gps.bad.store(500, Relaxed);
        assert_eq!((trouble(62), trouble(122)), (String::new(), "silent for 61 s".to_owned()));
        gps.bad.store(995, Relaxed);
        assert!(trouble(62).starts_with("100 % of its messages are bad") || trouble(62).starts_with("99"));
    }
}
