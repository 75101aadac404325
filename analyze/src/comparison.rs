//! Whether the runs can be compared: circumstances, conversions, and what each pair says by itself.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    campaign::{Campaign, FuelMeasure},
    report::PairResult,
};

use crate::run::{Admission, RunFacts};

/// The pairs of a campaign with their own improvement.
pub fn pairs(campaign: &Campaign, runs: &[RunFacts<'_>], admitted: &[Admission]) -> Vec<PairResult> {
    let find = |name: &str| runs.iter().position(|r| r.sheet.run == name);
    campaign
        .pairs
        .iter()
        .filter_map(|pair| {
            let (b, a) = (find(&pair.baseline)?, find(&pair.assist)?);
            let ratio = runs[b].l_per_100km().zip(runs[a].l_per_100km()).map(|(b, a)| b / a);
            Some(PairResult {
                baseline: pair.baseline.clone(),
                assist: pair.assist.clone(),
                used: admitted[b].used && admitted[a].used,
                mileage_percent: ratio.map(|r| (r - 1.0) * 100.0),
            })
        })
        .collect()
}

/// Why fuel or distance cannot be compared: the rigs of the two conditions turn the same signal into different
/// quantities, so that calibration errors no longer cancel.
pub fn conversion_difference(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Option<String> {
    let all = |runs: &[&RunFacts<'_>]| runs.iter().map(|r| conversions(r)).collect::<BTreeSet<_>>();
    let (b, a) = (all(baseline), all(assist));
    let differ = !b.is_empty() && !a.is_empty() && b != a;
    differ.then(|| {
        "the rigs of the two conditions take fuel or distance from other sources or convert them with other factors, \
         so that their errors do not cancel; rebuild the sessions with one rig"
            .to_owned()
    })
}

/// How a run's fuel and distance are made from what the wire carries, as a text to compare.
fn conversions(run: &RunFacts<'_>) -> String {
    let (rig, findings) = (&run.ledger.session.rig, &run.ledger.findings);
    let distance: &[&str] = &["motion.wheel_speed_m_s", "motion.hall_count"];
    let fuel: &[&str] = match run.fuel_measure {
        Some(FuelMeasure::Meter) => &["engine.fuel_count", "engine.fuel_temp_c"],
        Some(FuelMeasure::Rate) => &["engine.fuel_rate_g_s"],
        Some(FuelMeasure::Air) => &["engine.maf_g_s", "engine.lambda"],
        Some(FuelMeasure::Weighed) | None => &[],
    };
    let signals: Vec<_> = distance
        .iter()
        .chain(fuel)
        .filter_map(|c| rig.signal(c, None))
        .map(|s| format!("{} {} {} {:?}", s.channel, s.scale, s.offset, s.calibration))
        .collect();
    format!(
        "{:?} {:?} {:?} {:?} {signals:?}",
        findings.distance_source, run.fuel_measure, rig.fuel, rig.distance.m_per_edge
    )
}

/// A reservation where the recording cannot confirm what the run sheets say of the assist.
pub fn unchecked_assist(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Option<String> {
    let unknown: Vec<&str> =
        baseline.iter().chain(assist).filter(|r| r.assist_share.is_none()).map(|r| r.sheet.run.as_str()).collect();
    (!unknown.is_empty()).then(|| {
        format!(
            "whether the motors drove was not recorded in run {}: there only the run sheet speaks for it",
            unknown.join(", ")
        )
    })
}
