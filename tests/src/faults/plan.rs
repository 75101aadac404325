//! From the command line to a checked plan.

use std::path::{Path, PathBuf};

use clap::Parser;
use tempfile::TempDir;

use super::{Cell, Checked, canary::Canary, cells, shim::Shim, within};
use crate::program;

/// Does every fault of a road test to the real recorder and checks what it states of it.
///
/// Exit codes: 0 everything passed or was skipped for a stated reason; 1 something failed; 2 could not run.
#[derive(Debug, Parser)]
#[command(name = "fault-matrix", version)]
pub struct Args {
    /// Fewer rounds, for a machine that checks every change: under a minute
    #[arg(long)]
    quick: bool,
    /// Only these cells; `kill-points` and `kills` are names as well
    #[arg(long, value_name = "NAME", num_args = 1..)]
    cells: Vec<String>,
    /// Journals of a real recording damaged at so many points [10000, quick 500]
    #[arg(long, value_name = "N")]
    kill_points: Option<usize>,
    /// Recorders killed at random moments [200, quick 16]
    #[arg(long, value_name = "N")]
    kills: Option<usize>,
    /// Where random moments and damage come from
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Cells and recorders at once
    #[arg(long, default_value_t = 8)]
    jobs: usize,
    /// Directory of tallywheel-logger and tallywheel-analyze; built when it is not given
    #[arg(long, value_name = "DIR")]
    programs: Option<PathBuf>,
}

/// What is to be run.
pub(super) struct Plan {
    pub(super) cells: Vec<&'static Cell>,
    pub(super) kill_points: usize,
    pub(super) kills: usize,
    pub(super) quick: bool,
    pub(super) seed: u64,
    pub(super) jobs: usize,
    pub(super) logger: PathBuf,
    pub(super) analyze: PathBuf,
    pub(super) shim: Option<Shim>,
    pub(super) canary: Canary,
    // Holds the compiled shim.
    _directory: TempDir,
}

const KILL_POINTS: &str = "kill-points";
const KILLS: &str = "kills";

impl Plan {
    /// # Errors
    /// When a cell has no such name, a program is missing, or the shim does not compile.
    pub(super) fn new(args: &Args) -> Checked<Self> {
        let named = |name: &str| args.cells.is_empty() || args.cells.iter().any(|n| n == name);
        let count = |name, given: Option<usize>, full, quick| match given {
            Some(count) => count,
            None if named(name) => {
                if args.quick {
                    quick
                } else {
                    full
                }
            }
            None => 0,
        };
        for name in &args.cells {
            if cells::find(name).is_none() && ![KILL_POINTS, KILLS].contains(&name.as_str()) {
                let known: Vec<&str> = cells::ALL.iter().map(|c| c.name).chain([KILL_POINTS, KILLS]).collect();
                return Err(format!("no cell `{name}`; there are {}", known.join(", ")));
            }
        }
        let find = |name: &str| {
            let path = args.programs.as_ref().map_or_else(|| program(name), |directory| directory.join(name));
            if path.is_file() { Ok(path) } else { Err(format!("{}: no such program", path.display())) }
        };
        let directory = tempfile::tempdir().map_err(within("a temporary directory"))?;
        Ok(Self {
            cells: cells::ALL.iter().filter(|cell| named(cell.name)).collect(),
            kill_points: count(KILL_POINTS, args.kill_points, 10_000, 500),
            kills: count(KILLS, args.kills, 200, 16),
            quick: args.quick,
            seed: args.seed,
            jobs: args.jobs.max(1),
            logger: find("tallywheel-logger")?,
            analyze: find("tallywheel-analyze")?,
            shim: Shim::compile(directory.path()).map_err(within("compile tests/shims/faults.c"))?,
            canary: Canary::start().map_err(within("a pseudo-terminal"))?,
            _directory: directory,
        })
    }

    /// Where short-lived datasets are cheapest: in memory, where the system has such a place.
    pub(super) fn scratch() -> PathBuf {
        let memory = Path::new("/dev/shm");
        let writable = nix::unistd::access(memory, nix::unistd::AccessFlags::W_OK).is_ok();
        if writable { memory.to_owned() } else { std::env::temp_dir() }
    }
}
