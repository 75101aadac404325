//! From a plan to a whole session: the bytes of every port, and what is true of it.

use std::collections::BTreeMap;

use tallywheel_schemas::Timestamp;

use crate::{
    bench::{Bench, Port, Sent},
    charge::Charging,
    drive::Drive,
    noise::{Noise, Purpose},
    scenario::RunPlan,
    sensors::Sensors,
    truth::{DriveTruth, RunTruth, SensorTruth},
};

/// Number of the charging session's sensor noise; runs count from 1.
const CHARGING_NUMBER: u64 = 900;

/// One simulated session.
#[derive(Debug, Clone)]
pub struct Session {
    /// What every port sent.
    pub sent: BTreeMap<Port, Sent>,
    /// What is true.
    pub truth: RunTruth,
}

/// Simulates a run from beginning to end.
pub fn run(plan: &RunPlan, errors: SensorTruth, seed: u64) -> Session {
    let mut drive = Drive::new(plan.setup.clone());
    let errors = SensorTruth { fuel_factor: errors.fuel_factor * plan.meter_share, ..errors };
    let mut bench = Bench::new(plan.start, Sensors::new(errors, seed, plan.number));
    while let Some(sample) = drive.step() {
        bench.drive(&sample);
    }
    session(bench, &plan.sheet.run, Some(plan), plan.start, drive.truth())
}

/// Simulates a stretch of a run: so many seconds from `skip_s` after its start, with the instruments switched
/// on at `start` (for playing at real pace).
pub fn stretch(
    plan: &RunPlan,
    errors: SensorTruth,
    seed: u64,
    start: Timestamp,
    skip_s: f64,
    length_s: f64,
) -> BTreeMap<Port, Sent> {
    let mut drive = Drive::new(plan.setup.clone());
    let mut bench = Bench::new(start, Sensors::new(errors, seed, plan.number));
    while let Some(sample) = drive.step() {
        if sample.time_s >= skip_s + length_s {
            break;
        }
        if sample.time_s >= skip_s {
            bench.drive(&sample);
        }
    }
    bench.finish()
}

/// Simulates a charging session from a state of charge (0 to 1) on.
pub fn charging(name: &str, start: Timestamp, soc: f64, longest_s: f64, errors: SensorTruth, seed: u64) -> Session {
    let ambient_c = 11.0 + Noise::new(seed, Purpose::Day, 0).bounded(1.0);
    let mut charging = Charging::new(soc, ambient_c, longest_s);
    let mut bench = Bench::new(start, Sensors::new(errors, seed, CHARGING_NUMBER));
    while let Some(sample) = charging.step() {
        bench.parked(&sample);
    }
    session(bench, name, None, start, charging.truth())
}

fn session(bench: Bench, name: &str, plan: Option<&RunPlan>, start: Timestamp, drive: DriveTruth) -> Session {
    let sent = bench.finish();
    let emitted = sent.iter().map(|(port, sent)| (port.name().to_owned(), sent.count)).collect();
    let condition = plan.map(|p| p.condition);
    let truth = RunTruth { run: name.to_owned(), condition, start: start.to_string(), drive, emitted };
    Session { sent, truth }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{route::HARBOUR_LOOP, scenario::Scenario, sensors::draw_errors};

    #[test]
    fn a_run_passes_the_wrap_of_the_fuel_counter() {
        let scenario = Scenario { seed: 5, tale: crate::tale::Tale::AsClaimed, pairs: 1, route: HARBOUR_LOOP };
        for plan in scenario.runs() {
            let session = run(&plan, draw_errors(5), 5);
            let text = std::str::from_utf8(&session.sent[&Port::FuelBox].bytes).expect("ascii");
            let counts: Vec<u32> = text.lines().filter_map(|line| line.split(',').nth(2)?.parse().ok()).collect();
            assert_eq!(counts.len() as u64, session.truth.emitted["fuel-box"]);
            assert_eq!(counts.windows(2).filter(|w| w[1] < w[0]).count(), 1, "{}", plan.sheet.run);
        }
    }

    #[test]
    fn what_was_emitted_is_counted() {
        let scenario =
            Scenario { seed: 5, tale: crate::tale::Tale::AsClaimed, pairs: 1, route: crate::route::HARBOUR_HOP };
        let session = run(&scenario.runs()[0], draw_errors(5), 5);
        for port in Port::ALL {
            let end = if port.is_adapter() { b'\r' } else { b'\n' };
            let lines = session.sent[&port].bytes.iter().filter(|b| **b == end).count() as u64;
            assert_eq!(lines, session.truth.emitted[port.name()], "{}", port.name());
        }
    }
}
