//! The account as text: both conditions line by line, the pack, each run's net energy, a day's driving.

use std::fmt::{Result, Write as _};

use tallywheel_schemas::{
    Units,
    report::{AccountLine, AccountQuantity, ChargeState, DayFigures, EnergyAccount, NetEnergy},
    units::{METRES_PER_MILE, mpg_us_from_l_per_100km},
};

use super::{distance, interval, length};
use crate::figure::{fixed, rounded, signed};

/// Writes the account.
pub(super) fn account(out: &mut String, energy: &EnergyAccount, units: Units) -> Result {
    writeln!(out, "The whole account               without assist      with assist")?;
    for line in &energy.lines {
        let value = |v: Option<f64>, u: Option<f64>| figure(line.quantity, v, u, units);
        writeln!(
            out,
            "  {:<26} {:>17} {:>16}  {}",
            title(line.quantity),
            value(line.baseline, line.baseline_expanded_uncertainty),
            value(line.assist, line.assist_expanded_uncertainty),
            unit(line, units)
        )?;
        match &line.unknown {
            Some(reason) => writeln!(out, "      not known: {reason}")?,
            None if line.quantity == AccountQuantity::WallElectricity => writeln!(out, "      {}", line.basis)?,
            None => {}
        }
    }
    writeln!(
        out,
        "  ± expanded uncertainty (k = 2) from calibrations and from run to run; prices and factors are exact"
    )?;
    if let Some(gain) = equivalent_gain(energy) {
        writeln!(out, "  Mileage with the electricity counted as petrol: {gain}")?;
    }
    pack(out, energy, units)?;
    net_energy(out, &energy.net_energy, units)?;
    day(out, energy, units)
}

fn pack(out: &mut String, energy: &EnergyAccount, units: Units) -> Result {
    let u = energy.relative_expanded_uncertainty;
    let kwh = |v: Option<f64>| v.map_or_else(|| "unknown".to_owned(), |v| rounded(v, v.abs() * u / 2.0));
    writeln!(
        out,
        "\nPack, assisted runs     {} kWh out, {} kWh back, {} kWh net",
        kwh(energy.pack_out_kwh),
        kwh(energy.pack_in_kwh),
        kwh(energy.net_kwh)
    )?;
    if let Some(efficiency) = charging_efficiency(energy) {
        writeln!(out, "Charging efficiency     {efficiency}")?;
    }
    writeln!(out, "A full pack             {}", range(energy, units))
}

/// The gain that counts the electricity, with its interval and how that was found.
pub(in crate::report) fn equivalent_gain(energy: &EnergyAccount) -> Option<String> {
    match (&energy.petrol_equivalent_gain, energy.petrol_equivalent_percent) {
        (Some(gain), _) if gain.percent.low.is_none() => Some(interval(&gain.percent)),
        (Some(gain), _) => {
            let confidence = crate::figure::confidence(gain.confidence);
            Some(format!("{}, {confidence} %: {}", interval(&gain.percent), gain.method))
        }
        (None, summed) => summed.map(|p| format!("{} % (no interval)", signed(p, 1))),
    }
}

/// The charging efficiency, why it is this one, and what was stated beside it.
pub(in crate::report) fn charging_efficiency(energy: &EnergyAccount) -> Option<String> {
    let used = energy.charging_efficiency.as_ref()?;
    let doubt = used
        .relative_standard_uncertainty
        .map_or_else(String::new, |u| format!(" ± {}", fixed(2.0 * u * used.value, 3)));
    let others: String = used
        .not_used
        .iter()
        .map(|e| format!("; not used: {} that the {} states", fixed(e.value, 3), e.source))
        .collect();
    Some(format!("{}{doubt}, {}{others}", fixed(used.value, 3), used.reason))
}

/// How far a full pack goes, and from what that is known.
pub(in crate::report) fn range(energy: &EnergyAccount, units: Units) -> String {
    let r = &energy.range;
    let far = match (r.km, &r.unknown) {
        (Some(km), _) => {
            let (value, unit) = length(km, units);
            let doubt = r
                .expanded_uncertainty_km
                .filter(|_| !r.at_most)
                .map_or_else(String::new, |u| format!(" ± {}", fixed(length(u, units).0, 0)));
            let bound = if r.at_most { "at most " } else { "" };
            format!("goes for {bound}{}{doubt} {unit} with assist: {}", fixed(value, 0), r.basis)
        }
        (None, Some(reason)) => format!("goes for an unknown distance: {reason}"),
        (None, None) => "goes for an unknown distance".to_owned(),
    };
    match r.flat_after_km {
        Some(km) => format!("{far}; it ran flat in {} runs, first after {}", r.flat_runs, distance(km, units)),
        None if r.floor_reached == Some(false) => format!("{far}; run flat: not reached"),
        None => far,
    }
}

fn net_energy(out: &mut String, rows: &[NetEnergy], units: Units) -> Result {
    let Some(limit) = rows.first().map(|r| r.limit) else { return Ok(()) };
    writeln!(
        out,
        "Net energy of the pack over the fuel's energy ({} % and less is charge-sustaining)",
        fixed(limit * 100.0, 0)
    )?;
    let width = rows.iter().map(|r| r.run.chars().count()).max().unwrap_or(0);
    rows.iter().try_for_each(|row| writeln!(out, "  {:<width$}  {}", row.run, net_energy_words(row, units)))
}

/// A run's net energy in words.
pub(in crate::report) fn net_energy_words(row: &NetEnergy, units: Units) -> String {
    let share = match (row.share, row.state) {
        (Some(share), Some(state)) => format!("{} %, {}", fixed(share * 100.0, 2), state_word(state)),
        _ => format!("not known: {}", row.unknown.as_deref().unwrap_or("no reason is recorded")),
    };
    let Some(end) = row.assist_end else { return share };
    let at = end.soc_pct.map_or_else(String::new, |soc| format!(" at {} % charge", fixed(soc, 0)));
    let what = if end.pack_flat { "the pack ran flat" } else { "the assist ended, though not for want of charge," };
    format!("{share}; {what} after {}{at}", distance(end.after_km, units))
}

