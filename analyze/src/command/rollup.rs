//! `rollup`: a period of a fleet as page, tables and list.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use chrono::NaiveDate;
use clap::Args as ClapArgs;
use tallywheel_schemas::{Units, report::UnusableSession};

use super::{Common, Failure, Outcome};
use crate::{
    rollup::{
        Engine, EngineError, Frame, Limits, Parameters, Period, PeriodError, RollUpReport, html, report, roll_up,
        source::{self, SourceError},
        text,
    },
    sheet::Format,
};

#[derive(Debug, ClapArgs)]
pub(super) struct RollupArgs {
    #[command(flatten)]
    common: Common,
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
    #[error("{}: there are no daily tables here, so there is nothing to roll up", path.display())]
    Nothing { path: PathBuf },
    #[error("{}: no data from {first} to {last}; there are some from {from} to {to}", path.display())]
    NoDays { path: PathBuf, first: NaiveDate, last: NaiveDate, from: NaiveDate, to: NaiveDate },
    #[error("make rollup.parquet: {0}")]
    Parquet(io::Error),
}

pub(super) fn run(args: &RollupArgs) -> Result<Outcome, Failure> {
    let root = &args.common.data;
    let unusable: Vec<UnusableSession> = Vec::new();
    let mut engine = Engine::new().map_err(RollupError::from)?;
    let (period, notes) = fill(args, root, &mut engine)?;
    let parameters = Parameters {
        day_distance_m: args.day_distance_km * 1000.0,
        day_speed_km_h: args.day_speed_km_h,
        ..Parameters::default()
    };
    let rolled = roll_up(&mut engine, &period, &parameters, &Limits::default()).map_err(RollupError::from)?;
    let faults = !notes.is_empty() || !unusable.is_empty();
    let document = RollUpReport::of(&rolled, unusable, notes);
    let units: Units = args.common.units.into();
    if let Some(out) = &args.out {
        let now = rolled.vehicles.filtered(|r| r.text("period") == Some(&period.name));
        write(out, &document, &now, units)?;
    }
    let text = match args.common.format {
        Format::Text => text::text(&document, units),
        Format::Json => document.json(),
        Format::Csv => rolled.vehicles.filtered(|r| r.text("period") == Some(&period.name)).csv(),
    };
    Ok(Outcome { text, faults })
}

/// Chooses the period and reads what it needs; also gives what could not be read, in words.
fn fill(args: &RollupArgs, root: &Path, engine: &mut Engine) -> Result<(Period, Vec<String>), RollupError> {
    let nothing = || RollupError::Nothing { path: root.to_owned() };
    let (from, to) = source::dates(root)?.ok_or_else(nothing)?;
    let asked = match (&args.week, &args.month, args.from.zip(args.to)) {
        (Some(week), _, _) => Some(Period::week(week)?),
        (_, Some(month), _) => Some(Period::month(month)?),
        (_, _, Some((first, last))) => Some(Period::days(first, last)?),
        _ => None,
    };
    let (first, last) = asked.as_ref().map_or((from, to), |p| (p.history_first(), p.last));
    let read = source::read(root, first, last, &args.vehicle, engine)?;
    let with_data: Vec<NaiveDate> = engine.days()?.iter().filter_map(|d| d.parse().ok()).collect();
    let (Some(oldest), Some(newest)) = (with_data.first(), with_data.last()) else { return Err(nothing()) };
    let period = match asked {
        Some(period) => period,
        None if args.life => Period::life(*oldest, *newest),
        None => Period::week_of(*newest),
    };
    if !with_data.iter().any(|d| (period.first..=period.last).contains(d)) {
        let (path, first, last) = (root.to_owned(), period.first, period.last);
        return Err(RollupError::NoDays { path, first, last, from, to });
    }
    let unread =
        |(path, reason): (PathBuf, String)| format!("{} cannot be read and is left out: {reason}.", path.display());
    Ok((period, read.unreadable.into_iter().map(unread).collect()))
}

/// Writes the documents, each whole under a temporary name first.
fn write(out: &Path, document: &RollUpReport, vehicles: &Frame, units: Units) -> Result<(), Failure> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| Failure::Write { path, source }
    };
    let parquet = report::parquet(vehicles).map_err(RollupError::Parquet)?;
    fs::create_dir_all(out).map_err(failed(out))?;
    for (name, content) in [
        ("rollup.html", html::page(document, units).into_bytes()),
        ("rollup.json", document.json().into_bytes()),
        ("rollup.csv", vehicles.csv().into_bytes()),
        ("rollup.parquet", parquet),
    ] {
        let (path, partial) = (out.join(name), out.join(format!(".{name}.partial")));
        fs::write(&partial, content).map_err(failed(&partial))?;
        fs::rename(&partial, &path).map_err(failed(&path))?;
    }
    Ok(())
}
