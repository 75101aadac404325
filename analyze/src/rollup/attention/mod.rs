//! What needs attention and why, ranked, with false alarms controlled over the fleet.
//!
//! Two kinds of finding. *Rules* are limits that are exceeded or not ([`rules`]). *Tests* ask whether a vehicle has
//! changed against its own weeks before, beyond what the whole fleet did and what its weeks usually spread
//! ([`change`]); over all vehicles and quantities their p-values are adjusted for the false discovery rate ([`fdr`]), so
//! that in a fleet in which nothing is wrong at most one roll-up in twenty has any false alarm from them.

pub mod change;
pub mod fdr;
pub mod moderated;
pub mod rounds;
pub mod rules;
pub mod series;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::{
    Parameters, Period,
    frame::{Frame, Row},
};
use crate::figure::{decimals_for, signed};
pub use change::{Change, Horizon};
use change::{changes, least_change};
use fdr::benjamini_hochberg;
pub use rules::Limits;
pub use series::Quantity;
use series::Series;

/// False discovery rate of the tests.
pub const FALSE_DISCOVERY_RATE: f64 = 0.05;
/// Confidence of the intervals.
pub const CONFIDENCE: f64 = 0.95;

/// The method, in words for the page.
pub const METHOD: &[(&str, &str)] = &[
    (
        "Standardised consumption",
        "Fuel over what the whole fleet took, in the four weeks before, for the same time in the same classes of speed \
         (5 km/h wide), assisted and unassisted apart. What the kind of round still explains, by mean speed and mix of classes, is \
         taken off by one regression for the whole fleet, within vehicles (analysis of covariance), so that another round \
         does not pass for a fault. What the assist does is judged on days on which the pack was not used up.",
    ),
    (
        "Change",
        "Mean over the days of the logarithm of that ratio, this period less the four weeks before; a moderated t \
         interval (Smyth 2004): the spread from week to week of the last sixteen weeks, each vehicle's drawn towards the \
         fleet's. A creeping change is looked for in the last four weeks against the twelve before.",
    ),
    (
        "False alarms",
        "For a test, what the whole fleet did in the same week (the median) is taken off first, with five vehicles or \
         more. P-values of all vehicles and quantities together are adjusted by Benjamini and Hochberg (1995) to a false \
         discovery rate of 5 %: where nothing is wrong, at most one roll-up in twenty has any false alarm from the \
         tests. The hottest winding is only tested for what creeps: within a week its limit tells. Changes below 2 % of fuel, 5 % of assisted time or pack energy, or 5 K are left out however sure.",
    ),
    (
        "Rules",
        "Late cut-off, hot motor or controller, kit fault, not charged, silent sensor, falling coverage, calibration \
         overdue and vehicles not seen are limits, exceeded or not; they are not statistics.",
    ),
];

/// How soon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// See to it before the next drive.
    Now,
    /// Find out this week.
    FindOut,
    /// Plan it.
    Plan,
}

impl Level {
    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Now => "now",
            Self::FindOut => "find out",
            Self::Plan => "plan",
        }
    }
}

/// How a finding came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A limit is exceeded.
    Rule,
    /// A test of change.
    Test,
}

/// One thing about one vehicle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// What was looked at.
    pub check: String,
    /// Rule or test.
    pub kind: Kind,
    /// How soon.
    pub level: Level,
    /// In words.
    pub sentence: String,
    /// What the rule looked at, in the unit that the sentence names; of a test, the change in % or K.
    pub value: Option<f64>,
    /// Interval of the change, % or K.
    pub interval: Option<(f64, f64)>,
    /// Over which time, for a test.
    pub horizon: Option<Horizon>,
    /// P-value.
    pub p: Option<f64>,
    /// P-value adjusted over the whole fleet.
    pub adjusted_p: Option<f64>,
    #[serde(skip)]
    quantity: Option<Quantity>,
}

impl Finding {
    fn rule(check: &str, level: Level, sentence: String, value: Option<f64>) -> Self {
        Self {
            check: check.to_owned(),
            kind: Kind::Rule,
            level,
            sentence,
            value,
            interval: None,
            horizon: None,
            p: None,
            adjusted_p: None,
            quantity: None,
        }
    }
}

