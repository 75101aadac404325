//! `kill -9` at random moments of gathering, deriving, compacting and rolling up, and a judge of what is left.
//!
//! A small fleet is made once and each program run on it undisturbed, which gives the outcome that counts and the time
//! that a run takes. Then, point by point, the real program is started on a copy and killed after a random part of that
//! time. What is left must hold: `verify` finds nothing damaged, foreign or unreadable, no engine that reads whole
//! tables would see a row twice, and each document of a roll-up is whole or not there. Then the program is run again,
//! and the dataset must be the same as after an undisturbed run. A roll-up's documents must each be whole or not there.

mod fleet;

use std::{
    collections::BTreeMap,
    fs, io,
    io::Write as _,
    path::{Path, PathBuf},
    process::{Command, ExitCode, Stdio},
    thread,
    time::{Duration, Instant},
};

use clap::Parser;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde_json::json;
use tallywheel_analyze::{
    dataset::{Dataset, Filter},
    derive::{DeriveOptions, derive},
    progress::Silent,
};
use tallywheel_logger::verify::{Plan, Verdict, VerifyOptions};
use tallywheel_schemas::{Digest, Table};

use crate::program;

pub use fleet::{link, make_fleet};

/// Kills `collect`, `derive`, `compact` and `rollup` at random moments and holds what is left against an undisturbed run.
///
/// The last line of stdout is a JSON object with the counts. Exit codes: 0 nothing went wrong; 1 something did; 2 wrong
/// usage.
#[derive(Debug, Clone, Parser)]
#[command(name = "gather-kills")]
pub struct Args {
    /// Kills of each program.
    #[arg(long, default_value_t = 400)]
    points: u32,
    /// 12 in place of --points.
    #[arg(long)]
    quick: bool,
    /// Seed of the moments.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Kills of each program in a quick run.
const QUICK: u32 = 12;

/// What a program does to a dataset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Job {
    Collect,
    Derive,
    Compact,
    RollUp,
}

impl Job {
    const ALL: [Self; 4] = [Self::Collect, Self::Derive, Self::Compact, Self::RollUp];

    const fn name(self) -> &'static str {
        match self {
            Self::Collect => "collect",
            Self::Derive => "derive",
            Self::Compact => "compact",
            Self::RollUp => "rollup",
        }
    }

    fn command(self, source: &Path, data: &Path) -> Command {
        let mut command = Command::new(program("tallywheel-analyze"));
        match self {
            Self::Collect => command.arg("collect").arg(source).arg("--into").arg(data),
            Self::Derive => command.arg("derive").arg("--data").arg(data),
            Self::Compact => command.arg("compact").arg(data).arg("--remove-originals"),
            Self::RollUp => command.args(["rollup", "--data"]).arg(data).arg("--out").arg(documents(data)),
        };
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        command
    }

    /// A dataset before the job.
    fn prepare(self, source: &Path, data: &Path) -> io::Result<()> {
        match self {
            Self::Collect => Ok(()),
            Self::Derive | Self::Compact | Self::RollUp => link(source, data),
        }
    }
}

/// Where the documents of a dataset's roll-up go.
fn documents(data: &Path) -> PathBuf {
    data.with_extension("rolled-up")
}

/// What was counted.
#[derive(Debug, Default)]
struct Counts {
    points: u32,
    /// Runs that were still going when they were killed.
    killed: u32,
    wrong: Vec<String>,
}

/// Runs the program.
pub fn main() -> ExitCode {
    let args = Args::parse();
    match run(&args) {
        Ok((line, right)) => {
            // Without a reader there is nobody to tell.
            let _ = writeln!(io::stdout(), "{line}");
            ExitCode::from(u8::from(!right))
        }
        Err(error) => {
            let _ = writeln!(io::stderr(), "{error}");
            ExitCode::from(1)
        }
    }
}

fn run(args: &Args) -> io::Result<(String, bool)> {
    // Built now, so that no run is timed with its building.
    program("tallywheel-analyze");
    let directory = tempfile::tempdir()?;
    let source = directory.path().join("source");
    make_fleet(&source, 3, 2, 3)?;
    let points = if args.quick { QUICK } else { args.points };
    let mut results = serde_json::Map::new();
    let mut wrong = Vec::new();
    for job in Job::ALL {
        let counts = kill_points(job, &source, directory.path(), points, args.seed)?;
        results.insert(job.name().to_owned(), json!({"points": counts.points, "killed": counts.killed}));
        wrong.extend(counts.wrong);
    }
    wrong.iter().try_for_each(|w| writeln!(io::stderr(), "{w}"))?;
    results.insert("wrong".to_owned(), json!(wrong.len()));
    results.insert("seed".to_owned(), json!(args.seed));
    Ok((serde_json::Value::Object(results).to_string(), wrong.is_empty()))
}

