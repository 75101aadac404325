//! Every channel that Tallywheel knows: canonical name, unit, plausible range, and how its values hold
//! between samples.
//!
//! The list is the one place where a channel is added; tables, rig checks, decoding, the ledger and the
//! documentation all read it. A name is `table.column`, and the column ends in its unit.

use serde::{Deserialize, Serialize};

/// How a signal behaves between two samples, hence how it is integrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Hold {
    /// The quantity varies smoothly: straight line between samples, trapezoid rule.
    Linear,
    /// A polled value or a state: the last value holds until the next sample.
    Step,
    /// A running count: only differences mean anything, and they survive a gap.
    Counter,
}

/// The storage type of a channel's column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// 64-bit float, null where the message did not carry it.
    Float,
    /// 64-bit integer: counts and codes.
    Int,
    /// True or false.
    Bool,
}

/// The decoded table that a channel is stored in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Domain {
    /// Speeds, position, wheel edges.
    Motion,
    /// Combustion engine and its fuel.
    Engine,
    /// Traction battery and its charger.
    Pack,
    /// Assist motors and their controllers, one row per motor position.
    Motor,
    /// Weather around the vehicle.
    Ambient,
    /// Channels that a rig adds of its own.
    Aux,
}

impl Domain {
    /// All decoded domains, in the order of their tables.
    pub const ALL: [Self; 6] = [Self::Motion, Self::Engine, Self::Pack, Self::Motor, Self::Ambient, Self::Aux];

    /// Directory and table name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Motion => "motion",
            Self::Engine => "engine",
            Self::Pack => "pack",
            Self::Motor => "motor",
            Self::Ambient => "ambient",
            Self::Aux => "aux",
        }
    }
}

/// What is fixed about one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Channel {
    /// Canonical name, `table.column`.
    pub name: &'static str,
    /// Decoded table.
    pub domain: Domain,
    /// Column in that table.
    pub column: &'static str,
    /// Storage type.
    pub kind: Kind,
    /// Unit as a UCUM code (`m/s`, `Cel`, `1` for a bare number).
    pub unit: &'static str,
    /// Smallest value that can be true of a road vehicle; below it a value is out of range.
    pub min: f64,
    /// Largest value that can be true of a road vehicle.
    pub max: f64,
    /// Hold unless the rig says otherwise.
    pub hold: Hold,
    /// Longest gap in seconds that may be bridged unless the rig says otherwise.
    pub max_gap_s: f64,
    /// One line for people.
    pub doc: &'static str,
}

#[expect(clippy::too_many_arguments, reason = "one line a channel reads as the table it is")]
const fn ch(
    name: &'static str,
    domain: Domain,
    kind: Kind,
    unit: &'static str,
    range: (f64, f64),
    hold: Hold,
    max_gap_s: f64,
    doc: &'static str,
) -> Channel {
    Channel { name, domain, column: column_of(name), kind, unit, min: range.0, max: range.1, hold, max_gap_s, doc }
}

