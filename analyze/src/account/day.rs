//! Mileage over a full day's driving: with assist as far as the pack goes, without it beyond.

use tallywheel_schemas::{
    campaign::Account,
    report::{DayAccount, DayDistance, DayFigures, UtilityWeighted},
};

use super::{
    consumption::{Consumption, gain_percent},
    utility::{self, utility_factor},
};

/// Days that the account is worked out for, km.
const DAYS_KM: [f64; 6] = [20.0, 40.0, 60.0, 80.0, 120.0, 160.0];

/// What the day's figures rest on.
const ASSUMPTION: &str = "Each day starts with a full pack and nothing is charged on the way. Beyond the range the \
    vehicle takes what the runs without assist took: those carried the kit's weight and drag.";

/// What is to be said besides where the range is a bound.
const AT_MOST: &str =
    "How far the pack goes is known as a bound only: these are the most of the assist that such days can have.";

/// Works out the day. `range_km` is how far a full pack goes, and whether that is a bound; `with` is the consumption while the assist works.
pub(super) fn day(
    account: &Account,
    (range_km, at_most): (Option<f64>, bool),
    without_l_per_100km: Option<f64>,
    with: Option<Consumption>,
) -> DayAccount {
    let empty = |unknown: &str| DayAccount {
        weighted: None,
        by_distance: Vec::new(),
        assumption: ASSUMPTION.to_owned(),
        unknown: Some(unknown.to_owned()),
    };
    let Some((without, with)) = without_l_per_100km.zip(with) else {
        return empty("consumption is not known in both conditions");
    };
    let Some(range_km) = range_km else { return empty("how far a full pack goes is not known") };
    let figures = |share| figures(account, share, without, &with);
    DayAccount {
        weighted: account.utility.map(|curve| UtilityWeighted {
            curve: curve.name().to_owned(),
            source: utility::source(curve).to_owned(),
            figures: figures(utility_factor(curve, range_km, &account.daily_km)),
        }),
        by_distance: DAYS_KM
            .iter()
            .map(|&day_km| DayDistance { day_km, figures: figures(range_km.min(day_km) / day_km) })
            .collect(),
        assumption: if at_most { format!("{ASSUMPTION} {AT_MOST}") } else { ASSUMPTION.to_owned() },
        unknown: account.utility.is_none().then(|| {
            "the campaign does not say by whose daily distances the driving is weighted (utility in [account])"
                .to_owned()
        }),
    }
}

fn figures(account: &Account, assisted_share: f64, without: f64, with: &Consumption) -> DayFigures {
    let mixed = with.mixed(assisted_share, &Consumption::fuel_only(without));
    let equivalent = mixed.petrol_equivalent_l_per_100km();
    DayFigures {
        assisted_share,
        fuel_l_per_100km: mixed.fuel_l_per_100km,
        mileage_percent: gain_percent(without, mixed.fuel_l_per_100km),
        wall_kwh_per_100km: mixed.wall_wh_per_km.map(|wh| wh / 10.0),
        petrol_equivalent_l_per_100km: equivalent,
        petrol_equivalent_percent: equivalent.map(|e| gain_percent(without, e)),
        cost_per_km: mixed.per_km(account.fuel_price_per_l, account.electricity_price_per_kwh),
        co2_g_per_km: mixed.per_km(account.fuel_co2_g_per_l, account.grid_co2_g_per_kwh),
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::campaign::Utility;

    use super::*;

    const WITH: Consumption = Consumption { fuel_l_per_100km: 5.0, wall_wh_per_km: Some(160.0) };

    fn close(actual: f64, expected: f64) {
        assert!((actual - expected).abs() < 1e-9, "{actual} is not {expected}");
    }

    /// By hand: of 80 km, 40 at 5 and 40 at 10 L/100 km are 7.5; doubled mileage on the pack is a gain of a third.
    #[test]
    fn a_day_longer_than_the_range_ends_without_assist() {
        let day = day(&Account::default(), (Some(40.0), false), Some(10.0), Some(WITH));
        let of = |km: f64| day.by_distance.iter().find(|d| (d.day_km - km).abs() < 1e-9).expect("a day").figures;
        close(of(80.0).fuel_l_per_100km, 7.5);
        close(of(80.0).mileage_percent, 100.0 / 3.0);
        close(of(80.0).wall_kwh_per_100km.expect("known"), 8.0);
        close(of(20.0).mileage_percent, 100.0);
        close(of(20.0).assisted_share, 1.0);
        assert!(day.weighted.is_none() && day.unknown.expect("said").contains("utility in [account]"));
    }

    #[test]
    fn own_days_weight_by_their_distance() {
        let account = Account { utility: Some(Utility::Own), daily_km: vec![20.0, 80.0], ..Account::default() };
        let day = day(&account, (Some(40.0), false), Some(10.0), Some(WITH));
        let weighted = day.weighted.expect("weighted");
        close(weighted.figures.assisted_share, 0.6);
        close(weighted.figures.fuel_l_per_100km, 7.0);
        assert_eq!((weighted.curve.as_str(), day.unknown), ("own", None));
    }

    /// UN R101, annex 8, weighted consumption `(De·C1 + Dav·C2) / (De + Dav)` with Dav = 25 km (formula from memory; its
    /// worked numbers follow from it): a day of De + Dav with a pack that lasts for De.
    #[test]
    fn a_day_is_weighted_as_un_r101_weights_two_conditions() {
        for (range_km, with, without, weighted) in [(25.0, 0.0, 8.0, 4.0), (50.0, 1.2, 6.6, 3.0)] {
            let with = Consumption { fuel_l_per_100km: with, wall_wh_per_km: None };
            let account =
                Account { utility: Some(Utility::Own), daily_km: vec![range_km + 25.0], ..Account::default() };
            let day = day(&account, (Some(range_km), false), Some(without), Some(with));
            close(day.weighted.expect("weighted").figures.fuel_l_per_100km, weighted);
        }
    }

    #[test]
    fn without_a_range_nothing_is_said() {
        let day = day(&Account::default(), (None, false), Some(10.0), Some(WITH));
        assert!(day.by_distance.is_empty() && day.unknown.expect("said").contains("how far a full pack goes"));
    }
}
