//! The report as text for the terminal.

pub(super) mod account;
mod evidence;
pub(super) mod likeness;

pub(super) use evidence::{budget_sum, significant};

use std::fmt::Write as _;

use tallywheel_schemas::{
    Condition, Units,
    report::{Interval, Mileage, Report, RunResult},
    units::{METRES_PER_MILE, fahrenheit},
};

use super::CAUTIONS;
use crate::{
    figure::{duration, fixed, rounded, signed},
    thermal::CYCLE_K,
};

/// Renders a report as text.
pub fn text(report: &Report, units: Units) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, report, units);
    out
}

fn write(out: &mut String, report: &Report, units: Units) -> std::fmt::Result {
    writeln!(out, "{}\n{}, {}\n", report.name, report.vehicle, report.route)?;
    writeln!(out, "{}\n", super::wording::answer(report, units))?;
    for reason in super::wording::reasons(report, units) {
        writeln!(out, "  because {reason}")?;
    }
    let improvement = &report.improvement;
    if let (Some(gained), Some(saved)) = (&improvement.mileage_percent, &improvement.fuel_saved_percent) {
        writeln!(out, "\nImprovement of mileage  {}", interval(gained))?;
        writeln!(out, "Fuel saved              {}", interval(saved))?;
        writeln!(out, "  {}", improvement.method)?;
    }
    for (name, what) in super::wording::lines(report, units) {
        writeln!(out, "{name:<23} {what}")?;
    }
    writeln!(out)?;
    for (name, mileage) in [("Without assist", &report.mileage.baseline), ("With assist", &report.mileage.assist)] {
        writeln!(
            out,
            "{name:<23} {}",
            mileage.as_ref().map_or_else(|| "no usable run".to_owned(), |m| mileage_line(m, units))
        )?;
    }
    writeln!(out)?;
    account::account(out, &report.energy, units)?;
    writeln!(out, "\nRuns")?;
    let width = report.runs.iter().map(|r| r.id.chars().count()).max().unwrap_or(0);
    for run in &report.runs {
        writeln!(out, "  {}", run_line(run, width, units))?;
        if let Some(reason) = &run.reason {
            writeln!(out, "      {reason}")?;
        }
    }
    for run in &report.missing_runs {
        writeln!(out, "  {:<width$}  missing\n      {}", run.id, run.reason)?;
    }
    for session in &report.unusable_sessions {
        writeln!(out, "  session {} is left out: {}", session.session, session.reason)?;
    }
    likeness::write(out, report, units)?;
    evidence::fuel(out, report)?;
    evidence::budget(out, report)?;
    writeln!(out, "\nHeat over the assisted runs{}", if report.thermal.is_empty() { ": not recorded" } else { "" })?;
    for motor in &report.thermal {
        let above: Vec<String> = motor
            .seconds_above
            .iter()
            .map(|a| format!("{} above {}", duration(a.seconds), temperature(a.limit_c, units)))
            .collect();
        writeln!(
            out,
            "  {:<12} winding peak {}, {}; insulation life used {:.2e} of nominal; {} cycles of {} and more",
            motor.position,
            motor.peak_c.map_or_else(|| "unknown".to_owned(), |t| temperature(t, units)),
            above.join(", "),
            motor.life_used_fraction,
            fixed(motor.winding_cycles, 1),
            temperature_difference(CYCLE_K, units)
        )?;
    }
    evidence::provenance(out, report)?;
    for caution in CAUTIONS {
        writeln!(out, "Caution: {caution}")?;
    }
    Ok(())
}

/// An interval as `+52.1 % (+50.3 to +54.0 %)`.
pub(super) fn interval(i: &Interval) -> String {
    match (i.low, i.high) {
        (Some(low), Some(high)) => format!("{} % ({} to {} %)", signed(i.estimate, 1), signed(low, 1), signed(high, 1)),
        _ => format!("{} % (no interval)", signed(i.estimate, 1)),
    }
}

