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

use super::{
    Failure, Outcome, UnitsFlag, check_out, not_negative,
    nothing::{Around, Nothing, check_vehicles, sessions_left_out, tables_left_out},
    warn_of, without_manifest,
};
use crate::{
    collect::twins,
    dataset::{Dataset, Filter, Session},
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
    #[arg(long, default_value_t = 60.0, value_parser = not_negative)]
    day_distance_km: f64,
    /// A day with at most a hundredth of its distance from this speed on counts as slow, km/h.
    #[arg(long, default_value_t = 60.0, value_parser = not_negative)]
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
    #[error(transparent)]
    Nothing(#[from] Nothing),
    #[error("make rollup.parquet: {0}")]
    Parquet(io::Error),
}

pub(super) fn run(args: &RollupArgs) -> Result<Outcome, Failure> {
    args.out.as_deref().map_or(Ok(()), check_out)?;
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

/// The period in data of some days; `None` where it has none of them.
fn settled(life: bool, asked: Option<&Period>, with_data: &[NaiveDate]) -> Option<Period> {
    let (from, to) = with_data.first().copied().zip(with_data.last().copied())?;
    let period = asked.cloned().unwrap_or_else(|| if life { Period::life(from, to) } else { Period::week_of(to) });
    with_data.iter().any(|d| (period.first..=period.last).contains(d)).then_some(period)
}

fn days_of(engine: &Engine) -> Result<Vec<NaiveDate>, RollupError> {
    Ok(engine.days()?.iter().filter_map(|d| d.parse().ok()).collect())
}

/// Makes what is missing of the sessions' derived tables and takes their rows.
fn from_sessions(args: &RollupArgs, data: &Path, engine: &mut Engine) -> Result<Filled, Failure> {
    let asked = asked(args)?;
    let dataset = Dataset::open_vehicles(data, &args.vehicle)?;
    let by_vehicle = Filter { vehicles: args.vehicle.clone(), ..Filter::default() };
    let (every, never) = (dataset.sessions(&by_vehicle), dataset.unusable(&by_vehicle));
    let has = |v: &str| every.iter().any(|s| s.manifest.vehicle == v) || never.iter().any(|s| s.vehicle == v);
    let known = source::vehicles(data, "sessions").map_err(RollupError::from)?;
    check_vehicles(data, &args.vehicle, has, &known).map_err(RollupError::from)?;
    let oldest = every.iter().map(|s| s.manifest.start_us.naive_date()).min();
    let newest = every.iter().map(|s| s.manifest.end_us.naive_date()).max();
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
    let (sessions, mut unusable) = (dataset.sessions(&filter), dataset.unusable(&filter));
    if args.format == Format::Csv {
        warn_of(&unusable);
    }
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
    let Some(settled) = settled(args.life, period.as_ref(), &days_of(engine)?) else {
        // Without any session that can be used, those outside the period are the reason too.
        let left_out = if unusable.is_empty() && every.is_empty() { &never } else { &unusable };
        let nothing = Around {
            path: data,
            without_any: |path| Nothing::Empty { path },
            period: period.as_ref(),
            range: oldest.zip(newest),
            left_out: sessions_left_out(left_out),
        };
        return Err(RollupError::from(nothing.reason()).into());
    };
    let notes = notes(&dataset, &sessions, &settled);
    Ok(Filled { period: settled, unusable, notes })
}

/// What a reader of the sums should know of the sessions behind them: drives that are told twice, and rows that no
/// manifest vouches for.
fn notes(dataset: &Dataset, sessions: &[Arc<Session>], period: &Period) -> Vec<String> {
    let twins = twins::find(sessions);
    let mut notes: Vec<String> =
        twins.iter().take(TWINS_SAID).map(|t| format!("{t}; they count twice, until one is taken out.")).collect();
    if twins.len() > TWINS_SAID {
        let more = twins.len() - TWINS_SAID;
        notes.push(format!("{more} more groups of sessions seem to tell of one drive each; `collect` names them all."));
    }
    // Only around the period: looking through every day of a fleet takes its time.
    let from = period.first.checked_sub_days(Days::new(source::SPAN_DAYS));
    let around = Filter { from, to: Some(period.last), ..Filter::default() };
    let files = dataset.without_manifest(&around);
    if !files.is_empty() {
        notes.push(format!("{}.", without_manifest(&files)));
    }
    notes
}

/// Groups of sessions that are named in full.
const TWINS_SAID: usize = 10;

/// Takes the daily tables as they lie there.
fn from_tables(args: &RollupArgs, data: &Path, engine: &mut Engine) -> Result<Filled, RollupError> {
    let asked = asked(args)?;
    if !data.is_dir() {
        return Err(Nothing::NotADirectory { path: data.to_owned() }.into());
    }
    let known = source::vehicles(data, Table::Days.name())?;
    if !known.is_empty() {
        check_vehicles(data, &args.vehicle, |v| known.iter().any(|k| k == v), &known)?;
    }
    let (from, to) = source::dates(data, &args.vehicle)?.ok_or_else(|| Nothing::NoTables { path: data.to_owned() })?;
    // Without a period asked for, the last week that has a file, or everything.
    let around = asked.clone().or_else(|| (!args.life).then(|| Period::week_of(to)));
    // The last file may be of the week before that of its last possible day.
    let (first, last) = around.as_ref().map_or((from, to), |p| (p.history_first() - Days::new(14), p.last));
    let read = source::read(data, first, last, &args.vehicle, engine)?;
    let Some(period) = settled(args.life, asked.as_ref(), &days_of(engine)?) else {
        // What was read is a part of what there is.
        let mut whole = Engine::new()?;
        let all = source::read(data, from, to, &args.vehicle, &mut whole)?;
        let days = days_of(&whole)?;
        let unreadable = if days.is_empty() { &all.unreadable } else { &read.unreadable };
        let nothing = Around {
            path: data,
            without_any: |path| Nothing::NoRows { path },
            period: asked.as_ref(),
            range: days.first().copied().zip(days.last().copied()),
            left_out: tables_left_out(unreadable),
        };
        return Err(nothing.reason().into());
    };
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
