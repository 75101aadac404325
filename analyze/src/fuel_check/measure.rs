//! A run's fuel by each way in which it was measured.

use polars::prelude::{DataFrame, IntoLazy, PolarsResult, col, lit};
use tallywheel_schemas::{RunSheet, campaign::FuelMeasure, rig::FuelSource};

use crate::{columns, run::RunFacts};

/// The measures in the order of trust.
pub const MEASURES: [FuelMeasure; 4] = [FuelMeasure::Weighed, FuelMeasure::Meter, FuelMeasure::Rate, FuelMeasure::Air];

/// Fuel by one measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Mass, g.
    pub mass_g: f64,
    /// Time that it covers, s.
    pub covered_s: f64,
}

/// The measure that a source of the ledger is.
pub const fn of_source(source: FuelSource) -> FuelMeasure {
    match source {
        FuelSource::Meter => FuelMeasure::Meter,
        FuelSource::Rate => FuelMeasure::Rate,
        FuelSource::Air => FuelMeasure::Air,
    }
}

/// The ledger's columns of a measure: mass and covered time. The scale has none.
pub(crate) const fn columns_of(measure: FuelMeasure) -> Option<(&'static str, &'static str)> {
    match measure {
        FuelMeasure::Weighed => None,
        FuelMeasure::Meter => Some(("fuel_meter_g", "fuel_meter_valid_s")),
        FuelMeasure::Rate => Some(("fuel_rate_g", "fuel_rate_valid_s")),
        FuelMeasure::Air => Some(("fuel_air_g", "fuel_air_valid_s")),
    }
}

/// Mass that the tank lost between the two weighings, g; `None` where one is missing or nothing was lost.
pub fn weighed_g(sheet: &RunSheet) -> Option<f64> {
    let lost = (sheet.fuel_mass_before_kg? - sheet.fuel_mass_after_kg?) * 1000.0;
    (lost > 0.0).then_some(lost)
}

/// A run's fuel by a measure; `None` where the run does not have it.
///
/// # Errors
/// When the run's frame is no ledger.
pub fn measured(run: &RunFacts<'_>, measure: FuelMeasure) -> PolarsResult<Option<Measured>> {
    let Some((mass, valid)) = columns_of(measure) else {
        return Ok(weighed_g(run.sheet).map(|mass_g| Measured { mass_g, covered_s: run.recorded_s() }));
    };
    let bins = &run.ledger.bins;
    let covered_s = columns::sum(bins, valid)?.unwrap_or(0.0);
    Ok(columns::sum(bins, mass)?.filter(|g| *g > 0.0).map(|mass_g| Measured { mass_g, covered_s }))
}

/// A run's fuel by a measure as volume at the reference temperature, mL.
///
/// # Errors
/// As [`measured`].
pub fn fuel_ml(run: &RunFacts<'_>, measure: FuelMeasure) -> PolarsResult<Option<f64>> {
    let density = run.ledger.session.rig.fuel.density_g_per_ml;
    Ok(measured(run, measure)?.map(|m| m.mass_g / density))
}

/// The bins of a run with `fuel_g`, `fuel_ml` and `fuel_valid_s` by a measure.
///
/// A weighing has no course over time: its mass is spread as the bins had it before. Where they had none, the columns
/// stay empty and only the run's total is known.
///
/// # Errors
/// When the frame is no ledger.
pub(crate) fn bins_by(run: &RunFacts<'_>, measure: FuelMeasure) -> PolarsResult<DataFrame> {
    let bins = run.ledger.bins.clone().lazy();
    let density = run.ledger.session.rig.fuel.density_g_per_ml;
    match columns_of(measure) {
        Some((mass, valid)) => bins.with_columns([
            col(mass).alias("fuel_g"),
            (col(mass) / lit(density)).alias("fuel_ml"),
            col(valid).alias("fuel_valid_s"),
        ]),
        None => {
            let before = columns::sum(&run.ledger.bins, "fuel_g")?.filter(|g| *g > 0.0);
            let scale = weighed_g(run.sheet).zip(before).map_or(f64::NAN, |(after, before)| after / before);
            if scale.is_nan() {
                return Ok(run.ledger.bins.clone());
            }
            bins.with_columns([col("fuel_g") * lit(scale), col("fuel_ml") * lit(scale)])
        }
    }
    .collect()
}

/// Masses by two measures over the bins that both cover, and the time of those bins.
///
/// A bin counts when both measures cover at least [`COVERED`] of it, so that what one of them missed is not held against
/// the other. Against a weighing, which covers the whole run, the other counts whole.
///
/// # Errors
/// When the run's frame is no ledger.
pub(crate) fn both(
    run: &RunFacts<'_>,
    first: FuelMeasure,
    second: FuelMeasure,
) -> PolarsResult<Option<(Measured, Measured)>> {
    let (Some(a), Some(b)) = (measured(run, first)?, measured(run, second)?) else { return Ok(None) };
    let (Some((a_g, a_s)), Some((b_g, b_s))) = (columns_of(first), columns_of(second)) else {
        let covered_s = a.covered_s.min(b.covered_s);
        return Ok(Some((Measured { covered_s, ..a }, Measured { covered_s, ..b })));
    };
    let least = COVERED * run.ledger.findings.bin_s();
    let values = |name| columns::floats(&run.ledger.bins, name);
    let rows = values(a_g)?.into_iter().zip(values(a_s)?).zip(values(b_g)?.into_iter().zip(values(b_s)?));
    let (mut first, mut second, mut covered_s) = (0.0, 0.0, 0.0);
    for ((a_g, a_s), (b_g, b_s)) in rows {
        let (Some(a_g), Some(a_s), Some(b_g), Some(b_s)) = (a_g, a_s, b_g, b_s) else { continue };
        if a_s.min(b_s) >= least {
            first += a_g;
            second += b_g;
            covered_s += a_s.min(b_s);
        }
    }
    let of = |mass_g| Measured { mass_g, covered_s };
    Ok((first > 0.0 && second > 0.0).then(|| (of(first), of(second))))
}

/// Share of a bin that a measure has to cover to be compared there (common practice).
const COVERED: f64 = 0.99;
