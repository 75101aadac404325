//! Net energy change of the pack in each run, against the energy of its fuel.

use tallywheel_schemas::report::{AssistEnd, ChargeState, NetEnergy};

use super::consumption::KWH_PER_LITRE_PETROL;
use crate::run::RunFacts;

/// Largest net energy change, as a share of the fuel's energy, with which fuel alone tells a run's consumption: 1 % in
/// the 2010 edition of SAE J1711 (read in the abstract of SAE 2026-01-0422; the 2023 edition corrects up to 2 %).
pub const NET_ENERGY_LIMIT: f64 = 0.01;

/// Net energy change over the energy of the fuel.
///
/// # Formula
/// `|E_net| / (V · 33.705 kWh/gal)`.
pub fn net_energy_share(net_wh: f64, fuel_l: f64) -> f64 {
    (net_wh / 1000.0 / (fuel_l * KWH_PER_LITRE_PETROL)).abs()
}

/// The row of one run. `covered` says whether the pack was recorded throughout.
pub(super) fn of_run(run: &RunFacts<'_>, covered: bool, assist_end: Option<AssistEnd>) -> NetEnergy {
    let net_wh = run.tally.net_wh().filter(|_| covered);
    let fuel_l = run.tally.fuel_ml.map(|ml| ml / 1000.0).filter(|l| *l > 0.0);
    let share = net_wh.zip(fuel_l).map(|(wh, l)| net_energy_share(wh, l));
    let state = share.zip(net_wh).map(|(share, wh)| match share <= NET_ENERGY_LIMIT {
        true => ChargeState::Sustaining,
        false if wh > 0.0 => ChargeState::Depleting,
        false => ChargeState::Charging,
    });
    NetEnergy {
        run: run.sheet.run.clone(),
        condition: run.sheet.condition,
        net_wh,
        fuel_kwh: fuel_l.map(|l| l * KWH_PER_LITRE_PETROL),
        share,
        limit: NET_ENERGY_LIMIT,
        state,
        assist_end,
        unknown: share.is_none().then(|| match (run.tally.net_wh(), fuel_l) {
            (None, _) => "the pack was not recorded".to_owned(),
            (Some(_), None) => "no fuel was recorded".to_owned(),
            (Some(_), Some(_)) => "pack voltage and current do not cover the run".to_owned(),
        }),
    }
}

/// What stands against a verdict where a run without assist drew on the pack, or filled it, beyond the limit.
pub fn baseline_on_the_pack(rows: &[NetEnergy]) -> Option<String> {
    let beyond = |r: &&NetEnergy| {
        r.condition == tallywheel_schemas::Condition::Baseline && r.share.is_some_and(|s| s > NET_ENERGY_LIMIT)
    };
    let runs: Vec<&str> = rows.iter().filter(beyond).map(|r| r.run.as_str()).collect();
    (!runs.is_empty()).then(|| {
        format!(
            "the pack's net energy in run {} is beyond {} % of the fuel's although the assist was off",
            runs.join(", "),
            NET_ENERGY_LIMIT * 100.0
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 51.2 V × 3 Ah against 2.0 L of petrol are 0.862542 % (J1711-type ratio, recomputed): charge-sustaining.
    #[test]
    fn net_energy_is_held_against_the_fuel() {
        let share = net_energy_share(51.2 * 3.0, 2.0);
        assert!((share * 100.0 - 0.862_542).abs() < 1e-6, "{share}");
        assert!(share <= NET_ENERGY_LIMIT);
        assert!((net_energy_share(-51.2 * 3.0, 2.0) - share).abs() < 1e-15);
    }
}
