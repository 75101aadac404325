//! Where a campaign stands, without giving away what it says before anybody may look.
//!
//! Who sees the improvement after every pair and may stop, stops when it pleases, and the interval's confidence is gone.
//! So between the planned looks only runs and spread are shown. The spread says nothing of the improvement; from it
//! follow the chance of a decision, with the improvement that was expected when planning, and whether the planned size
//! still suffices.

use std::fmt::Write as _;

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};
use tallywheel_schemas::Campaign;

use super::{
    Aim, Comparing, RunSeen, RunState, Seen, order,
    power::power,
    size::{self, upper_limit_of_spread},
};
use crate::{
    figure::{fixed, signed},
    looks::confidences,
    stats::t_quantile,
    verdict::POWER,
};

/// Where a campaign stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanStatus {
    /// Title.
    pub name: String,
    /// Design.
    pub design: &'static str,
    /// What `planned`, `units_valid` and `looks` count.
    pub unit: &'static str,
    /// Units planned; without a plan, those that the campaign lists.
    pub planned: u32,
    /// Counts at which the claim may be decided.
    pub looks: Vec<u32>,
    /// Units that count so far.
    pub units_valid: u32,
    /// Runs that were driven, whether they count or not.
    pub done: usize,
    /// Runs that count or wait for their partner.
    pub valid: usize,
    /// Runs that are excluded or whose session cannot be used.
    pub excluded: usize,
    /// Runs that nobody has driven.
    pub missing: usize,
    /// The run that is driven next.
    pub next: Option<String>,
    /// Every run of the campaign.
    pub runs: Vec<RunSeen>,
    /// Spread so far.
    pub spread: Option<f64>,
    /// Spread that was planned with.
    pub spread_planned: Option<f64>,
    /// Units that the spread so far asks for, with the improvement that was expected.
    pub needed_by_spread: Option<u32>,
    /// The same with the spread at its upper 80 % limit.
    pub needed_by_upper_spread: Option<u32>,
    /// The look that is reached just now, counted from 1.
    pub look: Option<usize>,
    /// Units at the next look.
    pub next_look: Option<u32>,
    /// Improvement of mileage so far, %; only when a look is reached.
    pub estimate_percent: Option<f64>,
    /// Why the estimate is not shown.
    pub estimate_withheld: Option<String>,
    /// Probability that the planned runs end in a decision.
    pub chance_of_decision: Option<f64>,
    /// How that was worked out, or why it was not.
    pub chance_method: String,
}

/// Draws up the status.
pub fn status(campaign: &Campaign, seen: &Seen) -> PlanStatus {
    let listed = u32::try_from(campaign.baseline.len().min(campaign.assist.len())).unwrap_or(u32::MAX);
    let looks = campaign.plan.as_ref().map_or_else(|| vec![listed], |p| p.looks.clone());
    let planned = looks.last().copied().unwrap_or_default();
    let look = looks
        .iter()
        .position(|l| *l == seen.units)
        .or((seen.units >= planned && planned > 0).then_some(looks.len() - 1));
    let count = |of: &dyn Fn(&RunState) -> bool| seen.runs.iter().filter(|r| of(&r.state)).count();
    let missing = count(&|s| *s == RunState::Missing);
    let expected = campaign.plan.as_ref().and_then(|p| p.expected_percent);
    let chance = chance(campaign, seen, &looks, look.is_some(), expected);
    let interim = &looks[..looks.len().saturating_sub(1)];
    let needed = |sd: Option<f64>| {
        let aim = aim(campaign, expected?);
        size::size(seen.comparing?, &aim, sd?, interim).map(|s| s.planned)
    };
    let upper = seen
        .comparing
        .zip(seen.spread)
        .and_then(|(comparing, sd)| upper_limit_of_spread(sd, comparing.degrees_of_freedom(f64::from(seen.units))));
    PlanStatus {
        name: campaign.name.clone(),
        design: campaign.design.name(),
        unit: campaign.unit(),
        planned,
        units_valid: seen.units,
        done: seen.runs.len() - missing,
        valid: count(&|s| matches!(s, RunState::Valid | RunState::Waiting(_))),
        excluded: count(&|s| matches!(s, RunState::Excluded(_) | RunState::Unusable(_))),
        missing,
        next: next(campaign, seen, planned),
        runs: seen.runs.clone(),
        spread: seen.spread,
        spread_planned: campaign.plan.as_ref().and_then(|p| p.spread),
        needed_by_spread: needed(seen.spread),
        needed_by_upper_spread: needed(upper),
        look: look.map(|i| i + 1),
        next_look: looks.iter().copied().find(|l| *l > seen.units),
        estimate_percent: look.and(seen.log_ratio).map(|d| 100.0 * d.exp_m1()),
        estimate_withheld: withheld(look, seen, &looks, campaign.unit()),
        chance_of_decision: chance.as_ref().ok().map(|c| c.0),
        chance_method: match chance {
            Ok((_, method)) => method.to_owned(),
            Err(reason) => reason,
        },
        looks,
    }
}

