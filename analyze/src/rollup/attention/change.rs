//! Has a vehicle changed? A moderated t test of its week against its own weeks before.

use std::{collections::BTreeMap, ops::RangeInclusive};

use serde::Serialize;

use super::{
    moderated::{Prior, Spread, two_sided_p},
    series::{Quantity, Series, Week},
};
use crate::stats::t_quantile;

/// Over which time a change is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Horizon {
    /// The period against the four weeks before it.
    Sudden,
    /// The last four weeks against the twelve before them: what creeps.
    Slow,
}

impl Horizon {
    /// Over which a quantity is tested. One week's hottest moment follows from the hills of that week, with tails that no
    /// t distribution has; a motor that is suddenly hot exceeds its limit, which is a rule.
    pub const fn of(quantity: Quantity) -> &'static [Self] {
        if quantity.is_maximum() { &[Self::Slow] } else { &[Self::Sudden, Self::Slow] }
    }

    const fn now(self) -> RangeInclusive<i64> {
        match self {
            Self::Sudden => 0..=0,
            Self::Slow => -3..=0,
        }
    }

    const fn before(self) -> RangeInclusive<i64> {
        match self {
            Self::Sudden => -4..=-1,
            Self::Slow => -16..=-4,
        }
    }

    /// Weeks that tell how the vehicle usually spreads.
    const fn usual(self) -> RangeInclusive<i64> {
        match self {
            Self::Sudden => -16..=-1,
            Self::Slow => -16..=-4,
        }
    }

    /// Weeks that each side needs.
    const fn least(self) -> (usize, usize) {
        match self {
            Self::Sudden => (1, 2),
            Self::Slow => (3, 6),
        }
    }
}

/// A vehicle's change in one quantity: logarithms of ratios, or K.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Mean of the weeks now less that of the weeks before.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Chance of a change at least as large, either way, where there is none.
    pub p: f64,
}

impl Change {
    /// Two-sided interval.
    pub fn interval(&self, confidence: f64) -> Option<(f64, f64)> {
        let half = t_quantile(0.5 + confidence / 2.0, self.degrees_of_freedom)? * self.standard_error;
        Some((self.value - half, self.value + half))
    }
}

/// The change of every vehicle that has enough weeks, in one quantity.
///
/// # Formula
/// `t = (ȳ_now − ȳ_before) / √(s̃² (k/m + 1/n))` with m weeks now, n before, `s̃²` the vehicle's variance between weeks
/// drawn towards the fleet's ([`Prior`]), and k how many times fewer days than usual the weeks now have, at least 1.
/// Where the fleet's common movement was taken off, the variance is `1 + π/2N` times as large, for the error of a median of N.
///
/// The degrees of freedom are the prior's and the vehicle's own together, which rests on weeks that scatter normally. Of a
/// [maximum](Quantity::is_maximum) they do not, and only the vehicle's own count: over simulated sound fleets p-values
/// below 10⁻⁴ then come as often as they should, and ten times too often otherwise.
pub fn changes(
    quantity: Quantity,
    series: &Series,
    horizon: Horizon,
    fleet: Option<usize>,
) -> BTreeMap<String, Change> {
    let spreads: BTreeMap<&String, Spread> =
        series.0.iter().filter_map(|(v, weeks)| Some((v, spread(weeks, horizon.usual())?))).collect();
    let prior = Prior::fit(&spreads.values().copied().collect::<Vec<_>>());
    let inflation = 1.0 + fleet.map_or(0.0, |n| std::f64::consts::FRAC_PI_2 / n as f64);
    let change = |(vehicle, weeks): (&String, &BTreeMap<i64, Week>)| {
        let own = spreads.get(vehicle).copied().unwrap_or(Spread { variance: 0.0, degrees_of_freedom: 0.0 });
        let moderated = prior.moderate(&own);
        let degrees_of_freedom =
            if quantity.is_maximum() { own.degrees_of_freedom } else { moderated.degrees_of_freedom };
        let spread = Spread { degrees_of_freedom, ..moderated };
        let change = test(weeks, horizon, &spread, inflation)?;
        Some((vehicle.clone(), change))
    };
    series.0.iter().filter_map(change).collect()
}

