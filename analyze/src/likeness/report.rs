//! How the runs were driven, for the report.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Condition,
    report::{DrivenRun, Likeness, StandardisedSpeeds},
};

use super::{
    rows::Hearing,
    speeds::{CLASS_KM_H, SpeedHistogram},
    standardised::{CAUTION, standardise},
    standing::Standing,
};
use crate::{
    mileage::{self, SPEED_CLASS_KM_H},
    run::RunFacts,
};

/// Distance that both conditions must have in a class of speed, m.
const LEAST_M: f64 = 100.0;

pub(super) fn likeness(hearing: &Hearing<'_, '_>) -> PolarsResult<Likeness> {
    let counted = |c: Condition| hearing.counted(c).into_iter().map(|i| &hearing.runs[i]).collect::<Vec<_>>();
    let (baseline, assist) = (counted(Condition::Baseline), counted(Condition::Assist));
    let shares = |runs: &[&RunFacts<'_>]| {
        SpeedHistogram::together(runs.iter().map(|r| &r.driven.speeds)).shares().unwrap_or_default()
    };
    Ok(Likeness {
        runs: hearing.runs.iter().zip(hearing.standings).map(|(r, s)| driven_run(r, s)).collect(),
        class_km_h: CLASS_KM_H,
        baseline_time_share: shares(&baseline),
        assist_time_share: shares(&assist),
        standardised: standardised(&baseline, &assist)?,
    })
}

fn driven_run(run: &RunFacts<'_>, standing: &Standing) -> DrivenRun {
    let driven = &run.driven;
    DrivenRun {
        id: run.sheet.run.clone(),
        driver: run.sheet.driver.clone(),
        speed_moving_km_h: driven.speed_moving_m_s.map(|v| v * 3.6),
        stops_per_km: driven.stops_per_km,
        rpa_m_s2: driven.rpa_m_s2,
        va95_m2_s3: driven.va95_m2_s3,
        coolant_start_c: driven.coolant_start_c,
        tyre_pressure_kpa: run.sheet.tyre_pressure_kpa,
        route: standing.route.clone(),
    }
}

fn standardised(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> PolarsResult<Option<StandardisedSpeeds>> {
    let (b, a) = (mileage::class_sums(baseline)?, mileage::class_sums(assist)?);
    Ok(standardise(&b, &a, LEAST_M).map(|s| StandardisedSpeeds {
        baseline_l_per_100km: s.baseline_l_per_100km,
        assist_l_per_100km: s.assist_l_per_100km,
        mileage_percent: (s.baseline_l_per_100km / s.assist_l_per_100km - 1.0) * 100.0,
        as_driven_percent: (s.baseline_as_driven_l_per_100km / s.assist_as_driven_l_per_100km - 1.0) * 100.0,
        distance_share: s.distance_share,
        fuel_share: s.fuel_share,
        class_km_h: SPEED_CLASS_KM_H,
        caution: CAUTION.to_owned(),
    }))
}
