//! Calibration of the verdict: how often it errs where the truth is known.
//!
//! Campaigns are drawn at random and judged by the code that judges recorded ones
//! ([`judge`](tallywheel_analyze::judgement::judge)); nothing of the method is repeated here. A cell is one kind of
//! campaign, drawn some ten thousand times. Two rates count:
//!
//! - **coverage**: how often the 95 % interval holds the true improvement. Within 93.5 to 96.5 %.
//! - **false supported**: how often a claim just beyond the truth is supported. The rule allows 2.5 %.
//!
//! Where a rate comes out within two of its standard errors of a limit, on either side, the count does not tell whether the
//! cell keeps it, and a million campaigns are drawn in place of the cell's own number.
//!
//! The interval goes with the estimate and knows nothing of the claim, so a cell's coverage is that of every true effect;
//! the decisions are counted below, just below, at and above the claim.

mod cells;
mod draw;
mod table;

use std::{
    io::Write as _,
    process::ExitCode,
    sync::atomic::{AtomicUsize, Ordering},
    thread,
};

use clap::Parser;

pub use cells::{Cell, Kind, Noise, cells};
pub use table::{Outcome, Summary};

/// Draws campaigns with known truths and counts how often the verdict errs.
///
/// Exit codes: 0 every rate is within its limits; 1 one is not; 2 could not finish.
#[derive(Debug, Parser)]
#[command(name = "verdict-calibration")]
pub struct Args {
    /// Fewer campaigns of fewer cells, in a few seconds. Their rates are too rough for the limits, which are widened by
    /// four standard errors.
    #[arg(long)]
    pub quick: bool,
    /// Campaigns a cell, in place of the cell's own number.
    #[arg(long)]
    pub campaigns: Option<u32>,
    /// Threads; without it one per core.
    #[arg(long)]
    pub jobs: Option<usize>,
    /// Seed.
    #[arg(long, default_value_t = 20_261_125)]
    pub seed: u64,
    /// Only cells whose name contains this.
    #[arg(long)]
    pub only: Option<String>,
}

/// Campaigns a cell with `--quick`.
const QUICK: u32 = 1_000;
/// Campaigns of a cell that is near a limit.
const NEAR_A_LIMIT: u32 = 1_000_000;

/// Runs the program.
pub fn main(args: &Args) -> ExitCode {
    let (outcomes, summary) = run(args);
    let mut out = std::io::stdout().lock();
    let printed = write!(out, "{}", table::text(&outcomes)).and_then(|()| writeln!(out, "{}", summary.json()));
    match (printed, summary.within) {
        (Err(e), _) if e.kind() != std::io::ErrorKind::BrokenPipe => ExitCode::from(2),
        (_, true) => ExitCode::SUCCESS,
        (_, false) => ExitCode::from(1),
    }
}

/// Draws and judges every cell.
pub fn run(args: &Args) -> (Vec<Outcome>, Summary) {
    let wanted =
        |c: &Cell| (!args.quick || c.quick) && args.only.as_ref().is_none_or(|part| c.name().contains(part.as_str()));
    let cells: Vec<Cell> = cells().into_iter().filter(wanted).collect();
    let jobs = args.jobs.or_else(|| thread::available_parallelism().ok().map(Into::into)).unwrap_or(1);
    let next = AtomicUsize::new(0);
    let mut outcomes: Vec<(usize, Outcome)> = thread::scope(|scope| {
        let workers: Vec<_> = (0..jobs)
            .map(|_| {
                scope.spawn(|| {
                    let mut done = Vec::new();
                    loop {
                        let i = next.fetch_add(1, Ordering::Relaxed);
                        let Some(cell) = cells.get(i) else { return done };
                        done.push((i, outcome(args, cell)));
                    }
                })
            })
            .collect();
        workers.into_iter().flat_map(|w| w.join().expect("a worker does not panic")).collect()
    });
    outcomes.sort_by_key(|(i, _)| *i);
    let outcomes: Vec<Outcome> = outcomes.into_iter().map(|(_, outcome)| outcome).collect();
    let summary = Summary::of(&outcomes, args.quick);
    (outcomes, summary)
}

fn outcome(args: &Args, cell: &Cell) -> Outcome {
    let own = if args.quick { QUICK } else { cell.campaigns };
    let outcome = draw::outcome(cell, args.campaigns.unwrap_or(own), args.seed);
    if !args.quick && args.campaigns.is_none() && outcome.counted && outcome.is_near_a_limit() {
        return draw::outcome(cell, NEAR_A_LIMIT, args.seed);
    }
    outcome
}
