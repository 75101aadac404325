//! The account on the page.

use maud::{Markup, html};
use tallywheel_schemas::{
    Units,
    report::{AccountLine, AccountQuantity, DayAccount, DayFigures, EnergyAccount},
};

use super::super::text::{
    account::{charging_efficiency, equivalent_gain, figure, fuel, net_energy_words, range, title, unit},
    length, per_one,
};
use crate::figure::{fixed, signed};

/// The section.
pub(super) fn account(energy: &EnergyAccount, units: Units) -> Markup {
    html! {
        section {
            h2 { "The whole account" }
            (lines(&energy.lines, units))
            p.note {
                @if let Some(reservation) = &energy.reservation { strong { (reservation) ". " } }
                "Over " (energy.runs) " assisted runs that count and have complete pack data. ± is the expanded \
                 uncertainty (k = 2) from calibrations and from run to run; stated prices and factors count as exact."
                @if let Some(gain) = equivalent_gain(energy) {
                    " With the electricity counted as petrol, mileage changed by " (gain) "."
                }
            }
            h3 { "The pack" }
            (pack(energy, units))
            h3 { "Net energy of the pack in each run" }
            (net_energy(energy, units))
            h3 { "Over a day's driving" }
            (day(&energy.day, units))
        }
    }
}

fn lines(lines: &[AccountLine], units: Units) -> Markup {
    html! {
        table.runs {
            thead { tr { th { "" } th.n { "Without assist" } th.n { "With assist" } th { "" } th { "From" } } }
            tbody { @for line in lines {
                tr {
                    td { (title(line.quantity)) }
                    td.n { (figure(line.quantity, line.baseline, line.baseline_expanded_uncertainty, units)) }
                    td.n { (figure(line.quantity, line.assist, line.assist_expanded_uncertainty, units)) }
                    td { (unit(line, units)) }
                    td { @match &line.unknown { Some(reason) => { "not known: " (reason) }, None => { (line.basis) } } }
                }
            } }
        }
    }
}

fn pack(energy: &EnergyAccount, units: Units) -> Markup {
    let row = |name: &str, value: Option<String>| {
        html! { tr { th { (name) } td { (value.unwrap_or_else(|| "not known".to_owned())) } } }
    };
    let both = |kwh: Option<f64>, ah: Option<f64>| Some(format!("{} kWh, {} Ah", fixed(kwh?, 2), fixed(ah?, 1)));
    let per_km = energy.per_km_wh.map(|wh| {
        let (wh, of) = per_one(wh, units);
        format!("{} Wh/{of}", fixed(wh, 0))
    });
    html! {
        table.figures {
            (row("Out of the pack", both(energy.pack_out_kwh, energy.pack_out_ah)))
            (row("Back into the pack", both(energy.pack_in_kwh, energy.pack_in_ah)))
            (row("Net", energy.net_kwh.map(|v| fixed(v, 2) + " kWh")))
            (row("Net over distance", per_km))
            (row("Equivalent full cycles", energy.equivalent_full_cycles.map(|c| fixed(c, 2))))
            (row("Charging efficiency", charging_efficiency(energy)))
            (row("Wall energy per ampere hour", energy.wall_wh_per_ah.map(|v| fixed(v, 1) + " Wh/Ah")))
            (row("A full pack", Some(range(energy, units))))
        }
        p.note {
            "Energies are uncertain by ± " (fixed(energy.relative_expanded_uncertainty * 100.0, 1))
            " % (k = 2) from calibrations."
        }
    }
}

fn net_energy(energy: &EnergyAccount, units: Units) -> Markup {
    html! {
        table.runs {
            thead { tr { th { "Run" } th.n { "Net, Wh" } th { "Of the fuel's energy" } } }
            tbody { @for row in &energy.net_energy {
                tr {
                    td.name { (row.run) }
                    td.n { (row.net_wh.map_or_else(|| "–".to_owned(), |wh| fixed(wh, 0))) }
                    td { (net_energy_words(row, units)) }
                }
            } }
        }
        p.note {
            "Up to " (fixed(crate::account::NET_ENERGY_LIMIT * 100.0, 0)) " % fuel alone tells a run's consumption \
             (SAE J1711, 2010 edition); beyond it the run is charge-depleting, and its electricity belongs to the account."
        }
    }
}

fn day(day: &DayAccount, units: Units) -> Markup {
    html! {
        @if !day.by_distance.is_empty() {
            table.runs {
                thead { tr {
                    th { "Day" } th.n { "Assisted, %" } th.n { "Fuel" } th.n { "Fuel mileage" } th.n { "From the wall" }
                    th.n { "Mileage, both as petrol" }
                } }
                tbody {
                    @if let Some(weighted) = &day.weighted {
                        (day_row(&weighted.source, &weighted.figures, units))
                    }
                    @for row in &day.by_distance {
                        (day_row(&{ let (v, of) = length(row.day_km, units); format!("{} {of}", fixed(v, 0)) }, &row.figures, units))
                    }
                }
            }
            p.note { (day.assumption) }
        }
        @if let Some(reason) = &day.unknown { p.note { "Not weighted over a fleet's days: " (reason) "." } }
    }
}

fn day_row(name: &str, f: &DayFigures, units: Units) -> Markup {
    let percent = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| signed(v, 0) + " %");
    let wall = |kwh| figure(AccountQuantity::WallElectricity, Some(kwh), None, units);
    let per = match units {
        Units::Metric => "kWh/100 km",
        Units::Us => "kWh/100 mi",
    };
    html! {
        tr {
            td { (name) }
            td.n { (fixed(f.assisted_share * 100.0, 0)) }
            td.n { (fuel(f.fuel_l_per_100km, units)) }
            td.n { (percent(Some(f.mileage_percent))) }
            td.n { (f.wall_kwh_per_100km.map_or_else(|| "–".to_owned(), |kwh| format!("{} {per}", wall(kwh)))) }
            td.n { (percent(f.petrol_equivalent_percent)) }
        }
    }
}