const fn state_word(state: ChargeState) -> &'static str {
    match state {
        ChargeState::Sustaining => "charge-sustaining",
        ChargeState::Depleting => "charge-depleting",
        ChargeState::Charging => "charging",
    }
}

fn day(out: &mut String, energy: &EnergyAccount, units: Units) -> Result {
    let day = &energy.day;
    writeln!(out, "\nOver a day's driving")?;
    if let Some(weighted) = &day.weighted {
        writeln!(out, "  {}", weighted.source)?;
        writeln!(out, "    {}", day_words(&weighted.figures, units))?;
    }
    for row in &day.by_distance {
        let (value, unit) = length(row.day_km, units);
        writeln!(out, "  {:>4} {unit}: {}", fixed(value, 0), day_words(&row.figures, units))?;
    }
    if let Some(reason) = &day.unknown {
        writeln!(out, "  Not weighted: {reason}")?;
    }
    if !day.by_distance.is_empty() {
        writeln!(out, "  {}", day.assumption)?;
    }
    Ok(())
}

fn day_words(f: &DayFigures, units: Units) -> String {
    let electric = match (f.wall_kwh_per_100km, f.petrol_equivalent_percent) {
        (Some(kwh), Some(percent)) => format!(
            ", {} {} from the wall, {} % with that as petrol",
            fixed(kwh * per_distance(units), 1),
            wall_unit(units),
            signed(percent, 0)
        ),
        _ => String::new(),
    };
    format!(
        "{} % assisted, {}, fuel mileage {} %{electric}",
        fixed(f.assisted_share * 100.0, 0),
        fuel(f.fuel_l_per_100km, units),
        signed(f.mileage_percent, 0)
    )
}

/// Consumption or mileage with its unit.
pub(in crate::report) fn fuel(l_per_100km: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} L/100 km", fixed(l_per_100km, 2)),
        Units::Us => format!("{} mpg", fixed(mpg_us_from_l_per_100km(l_per_100km), 1)),
    }
}

/// Name of a line.
pub(in crate::report) const fn title(quantity: AccountQuantity) -> &'static str {
    match quantity {
        AccountQuantity::Fuel => "Fuel alone",
        AccountQuantity::WallElectricity => "Electricity from the wall",
        AccountQuantity::PetrolEquivalent => "Both, counted as petrol",
        AccountQuantity::Cost => "Cost of both",
        AccountQuantity::Co2 => "CO₂ of both",
    }
}

/// Unit in which a line is shown.
pub(in crate::report) fn unit(line: &AccountLine, units: Units) -> String {
    match (line.quantity, units) {
        (AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent, Units::Us) => "mpg".to_owned(),
        (AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent, Units::Metric) => "L/100 km".to_owned(),
        (AccountQuantity::WallElectricity, _) => wall_unit(units).to_owned(),
        (AccountQuantity::Cost | AccountQuantity::Co2, Units::Us) => line.unit.replace("/km", "/mi"),
        (AccountQuantity::Cost | AccountQuantity::Co2, Units::Metric) => line.unit.clone(),
    }
}

const fn wall_unit(units: Units) -> &'static str {
    match units {
        Units::Metric => "kWh/100 km",
        Units::Us => "kWh/100 mi",
    }
}

fn per_distance(units: Units) -> f64 {
    match units {
        Units::Metric => 1.0,
        Units::Us => METRES_PER_MILE / 1000.0,
    }
}

/// A figure with its uncertainty, in the unit of [`fn@unit`].
pub(in crate::report) fn figure(
    quantity: AccountQuantity,
    value: Option<f64>,
    expanded: Option<f64>,
    units: Units,
) -> String {
    let Some(value) = value else { return "not known".to_owned() };
    let (shown, expanded) = match (quantity, units) {
        (AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent, Units::Us) => {
            let mpg = mpg_us_from_l_per_100km(value);
            (mpg, expanded.map(|u| u / value * mpg))
        }
        (AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent, Units::Metric) => (value, expanded),
        _ => (value * per_distance(units), expanded.map(|u| u * per_distance(units))),
    };
    let decimals = match quantity {
        AccountQuantity::Cost => 3,
        AccountQuantity::Co2 => 0,
        AccountQuantity::WallElectricity => 1,
        AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent if units == Units::Us => 1,
        AccountQuantity::Fuel | AccountQuantity::PetrolEquivalent => 2,
    };
    if quantity == AccountQuantity::WallElectricity && shown == 0.0 {
        return "none".to_owned();
    }
    let doubt = expanded.map_or_else(String::new, |u| format!(" ± {}", fixed(u, decimals)));
    format!("{}{doubt}", fixed(shown, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_show_their_uncertainty_in_the_unit_asked_for() {
        let fuel = |units| figure(AccountQuantity::Fuel, Some(9.408_583), Some(0.12), units);
        assert_eq!(fuel(Units::Metric), "9.41 ± 0.12");
        // 9.408583 L/100 km are 25 mpg by definition; 0.12/9.41 of that is 0.32.
        assert_eq!(fuel(Units::Us), "25.0 ± 0.3");
        assert_eq!(figure(AccountQuantity::WallElectricity, Some(0.0), None, Units::Metric), "none");
        assert_eq!(figure(AccountQuantity::WallElectricity, Some(10.0), None, Units::Us), "16.1");
        assert_eq!(figure(AccountQuantity::Cost, None, None, Units::Us), "not known");
    }
}
