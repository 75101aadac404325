//! The command line: arguments to options, outcomes to words and exit codes.

mod files;
mod log;
mod recording;

use std::{
    ffi::OsString,
    io::{self, Write},
    net::SocketAddr,
    path::PathBuf,
    time::Duration,
};

use clap::{Parser, Subcommand, ValueEnum};
use tallywheel_schemas::Timestamp;

use crate::{
    exit::Exit,
    import::ImportOptions,
    rebuild::RebuildOptions,
    record::{CheckPlan, RecordOptions},
    serial_ports,
    verify::VerifyOptions,
};

/// Captures road-test data from serial ports and files into checksummed Parquet sessions.
#[derive(Debug, Parser)]
#[command(name = "tallywheel-logger", version, about, after_help = EXIT_CODES)]
struct Args {
    #[command(subcommand)]
    command: Command,
}

/// The shortest session of `--rotate`, s.
const SHORTEST_ROTATION_S: f64 = 0.1;

const EXIT_CODES: &str = "\
Exit codes: 0 done; 1 done, but data were malformed, dropped or lost with a port, or a signal of a database could not be
taken over; 2 could not be done, or wrong usage. `check`, `status` and `verify` say in their own help what 1 means there.";

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
        #[arg(long, value_name = "SECONDS", value_parser = rotation)]
        rotate: Option<f64>,
        /// Nobody is there: look for ports that cannot be opened until they can
        #[arg(long)]
        unattended: bool,
        /// Serve the technician's page at this address, as in 127.0.0.1:8080; any other than this computer's own
        /// address needs the token that is printed
        #[arg(long, value_name = "ADDR")]
        live: Option<SocketAddr>,
    },
    /// Open every port for a few seconds and say `ready`, or what to fix
    ///
    /// Exit codes: 0 ready; 1 not ready; 2 could not be checked.
    Check {
        /// Rig file of the vehicle
        #[arg(long, value_name = "RIG")]
        rig: PathBuf,
        /// Dataset directory, for the room on its disk
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// Serial device of a port, in place of the rig's
        #[arg(long = "device", value_name = "PORT=PATH", value_parser = pair)]
        devices: Vec<(String, PathBuf)>,
        /// How long to watch
        #[arg(long = "for", value_name = "SECONDS", value_parser = seconds, default_value = "5")]
        length: f64,
        /// How the result is printed
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
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
    Rig(crate::database::RigArgs),
    /// List serial devices
    Ports,
    /// Say what is being recorded, what waits to be recovered, and how much room the disk has
    ///
    /// Exit codes: 0 all is well, or nothing is being recorded; 1 something needs attention; 2 could not be done.
    Status {
        /// Dataset directory
        #[arg(long, value_name = "DATASET")]
        data: PathBuf,
        /// How the result is printed
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
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
    Correct(recording::CorrectArgs),
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
        #[arg(long, value_name = "KG", value_parser = fuel_mass, allow_hyphen_values = true)]
        fuel_mass_after: Option<f64>,
        /// Who weighed it
        #[arg(long, value_name = "INITIALS", default_value = "")]
        who: String,
    },
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

/// Seconds between two seams; a session costs files and a manifest, so a few a second would be a mistake.
fn rotation(text: &str) -> Result<f64, String> {
    match seconds(text)? {
        every if every < SHORTEST_ROTATION_S => Err(format!("sessions of {every} s: at least {SHORTEST_ROTATION_S} s")),
        every => Ok(every),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    let most = 1e9;
    match text.parse::<f64>() {
        Ok(s) if s > 0.0 && s <= most => Ok(s),
        _ => Err(format!("give seconds above 0 and up to {most}")),
    }
}

fn fuel_mass(text: &str) -> Result<f64, String> {
    let kg = text.parse::<f64>().map_err(|e| e.to_string())?;
    // Here as well, since JSON has no word for what is no number, and the recorder would see none.
    crate::control::check_fuel_mass(kg).map(|()| kg)
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
    log::start();
    carry_out(args.command).unwrap_or_else(|error| {
        complain(&format!("error: {error}"));
        Exit::Failed
    })
}

fn carry_out(command: Command) -> Result<Exit, String> {
    match command {
        Command::Record { rig, data, run_sheet, devices, length, rotate, unattended, live } => {
            let [length, rotate] = [length, rotate].map(|s| s.map(Duration::from_secs_f64));
            recording::record_now(&RecordOptions { rig, data, run_sheet, devices, length, rotate, unattended, live })
        }
        Command::Check { rig, data, devices, length, format } => {
            recording::check(&CheckPlan { rig, data, devices, length: Duration::from_secs_f64(length) }, format)
        }
        Command::Import { rig, data, captures, start, span: span_s, run_sheet, session, again } => {
            files::import_now(&ImportOptions {
                rig,
                data,
                captures,
                start,
                span_s,
                run_sheet,
                session,
                again,
                now: None,
            })
        }
        Command::Recover { data } => files::recover_now(&data),
        Command::Rebuild { data, rig, sessions } => files::rebuild_now(&RebuildOptions { rig, data, sessions }),
        Command::Verify { data, sessions, format } => files::verify_now(&VerifyOptions { data, sessions }, format),
        Command::Rig(args) => args.run().map_err(|e| e.to_string()).and_then(|(text, exit)| {
            print(&text)?;
            Ok(exit)
        }),
        Command::Ports => serial_ports::list().map_err(|e| format!("list serial devices: {e}")).and_then(done),
        Command::Status { data, format } => recording::status(&data, format),
        Command::Mark { data, who, text } => recording::mark(&data, text, who),
        Command::Run { step: RunStep::Start { data, sheet } } => recording::start_run(&data, &sheet),
        Command::Run { step: RunStep::Stop { data, fuel_mass_after, who } } => {
            recording::stop_run(&data, fuel_mass_after, who)
        }
        Command::Correct(args) => recording::correct_sheet(&args),
    }
}

/// Prints what was done.
fn done(text: impl AsRef<str>) -> Result<Exit, String> {
    print(text.as_ref())?;
    Ok(Exit::Success)
}

/// Prints to standard output. A reader that has gone away is no error; a full disk is.
fn print(text: &str) -> Result<(), String> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if !is_gone(&e) => Err(format!("write to standard output: {e}")),
        _ => Ok(()),
    }
}

/// Whether nobody is there to read any more: the pipe's other end, or the terminal, which then gives EIO. A file's disk
/// may give that as well, and there it matters.
fn is_gone(error: &io::Error) -> bool {
    let is_device = || {
        use nix::sys::stat::{SFlag, fstat};
        fstat(io::stdout()).is_ok_and(|s| SFlag::from_bits_truncate(s.st_mode) & SFlag::S_IFMT == SFlag::S_IFCHR)
    };
    error.kind() == io::ErrorKind::BrokenPipe || (error.raw_os_error() == Some(nix::libc::EIO) && is_device())
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
        assert!(["-5", "nan", "inf", "1e300", "x"].iter().all(|kg| fuel_mass(kg).is_err()));
        assert_eq!(fuel_mass("31.42"), Ok(31.42));
        assert!(seconds("0").is_err() && seconds("nan").is_err() && seconds("30").is_ok());
    }
}
