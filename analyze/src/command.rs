//! The command line: flags in, text out, an exit code.
//!
//! Parsing goes in two steps: clap fills [`Args`], which mirrors the flags; each command then makes a checked
//! plan of its own before anything is opened.

mod collect;
mod compact;
mod derive;
mod nothing;
mod plan;
mod rollup;
mod tables;
#[cfg(test)]
mod tests;

use std::{
    fs, io,
    io::{IsTerminal as _, Write as _},
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
};

use chrono::NaiveDate;
use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use tallywheel_schemas::{
    Campaign, TextFileError, Units,
    manifest::Origin,
    report::{Decision, UnusableSession},
};

use crate::{
    account::Charging,
    assemble::{Comparison, compare},
    campaign_runs::{CampaignError, CampaignSessions, sessions_of, vehicles_of},
    collect::CollectError,
    compact::CompactError,
    dataset::{Dataset, DatasetError, Filter, Session},
    derive::DeriveError,
    explain::{self, ExplainError},
    interrupt::INTERRUPTED,
    ledger::{LedgerError, LedgerOptions, SessionLedger, ledgers},
    progress::Bar,
    provenance::add_charging,
    report,
    sheet::Format,
    trips::TripRules,
};

/// Finished, and nothing was wrong with the data.
pub const SUCCESS: u8 = 0;
/// Finished, but data were damaged, a run was excluded for a stated reason, or the verdict was withheld.
pub const FAULTS: u8 = 1;
/// Could not finish; nothing was written over.
pub const FAILED: u8 = 2;

/// Works out mileage, energy, heat and the verdict on a claim from recorded sessions.
///
/// Exit codes: 0 finished; 1 finished, with faults in the data that the output states or with the verdict withheld; 2
/// could not finish; 130 interrupted, with what was done so far kept.
#[derive(Debug, Parser)]
#[command(name = "tallywheel-analyze", version)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Gather sealed sessions of many vehicles into one dataset.
    Collect(collect::Flags),
    /// Put the tables of many small sessions of a day into one file each, without loss.
    Compact(compact::Flags),
    /// Make what is missing of ledgers, trips and days, once for every session.
    Derive(derive::Flags),
    /// Make or check the ledgers, and say what they cover.
    Ledger(Selection),
    /// List the trips found in the data.
    Trips {
        #[command(flatten)]
        selection: Selection,
        /// A standstill or silence longer than this ends a trip, s.
        #[arg(long, default_value_t = 300.0, value_parser = not_negative)]
        dwell_s: f64,
    },
    /// Mileage by session and, below, by condition and by assisted stretch.
    Mileage(Selection),
    /// Pack and wall energy by session.
    Energy(Selection),
    /// Heat of motors and controllers.
    Thermal(Selection),
    /// Compare a campaign's runs and decide on its claim.
    Compare {
        #[command(flatten)]
        campaign: CampaignSelection,
        /// Walk this run from its samples to its number and its part in the result, instead of the report.
        #[arg(long, value_name = "RUN")]
        explain: Option<String>,
    },
    /// Plan a campaign before the first run, or say where a planned one stands.
    Plan(Box<plan::PlanArgs>),
    /// The same, as report.html and report.json.
    Report {
        #[command(flatten)]
        campaign: CampaignSelection,
        /// Directory for report.html and report.json; files of those names are replaced.
        #[arg(long)]
        out: PathBuf,
    },
    /// Roll a fleet up by week, month or any days: what it did, what changed, and what needs attention.
    Rollup(rollup::RollupArgs),
}

/// Where the data are and how results are printed.
#[derive(Debug, ClapArgs)]
struct Selection {
    #[command(flatten)]
    common: Common,
    /// Only this vehicle; may be given again.
    #[arg(long)]
    vehicle: Vec<String>,
    /// Only sessions that start on or after this UTC day, YYYY-MM-DD.
    #[arg(long)]
    from: Option<NaiveDate>,
    /// Only sessions that start on or before this UTC day, YYYY-MM-DD.
    #[arg(long)]
    to: Option<NaiveDate>,
}

#[derive(Debug, ClapArgs)]
struct CampaignSelection {
    #[command(flatten)]
    common: Common,
    /// Campaign file.
    #[arg(long)]
    campaign: PathBuf,
    /// Only sessions that start on or after this UTC day, YYYY-MM-DD.
    #[arg(long)]
    from: Option<NaiveDate>,
    /// Only sessions that start on or before this UTC day, YYYY-MM-DD.
    #[arg(long)]
    to: Option<NaiveDate>,
}

