//! The command line of `tallywheel-demo`, and its exit codes.

use std::{
    ffi::OsString,
    io::{self, Write},
    path::PathBuf,
    process::ExitCode,
};

use clap::{Args, Parser, Subcommand};

use crate::{
    demo::{self, Plan},
    error::DemoError,
    fleet::{self, FleetPlan, Library},
    samples,
    tale::Tale,
};

/// How `tallywheel-demo` ends: the one place where its exit codes are decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// 0: everything agrees with the truth.
    Success,
    /// 1: finished, but a measured value is outside its stated uncertainty.
    Disagrees,
    /// 2: could not finish. Wrong arguments end like this as well.
    Failed,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Success => 0,
            Exit::Disagrees => 1,
            Exit::Failed => 2,
        })
    }
}

/// Simulates the invented Skerry Isles campaign, sends it through the real tallywheel programs, and holds what
/// they measured against what is true.
#[derive(Debug, Parser)]
#[command(name = "tallywheel-demo", version, args_conflicts_with_subcommands = true)]
struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    demo: DemoArguments,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Simulate the campaign and write captures and truth, without recording or analysing anything.
    Simulate(DemoArguments),
    /// Write the small sample captures that are kept in the repository.
    Samples {
        /// Directory to write to.
        #[arg(long)]
        out: PathBuf,
        /// Seed of everything random.
        #[arg(long, default_value_t = samples::SEED)]
        seed: u64,
    },
    /// Write a fleet of vehicles × weeks with known faults planted, to try roll-ups on.
    Fleet(FleetArguments),
}

#[derive(Debug, Args)]
struct DemoArguments {
    /// Directory for captures, dataset and report.
    #[arg(long, default_value = "demo-out")]
    out: PathBuf,
    /// Seed of everything random; the same seed drives the same campaign.
    #[arg(long, default_value_t = demo::DEFAULT_SEED)]
    seed: u64,
    /// What is true of the assisted runs, and so which verdict must come out.
    #[arg(long, value_enum, default_value = "as-claimed")]
    tale: Tale,
    /// Pairs of runs, 2 to 20.
    #[arg(long, default_value_t = 5)]
    pairs: u64,
    /// Length of the live recording in seconds, 5 to 600. It takes as long as it says.
    #[arg(long, default_value_t = 30)]
    live_seconds: u64,
    /// Directory of tallywheel-logger and tallywheel-analyze; else they are looked for beside this program.
    #[arg(long)]
    bin_dir: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct FleetArguments {
    /// Directory to write to; must not exist, or be empty.
    #[arg(long)]
    out: PathBuf,
    /// Number of vehicles, 1 to 10000.
    #[arg(long, default_value_t = 50)]
    vehicles: u64,
    /// Number of weeks from 2026-W27 on, 1 to 600.
    #[arg(long, default_value_t = 20)]
    weeks: u64,
    /// Seed of everything random.
    #[arg(long, default_value_t = demo::DEFAULT_SEED)]
    seed: u64,
    /// Driving days a week, 1 to 5.
    #[arg(long, default_value_t = 5)]
    days: u64,
    /// Hours driven a day, 0.2 to 8.
    #[arg(long, default_value_t = 1.5)]
    hours: f64,
    /// Plant no fault.
    #[arg(long)]
    healthy: bool,
    /// Write whole sealed sessions at native rates (some 900,000 rows an hour driven) in place of the daily tables.
    #[arg(long)]
    sessions: bool,
}

impl FleetArguments {
    fn plan(&self) -> Result<FleetPlan, DemoError> {
        for (option, value, min, max) in [
            ("vehicles", self.vehicles, 1, 10_000),
            ("weeks", self.weeks, 1, 600),
            ("days", self.days, 1, 5),
            ("hours", self.hours.ceil() as u64, 1, 8),
        ] {
            if !(min..=max).contains(&value) {
                return Err(DemoError::OutOfBounds { option, min, max, value });
            }
        }
        let (vehicles, weeks) = (self.vehicles as usize, self.weeks as usize);
        let planted = if self.healthy { Vec::new() } else { fleet::plant(vehicles, weeks, self.seed) };
        Ok(FleetPlan { vehicles, weeks, seed: self.seed, planted, hours: self.hours, days: self.days as usize })
    }
}

impl DemoArguments {
    fn plan(self) -> Result<Plan, DemoError> {
        Plan::new(self.out, self.seed, self.tale, self.pairs, self.live_seconds, self.bin_dir)
    }
}

/// Parses arguments, does what they ask, and says how it ended.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            // Nothing sensible is left to do if even that cannot be printed.
            let _ = error.print();
            return if error.use_stderr() { Exit::Failed.into() } else { Exit::Success.into() };
        }
    };
    let mut out = io::stdout().lock();
    let exit = match carry_out(arguments, &mut out) {
        Ok(exit) => exit,
        Err(error) => {
            eprintln!("tallywheel-demo: {error}");
            Exit::Failed
        }
    };
    // A reader that has gone away (`| head`) is no error.
    let _ = out.flush();
    exit.into()
}

fn carry_out(arguments: Arguments, out: &mut impl Write) -> Result<Exit, DemoError> {
    match arguments.command {
        None => demo::run(&arguments.demo.plan()?, out),
        Some(Command::Simulate(demo)) => demo::simulate_only(&demo.plan()?, out),
        Some(Command::Samples { out: directory, seed }) => {
            let truth = samples::write_samples(&directory, seed)?;
            let frames: u64 = truth.runs.iter().map(samples::emitted).sum();
            demo::say(
                out,
                &format!("{} runs, {frames} frames and lines, in {}", truth.runs.len(), directory.display()),
            );
            Ok(Exit::Success)
        }
        Some(Command::Fleet(arguments)) => make_fleet(&arguments, out),
    }
}

fn make_fleet(arguments: &FleetArguments, out: &mut impl Write) -> Result<Exit, DemoError> {
    let plan = arguments.plan()?;
    let used = std::fs::read_dir(&arguments.out).is_ok_and(|mut entries| entries.next().is_some());
    if used {
        return Err(DemoError::NotEmpty { path: arguments.out.clone() });
    }
    let begun = std::time::Instant::now();
    // Native rows of a trip take some 25 MB in memory.
    let library = Library::drive(plan.seed, if arguments.sessions { 2 } else { 6 });
    let what = if arguments.sessions {
        let written = fleet::sessions::write(&plan, &library, &arguments.out)?;
        format!("{} sessions, {} rows, {} MB", written.sessions, written.rows, written.bytes / 1_000_000)
    } else {
        let failed = |source| DemoError::Io { action: "write", path: arguments.out.clone(), source };
        fleet::tables::write(&plan, &library, &arguments.out).map_err(failed)?;
        format!("{} vehicle-weeks of daily tables", plan.vehicles * plan.weeks)
    };
    for planted in &plan.planted {
        let (vehicle, week) = (fleet::vehicle_name(planted.vehicle), fleet::week::name(planted.from_week));
        demo::say(out, &format!("{vehicle}: {} from {week} on", planted.fault.name()));
    }
    demo::say(out, &format!("{what} in {}, {:.1} s", arguments.out.display(), begun.elapsed().as_secs_f64()));
    Ok(Exit::Success)
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn bounds_are_named() {
        let arguments = Arguments::try_parse_from(["tallywheel-demo", "--pairs", "1"]).expect("well formed");
        let error = arguments.demo.plan().expect_err("too few");
        assert_eq!(error.to_string(), "--pairs is 2 to 20, not 1");
    }
}
