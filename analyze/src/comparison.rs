//! Whether the runs can be compared: circumstances, conversions, and what each pair says by itself.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    campaign::Campaign,
    report::{Comparability, PairResult},
};

use crate::{
    run::{Admission, RunFacts},
    stats::Sample,
};

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

/// A circumstance of a run.
pub type Fact = fn(&RunFacts<'_>) -> Option<f64>;

/// The circumstances that are compared, by the name of their row, in the row's unit.
pub const FACTS: &[(&str, Fact)] = &[
    ("outside temperature", |r| r.ambient_c),
    ("wind", |r| r.wind_m_s),
    ("payload", |r| r.sheet.payload_kg),
    ("mean speed", |r| r.speed_mean_m_s.map(|v| v * 3.6)),
];

/// Compares the conditions' mean circumstances with the campaign's limits.
pub fn comparability(campaign: &Campaign, baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Vec<Comparability> {
    let rules = &campaign.rules;
    let rows: [(&str, &str, f64, &str, Fact); 4] = [
        ("outside temperature", "°C", rules.max_ambient_difference_k, "K", FACTS[0].1),
        ("wind", "m/s", rules.max_wind_difference_m_s, "m/s", FACTS[1].1),
        ("payload", "kg", rules.max_payload_difference_kg, "kg", FACTS[2].1),
        ("mean speed", "km/h", rules.max_speed_difference, "share", FACTS[3].1),
    ];
    rows.into_iter()
        .map(|(quantity, unit, limit, limit_unit, fact)| {
            let (b, a) = (mean_fact(baseline, fact), mean_fact(assist, fact));
            let scale = |b: f64| if limit_unit == "share" { b.abs() } else { 1.0 };
            let largest_in_a_pair = largest_in_a_pair(campaign, baseline, assist, fact);
            Comparability {
                quantity: quantity.to_owned(),
                unit: unit.to_owned(),
                baseline: b,
                assist: a,
                limit,
                limit_unit: limit_unit.to_owned(),
                alike: b.zip(a).map(|(b, a)| (b - a).abs().max(largest_in_a_pair.unwrap_or(0.0)) <= limit * scale(b)),
                largest_in_a_pair,
            }
        })
        .collect()
}

/// Largest difference of a fact inside a pair: means may agree where no pair does.
fn largest_in_a_pair(
    campaign: &Campaign,
    baseline: &[&RunFacts<'_>],
    assist: &[&RunFacts<'_>],
    fact: fn(&RunFacts<'_>) -> Option<f64>,
) -> Option<f64> {
    let of = |runs: &[&RunFacts<'_>], name: &str| runs.iter().find(|r| r.sheet.run == name).and_then(|r| fact(r));
    let differences =
        campaign.pairs.iter().filter_map(|p| Some((of(baseline, &p.baseline)? - of(assist, &p.assist)?).abs()));
    differences.reduce(f64::max)
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
    let channels = [
        "motion.wheel_speed_m_s",
        "motion.hall_count",
        "engine.fuel_count",
        "engine.fuel_rate_g_s",
        "engine.maf_g_s",
        "engine.lambda",
        "engine.fuel_temp_c",
    ];
    let signals: Vec<_> = channels
        .iter()
        .filter_map(|c| rig.signal(c, None))
        .map(|s| format!("{} {} {} {:?}", s.channel, s.scale, s.offset, s.calibration))
        .collect();
    format!(
        "{:?} {:?} {:?} {:?} {signals:?}",
        findings.distance_source, findings.fuel_source, rig.fuel, rig.distance.m_per_edge
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

/// Mean of a fact over runs; `None` unless every run has it.
fn mean_fact(runs: &[&RunFacts<'_>], fact: fn(&RunFacts<'_>) -> Option<f64>) -> Option<f64> {
    let values: Option<Vec<f64>> = runs.iter().map(|r| fact(r)).collect();
    Sample::of(&values?).map(|s| s.mean)
}