/// The part of a canonical name after its first dot.
const fn column_of(name: &'static str) -> &'static str {
    let bytes = name.as_bytes();
    let mut i = 0;
    while bytes[i] != b'.' {
        i += 1;
    }
    name.split_at(i + 1).1
}

use Domain::{Ambient, Engine, Motion, Motor, Pack};
use Hold::{Counter, Linear, Step};
use Kind::{Bool, Float, Int};

/// The channels, grouped by table. Ranges are wide on purpose (common practice): they catch a wrong scale or a
/// broken sensor, not an unusual drive.
#[rustfmt::skip]
pub const CHANNELS: &[Channel] = &[
    ch("motion.wheel_speed_m_s", Motion, Float, "m/s", (0.0, 70.0), Linear, 1.0, "road speed from the vehicle's wheel sensors"),
    ch("motion.gps_speed_m_s", Motion, Float, "m/s", (0.0, 70.0), Linear, 2.5, "speed over ground from satellite navigation"),
    ch("motion.lat_deg", Motion, Float, "deg", (-90.0, 90.0), Linear, 2.5, "latitude, WGS 84, north positive"),
    ch("motion.lon_deg", Motion, Float, "deg", (-180.0, 180.0), Linear, 2.5, "longitude, WGS 84, east positive"),
    ch("motion.alt_m", Motion, Float, "m", (-500.0, 6000.0), Linear, 2.5, "altitude above mean sea level"),
    ch("motion.gps_quality", Motion, Int, "1", (0.0, 8.0), Step, 2.5, "NMEA 0183 fix quality, 0 = no fix"),
    ch("motion.hall_count", Motion, Int, "{edge}", (0.0, 9.2e18), Counter, 2.0, "edges of a wheel position sensor, counted"),
    ch("engine.running", Engine, Bool, "1", (0.0, 1.0), Step, 2.0, "engine turns under its own power"),
    ch("engine.speed_rpm", Engine, Float, "{rpm}", (0.0, 12000.0), Linear, 1.0, "crankshaft speed"),
    ch("engine.fuel_count", Engine, Int, "{pulse}", (0.0, 9.2e18), Counter, 2.0, "pulses of a volumetric fuel meter, counted"),
    ch("engine.fuel_rate_g_s", Engine, Float, "g/s", (0.0, 50.0), Linear, 1.5, "fuel mass flow, reported or metered"),
    ch("engine.maf_g_s", Engine, Float, "g/s", (0.0, 700.0), Linear, 1.5, "intake air mass flow"),
    ch("engine.lambda", Engine, Float, "1", (0.5, 16.0), Linear, 1.5, "air-fuel ratio over the stoichiometric one"),
    ch("engine.fuel_temp_c", Engine, Float, "Cel", (-40.0, 120.0), Linear, 30.0, "fuel temperature at the meter"),
    ch("engine.coolant_c", Engine, Float, "Cel", (-40.0, 215.0), Linear, 10.0, "coolant temperature"),
    ch("engine.throttle_pct", Engine, Float, "%", (0.0, 100.0), Linear, 1.0, "throttle opening"),
    ch("engine.intake_temp_c", Engine, Float, "Cel", (-40.0, 215.0), Linear, 10.0, "intake air temperature"),
    ch("engine.baro_kpa", Engine, Float, "kPa", (40.0, 120.0), Linear, 60.0, "barometric pressure seen by the engine"),
    ch("pack.voltage_v", Pack, Float, "V", (0.0, 1000.0), Linear, 1.0, "pack terminal voltage"),
    ch("pack.current_a", Pack, Float, "A", (-2000.0, 2000.0), Linear, 1.0, "pack current, positive = discharge"),
    ch("pack.soc_pct", Pack, Float, "%", (0.0, 100.0), Linear, 10.0, "state of charge as the pack reports it"),
    ch("pack.temp_c", Pack, Float, "Cel", (-40.0, 120.0), Linear, 10.0, "hottest reported pack temperature"),
    ch("pack.cell_min_v", Pack, Float, "V", (0.0, 5.0), Linear, 10.0, "lowest cell voltage"),
    ch("pack.cell_max_v", Pack, Float, "V", (0.0, 5.0), Linear, 10.0, "highest cell voltage"),
    ch("pack.wall_power_w", Pack, Float, "W", (0.0, 50000.0), Linear, 10.0, "power drawn from the wall by the charger"),
    ch("pack.charging", Pack, Bool, "1", (0.0, 1.0), Step, 10.0, "charger connected and running"),
    ch("motor.speed_rpm", Motor, Float, "{rpm}", (-20000.0, 20000.0), Linear, 1.0, "rotor speed"),
    ch("motor.torque_n_m", Motor, Float, "N.m", (-5000.0, 5000.0), Linear, 1.0, "shaft torque, positive drives the vehicle"),
    ch("motor.phase_current_a", Motor, Float, "A", (0.0, 2000.0), Linear, 1.0, "phase current, rms"),
    ch("motor.dc_current_a", Motor, Float, "A", (-2000.0, 2000.0), Linear, 1.0, "current into the controller from the pack"),
    ch("motor.command_pct", Motor, Float, "%", (-100.0, 100.0), Linear, 1.0, "torque command to the controller"),
    ch("motor.winding_temp_c", Motor, Float, "Cel", (-40.0, 300.0), Linear, 10.0, "winding temperature"),
    ch("motor.controller_temp_c", Motor, Float, "Cel", (-40.0, 200.0), Linear, 10.0, "controller heat-sink temperature"),
    ch("motor.fault", Motor, Int, "1", (0.0, 4294967295.0), Step, 10.0, "controller fault code, 0 = none"),
    ch("ambient.temp_c", Ambient, Float, "Cel", (-60.0, 60.0), Linear, 60.0, "outside air temperature"),
    ch("ambient.pressure_kpa", Ambient, Float, "kPa", (40.0, 120.0), Linear, 60.0, "outside air pressure"),
    ch("ambient.humidity_pct", Ambient, Float, "%", (0.0, 100.0), Linear, 60.0, "relative humidity"),
    ch("ambient.wind_m_s", Ambient, Float, "m/s", (0.0, 60.0), Linear, 60.0, "wind speed"),
];

impl Channel {
    /// Looks a channel up by canonical name.
    ///
    /// ```
    /// let current = tallywheel_schemas::Channel::find("pack.current_a").unwrap();
    /// assert_eq!((current.unit, current.column), ("A", "current_a"));
    /// ```
    pub fn find(name: &str) -> Option<&'static Self> {
        CHANNELS.iter().find(|c| c.name == name)
    }

    /// The channels of one table, in column order.
    pub fn of(domain: Domain) -> impl Iterator<Item = &'static Self> {
        CHANNELS.iter().filter(move |c| c.domain == domain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_carry_their_table() {
        for (i, c) in CHANNELS.iter().enumerate() {
            assert_eq!(c.name, format!("{}.{}", c.domain.name(), c.column));
            assert!(CHANNELS[..i].iter().all(|d| d.name != c.name), "{} twice", c.name);
            assert!(c.min < c.max && c.max_gap_s > 0.0, "{}", c.name);
        }
    }
}
