//! Names, units and digits of channels, for people.

use tallywheel_schemas::{
    Channel, Domain, Kind, Rig,
    rig::{Signal, Source, unit_of},
};

/// How the values of one channel are written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Format {
    /// The channel's unit as people write it.
    pub(super) unit: String,
    /// Unit in which it is shown.
    pub(super) shown_unit: String,
    /// Shown value = value · factor.
    factor: f64,
    pub(super) digits: usize,
    is_flag: bool,
}

/// Shown where there is no value.
const DASH: &str = "–";

impl Format {
    pub(super) fn of(rig: &Rig, channel: &str, signal: Option<&Signal>) -> Self {
        let known = Channel::find(channel);
        let unit = unit(unit_of(rig, channel));
        // Road speeds are read in km/h; the wind stays in m/s.
        let is_road_speed = unit == "m/s" && known.is_some_and(|c| c.domain == Domain::Motion);
        let (shown_unit, factor) = if is_road_speed { ("km/h".to_owned(), 3.6) } else { (unit.clone(), 1.0) };
        let kind = known.map_or(Kind::Float, |c| c.kind);
        let span = rig.aux.get(channel).map(|a| a.max - a.min);
        let digits = match kind {
            Kind::Int | Kind::Bool => 0,
            Kind::Float => digits(channel, &unit, span).min(resolution(signal, factor)),
        };
        Self { unit, shown_unit, factor, digits, is_flag: kind == Kind::Bool }
    }

    pub(super) fn text(&self, value: Option<f64>) -> String {
        match value {
            None => DASH.to_owned(),
            Some(value) if self.is_flag => if value != 0.0 { "yes" } else { "no" }.to_owned(),
            Some(value) => {
                let text = format!("{:.*}", self.digits, value * self.factor);
                let is_zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
                if is_zero { text.trim_start_matches('-').to_owned() } else { text.replacen('-', "−", 1) }
            }
        }
    }
}

/// A UCUM code as people write it. One that is not in the list stays as it is.
fn unit(ucum: &str) -> String {
    let text = match ucum {
        "1" => "",
        "Cel" => "°C",
        "deg" => "°",
        "{rpm}" => "rpm",
        "{edge}" => "edges",
        "{pulse}" => "pulses",
        "Ohm" => "Ω",
        "W.h" => "Wh",
        "kW.h" => "kWh",
        "A.h" => "Ah",
        "N.m" => "N·m",
        "m/s2" => "m/s²",
        other => other,
    };
    text.to_owned()
}

/// Digits that a person can use while riding along, by unit; for a rig's own channel also by the width of its range.
fn digits(channel: &str, unit: &str, span: Option<f64>) -> usize {
    let by_unit = match unit {
        "rpm" | "W" | "Pa" => 0,
        "g/s" => 2,
        "°" => 5,
        "V" if channel.starts_with("pack.cell_") => 3,
        "" => 3,
        _ => 1,
    };
    match span {
        Some(span) if span >= 1000.0 => 0,
        Some(span) if span < 10.0 => by_unit.max(2),
        _ => by_unit,
    }
}

/// Digits beyond which the raw value has no steps; no limit for text, which brings its own.
fn resolution(signal: Option<&Signal>, factor: f64) -> usize {
    match signal.filter(|s| matches!(s.source, Source::Can(_))) {
        Some(signal) => (-(signal.scale * factor).abs().log10()).ceil().clamp(0.0, 6.0) as usize,
        None => 6,
    }
}

/// Heading of a domain.
pub(super) const fn group(domain: Domain) -> &'static str {
    match domain {
        Domain::Motion => "Motion",
        Domain::Engine => "Engine",
        Domain::Pack => "Pack",
        Domain::Motor => "Motors",
        Domain::Ambient => "Weather",
        Domain::Aux => "Own channels",
    }
}