/// A vehicle that needs attention.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Attention {
    /// Place in the list, from 1.
    pub rank: usize,
    /// Vehicle.
    pub vehicle: String,
    /// How soon, by its most urgent finding.
    pub level: Level,
    /// What the findings together point to, where they do.
    pub points_to: Option<String>,
    /// The findings, most urgent first.
    pub findings: Vec<Finding>,
}

/// A vehicle's own change in consumption, the fleet's not taken off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OwnChange {
    /// Change, %.
    pub percent: f64,
    /// Lower end of its interval, %.
    pub low: f64,
    /// Upper end, %.
    pub high: f64,
}

impl OwnChange {
    /// With its interval, as in `+3.2 % (+0.1 to +6.4)`.
    pub fn in_words(&self) -> String {
        words(self.percent, (self.low, self.high), "%")
    }

    /// By itself, hence with a digit fewer.
    pub fn alone(&self) -> String {
        let text = signed(self.percent, decimals((self.low, self.high)).saturating_sub(1));
        if text == "+0" { "0 %".to_owned() } else { text + " %" }
    }
}

/// A change and its interval with the digits that the interval supports.
fn words(value: f64, interval: (f64, f64), unit: &str) -> String {
    let d = decimals(interval);
    format!("{} {unit} ({} to {})", signed(value, d), signed(interval.0, d), signed(interval.1, d))
}

/// Decimals of a change; more than one is more than anybody reads. A 95 % interval is some four standard errors wide.
fn decimals(interval: (f64, f64)) -> usize {
    decimals_for((interval.1 - interval.0) / 4.0).min(1)
}

/// What the tests and rules found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Found {
    /// Vehicles that need attention, most urgent first.
    pub attention: Vec<Attention>,
    /// Changes of consumption, by quantity and vehicle.
    pub changes: BTreeMap<&'static str, BTreeMap<String, OwnChange>>,
    /// Tests that were made.
    pub tests: usize,
}

/// The quantities that are tested; overall consumption is the sum of two of them and only shown.
const TESTED: [Quantity; 5] =
    [Quantity::Assisted, Quantity::Unassisted, Quantity::AssistTime, Quantity::PackEnergy, Quantity::Winding];

/// Looks a fleet through. `days` are rows of `vehicle_days`, `vehicles` of `vehicle_periods` with the period and the four
/// weeks before it.
pub fn look(period: &Period, days: &Frame, vehicles: &Frame, parameters: &Parameters, limits: &Limits) -> Found {
    let mut findings: BTreeMap<String, Vec<Finding>> = BTreeMap::new();
    for (vehicle, found) in by_rules(period, days, vehicles, limits) {
        findings.entry(vehicle).or_default().extend(found);
    }
    let driven = seen_driving(vehicles, &period.name);
    let empty = parameters.empty_soc_pct;
    let made = tests(period, days, vehicles, parameters);
    for test in made.iter().filter(|t| t.finds()) {
        findings.entry(test.vehicle.clone()).or_default().push(finding(test));
    }
    Found { attention: ranked(findings), changes: own_changes(period, days, &driven, empty), tests: made.len() }
}

fn seen_driving(vehicles: &Frame, period: &str) -> BTreeSet<String> {
    let rows = vehicles.iter().filter(|r| r.text("period") == Some(period));
    let driven = rows.filter(|r| r.number("drive_days").is_some_and(|d| d > 0.0));
    driven.filter_map(|r| r.text("vehicle").map(str::to_owned)).collect()
}

