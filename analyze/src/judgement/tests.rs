use tallywheel_schemas::{Condition, TextFile, report::Decision};

use super::*;

/// A paired campaign with so many pairs listed.
fn campaign(claim: f64, pairs: usize, more: &str) -> Campaign {
    let listed: String = (0..pairs).map(|i| format!("[[pair]]\nbaseline = \"b{i}\"\nassist = \"a{i}\"\n")).collect();
    let text = format!(
        "schema = 1\nname = \"Harbour loop\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = {claim:?}\n\
         design = \"paired\"\n{listed}{more}"
    );
    Campaign::parse(&TextFile::new("c.toml", text)).expect("a good campaign")
}

/// Pairs with these improvements of mileage, all in one order of driving.
fn pairs(improvements: &[f64]) -> Vec<Observation> {
    let run = |(i, gained): (usize, &f64)| {
        let place = 2.0 * i as f64;
        [
            Observation::new(format!("b{i}"), Condition::Baseline, i, 940.0 * (1.0 + gained / 100.0), 9_400.0)
                .at(place),
            Observation::new(format!("a{i}"), Condition::Assist, i, 940.0, 9_400.0).at(place + 1.0),
        ]
    };
    improvements.iter().enumerate().flat_map(run).collect()
}

fn decided(claim: f64, improvements: &[f64], more: &str) -> Judgement {
    let campaign = campaign(claim, improvements.len(), more);
    judge(&campaign, &pairs(improvements), &Systematic::default(), Vec::new())
}

fn says(judgement: &Judgement, part: &str) -> bool {
    judgement.verdict.reasons.iter().any(|r| r.contains(part))
}

/// Interval of 50, 55 and 60 % by hand: mean log ratio 0.43825, t(0.975, 2) = 4.302653, +43.1 to +68.0 %.
#[test]
fn the_rule_decides_by_where_the_interval_lies() {
    let decision = |claim| decided(claim, &[50.0, 55.0, 60.0], "");
    assert_eq!(decision(40.0).verdict.decision, Decision::Supported);
    assert_eq!(decision(55.0).verdict.decision, Decision::Undecided);
    assert_eq!(decision(70.0).verdict.decision, Decision::NotSupported);
    assert!(says(&decision(55.0), "no plan was stated"), "{:?}", decision(55.0).verdict.reasons);
    assert!(decision(52.0).verdict.further_pairs.is_some_and(|n| n >= 2));
}

#[test]
fn obstacles_come_first() {
    let c = campaign(40.0, 3, "");
    let j = judge(&c, &pairs(&[50.0, 55.0, 60.0]), &Systematic::default(), vec!["it rained".to_owned()]);
    assert_eq!((j.verdict.decision, j.verdict.look.is_none()), (Decision::Withheld, true));
    assert_eq!(j.verdict.reasons, ["it rained"]);
    assert!(j.interval.is_some(), "the figures are shown all the same");
}

#[test]
fn what_cannot_be_said_is_said() {
    for improvements in [&[50.0][..], &[50.0, 50.0, 50.0]] {
        let j = decided(10.0, improvements, "");
        assert_eq!(j.verdict.decision, Decision::Undecided);
        assert!(says(&j, "there is no interval"), "{:?}", j.verdict.reasons);
        assert_eq!((j.interval, j.verdict.further_pairs), (None, None));
    }
    let none = judge(&campaign(10.0, 2, ""), &[], &Systematic::default(), Vec::new());
    assert_eq!(none.verdict.decision, Decision::Withheld);
    assert!(says(&none, "no usable run is left in at least one condition"));
    let two = decided(10.0, &[50.0, 52.0], "");
    assert_eq!(two.effect.as_ref().and_then(|e| e.degrees_of_freedom), Some(1.0));
    assert_eq!(two.verdict.decision, Decision::Supported);
}

const PLAN: &str = "[plan]\nlooks = [4, 8]\n";
const CLEAR: [f64; 8] = [50.0, 50.4, 49.6, 50.2, 49.9, 50.1, 50.3, 49.8];

