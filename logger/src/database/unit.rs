//! Units as databases write them, as UCUM codes, and conversion between those of one quantity.

/// A unit that is known: `base value = value · factor + offset` in the base unit of its quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Unit {
    /// UCUM code.
    pub(super) ucum: &'static str,
    quantity: &'static str,
    factor: f64,
    offset: f64,
    /// Spellings beside the UCUM code.
    names: &'static [&'static str],
}

const fn unit(
    ucum: &'static str,
    quantity: &'static str,
    factor: f64,
    offset: f64,
    names: &'static [&'static str],
) -> Unit {
    Unit { ucum, quantity, factor, offset, names }
}

/// Factors are exact by definition, psi apart (lbf/in² of the international pound and inch). A plain `C` is left
/// out: it is the coulomb as much as the degree.
#[rustfmt::skip]
const UNITS: &[Unit] = &[
    unit("1", "number", 1.0, 0.0, &["", "-", "count", "counts", "pulse", "pulses", "edge", "edges", "{edge}", "{pulse}", "{count}"]),
    unit("%", "share", 1.0, 0.0, &["percent", "pct"]),
    unit("m/s", "speed", 1.0, 0.0, &["mps"]),
    unit("km/h", "speed", 1.0 / 3.6, 0.0, &["kmh", "kph", "KPH", "km/hr", "Km/h", "KM/H"]),
    unit("[mi_i]/h", "speed", 0.44704, 0.0, &["mph", "MPH", "mi/h"]),
    unit("[kn_i]", "speed", 1852.0 / 3600.0, 0.0, &["kn", "knot", "knots"]),
    unit("{rpm}", "rotation", 1.0, 0.0, &["rpm", "RPM", "1/min", "min-1", "min^-1", "r/min", "rev/min", "U/min"]),
    unit("Cel", "temperature", 1.0, 273.15, &["degC", "\u{b0}C", "\u{2103}", "deg C", "Deg C", "deg_C", "DegC", "celsius", "Celsius"]),
    unit("[degF]", "temperature", 5.0 / 9.0, 273.15 - 160.0 / 9.0, &["degF", "\u{b0}F", "deg F"]),
    unit("K", "temperature", 1.0, 0.0, &["kelvin", "Kelvin"]),
    unit("kPa", "pressure", 1.0, 0.0, &["kpa", "KPa"]),
    unit("Pa", "pressure", 0.001, 0.0, &[]),
    unit("hPa", "pressure", 0.1, 0.0, &[]),
    unit("mbar", "pressure", 0.1, 0.0, &[]),
    unit("bar", "pressure", 100.0, 0.0, &["Bar"]),
    unit("MPa", "pressure", 1000.0, 0.0, &[]),
    unit("[psi]", "pressure", 6.894_757_293_168_361, 0.0, &["psi", "PSI"]),
    unit("V", "voltage", 1.0, 0.0, &["volt", "Volt", "volts", "Volts"]),
    unit("mV", "voltage", 0.001, 0.0, &[]),
    unit("kV", "voltage", 1000.0, 0.0, &[]),
    unit("A", "current", 1.0, 0.0, &["amp", "Amp", "amps", "Amps"]),
    unit("mA", "current", 0.001, 0.0, &[]),
    unit("W", "power", 1.0, 0.0, &["watt", "Watt"]),
    unit("kW", "power", 1000.0, 0.0, &["KW"]),
    unit("W.h", "energy", 1.0, 0.0, &["Wh"]),
    unit("kW.h", "energy", 1000.0, 0.0, &["kWh", "KWh"]),
    unit("A.h", "charge", 1.0, 0.0, &["Ah"]),
    unit("mA.h", "charge", 0.001, 0.0, &["mAh"]),
    unit("N.m", "torque", 1.0, 0.0, &["Nm", "N*m", "N\u{b7}m", "NM"]),
    unit("N", "force", 1.0, 0.0, &[]),
    unit("deg", "angle", 1.0, 0.0, &["\u{b0}", "degree", "degrees"]),
    unit("m", "length", 1.0, 0.0, &[]),
    unit("km", "length", 1000.0, 0.0, &[]),
    unit("mm", "length", 0.001, 0.0, &[]),
    unit("s", "time", 1.0, 0.0, &["sec"]),
    unit("ms", "time", 0.001, 0.0, &["msec"]),
    unit("min", "time", 60.0, 0.0, &[]),
    unit("h", "time", 3600.0, 0.0, &["hr"]),
    unit("g/s", "mass flow", 1.0, 0.0, &[]),
    unit("kg/h", "mass flow", 1.0 / 3.6, 0.0, &[]),
    unit("mg/s", "mass flow", 0.001, 0.0, &[]),
    unit("L/h", "volume flow", 1.0, 0.0, &["l/h", "L/hr", "l/hr"]),
    unit("L", "volume", 1.0, 0.0, &["l"]),
    unit("mL", "volume", 0.001, 0.0, &["ml"]),
    unit("kg", "mass", 1.0, 0.0, &[]),
    unit("g", "mass", 0.001, 0.0, &[]),
    unit("m/s2", "acceleration", 1.0, 0.0, &["m/s^2", "m/s\u{b2}"]),
    unit("Hz", "frequency", 1.0, 0.0, &[]),
    unit("Ohm", "resistance", 1.0, 0.0, &["ohm", "\u{3a9}", "\u{2126}"]),
];

