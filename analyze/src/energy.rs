//! The electricity on the account: never fuel alone.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    campaign::Account,
    report::{ChargingEfficiency, EnergyAccount, PerCondition},
    rig::Pack,
    units::{KWH_PER_US_GALLON_PETROL, LITRES_PER_US_GALLON, mpg_us_from_l_per_100km},
};

use crate::{columns, ledger::SessionLedger, tally::Tally};

/// Energy from the wall and into the pack in charging sessions.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Charging {
    /// From the wall, Wh.
    pub wall_wh: f64,
    /// Into the pack while the wall gives power, Wh.
    pub pack_in_wh: f64,
}

impl Charging {
    /// Sums the bins in which the wall gives power.
    ///
    /// # Errors
    /// When a ledger's frame lacks its columns.
    pub fn of(ledgers: &[SessionLedger]) -> PolarsResult<Self> {
        let mut charging = Self::default();
        for ledger in ledgers {
            let (wall, pack) =
                (columns::floats(&ledger.bins, "wall_wh")?, columns::floats(&ledger.bins, "pack_in_wh")?);
            for (wall, pack) in wall.into_iter().zip(pack) {
                if let (Some(wall), Some(pack)) = (wall.filter(|w| *w > 0.0), pack) {
                    charging.wall_wh += wall;
                    charging.pack_in_wh += pack;
                }
            }
        }
        Ok(charging)
    }

    /// Energy into the pack over energy from the wall (definition; an example of 5.00 kWh from 5.65 kWh is
    /// 0.885). `None` where nothing was charged.
    pub fn efficiency(&self) -> Option<f64> {
        (self.wall_wh > 0.0 && self.pack_in_wh > 0.0).then(|| self.pack_in_wh / self.wall_wh)
    }
}

/// Equivalent full cycles: charge in and out over twice the rated capacity.
pub fn equivalent_full_cycles(out_ah: f64, in_ah: f64, capacity_ah: f64) -> f64 {
    (out_ah + in_ah) / (2.0 * capacity_ah)
}

/// Fuel and wall electricity as petrol, litres per 100 km: 33.705 kWh count as one US gallon (40 CFR 600).
pub fn petrol_equivalent_l_per_100km(fuel_l_per_100km: f64, wall_wh_per_km: f64) -> f64 {
    let litres_per_kwh = LITRES_PER_US_GALLON / KWH_PER_US_GALLON_PETROL;
    fuel_l_per_100km + wall_wh_per_km / 10.0 * litres_per_kwh
}

/// Everything that the account is made from.
#[derive(Debug, Clone)]
pub struct AccountInput<'a> {
    /// Assisted runs with complete pack data.
    pub runs: u32,
    /// Which runs are left out, if any are.
    pub reservation: Option<String>,
    /// Sums of the assisted runs that count and have complete pack data.
    pub assist: &'a Tally,
    /// Consumption without assist, L/100 km.
    pub baseline_l_per_100km: Option<f64>,
    /// Charging sessions of the vehicle.
    pub charging: Charging,
    /// Stated prices and factors.
    pub account: &'a Account,
    /// Nameplate of the pack.
    pub pack: &'a Pack,
    /// Relative standard uncertainty of the pack energies from calibrations.
    pub relative_uncertainty: f64,
}