fn aim(campaign: &Campaign, expected_percent: f64) -> Aim {
    Aim { claim_percent: campaign.claim_percent, expected_percent, confidence: campaign.confidence, power: POWER }
}

fn withheld(look: Option<usize>, seen: &Seen, looks: &[u32], unit: &str) -> Option<String> {
    match (look, seen.log_ratio, seen.comparing) {
        (_, _, None) => Some("the improvement of this design is worked out by the comparison only".to_owned()),
        (Some(_), Some(_), _) => None,
        (_, None, _) => Some("no unit of both conditions counts yet".to_owned()),
        (None, Some(_), _) => looks.iter().find(|l| **l > seen.units).map(|next| {
            format!(
                "the next planned look is after {next} {unit}: an improvement that is looked at more often than planned \
                 is decided by chance more often than its confidence says"
            )
        }),
    }
}

/// The next run in the order of driving that nobody has driven.
fn next(campaign: &Campaign, seen: &Seen, planned: u32) -> Option<String> {
    let missing = |name: &&String| seen.runs.iter().any(|r| r.run == **name && r.state == RunState::Missing);
    let seed = campaign.plan.as_ref().map_or(0, |p| p.seed);
    let order = order(planned, seed);
    // Units that were added later, and campaigns without a plan, go baseline first.
    let units = campaign.baseline.len().max(campaign.assist.len());
    (0..units)
        .flat_map(|unit| {
            let conditions = match (&campaign.plan, order.get(unit)) {
                (Some(_), Some(conditions)) => *conditions,
                _ => [tallywheel_schemas::Condition::Baseline, tallywheel_schemas::Condition::Assist],
            };
            conditions.map(|condition| match condition {
                tallywheel_schemas::Condition::Baseline => campaign.baseline.get(unit),
                tallywheel_schemas::Condition::Assist => campaign.assist.get(unit),
            })
        })
        .flatten()
        .find(missing)
        .cloned()
}