fn test(weeks: &BTreeMap<i64, Week>, horizon: Horizon, spread: &Spread, inflation: f64) -> Option<Change> {
    let (now, before) = (taken(weeks, horizon.now()), taken(weeks, horizon.before()));
    let (least_now, least_before) = horizon.least();
    if now.len() < least_now || before.len() < least_before || !weeks.contains_key(&0) {
        return None;
    }
    if spread.degrees_of_freedom < 1.0 || spread.variance <= 0.0 {
        return None;
    }
    let days = |w: &[Week]| w.iter().map(|w| w.days).sum::<usize>() as f64 / w.len() as f64;
    let fewer = (days(&before) / days(&now)).max(1.0);
    let parts = fewer / now.len() as f64 + 1.0 / before.len() as f64;
    let standard_error = (spread.variance * parts * inflation).sqrt();
    let value = mean(&now) - mean(&before);
    let df = spread.degrees_of_freedom;
    Some(Change { value, standard_error, degrees_of_freedom: df, p: two_sided_p(value / standard_error, df) })
}

fn taken(weeks: &BTreeMap<i64, Week>, range: RangeInclusive<i64>) -> Vec<Week> {
    weeks.range(range).map(|(_, w)| *w).collect()
}

fn mean(weeks: &[Week]) -> f64 {
    weeks.iter().map(|w| w.mean).sum::<f64>() / weeks.len() as f64
}

/// Variance between some weeks; `None` with fewer than two.
fn spread(weeks: &BTreeMap<i64, Week>, range: RangeInclusive<i64>) -> Option<Spread> {
    let weeks = taken(weeks, range);
    if weeks.len() < 2 {
        return None;
    }
    let middle = mean(&weeks);
    let squares: f64 = weeks.iter().map(|w| (w.mean - middle).powi(2)).sum();
    let degrees_of_freedom = weeks.len() as f64 - 1.0;
    // Exactly alike only happens to constants; a floor keeps them from being infinitely sure.
    Some(Spread { variance: (squares / degrees_of_freedom).max(1e-12), degrees_of_freedom })
}

/// A change that is smaller is no finding, however sure: logarithms of ratios, or K.
pub const fn least_change(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Consumption | Quantity::Assisted | Quantity::Unassisted => 0.02,
        Quantity::AssistTime | Quantity::PackEnergy => 0.05,
        Quantity::Winding => 5.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(values: &[f64]) -> Series {
        let first = -(values.len() as i64 - 1);
        let weeks = (first..).zip(values).map(|(b, mean)| (b, Week { mean: *mean, days: 5 })).collect();
        Series(BTreeMap::from([("a".to_owned(), weeks)]))
    }

    /// One vehicle without a fleet is the textbook's t: five weeks 1, 2, 3, 4 and then 6. Mean before 2.5, variance 5/3,
    /// t = 3.5 / √(5/3 · 5/4) = 2.42487 with 3 degrees of freedom, p = 0.093759 (scipy.stats.t.sf, 1.17).
    #[test]
    fn a_single_vehicle_gets_the_plain_t_test() {
        let change = changes(Quantity::Consumption, &one(&[1.0, 2.0, 3.0, 4.0, 6.0]), Horizon::Sudden, None)["a"];
        assert!((change.value - 3.5).abs() < 1e-12);
        assert!((change.value / change.standard_error - 2.424_871_13).abs() < 1e-8);
        assert!((change.p - EXPECTED_P).abs() < 1e-9, "{}", change.p);
        let (low, high) = change.interval(0.95).expect("an interval");
        assert!(low < 0.0 && high > 8.0);
    }

    const EXPECTED_P: f64 = 0.093759140187;

    #[test]
    fn too_few_weeks_give_no_test() {
        assert!(changes(Quantity::Consumption, &one(&[1.0, 2.0]), Horizon::Sudden, None).is_empty());
        assert!(changes(Quantity::Consumption, &one(&[1.0, 2.0, 3.0, 4.0, 6.0]), Horizon::Slow, None).is_empty());
    }
}
