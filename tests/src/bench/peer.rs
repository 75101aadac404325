//! python-can's slcan reader beside ours: the same bytes through a pseudo-terminal, CPU seconds of both.

use std::{
    io::{BufRead, BufReader},
    path::Path,
    process::{Command, Stdio},
    thread,
};

use serde::{Deserialize, Serialize};

use super::{BenchError, Plan, line::Line, recording, traffic::Traffic};

/// Frames that the peer is given at once and answers together: it then never looks in vain for more, which costs it most.
const BLOCK: u64 = 100;

/// Both readers of a full bus.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Peer {
    /// Frames that the peer read.
    pub(super) frames: u64,
    /// Full buses that a CPU second of the peer reads.
    pub(super) peer_times: f64,
    /// Full buses that a CPU second of the logger reads, frames, and puts on the disk at real pace.
    pub(super) ours_times: f64,
}

/// What the peer says at its end.
#[derive(Debug, Deserialize)]
struct Said {
    frames: u64,
    cpu_s: f64,
}

/// Measures both; `None` after saying why it is left out.
pub(super) fn measure(plan: &Plan) -> Result<Option<Peer>, BenchError> {
    let Some(python) = crate::python() else { return Ok(None) };
    let traffic = Traffic::full_bus(plan.peer_frames.div_ceil(9000));
    let said = match read_by_peer(&python, &traffic, plan.peer_frames) {
        // What is not measured is left out, and said.
        Err(error @ BenchError::Peer { .. }) => {
            super::say(&format!("left out: {error}"));
            return Ok(None);
        }
        other => other?,
    };
    let bus_s = traffic.bus_s * said.frames as f64 / traffic.frames as f64;
    let ours = recording::steady(&Plan { steady_s: plan.steady_s.min(20), ..plan.clone() })?;
    Ok(Some(Peer { frames: said.frames, peer_times: bus_s / said.cpu_s, ours_times: 1.0 / ours.share() }))
}

fn read_by_peer(python: &Path, traffic: &Traffic, frames: u64) -> Result<Said, BenchError> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/slcan_cpu.py");
    let mut line = Line::open()?;
    let mut reader = Command::new(python)
        .arg(script)
        .arg(&line.device)
        .args([frames.to_string(), BLOCK.to_string()])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(BenchError::io("start Python"))?;
    line.wait_until_opened()?;
    let answer = thread::scope(|scope| {
        let out = reader.stdout.take();
        let answer = scope.spawn(move || {
            let mut text = String::new();
            let read = out.map(|out| BufReader::new(out).read_line(&mut text));
            read.unwrap_or(Ok(0)).map(|_| text)
        });
        let poured = line.answered(&traffic.blocks(frames, BLOCK));
        poured.map(|()| answer.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    })?;
    let text = answer.map_err(BenchError::io("listen to Python"))?;
    reader.wait().map_err(BenchError::io("wait for Python"))?;
    serde_json::from_str(&text).map_err(|_| BenchError::Peer { what: "python-can", said: text })
}
