//! Truth against measured: each difference, and whether it is inside what is stated about the measurement.
//!
//! What is stated comes from the calibrations in the rig (expanded with k = 2) and, for the improvement, from
//! the report's own interval. Counts must be equal.

use std::path::{Path, PathBuf};

use tallywheel_schemas::{Condition, Manifest, Rig, manifest::Origin};

use super::{Plan, output::Output, recording::Live, report::Report};
use crate::{
    bench::Port,
    error::DemoError,
    truth::{CampaignTruth, POSITIONS, Totals},
};

/// Coverage factor of expanded uncertainties.
const K: f64 = 2.0;

/// One comparison, ready to print.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Check {
    /// What is compared.
    pub(super) what: String,
    /// True value.
    pub(super) truth: String,
    /// Measured value.
    pub(super) measured: String,
    /// Measured minus true.
    pub(super) difference: String,
    /// What is stated about the measurement.
    pub(super) stated: String,
    /// Whether the difference is inside that.
    pub(super) holds: bool,
}

impl Check {
    /// A quantity with an expanded uncertainty in its own unit.
    fn quantity(what: &str, unit: &str, truth: f64, measured: f64, expanded: f64) -> Self {
        let difference = measured - truth;
        Self {
            what: format!("{what}, {unit}"),
            truth: format!("{truth:.3}"),
            measured: format!("{measured:.3}"),
            difference: format!("{difference:+.3}"),
            stated: format!("± {expanded:.3} (k = 2)"),
            holds: difference.abs() <= expanded,
        }
    }

    /// A count that must be equal.
    fn count(what: String, truth: u64, measured: u64) -> Self {
        Self {
            what,
            truth: truth.to_string(),
            measured: measured.to_string(),
            difference: format!("{:+}", i128::from(measured) - i128::from(truth)),
            stated: "equal".to_owned(),
            holds: truth == measured,
        }
    }
}

/// Every comparison of the demonstration.
pub(super) fn all(
    plan: &Plan,
    truth: &CampaignTruth,
    report: &Report,
    live: &Live,
    output: &Output,
) -> Result<Vec<Check>, DemoError> {
    let rig = Rig::read(&output.rig())?;
    let used = report.used_runs()?;
    let is_used = |run: &str| used.iter().any(|u| u == run);
    let mut checks = vec![Check::count("runs used".to_owned(), truth.runs.len() as u64, used.len() as u64)];
    let tale = plan.scenario.tale;
    // A meter that loses pulses is wrong by more than it states: that is the tale, and what the verdict must notice.
    let is_sound = tale.meter_share() >= 1.0;
    for condition in
        [Condition::Baseline, Condition::Assist].into_iter().filter(|c| is_sound || *c == Condition::Baseline)
    {
        checks.push(mileage(condition, &truth.totals(condition, is_used), report, &rig)?);
    }
    if is_sound {
        checks.push(improvement(truth.improvement_percent(is_used), report)?);
    }
    checks.extend(energy(&truth.totals(Condition::Assist, is_used), report, &rig)?);
    for position in POSITIONS {
        let expanded = K * absolute(&rig, "motor.winding_temp_c", Some(position));
        let (true_c, shown_c) = (truth.winding_peak_c(position, is_used), report.peak_c(position)?);
        checks.push(Check::quantity(&format!("hottest winding {position}"), "°C", true_c, shown_c, expanded));
    }
    checks.push(verdict(plan, report)?);
    checks.extend(tale.speaks_of().map(|word| spoken_of(word, report)).transpose()?);
    let manifests = manifests(&output.data())?;
    checks.push(imported(truth, &manifests));
    checks.extend(recorded(live, &manifests));
    Ok(checks)
}

/// Consumption: the errors of fuel meter and wheel speed combine.
fn mileage(condition: Condition, totals: &Totals, report: &Report, rig: &Rig) -> Result<Check, DemoError> {
    let share = K * relative(rig, "engine.fuel_count").hypot(relative(rig, "motion.wheel_speed_m_s"));
    let measured = report.number(&format!("/mileage/{}/l_per_100km", condition.name()))?;
    let true_value = totals.l_per_100km();
    let what = format!("consumption, {}", condition.name());
    Ok(Check::quantity(&what, "L/100 km", true_value, measured, share * true_value))
}

/// Improvement: the report states an interval.
fn improvement(true_percent: f64, report: &Report) -> Result<Check, DemoError> {
    let at = |name: &str| report.number(&format!("/improvement/mileage_percent/{name}"));
    let (estimate, low, high) = (at("estimate")?, at("low")?, at("high")?);
    Ok(Check {
        what: "improvement of mileage, %".to_owned(),
        truth: format!("{true_percent:.2}"),
        measured: format!("{estimate:.2}"),
        difference: format!("{:+.2}", estimate - true_percent),
        stated: format!("{low:.1} to {high:.1} (95 %)"),
        holds: (low..=high).contains(&true_percent),
    })
}

