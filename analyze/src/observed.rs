//! From the runs that count to observations: the last step at which a run is a recording.

use tallywheel_schemas::campaign::{Campaign, Design};

use crate::{
    likeness,
    observation::{ControlPass, Observation},
    run::{Admission, RunFacts},
};

/// The runs that count, in campaign order. `control` are the control vehicle's runs.
///
/// A run of a design with a control vehicle whose control run does not count is left out: its admission says so.
pub fn observations(
    campaign: &Campaign,
    runs: &[RunFacts<'_>],
    admitted: &[Admission],
    control: &[RunFacts<'_>],
) -> Vec<Observation> {
    let counts = runs.iter().zip(admitted).filter(|(_, a)| a.used);
    counts.filter_map(|(run, _)| observation(campaign, run, place(runs, run), control)).collect()
}

/// Place in the order of driving among all runs.
fn place(runs: &[RunFacts<'_>], run: &RunFacts<'_>) -> f64 {
    let start = |r: &RunFacts<'_>| r.ledger.session.manifest.start_us;
    runs.iter().filter(|r| start(r) < start(run)).count() as f64
}

fn observation(campaign: &Campaign, run: &RunFacts<'_>, place: f64, control: &[RunFacts<'_>]) -> Option<Observation> {
    let (fuel, distance) = (run.tally.fuel_ml?, run.tally.distance_m?);
    let unit = unit(campaign, &run.sheet.run)?;
    let mut o = Observation::new(run.sheet.run.as_str(), run.sheet.condition, unit, fuel, distance).at(place);
    if campaign.design == Design::Control {
        let pass = campaign.together.iter().find(|t| t.test == run.sheet.run)?;
        o.control = Some(control_pass(control.iter().find(|r| r.sheet.run == pass.control)?)?);
    }
    for name in &campaign.adjust {
        if let Some(value) = likeness::covariate(name, run) {
            o.covariates.insert(name.clone(), value);
        }
    }
    Some(o)
}

fn control_pass(run: &RunFacts<'_>) -> Option<ControlPass> {
    Some(ControlPass { run: run.sheet.run.clone(), fuel_ml: run.tally.fuel_ml?, distance_m: run.tally.distance_m? })
}

/// Pair, block or pass that a run belongs to.
fn unit(campaign: &Campaign, run: &str) -> Option<usize> {
    match campaign.design {
        Design::Paired => campaign.pairs.iter().position(|p| p.baseline == run || p.assist == run),
        Design::Blocked => {
            campaign.blocks.iter().position(|b| b.baseline.iter().chain(&b.assist).any(|name| name == run))
        }
        Design::Control => campaign.together.iter().position(|t| t.test == run),
        Design::Unpaired | Design::BeforeAfter => Some(0),
    }
}
