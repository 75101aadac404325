//! The conditions held against each other, quantity by quantity: rows for the report, and what stands against a verdict.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    Condition,
    campaign::{Campaign, Design},
    report::{Comparability, Treatment},
};

use super::{
    quantity::{self, Limit, QUANTITIES, Quantity},
    speeds::SpeedHistogram,
    standing::{Standing, median, route_match, track},
    words,
};
use crate::run::{Admission, RunFacts};

/// A pair or block, or all runs together: places in the list of runs.
#[derive(Debug, Clone, Default)]
struct Sides {
    name: String,
    baseline: Vec<usize>,
    assist: Vec<usize>,
}

impl Sides {
    fn all(&self) -> impl Iterator<Item = usize> {
        self.baseline.iter().chain(&self.assist).copied()
    }

    fn has_both(&self) -> bool {
        !self.baseline.is_empty() && !self.assist.is_empty()
    }

    /// The same without some runs.
    fn without(&self, left_out: impl Fn(usize) -> bool) -> Self {
        let keep = |runs: &[usize]| runs.iter().copied().filter(|i| !left_out(*i)).collect();
        Self { name: self.name.clone(), baseline: keep(&self.baseline), assist: keep(&self.assist) }
    }
}

/// How far two sides are apart, and what a share of it is a share of.
#[derive(Debug, Clone, Copy)]
struct Apart {
    difference: f64,
    baseline: f64,
}

/// What is known about one quantity.
#[derive(Debug, Default)]
struct Found {
    means: (Option<f64>, Option<f64>),
    whole: Option<Apart>,
    units: Vec<(String, Apart)>,
    /// Runs in which it is not known.
    unknown: Vec<usize>,
    details: Vec<String>,
}

/// The comparison of the conditions.
pub(super) struct Hearing<'h, 'a> {
    pub(super) campaign: &'h Campaign,
    pub(super) runs: &'h [RunFacts<'a>],
    pub(super) admitted: &'h [Admission],
    pub(super) standings: &'h [Standing],
}

/// Heading of a row.
struct Heading {
    name: &'static str,
    unit: &'static str,
    limit: Limit,
    /// The limit inside a pair or block.
    in_a_pair: Limit,
    source: &'static str,
    /// Whether a comparison at the same speeds takes it out.
    of_speed: bool,
}

impl Hearing<'_, '_> {
    /// Every row, in the order of the report.
    pub(super) fn rows(&self) -> Vec<Comparability> {
        let (first, rest) = QUANTITIES.split_at(7);
        let mut rows = vec![self.route()];
        rows.extend(first.iter().map(|q| self.scalar(q)));
        rows.push(self.histogram());
        rows.extend(rest.iter().map(|q| self.scalar(q)));
        rows.push(self.charge());
        rows.push(self.drivers());
        rows
    }

    /// Runs that count on either side, all together.
    pub(super) fn counted(&self, condition: Condition) -> Vec<usize> {
        let of_test = |i: &usize| self.is_tested(&self.runs[*i].ledger.session.manifest.vehicle);
        let counts = |i: &usize| self.admitted[*i].used && self.runs[*i].sheet.condition == condition;
        (0..self.runs.len()).filter(|i| of_test(i) && counts(i)).collect()
    }

    /// Whether what is judged is on a vehicle: in daily service on any that got its kit, else on the campaign's own.
    fn is_tested(&self, vehicle: &str) -> bool {
        match self.campaign.design {
            Design::BeforeAfter => self.campaign.in_service.iter().any(|v| v.name == vehicle && v.installed.is_some()),
            _ => vehicle == self.campaign.vehicle,
        }
    }

    fn whole(&self) -> Sides {
        let (baseline, assist) = (self.counted(Condition::Baseline), self.counted(Condition::Assist));
        Sides { name: String::new(), baseline, assist }
    }

    /// The pairs or blocks, as far as their runs count.
    fn units(&self) -> Vec<Sides> {
        let places = |names: &[String]| -> Vec<usize> {
            let place = |name: &String| self.runs.iter().position(|r| r.sheet.run == *name);
            names.iter().filter_map(place).filter(|i| self.admitted[*i].used).collect()
        };
        let pairs = self.campaign.pairs.iter().map(|p| Sides {
            name: format!("{} / {}", p.baseline, p.assist),
            baseline: places(std::slice::from_ref(&p.baseline)),
            assist: places(std::slice::from_ref(&p.assist)),
        });
        let blocks = self.campaign.blocks.iter().map(|b| Sides {
            name: b.name.clone(),
            baseline: places(&b.baseline),
            assist: places(&b.assist),
        });
        pairs.chain(blocks).collect()
    }

