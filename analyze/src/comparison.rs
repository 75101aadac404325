//! Whether the runs can be compared: circumstances, conversions, and what each pair says by itself.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    campaign::{Campaign, FuelMeasure, Rules},
    report::PairResult,
    rig::{Calibration, Signal},
};

use crate::{
    figure::fixed,
    run::{Admission, RunFacts},
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

/// Why fuel or distance cannot be compared: the rigs of the two conditions turn the same signal into different
/// quantities, so that calibration errors no longer cancel. Another certificate of the same factor, offset and
/// uncertainty turns it into the same: [`renewed_calibrations`] names that.
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

/// Signals that a run's fuel and distance are made from.
fn used_signals<'r>(run: &'r RunFacts<'_>) -> impl Iterator<Item = &'r Signal> {
    let distance: &[&str] = &["motion.wheel_speed_m_s", "motion.hall_count"];
    let fuel: &[&str] = match run.fuel_measure {
        Some(FuelMeasure::Meter) => &["engine.fuel_count", "engine.fuel_temp_c"],
        Some(FuelMeasure::Rate) => &["engine.fuel_rate_g_s"],
        Some(FuelMeasure::Air) => &["engine.maf_g_s", "engine.lambda"],
        Some(FuelMeasure::Weighed) | None => &[],
    };
    distance.iter().chain(fuel).filter_map(|c| run.ledger.session.rig.signal(c, None))
}

/// How a run's fuel and distance are made from what the wire carries, as a text to compare.
fn conversions(run: &RunFacts<'_>) -> String {
    let (rig, findings) = (&run.ledger.session.rig, &run.ledger.findings);
    let calibration =
        |c: &Calibration| format!("{} {} {} {}", c.factor, c.offset, c.relative_uncertainty, c.absolute_uncertainty);
    let signals: Vec<_> = used_signals(run)
        .map(|s| format!("{} {} {} {:?}", s.channel, s.scale, s.offset, s.calibration.as_ref().map(calibration)))
        .collect();
    format!(
        "{:?} {:?} {:?} {:?} {signals:?}",
        findings.distance_source, run.fuel_measure, rig.fuel, rig.distance.m_per_edge
    )
}

/// A reservation where the conditions rest on calibrations of other certificates or days: the budget takes their errors for
/// different ones, which do not cancel.
pub fn renewed_calibrations(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Option<String> {
    let of = |runs: &[&RunFacts<'_>]| {
        let signals = runs.iter().flat_map(|run| used_signals(run));
        signals.filter_map(|s| Some((s.channel.clone(), reference(s.calibration.as_ref()?)))).collect::<BTreeSet<_>>()
    };
    let (b, a) = (of(baseline), of(assist));
    let channels: BTreeSet<&String> = b.symmetric_difference(&a).map(|(channel, _)| channel).collect();
    let named = |side: &BTreeSet<(String, String)>, channel: &String| {
        let names: Vec<&str> = side.iter().filter(|(c, _)| c == channel).map(|(_, name)| name.as_str()).collect();
        names.join(", ")
    };
    let each: Vec<String> = channels
        .into_iter()
        .map(|c| format!("{c} by {} without assist and by {} with it", named(&b, c), named(&a, c)))
        .filter(|_| !b.is_empty() && !a.is_empty())
        .collect();
    (!each.is_empty()).then(|| {
        format!(
            "the conditions rest on different calibrations ({}); what these leave uncertain does not cancel in the improvement",
            each.join("; ")
        )
    })
}

/// Certificate and day of a calibration.
fn reference(c: &Calibration) -> String {
    let parts: Vec<&str> = c.certificate.as_deref().into_iter().chain(c.date.as_deref()).collect();
    if parts.is_empty() { "one without certificate".to_owned() } else { parts.join(" of ") }
}

/// A reservation where the motors of an assisted run drove no more than those of a run without assist may: whatever is
/// found then says nothing of a kit at work.
pub fn idle_assist(rules: &Rules, assist: &[&RunFacts<'_>]) -> Option<String> {
    let most = rules.max_assist_share_baseline;
    let idle: Vec<&str> =
        assist.iter().filter(|r| r.assist_share.is_some_and(|s| s <= most)).map(|r| r.sheet.run.as_str()).collect();
    (!idle.is_empty()).then(|| {
        format!(
            "in {} of {} assisted runs ({}) a motor drove for no more than {} % of the time, which a run without assist may \
             have: they show nothing of the kit at work",
            idle.len(),
            assist.len(),
            idle.join(", "),
            fixed(most * 100.0, 1)
        )
    })
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
