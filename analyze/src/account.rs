//! The whole account of the kit, never fuel alone: what the assisted runs took out of the pack, what that takes from
//! the wall, what both cost and emit, how far a full pack goes, and what is left of the gain over a full day.
//!
//! Takes the runs that count and the charging sessions; gives the report's [`EnergyAccount`].

mod assist_end;
mod charging;
mod consumption;
mod day;
mod equivalent;
mod lines;
mod net_energy;
mod range;
mod utility;

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Campaign, Rig,
    report::{AssistEnd, EnergyAccount, MileageByCondition, PerCondition},
    units::mpg_us_from_l_per_100km,
};

pub use charging::Charging;
pub use consumption::{Consumption, KWH_PER_LITRE_PETROL, gain_percent};
pub use equivalent::equivalent_gain;
pub use net_energy::{NET_ENERGY_LIMIT, baseline_on_the_pack, net_energy_share};
pub use utility::{source as utility_source, utility_factor};

use crate::{run::RunFacts, tally::Tally, uncertainty};
use assist_end::End;
use charging::Wall;
use lines::{Electricity, Fuel};
use range::{Working, relative_standard_error};

/// Net energy per km below which the pack is as full after a run as before it, Wh/km.
pub const NOTHING_TAKEN_WH: f64 = 0.5;

/// Everything that the account is made from.
#[derive(Debug, Clone, Copy)]
pub struct AccountInput<'a> {
    /// The campaign, for its prices and factors.
    pub campaign: &'a Campaign,
    /// Mileage of the runs that count.
    pub mileage: &'a MileageByCondition,
    /// Runs without assist that count.
    pub baseline: &'a [&'a RunFacts<'a>],
    /// Assisted runs that count.
    pub assist: &'a [&'a RunFacts<'a>],
    /// Rig of the vehicle under test.
    pub rig: Option<&'a Rig>,
    /// Charging sessions of the vehicle.
    pub charging: Charging,
}

/// Equivalent full cycles: charge in and out over twice the rated capacity.
pub fn equivalent_full_cycles(out_ah: f64, in_ah: f64, capacity_ah: f64) -> f64 {
    (out_ah + in_ah) / (2.0 * capacity_ah)
}

/// Draws up the account, but for the gain that [`equivalent_gain`] works out once the budget is known.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn account(input: &AccountInput<'_>) -> PolarsResult<EnergyAccount> {
    let AccountInput { campaign, mileage, baseline, assist, rig, charging } = *input;
    let (charging, implausible) = charging.plausible();
    let (stated, pack) = (&campaign.account, rig.map(|r| r.pack.clone()).unwrap_or_default());
    // Energy over a distance that it was not recorded for would flatter the kit.
    let covered = |run: &RunFacts<'_>| run.pack_coverage >= campaign.rules.min_coverage;
    let known: Vec<&RunFacts<'_>> = assist.iter().copied().filter(|r| covered(r)).collect();
    let whole: Tally = known.iter().map(|r| r.tally).collect();
    let ends = assist_ends(&known, rig, stated.soc_floor_pct)?;
    let working = known.iter().zip(&ends).map(|(run, end)| working(run, *end)).collect::<PolarsResult<Vec<_>>>()?;
    let while_working: Tally = working.iter().map(|w| w.tally).collect();

    let efficiency = charging::efficiency(&charging, stated.charging_efficiency, rig);
    let contradicted = efficiency.as_ref().and_then(charging::contradicted);
    let wall_of = |tally: &Tally| charging::wall(tally, &charging, efficiency.as_ref(), rig);
    let wall = wall_of(&whole);
    let calibration = rig.map_or(0.0, |r| uncertainty::pack_energy(r, &whole));
    let net_energy: Vec<_> = (baseline.iter().chain(assist))
        .map(|run| net_energy::of_run(run, covered(run), end_of(run, &known, &ends)))
        .collect();
    let range = range::range(&working, pack.energy_wh, stated.soc_floor_pct, calibration);
    let with = while_working.l_per_100km().map(|fuel_l_per_100km| Consumption {
        fuel_l_per_100km,
        wall_wh_per_km: wall_of(&while_working).ok().map(|w| w.per_km_wh),
    });
    let fuel = (Fuel::of(mileage.baseline.as_ref(), baseline), Fuel::of(mileage.assist.as_ref(), assist));
    let lines = lines::lines(
        stated,
        fuel.0,
        fuel.1,
        Electricity { wall: wall.as_ref().map_err(String::as_str), spread: spread_of_net_energy(&known) },
    );
    let both = |line: usize| -> Option<PerCondition> {
        let l = &lines[line];
        Some(PerCondition { baseline: l.baseline?, assist: l.assist? })
    };
    let equivalent = both(2);
    let kwh = |wh: Option<f64>| wh.map(|wh| wh / 1000.0);
    Ok(EnergyAccount {
        runs: u32::try_from(known.len()).unwrap_or(u32::MAX),
        reservation: reservation(assist, &covered, implausible.into_iter().chain(contradicted)),
        pack_out_kwh: kwh(whole.pack_out_wh),
        pack_in_kwh: kwh(whole.pack_in_wh),
        net_kwh: kwh(whole.net_wh()),
        per_km_wh: whole.net_wh().filter(|_| whole.distance_km() > 0.0).map(|wh| wh / whole.distance_km()),
        pack_out_ah: whole.pack_out_ah,
        pack_in_ah: whole.pack_in_ah,
        equivalent_full_cycles: full_cycles(&whole, pack.capacity_ah),
        wall_logged_kwh: (charging.wall_wh > 0.0).then_some(charging.wall_wh / 1000.0),
        charging_efficiency: efficiency.clone(),
        wall_wh_per_ah: charging.wall_wh_per_ah(),
        wall_per_km_wh: wall.as_ref().ok().map(|w: &Wall| w.per_km_wh),
        petrol_equivalent_l_per_100km: lines[2].assist,
        petrol_equivalent_mpg_us: lines[2].assist.map(mpg_us_from_l_per_100km),
        petrol_equivalent_gain: None,
        petrol_equivalent_percent: equivalent.map(|e| gain_percent(e.baseline, e.assist)),
        distance_on_pack_km: range.km,
        cost_per_km: both(3),
        currency: stated.currency.clone(),
        co2_g_per_km: both(4),
        relative_expanded_uncertainty: 2.0 * calibration,
        day: day::day(stated, (range.km, range.at_most), mileage.baseline.as_ref().map(|m| m.l_per_100km), with),
        lines,
        net_energy,
        range,
    })
}