#[derive(Debug, Clone, ClapArgs)]
struct Common {
    /// Dataset directory.
    #[arg(long)]
    data: PathBuf,
    /// How results are printed.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Units of text output and report; JSON and CSV name theirs.
    #[arg(long, value_enum, default_value_t = UnitsFlag::Metric)]
    units: UnitsFlag,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum UnitsFlag {
    Metric,
    Us,
}

/// How a summary of what was done is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum SummaryFormat {
    Text,
    Json,
}

impl From<UnitsFlag> for Units {
    fn from(flag: UnitsFlag) -> Self {
        match flag {
            UnitsFlag::Metric => Self::Metric,
            UnitsFlag::Us => Self::Us,
        }
    }
}

/// Why a command could not finish.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error(transparent)]
    Dataset(#[from] DatasetError),
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    #[error(transparent)]
    CampaignFile(#[from] TextFileError),
    #[error(transparent)]
    Campaign(#[from] CampaignError),
    #[error("read a ledger: {0}")]
    Columns(#[from] polars::prelude::PolarsError),
    #[error(transparent)]
    Explain(#[from] ExplainError),
    #[error("an explanation is no table; ask for --format text or --format json")]
    NoTable,
    #[error(transparent)]
    Plot(#[from] report::PlotError),
    #[error(transparent)]
    Plan(#[from] plan::PlanError),
    #[error(transparent)]
    Derive(#[from] DeriveError),
    #[error(transparent)]
    Collect(#[from] CollectError),
    #[error(transparent)]
    Compact(#[from] CompactError),
    #[error("catch signals: {0}")]
    Signals(io::Error),
    #[error("{sessions} sessions could not be read; what was fetched is kept, run the same command to go on")]
    NotRead { sessions: usize },
    #[error("{}: derived tables cannot be kept: {reason}", path.display())]
    Unwritten { path: PathBuf, reason: String },
    #[error("--to {to} lies before --from {from}")]
    Backwards { from: NaiveDate, to: NaiveDate },
    #[error("{}: is a file; --out names a directory", path.display())]
    OutIsFile { path: PathBuf },
    #[error("{}: no session in this dataset{filter}", path.display())]
    NoSession { path: PathBuf, filter: &'static str },
    #[error("write {}: {source}", path.display())]
    Write { path: PathBuf, source: io::Error },
    #[error("write to standard output: {0}")]
    Stdout(io::Error),
    #[error(transparent)]
    Rollup(#[from] rollup::RollupError),
}

impl Failure {
    /// The exit code that tells of it.
    const fn exit_code(&self) -> u8 {
        match self {
            Self::Derive(DeriveError::Interrupted { .. })
            | Self::Collect(CollectError::Interrupted)
            | Self::Compact(CompactError::Interrupted) => INTERRUPTED,
            _ => FAILED,
        }
    }
}

/// What a command found out, ready to print.
struct Outcome {
    text: String,
    faults: bool,
}

/// Runs the program with the process's arguments.
pub fn main() -> ExitCode {
    let colours = io::stderr().is_terminal();
    tracing_subscriber::fmt().with_ansi(colours).with_writer(io::stderr).with_target(false).without_time().init();
    let args = Args::parse();
    match run(args).and_then(|outcome| print(&outcome.text).map(|()| outcome.faults)) {
        Ok(false) => ExitCode::from(SUCCESS),
        Ok(true) => ExitCode::from(FAULTS),
        Err(failure) => {
            tracing::error!("{failure}");
            ExitCode::from(failure.exit_code())
        }
    }
}

/// A directory to write into may be there or not; something else may not.
fn check_out(out: &Path) -> Result<(), Failure> {
    if out.exists() && !out.is_dir() { Err(Failure::OutIsFile { path: out.to_owned() }) } else { Ok(()) }
}

/// A number of a flag, finite and not below zero.
fn not_negative(text: &str) -> Result<f64, String> {
    let number: f64 = text.parse().map_err(|_| "is not a number".to_owned())?;
    if number.is_finite() && number >= 0.0 { Ok(number) } else { Err("must be finite and not below zero".to_owned()) }
}

/// Files of sealed tables that no manifest speaks for, in words.
fn without_manifest(files: &[PathBuf]) -> String {
    let named = nothing::some_of(files.iter().map(|p| p.display().to_string()), ", ");
    format!("tables without a manifest: {named}; their rows are in no sum; see `tallywheel-logger verify`")
}

/// A reader that went away is not an error.
fn print(text: &str) -> Result<(), Failure> {
    match io::stdout().lock().write_all(text.as_bytes()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(Failure::Stdout(e)),
        _ => Ok(()),
    }
}

fn run(args: Args) -> Result<Outcome, Failure> {
    match args.command {
        Command::Collect(flags) => collect::run(&flags),
        Command::Compact(flags) => compact::run(&flags),
        Command::Derive(flags) => derive::run(&flags),
        Command::Ledger(s) => tabulate(&s, |l, u, s| Ok(tables::ledger(l, u, s.common.format))),
        Command::Trips { selection, dwell_s } => {
            let rules = TripRules { dwell_s, ..TripRules::default() };
            tabulate(&selection, |l, u, s| Ok(tables::trips(l, u, &rules, s.common.format, s.common.units.into())))
        }
        Command::Mileage(s) => tabulate(&s, |l, u, s| tables::mileage(l, u, s.common.format, s.common.units.into())),
        Command::Energy(s) => tabulate(&s, |l, u, s| tables::energy(l, u, s.common.format, s.common.units.into())),
        Command::Thermal(s) => tabulate(&s, |l, u, s| tables::thermal(l, u, s.common.format, s.common.units.into())),
        Command::Plan(args) => plan::plan(&args),
        Command::Compare { campaign: c, explain: Some(run) } => compared(&c, |comparison, campaign| {
            let explanation = explain::explain(campaign, comparison, &run)?;
            match c.common.format {
                Format::Text => Ok(explain::text(&explanation)),
                Format::Json => Ok(json(&explanation)),
                Format::Csv => Err(Failure::NoTable),
            }
        }),
        Command::Compare { campaign: c, explain: None } => compared(&c, |comparison, _| {
            let report = &comparison.report;
            Ok(match c.common.format {
                Format::Text => report::text(report, c.common.units.into()),
                Format::Json => json(report),
                Format::Csv => tables::runs(report).render(Format::Csv),
            })
        }),
        Command::Report { campaign, out } => {
            check_out(&out)?;
            compared(&campaign, |c, _| write_report(c, &out, campaign.common.units.into()))
        }
        Command::Rollup(args) => rollup::run(&args),
    }
}

type Tabulated = Result<String, polars::prelude::PolarsError>;

/// Runs one of the tables over the selected sessions.
fn tabulate(
    selection: &Selection,
    table: impl Fn(&[SessionLedger], &[UnusableSession], &Selection) -> Tabulated,
) -> Result<Outcome, Failure> {
    let Selected { dataset, sessions, unusable } = selected(selection)?;
    let ledgers = made(&dataset, &sessions)?;
    let faults = !unusable.is_empty() || ledgers.iter().any(|l| !l.findings.damage.is_empty());
    Ok(Outcome { text: table(&ledgers, &unusable, selection)?, faults })
}

/// A dataset, and what is selected of it.
struct Selected {
    dataset: Dataset,
    sessions: Vec<Arc<Session>>,
    /// Those that cannot be used.
    unusable: Vec<UnusableSession>,
}

/// Opens the dataset and selects; what cannot be used is said on stderr too.
fn selected(selection: &Selection) -> Result<Selected, Failure> {
    let chosen = chosen(selection)?;
    warn_of(&chosen.unusable);
    Ok(chosen)
}

/// Opens the dataset and selects.
fn chosen(selection: &Selection) -> Result<Selected, Failure> {
    let Selection { common, vehicle, from, to } = selection;
    if let Some((from, to)) = from.zip(*to).filter(|(from, to)| to < from) {
        return Err(Failure::Backwards { from, to });
    }
    let filter = Filter { vehicles: vehicle.clone(), from: *from, to: *to, ..Filter::default() };
    let dataset = Dataset::open_vehicles(&common.data, vehicle)?;
    let (sessions, unusable) = (dataset.sessions(&filter), dataset.unusable(&filter));
    if sessions.is_empty() && unusable.is_empty() {
        let filter = if filter == Filter::default() { "" } else { " matches the filters" };
        return Err(Failure::NoSession { path: common.data.clone(), filter });
    }
    Ok(Selected { dataset, sessions, unusable })
}

/// The selected sessions that cannot be used, said on stderr too.
fn unusable(dataset: &Dataset, filter: &Filter) -> Vec<UnusableSession> {
    let found = dataset.unusable(filter);
    warn_of(&found);
    found
}

/// Says on stderr which sessions are left out: CSV has no place for them.
fn warn_of(unusable: &[UnusableSession]) {
    for session in unusable {
        tracing::warn!("session {} is left out: {}", session.session, session.reason);
    }
}

/// Compares the runs of a campaign and hands the comparison on.
fn compared(
    selection: &CampaignSelection,
    finish: impl FnOnce(&Comparison<'_>, &Campaign) -> Result<String, Failure>,
) -> Result<Outcome, Failure> {
    let campaign = Campaign::read(&selection.campaign)?;
    let dataset = Dataset::open(&selection.common.data)?;
    let filter =
        Filter { vehicles: vehicles_of(&campaign), from: selection.from, to: selection.to, ..Filter::default() };
    let (all, unusable) = (dataset.sessions(&filter), unusable(&dataset, &filter));
    let CampaignSessions { sessions, missing, unnamed } = sessions_of(&campaign, &all, &unusable)?;
    let own: Vec<_> = all.iter().filter(|s| s.manifest.vehicle == campaign.vehicle).cloned().collect();
    let charging = made(&dataset, &charging_sessions(&own))?;
    let ledgers = made(&dataset, &sessions)?;
    let mut comparison = compare(&campaign, &ledgers, Charging::of(&charging)?)?;
    let report = &mut comparison.report;
    add_charging(&mut report.provenance, &charging);
    report.provenance.options.extend(options(selection));
    let withheld = report.verdict.decision == Decision::Withheld;
    let mut runs = report.runs.iter().chain(&report.control_runs);
    let faults = withheld || !unusable.is_empty() || runs.any(|r| !r.used || r.bad_messages > 0);
    comparison.leave_out(missing, unusable, &unnamed);
    Ok(Outcome { text: finish(&comparison, &campaign)?, faults })
}

/// The options that decide what a report says, as `name = value`.
fn options(selection: &CampaignSelection) -> Vec<String> {
    let day = |day: Option<NaiveDate>| day.map_or_else(|| "any".to_owned(), |d| d.to_string());
    let units = match selection.common.units {
        UnitsFlag::Metric => "metric",
        UnitsFlag::Us => "us",
    };
    vec![
        format!("from = {}", day(selection.from)),
        format!("to = {}", day(selection.to)),
        format!("units of the text = {units}"),
    ]
}

/// Sessions without a run sheet whose rig logs the wall: those are the charging sessions.
fn charging_sessions(sessions: &[Arc<Session>]) -> Vec<Arc<Session>> {
    let logs_wall = |s: &&Arc<Session>| {
        let seen = |c: &tallywheel_schemas::manifest::ChannelRecord| c.channel == "pack.wall_power_w" && c.samples > 0;
        s.manifest.run.is_none() && s.manifest.channels.iter().any(seen)
    };
    sessions.iter().filter(logs_wall).cloned().collect()
}

/// The ledgers of some sessions, with a progress bar when somebody watches.
fn made(dataset: &Dataset, sessions: &[Arc<Session>]) -> Result<Vec<SessionLedger>, LedgerError> {
    ledgers(dataset, sessions, &LedgerOptions::default(), &Bar::new())
}

fn json(report: &impl serde::Serialize) -> String {
    serde_json::to_string_pretty(report).expect("reports have string keys only") + "\n"
}

fn write_report(comparison: &Comparison<'_>, out: &Path, units: Units) -> Result<String, Failure> {
    let plots = report::draw(&comparison.report, &comparison.runs, units)?;
    let page = report::page(&comparison.report, &plots, units);
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| Failure::Write { path, source }
    };
    fs::create_dir_all(out).map_err(failed(out))?;
    for (name, content) in [("report.html", page), ("report.json", json(&comparison.report))] {
        // A temporary name first: a reader never sees half a report.
        let (path, partial) = (out.join(name), out.join(format!(".{name}.partial")));
        fs::write(&partial, content).map_err(failed(&partial))?;
        fs::rename(&partial, &path).map_err(failed(&path))?;
    }
    let text = report::text(&comparison.report, units);
    Ok(format!(
        "{text}\nWritten: {}\n         {}\n",
        out.join("report.html").display(),
        out.join("report.json").display()
    ))
}

/// A session's origin in a word.
pub(crate) const fn origin_name(origin: &Origin) -> &'static str {
    match origin {
        Origin::Recorded => "recorded",
        Origin::Recovered => "recovered",
        Origin::Imported(_) => "imported",
    }
}
