//! Mileage with and without assist: by run condition, and descriptively by stretch.

use polars::prelude::{DataFrame, IntoLazy, PolarsResult, col, lit};
use tallywheel_schemas::{
    report::{Mileage, SpeedBin, Stretches},
    units::mpg_us_from_l_per_100km,
};

use crate::{
    budget, columns, ledger::SessionLedger, likeness::standardised::ClassSums, run::RunFacts, tally::Tally, uncertainty,
};

/// Width of a class of speed, km/h.
pub const SPEED_CLASS_KM_H: f64 = 10.0;

/// Why stretches inside a run are no evidence.
pub const STRETCH_CAUTION: &str = "Stretches differ in more than the assist: the motors drive when the vehicle \
    gathers speed below the cut-off and rest when it slows, stands or goes fast. The engine's share of the work \
    differs between them whether or not the kit saves fuel, and fuel is burnt in one stretch to move through the \
    next. Only whole runs in both conditions are compared for the claim.";

/// Mileage of some sums. `uncertainty` is the relative standard uncertainty from calibrations.
pub fn mileage(tally: &Tally, runs: usize, uncertainty: f64) -> Option<Mileage> {
    let l_per_100km = tally.l_per_100km()?;
    Some(Mileage {
        l_per_100km,
        mpg_us: mpg_us_from_l_per_100km(l_per_100km),
        km_per_l: 100.0 / l_per_100km,
        distance_km: tally.distance_km(),
        fuel_l: tally.fuel_ml? / 1000.0,
        runs: u32::try_from(runs).unwrap_or(u32::MAX),
        relative_expanded_uncertainty: 2.0 * uncertainty,
    })
}

/// Relative standard uncertainty of one session's mileage from its rig's calibrations.
pub fn session_uncertainty(ledger: &SessionLedger, tally: &Tally) -> f64 {
    let sources = (ledger.findings.distance_source, ledger.findings.fuel_source);
    uncertainty::mileage(&ledger.session.rig, sources, tally)
}

/// Mileage of the runs of one condition, with the uncertainty that the calibrations leave.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn of_runs(runs: &[&RunFacts<'_>]) -> PolarsResult<Option<Mileage>> {
    let whole: Tally = runs.iter().map(|r| r.tally).collect();
    Ok(mileage(&whole, runs.len(), budget::calibration_relative(runs)?))
}

/// Sums over the bins in which a motor drives for at least half the known time, and over the other bins with a
/// known assist state.
///
/// # Errors
/// When the frame is no ledger.
pub fn split_by_assist(bins: &DataFrame, bin_s: f64) -> PolarsResult<(Tally, Tally)> {
    let known = || col("assist_valid_s").gt(lit(0.0));
    let driving = || col("assist_on_s").gt_eq(col("assist_valid_s") * lit(0.5));
    let part = |filter| Tally::of(&bins.clone().lazy().filter(filter).collect()?, bin_s);
    Ok((part(known().and(driving()))?, part(known().and(driving().not()))?))
}

/// Descriptive consumption by stretch over some runs.
///
/// # Errors
/// As [`split_by_assist`].
pub fn stretches(runs: &[&RunFacts<'_>]) -> PolarsResult<Stretches> {
    let (mut assisted, mut unassisted) = (Tally::default(), Tally::default());
    for run in runs {
        let (a, u) = split_by_assist(&run.bins, run.ledger.findings.bin_s())?;
        assisted += a;
        unassisted += u;
    }
    let u = budget::calibration_relative(runs)?;
    Ok(Stretches {
        assisted: mileage(&assisted, runs.len(), u),
        unassisted: mileage(&unassisted, runs.len(), u),
        caution: STRETCH_CAUTION.to_owned(),
    })
}

/// Consumption by class of speed in both conditions.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn speed_bins(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> PolarsResult<Vec<SpeedBin>> {
    let (b, a) = (by_speed(baseline)?, by_speed(assist)?);
    let class = |classes: &[(f64, f64)], i: usize| classes.get(i).copied().unwrap_or((0.0, 0.0));
    let consumption = |(m, ml): (f64, f64)| (m >= 100.0).then(|| ml / m * 100.0);
    Ok((0..b.len().max(a.len()))
        .map(|i| SpeedBin {
            from_km_h: i as f64 * SPEED_CLASS_KM_H,
            to_km_h: (i + 1) as f64 * SPEED_CLASS_KM_H,
            baseline_km: class(&b, i).0 / 1000.0,
            baseline_l_per_100km: consumption(class(&b, i)),
            assist_km: class(&a, i).0 / 1000.0,
            assist_l_per_100km: consumption(class(&a, i)),
        })
        .collect())
}

/// Distance and fuel of some runs by class of speed of [`SPEED_CLASS_KM_H`], from 0 on.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn class_sums(runs: &[&RunFacts<'_>]) -> PolarsResult<Vec<ClassSums>> {
    Ok(by_speed(runs)?.into_iter().map(|(distance_m, fuel_ml)| ClassSums { distance_m, fuel_ml }).collect())
}

/// Distance in m and fuel in mL by class of the bin's mean speed.
fn by_speed(runs: &[&RunFacts<'_>]) -> PolarsResult<Vec<(f64, f64)>> {
    let mut classes: Vec<(f64, f64)> = Vec::new();
    for run in runs {
        let values = |name| columns::floats(&run.bins, name);
        for ((m, s), ml) in values("distance_m")?.into_iter().zip(values("distance_valid_s")?).zip(values("fuel_ml")?) {
            let (Some(m), Some(s), Some(ml)) = (m, s.filter(|s| *s > 0.0), ml) else { continue };
            let class = (m / s * 3.6 / SPEED_CLASS_KM_H) as usize;
            if classes.len() <= class {
                classes.resize(class + 1, (0.0, 0.0));
            }
            classes[class].0 += m;
            classes[class].1 += ml;
        }
    }
    Ok(classes)
}