fn by_rules(period: &Period, days: &Frame, vehicles: &Frame, limits: &Limits) -> Vec<(String, Vec<Finding>)> {
    let rows = |name: &str| -> BTreeMap<String, Row<'_>> {
        let of_period = vehicles.iter().filter(|r| r.text("period") == Some(name));
        of_period.filter_map(|r| Some((r.text("vehicle")?.to_owned(), r))).collect()
    };
    let (now, before) = (rows(&period.name), rows(&period.before().name));
    let mut known: BTreeMap<&str, rules::Known> = BTreeMap::new();
    for day in days.iter() {
        known.entry(day.text("vehicle").unwrap_or_default()).or_default().add(day);
    }
    let mut found: Vec<(String, Vec<Finding>)> = now
        .iter()
        .map(|(vehicle, row)| {
            let earlier = before.get(vehicle).copied();
            let known = known.get(vehicle.as_str()).copied().unwrap_or_default();
            (vehicle.clone(), rules::findings(limits, period, *row, earlier, &known))
        })
        .collect();
    for (vehicle, row) in before {
        let drove = row.number("drive_days").is_some_and(|d| d > 0.0);
        let drives = now.get(&vehicle).and_then(|r| r.number("drive_days")).is_some_and(|d| d > 0.0);
        if drove && !drives {
            found.push((vehicle.clone(), vec![not_seen(days, &vehicle)]));
        }
    }
    found
}

fn not_seen(days: &Frame, vehicle: &str) -> Finding {
    let of_vehicle = days.iter().filter(|r| r.text("vehicle") == Some(vehicle));
    let driven = of_vehicle.filter(|r| r.number("trips").is_some_and(|t| t > 0.0));
    let last = driven.filter_map(|r| r.text("day")).max().unwrap_or("the weeks before").to_owned();
    Finding::rule("not seen", Level::Plan, format!("not seen driving; last on {last}"), None)
}

/// One test of one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Test {
    /// Vehicle.
    pub vehicle: String,
    /// What was looked at.
    pub quantity: Quantity,
    /// Over which time.
    pub horizon: Horizon,
    /// What came out.
    pub change: Change,
    /// P-value adjusted over the whole fleet.
    pub adjusted_p: f64,
}

impl Test {
    /// Whether it is a finding: sure enough, and large enough to matter.
    pub fn finds(&self) -> bool {
        self.adjusted_p <= FALSE_DISCOVERY_RATE && self.change.value.abs() >= least_change(self.quantity)
    }
}

/// Every test of a roll-up: vehicles that were driven, quantities, horizons. `days` are rows of `vehicle_days`, `vehicles`
/// of `vehicle_periods`.
pub fn tests(period: &Period, days: &Frame, vehicles: &Frame, parameters: &Parameters) -> Vec<Test> {
    let driven = seen_driving(vehicles, &period.name);
    let mut made = Vec::new();
    for quantity in TESTED {
        let (series, fleet) = Series::of(quantity, days, period, parameters.empty_soc_pct).without_fleet();
        for &horizon in Horizon::of(quantity) {
            let found = changes(quantity, &series, horizon, fleet).into_iter().filter(|(v, _)| driven.contains(v));
            made.extend(found.map(|(vehicle, change)| Test { vehicle, quantity, horizon, change, adjusted_p: 1.0 }));
        }
    }
    let adjusted = benjamini_hochberg(&made.iter().map(|t| t.change.p).collect::<Vec<_>>());
    made.iter_mut().zip(adjusted).for_each(|(test, q)| test.adjusted_p = q);
    made
}

/// A logarithm of a ratio as a change in %, or K as they are.
fn shown(quantity: Quantity, value: f64) -> f64 {
    if quantity.is_ratio() { value.exp_m1() * 100.0 } else { value }
}

fn finding(test: &Test) -> Finding {
    let Test { quantity, horizon, ref change, adjusted_p, .. } = *test;
    let unit = if quantity.is_ratio() { "%" } else { "K" };
    let value = shown(quantity, change.value);
    let interval = change.interval(CONFIDENCE).map(|(l, h)| (shown(quantity, l), shown(quantity, h)));
    let changed =
        interval.map_or_else(|| format!("{} {unit}", signed(value, 0)), |interval| words(value, interval, unit));
    let against = match horizon {
        Horizon::Sudden => "against its four weeks before",
        Horizon::Slow => "over four weeks against up to twelve before",
    };
    Finding {
        check: quantity.name().to_owned(),
        kind: Kind::Test,
        level: Level::FindOut,
        sentence: format!("{} {changed} {against}", quantity.name()),
        value: Some(value),
        interval,
        horizon: Some(horizon),
        p: Some(change.p),
        adjusted_p: Some(adjusted_p),
        quantity: Some(quantity),
    }
}

