//! What was measured, against what was hoped for: a table for people, a line of JSON for programs.

use std::fmt::Write as _;

use serde::Serialize;

use super::{peer::Peer, pipeline::Pipeline, recording::Recording};

/// Everything that was measured.
#[derive(Debug, Clone, Default, Serialize)]
pub(super) struct Figures {
    quick: bool,
    pub(super) pipelines: Vec<Pipeline>,
    pub(super) steady: Option<Recording>,
    pub(super) bursts: Option<Recording>,
    pub(super) slow_disk: Option<Recording>,
    pub(super) peer: Option<Peer>,
}

/// One line of the table.
struct Row {
    what: String,
    measured: String,
    goal: String,
    met: Option<bool>,
}

impl Row {
    fn plain(what: impl Into<String>, measured: String) -> Self {
        Self { what: what.into(), measured, goal: String::new(), met: None }
    }

    fn at_least(what: impl Into<String>, value: f64, goal: f64, unit: &str) -> Self {
        let (measured, goal_text) = (shown(value, unit), format!("≥ {}", shown(goal, unit)));
        Self { what: what.into(), measured, goal: goal_text, met: Some(value >= goal) }
    }

    fn at_most(what: impl Into<String>, value: f64, goal: f64, unit: &str) -> Self {
        let (measured, goal_text) = (shown(value, unit), format!("≤ {}", shown(goal, unit)));
        Self { what: what.into(), measured, goal: goal_text, met: Some(value <= goal) }
    }
}

fn shown(value: f64, unit: &str) -> String {
    let digits = if value.abs() >= 100.0 || value.fract() == 0.0 { 0 } else { 2 };
    format!("{value:.digits$} {unit}").trim_end().to_owned()
}

impl Figures {
    pub(super) fn new(quick: bool) -> Self {
        Self { quick, ..Self::default() }
    }

    /// Frames that did not get through, of all recordings.
    pub(super) fn frames_lost(&self) -> u64 {
        [&self.steady, &self.bursts, &self.slow_disk].into_iter().flatten().map(|r| r.frames_lost).sum()
    }

    /// One line.
    pub(super) fn json(&self) -> String {
        serde_json::to_string(self).expect("these types have only string keys")
    }

    /// For people.
    pub(super) fn table(&self) -> String {
        let mut rows = Vec::new();
        self.pipelines.iter().for_each(|p| pipeline_rows(p, &mut rows));
        if let Some(steady) = &self.steady {
            steady_rows(steady, &mut rows);
        }
        if let Some(bursts) = &self.bursts {
            burst_rows(bursts, &mut rows);
        }
        if let Some(slow) = &self.slow_disk {
            slow_rows(slow, &mut rows);
        }
        if let Some(peer) = &self.peer {
            rows.push(Row::plain("logger, pty to disk, full buses a CPU second", format!("{:.0}×", peer.ours_times)));
            rows.push(Row::plain("python-can, pty to memory, the same", format!("{:.2}×", peer.peer_times)));
            rows.push(Row::plain("ratio", format!("{:.0}", peer.ours_times / peer.peer_times)));
        }
        drawn(&rows)
    }
}

fn pipeline_rows(p: &Pipeline, rows: &mut Vec<Row>) {
    let name = p.traffic;
    rows.push(Row::at_least(
        format!("{name}: framing and journal, full buses a CPU second"),
        p.times_journal(),
        890.0,
        "×",
    ));
    rows.push(Row::plain(format!("{name}: decoded and sealed, the same"), format!("{:.0} ×", p.times_seal())));
    rows.push(Row::at_least(format!("{name}: all of it, the same"), p.times_both(), 200.0, "×"));
    rows.push(Row::at_most(format!("{name}: journal, bytes a frame"), p.per_frame(p.journal_bytes), 11.0, ""));
    rows.push(Row::at_most(format!("{name}: decoded tables, bytes a frame"), p.per_frame(p.decoded_bytes), 7.0, ""));
    rows.push(Row::plain(format!("{name}: raw frames, bytes a frame"), format!("{:.2}", p.per_frame(p.raw_bytes))));
}

fn steady_rows(r: &Recording, rows: &mut Vec<Row>) {
    rows.push(Row::at_most("recording a full bus, share of a core", r.share() * 100.0, 1.0, "%"));
    rows.push(Row::plain("  of it the reading thread", format!("{:.2} %", r.reader_share * 100.0)));
    lost(r, rows);
    rows.push(Row::at_most("  memory resident", r.recording_mib, 32.0, "MiB"));
    rows.push(Row::at_most("  memory resident until sealed", r.ended_mib, 32.0, "MiB"));
    rows.push(Row::plain("  arrival to disk, half within", shown(r.durable_p50_ms, "ms")));
    rows.push(Row::plain("  99 % within", shown(r.durable_p99_ms, "ms")));
    rows.push(Row::at_most("  99.9 % within", r.durable_p999_ms, 300.0, "ms"));
    rows.push(Row::plain("  all within", shown(r.durable_max_ms, "ms")));
    if let Some(bytes) = r.journal_bytes_per_frame {
        rows.push(Row::at_most("  journal, bytes a frame", bytes, 11.0, ""));
    }
}

fn burst_rows(r: &Recording, rows: &mut Vec<Row>) {
    let what = format!("with bursts, {:.0} s in {} sessions, share of a core with sealing", r.length_s, r.sessions);
    rows.push(Row::plain(what, shown(r.share() * 100.0, "%")));
    lost(r, rows);
    rows.push(Row::at_most("  memory resident, sealing while recording", r.recording_mib, 32.0, "MiB"));
    rows.push(Row::at_most("  99.9 % on disk within", r.durable_p999_ms, 300.0, "ms"));
    late("  longest that a read was late", r, rows);
}

fn slow_rows(r: &Recording, rows: &mut Vec<Row>) {
    late("syncs of 500 ms more: longest that a read was late", r, rows);
    lost(r, rows);
}

fn late(what: &str, r: &Recording, rows: &mut Vec<Row>) {
    rows.push(Row::at_most(what, r.longest_stall_ms, 15.0, "ms"));
    rows.push(Row::plain("  longest that the benchmark itself was late", shown(r.speaker_late_ms, "ms")));
}

fn lost(r: &Recording, rows: &mut Vec<Row>) {
    rows.push(Row::at_most(format!("  frames lost of {}", r.frames_sent), r.frames_lost as f64, 0.0, ""));
    let held = format!("{} (at most {} bytes)", r.packets_held, r.most_held_bytes);
    rows.push(Row::plain("  packets that the line had no room for at once", held));
}

fn drawn(rows: &[Row]) -> String {
    let width = |of: fn(&Row) -> &str| rows.iter().map(|r| of(r).chars().count()).max().unwrap_or_default();
    let (what, measured, goal) = (width(|r| &r.what), width(|r| &r.measured), width(|r| &r.goal));
    let mut text = String::new();
    for row in rows {
        let verdict = match row.met {
            Some(true) => "met",
            Some(false) => "missed",
            None => "",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{:what$}  {:>measured$}  {:>goal$}  {verdict}", row.what, row.measured, row.goal);
    }
    text
}
