//! The campaign's rules with a run's values. What decides is [`admit`](crate::run::admit) and
//! [`admit_passes`](crate::passes::admit_passes); this says the numbers.

use tallywheel_schemas::{Campaign, Condition, campaign::Design, report::ExplainedRule};

use crate::{
    likeness::{
        quantity::{CHARGE, COOLANT, DISTANCE, ROUTE},
        standings,
    },
    passes::pass_deviations,
    run::{RunFacts, gps_deviation, listed_as, route},
};

/// Every rule that applies to the run at `place` of its vehicle's `runs`. Runs `beside` the vehicle under test are under
/// the rules that any vehicle is under.
pub(super) fn of_run(campaign: &Campaign, runs: &[RunFacts<'_>], place: usize, beside: bool) -> Vec<ExplainedRule> {
    let (limits, run) = (&campaign.rules, &runs[place]);
    let listed = listed_as(campaign, run);
    let mut rules = Vec::new();
    if !beside {
        let said = "the run sheet has the condition that the campaign lists the run under";
        rules.push(said_of(said, run.sheet.condition == listed));
    }
    let lost: u64 = run.ledger.findings.damage.iter().map(|d| d.rows).sum();
    rules.extend([
        said_of("the run sheet has a route of the campaign", run.sheet.route == route(campaign, run)),
        at_most("rows that cannot be trusted", Some(lost as f64), 0.0),
        said_of("fuel and distance are recorded", run.l_per_100km().is_some()),
        at_least("min_coverage", Some(run.coverage), limits.min_coverage),
    ]);
    if campaign.design == Design::Control {
        rules.extend(pass_deviations(run, runs).into_iter().map(|(what, off)| {
            at_most(&format!("max_pass_deviation, {what}"), off.map(f64::abs), limits.max_pass_deviation)
        }));
    }
    if beside {
        return rules;
    }
    rules.extend(among_its_like(campaign, runs, place));
    rules.push(at_most("max_gps_deviation", gps_deviation(run).map(f64::abs), limits.max_gps_deviation));
    match listed {
        Condition::Baseline => {
            let most = limits.max_assist_share_baseline;
            rules.push(at_most("max_assist_share_baseline", run.assist_share, most));
            rules.push(at_most("max_assist_share_baseline, motors braking", run.regen_share, most));
        }
        Condition::Assist => {
            rules.push(at_least("min_assist_share_assist", run.assist_share, limits.min_assist_share_assist));
        }
    }
    rules
}

/// What sets a run apart from those that it is compared with, of its own block where there are blocks. Which run it is
/// that leaves the others is judged by most of them: a value beyond a limit need not be this run's fault.
fn among_its_like(campaign: &Campaign, runs: &[RunFacts<'_>], place: usize) -> Vec<ExplainedRule> {
    if campaign.design == Design::BeforeAfter {
        return Vec::new();
    }
    let (limits, standing) = (&campaign.rules, &standings(campaign, runs)[place]);
    let held = |key: &str, quantity: &str, limit: f64| {
        let value = standing.off(quantity);
        rule(key, value, Some(limit), value.map(|_| !standing.is_apart(quantity)))
    };
    let mut rules = vec![
        held("max_distance_deviation", DISTANCE, limits.max_distance_deviation),
        held("max_route_departure", ROUTE, limits.max_route_departure),
        held("max_coolant_start_difference_k", COOLANT, limits.max_coolant_start_difference_k),
    ];
    if runs[place].sheet.condition == Condition::Assist {
        rules.push(held("max_soc_start_difference_points", CHARGE, limits.max_soc_start_difference_points));
    }
    rules
}

fn rule(rule: &str, value: Option<f64>, limit: Option<f64>, kept: Option<bool>) -> ExplainedRule {
    ExplainedRule { rule: rule.to_owned(), value, limit, kept }
}

fn said_of(name: &str, kept: bool) -> ExplainedRule {
    rule(name, None, None, Some(kept))
}

fn at_most(name: &str, value: Option<f64>, limit: f64) -> ExplainedRule {
    rule(name, value, Some(limit), value.map(|v| v <= limit))
}

fn at_least(name: &str, value: Option<f64>, limit: f64) -> ExplainedRule {
    rule(name, value, Some(limit), value.map(|v| v >= limit))
}
