//! The report as text for the terminal.

mod evidence;

pub(super) use evidence::{budget_sum, significant};

use std::fmt::Write as _;

use tallywheel_schemas::{
    Condition, Units,
    report::{Interval, Mileage, Report, RunResult},
    units::{METRES_PER_MILE, fahrenheit},
};

use super::CAUTIONS;
use crate::figure::{duration, fixed, rounded, signed};

/// Renders a report as text.
pub fn text(report: &Report, units: Units) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, report, units);
    out
}

fn write(out: &mut String, report: &Report, units: Units) -> std::fmt::Result {
    writeln!(out, "{}\n{}, {}\n", report.name, report.vehicle, report.route)?;
    writeln!(out, "{}\n", report.answer)?;
    for reason in &report.verdict.reasons {
        writeln!(out, "  because {reason}")?;
    }
    let improvement = &report.improvement;
    if let (Some(gained), Some(saved)) = (&improvement.mileage_percent, &improvement.fuel_saved_percent) {
        writeln!(out, "\nImprovement of mileage  {}", interval(gained))?;
        writeln!(out, "Fuel saved              {}", interval(saved))?;
        writeln!(out, "  {}", improvement.method)?;
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
    energy(out, report, units)?;
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
    writeln!(out, "\nWere the conditions alike?")?;
    for c in &report.comparability {
        let value = |v: Option<f64>| v.map_or_else(|| "unknown".to_owned(), |v| format!("{} {}", fixed(v, 1), c.unit));
        let alike = match c.alike {
            Some(true) => "alike",
            Some(false) => "differs",
            None => "cannot be said",
        };
        writeln!(out, "  {:<20} {} without assist, {} with: {alike}", c.quantity, value(c.baseline), value(c.assist))?;
    }
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
            "  {:<12} winding peak {}, {}; insulation life used {:.2e} of nominal",
            motor.position,
            motor.peak_c.map_or_else(|| "unknown".to_owned(), |t| temperature(t, units)),
            above.join(", "),
            motor.life_used_fraction
        )?;
    }
    evidence::provenance(out, report)?;
    for caution in CAUTIONS {
        writeln!(out, "Caution: {caution}")?;
    }
    Ok(())
}

fn energy(out: &mut String, report: &Report, units: Units) -> std::fmt::Result {
    let e = &report.energy;
    let u = e.relative_expanded_uncertainty;
    let kwh = |v: Option<f64>| v.map_or_else(|| "unknown".to_owned(), |v| rounded(v, v.abs() * u / 2.0));
    writeln!(
        out,
        "Pack energy, assisted   {} kWh out, {} kWh in, {} kWh net",
        kwh(e.pack_out_kwh),
        kwh(e.pack_in_kwh),
        kwh(e.net_kwh)
    )?;
    if let (Some(wall), Some(efficiency)) = (e.wall_per_km_wh, &e.charging_efficiency) {
        let (value, unit) = per_one(wall / 10.0, units);
        writeln!(
            out,
            "From the wall           {} kWh per 100 {unit} at a charging efficiency of {} ({})",
            fixed(value, 1),
            fixed(efficiency.value, 2),
            efficiency.source
        )?;
    }
    if let (Some(mpg), Some(l)) = (e.petrol_equivalent_mpg_us, e.petrol_equivalent_l_per_100km) {
        let shown = match units {
            Units::Us => format!("{} mpg", fixed(mpg, 1)),
            Units::Metric => format!("{} L/100 km", fixed(l, 2)),
        };
        writeln!(out, "Counting electricity    {shown} petrol-equivalent")?;
    }
    if let (Some(cost), Some(currency)) = (&e.cost_per_km, &e.currency) {
        let (b, unit) = per_one(cost.baseline, units);
        writeln!(
            out,
            "Energy cost             {} {currency}/{unit} without assist, {} with",
            fixed(b, 3),
            fixed(per_one(cost.assist, units).0, 3)
        )?;
    }
    if let Some(co2) = &e.co2_g_per_km {
        let (b, unit) = per_one(co2.baseline, units);
        writeln!(
            out,
            "CO2                     {} g/{unit} without assist, {} with",
            fixed(b, 0),
            fixed(per_one(co2.assist, units).0, 0)
        )?;
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
            "{} L/100 km ± {} % (k = 2), {} km on {} L in {} runs",
            rounded(m.l_per_100km, m.l_per_100km * u / 2.0),
            fixed(u * 100.0, 1),
            fixed(m.distance_km, 1),
            fixed(m.fuel_l, 2),
            m.runs
        ),
        Units::Us => format!(
            "{} mpg ± {} % (k = 2), {} miles on {} L in {} runs",
            rounded(m.mpg_us, m.mpg_us * u / 2.0),
            fixed(u * 100.0, 1),
            fixed(m.distance_km * 1000.0 / METRES_PER_MILE, 1),
            fixed(m.fuel_l, 2),
            m.runs
        ),
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

/// A figure per km (or per 100 km) as one per the distance unit asked for.
pub(super) fn per_one(per_km: f64, units: Units) -> (f64, &'static str) {
    match units {
        Units::Metric => (per_km, "km"),
        Units::Us => (per_km * METRES_PER_MILE / 1000.0, "mi"),
    }
}
