//! The files that people would write by hand: run sheets and the campaign.

use std::fmt::Write;

use tallywheel_schemas::RunSheet;

use crate::scenario::{CLAIM_PERCENT, Scenario, VEHICLE};

/// A run sheet as TOML.
pub fn run_sheet(sheet: &RunSheet) -> String {
    let mut text = format!(
        "[run]\nrun = \"{}\"\nroute = \"{}\"\ncondition = \"{}\"\n",
        sheet.run,
        sheet.route,
        sheet.condition.name()
    );
    let numbers = [
        ("payload_kg", sheet.payload_kg),
        ("tyre_pressure_kpa", sheet.tyre_pressure_kpa),
        ("ambient_c", sheet.ambient_c),
        ("wind_m_s", sheet.wind_m_s),
        ("fuel_mass_before_kg", sheet.fuel_mass_before_kg),
        ("fuel_mass_after_kg", sheet.fuel_mass_after_kg),
    ];
    let words = [("driver", &sheet.driver), ("remarks", &sheet.remarks)];
    // Writing to a string cannot fail.
    for (key, value) in words.into_iter().filter_map(|(k, v)| Some((k, v.as_ref()?))) {
        let _ = writeln!(text, "{key} = \"{value}\"");
    }
    for (key, value) in numbers.into_iter().filter_map(|(k, v)| Some((k, v?))) {
        let _ = writeln!(text, "{key} = {value:.1}");
    }
    text
}

/// The campaign as TOML.
pub fn campaign(scenario: &Scenario) -> String {
    let mut text = format!(
        "# The workshop's claim for the {route}, checked by pairs of runs.\nschema = 1\nname = \"{vehicle} on the {route}\"\n\
         vehicle = \"{vehicle}\"\nroute = \"{route}\"\nclaim_percent = {CLAIM_PERCENT:.1}\ndesign = \"paired\"\nconfidence = 0.95\n",
        route = scenario.route.name,
        vehicle = VEHICLE,
    );
    for (baseline, assist) in scenario.pair_names() {
        let _ = write!(text, "\n[[pair]]\nbaseline = \"{baseline}\"\nassist = \"{assist}\"\n");
    }
    let _ = write!(
        text,
        "\n[plan]                       # written before the first run\nlooks = [{}]\nseed = {}\n",
        scenario.pairs, scenario.seed
    );
    // 8,887 g per US gallon of petrol: EPA-420-F-11-041. The prices and the grid are those of the invented islands.
    text.push_str(
        "\n[account]\nfuel_co2_g_per_l = 2348.0   # petrol, EPA-420-F-11-041\ngrid_co2_g_per_kwh = 210.0\n\
         currency = \"crowns\"\nfuel_price_per_l = 14.20\nelectricity_price_per_kwh = 2.10\n",
    );
    text
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Campaign, Rig, RunSheet, TextFile};

    use super::*;
    use crate::{
        route::HARBOUR_LOOP,
        scenario::RIG,
        wire::{kit_bus, vehicle_bus},
    };

    const SCENARIO: Scenario = Scenario { seed: 1, tale: crate::tale::Tale::AsClaimed, pairs: 3, route: HARBOUR_LOOP };

    #[test]
    fn run_sheets_read_back() {
        for plan in SCENARIO.runs() {
            let read = RunSheet::parse(&TextFile::new("run.toml", run_sheet(&plan.sheet))).expect("a good sheet");
            assert_eq!(read, plan.sheet);
        }
    }

    #[test]
    fn the_campaign_reads_back() {
        let campaign = Campaign::parse(&TextFile::new("campaign.toml", campaign(&SCENARIO))).expect("a good campaign");
        assert_eq!((campaign.pairs.len(), campaign.vehicle.as_str()), (3, VEHICLE));
    }

    #[test]
    fn the_nameplates_in_the_rig_are_those_of_the_sensors() {
        use crate::sensors::{COUNTER_MODULUS, EDGES_PER_TURN, PULSES_PER_L, WHEEL_RADIUS_M};
        let rig = Rig::parse(TextFile::new("skerry.toml", RIG)).expect("a good rig");
        let ml_per_pulse = rig.fuel.ml_per_pulse.expect("a volume per pulse");
        assert!((ml_per_pulse - 1000.0 / PULSES_PER_L).abs() < 1e-12, "{ml_per_pulse}");
        let m_per_edge = rig.distance.m_per_edge.expect("a distance per edge");
        let expected = std::f64::consts::TAU * WHEEL_RADIUS_M / EDGES_PER_TURN;
        assert!((m_per_edge / expected - 1.0).abs() < 1e-6, "{m_per_edge} is not {expected}");
        for channel in ["engine.fuel_count", "motion.hall_count"] {
            let signal = rig.signal(channel, None).expect("a counter");
            assert_eq!(signal.modulus, Some(COUNTER_MODULUS), "{channel}");
        }
    }

    #[test]
    fn the_rig_is_good_and_maps_every_message() {
        let rig = Rig::parse(TextFile::new("skerry.toml", RIG)).expect("a good rig");
        assert_eq!(rig.vehicle, VEHICLE);
        let mapped = |id: u32, extended: bool| {
            rig.signals.iter().any(|s| match &s.source {
                tallywheel_schemas::rig::Source::Can(c) => (c.id, c.extended) == (id, extended),
                _ => false,
            })
        };
        for message in vehicle_bus::MESSAGES.iter().chain(&kit_bus::MESSAGES).chain(&kit_bus::PARKED) {
            assert!(mapped(message.id, message.extended), "0x{:X}", message.id);
        }
    }
}