#[test]
fn before_the_first_look_nothing_is_decided() {
    let j = decided(20.0, &CLEAR[..3], PLAN);
    assert_eq!(j.verdict.decision, Decision::Undecided);
    assert!(says(&j, "the first look is at 4 pairs, of which 3 are there"), "{:?}", j.verdict.reasons);
    let look = j.verdict.look.expect("a plan");
    assert_eq!((look.number, look.of, look.next, look.error_spent), (0, 2, Some(4), 0.0));
    assert_eq!(look.confidence, None);
    assert!(j.interval.is_some());
}

/// α(4 of 8) = 0.005575 by the spending function (see `looks`): the first look's interval has 99.44 % confidence.
#[test]
fn a_look_has_the_confidence_of_its_share_of_the_error() {
    let j = decided(20.0, &CLEAR[..4], PLAN);
    assert_eq!(j.verdict.decision, Decision::Supported);
    let look = j.verdict.look.expect("a plan");
    assert!((look.confidence.expect("taken") - 0.994_425).abs() < 1e-6);
    let (low, high) = j.decision_interval.expect("four pairs");
    let (nominal_low, nominal_high) = j.interval.expect("four pairs");
    // t(0.9972125, 3) over t(0.975, 3), both by scipy.stats.t.ppf: 7.1763 / 3.1824.
    assert!(((high - low) / (nominal_high - nominal_low) - 7.1763 / 3.1824).abs() < 2e-3);
}

/// What the later pairs are changes nothing of a look that was reached before.
#[test]
fn the_first_look_that_decides_decides() {
    let mut improvements = CLEAR;
    improvements[4..].copy_from_slice(&[5.0, 80.0, -10.0, 40.0]);
    for n in 4..=8 {
        let j = decided(20.0, &improvements[..n], PLAN);
        assert_eq!(j.verdict.decision, Decision::Supported, "{n}");
        assert_eq!(j.verdict.look.as_ref().map(|l| (l.number, l.units_looked_at)), Some((1, 4)));
        assert_eq!(says(&j, "the look rests on the first 4 of"), n > 4);
    }
}

#[test]
fn between_two_looks_the_next_one_is_named() {
    let wide = [30.0, 60.0, 45.0, 50.0, 35.0, 55.0];
    let j = decided(44.0, &wide, PLAN);
    assert_eq!(j.verdict.decision, Decision::Undecided);
    assert_eq!(j.verdict.further_pairs, Some(2));
    assert!(says(&j, "the next look is at 8 pairs, of which 6 are there"), "{:?}", j.verdict.reasons);
    assert!(says(&j, "falls short of its last look at 8"), "{:?}", j.verdict.reasons);
}

#[test]
fn after_the_last_look_the_error_is_used_up() {
    let wide = [30.0, 60.0, 45.0, 50.0, 35.0, 55.0, 40.0, 48.0, 44.0];
    let j = decided(42.0, &wide, PLAN);
    assert_eq!(j.verdict.decision, Decision::Undecided);
    assert!(says(&j, "takes a fresh campaign"), "{:?}", j.verdict.reasons);
    let look = j.verdict.look.expect("a plan");
    assert_eq!((look.number, look.next, look.units_looked_at, look.units_used), (2, None, 8, 9));
    assert!((look.error_spent - 0.05).abs() < 1e-12);
}

/// A calibration error that differs between the conditions widens the interval and can take the decision away.
#[test]
fn calibrations_that_do_not_cancel_widen_the_interval() {
    let c = campaign(48.0, 8, "");
    let with = |u| {
        let systematic = Systematic { relative_standard_uncertainty: u, ..Systematic::default() };
        judge(&c, &pairs(&CLEAR), &systematic, Vec::new())
    };
    assert_eq!(with(0.0).verdict.decision, Decision::Supported);
    let j = with(0.02);
    assert_eq!(j.verdict.decision, Decision::Undecided);
    assert!(says(&j, "too near the claim for any practical number"), "{:?}", j.verdict.reasons);
    let ((low, high), (sys_low, sys_high)) = (j.interval.expect("runs"), j.systematic_interval(0.95).expect("u"));
    assert!((sys_high - sys_low - 2.0 * 1.959_964 * 0.02).abs() < 1e-7);
    assert!(high - low > sys_high - sys_low);
}