/// Energy out of and into the pack: gains of voltage and current, and the current's zero for as long as it lasts.
fn energy(totals: &Totals, report: &Report, rig: &Rig) -> Result<[Check; 2], DemoError> {
    let gain = relative(rig, "pack.voltage_v").hypot(relative(rig, "pack.current_a"));
    let volts = rig.pack.energy_wh.zip(rig.pack.capacity_ah).map_or(0.0, |(wh, ah)| wh / ah);
    let zero_kwh = absolute(rig, "pack.current_a", None) * volts * totals.duration_s / 3.6e6;
    let check = |what: &str, pointer: &str, true_kwh: f64| -> Result<Check, DemoError> {
        let expanded = K * (gain * true_kwh).hypot(zero_kwh);
        Ok(Check::quantity(what, "kWh", true_kwh, report.number(pointer)?, expanded))
    };
    Ok([
        check("energy out of the pack, assist", "/energy/pack_out_kwh", totals.pack_out_kwh)?,
        check("energy into the pack, assist", "/energy/pack_in_kwh", totals.pack_in_kwh)?,
    ])
}

/// Each tale has the verdict that it must lead to.
fn verdict(plan: &Plan, report: &Report) -> Result<Check, DemoError> {
    let expected = plan.scenario.tale.verdict();
    let decision = report.text("/verdict/decision")?;
    Ok(Check {
        what: format!("verdict on {:+.0} %", report.number("/verdict/claim_percent")?),
        truth: expected.to_owned(),
        measured: decision.to_owned(),
        difference: String::new(),
        stated: "equal".to_owned(),
        holds: decision == expected,
    })
}

/// The report must name what is wrong with the campaign.
fn spoken_of(word: &str, report: &Report) -> Result<Check, DemoError> {
    let said = report.sentences()?;
    let found = said.iter().find(|sentence| sentence.contains(word));
    Ok(Check {
        what: format!("the report speaks of “{word}”"),
        truth: "yes".to_owned(),
        measured: if found.is_some() { "yes" } else { "no" }.to_owned(),
        difference: String::new(),
        stated: "equal".to_owned(),
        holds: found.is_some(),
    })
}

/// Frames and lines of all imported sessions.
fn imported(truth: &CampaignTruth, manifests: &[Manifest]) -> Check {
    let sent = truth.runs.iter().chain(&truth.charging).map(crate::samples::emitted).sum();
    let found = manifests
        .iter()
        .filter(|m| matches!(m.origin, Origin::Imported(_)))
        .flat_map(|m| &m.ports)
        .filter_map(|p| Some(of_port(Port::ALL.into_iter().find(|port| port.name() == p.port)?, p)))
        .sum();
    Check::count("frames and lines imported".to_owned(), sent, found)
}

/// Frames and lines of the live recording, port by port.
fn recorded(live: &Live, manifests: &[Manifest]) -> Vec<Check> {
    let session = manifests.iter().find(|m| m.origin == Origin::Recorded);
    let found = |port: Port| {
        let record = session.and_then(|m| m.ports.iter().find(|p| p.port == port.name()));
        record.map_or(0, |p| of_port(port, p))
    };
    live.values()
        .map(|played| {
            let unit = if played.port.is_adapter() { "frames" } else { "lines" };
            Check::count(format!("live {unit} on {}", played.port.name()), played.planned, found(played.port))
        })
        .collect()
}

fn of_port(port: Port, record: &tallywheel_schemas::manifest::PortRecord) -> u64 {
    if port.is_adapter() { record.frames } else { record.lines }
}

/// Relative standard uncertainty of a channel by the rig; zero where it states none.
fn relative(rig: &Rig, channel: &str) -> f64 {
    let signal = rig.signal(channel, None);
    signal.and_then(|s| s.calibration.as_ref()).map_or(0.0, |c| c.relative_uncertainty)
}

/// Absolute standard uncertainty of a channel by the rig; zero where it states none.
fn absolute(rig: &Rig, channel: &str, position: Option<&str>) -> f64 {
    let signal = rig.signal(channel, position);
    signal.and_then(|s| s.calibration.as_ref()).map_or(0.0, |c| c.absolute_uncertainty)
}

/// Every session manifest of a dataset.
fn manifests(data: &Path) -> Result<Vec<Manifest>, DemoError> {
    let mut found = Vec::new();
    let mut open: Vec<PathBuf> = vec![data.join("sessions")];
    while let Some(directory) = open.pop() {
        let io = |source| DemoError::Io { action: "read directory", path: directory.clone(), source };
        for entry in std::fs::read_dir(&directory).map_err(io)? {
            let path = entry.map_err(io)?.path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "json") {
                found.push(Manifest::read(&path)?);
            }
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_outside_the_uncertainty_does_not_hold() {
        assert!(Check::quantity("x", "L", 10.0, 10.07, 0.08).holds);
        assert!(!Check::quantity("x", "L", 10.0, 10.09, 0.08).holds);
        assert!(!Check::quantity("x", "L", 10.0, f64::NAN, 0.08).holds);
        assert!(!Check::count("frames".to_owned(), 7, 6).holds);
    }
}
