//! Passes of test and control vehicle together: do both runs of each count?

use tallywheel_schemas::campaign::{Campaign, Design};

use crate::{
    figure::{fixed, signed},
    run::{Admission, PARTNER, RunFacts, overruled, shared_faults},
    stats::median,
};

/// Applies the rules to the control vehicle's runs, and to both runs of a pass what only a pass has: elapsed time and
/// distance near those of the vehicle's other passes.
///
/// The tolerance of 0.5 % on elapsed time is that of the SAE road-test procedure as an engine maker's summary has it
/// (15 s in 50 min). `admitted` are those of the test vehicle's runs and are lowered here; the control runs' are returned.
pub fn admit_passes(
    campaign: &Campaign,
    tests: &[RunFacts<'_>],
    admitted: &mut [Admission],
    control: &[RunFacts<'_>],
) -> Vec<Admission> {
    let mut own: Vec<Admission> =
        control.iter().map(|run| overruled(campaign, run, &shared_faults(campaign, run))).collect();
    if campaign.design != Design::Control {
        return own;
    }
    for (runs, admissions) in [(tests, &mut *admitted), (control, own.as_mut_slice())] {
        for (run, admission) in runs.iter().zip(admissions.iter_mut()).filter(|(_, a)| a.used) {
            let kept = campaign.overrides.iter().any(|o| o.run == run.sheet.run && o.r#use);
            if let Some(reason) = off_the_pass(campaign, run, runs).filter(|_| !kept) {
                *admission = Admission { used: false, reason: Some(reason) };
            }
        }
    }
    for pass in &campaign.together {
        let test = tests.iter().position(|r| r.sheet.run == pass.test);
        let other = control.iter().position(|r| r.sheet.run == pass.control);
        let (lost_test, lost_control) = (test.is_none_or(|i| !admitted[i].used), other.is_none_or(|i| !own[i].used));
        if let Some(i) = test.filter(|i| lost_control && admitted[*i].used) {
            admitted[i] = without_partner(&pass.control);
        }
        if let Some(i) = other.filter(|i| lost_test && own[*i].used) {
            own[i] = without_partner(&pass.test);
        }
    }
    own
}

fn without_partner(name: &str) -> Admission {
    Admission { used: false, reason: Some(format!("{PARTNER} {name} does not count")) }
}

/// How far a run's distance and elapsed time are from the median of the vehicle's passes, as shares.
pub(crate) fn pass_deviations(run: &RunFacts<'_>, runs: &[RunFacts<'_>]) -> [(&'static str, Option<f64>); 2] {
    let distance = |r: &RunFacts<'_>| r.tally.distance_m;
    let time = |r: &RunFacts<'_>| {
        let manifest = &r.ledger.session.manifest;
        Some(manifest.end_us.seconds_since(manifest.start_us))
    };
    let off = |of: &dyn Fn(&RunFacts<'_>) -> Option<f64>| {
        Some(of(run)? / median(runs.iter().filter_map(of).collect())? - 1.0)
    };
    [("distance", off(&distance)), ("elapsed time", off(&time))]
}

/// Why a run is no pass like the vehicle's others.
fn off_the_pass(campaign: &Campaign, run: &RunFacts<'_>, runs: &[RunFacts<'_>]) -> Option<String> {
    let limit = campaign.rules.max_pass_deviation;
    let mut known = pass_deviations(run, runs).into_iter().filter_map(|(what, off)| Some((what, off?)));
    let (what, off) = known.find(|(_, off)| off.abs() > limit)?;
    Some(format!(
        "its {what} is {} % off the vehicle's median pass, more than {} %",
        signed(off * 100.0, 2),
        fixed(limit * 100.0, 2)
    ))
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::campaign::Rules;

    /// ±0.5 % is ±15 s for 50 miles at 60 mph (an engine maker's summary of the SAE road-test procedure).
    #[test]
    fn the_default_tolerance_is_fifteen_seconds_in_fifty_minutes() {
        assert!((Rules::default().max_pass_deviation * 50.0 * 60.0 - 15.0).abs() < 1e-9);
    }
}