/// Where the assist of each run ended before the run did.
fn assist_ends(runs: &[&RunFacts<'_>], rig: Option<&Rig>, floor_pct: Option<f64>) -> PolarsResult<Vec<Option<End>>> {
    let bins = runs.iter().map(|run| assist_end::bins(run.ledger)).collect::<PolarsResult<Vec<_>>>()?;
    let usual = bins.iter().filter_map(|b| assist_end::usual_power_w(b)).reduce(f64::max);
    let Some(usual) = usual else { return Ok(vec![None; runs.len()]) };
    let cut_in = rig.and_then(|r| r.assist.cut_in_m_s.or(r.assist.cut_off_m_s));
    Ok(bins.iter().map(|b| assist_end::assist_end(b, usual, cut_in, floor_pct)).collect())
}

fn end_of(run: &RunFacts<'_>, known: &[&RunFacts<'_>], ends: &[Option<End>]) -> Option<AssistEnd> {
    known.iter().zip(ends).find(|(k, _)| k.sheet.run == run.sheet.run).and_then(|(_, end)| *end).map(|e| e.end)
}

/// The part of a run in which the assist worked.
fn working(run: &RunFacts<'_>, end: Option<End>) -> PolarsResult<Working> {
    let Some(End { bin, end }) = end else {
        return Ok(Working { tally: run.tally, soc_pct: run.soc_pct, end: None });
    };
    let tally = Tally::of(&run.ledger.bins.head(Some(bin)), run.ledger.findings.bin_s())?;
    Ok(Working { tally, soc_pct: (run.soc_pct.0, end.soc_pct), end: Some(end) })
}

fn spread_of_net_energy(runs: &[&RunFacts<'_>]) -> Option<f64> {
    let per_km = |r: &&RunFacts<'_>| Some(r.tally.net_wh()? / r.tally.distance_m?);
    relative_standard_error(&runs.iter().filter_map(per_km).collect::<Vec<_>>())
}

fn full_cycles(whole: &Tally, capacity_ah: Option<f64>) -> Option<f64> {
    Some(equivalent_full_cycles(whole.pack_out_ah?, whole.pack_in_ah?, capacity_ah?))
}

fn reservation(
    assist: &[&RunFacts<'_>],
    covered: &dyn Fn(&RunFacts<'_>) -> bool,
    of_charging: impl Iterator<Item = String>,
) -> Option<String> {
    let left_out: Vec<&str> = assist.iter().filter(|r| !covered(r)).map(|r| r.sheet.run.as_str()).collect();
    let not_covered = (!left_out.is_empty())
        .then(|| format!("pack voltage and current do not cover run {}, left out of the account", left_out.join(", ")));
    let both: Vec<String> = not_covered.into_iter().chain(of_charging).collect();
    (!both.is_empty()).then(|| both.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Definition: 1275 Ah in and 1260 Ah out of a 40 Ah pack are 31.6875 full cycles.
    #[test]
    fn full_cycles_count_both_directions() {
        assert!((equivalent_full_cycles(1260.0, 1275.0, 40.0) - 31.6875).abs() < 1e-12);
    }
}
