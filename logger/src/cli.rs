//! The command line: arguments to options, outcomes to words and exit codes.

use std::{
    ffi::OsString,
    io::{self, IsTerminal, Write},
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use clap::{Parser, Subcommand, ValueEnum};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use tallywheel_schemas::{Manifest, RunSheet, Timestamp};

use crate::{
    control::{CommandKind, correct::correct, socket},
    database::RigArgs,
    exit::Exit,
    import::{ImportOptions, import},
    overview::Overview,
    rebuild::{RebuildOptions, rebuild},
    record::{RecordOptions, record},
    recover::{Outcome, Recovery, recover},
    serial_ports,
    session::JOURNAL_DIRECTORY,
    summary::Summary,
    verify::{Plan, VerifyOptions},
};

/// Said once at the start of every recording.
const CAUTION: &str = "\
CAUTION. Road tests are dangerous. Two people: one drives and watches the road, never the screen; start on a closed road.
Above 60 V dc counts as hazardous voltage: isolate and lock out before touching the kit, never work alone.
This program only records. It is not a safety device and must not be relied on to warn of or prevent anything.
Local law and the judgement of licensed practitioners come first.";

/// Captures road-test data from serial ports and files into checksummed Parquet sessions.
#[derive(Debug, Parser)]
#[command(name = "tallywheel-logger", version, about, after_help = EXIT_CODES)]
struct Args {
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "\
Exit codes: 0 done; 1 done, but data were malformed, dropped or lost with a port; 2 could not be done, or wrong usage.
Of verify: 0 everything holds; 1 something is damaged, missing or foreign; 2 not everything could be checked.";
Exit codes: 0 done; 1 done, but data were malformed, dropped or lost with a port, or a signal of a database could not be
taken over; 2 could not be done, or wrong usage.";

#[derive(Debug, Subcommand)]
enum Command {
    /// Record from serial ports until Ctrl-C, SIGTERM or the end of --for
    Record {
        /// Rig file of the vehicle
        #[arg(long, value_name = "RIG")]
        rig: PathBuf,
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Run sheet, when this is a planned run
        #[arg(long, value_name = "FILE")]
        run_sheet: Option<PathBuf>,
        /// Serial device of a port, in place of the rig's
        #[arg(long = "device", value_name = "PORT=PATH", value_parser = pair)]
        devices: Vec<(String, PathBuf)>,
        /// End after so many seconds
        #[arg(long = "for", value_name = "SECONDS", value_parser = seconds)]
        length: Option<f64>,
        /// Go on in a new session every so many seconds, without losing a frame at the seam
        #[arg(long, value_name = "SECONDS", value_parser = seconds)]
        rotate: Option<f64>,
        /// Nobody is there: look for ports that cannot be opened until they can
        #[arg(long)]
        unattended: bool,
    },
    /// Make a session from captured files, one for each port
    Import {
        /// Rig file of the vehicle
        #[arg(long, value_name = "RIG")]
        rig: PathBuf,
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Captured file of a port: slcan text or CAN log, NMEA log, or delimited text. FILE#NAME means one interface
        /// of a CAN log that has several
        #[arg(long = "capture", value_name = "PORT=FILE", value_parser = pair, required = true)]
        captures: Vec<(String, PathBuf)>,
        /// Start of captures that do not know their time, as in 2026-10-05T08:30:00Z
        #[arg(long, value_name = "TIME", value_parser = time)]
        start: Option<Timestamp>,
        /// Length of captures without any time stamps; their times are estimated
        #[arg(long, value_name = "SECONDS", value_parser = seconds)]
        span: Option<f64>,
        /// Run sheet, when this is a planned run
        #[arg(long, value_name = "FILE")]
        run_sheet: Option<PathBuf>,
        /// Name of the session, in place of VEHICLE-START
        #[arg(long, value_name = "NAME")]
        session: Option<String>,
        /// Import captures although the dataset has them of this vehicle already
        #[arg(long)]
        again: bool,
    },
    /// Finish recordings that were interrupted
    Recover {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
    },
    /// Decode sealed sessions again with a corrected rig
    Rebuild {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Corrected rig file
        #[arg(long, value_name = "RIG")]
        rig: PathBuf,
        /// Session to decode again; without it every session of the rig's vehicle
        #[arg(long = "session", value_name = "NAME")]
        sessions: Vec<String>,
    },
    /// Check every sealed session against its hashes; changes nothing
    ///
    /// Exit codes: 0 everything holds; 1 something is damaged, missing or foreign; 2 not everything could be checked.
    Verify {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Session to check; without it everything
        #[arg(long = "session", value_name = "NAME")]
        sessions: Vec<String>,
        /// How the result is printed
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
    },
    /// Make a rig from a CAN database, and list what could not be taken over
    Rig(RigArgs),
    /// List serial devices
    Ports,
    /// Say what is being recorded, what waits to be recovered, and how much room the disk has
    Status {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// For programs
        #[arg(long)]
        json: bool,
    },
    /// Mark a moment of the running recording
    Mark {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Who marks it
        #[arg(long, value_name = "INITIALS", default_value = "")]
        who: String,
        /// What is to be remembered
        text: String,
    },
    /// Begin or end a planned run of the running recording; each run is a session of its own
    Run {
        #[command(subcommand)]
        step: RunStep,
    },
    /// Add a correction to a session's run sheet; nothing is overwritten
    Correct(CorrectArgs),
}

#[derive(Debug, Subcommand)]
enum RunStep {
    /// Go on in a new session that is this run
    Start {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Its run sheet
        #[arg(long, value_name = "FILE")]
        sheet: PathBuf,
    },
    /// End the run; the recording goes on in a new session
    Stop {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Mass of the weighed fuel tank after the run, kg
        #[arg(long, value_name = "KG")]
        fuel_mass_after: Option<f64>,
        /// Who weighed it
        #[arg(long, value_name = "INITIALS", default_value = "")]
        who: String,
    },
}

#[derive(Debug, clap::Args)]
struct CorrectArgs {
    /// Dataset directory
    #[arg(long, value_name = "DATASET")]
    data: PathBuf,
    /// Session
    #[arg(long, value_name = "NAME")]
    session: String,
    /// Who corrects
    #[arg(long, value_name = "INITIALS")]
    who: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// Field of the run sheet and its new value; nothing after the `=` takes the field away
    #[arg(long = "set", value_name = "FIELD=VALUE", required = true)]
    fields: Vec<String>,
}

/// How a result is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Lines for people.
    Text,
    /// One object for programs.
    Json,
}

fn pair(text: &str) -> Result<(String, PathBuf), String> {
    match text.split_once('=') {
        Some((port, path)) if !port.is_empty() && !path.is_empty() => Ok((port.to_owned(), PathBuf::from(path))),
        _ => Err("give it as PORT=PATH".to_owned()),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    let most = 1e9;
    match text.parse::<f64>() {
        Ok(s) if s > 0.0 && s <= most => Ok(s),
        _ => Err(format!("give seconds above 0 and up to {most}")),
    }
}

/// A point in time with its zone: an hour's error in a start is an hour's error in every stamp.
fn time(text: &str) -> Result<Timestamp, String> {
    let time = Timestamp::parse(text, 0).map_err(|e| e.to_string())?;
    // Only a text without a zone means another time under another zone.
    if Timestamp::parse(text, 3600) != Ok(time) {
        let text = text.trim();
        return Err(format!(
            "`{text}` has no time zone; add Z for UTC, as in {text}Z, or an offset, as in {text}+02:00"
        ));
    }
    Ok(time)
}

/// Runs the program with the arguments that the system gave it, the program's name first.
pub fn run(args: impl IntoIterator<Item = OsString>) -> Exit {
    let args = match Args::try_parse_from(args) {
        Ok(args) => args,
        Err(error) => {
            let failed = error.use_stderr();
            // Nothing is left to do if even this cannot be printed.
            let _ = error.print();
            return if failed { Exit::Failed } else { Exit::Success };
        }
    };
    let subscriber = tracing_subscriber::fmt().with_writer(io::stderr).without_time().with_target(false).compact();
    // Fails only if a test in the same process has set one already.
    let _ = subscriber.with_ansi(io::stderr().is_terminal()).try_init();
    let done = match args.command {
        Command::Record { rig, data, run_sheet, devices, length, rotate, unattended } => {
            complain(CAUTION);
            let [length, rotate] = [length, rotate].map(|s| s.map(Duration::from_secs_f64));
            run_record(&RecordOptions { rig, data, run_sheet, devices, length, rotate, unattended })
        }
        Command::Import { rig, data, captures, start, span: span_s, run_sheet, session, again } => {
            run_import(&ImportOptions { rig, data, captures, start, span_s, run_sheet, session, again, now: None })
        }
        Command::Recover { data } => run_recover(&data),
        Command::Rebuild { data, rig, sessions } => run_rebuild(&RebuildOptions { rig, data, sessions }),
        Command::Status { data, json } => run_status(&data, json),
        Command::Mark { data, who, text } => ask(&data, CommandKind::Mark { text, at: None }, who),
        Command::Run { step: RunStep::Start { data, sheet } } => RunSheet::read(&sheet)
            .map_err(|e| e.to_string())
            .and_then(|sheet| ask(&data, CommandKind::RunStart { sheet }, String::new())),
        Command::Run { step: RunStep::Stop { data, fuel_mass_after, who } } => {
            ask(&data, CommandKind::RunStop { fuel_mass_after_kg: fuel_mass_after }, who)
        }
        Command::Correct(args) => run_correct(&args),
        Command::Verify { data, sessions, format } => run_verify(&VerifyOptions { data, sessions }, format),
        Command::Ports => serial_ports::list().map_err(|e| format!("list serial devices: {e}")).and_then(|text| {
            print(&text)?;
            Ok(Exit::Success)
        Command::Rig(args) => args.run().map_err(|e| e.to_string()).map(|(text, exit)| {
            print(&text);
            exit
        }),
        Command::Ports => serial_ports::list().map_err(|e| format!("list serial devices: {e}")).map(|text| {
            print(&text);
            Exit::Success
        }),
    };
    done.unwrap_or_else(|error| {
        complain(&format!("error: {error}"));
        Exit::Failed
    })
}

fn run_record(options: &RecordOptions) -> Result<Exit, String> {
    let data = options.data.clone();
    let outcome = Arc::new(Mutex::new(Ok::<Exit, String>(Exit::Success)));
    let told = Arc::clone(&outcome);
    let recorded = record(options, move |manifest| {
        let reported = report(&data, manifest);
        let mut outcome = told.lock().unwrap_or_else(PoisonError::into_inner);
        *outcome = std::mem::replace(&mut *outcome, Ok(Exit::Success)).and_then(|worst| Ok(reported?.max(worst)));
    });
    let recorded = recorded.map_err(|e| e.to_string())?;
    let worst = outcome.lock().unwrap_or_else(PoisonError::into_inner).clone()?;
    Ok(if recorded.faults > 0 { worst.max(Exit::Faults) } else { worst })
}

fn run_import(options: &ImportOptions) -> Result<Exit, String> {
    let sizes = options.captures.iter().filter_map(|(_, path)| path.metadata().ok());
    let bar = progress(sizes.map(|m| m.len()).sum());
    let imported = import(options, &mut |bytes| bar.inc(bytes));
    bar.finish_and_clear();
    report(&options.data, &imported.map_err(|e| e.to_string())?)
}

/// A bar that is drawn only on a terminal.
fn progress(bytes: u64) -> ProgressBar {
    let target =
        if io::stderr().is_terminal() { ProgressDrawTarget::stderr_with_hz(5) } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(bytes), target);
    let style = ProgressStyle::with_template("{bar:40} {bytes} of {total_bytes}, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

/// Prints the summary of a sealed session.
fn report(data: &Path, manifest: &Manifest) -> Result<Exit, String> {
    let sealed = |error| format!("session {} is sealed, but its summary is not printed: {error}", manifest.session);
    print(&Summary::new(data, manifest).to_string()).map_err(sealed)?;
    Ok(Exit::of(manifest))
}

fn run_recover(data: &Path) -> Result<Exit, String> {
    if !data.is_dir() {
        return Err(format!("{} is no directory", data.display()));
    }
    if !["sessions", JOURNAL_DIRECTORY].iter().any(|name| data.join(name).is_dir()) {
        return Err(format!(
            "{}: not a dataset: nothing was recorded or imported into it; name the directory given as --data then",
            data.display()
        ));
    }
    let recoveries = recover(data).map_err(|e| e.to_string())?;
    if recoveries.is_empty() {
        print("nothing to recover\n")?;
    }
    let mut worst = Exit::Success;
    for recovery in &recoveries {
        worst = worst.max(report_recovery(data, recovery)?);
    }
    Ok(worst)
}

fn report_recovery(data: &Path, recovery: &Recovery) -> Result<Exit, String> {
    let session = &recovery.session;
    match &recovery.outcome {
        Outcome::Sealed { manifest, skipped } => {
            let exit = report(data, manifest)?;
            let Some((skipped, kept)) = skipped else { return Ok(exit) };
            print(&format!("kept     the whole journal, {} bytes unread: {}\n", skipped.bytes, kept.display()))?;
            Ok(exit.max(Exit::Faults))
        }
        Outcome::AlreadySealed => {
            print(&format!("{session}: was sealed already; its journal is cleared away\n"))?;
            Ok(Exit::Success)
        }
        Outcome::InWork => {
            print(&format!("{session}: in work by another program, left alone\n"))?;
            Ok(Exit::Success)
        }
        Outcome::Nothing => {
            print(&format!("{session}: nothing had been recorded; a broken import is to be started again\n"))?;
            Ok(Exit::Success)
        }
        Outcome::Unreadable { reason, kept } => {
            print(&format!("{session}: cannot be read ({reason}); kept as {}\n", kept.display()))?;
            Ok(Exit::Faults)
        }
        Outcome::Failed(error) => {
            complain(&format!("error: session {session}: {error}"));
            Ok(Exit::Failed)
        }
    }
}

fn ask(data: &Path, what: CommandKind, who: String) -> Result<Exit, String> {
    let done = socket::command(data, what, who).map_err(|e| e.to_string())?;
    print(&format!("{done}\n"))?;
    Ok(Exit::Success)
}

fn run_status(data: &Path, json: bool) -> Result<Exit, String> {
    let overview = Overview::of(data).map_err(|e| e.to_string())?;
    if json {
        let text = serde_json::to_string_pretty(&overview).map_err(|e| e.to_string())?;
        print(&format!("{text}\n"))?;
    } else {
        print(&overview.to_string())?;
    }
    Ok(if overview.is_in_trouble() { Exit::Faults } else { Exit::Success })
}

fn run_correct(args: &CorrectArgs) -> Result<Exit, String> {
    let corrected = correct(&args.data, &args.session, &args.who, &args.reason, &args.fields);
    print(&corrected.map_err(|e| e.to_string())?)?;
    Ok(Exit::Success)
}

fn run_rebuild(options: &RebuildOptions) -> Result<Exit, String> {
    let manifests = rebuild(options).map_err(|e| e.to_string())?;
    for manifest in &manifests {
        print(&Summary::new(&options.data, manifest).to_string())?;
    }
    Ok(Exit::Success)
}

fn run_verify(options: &VerifyOptions, format: Format) -> Result<Exit, String> {
    let plan = Plan::new(options).map_err(|e| e.to_string())?;
    let bar = progress(plan.bytes());
    let checked = plan.check(&mut |bytes| bar.inc(bytes));
    bar.finish_and_clear();
    let verification = checked.map_err(|e| e.to_string())?;
    print(&match format {
        Format::Text => verification.to_string(),
        Format::Json => verification.to_json(),
    })?;
    Ok(verification.verdict().into())
}

/// Prints to standard output. A reader that has gone away is no error; a full disk is.
fn print(text: &str) -> Result<(), String> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("write to standard output: {e}")),
        _ => Ok(()),
    }
}

/// Prints to standard error.
fn complain(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_arguments_are_consistent() {
        Args::command().debug_assert();
    }

    #[test]
    fn wrong_usage_is_told_from_help() {
        let run = |args: &[&str]| run(args.iter().map(OsString::from));
        assert_eq!(run(&["tallywheel-logger", "record"]), Exit::Failed);
        assert_eq!(run(&["tallywheel-logger", "--help"]), Exit::Success);
        assert_eq!(run(&["tallywheel-logger", "recover", "--data", "/nonexistent"]), Exit::Failed);
    }

    #[test]
    fn pairs_and_seconds_are_checked() {
        assert_eq!(pair("kit=/dev/ttyACM0=x"), Ok(("kit".to_owned(), PathBuf::from("/dev/ttyACM0=x"))));
        assert!(pair("/dev/ttyACM0").is_err() && pair("=x").is_err());
        assert_eq!(time("2026-10-05T08:30:00Z"), time("2026-10-05 10:30:00+02:00"));
        let naive = time("2026-10-05T08:30:00").expect_err("no zone");
        assert!(naive.contains("has no time zone; add Z for UTC, as in 2026-10-05T08:30:00Z"), "{naive}");
        assert!(seconds("0").is_err() && seconds("nan").is_err() && seconds("30").is_ok());
    }
}