fn own_changes(
    period: &Period,
    days: &Frame,
    driven: &BTreeSet<String>,
    empty_soc_pct: f64,
) -> BTreeMap<&'static str, BTreeMap<String, OwnChange>> {
    let of = |quantity: Quantity| {
        let own = changes(quantity, &Series::of(quantity, days, period, empty_soc_pct), Horizon::Sudden, None);
        let shown = own.into_iter().filter(|(v, _)| driven.contains(v)).filter_map(|(vehicle, change)| {
            let (low, high) = change.interval(CONFIDENCE)?;
            let [percent, low, high] = [change.value, low, high].map(|v| shown(quantity, v));
            Some((vehicle, OwnChange { percent, low, high }))
        });
        (quantity.name(), shown.collect())
    };
    [Quantity::Consumption, Quantity::Assisted, Quantity::Unassisted, Quantity::AssistTime]
        .into_iter()
        .map(of)
        .collect()
}

fn ranked(findings: BTreeMap<String, Vec<Finding>>) -> Vec<Attention> {
    let urgency = |f: &Finding| (f.level, f.adjusted_p.unwrap_or(0.0));
    let mut list: Vec<Attention> = findings
        .into_iter()
        .filter(|(_, found)| !found.is_empty())
        .map(|(vehicle, mut findings)| {
            findings.sort_by(|a, b| {
                let ((la, pa), (lb, pb)) = (urgency(a), urgency(b));
                la.cmp(&lb).then(pa.total_cmp(&pb))
            });
            let level = findings.first().map_or(Level::Plan, |f| f.level);
            Attention { rank: 0, points_to: points_to(&findings), vehicle, level, findings }
        })
        .collect();
    let first = |a: &Attention| a.findings.first().map_or(1.0, |f| f.adjusted_p.unwrap_or(0.0));
    // More findings weigh more where urgency is alike.
    list.sort_by(|a, b| {
        a.level
            .cmp(&b.level)
            .then(first(a).total_cmp(&first(b)))
            .then(b.findings.len().cmp(&a.findings.len()))
            .then(super::by_number(&a.vehicle).cmp(&super::by_number(&b.vehicle)))
    });
    list.iter_mut().zip(1..).for_each(|(a, rank)| a.rank = rank);
    list
}

/// What a vehicle's findings together point to. Guesses from how the quantities hang together, and worded as such.
fn points_to(findings: &[Finding]) -> Option<String> {
    let changed = |quantity: Quantity| {
        let of = findings.iter().filter(|f| f.quantity == Some(quantity));
        of.filter_map(|f| f.value).max_by(|a, b| a.abs().total_cmp(&b.abs()))
    };
    let has = |check: &str| findings.iter().any(|f| f.check == check);
    let (assisted, unassisted) = (changed(Quantity::Assisted), changed(Quantity::Unassisted));
    let (time, energy) = (changed(Quantity::AssistTime), changed(Quantity::PackEnergy));
    let up = |v: Option<f64>| v.is_some_and(|v| v > 0.0);
    let down = |v: Option<f64>| v.is_some_and(|v| v < 0.0);
    let words = if has("not charged") && down(time) {
        "the assist is missing because the pack is empty"
    } else if down(time) {
        "the assist works less of the time: kit, its switch or an empty pack"
    } else if up(assisted) && down(energy) {
        "the assist gives less when it works: motors, controllers or their limits"
    } else if up(assisted) && up(unassisted) && up(energy) {
        "the van is harder to move: brakes, tyres or load"
    } else if up(assisted) && up(unassisted) {
        "more fuel with and without assist: engine, brakes, or the fuel meter reads high"
    } else if down(assisted) && down(unassisted) {
        "less fuel with and without assist: the fuel meter may read low"
    } else {
        return None;
    };
    Some(words.to_owned())
}