    /// Whether a person kept a run although this quantity sets it apart: then it is theirs to answer for.
    fn kept(&self, i: usize, quantity: &str) -> bool {
        self.admitted[i].used && self.standings[i].is_apart(quantity)
    }

    fn names(&self, runs: &[usize]) -> String {
        runs.iter().map(|i| self.runs[*i].sheet.run.as_str()).collect::<Vec<_>>().join(", ")
    }

    /// Whole and units of a quantity, without the runs that a person answers for.
    fn sides(&self, quantity: &str) -> (Sides, Vec<Sides>) {
        let without = |s: Sides| s.without(|i| self.kept(i, quantity));
        (without(self.whole()), self.units().into_iter().map(without).filter(Sides::has_both).collect())
    }

    fn scalar(&self, q: &Quantity) -> Comparability {
        let (whole, units) = self.sides(q.name);
        let value = |i: &usize| (q.value)(&self.runs[*i]);
        // Of the runs in which it is known: one that hides its value does not hide what the others differ by.
        let mean = |runs: &[usize]| {
            let known: Vec<f64> = runs.iter().filter_map(value).collect();
            (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
        };
        let apart = |sides: &Sides| {
            let baseline = mean(&sides.baseline)?;
            Some(Apart { difference: mean(&sides.assist)? - baseline, baseline })
        };
        let found = Found {
            means: (mean(&whole.baseline), mean(&whole.assist)),
            whole: apart(&whole),
            units: units.iter().filter_map(|u| Some((u.name.clone(), apart(u)?))).collect(),
            unknown: whole.all().filter(|i| value(i).is_none()).collect(),
            details: Vec::new(),
        };
        let limit = (q.limit)(&self.campaign.rules);
        let in_a_pair = if q.scatters { limit.times(self.campaign.rules.pair_driving_factor) } else { limit };
        let heading = Heading { name: q.name, unit: q.unit, limit, in_a_pair, source: q.source, of_speed: q.of_speed };
        self.judge(&heading, found, whole.has_both())
    }

    fn route(&self) -> Comparability {
        let rules = &self.campaign.rules;
        let (whole, units) = self.sides(quantity::ROUTE);
        let departure = |i: &usize| self.standings[*i].route.as_ref().map(|m| m.departure * 100.0);
        let mean = |runs: &[usize]| {
            let known: Option<Vec<f64>> = runs.iter().map(departure).collect();
            known.filter(|k| !k.is_empty()).map(|k| k.iter().sum::<f64>() / k.len() as f64)
        };
        let between = |u: &Sides| {
            let (b, a) = (*u.baseline.first()?, *u.assist.first()?);
            let matched = route_match(rules, track(rules, &self.runs[b])?, track(rules, &self.runs[a])?, "")?;
            Some((u.name.clone(), Apart { difference: matched.departure * 100.0, baseline: 0.0 }))
        };
        let limit = Limit::Difference(rules.max_route_departure * 100.0, "points");
        let paired = units.iter().filter(|_| self.campaign.design == Design::Paired);
        let far = whole.all().filter_map(|i| Some((i, departure(&i)?))).max_by(|a, b| a.1.total_cmp(&b.1));
        let reference = |i: usize| self.standings[i].route.as_ref().map_or("", |m| m.reference.as_str());
        let found = Found {
            means: (mean(&whole.baseline), mean(&whole.assist)),
            whole: far.map(|(_, difference)| Apart { difference, baseline: 0.0 }),
            units: paired.filter_map(between).collect(),
            unknown: whole.all().filter(|i| departure(i).is_none()).collect(),
            details: far
                .filter(|(_, d)| limit.used_up(*d, 0.0) > 1.0)
                .map(|(i, _)| format!("run {} parts most from run {}", self.runs[i].sheet.run, reference(i)))
                .into_iter()
                .collect(),
        };
        let heading = Heading {
            name: quantity::ROUTE,
            unit: "%",
            limit,
            in_a_pair: limit,
            source: quantity::ROUTE_SOURCE,
            of_speed: false,
        };
        // Tracks are held against their block's reference, so that all of them may be judged together.
        self.judge_all(&heading, found, whole.has_both(), true)
    }

    fn histogram(&self) -> Comparability {
        let (whole, units) = self.sides(quantity::HISTOGRAM);
        let together = |runs: &[usize]| SpeedHistogram::together(runs.iter().map(|i| &self.runs[*i].driven.speeds));
        let apart = |sides: &Sides| {
            let share = together(&sides.baseline).distance(&together(&sides.assist))?;
            Some(Apart { difference: share * 100.0, baseline: 0.0 })
        };
        let found = Found {
            whole: apart(&whole),
            units: units.iter().filter_map(|u| Some((u.name.clone(), apart(u)?))).collect(),
            unknown: whole.all().filter(|i| self.runs[*i].driven.speeds.shares().is_none()).collect(),
            ..Found::default()
        };
        let limit = Limit::Difference(self.campaign.rules.max_speed_histogram_points, "points");
        let in_a_pair = limit.times(self.campaign.rules.pair_driving_factor);
        let heading = Heading {
            name: quantity::HISTOGRAM,
            unit: "%",
            limit,
            in_a_pair,
            source: quantity::HISTOGRAM_SOURCE,
            of_speed: true,
        };
        self.judge(&heading, found, whole.has_both())
    }

    /// The pack is only asked in the assisted runs: without assist its charge is ballast.
    fn charge(&self) -> Comparability {
        let (whole, _) = self.sides(quantity::CHARGE);
        let value = |i: &usize| self.runs[*i].soc_pct.0;
        let known: Vec<(usize, f64)> = whole.assist.iter().filter_map(|i| Some((*i, value(i)?))).collect();
        let usual = median(known.iter().map(|(_, v)| *v));
        let far = usual.and_then(|u| known.iter().map(|(i, v)| (*i, (v - u).abs())).max_by(|a, b| a.1.total_cmp(&b.1)));
        let mean = known.iter().map(|(_, v)| v).sum::<f64>() / known.len() as f64;
        let limit = Limit::Difference(self.campaign.rules.max_soc_start_difference_points, "points");
        let found = Found {
            means: (None, (!known.is_empty() && known.len() == whole.assist.len()).then_some(mean)),
            whole: far.map(|(_, difference)| Apart { difference, baseline: 0.0 }),
            unknown: whole.assist.iter().copied().filter(|i| value(i).is_none()).collect(),
            details: far
                .filter(|(_, d)| limit.used_up(*d, 0.0) > 1.0)
                .map(|(i, _)| format!("run {} is furthest from the median", self.runs[i].sheet.run))
                .into_iter()
                .collect(),
            ..Found::default()
        };
        let heading = Heading {
            name: quantity::CHARGE,
            unit: "%",
            limit,
            in_a_pair: limit,
            source: quantity::CHARGE_SOURCE,
            of_speed: false,
        };
        self.judge_all(&heading, found, !whole.assist.is_empty(), true)
    }

    fn drivers(&self) -> Comparability {
        let (whole, units) = self.sides(quantity::DRIVERS);
        let driver = |i: &usize| self.runs[*i].sheet.driver.as_deref().map(str::trim).filter(|d| !d.is_empty());
        let set = |runs: &[usize]| -> Option<BTreeSet<&str>> {
            let known: BTreeSet<&str> = runs.iter().filter_map(driver).collect();
            (!known.is_empty()).then_some(known)
        };
        let apart = |sides: &Sides| {
            let difference = set(&sides.baseline)?.symmetric_difference(&set(&sides.assist)?).count() as f64;
            Some(Apart { difference, baseline: 0.0 })
        };
        let count = |runs: &[usize]| set(runs).filter(|s| !s.is_empty()).map(|s| s.len() as f64);
        let alone = |here: &[usize], there: &[usize], word: &str| {
            let only: Vec<&str> = set(here)?.difference(&set(there)?).copied().collect();
            (!only.is_empty()).then(|| format!("only {word}: {}", only.join(", ")))
        };
        let found = Found {
            means: (count(&whole.baseline), count(&whole.assist)),
            whole: apart(&whole),
            units: units.iter().filter_map(|u| Some((u.name.clone(), apart(u)?))).collect(),
            unknown: whole.all().filter(|i| driver(i).is_none()).collect(),
            details: [
                alone(&whole.baseline, &whole.assist, "without assist"),
                alone(&whole.assist, &whole.baseline, "with assist"),
            ]
            .into_iter()
            .flatten()
            .collect(),
        };
        let limit = Limit::Difference(self.campaign.rules.max_drivers_in_one_condition, "drivers");
        let heading = Heading {
            name: quantity::DRIVERS,
            unit: "drivers",
            limit,
            in_a_pair: limit,
            source: quantity::DRIVERS_SOURCE,
            of_speed: false,
        };
        self.judge(&heading, found, whole.has_both())
    }

    /// In a blocked design conditions are compared inside the blocks: their means over all blocks differ with the
    /// numbers of runs already.
    fn judge(&self, heading: &Heading, found: Found, has_both: bool) -> Comparability {
        self.judge_all(heading, found, has_both, self.campaign.design != Design::Blocked)
    }

    fn judge_all(&self, heading: &Heading, mut found: Found, has_both: bool, together: bool) -> Comparability {
        found.whole = found.whole.filter(|_| together);
        let in_a_pair = |apart: &Apart| heading.in_a_pair.used_up(apart.difference, apart.baseline);
        let worst = found.units.iter().max_by(|a, b| {
            let by_limit = in_a_pair(&a.1).total_cmp(&in_a_pair(&b.1));
            by_limit.then(a.1.difference.abs().total_cmp(&b.1.difference.abs()))
        });
        let worst = worst.cloned();
        let too_far: Vec<String> = found
            .units
            .iter()
            .filter(|(_, apart)| in_a_pair(apart) > 1.0)
            .map(|(name, apart)| words::in_a_pair(name, apart.difference.abs(), heading.unit))
            .collect();
        let whole_differs = found.whole.is_some_and(|w| heading.limit.used_up(w.difference, w.baseline) > 1.0);
        let alike = match (whole_differs || !too_far.is_empty(), found.unknown.is_empty() && has_both) {
            (true, _) => Some(false),
            (false, true) => Some(true),
            (false, false) => None,
        };
        found.details.extend(too_far);
        let excluded = self.set_apart(heading.name, false);
        let adjusted = self.campaign.adjust.iter().any(|name| name == heading.name);
        let standardised = heading.of_speed && self.campaign.design == Design::BeforeAfter;
        let treatment = match alike {
            _ if standardised => Treatment::Standardised,
            // Without a value in every run there is nothing to adjust with.
            _ if adjusted && !found.unknown.is_empty() => Treatment::Withheld,
            Some(_) if adjusted => Treatment::Adjusted,
            Some(false) => Treatment::Withheld,
            None => Treatment::NotKnown,
            Some(true) if !excluded.is_empty() => Treatment::Excluded,
            Some(true) => Treatment::Alike,
        };
        let (limit, limit_unit) = heading.limit.stated();
        Comparability {
            quantity: heading.name.to_owned(),
            unit: heading.unit.to_owned(),
            baseline: found.means.0,
            assist: found.means.1,
            difference: found.whole.map(|w| w.difference),
            largest_in_a_pair: worst.as_ref().map(|(_, w)| w.difference.abs()),
            worst_pair: worst.map(|(name, _)| name),
            limit,
            pair_limit: heading.in_a_pair.stated().0,
            limit_unit: limit_unit.to_owned(),
            limit_source: heading.source.to_owned(),
            alike,
            treatment,
            details: self.details(heading.name, found, &excluded),
        }
    }

    /// Runs that a quantity sets apart, and that count all the same, or do not.
    fn set_apart(&self, quantity: &str, used: bool) -> Vec<usize> {
        let apart = |i: &usize| self.standings[*i].is_apart(quantity) && self.admitted[*i].used == used;
        (0..self.runs.len()).filter(apart).collect()
    }

    fn details(&self, quantity: &str, found: Found, excluded: &[usize]) -> Vec<String> {
        let mut details = found.details;
        let mut add = |word: &str, runs: &[usize], rest: &str| {
            if !runs.is_empty() {
                details.push(format!("{word}run {}{rest}", self.names(runs)));
            }
        };
        add("not known in ", &found.unknown, "");
        add("", excluded, " left out");
        add("", &self.set_apart(quantity, true), " kept by a person and not compared here");
        details
    }
}

/// What stands against a verdict, in words.
pub(super) fn obstacles(rows: &[Comparability]) -> Vec<String> {
    rows.iter().filter(|r| r.treatment == Treatment::Withheld).map(words::obstacle).collect()
}

/// What a reader of the verdict must know: in what nobody can say whether the runs were alike.
pub(super) fn reservation(rows: &[Comparability]) -> Option<String> {
    let unknown =
        |r: &&Comparability| r.treatment == Treatment::NotKnown && r.details.iter().any(|d| d.starts_with("not known"));
    let names: Vec<&str> = rows.iter().filter(unknown).map(|r| r.quantity.as_str()).collect();
    (!names.is_empty()).then(|| {
        format!("whether the runs were alike cannot be said of {}: not every run has it recorded", names.join(", "))
    })
}