type Chance = Result<(f64, &'static str), String>;

const BY_ESTIMATE: &str = "predictive probability at the last look from the estimate and spread at this look (Student's \
    t with the runs that are left; the spread taken to stay)";
const BY_PLAN: &str = "probability at the last look for the improvement that was expected and the spread so far \
    (noncentral t); what the runs say of the improvement is not used";
const BY_PLAN_ALONE: &str =
    "probability at the last look for the improvement and the spread that were planned with (noncentral t)";

fn chance(campaign: &Campaign, seen: &Seen, looks: &[u32], at_look: bool, expected: Option<f64>) -> Chance {
    let Some(comparing) = seen.comparing else {
        return Err("the chance of a decision is worked out for paired and unpaired designs only".to_owned());
    };
    let planned = looks.last().copied().unwrap_or_default();
    if seen.units >= planned {
        return Err("all planned runs are in; the comparison decides".to_owned());
    }
    let last = confidences(looks, campaign.confidence).last().copied().unwrap_or(campaign.confidence);
    if at_look && let Some((estimate, sd)) = seen.log_ratio.zip(seen.spread) {
        let beyond = estimate - (1.0 + campaign.claim_percent / 100.0).ln();
        let (now, planned) = (f64::from(seen.units), f64::from(planned));
        return predictive(comparing, beyond, sd, (now, planned), last)
            .map(|p| (p, BY_ESTIMATE))
            .ok_or_else(|| "the runs so far have no spread to predict with".to_owned());
    }
    let Some(expected) = expected else {
        return Err("the campaign has no [plan] with expected_percent, and no planned look is reached".to_owned());
    };
    let shift = aim(campaign, expected).shift();
    let planned_spread = campaign.plan.as_ref().and_then(|p| p.spread);
    let (sd, method) = match (seen.spread, planned_spread) {
        (Some(sd), _) => (sd, BY_PLAN),
        (None, Some(sd)) => (sd, BY_PLAN_ALONE),
        (None, None) => return Err("there is no spread yet, neither seen nor planned".to_owned()),
    };
    power(comparing, f64::from(planned), shift, sd, last)
        .map(|p| (p, method))
        .ok_or_else(|| "the expected improvement equals the claim".to_owned())
}

/// Probability that the interval at the last look lies wholly on one side of the claim, given an estimate `beyond` the
/// claim (log ratio) and a spread over the first of `(now, planned)` units.
///
/// # Formula
/// The mean of the `r = N − m` units to come is `d̄ + T·√(SE²(m) + SE²(r))` with Student's `T` on the degrees of freedom
/// so far (predictive distribution with a flat prior); the last look decides where the mean of all `N` is farther than
/// `t·SE(N)` from the claim. The spread at the last look is taken to be that so far.
pub fn predictive(
    comparing: Comparing,
    beyond: f64,
    sd: f64,
    (now, planned): (f64, f64),
    confidence: f64,
) -> Option<f64> {
    let rest = planned - now;
    let df = comparing.degrees_of_freedom(now);
    let t = StudentsT::new(0.0, 1.0, df).ok().filter(|_| rest > 0.0 && sd > 0.0)?;
    let half = t_quantile(0.5 + confidence / 2.0, comparing.degrees_of_freedom(planned))?
        * comparing.standard_error(sd, planned);
    let scale = comparing.standard_error(sd, now).hypot(comparing.standard_error(sd, rest));
    // Mean of the units to come that brings the mean of all to a limit.
    let at = |limit: f64| ((planned * limit - now * beyond) / rest - beyond) / scale;
    Some(t.sf(at(half)) + t.cdf(at(-half)))
}

impl PlanStatus {
    /// As text for people.
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail.
        let _ = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> std::fmt::Result {
        writeln!(out, "{}\n", self.name)?;
        writeln!(out, "{} of {} planned {} count", self.units_valid, self.planned, self.unit)?;
        writeln!(
            out,
            "Runs: {} driven, of which {} good and {} excluded; {} to drive",
            self.done, self.valid, self.excluded, self.missing
        )?;
        let width = self.runs.iter().map(|r| r.run.chars().count()).max().unwrap_or(0);
        for run in &self.runs {
            let (word, reason) = match &run.state {
                RunState::Valid => ("good", None),
                RunState::Waiting(why) => ("good, waiting", Some(why)),
                RunState::Excluded(why) => ("excluded", Some(why)),
                RunState::Unusable(why) => ("unusable", Some(why)),
                RunState::Missing => ("to drive", None),
            };
            let reason = reason.map_or_else(String::new, |r| format!(": {r}"));
            writeln!(out, "  {:<width$}  {word}{reason}", run.run)?;
        }
        match &self.next {
            Some(run) => writeln!(out, "Next: {run}")?,
            None => writeln!(out, "Next: nothing is left to drive")?,
        }
        let percent = |v: Option<f64>| v.map_or_else(|| "not known yet".to_owned(), |v| fixed(v * 100.0, 1) + " %");
        write!(out, "\nSpread so far: {}", percent(self.spread))?;
        writeln!(
            out,
            "{}",
            self.spread_planned.map_or_else(String::new, |v| format!(", planned with {} %", fixed(v * 100.0, 1)))
        )?;
        if let Some(n) = self.needed_by_spread {
            let upper = self
                .needed_by_upper_spread
                .map_or_else(String::new, |n| format!(" ({n} if the true spread is at its upper 80 % limit)"));
            writeln!(out, "  it asks for {n} {}{upper}; {} are planned", self.unit, self.planned)?;
        }
        match (self.look, self.estimate_percent) {
            (Some(look), Some(percent)) => writeln!(
                out,
                "Look {look} of {} is reached: mileage changed by {} % so far; `compare` decides",
                self.looks.len(),
                signed(percent, 1)
            )?,
            _ => writeln!(
                out,
                "Improvement: not shown, {}",
                self.estimate_withheld.as_deref().unwrap_or("no look is reached")
            )?,
        }
        match self.chance_of_decision {
            Some(p) => writeln!(
                out,
                "Chance of a decision with the runs left: {} %\n  {}",
                fixed(p * 100.0, 0),
                self.chance_method
            ),
            None => writeln!(out, "Chance of a decision with the runs left: not said, {}", self.chance_method),
        }
    }
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ChiSquared, Normal};
    use tallywheel_schemas::{Condition, TextFile};

    use super::*;
    use crate::{
        plan::seed::Seed,
        stats::{Sample, mean_interval},
    };

    fn campaign(plan: &str) -> Campaign {
        let mut text = format!(
            "schema = 1\nname = \"n\"\nvehicle = \"skerry-1\"\nroute = \"r\"\nclaim_percent = 45.0\ndesign = \"paired\"\n{plan}"
        );
        for i in 1..=8 {
            text += &format!("[[pair]]\nbaseline = \"b{i}\"\nassist = \"a{i}\"\n");
        }
        Campaign::parse(&TextFile::new("c.toml", text)).expect("a good campaign")
    }

    const PLAN: &str = "[plan]\nlooks = [4, 8]\nseed = 3\nspread = 0.03\nexpected_percent = 52.0\n";

    /// So many pairs that count, with a mean log ratio that supports the claim by far.
    fn seen(campaign: &Campaign, units: u32) -> Seen {
        let run = |(i, name): (usize, &String), condition| RunSeen {
            run: name.clone(),
            condition,
            state: if (i as u32) < units { RunState::Valid } else { RunState::Missing },
        };
        let runs = (campaign.baseline.iter().enumerate().map(|r| run(r, Condition::Baseline)))
            .chain(campaign.assist.iter().enumerate().map(|r| run(r, Condition::Assist)));
        Seen {
            runs: runs.collect(),
            comparing: Some(Comparing::Pairs),
            units,
            log_ratio: (units > 0).then_some(0.4877),
            spread: (units > 1).then_some(0.02),
        }
    }

    #[test]
    fn between_looks_nothing_is_given_away() {
        let campaign = campaign(PLAN);
        for units in [2, 3, 5, 6, 7] {
            let status = status(&campaign, &seen(&campaign, units));
            assert_eq!((status.estimate_percent, status.look), (None, None), "{units}");
            assert_eq!(status.chance_method, BY_PLAN);
            // Any other mean gives the same status: nothing of it shows.
            let other = Seen { log_ratio: Some(-0.3), ..seen(&campaign, units) };
            assert_eq!(super::status(&campaign, &other), status);
            assert!(
                status.text().contains("Improvement: not shown, the next planned look is after"),
                "{}",
                status.text()
            );
        }
    }

    #[test]
    fn a_look_shows_the_estimate_and_predicts_from_it() {
        let campaign = campaign(PLAN);
        let status = status(&campaign, &seen(&campaign, 4));
        assert_eq!((status.look, status.next_look), (Some(1), Some(8)));
        assert!((status.estimate_percent.expect("shown") - 62.86).abs() < 0.01, "{status:?}");
        assert_eq!(status.chance_method, BY_ESTIMATE);
        assert!(status.chance_of_decision.expect("known") > 0.99, "{status:?}");
    }

    #[test]
    fn at_the_end_the_comparison_decides() {
        let campaign = campaign(PLAN);
        let status = status(&campaign, &seen(&campaign, 8));
        assert_eq!((status.look, status.missing, status.next), (Some(2), 0, None));
        assert_eq!(status.chance_of_decision, None);
        assert!(status.chance_method.starts_with("all planned runs are in"));
    }

    #[test]
    fn without_a_plan_the_only_look_is_at_the_end() {
        let campaign = campaign("");
        let status = status(&campaign, &seen(&campaign, 7));
        assert_eq!((status.looks.as_slice(), status.look), ([8].as_slice(), None));
        assert!(status.chance_method.contains("no [plan] with expected_percent"));
    }

    #[test]
    fn the_next_run_follows_the_drawn_order() {
        let campaign = campaign(PLAN);
        let first = order(8, 3)[0][0];
        let expected = if first == Condition::Baseline { "b1" } else { "a1" };
        assert_eq!(status(&campaign, &seen(&campaign, 0)).next.as_deref(), Some(expected));
        // The first pair is half driven: the other half is next.
        let mut half = seen(&campaign, 0);
        half.runs.iter_mut().find(|r| r.run == expected).expect("it").state = RunState::Waiting(String::new());
        let other = if first == Condition::Baseline { "a1" } else { "b1" };
        assert_eq!(status(&campaign, &half).next.as_deref(), Some(other));
    }

    /// The predictive probability against 4,000 simulated ends of the campaign, each drawn from the predictive
    /// distribution itself: variance from the scaled inverse χ², mean and remaining pairs from normals, and the interval
    /// of all pairs at the last look. What the formula leaves out, that the last spread is not the present one, is worth a
    /// few hundredths; three standard errors are 0.024.
    #[test]
    fn the_predictive_probability_is_near_the_simulated_one() {
        let normal = Normal::standard();
        for (beyond, sd, now, planned) in [(0.02, 0.04, 6.0, 16.0), (0.04, 0.06, 8.0, 16.0), (-0.03, 0.05, 10.0, 20.0)]
        {
            let formula = predictive(Comparing::Pairs, beyond, sd, (now, planned), 0.95).expect("a spread");
            let mut seed = Seed::new(99);
            let chi = ChiSquared::new(now - 1.0).expect("degrees of freedom");
            let mut draw = |mean: f64, sd: f64| mean + sd * normal.inverse_cdf(seed.open_unit());
            // Present pairs with exactly this mean and spread.
            let half = (now / 2.0) as usize;
            let step = sd * ((now - 1.0) / now).sqrt();
            let present: Vec<f64> = (0..half).flat_map(|_| [beyond - step, beyond + step]).collect();
            let mut decided = 0;
            for _ in 0..4000 {
                let u = normal.cdf(draw(0.0, 1.0)).clamp(1e-9, 1.0 - 1e-9);
                let true_sd = sd * ((now - 1.0) / chi.inverse_cdf(u)).sqrt();
                let true_mean = draw(beyond, true_sd / now.sqrt());
                let mut all = present.clone();
                all.extend((0..(planned - now) as usize).map(|_| draw(true_mean, true_sd)));
                let interval = mean_interval(&Sample::of(&all).expect("values"), 0.95).expect("spread");
                decided += u32::from(interval.low >= 0.0 || interval.high < 0.0);
            }
            let simulated = f64::from(decided) / 4000.0;
            assert!((simulated - formula).abs() < 0.06, "{beyond}: {simulated} simulated, {formula} by formula");
        }
    }
}
