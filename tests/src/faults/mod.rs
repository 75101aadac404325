//! The fault matrix: every fault that a road test meets is done to the real recorder, and what it states afterwards
//! is held against what was done.
//!
//! ```text
//! cell ─ scene: terminal ← speaker (numbered frames)     recorder ← shim (disk, clock)
//!          │ fault: unplugged, garbage, disk full, kill -9, …
//!          └ sealed sessions → account (each frame once, in order) and stated (gap: port, cause, start, length)
//! ```
//!
//! [`terminal`], [`speaker`], [`shim`] and [`recorder`] are of use to other programs that record in earnest.

pub mod account;
mod bay;
pub mod canary;
mod cells;
pub mod frames;
mod journal_walk;
mod kill_points;
mod kills;
mod plan;
pub mod recorder;
mod scene;
pub mod sealed;
pub mod shim;
pub mod speaker;
pub mod stated;
pub mod terminal;

use std::{
    io::{self, Write as _},
    process::ExitCode,
    sync::{
        Mutex,
        atomic::{AtomicUsize, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use serde_json::{Map, Value, json};

pub use plan::Args;
use plan::Plan;

/// What a check found: words for a person, good or bad.
pub type Checked<T> = Result<T, String>;

/// Says where an error happened.
pub(crate) fn within<E: std::fmt::Display>(what: impl std::fmt::Display) -> impl FnOnce(E) -> String {
    move |error| format!("{what}: {error}")
}

/// How often a cell is run again because the machine stalled.
const MOST_REPEATS: usize = 3;
/// How long a calm machine is waited for.
const CALM_PATIENCE: Duration = Duration::from_secs(60);

/// What became of a cell.
#[derive(Debug)]
enum Verdict {
    Passed(String),
    Failed(String),
    Skipped(String),
}

/// One fault.
struct Cell {
    name: &'static str,
    /// What is done, and what must follow from it.
    about: &'static str,
    needs: Needs,
    check: fn(&bay::Bay) -> Checked<String>,
}

/// What a cell needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Needs {
    /// Nothing.
    Little,
    /// The shim, hence a C compiler.
    Shim,
    /// The shim, and the machine for itself.
    ShimAlone,
    /// The machine for itself.
    Alone,
}

/// Counts of a whole run.
#[derive(Debug, Default)]
struct Tally {
    passed: usize,
    failed: Vec<String>,
    skipped: usize,
    repeated: usize,
    figures: Map<String, Value>,
}

/// Runs the matrix. The last line on standard output is one JSON object with all counts.
pub fn main(args: &Args) -> ExitCode {
    let began = Instant::now();
    let outcome = Plan::new(args).map(|plan| {
        let mut tally = run_cells(&plan);
        if plan.kill_points > 0 {
            tally.add("kill-points", kill_points::run(&plan));
        }
        if plan.kills > 0 {
            tally.add("kills", kills::run(&plan));
        }
        tally.figures.insert("seed".to_owned(), json!(plan.seed));
        tally
    });
    match outcome {
        Ok(tally) => {
            say(&tally.json(began.elapsed().as_secs_f64()).to_string());
            ExitCode::from(u8::from(!tally.failed.is_empty()))
        }
        Err(error) => {
            // Nothing is left to do if even this cannot be written.
            let _ = writeln!(io::stderr(), "error: {error}");
            ExitCode::from(2)
        }
    }
}

impl Tally {
    fn add(&mut self, name: &str, outcome: Checked<Map<String, Value>>) {
        match outcome {
            Ok(figures) => {
                let shown: Vec<String> = figures.iter().map(|(key, value)| format!("{key} {value}")).collect();
                let failures = figures.get(&format!("{}_failed", name.replace('-', "_"))).and_then(Value::as_u64);
                let lost = ["acknowledged_lost", "unreadable"].iter().filter_map(|k| figures.get(*k)?.as_u64()).sum();
                let bad = failures.unwrap_or_default().max(lost) > 0;
                say(&format!("{}  {name}: {}", if bad { "FAIL" } else { "PASS" }, shown.join(", ")));
                if bad {
                    self.failed.push(name.to_owned());
                }
                self.figures.extend(figures);
            }
            Err(error) => {
                say(&format!("FAIL  {name}: {error}"));
                self.failed.push(name.to_owned());
            }
        }
    }

    fn json(&self, seconds: f64) -> Value {
        let mut all = self.figures.clone();
        let cells = self.passed + self.skipped + self.failed.iter().filter(|n| cells::find(n).is_some()).count();
        all.insert("cells".to_owned(), json!(cells));
        all.insert("passed".to_owned(), json!(self.passed));
        all.insert("failed".to_owned(), json!(self.failed.len()));
        all.insert("failures".to_owned(), json!(self.failed));
        all.insert("skipped".to_owned(), json!(self.skipped));
        all.insert("repeated".to_owned(), json!(self.repeated));
        all.insert("tolerance_s".to_owned(), json!(stated::TOLERANCE_US as f64 / 1e6));
        all.insert("seconds".to_owned(), json!((seconds * 10.0).round() / 10.0));
        Value::Object(all)
    }
}

/// Most cells wait most of the time and go side by side; those that need the machine for themselves come after.
fn run_cells(plan: &Plan) -> Tally {
    let (alone, shared): (Vec<&Cell>, Vec<&Cell>) =
        plan.cells.iter().copied().partition(|c| matches!(c.needs, Needs::Alone | Needs::ShimAlone));
    let tally = Mutex::new(Tally::default());
    for (cells, jobs) in [(shared, plan.jobs), (alone, 1)] {
        let next = AtomicUsize::new(0);
        std::thread::scope(|scope| {
            for _ in 0..jobs.min(cells.len()) {
                scope.spawn(|| {
                    while let Some(cell) = cells.get(next.fetch_add(1, Relaxed)) {
                        let began = Instant::now();
                        let (verdict, repeated) = run_until_sure(plan, cell);
                        note(&tally, cell, verdict, repeated, began.elapsed().as_secs_f64());
                    }
                });
            }
        });
    }
    tally.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Runs a cell, and again when it failed while the machine stalled: then it says nothing of the recorder. The last
/// attempt counts, whatever the machine did.
fn run_until_sure(plan: &Plan, cell: &Cell) -> (Verdict, usize) {
    for repeated in 0..MOST_REPEATS {
        let since_us = speaker::now_us();
        let verdict = run_cell(plan, cell);
        let stall_us = plan.canary.worst_since_us(since_us);
        match verdict {
            Verdict::Failed(why) if stall_us >= canary::Canary::STALL_US => {
                let stall_s = stall_us as f64 / 1e6;
                say(&format!("AGAIN {}: pseudo-terminals stalled for {stall_s:.1} s meanwhile; {why}", cell.name));
                plan.canary.wait_calm(CALM_PATIENCE);
            }
            sure => return (sure, repeated),
        }
    }
    (run_cell(plan, cell), MOST_REPEATS)
}

fn run_cell(plan: &Plan, cell: &Cell) -> Verdict {
    if matches!(cell.needs, Needs::Shim | Needs::ShimAlone) && plan.shim.is_none() {
        return Verdict::Skipped("no C compiler on this machine".to_owned());
    }
    let check = || bay::Bay::new(plan, cell.name).and_then(|bay| (cell.check)(&bay));
    match std::panic::catch_unwind(std::panic::AssertUnwindSafe(check)) {
        Ok(Ok(found)) => Verdict::Passed(found),
        Ok(Err(wrong)) => Verdict::Failed(wrong),
        Err(_) => Verdict::Failed("the cell itself panicked".to_owned()),
    }
}

fn note(tally: &Mutex<Tally>, cell: &Cell, verdict: Verdict, repeated: usize, seconds: f64) {
    let mut tally = tally.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    tally.repeated += repeated;
    let (word, found) = match verdict {
        Verdict::Passed(found) => {
            tally.passed += 1;
            ("PASS", found)
        }
        Verdict::Failed(wrong) => {
            tally.failed.push(cell.name.to_owned());
            ("FAIL", wrong)
        }
        Verdict::Skipped(why) => {
            tally.skipped += 1;
            ("SKIP", why)
        }
    };
    say(&format!("{word}  {}: {}; {found} [{seconds:.1} s]", cell.name, cell.about));
}

/// A line for standard output. A reader that has gone away is no error.
fn say(line: &str) {
    let _ = writeln!(io::stdout().lock(), "{line}");
}
