//! Scripts in other tools (tests/peers/fleet): how they are run, what they took beside ours, and whether they are right.
//!
//! Two groups. Those that make *the same ledger* read every column that ours reads and make of it the ledger, the motors',
//! trips and weekly sums, which are held against ours cell by cell. Those that make *trips and weekly sums only* read far
//! fewer columns and are held against each other and against the distance and energy of our days.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use serde::{Deserialize, Serialize};

use super::measure::{BenchError, Cost, io_error, measured, median, say};
use crate::peer;

/// Scripts of one group, in the order in which they are run.
pub(super) type Group = &'static [(&'static str, &'static str)];

/// Scripts that make trips and weekly sums only.
pub(super) const SUMS_ONLY: Group = &[
    ("numpy", "numpy_script.py"),
    ("polars", "polars_script.py"),
    ("duckdb", "duckdb_script.py"),
    ("pandas", "pandas_script.py"),
];

/// Scripts that make the same ledger.
pub(super) const SAME_LEDGER: Group = &[
    ("numpy", "ledger_numpy.py"),
    ("polars", "ledger_polars.py"),
    ("duckdb", "ledger_duckdb.py"),
    ("pandas", "ledger_pandas.py"),
];

/// What a script took, for the report.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Script {
    pub(super) name: &'static str,
    pub(super) cost: Cost,
    /// Rounds it was run in.
    pub(super) rounds: usize,
    /// Its CPU time over that of our first roll-up in the same rounds.
    pub(super) over_ours: f64,
}

/// What holding ledgers against ours gave.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize)]
pub(super) struct Held {
    /// Cells known on either side.
    pub(super) cells: u64,
    /// Those that differ by more than 1e-9.
    pub(super) differ: u64,
    /// The largest difference among the others, as a share.
    pub(super) largest: f64,
}

/// The scripts of one group while they are run.
#[derive(Debug)]
pub(super) struct Contenders {
    python: PathBuf,
    group: Group,
    out: PathBuf,
    /// What each script took, with what our first roll-up took in that round.
    costs: Vec<Vec<(Cost, Cost)>>,
}

impl Contenders {
    /// Results go below `out`.
    pub(super) fn new(python: &Path, group: Group, out: PathBuf) -> Self {
        Self { python: python.to_owned(), group, out, costs: vec![Vec::new(); group.len()] }
    }

    /// Runs the first `most` of the scripts once.
    pub(super) fn run(&mut self, root: &Path, most: usize, ours: Cost) -> Result<(), BenchError> {
        for ((name, script), costs) in self.group.iter().zip(&mut self.costs).take(most) {
            let mut command = one_thread(&self.python, script, root, &self.out.join(name));
            costs.push((measured(script, &mut command)?.0, ours));
        }
        Ok(())
    }

    pub(super) fn report(&self) -> Vec<Script> {
        let script = |((name, _), costs): (&(&'static str, _), &Vec<(Cost, Cost)>)| {
            let (own, ours): (Vec<Cost>, Vec<Cost>) = costs.iter().copied().unzip();
            let cost = median(&own);
            Script { name, cost, rounds: own.len(), over_ours: cost.cpu_s / median(&ours).cpu_s }
        };
        self.group.iter().zip(&self.costs).map(script).collect()
    }

    /// Whether the results are the same for all scripts, and distance and net energy those of our days.
    pub(super) fn agree(&self, root: &Path) -> Result<bool, BenchError> {
        let of = |name: &str| self.out.join(name);
        let Some(((first, _), others)) = self.group.split_first() else { return Ok(true) };
        let mut all = true;
        for (name, _) in others {
            all &= told(self.python("compare.py").args([of(first), of(name)]), name)?.0;
        }
        Ok(told(self.python("days_check.py").arg(root).arg(of(first)), "days")?.0 && all)
    }

    /// Holds every script's ledger, trips and weekly sums against ours; all cells together.
    pub(super) fn hold(&self, root: &Path) -> Result<Held, BenchError> {
        let mut all = Held::default();
        for (name, script) in self.group {
            let (same, said) = told(self.python("ledger_check.py").arg(root).arg(self.out.join(name)), script)?;
            let failed = |reason: String| BenchError::Contender {
                what: format!("the comparison of {script}"),
                status: if same { "success" } else { "differences" }.to_owned(),
                said: reason,
            };
            let held: Held = serde_json::from_str(&said).map_err(|e| failed(format!("{e}: {said}")))?;
            if same != (held.differ == 0) || held.cells == 0 {
                return Err(failed(said));
            }
            all.cells += held.cells;
            all.differ += held.differ;
            all.largest = all.largest.max(held.largest);
        }
        Ok(all)
    }

    fn python(&self, script: &str) -> Command {
        let mut command = Command::new(&self.python);
        command.arg(peer("fleet").join(script)).env("PYTHONDONTWRITEBYTECODE", "1");
        command
    }
}

fn one_thread(python: &Path, script: &str, root: &Path, out: &Path) -> Command {
    let mut command = Command::new(python);
    command.arg(peer("fleet").join(script)).args([root, out]).env("PYTHONDONTWRITEBYTECODE", "1");
    for name in ["POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ARROW_NUM_THREADS"] {
        command.env(name, "1");
    }
    command
}

/// Whether a comparison found everything the same, and its last line.
fn told(command: &mut Command, what: &str) -> Result<(bool, String), BenchError> {
    let output = command.output().map_err(io_error("start Python"))?;
    let text = String::from_utf8_lossy(&output.stdout);
    let last = text.lines().last().unwrap_or_default();
    if !output.status.success() {
        text.lines().take(20).for_each(|line| say(&format!("  {what}: {line}")));
    }
    say(&format!("  {what}: {last}{}", String::from_utf8_lossy(&output.stderr)));
    Ok((output.status.success(), last.to_owned()))
}
