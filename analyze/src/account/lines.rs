//! Both conditions side by side: fuel, electricity, petrol-equivalent, cost and CO₂.

use tallywheel_schemas::{
    campaign::Account,
    report::{AccountLine, AccountQuantity, Mileage},
};

use super::{
    charging::Wall,
    consumption::{Consumption, KWH_PER_LITRE_PETROL},
    range::relative_standard_error,
};
use crate::run::RunFacts;

/// Fuel of one condition with its relative standard uncertainty.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fuel {
    /// L/100 km.
    pub(super) l_per_100km: f64,
    /// From calibrations and from run to run together; `None` with fewer than two runs.
    pub(super) relative_uncertainty: Option<f64>,
}

impl Fuel {
    /// Fuel of some runs whose summed mileage is given.
    pub(super) fn of(mileage: Option<&Mileage>, runs: &[&RunFacts<'_>]) -> Option<Self> {
        let mileage = mileage?;
        let each: Vec<f64> = runs.iter().filter_map(|r| r.l_per_100km()).collect();
        Some(Self {
            l_per_100km: mileage.l_per_100km,
            relative_uncertainty: relative_standard_error(&each)
                .map(|spread| spread.hypot(mileage.relative_expanded_uncertainty / 2.0)),
        })
    }

    fn uncertainty(&self) -> Option<f64> {
        self.relative_uncertainty.map(|u| u * self.l_per_100km)
    }
}

/// Electricity of the assisted runs, or why it is not known, with the relative standard error from run to run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Electricity<'a> {
    /// From the wall.
    pub(super) wall: Result<&'a Wall, &'a str>,
    /// From run to run; `None` with fewer than two runs.
    pub(super) spread: Option<f64>,
}

impl Electricity<'_> {
    fn per_km_wh(&self) -> Option<f64> {
        self.wall.ok().map(|w| w.per_km_wh)
    }

    fn uncertainty(&self) -> Option<f64> {
        let wall = self.wall.ok()?;
        Some(self.spread?.hypot(wall.relative_uncertainty) * wall.per_km_wh)
    }
}

/// Draws up the lines.
pub(super) fn lines(
    account: &Account,
    baseline: Option<Fuel>,
    assist: Option<Fuel>,
    electricity: Electricity<'_>,
) -> Vec<AccountLine> {
    let table = Table { baseline, assist, electricity };
    let petrol = Weights { per_l: Some(1.0), per_kwh: Some(1.0 / KWH_PER_LITRE_PETROL), scale: 100.0 };
    let cost = Weights { per_l: account.fuel_price_per_l, per_kwh: account.electricity_price_per_kwh, scale: 1.0 };
    let co2 = Weights { per_l: account.fuel_co2_g_per_l, per_kwh: account.grid_co2_g_per_kwh, scale: 1.0 };
    let currency = account.currency.as_deref().unwrap_or("currency");
    vec![
        table.fuel(),
        table.wall(),
        table.weighed(
            AccountQuantity::PetrolEquivalent,
            "L/100km",
            petrol,
            "33.705 kWh from the wall count as one US gallon (40 CFR 600)",
            ("", ""),
        ),
        table.weighed(
            AccountQuantity::Cost,
            &format!("{currency}/km"),
            cost,
            "prices that the campaign states",
            ("fuel_price_per_l", "electricity_price_per_kwh"),
        ),
        table.weighed(
            AccountQuantity::Co2,
            "g/km",
            co2,
            "factors that the campaign states, of the fuel burnt and the grid",
            ("fuel_co2_g_per_l", "grid_co2_g_per_kwh"),
        ),
    ]
}

/// What a litre and a kWh count, per km times `scale`.
#[derive(Debug, Clone, Copy)]
struct Weights {
    per_l: Option<f64>,
    per_kwh: Option<f64>,
    scale: f64,
}

struct Table<'a> {
    baseline: Option<Fuel>,
    assist: Option<Fuel>,
    electricity: Electricity<'a>,
}