/// Draws up the account.
pub fn account(input: &AccountInput<'_>) -> EnergyAccount {
    let AccountInput { assist, charging, account, pack, .. } = input;
    let kwh = |wh: Option<f64>| wh.map(|wh| wh / 1000.0);
    let km = assist.distance_km();
    let per_km = assist.net_wh().filter(|_| km > 0.0).map(|wh| wh / km);
    let efficiency = charging_efficiency(input);
    let wall_per_km = per_km.zip(efficiency.as_ref()).map(|(wh, e)| wh / e.value);
    let fuel = assist.l_per_100km();
    let equivalent = fuel.zip(wall_per_km).map(|(l, wh)| petrol_equivalent_l_per_100km(l, wh));
    let capacity = pack.capacity_ah;
    EnergyAccount {
        runs: input.runs,
        reservation: input.reservation.clone(),
        pack_out_kwh: kwh(assist.pack_out_wh),
        pack_in_kwh: kwh(assist.pack_in_wh),
        net_kwh: kwh(assist.net_wh()),
        per_km_wh: per_km,
        pack_out_ah: assist.pack_out_ah,
        pack_in_ah: assist.pack_in_ah,
        equivalent_full_cycles: assist
            .pack_out_ah
            .zip(assist.pack_in_ah)
            .zip(capacity)
            .map(|((out, into), capacity)| equivalent_full_cycles(out, into, capacity)),
        wall_logged_kwh: (charging.wall_wh > 0.0).then_some(charging.wall_wh / 1000.0),
        wall_per_km_wh: wall_per_km,
        petrol_equivalent_l_per_100km: equivalent,
        petrol_equivalent_mpg_us: equivalent.map(mpg_us_from_l_per_100km),
        distance_on_pack_km: pack.energy_wh.zip(per_km).filter(|(_, wh)| *wh > 0.0).map(|(e, wh)| e / wh),
        cost_per_km: per_condition(input, wall_per_km, account.fuel_price_per_l, account.electricity_price_per_kwh),
        currency: account.currency.clone(),
        co2_g_per_km: per_condition(input, wall_per_km, account.fuel_co2_g_per_l, account.grid_co2_g_per_kwh),
        relative_expanded_uncertainty: 2.0 * input.relative_uncertainty,
        charging_efficiency: efficiency,
    }
}

/// Measured charging comes first, then what the campaign states, then the rig.
fn charging_efficiency(input: &AccountInput<'_>) -> Option<ChargingEfficiency> {
    let named = |value: f64, source: &str| ChargingEfficiency { value, source: source.to_owned() };
    (input.charging.efficiency().map(|e| named(e, "measured")))
        .or(input.account.charging_efficiency.map(|e| named(e, "campaign")))
        .or(input.pack.charging_efficiency.map(|e| named(e, "rig")))
}

/// A price or factor per litre and per kWh, as a figure per km in both conditions.
fn per_condition(
    input: &AccountInput<'_>,
    wall_wh_per_km: Option<f64>,
    per_l: Option<f64>,
    per_kwh: Option<f64>,
) -> Option<PerCondition> {
    let (per_l, per_kwh) = (per_l?, per_kwh?);
    Some(PerCondition {
        baseline: input.baseline_l_per_100km? / 100.0 * per_l,
        assist: input.assist.l_per_100km()? / 100.0 * per_l + wall_wh_per_km? / 1000.0 * per_kwh,
    })
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::units::METRES_PER_MILE;

    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// Definition: 1275 Ah in and 1260 Ah out of a 40 Ah pack are 31.6875 full cycles.
    #[test]
    fn full_cycles_count_both_directions() {
        close(equivalent_full_cycles(1260.0, 1275.0, 40.0), 31.6875, 1e-12);
    }

    /// 5.00 kWh in the pack from 5.65 kWh of the wall, and 20 from 25 (a charger help page).
    #[test]
    fn charging_efficiency_is_pack_over_wall() {
        let e = |pack, wall| Charging { wall_wh: wall, pack_in_wh: pack }.efficiency();
        close(e(5000.0, 5650.0).expect("charged"), 0.884_956, 1e-6);
        close(e(20.0, 25.0).expect("charged"), 0.8, 0.0);
        assert_eq!(Charging::default().efficiency(), None);
    }

    /// 100 miles on 1.5 US gallons and 12 kWh are 53.8784 mpg-equivalent (33.705 kWh per gallon, 40 CFR 600).
    #[test]
    fn electricity_counts_as_petrol() {
        let km = 100.0 * METRES_PER_MILE / 1000.0;
        let fuel = 1.5 * LITRES_PER_US_GALLON / km * 100.0;
        let equivalent = petrol_equivalent_l_per_100km(fuel, 12_000.0 / km);
        close(mpg_us_from_l_per_100km(equivalent), 53.8784, 1e-4);
    }
}
