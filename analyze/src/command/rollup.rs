//! `rollup`: a period of a fleet as page, tables and list.

use std::{
    fs, io,
    path::{Path, PathBuf},
    process,
    sync::Arc,
    time::Duration,
};

use chrono::{Days, NaiveDate};
use clap::Args as ClapArgs;
use tallywheel_schemas::{Table, Units, report::UnusableSession};

use super::{Failure, Outcome, UnitsFlag, unusable};
use crate::{
    dataset::{Dataset, Filter},
    derive::{DeriveOptions, derive},
    interrupt::stop_flag,
    progress::Bar,
    rollup::{
        Engine, EngineError, Frame, Limits, Parameters, Period, PeriodError, Results, ResultsError, RollUp,
        RollUpReport, html, look_through, report, roll_up,
        source::{self, SourceError},
        text,
    },
    sheet::Format,
};

#[derive(Debug, ClapArgs)]
pub(super) struct RollupArgs {
    /// Dataset directory.
    #[arg(long, required_unless_present = "results")]
    data: Option<PathBuf>,
    /// Directory with the sums of a week that analyze/spark/weekly.py has made, in place of a dataset.
    #[arg(long, conflicts_with_all = ["data", "period", "vehicle", "day_distance_km", "day_speed_km_h", "jobs", "tables_only"])]
    results: Option<PathBuf>,
    /// How results are printed.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Units of text and page; the other outputs name theirs.
    #[arg(long, value_enum, default_value_t = UnitsFlag::Metric)]
    units: UnitsFlag,
    /// ISO 8601 week, as 2026-W47. Without any period, the last week that has data.
    #[arg(long, group = "period")]
    week: Option<String>,
    /// Month, as 2026-11.
    #[arg(long, group = "period")]
    month: Option<String>,
    /// Everything there is.
    #[arg(long, group = "period")]
    life: bool,
    /// First UTC day, YYYY-MM-DD; with --to.
    #[arg(long, requires = "to", group = "period")]
    from: Option<NaiveDate>,
    /// Last UTC day, YYYY-MM-DD.
    #[arg(long, requires = "from")]
    to: Option<NaiveDate>,
    /// Only this vehicle; may be given again.
    #[arg(long)]
    vehicle: Vec<String>,
    /// Directory for rollup.html, .json, .csv and .parquet; files of those names are replaced.
    #[arg(long)]
    out: Option<PathBuf>,
    /// A day up to this distance counts as short, km.
    #[arg(long, default_value_t = 60.0)]
    day_distance_km: f64,
    /// A day with at most a hundredth of its distance from this speed on counts as slow, km/h.
    #[arg(long, default_value_t = 60.0)]
    day_speed_km_h: f64,
    /// Sessions at once while their tables are made; one per core if not given.
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=1024))]
    jobs: Option<u16>,
    /// Take the daily tables as they are, without looking at the sessions behind them.
    #[arg(long)]
    tables_only: bool,
}

