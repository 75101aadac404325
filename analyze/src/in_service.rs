//! Vehicles in daily service: every drive before and after the day the kit was fitted.
//!
//! Nobody wrote run sheets for these sessions; the day says which condition a session is in. Sessions of vehicles that
//! never got a kit count as before until the first vehicle got its own, and as after from the last one's day on.

use std::sync::Arc;

use chrono::{Datelike as _, NaiveDate};
use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Condition, Domain, RunSheet, Table,
    campaign::{Campaign, InService},
    report::{MissingRun, UnusableSession, VehicleResult},
};

use crate::{
    campaign_runs::CampaignSessions,
    columns,
    dataset::Session,
    effect::mileage_percent,
    likeness::standardised::{ClassSums, Standardised, standardise},
    observation::Observation,
    run::{Admission, RunFacts},
    tally::Tally,
};

/// Width of a class of speed, km/h.
const CLASS_KM_H: f64 = 10.0;

/// Least distance in a class before and after, m: less is the edge of another class.
const LEAST_M: f64 = 1_000.0;

/// Driving sessions of the campaign's vehicles, described as runs before or after.
pub fn sessions_of(campaign: &Campaign, sessions: &[Arc<Session>], unusable: &[UnusableSession]) -> CampaignSessions {
    let charges = |s: &Session| s.manifest.channels.iter().any(|c| c.channel == "pack.wall_power_w" && c.samples > 0);
    let drives = |s: &Session| s.manifest.file(Table::Decoded(Domain::Engine)).is_some() && !charges(s);
    let mut found = Vec::new();
    for vehicle in &campaign.in_service {
        for session in sessions.iter().filter(|s| s.manifest.vehicle == vehicle.name && drives(s)) {
            let day = session.manifest.start_us.date();
            if let Some(condition) = condition(campaign, vehicle, &day) {
                found.push(Arc::new(session.described_as(sheet(campaign, session, condition))));
            }
        }
    }
    let of_campaign = unusable.iter().filter(|u| campaign.in_service.iter().any(|v| v.name == u.vehicle));
    let missing = |u: &UnusableSession| MissingRun { id: u.session.clone(), reason: u.reason.clone() };
    CampaignSessions { sessions: found, missing: of_campaign.map(missing).collect(), unnamed: Vec::new() }
}

/// Before or after; `None` for a day of a vehicle without kit on which some others had theirs and some not.
fn condition(campaign: &Campaign, vehicle: &InService, day: &str) -> Option<Condition> {
    let day: NaiveDate = day.parse().ok()?;
    let days = || campaign.in_service.iter().filter_map(|v| v.installed);
    let (first, last) = match vehicle.installed {
        Some(own) => (own, own),
        None => (days().min()?, days().max()?),
    };
    if day < first {
        return Some(Condition::Baseline);
    }
    (day >= last).then_some(Condition::Assist)
}

fn sheet(campaign: &Campaign, session: &Session, condition: Condition) -> RunSheet {
    RunSheet {
        run: session.manifest.session.clone(),
        route: campaign.route.clone(),
        condition,
        driver: None,
        payload_kg: None,
        tyre_pressure_kpa: None,
        ambient_c: None,
        wind_m_s: None,
        fuel_mass_before_kg: None,
        fuel_mass_after_kg: None,
        remarks: None,
    }
}

/// One vehicle's sums.
#[derive(Debug, Default)]
struct Side {
    tally: Tally,
    classes: Vec<ClassSums>,
}

/// Each vehicle before and after, and the observations that can be made of them.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn vehicles<'a>(
    campaign: &Campaign,
    runs: impl Iterator<Item = (&'a RunFacts<'a>, &'a Admission)>,
) -> PolarsResult<(Vec<VehicleResult>, Vec<Observation>)> {
    let mut sides: Vec<(Side, Side)> = campaign.in_service.iter().map(|_| Default::default()).collect();
    for (run, _) in runs.filter(|(_, a)| a.used) {
        let vehicle = &run.ledger.session.manifest.vehicle;
        let Some(i) = campaign.in_service.iter().position(|v| v.name == *vehicle) else { continue };
        let side = match run.sheet.condition {
            Condition::Baseline => &mut sides[i].0,
            Condition::Assist => &mut sides[i].1,
        };
        side.tally += run.tally;
        add_classes(&mut side.classes, run)?;
    }
    let (mut results, mut observations) = (Vec::new(), Vec::new());
    for (i, (vehicle, (before, after))) in campaign.in_service.iter().zip(&sides).enumerate() {
        let standardised = standardise(&before.classes, &after.classes, LEAST_M);
        results.push(result(vehicle, before, after, standardised.as_ref()));
        if let Some(s) = standardised {
            observations.extend(both(vehicle, i, before, after, &s));
        }
    }
    Ok((results, observations))
}

fn add_classes(classes: &mut Vec<ClassSums>, run: &RunFacts<'_>) -> PolarsResult<()> {
    // The run's own bins have the fuel by the measure that is believed; the ledger's have it by the first there is.
    let values = |name| columns::floats(&run.bins, name);
    for ((m, s), ml) in values("distance_m")?.into_iter().zip(values("distance_valid_s")?).zip(values("fuel_ml")?) {
        let (Some(m), Some(s), Some(ml)) = (m, s.filter(|s| *s > 0.0), ml) else { continue };
        let class = (m / s * 3.6 / CLASS_KM_H) as usize;
        if classes.len() <= class {
            classes.resize(class + 1, ClassSums::default());
        }
        classes[class].distance_m += m;
        classes[class].fuel_ml += ml;
    }
    Ok(())
}

/// Consumption over the distance that was driven, at the common distances by speed.
fn both(vehicle: &InService, unit: usize, before: &Side, after: &Side, s: &Standardised) -> [Observation; 2] {
    let observation = |condition, side: &Side, l_per_100km: f64| {
        let metres = side.tally.distance_m.unwrap_or(0.0).max(1.0);
        let mut o = Observation::new(vehicle.name.as_str(), condition, unit, l_per_100km * metres / 100.0, metres);
        o.fitted = vehicle.installed.is_some();
        // Looks count vehicles as they got their kits: the order of a list can be chosen.
        o.at(vehicle.installed.map_or(0.0, |day| f64::from(day.num_days_from_ce())))
    };
    [
        observation(Condition::Baseline, before, s.baseline_l_per_100km),
        observation(Condition::Assist, after, s.assist_l_per_100km),
    ]
}

fn result(vehicle: &InService, before: &Side, after: &Side, s: Option<&Standardised>) -> VehicleResult {
    let note = match s {
        _ if before.tally.distance_m.is_none() => Some("nothing was recorded before".to_owned()),
        _ if after.tally.distance_m.is_none() => Some("nothing was recorded after".to_owned()),
        None => Some("no class of speed was driven both before and after".to_owned()),
        Some(_) => None,
    };
    VehicleResult {
        name: vehicle.name.clone(),
        installed: vehicle.installed.map(|day| day.to_string()),
        before_km: before.tally.distance_km(),
        after_km: after.tally.distance_km(),
        before_l_per_100km: before.tally.l_per_100km(),
        after_l_per_100km: after.tally.l_per_100km(),
        before_standardised_l_per_100km: s.map(|s| s.baseline_l_per_100km),
        after_standardised_l_per_100km: s.map(|s| s.assist_l_per_100km),
        distance_share: s.map(|s| s.distance_share),
        mileage_percent: s.map(|s| mileage_percent(s.log_ratio())),
        note,
    }
}