impl Table<'_> {
    fn fuel(&self) -> AccountLine {
        let expanded = |f: Option<Fuel>| f.and_then(|f| f.uncertainty()).map(|u| 2.0 * u);
        AccountLine {
            quantity: AccountQuantity::Fuel,
            unit: "L/100km".to_owned(),
            baseline: self.baseline.map(|f| f.l_per_100km),
            baseline_expanded_uncertainty: expanded(self.baseline),
            assist: self.assist.map(|f| f.l_per_100km),
            assist_expanded_uncertainty: expanded(self.assist),
            basis: "summed fuel over summed distance; uncertain by calibrations and from run to run".to_owned(),
            unknown: self.no_fuel(),
        }
    }

    fn wall(&self) -> AccountLine {
        AccountLine {
            quantity: AccountQuantity::WallElectricity,
            unit: "kWh/100km".to_owned(),
            baseline: Some(0.0),
            baseline_expanded_uncertainty: None,
            assist: self.electricity.per_km_wh().map(|wh| wh / 10.0),
            assist_expanded_uncertainty: self.electricity.uncertainty().map(|u| 2.0 * u / 10.0),
            basis: self.electricity.wall.map(|w| w.basis.clone()).unwrap_or_default(),
            unknown: self.electricity.wall.err().map(str::to_owned),
        }
    }

    /// A line that adds fuel and electricity by weights; `names` are those of the weights in the campaign.
    fn weighed(
        &self,
        quantity: AccountQuantity,
        unit: &str,
        weights: Weights,
        basis: &str,
        names: (&str, &str),
    ) -> AccountLine {
        let Weights { per_l, per_kwh, scale } = weights;
        let value = |fuel: Fuel, wall_wh_per_km: Option<f64>| {
            let used = Consumption { fuel_l_per_100km: fuel.l_per_100km, wall_wh_per_km };
            used.per_km(per_l, per_kwh).map(|v| v * scale)
        };
        let baseline = self.baseline.and_then(|f| value(f, Some(0.0)));
        let assist = self.assist.and_then(|f| value(f, self.electricity.per_km_wh()));
        let of_fuel = |f: Option<Fuel>| Some(f?.uncertainty()? / 100.0 * per_l? * scale);
        let of_wall = || Some(self.electricity.uncertainty()? / 1000.0 * per_kwh? * scale);
        AccountLine {
            quantity,
            unit: unit.to_owned(),
            baseline,
            baseline_expanded_uncertainty: baseline.and(of_fuel(self.baseline)).map(|u| 2.0 * u),
            assist,
            assist_expanded_uncertainty: assist
                .and(of_fuel(self.assist).zip(of_wall()))
                .map(|(fuel, wall)| 2.0 * fuel.hypot(wall)),
            basis: basis.to_owned(),
            unknown: self.why_not(baseline, assist, weights, names),
        }
    }

    fn no_fuel(&self) -> Option<String> {
        match (self.baseline, self.assist) {
            (Some(_), Some(_)) => None,
            (None, None) => Some("no run counts".to_owned()),
            (None, Some(_)) => Some("no run without assist counts".to_owned()),
            (Some(_), None) => Some("no run with assist counts".to_owned()),
        }
    }

    fn why_not(
        &self,
        baseline: Option<f64>,
        assist: Option<f64>,
        weights: Weights,
        (per_l, per_kwh): (&str, &str),
    ) -> Option<String> {
        if baseline.is_some() && assist.is_some() {
            return None;
        }
        let unstated: Vec<&str> = [(weights.per_l, per_l), (weights.per_kwh, per_kwh)]
            .into_iter()
            .filter(|(value, _)| value.is_none())
            .map(|(_, name)| name)
            .collect();
        if !unstated.is_empty() {
            return Some(format!("the campaign does not state {} in [account]", unstated.join(" and ")));
        }
        self.no_fuel().or_else(|| self.electricity.wall.err().map(str::to_owned))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fuel(l_per_100km: f64) -> Option<Fuel> {
        Some(Fuel { l_per_100km, relative_uncertainty: Some(0.01) })
    }

    fn wall() -> Wall {
        Wall { per_km_wh: 160.0, relative_uncertainty: 0.03, basis: "test".to_owned() }
    }

    fn close(actual: Option<f64>, expected: f64) {
        let actual = actual.expect("known");
        assert!((actual - expected).abs() < 1e-9, "{actual} is not {expected}");
    }

    /// By hand: 10 against 6 L/100 km and 16 kWh at 2.00 a litre and 0.30 a kWh are 0.20 and 0.168 a km; their
    /// uncertainties 1 % of the fuel and 5 % (3 and 4 in quadrature) of the electricity, k = 2.
    #[test]
    fn fuel_and_electricity_add_up_with_their_uncertainties() {
        let account = Account {
            currency: Some("SKC".to_owned()),
            fuel_price_per_l: Some(2.0),
            electricity_price_per_kwh: Some(0.3),
            ..Account::default()
        };
        let wall = wall();
        let lines = lines(&account, fuel(10.0), fuel(6.0), Electricity { wall: Ok(&wall), spread: Some(0.04) });
        let cost = lines.iter().find(|l| l.quantity == AccountQuantity::Cost).expect("a line");
        assert_eq!(cost.unit, "SKC/km");
        close(cost.baseline, 0.2);
        close(cost.assist, 0.12 + 0.048);
        close(cost.baseline_expanded_uncertainty, 2.0 * 0.002);
        close(cost.assist_expanded_uncertainty, 2.0 * (0.0012_f64).hypot(0.0024));
        let equivalent = lines.iter().find(|l| l.quantity == AccountQuantity::PetrolEquivalent).expect("a line");
        close(equivalent.baseline, 10.0);
        close(equivalent.assist, 6.0 + 16.0 / KWH_PER_LITRE_PETROL);
        assert!(lines[..4].iter().all(|l| l.unknown.is_none()), "{lines:?}");
        assert_eq!(
            lines[4].unknown.as_deref(),
            Some("the campaign does not state fuel_co2_g_per_l and grid_co2_g_per_kwh in [account]")
        );
    }

    #[test]
    fn a_condition_without_electricity_needs_no_price_of_it() {
        let account = Account { fuel_co2_g_per_l: Some(2348.0), ..Account::default() };
        let wall = wall();
        let lines = lines(&account, fuel(10.0), fuel(6.0), Electricity { wall: Ok(&wall), spread: None });
        close(lines[4].baseline, 234.8);
        assert_eq!(lines[4].assist, None);
        assert!(lines[4].unknown.as_deref().is_some_and(|u| u.contains("grid_co2_g_per_kwh")));
        assert_eq!(lines[1].assist_expanded_uncertainty, None);
    }

    #[test]
    fn unknown_electricity_says_why() {
        let nothing = Electricity { wall: Err("charging was not logged"), spread: None };
        let lines = lines(&Account::default(), fuel(10.0), fuel(6.0), nothing);
        for line in &lines[1..3] {
            assert_eq!((line.assist, line.unknown.as_deref()), (None, Some("charging was not logged")));
        }
    }
}