/// Name of a channel for people; a channel that is not in the list is called by its column.
pub(super) fn label(channel: &str) -> String {
    let label = match channel {
        "motion.wheel_speed_m_s" => "Wheel speed",
        "motion.gps_speed_m_s" => "GPS speed",
        "motion.lat_deg" => "Latitude",
        "motion.lon_deg" => "Longitude",
        "motion.alt_m" => "Altitude",
        "motion.gps_quality" => "GPS fix quality",
        "motion.hall_count" => "Wheel edges",
        "engine.running" => "Engine running",
        "engine.speed_rpm" => "Engine speed",
        "engine.fuel_count" => "Fuel pulses",
        "engine.fuel_rate_g_s" => "Fuel flow",
        "engine.maf_g_s" => "Air flow",
        "engine.lambda" => "Lambda",
        "engine.fuel_temp_c" => "Fuel temperature",
        "engine.coolant_c" => "Coolant",
        "engine.throttle_pct" => "Throttle",
        "engine.intake_temp_c" => "Intake air",
        "engine.baro_kpa" => "Barometer",
        "pack.voltage_v" => "Pack voltage",
        "pack.current_a" => "Pack current",
        "pack.soc_pct" => "State of charge",
        "pack.temp_c" => "Pack temperature",
        "pack.cell_min_v" => "Lowest cell",
        "pack.cell_max_v" => "Highest cell",
        "pack.wall_power_w" => "Wall power",
        "pack.charging" => "Charging",
        "motor.speed_rpm" => "Speed",
        "motor.torque_n_m" => "Torque",
        "motor.phase_current_a" => "Phase current",
        "motor.dc_current_a" => "DC current",
        "motor.command_pct" => "Command",
        "motor.winding_temp_c" => "Winding",
        "motor.controller_temp_c" => "Controller",
        "motor.fault" => "Fault code",
        "ambient.temp_c" => "Outside air",
        "ambient.pressure_kpa" => "Air pressure",
        "ambient.humidity_pct" => "Humidity",
        "ambient.wind_m_s" => "Wind",
        other => return own_label(other),
    };
    label.to_owned()
}

/// A name like `cab_supply_v` in words; the unit at its end stands beside the value anyway.
fn own_label(name: &str) -> String {
    const UNITS: [&str; 12] = ["v", "a", "w", "c", "k", "m", "s", "g", "kg", "pct", "kpa", "rpm"];
    let column = name.rsplit('.').next().unwrap_or(name);
    let words = column.rsplit_once('_').filter(|(_, unit)| UNITS.contains(unit)).map_or(column, |(words, _)| words);
    let words = words.replace('_', " ");
    let mut letters = words.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or(words)
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{TextFile, channel::CHANNELS};

    use super::*;

    fn rig() -> Rig {
        let text = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n\
            [aux.cab_supply_v]\nunit = \"V\"\nmin = 0.0\nmax = 20.0\n\
            [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bus\"\nid = 0xD0\nstart_bit = 0\nlength = 16\nscale = 0.002777777777777778\n\
            [[signal]]\nchannel = \"engine.baro_kpa\"\nport = \"bus\"\nid = 0xD1\nstart_bit = 0\nlength = 8\nscale = 0.5\n\
            [[signal]]\nchannel = \"engine.coolant_c\"\nport = \"bus\"\nid = 0xD2\nstart_bit = 0\nlength = 8\noffset = -40.0\n";
        Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig")
    }

    #[test]
    fn values_are_written_as_a_person_reads_them() {
        let rig = rig();
        let show = |channel: &str, value: f64| {
            let format = Format::of(&rig, channel, rig.signal(channel, None));
            format!("{} {}", format.text(Some(value)), format.shown_unit)
        };
        assert_eq!(show("motion.wheel_speed_m_s", 13.89), "50.0 km/h");
        assert_eq!(show("ambient.wind_m_s", 3.25), "3.2 m/s");
        assert_eq!(show("engine.baro_kpa", 101.5), "101.5 kPa");
        assert_eq!(show("engine.coolant_c", 83.0), "83 °C", "a sensor of whole degrees");
        assert_eq!(show("pack.current_a", -0.04), "0.0 A", "no minus before nothing");
        assert_eq!(show("pack.current_a", -12.34), "−12.3 A");
        assert_eq!(show("pack.cell_min_v", 3.2), "3.200 V");
        assert_eq!(show("engine.running", 1.0), "yes ");
        assert_eq!(show("motor.fault", 3.0), "3 ");
        assert_eq!(show("cab_supply_v", 13.84), "13.8 V");
        assert_eq!(Format::of(&rig, "pack.soc_pct", None).text(None), "–");
        assert_eq!([label("cab_supply_v"), label("tow_force")], ["Cab supply", "Tow force"]);
    }

    #[test]
    fn every_channel_has_a_name_of_its_own_and_a_unit() {
        let rig = rig();
        for (i, c) in CHANNELS.iter().enumerate() {
            let twin = CHANNELS[..i].iter().find(|d| d.domain == c.domain && label(d.name) == label(c.name));
            assert!(twin.is_none() && !label(c.name).is_empty(), "{}", c.name);
            assert!(c.unit == "1" || !Format::of(&rig, c.name, None).unit.is_empty(), "{} {}", c.name, c.unit);
        }
    }
}
