//! Random damage to sealed sessions and journals, and a judge of what is read afterwards.
//!
//! Sessions are made once, through the library that makes real ones: a sample capture, the same with many small row
//! groups, and a generated one with several row groups of the usual size. Then, case by case, one file is damaged,
//! loaded by the path that `tallywheel-analyze` loads by, and checked by `verify`. Whatever rows are handed out must
//! equal the pristine rows of their row group, every undamaged row group must be handed out while its footer is whole,
//! and both programs must notice. A damaged journal must give an exact prefix of its records, and recovery must keep
//! what it cannot read.
//!
//! Each case draws from a generator of its own, seeded with the run's seed and the case's number, so that a case is the
//! same whatever the number of threads.

mod harm;
mod journal;
mod judge;
mod pool;
mod tally;

use std::{
    io::{self, IsTerminal as _, Write as _},
    panic,
    process::ExitCode,
    sync::atomic::{AtomicU64, Ordering},
    thread,
    time::Instant,
};

use clap::Parser;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use journal::JournalCase;
use judge::Bench;
use pool::Pool;
pub use tally::Tally;

/// Damages sealed files and journals at random and holds what is read against what was written.
///
/// The last line of stdout is a JSON object with the counts. Exit codes: 0 nothing went wrong; 1 a panic, a silently
/// wrong value, damage that was not noticed, undamaged rows that were lost or misstated; 2 wrong usage.
#[derive(Debug, Clone, Parser)]
#[command(name = "damage")]
pub struct Args {
    /// Files to damage.
    #[arg(long, default_value_t = 100_000)]
    files: u64,
    /// 2,000 files in place of --files.
    #[arg(long)]
    quick: bool,
    /// Seed of the damage.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Files of a quick run.
const QUICK: u64 = 2_000;
/// One case in so many damages a journal.
const JOURNALS: u64 = 20;
/// One damaged journal in so many is recovered on the disk; the others are read.
const RECOVERIES: u64 = 10;
/// One case in so many damages a file of several row groups of the usual size.
const LARGE: u64 = 200;
/// Cases between two words about progress.
const STEP: u64 = 500;

/// Panics so far, those that the code under test catches included.
static PANICS: AtomicU64 = AtomicU64::new(0);

/// Runs the program with the process's arguments.
///
/// # Panics
/// When the pristine sessions cannot be made or do not read back whole.
pub fn main() -> ExitCode {
    let args = Args::parse();
    let files = if args.quick { QUICK } else { args.files };
    panic::set_hook(Box::new(|info| {
        PANICS.fetch_add(1, Ordering::Relaxed);
        say(&format!("panic: {info}"));
    }));
    let started = Instant::now();
    let pool = Pool::new();
    let mut tally = run(&pool, files, args.seed);
    tally.seed = args.seed;
    tally.panics = PANICS.load(Ordering::Relaxed);
    tally.seconds = started.elapsed().as_secs_f64();
    let line = serde_json::to_string(&tally).expect("counts are JSON");
    if writeln!(io::stdout().lock(), "{line}").is_err() || !tally.is_clean() {
        return ExitCode::from(1);
    }
    ExitCode::SUCCESS
}

/// Spreads the cases over the cores.
fn run(pool: &Pool, files: u64, seed: u64) -> Tally {
    let next = AtomicU64::new(0);
    let threads = thread::available_parallelism().map_or(1, usize::from);
    let work = || {
        let mut bench = Bench::new(pool);
        let mut tally = Tally::default();
        loop {
            let case = next.fetch_add(1, Ordering::Relaxed);
            if case >= files {
                return tally;
            }
            progress(case, files);
            one(pool, &mut bench, case, seed, &mut tally);
        }
    };
    thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers.into_iter().map(|w| w.join().unwrap_or_else(|panic| panic::resume_unwind(panic))).sum()
    })
}

fn one(pool: &Pool, bench: &mut Bench<'_>, case: u64, seed: u64, tally: &mut Tally) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(case);
    let before = tally.faults();
    let what = if case.is_multiple_of(JOURNALS) {
        let depth = if (case / JOURNALS).is_multiple_of(RECOVERIES) { JournalCase::Recover } else { JournalCase::Read };
        journal::judge(&pool.journal, depth, &mut rng, tally)
    } else {
        let victims = if case % LARGE == 1 { &pool.large } else { &pool.small };
        let victim = &victims[rng.random_range(0..victims.len())];
        bench.judge(victim, &mut rng, tally)
    };
    if tally.faults() > before {
        say(&format!("case {case} of seed {seed}: {what}"));
    }
}

fn progress(case: u64, files: u64) {
    if case.is_multiple_of(STEP) {
        let terminal = io::stderr().is_terminal();
        if terminal {
            // Nobody misses a progress line that cannot be written.
            let _ = write!(io::stderr().lock(), "\r{case} of {files} ");
        } else if case.is_multiple_of(STEP * 20) {
            say(&format!("{case} of {files}"));
        }
    }
}

fn say(text: &str) {
    // Nobody is left to tell if standard error cannot be written.
    let _ = writeln!(io::stderr().lock(), "{text}");
}
