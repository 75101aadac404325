//! What the comparison of measures comes to, in sentences.

use tallywheel_schemas::{
    campaign::FuelMeasure,
    report::{Agreement, FuelCheck, FuelChoice, FuelConditions, FuelPair},
};

use crate::figure::{fixed, signed};

/// A measure as people call it.
pub(crate) const fn name(measure: FuelMeasure) -> &'static str {
    match measure {
        FuelMeasure::Weighed => "the weighed tank",
        FuelMeasure::Meter => "the meter",
        FuelMeasure::Rate => "the reported rate",
        FuelMeasure::Air => "the air mass",
    }
}

/// The decision of a person.
pub(super) fn decision(d: &FuelChoice) -> String {
    format!("fuel is taken from {}, decided by {} on {}: {}", name(d.trust), d.by, d.date, d.reason)
}

/// What came of it, pair by pair.
pub(super) fn findings(check: &FuelCheck) -> Vec<String> {
    if check.pairs.is_empty() {
        return vec!["fuel was measured in one way only: no second measure could contradict it".to_owned()];
    }
    let mut findings: Vec<String> = check.pairs.iter().flat_map(of_pair).collect();
    findings.extend(check.decision.as_ref().map(decision));
    findings
}

fn of_pair(pair: &FuelPair) -> Vec<String> {
    let mut findings = Vec::new();
    let both = format!("{} and {}", name(pair.first), name(pair.second));
    let apart = apart(pair, Agreement::Differs);
    match &pair.conditions {
        Some(c) if c.beyond == Some(true) => findings.push(biased(pair, c)),
        _ if !apart.is_empty() => {}
        Some(FuelConditions { beyond: Some(false), limit_percent: Some(limit), difference_percent, .. }) => {
            findings.push(format!(
                "{both} agree: their ratio differs by {} % between the conditions, within ± {} % (99 %)",
                signed(*difference_percent, 2),
                fixed(*limit, 2)
            ));
        }
        _ => {
            findings
                .push(format!("{both} agree in every run; whether alike in both conditions takes two runs in each"));
        }
    }
    if !apart.is_empty() {
        findings.push(format!("{both} differ beyond twice their uncertainty in run {}", apart.join(", ")));
    }
    if let Some(drift) = pair.drift.as_ref().filter(|d| d.beyond == Some(true)) {
        findings.push(format!(
            "the ratio of {} to {} drifts by {} % from run to run",
            name(pair.second),
            name(pair.first),
            signed(drift.percent_per_run.estimate, 2)
        ));
    }
    findings
}

/// Runs that count and in which the measures differ at least so much.
fn apart(pair: &FuelPair, least: Agreement) -> Vec<&str> {
    let counts = |a: Agreement| match least {
        Agreement::Grossly => a == Agreement::Grossly,
        _ => a != Agreement::Agrees,
    };
    pair.runs.iter().filter(|r| r.used && counts(r.agreement)).map(|r| r.run.as_str()).collect()
}

fn biased(pair: &FuelPair, c: &FuelConditions) -> String {
    format!(
        "{} over {} is {} without assist and {} with it: the difference of {} % is beyond ± {} % (99 %) and would pass for \
         an effect of the assist",
        name(pair.second),
        name(pair.first),
        fixed(c.baseline, 4),
        fixed(c.assist, 4),
        signed(c.difference_percent, 2),
        c.limit_percent.map_or_else(|| "–".to_owned(), |l| fixed(l, 2))
    )
}

/// What withholds the verdict until somebody decides, or stands against what somebody decided.
pub(super) fn obstacles(check: &FuelCheck) -> Vec<String> {
    let mut obstacles = Vec::new();
    for pair in &check.pairs {
        if let Some(c) = pair.conditions.as_ref().filter(|c| c.beyond == Some(true)) {
            obstacles.push(format!("two measures of fuel disagree: {}", biased(pair, c)));
        }
        let grossly = apart(pair, Agreement::Grossly);
        if !grossly.is_empty() {
            obstacles.push(format!(
                "two measures of fuel disagree: {} and {} differ beyond three times their uncertainty in run {}",
                name(pair.first),
                name(pair.second),
                grossly.join(", ")
            ));
        }
    }
    obstacles
}

/// What is to be done about a disagreement.
pub(super) const WAY_OUT: &str = "find out which is wrong and say so under [fuel_decision] in the campaign";