/// A straight line that turns values of one unit into values of another: `value · factor + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Conversion {
    pub(super) factor: f64,
    pub(super) offset: f64,
}

impl Conversion {
    pub(super) const NONE: Self = Self { factor: 1.0, offset: 0.0 };
}

impl Unit {
    /// The unit with this spelling.
    pub(super) fn find(text: &str) -> Option<&'static Self> {
        let text = text.trim();
        UNITS.iter().find(|u| u.ucum == text || u.names.contains(&text))
    }

    /// How values in this unit become values in another of the same quantity.
    pub(super) fn to(&self, other: &Self) -> Option<Conversion> {
        if self.quantity != other.quantity {
            return None;
        }
        if self.factor == other.factor && self.offset == other.offset {
            return Some(Conversion::NONE);
        }
        let (factor, offset) = (self.factor / other.factor, (self.offset - other.offset) / other.factor);
        Some(Conversion { factor, offset })
    }
}

/// A UCUM code for a database's unit: the known one, or the text as an annotation, which UCUM allows for anything.
pub(super) fn ucum(text: &str) -> String {
    match Unit::find(text) {
        Some(unit) => unit.ucum.to_owned(),
        None => {
            let plain = text.trim().chars().filter(|c| !matches!(c, '{' | '}') && !c.is_control());
            format!("{{{}}}", plain.collect::<String>())
        }
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::CHANNELS;

    use super::*;

    /// NIST SP 811, appendix B: 1 km/h = 0.2777778 m/s, 1 mph = 0.44704 m/s (exact), 1 bar = 100 kPa (exact),
    /// 1 psi = 6.894757 kPa, 1 kn = 0.5144444 m/s, °F to °C (F − 32)/1.8; values from memory.
    #[test]
    fn factors_are_the_published_ones() {
        let rows = [
            ("km/h", "m/s", 1.0, 0.277_777_8, 1e-7),
            ("mph", "m/s", 1.0, 0.44704, 1e-12),
            ("knots", "m/s", 1.0, 0.514_444_4, 1e-7),
            ("bar", "kPa", 1.013_25, 101.325, 1e-9),
            ("psi", "kPa", 1.0, 6.894_757, 1e-6),
            ("degF", "degC", 212.0, 100.0, 1e-9),
            ("degF", "\u{b0}C", -40.0, -40.0, 1e-9),
            ("K", "degC", 273.15, 0.0, 1e-12),
            ("mV", "V", 3300.0, 3.3, 1e-12),
            ("kW", "W", 1.8, 1800.0, 1e-9),
            ("kg/h", "g/s", 36.0, 10.0, 1e-12),
        ];
        for (from, to, value, expected, tolerance) in rows {
            let (from, to) = (Unit::find(from).expect("known"), Unit::find(to).expect("known"));
            let line = from.to(to).expect("the same quantity");
            let found = value * line.factor + line.offset;
            assert!((found - expected).abs() <= tolerance, "{value} {} is {found} {}", from.ucum, to.ucum);
        }
    }

    #[test]
    fn a_volume_flow_is_no_mass_flow_and_an_unknown_unit_stays_as_it_is() {
        let (volume, mass) = (Unit::find("l/h").expect("known"), Unit::find("g/s").expect("known"));
        assert_eq!(volume.to(mass), None);
        assert_eq!(
            (ucum("furlong"), ucum("{x}"), ucum(" degC ")),
            ("{furlong}".to_owned(), "{x}".to_owned(), "Cel".to_owned())
        );
        assert_eq!(Unit::find("C"), None);
    }

    #[test]
    fn every_canonical_unit_is_known_and_no_spelling_stands_twice() {
        for channel in CHANNELS {
            assert!(Unit::find(channel.unit).is_some(), "{}", channel.unit);
        }
        let names: Vec<&str> = UNITS.iter().flat_map(|u| u.names.iter().copied().chain([u.ucum])).collect();
        for (i, name) in names.iter().enumerate() {
            assert!(!names[..i].contains(name), "{name}");
        }
    }
}
