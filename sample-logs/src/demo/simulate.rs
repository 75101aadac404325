//! Simulates the campaign and writes its captures.

use tallywheel_schemas::{Condition, RunSheet, Timestamp};

use super::{Plan, output::Output};
use crate::{
    bench::Port,
    capture::{write, write_json, write_session},
    error::DemoError,
    paper, scenario, sensors, session,
    session::Session,
    truth::{CampaignTruth, POSITIONS, RunTruth},
};

/// Name of the charging session.
pub(super) const CHARGING: &str = "charging";
/// A charging session is cut off after this, s.
const CHARGING_LIMIT_S: f64 = 3.0 * 3600.0;

/// A session on disk, ready to be imported.
#[derive(Debug, Clone)]
pub(super) struct Written {
    /// Start of the recording.
    pub(super) start: Timestamp,
    /// Ports that have a capture.
    pub(super) ports: Vec<Port>,
    /// Run sheet, where there is one.
    pub(super) sheet: Option<RunSheet>,
    /// What is true.
    pub(super) truth: RunTruth,
}

/// Simulates every run and the charging session, and writes captures, run sheets, campaign and truth.
pub(super) fn campaign(plan: &Plan, output: &Output) -> Result<Vec<Written>, DemoError> {
    let scenario = &plan.scenario;
    let errors = sensors::draw_errors(scenario.seed);
    let mut written = Vec::new();
    for run in scenario.runs() {
        let session = session::run(&run, errors, scenario.seed);
        written.push(store(output, session, run.start, Some(run.sheet))?);
    }
    let soc = written
        .iter()
        .find(|w| w.truth.condition == Some(Condition::Assist))
        .map_or(0.7, |w| w.truth.drive.soc_end_pct / 100.0);
    let start = scenario::charging_start();
    let charging = session::charging(CHARGING, start, soc, CHARGING_LIMIT_S, errors, scenario.seed);
    written.push(store(output, charging, start, None)?);
    write(&output.campaign(), paper::campaign(scenario).as_bytes())?;
    write_json(&output.truth(), &truth(plan, written.clone()))?;
    Ok(written)
}

fn store(output: &Output, session: Session, start: Timestamp, sheet: Option<RunSheet>) -> Result<Written, DemoError> {
    write_session(&output.captures(&session.truth.run), &session, sheet.as_ref())?;
    Ok(Written { start, ports: session.sent.keys().copied().collect(), sheet, truth: session.truth })
}

/// The truth of all sessions together.
pub(super) fn truth(plan: &Plan, sessions: Vec<Written>) -> CampaignTruth {
    let (runs, others): (Vec<_>, Vec<_>) = sessions.into_iter().map(|s| s.truth).partition(|t| t.condition.is_some());
    CampaignTruth {
        seed: plan.scenario.seed,
        runs,
        pairs: plan.scenario.pair_names(),
        sensors: sensors::draw_errors(plan.scenario.seed),
        charging: others.into_iter().next(),
    }
}

/// The truth as a table for people.
pub(super) fn table(truth: &CampaignTruth) -> Vec<String> {
    let mut lines = vec![format!(
        "{:<28} {:>8} {:>10} {:>9} {:>9} {:>11} {:>11}",
        "run", "km", "L/100 km", "out Wh", "in Wh", "left °C", "right °C"
    )];
    for run in &truth.runs {
        let d = &run.drive;
        let peaks: Vec<String> = d.motors.iter().map(|m| format!("{:>11.1}", m.winding_peak_c)).collect();
        lines.push(format!(
            "{:<28} {:>8.3} {:>10.3} {:>9.1} {:>9.1} {}",
            run.run,
            d.distance_m / 1000.0,
            run.l_per_100km(),
            d.pack_out_wh,
            d.pack_in_wh,
            peaks.join(" ")
        ));
    }
    for condition in [Condition::Baseline, Condition::Assist] {
        let t = truth.totals(condition, |_| true);
        lines.push(format!(
            "{}: {:.3} L/100 km over {:.2} km, {:.3} L; pack out {:.3} kWh, in {:.3} kWh",
            condition.name(),
            t.l_per_100km(),
            t.distance_km,
            t.fuel_l,
            t.pack_out_kwh,
            t.pack_in_kwh
        ));
    }
    let peaks: Vec<String> =
        POSITIONS.iter().map(|p| format!("{p} {:.1} °C", truth.winding_peak_c(p, |_| true))).collect();
    lines.push(format!("hottest windings: {}", peaks.join(", ")));
    if let Some(charging) = &truth.charging {
        let d = &charging.drive;
        lines.push(format!(
            "charging: {:.1} Wh from the wall, {:.1} Wh into the pack, {:.1} to {:.1} %",
            d.wall_wh, d.pack_in_wh, d.soc_start_pct, d.soc_end_pct
        ));
    }
    lines.push(format!("improvement of mileage over the pairs: {:+.2} %", truth.improvement_percent(|_| true)));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{demo::DEFAULT_SEED, route::HARBOUR_LOOP, scenario::Scenario, tale::Tale};

    fn simulated(seed: u64, tale: Tale) -> CampaignTruth {
        let scenario = Scenario { seed, tale, pairs: 3, route: HARBOUR_LOOP };
        let errors = sensors::draw_errors(seed);
        let runs = scenario.runs().iter().map(|r| session::run(r, errors, seed).truth).collect();
        CampaignTruth { seed, runs, pairs: scenario.pair_names(), sensors: errors, charging: None }
    }

    /// Ranges of plausibility for a laden parcel van in town: 9 to 12 L/100 km; less energy per loop than the
    /// pack holds; windings warm but below their class.
    #[test]
    fn the_campaign_is_plausible() {
        for seed in [DEFAULT_SEED, 7] {
            let truth = simulated(seed, Tale::AsClaimed);
            let (baseline, assist) =
                (truth.totals(Condition::Baseline, |_| true), truth.totals(Condition::Assist, |_| true));
            assert!((9.0..12.0).contains(&baseline.l_per_100km()), "{baseline:?}");
            assert!((1.2..3.0).contains(&(assist.pack_out_kwh / 3.0)), "{assist:?}");
            let improvement = truth.improvement_percent(|_| true);
            assert!((52.0..68.0).contains(&improvement), "{improvement}");
            let peak = truth.winding_peak_c("rear-left", |_| true);
            assert!((90.0..150.0).contains(&peak) && peak > truth.winding_peak_c("rear-right", |_| true), "{peak}");
            assert!(truth.runs.iter().all(|r| r.drive.cut_offs == r.drive.cut_ins), "an assist left off");
        }
    }

    #[test]
    fn a_dead_kit_improves_nothing() {
        let improvement = simulated(DEFAULT_SEED, Tale::Dead).improvement_percent(|_| true);
        assert!(improvement.abs() < 8.0, "{improvement}");
    }
}
