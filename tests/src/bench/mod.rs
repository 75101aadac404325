//! Measures the logger against a full bus: what it costs, what it loses, how soon data are safe, how large they are.
//!
//! ```text
//! traffic ─→ pipeline   in memory: framing, journal, sealed tables, by CPU time
//!        ├─→ recording  the real program on a pseudo-terminal, at real pace
//!        └─→ peer       an independent reader of the same bytes
//!                ↘ figures: a table for people, a last line of JSON for programs
//! ```
//!
//! CPU time is the measure wherever there is a choice, so that other work on the machine disturbs little; what is
//! compared is measured in the same run.

mod cpu;
mod figures;
mod line;
mod peer;
mod pipeline;
mod recording;
mod shim;
mod traffic;

use std::{ffi::OsString, io::Write, path::PathBuf, process::ExitCode};

use clap::Parser;

use figures::Figures;
use traffic::Traffic;

/// Measures the logger against a full CAN bus of 1 Mbit/s.
///
/// Exit codes: 0 done; 1 done, but frames were lost; 2 could not be done, or wrong usage.
#[derive(Debug, Parser)]
#[command(name = "logger-bench", version)]
struct Args {
    /// Half a minute in place of several
    #[arg(long)]
    quick: bool,
    /// Length of the paced recording with bursts and rotation
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(2..))]
    paced: Option<u64>,
    /// Measure only this part
    #[arg(long, value_enum)]
    only: Option<Part>,
}

/// A part of the benchmark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Part {
    /// In memory, by CPU time.
    Pipeline,
    /// The real program at real pace.
    Recording,
    /// An independent reader beside ours.
    Peer,
}

/// A benchmark that could not be run.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The system refused.
    #[error("{action}: {source}")]
    Io {
        /// What was tried.
        action: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// The logger's library could not do it.
    #[error("{action}: {reason}")]
    Logger {
        /// What was tried.
        action: &'static str,
        /// What it said.
        reason: String,
    },
    /// The recorder ended by itself.
    #[error("the recorder ended with {status}: {said}")]
    Recorder {
        /// How.
        status: String,
        /// The end of what it said.
        said: String,
    },
    /// A peer or shim said something that is not understood.
    #[error("{what}: {said}")]
    Peer {
        /// Which.
        what: &'static str,
        /// What it said.
        said: String,
    },
}

impl BenchError {
    fn io(action: impl Into<String>) -> impl FnOnce(std::io::Error) -> Self {
        let action = action.into();
        move |source| Self::Io { action, source }
    }

    fn logger<E: ToString>(action: &'static str) -> impl FnOnce(E) -> Self {
        move |error| Self::Logger { action, reason: error.to_string() }
    }
}

/// How much is measured.
#[derive(Debug, Clone)]
struct Plan {
    quick: bool,
    /// Repetitions of which the median counts.
    repetitions: usize,
    /// Length of the traffic of the pipeline, s on the bus.
    pipeline_s: u64,
    /// Length of the steady recording, s.
    steady_s: u64,
    /// Length of the recording with bursts and rotation, s.
    bursts_s: u64,
    /// Length of the recording on a slow disk, s.
    slow_s: u64,
    /// Frames that the peer reads.
    peer_frames: u64,
    logger: PathBuf,
}

impl Plan {
    fn new(args: &Args) -> Self {
        let (repetitions, pipeline_s, steady_s, bursts_s, slow_s, peer_frames) =
            if args.quick { (3, 10, 6, 6, 4, 4_000) } else { (5, 120, 60, 130, 30, 40_000) };
        let bursts_s = args.paced.unwrap_or(bursts_s);
        let logger = crate::program("tallywheel-logger");
        Self { quick: args.quick, repetitions, pipeline_s, steady_s, bursts_s, slow_s, peer_frames, logger }
    }
}

/// Runs the benchmark with command-line arguments, the program's name first.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args = match Args::try_parse_from(args) {
        Ok(args) => args,
        Err(usage) => {
            // Help goes to standard output, wrong usage to standard error; a closed pipe is no error.
            let _ = usage.print();
            return ExitCode::from(if usage.use_stderr() { 2 } else { 0 });
        }
    };
    match measure(&Plan::new(&args), args.only) {
        Ok(figures) => {
            let _ = write!(std::io::stdout().lock(), "{}\n{}\n", figures.table(), figures.json());
            ExitCode::from(u8::from(figures.frames_lost() > 0))
        }
        Err(error) => {
            let _ = writeln!(std::io::stderr().lock(), "error: {error}");
            ExitCode::from(2)
        }
    }
}

fn measure(plan: &Plan, only: Option<Part>) -> Result<Figures, BenchError> {
    let wants = |part| only.is_none_or(|only| only == part);
    let mut figures = Figures::new(plan.quick);
    if wants(Part::Pipeline) {
        for traffic in [Traffic::full_bus(plan.pipeline_s), Traffic::skerry(plan.quick)] {
            say(&format!(
                "pipeline: {}, {} frames, {:.0} s of a full bus",
                traffic.name, traffic.frames, traffic.bus_s
            ));
            figures.pipelines.push(pipeline::measure(&traffic, plan.repetitions)?);
        }
    }
    if wants(Part::Recording) {
        say(&format!("recording: a full bus for {} s", plan.steady_s));
        figures.steady = Some(recording::steady(plan)?);
        say(&format!("recording: bursts, and a new session now and then, for {} s", plan.bursts_s));
        figures.bursts = Some(recording::bursts(plan)?);
        say(&format!("recording: a disk that takes 500 ms, for {} s", plan.slow_s));
        figures.slow_disk = recording::slow_disk(plan)?;
    }
    if wants(Part::Peer) {
        say("peer: python-can and the logger read the same frames");
        figures.peer = peer::measure(plan)?;
    }
    Ok(figures)
}

/// Says how far the benchmark is.
fn say(what: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{what}");
}