/// A roll-up that could not finish.
#[derive(Debug, thiserror::Error)]
pub(super) enum RollupError {
    #[error(transparent)]
    Period(#[from] PeriodError),
    #[error(transparent)]
    Engine(#[from] EngineError),
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error(transparent)]
    Results(#[from] ResultsError),
    #[error("{}: there are no daily tables here, so there is nothing to roll up", path.display())]
    Nothing { path: PathBuf },
    #[error("{}: no data from {first} to {last}; there are some from {from} to {to}", path.display())]
    NoDays { path: PathBuf, first: NaiveDate, last: NaiveDate, from: NaiveDate, to: NaiveDate },
    #[error("make rollup.parquet: {0}")]
    Parquet(io::Error),
}

pub(super) fn run(args: &RollupArgs) -> Result<Outcome, Failure> {
    let (rolled, unusable, notes) = match &args.results {
        Some(results) => from_results(results)?,
        None => from_dataset(args, args.data.as_deref().expect("clap asks for it where there are no results"))?,
    };
    let faults = !notes.is_empty() || !unusable.is_empty();
    let document = RollUpReport::of(&rolled, unusable, notes);
    let units: Units = args.units.into();
    let vehicles = rolled.vehicles.filtered(|r| r.text("period") == Some(&rolled.period.name));
    if let Some(out) = &args.out {
        write(out, &document, &vehicles, units)?;
    }
    let text = match args.format {
        Format::Text => text::text(&document, units),
        Format::Json => document.json(),
        Format::Csv => vehicles.csv(),
    };
    Ok(Outcome { text, faults })
}

/// A roll-up, the sessions that are left out of it, and notes.
type Rolled = (RollUp, Vec<UnusableSession>, Vec<String>);

fn from_results(directory: &Path) -> Result<Rolled, RollupError> {
    let (results, said) = Results::read(directory)?;
    let rolled = look_through(results, &Period::week(&said.week)?, &said.parameters, &Limits::default());
    Ok((rolled, said.unusable_sessions, Vec::new()))
}

fn from_dataset(args: &RollupArgs, data: &Path) -> Result<Rolled, Failure> {
    let mut engine = Engine::new().map_err(RollupError::from)?;
    let Filled { period, unusable, notes } = if tables_only(args, data) {
        from_tables(args, data, &mut engine)?
    } else {
        from_sessions(args, data, &mut engine)?
    };
    let parameters = Parameters {
        day_distance_m: args.day_distance_km * 1000.0,
        day_speed_km_h: args.day_speed_km_h,
        ..Parameters::default()
    };
    let rolled = roll_up(&mut engine, &period, &parameters, &Limits::default()).map_err(RollupError::from)?;
    Ok((rolled, unusable, notes))
}

/// Where daily tables were brought without their sessions, they are what there is.
fn tables_only(args: &RollupArgs, data: &Path) -> bool {
    args.tables_only || (!data.join("sessions").exists() && data.join(Table::Days.name()).is_dir())
}

/// What the engine was filled with.
struct Filled {
    period: Period,
    unusable: Vec<UnusableSession>,
    notes: Vec<String>,
}

/// The period asked for; `None` for the last week and for the whole life, which depend on the data.
fn asked(args: &RollupArgs) -> Result<Option<Period>, RollupError> {
    Ok(match (&args.week, &args.month, args.from.zip(args.to)) {
        (Some(week), _, _) => Some(Period::week(week)?),
        (_, Some(month), _) => Some(Period::month(month)?),
        (_, _, Some((first, last))) => Some(Period::days(first, last)?),
        _ => None,
    })
}

/// The period in data of some days, and an error where it has none of them.
fn settled(life: bool, data: &Path, asked: Option<Period>, with_data: &[NaiveDate]) -> Result<Period, RollupError> {
    let path = || data.to_owned();
    let (Some(from), Some(to)) = (with_data.first().copied(), with_data.last().copied()) else {
        return Err(RollupError::Nothing { path: path() });
    };
    let period = asked.unwrap_or_else(|| if life { Period::life(from, to) } else { Period::week_of(to) });
    if !with_data.iter().any(|d| (period.first..=period.last).contains(d)) {
        return Err(RollupError::NoDays { path: path(), first: period.first, last: period.last, from, to });
    }
    Ok(period)
}

fn days_of(engine: &Engine) -> Result<Vec<NaiveDate>, RollupError> {
    Ok(engine.days()?.iter().filter_map(|d| d.parse().ok()).collect())
}

/// Makes what is missing of the sessions' derived tables and takes their rows.
fn from_sessions(args: &RollupArgs, data: &Path, engine: &mut Engine) -> Result<Filled, Failure> {
    let asked = asked(args)?;
    let dataset = Dataset::open_vehicles(data, &args.vehicle)?;
    let by_vehicle = Filter { vehicles: args.vehicle.clone(), ..Filter::default() };
    let newest = dataset.sessions(&by_vehicle).iter().map(|s| s.manifest.end_us.naive_date()).max();
    let period = match (&asked, newest) {
        (Some(period), _) => Some(period.clone()),
        (None, Some(newest)) if !args.life => Some(Period::week_of(newest)),
        _ => None,
    };
    let filter = match &period {
        Some(p) => {
            let from = p.history_first().checked_sub_days(Days::new(source::SPAN_DAYS));
            Filter { from, to: Some(p.last), ..by_vehicle }
        }
        None => by_vehicle,
    };
    let (sessions, mut unusable) = (dataset.sessions(&filter), unusable(&dataset, &filter));
    let options = DeriveOptions {
        jobs: args.jobs.map(usize::from),
        stop: Some(Arc::clone(&stop_flag().map_err(Failure::Signals)?)),
        ..DeriveOptions::default()
    };
    let derived = derive(&dataset, &sessions, &options, &Bar::new())?;
    let mut left_out = source::take(&derived, engine).map_err(RollupError::from)?;
    if !left_out.unread.is_empty() {
        let again = derive(&dataset, &left_out.unread, &DeriveOptions { check: true, ..options }, &Bar::new())?;
        unusable.append(&mut left_out.unusable);
        left_out = source::take(&again, engine).map_err(RollupError::from)?;
    }
    unusable.extend(left_out.into_unusable());
    let period = settled(args.life, data, period, &days_of(engine)?)?;
    Ok(Filled { period, unusable, notes: Vec::new() })
}

/// Takes the daily tables as they lie there.
fn from_tables(args: &RollupArgs, data: &Path, engine: &mut Engine) -> Result<Filled, RollupError> {
    let asked = asked(args)?;
    let (from, to) = source::dates(data)?.ok_or_else(|| RollupError::Nothing { path: data.to_owned() })?;
    // Without a period asked for, the last week that has a file, or everything.
    let around = asked.clone().or_else(|| (!args.life).then(|| Period::week_of(to)));
    // The last file may be of the week before that of its last possible day.
    let (first, last) = around.as_ref().map_or((from, to), |p| (p.history_first() - Days::new(14), p.last));
    let read = source::read(data, first, last, &args.vehicle, engine)?;
    let period = settled(args.life, data, asked, &days_of(engine)?)?;
    let unread =
        |(path, reason): (PathBuf, String)| format!("{} cannot be read and is left out: {reason}.", path.display());
    Ok(Filled { period, unusable: Vec::new(), notes: read.unreadable.into_iter().map(unread).collect() })
}

/// Writes the documents, each whole under a name of this process first: two roll-ups at once leave whole files.
fn write(out: &Path, document: &RollUpReport, vehicles: &Frame, units: Units) -> Result<(), Failure> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| Failure::Write { path, source }
    };
    let parquet = report::parquet(vehicles).map_err(RollupError::Parquet)?;
    fs::create_dir_all(out).map_err(failed(out))?;
    forget_unfinished(out);
    for (name, content) in [
        ("rollup.html", html::page(document, units).into_bytes()),
        ("rollup.json", document.json().into_bytes()),
        ("rollup.csv", vehicles.csv().into_bytes()),
        ("rollup.parquet", parquet),
    ] {
        let (path, partial) = (out.join(name), out.join(format!(".{name}.{}.partial", process::id())));
        let written = fs::write(&partial, content).and_then(|()| fs::rename(&partial, &path));
        written.map_err(|source| {
            // Of no use any more; if it cannot be removed either, the error says why.
            let _ = fs::remove_file(&partial);
            Failure::Write { path, source }
        })?;
    }
    Ok(())
}

/// Removes what a killed roll-up left an hour ago or earlier; a running one takes moments.
fn forget_unfinished(out: &Path) {
    for entry in fs::read_dir(out).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let age = entry.metadata().and_then(|m| m.modified()).map(|t| t.elapsed().unwrap_or_default());
        if name.starts_with(".rollup.") && name.ends_with(".partial") && age.is_ok_and(|a| a > UNFINISHED) {
            // What cannot be removed is hidden and does no harm.
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Age from which an unfinished document is left over.
const UNFINISHED: Duration = Duration::from_secs(3600);
