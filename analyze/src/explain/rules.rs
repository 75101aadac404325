//! The campaign's rules with a run's values. What decides is [`admit`](crate::run::admit); this says the numbers.

use tallywheel_schemas::{Campaign, Condition, report::ExplainedRule};

use crate::{
    likeness::{
        quantity::{CHARGE, COOLANT, ROUTE},
        standings,
    },
    run::{RunFacts, gps_deviation, listed_as, median_distance_m, route},
};

/// Every rule that applies to a run.
pub(super) fn of_run(campaign: &Campaign, runs: &[RunFacts<'_>], run: &RunFacts<'_>) -> Vec<ExplainedRule> {
    let limits = &campaign.rules;
    let listed = listed_as(campaign, run);
    let rule = |rule: &str, value: Option<f64>, limit: Option<f64>, kept: Option<bool>| ExplainedRule {
        rule: rule.to_owned(),
        value,
        limit,
        kept,
    };
    let said = |name: &str, kept: bool| rule(name, None, None, Some(kept));
    let at_most =
        |name: &str, value: Option<f64>, limit: f64| rule(name, value, Some(limit), value.map(|v| v <= limit));
    let at_least =
        |name: &str, value: Option<f64>, limit: f64| rule(name, value, Some(limit), value.map(|v| v >= limit));
    let lost: u64 = run.ledger.findings.damage.iter().map(|d| d.rows).sum();
    let distance_off = run.tally.distance_m.zip(median_distance_m(runs)).map(|(m, median)| (m / median - 1.0).abs());
    let mut rules = vec![
        said("the run sheet has the condition that the campaign lists the run under", run.sheet.condition == listed),
        said("the run sheet has a route of the campaign", run.sheet.route == route(campaign, run)),
        at_most("rows that cannot be trusted", Some(lost as f64), 0.0),
        said("fuel and distance are recorded", run.l_per_100km().is_some()),
        at_least("min_coverage", Some(run.coverage), limits.min_coverage),
        at_most("max_distance_deviation", distance_off, limits.max_distance_deviation),
        at_most("max_gps_deviation", gps_deviation(run).map(f64::abs), limits.max_gps_deviation),
    ];
    if listed == Condition::Baseline {
        let name = "max_assist_share_baseline, motors braking";
        rules.push(at_most(name, run.regen_share, limits.max_assist_share_baseline));
    }
    rules.push(match listed {
        Condition::Baseline => at_most("max_assist_share_baseline", run.assist_share, limits.max_assist_share_baseline),
        Condition::Assist => at_least("min_assist_share_assist", run.assist_share, limits.min_assist_share_assist),
    });
    let place = runs.iter().position(|r| std::ptr::eq(r, run));
    if let Some(standing) = place.and_then(|place| standings(campaign, runs).into_iter().nth(place)) {
        let departure = standing.route.as_ref().map(|r| r.departure);
        // Which run leaves the route is judged by most of them: a departure beyond the limit need not be this run's.
        let broken = |quantity: &str| standing.breaks.iter().find(|b| b.quantity == quantity);
        let kept = departure.map(|_| broken(ROUTE).is_none());
        rules.push(rule("max_route_departure", departure, Some(limits.max_route_departure), kept));
        rules.extend([COOLANT, CHARGE].into_iter().filter_map(|q| Some(said(&broken(q)?.reason, false))));
    }
    rules
}