/// An interval of a bare number with so many decimals.
pub(super) fn interval_of(i: &Interval, decimals: usize) -> String {
    let shown = |v: f64| fixed(v, decimals).replacen('-', "−", 1);
    match (i.low, i.high) {
        (Some(low), Some(high)) => format!("{} ({} to {})", shown(i.estimate), shown(low), shown(high)),
        _ => format!("{} (no interval)", shown(i.estimate)),
    }
}

/// Consumption and mileage with the digits that the calibrations support.
pub(super) fn mileage_line(m: &Mileage, units: Units) -> String {
    let u = m.relative_expanded_uncertainty;
    match units {
        Units::Metric => format!(
            "{} L/100 km ± {} % (k = 2, calibrations), {} km on {} L in {} runs",
            rounded(m.l_per_100km, m.l_per_100km * u / 2.0),
            fixed(u * 100.0, 1),
            fixed(m.distance_km, 1),
            fixed(m.fuel_l, 2),
            m.runs
        ),
        Units::Us => format!(
            "{} mpg ± {} % (k = 2, calibrations), {} miles on {} L in {} runs",
            rounded(m.mpg_us, m.mpg_us * u / 2.0),
            fixed(u * 100.0, 1),
            fixed(m.distance_km * 1000.0 / METRES_PER_MILE, 1),
            fixed(m.fuel_l, 2),
            m.runs
        ),
    }
}

/// Consumption, or mileage, in the unit asked for.
pub(super) fn consumption_of(l_per_100km: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} L/100 km", fixed(l_per_100km, 2)),
        Units::Us => format!("{} mpg", fixed(tallywheel_schemas::units::mpg_us_from_l_per_100km(l_per_100km), 1)),
    }
}

/// Consumption or mileage of a single run.
pub(super) fn consumption(run: &RunResult, units: Units) -> String {
    match (units, run.l_per_100km, run.mpg_us) {
        (Units::Metric, Some(l), _) => format!("{} L/100 km", fixed(l, 2)),
        (Units::Us, _, Some(mpg)) => format!("{} mpg", fixed(mpg, 1)),
        _ => "no fuel".to_owned(),
    }
}

fn run_line(run: &RunResult, width: usize, units: Units) -> String {
    let mark = if run.used { "used    " } else { "excluded" };
    let condition = match run.condition {
        Condition::Baseline => "assist off",
        Condition::Assist => "assist on ",
    };
    format!(
        "{:<width$}  {condition}  {mark}  {}, {}",
        run.id,
        distance(run.distance_km, units),
        consumption(run, units)
    )
}

/// A distance in the unit asked for, with the unit's name.
pub(super) fn length(km: f64, units: Units) -> (f64, &'static str) {
    match units {
        Units::Metric => (km, "km"),
        Units::Us => (km * 1000.0 / METRES_PER_MILE, "mi"),
    }
}

/// A run's distance in the unit asked for.
pub(super) fn distance(km: f64, units: Units) -> String {
    let (value, unit) = length(km, units);
    format!("{} {unit}", fixed(value, 2))
}

/// A temperature in the unit asked for.
pub(super) fn temperature(celsius: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} °C", fixed(celsius, 0)),
        Units::Us => format!("{} °F", fixed(fahrenheit(celsius), 0)),
    }
}

/// A difference of two temperatures.
pub(super) fn temperature_difference(kelvin: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} K", fixed(kelvin, 0)),
        Units::Us => format!("{} °F", fixed(kelvin * 1.8, 0)),
    }
}

/// A figure per km (or per 100 km) as one per the distance unit asked for.
pub(super) fn per_one(per_km: f64, units: Units) -> (f64, &'static str) {
    match units {
        Units::Metric => (per_km, "km"),
        Units::Us => (per_km * METRES_PER_MILE / 1000.0, "mi"),
    }
}