fn kill_points(job: Job, source: &Path, work: &Path, points: u32, seed: u64) -> io::Result<Counts> {
    let whole = work.join("whole");
    job.prepare(source, &whole)?;
    let begun = Instant::now();
    finish(job, source, &whole)?;
    let mut takes = begun.elapsed();
    let expected = contents(&whole)?;
    let mut counts = Counts { points, ..Counts::default() };
    for point in 0..points {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(u64::from(point));
        let wait = takes.mul_f64(random.random_range(0.0..1.1));
        let data = work.join("data");
        job.prepare(source, &data)?;
        match killed(job, source, &data, wait)? {
            None => counts.killed += 1,
            // The machine has less to do than when the first run was timed.
            Some(ended) => takes = takes.min(ended),
        }
        let mut wrong = |what: String| counts.wrong.push(format!("{} killed after {wait:?}: {what}", job.name()));
        if let Some(fault) = inconsistency(&data)? {
            wrong(fault);
        }
        let whole = |(name, hash): &(&PathBuf, &String)| expected.get(*name) == Some(*hash);
        if let Some((name, _)) = files(&documents(&data))?.iter().find(|f| !whole(f)) {
            wrong(format!("{} is not whole", name.display()));
        }
        match finish(job, source, &data) {
            Ok(()) if contents(&data)? == expected => {}
            Ok(()) => wrong("the next run ends otherwise than an undisturbed one".to_owned()),
            Err(error) => wrong(format!("the next run fails: {error}")),
        }
        forget(&data)?;
    }
    forget(&whole)?;
    Ok(counts)
}

/// Removes a dataset and its roll-up.
fn forget(data: &Path) -> io::Result<()> {
    if documents(data).exists() {
        fs::remove_dir_all(documents(data))?;
    }
    fs::remove_dir_all(data)
}

/// Starts a job and kills it; gives the time after which it had ended by itself, if it had.
fn killed(job: Job, source: &Path, data: &Path, wait: Duration) -> io::Result<Option<Duration>> {
    let (mut child, begun) = (job.command(source, data).spawn()?, Instant::now());
    while let Some(left) = wait.checked_sub(begun.elapsed()) {
        if child.try_wait()?.is_some() {
            return Ok(Some(begun.elapsed()));
        }
        thread::sleep(left.min(Duration::from_millis(1)));
    }
    if child.try_wait()?.is_some() {
        return Ok(Some(begun.elapsed()));
    }
    child.kill()?;
    child.wait()?;
    Ok(None)
}

fn finish(job: Job, source: &Path, data: &Path) -> io::Result<()> {
    let output = job.command(source, data).output()?;
    if output.status.success() {
        return Ok(());
    }
    Err(io::Error::other(format!("{}: {}", output.status, String::from_utf8_lossy(&output.stderr))))
}

/// What does not hold about a dataset.
fn inconsistency(data: &Path) -> io::Result<Option<String>> {
    if !data.join("sessions").is_dir() {
        // Killed before it had begun.
        return Ok(None);
    }
    let options = VerifyOptions { data: data.to_owned(), sessions: Vec::new() };
    let checked = Plan::new(&options).and_then(|plan| plan.check(&mut |_| ())).map_err(io::Error::other)?;
    if checked.verdict() != Verdict::Holds {
        return Ok(Some(checked.to_string()));
    }
    twice(data)
}

/// A session whose rows a table has in its own file and in a day's.
fn twice(data: &Path) -> io::Result<Option<String>> {
    let index = tallywheel_schemas::compacted::CompactedIndex::read(data)?;
    let files = index.days().iter().flat_map(|d| &d.files).filter(|f| data.join(&f.file.path).exists());
    let twice = files.flat_map(|f| &f.parts).find(|p| data.join(&p.path).exists());
    Ok(twice.map(|p| format!("{} is there twice", p.path)))
}

/// Every visible file of a dataset and of its roll-up by its content. `days` tell of their sources' times of change, so
/// theirs are compared by their rows.
fn contents(data: &Path) -> io::Result<BTreeMap<PathBuf, String>> {
    let mut found = files(data)?;
    found.retain(|name, _| !name.starts_with(Table::Days.name()));
    found.extend(files(&documents(data))?);
    if data.join(Table::Days.name()).is_dir() {
        let dataset = Dataset::open(data).map_err(io::Error::other)?;
        let derived = derive(&dataset, &dataset.sessions(&Filter::default()), &DeriveOptions::default(), &Silent);
        let tables = derived.map_err(io::Error::other)?.tables().map_err(io::Error::other)?;
        let rows: Vec<String> = (0..tables.days.height()).map(|i| format!("{:?}", tables.days.get(i))).collect();
        found.insert(Table::Days.name().into(), Digest::of(rows.join("\n").as_bytes()).to_string());
    }
    Ok(found)
}

/// The visible files below a directory with their hashes; none where there is no directory.
fn files(root: &Path) -> io::Result<BTreeMap<PathBuf, String>> {
    let mut found = BTreeMap::new();
    let mut directories: Vec<PathBuf> = root.is_dir().then(|| root.to_owned()).into_iter().collect();
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory)? {
            let entry = entry?;
            let path = entry.path();
            if entry.file_name().as_encoded_bytes().starts_with(b".") {
                continue;
            }
            if path.is_dir() {
                directories.push(path);
            } else {
                let name = path.strip_prefix(root).map_err(io::Error::other)?.to_owned();
                found.insert(name, Digest::of(&fs::read(&path)?).to_string());
            }
        }
    }
    Ok(found)
}
