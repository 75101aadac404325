//! What the on-board diagnostics standards fix: identifiers (ISO 15765-4) and scalings (SAE J1979, service 01).
//!
//! Pure data, for the check of a rig and for the logger. Bits are counted in the data bytes that follow the echoed
//! parameter number: A is byte 0, B byte 1, and so on, most significant byte first.
//!
//! ```
//! let speed = tallywheel_schemas::obd::Pid::find(0x0D).unwrap();
//! assert_eq!(speed.value(&[0x32]), Some(50.0));
//! let (scale, offset) = speed.scaling_in("m/s", 0.745).unwrap();
//! assert!((50.0 * scale + offset - 50.0 / 3.6).abs() < 1e-12);
//! ```

/// Service 01: current data. The only one that is asked for.
pub const SERVICE_CURRENT_DATA: u8 = 0x01;
/// 11-bit identifier of a request to every ECU.
pub const FUNCTIONAL_11_BIT: u32 = 0x7DF;
/// 29-bit identifier of a request to every ECU.
pub const FUNCTIONAL_29_BIT: u32 = 0x18DB_33F1;

/// The identifier that a request to every ECU has.
pub const fn functional_id(extended: bool) -> u32 {
    if extended { FUNCTIONAL_29_BIT } else { FUNCTIONAL_11_BIT }
}

/// The identifier of a request to one ECU, by the identifier that it answers with: 7E8 → 7E0 to 7EF → 7E7, and
/// 18DAF1xx → 18DAxxF1. `None` when it is not an answer's identifier.
///
/// ```
/// use tallywheel_schemas::obd::physical_id;
/// assert_eq!(physical_id(0x7E8, false), Some(0x7E0));
/// assert_eq!(physical_id(0x18DA_F110, true), Some(0x18DA_10F1));
/// assert_eq!(physical_id(0x7DF, false), None);
/// ```
pub const fn physical_id(answer: u32, extended: bool) -> Option<u32> {
    match (extended, answer) {
        (false, 0x7E8..=0x7EF) => Some(answer - 8),
        (true, _) if answer & 0x1FFF_FF00 == 0x18DA_F100 => Some(0x18DA_00F1 | (answer & 0xFF) << 8),
        _ => None,
    }
}

/// Whether an identifier is one that only a tester sends: a request, or flow control to an ECU.
pub const fn is_request_id(id: u32, extended: bool) -> bool {
    match extended {
        false => id == FUNCTIONAL_11_BIT || matches!(id, 0x7E0..=0x7E7),
        true => id == FUNCTIONAL_29_BIT || id & 0x1FFF_00FF == 0x18DA_00F1,
    }
}

/// One parameter of service 01 and its standard scaling: value = raw · scale + offset.
///
/// Where a parameter carries several values, this is the one in its first bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pid {
    /// Parameter number.
    pub pid: u8,
    /// Name for people.
    pub name: &'static str,
    /// Data bytes of the answer.
    pub bytes: u8,
    /// Bytes of the value, from A on.
    pub value_bytes: u8,
    /// Unit of one raw step.
    pub scale: f64,
    /// Value of raw 0.
    pub offset: f64,
    /// Unit as a UCUM code.
    pub unit: &'static str,
    /// The canonical channel that it feeds, where there is one.
    pub channel: Option<&'static str>,
}

#[expect(clippy::too_many_arguments, reason = "one line a parameter reads as the table it is")]
const fn pid(
    pid: u8,
    bytes: u8,
    value_bytes: u8,
    scale: f64,
    offset: f64,
    unit: &'static str,
    channel: Option<&'static str>,
    name: &'static str,
) -> Pid {
    Pid { pid, name, bytes, value_bytes, scale, offset, unit, channel }
}

/// Per cent of a full byte.
const OF_255: f64 = 100.0 / 255.0;
/// Per cent of 128 around 128.
const OF_128: f64 = 100.0 / 128.0;
/// A ratio in 16 bits, 1 in the middle.
const RATIO: f64 = 2.0 / 65536.0;

/// The parameters with a number in them. Source: public OBD parameter tables (read) for 04 to 11; SAE J1979 from
/// memory for the rest.
#[rustfmt::skip]
pub const PIDS: &[Pid] = &[
    pid(0x04, 1, 1, OF_255, 0.0, "%", None, "calculated engine load"),
    pid(0x05, 1, 1, 1.0, -40.0, "Cel", Some("engine.coolant_c"), "coolant temperature"),
    pid(0x06, 1, 1, OF_128, -100.0, "%", None, "short term fuel trim, bank 1"),
    pid(0x07, 1, 1, OF_128, -100.0, "%", None, "long term fuel trim, bank 1"),
    pid(0x08, 1, 1, OF_128, -100.0, "%", None, "short term fuel trim, bank 2"),
    pid(0x09, 1, 1, OF_128, -100.0, "%", None, "long term fuel trim, bank 2"),
    pid(0x0A, 1, 1, 3.0, 0.0, "kPa", None, "fuel pressure, gauge"),
    pid(0x0B, 1, 1, 1.0, 0.0, "kPa", None, "intake manifold absolute pressure"),
    pid(0x0C, 2, 2, 0.25, 0.0, "{rpm}", Some("engine.speed_rpm"), "engine speed"),
    pid(0x0D, 1, 1, 1.0, 0.0, "km/h", Some("motion.wheel_speed_m_s"), "vehicle speed"),
    pid(0x0E, 1, 1, 0.5, -64.0, "deg", None, "timing advance of cylinder 1"),
    pid(0x0F, 1, 1, 1.0, -40.0, "Cel", Some("engine.intake_temp_c"), "intake air temperature"),
    pid(0x10, 2, 2, 0.01, 0.0, "g/s", Some("engine.maf_g_s"), "intake air mass flow"),
    pid(0x11, 1, 1, OF_255, 0.0, "%", Some("engine.throttle_pct"), "absolute throttle position"),
    pid(0x1F, 2, 2, 1.0, 0.0, "s", None, "time since engine start"),
    pid(0x21, 2, 2, 1.0, 0.0, "km", None, "distance with the fault lamp on"),
    pid(0x23, 2, 2, 10.0, 0.0, "kPa", None, "fuel rail pressure, gauge"),
    pid(0x2C, 1, 1, OF_255, 0.0, "%", None, "commanded exhaust gas recirculation"),
    pid(0x2D, 1, 1, OF_128, -100.0, "%", None, "exhaust gas recirculation error"),
    pid(0x2E, 1, 1, OF_255, 0.0, "%", None, "commanded evaporative purge"),
    pid(0x2F, 1, 1, OF_255, 0.0, "%", None, "fuel level"),
    pid(0x31, 2, 2, 1.0, 0.0, "km", None, "distance since faults were cleared"),
    pid(0x33, 1, 1, 1.0, 0.0, "kPa", Some("engine.baro_kpa"), "barometric pressure"),
    pid(0x3C, 2, 2, 0.1, -40.0, "Cel", None, "catalyst temperature, bank 1 sensor 1"),
    pid(0x3D, 2, 2, 0.1, -40.0, "Cel", None, "catalyst temperature, bank 2 sensor 1"),
    pid(0x3E, 2, 2, 0.1, -40.0, "Cel", None, "catalyst temperature, bank 1 sensor 2"),
    pid(0x3F, 2, 2, 0.1, -40.0, "Cel", None, "catalyst temperature, bank 2 sensor 2"),
    pid(0x42, 2, 2, 0.001, 0.0, "V", None, "control module supply"),
    pid(0x43, 2, 2, OF_255, 0.0, "%", None, "absolute load"),
    pid(0x44, 2, 2, RATIO, 0.0, "1", Some("engine.lambda"), "commanded air-fuel ratio over the stoichiometric one"),
    pid(0x45, 1, 1, OF_255, 0.0, "%", None, "relative throttle position"),
    pid(0x46, 1, 1, 1.0, -40.0, "Cel", Some("ambient.temp_c"), "ambient air temperature"),
    pid(0x47, 1, 1, OF_255, 0.0, "%", None, "absolute throttle position B"),
    pid(0x49, 1, 1, OF_255, 0.0, "%", None, "accelerator pedal position D"),
    pid(0x4A, 1, 1, OF_255, 0.0, "%", None, "accelerator pedal position E"),
    pid(0x4C, 1, 1, OF_255, 0.0, "%", None, "commanded throttle actuator"),
    pid(0x51, 1, 1, 1.0, 0.0, "1", None, "fuel type: 1 petrol, 4 diesel, 8 electric, 17 hybrid petrol"),
    pid(0x52, 1, 1, OF_255, 0.0, "%", None, "ethanol in the fuel"),
    pid(0x5A, 1, 1, OF_255, 0.0, "%", None, "relative accelerator pedal position"),
    pid(0x5B, 1, 1, OF_255, 0.0, "%", None, "hybrid battery pack remaining life"),
    pid(0x5C, 1, 1, 1.0, -40.0, "Cel", None, "engine oil temperature"),
    pid(0x5E, 2, 2, 0.05, 0.0, "L/h", Some("engine.fuel_rate_g_s"), "engine fuel rate"),
    pid(0x61, 1, 1, 1.0, -125.0, "%", None, "torque demanded by the driver"),
    pid(0x62, 1, 1, 1.0, -125.0, "%", None, "actual engine torque"),
    pid(0x63, 2, 2, 1.0, 0.0, "N.m", None, "engine reference torque"),
    pid(0xA6, 4, 4, 0.1, 0.0, "km", None, "odometer"),
];

impl Pid {
    /// Looks a parameter up.
    pub fn find(pid: u8) -> Option<&'static Self> {
        PIDS.iter().find(|p| p.pid == pid)
    }

    /// The value in the data bytes of an answer, in [`Pid::unit`]; `None` when there are too few.
    ///
    /// # Formula
    /// `raw · scale + offset`, raw = A, 256·A + B, and so on.
    pub fn value(&self, data: &[u8]) -> Option<f64> {
        let raw = data.get(..usize::from(self.value_bytes))?.iter().fold(0_u64, |n, b| n << 8 | u64::from(*b));
        Some(raw as f64 * self.scale + self.offset)
    }

    /// Scale and offset that give the value in another unit, when it converts to it.
    ///
    /// # Formula
    /// km/h to m/s: 1 / 3.6. L/h to g/s: density in g/mL · 1000 / 3600; the ECU's litres are taken to be at the
    /// temperature of that density, since nothing says at which they are.
    pub fn scaling_in(&self, unit: &str, density_g_per_ml: f64) -> Option<(f64, f64)> {
        let factor = match (self.unit, unit) {
            (from, to) if from == to => return Some((self.scale, self.offset)),
            ("km/h", "m/s") => 1.0 / 3.6,
            ("L/h", "g/s") => density_g_per_ml * 1000.0 / 3600.0,
            _ => return None,
        };
        Some((self.scale * factor, self.offset * factor))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Channel;

    fn value(pid: u8, data: &[u8]) -> f64 {
        Pid::find(pid).expect("in the table").value(data).expect("enough data")
    }

    /// Source: public OBD parameter tables (read) for 04, 05, 06-09, 0B, 0C, 0D, 0F, 10, 11; SAE J1979 from memory for
    /// the rest.
    #[test]
    fn parameters_scale_as_published() {
        #[rustfmt::skip]
        let cases: &[(u8, &[u8], f64, f64)] = &[
            (0x04, &[0x7F], 49.8039, 1e-4),
            (0x05, &[0x7B], 83.0, 0.0),
            (0x06, &[0x8A], 7.8125, 1e-9), (0x07, &[0x8A], 7.8125, 1e-9),
            (0x08, &[0x00], -100.0, 0.0), (0x09, &[0xFF], 99.2188, 1e-4),
            (0x0B, &[0x3C], 60.0, 0.0),
            (0x0C, &[0x1A, 0xF8], 1726.0, 0.0),
            (0x0D, &[0x32], 50.0, 0.0),
            (0x0F, &[0x46], 30.0, 0.0),
            (0x10, &[0x03, 0xE8], 10.0, 1e-12),
            (0x11, &[0x33], 20.0, 1e-9),
            (0x2F, &[0x80], 50.1961, 1e-4),
            (0x33, &[0x65], 101.0, 0.0),
            (0x42, &[0x36, 0xB0], 14.0, 1e-12),
            (0x43, &[0x00, 0x66], 40.0, 1e-9),
            (0x44, &[0x80, 0x00], 1.0, 0.0),
            (0x46, &[0x3E], 22.0, 0.0),
            (0x51, &[0x01], 1.0, 0.0),
            (0x5C, &[0x82], 90.0, 0.0),
            (0x5E, &[0x00, 0x50], 4.0, 1e-12),
            (0xA6, &[0x00, 0x0F, 0x42, 0x40], 100_000.0, 1e-9),
        ];
        for (pid, data, expected, tolerance) in cases {
            let found = value(*pid, data);
            assert!((found - expected).abs() <= *tolerance, "PID {pid:02X}: {found} is not {expected}");
        }
    }

    #[test]
    fn too_few_bytes_have_no_value() {
        assert_eq!(Pid::find(0x0C).and_then(|p| p.value(&[0x1A])), None);
    }

    /// 4 L/h of petrol at 0.745 kg/L (40 CFR 600 appendix II) is 0.827778 g/s; 50 km/h is 13.888889 m/s (definition).
    #[test]
    fn standard_units_convert_to_those_of_the_channels() {
        let of = |pid: u8, unit: &str, raw: f64| {
            let (scale, offset) = Pid::find(pid).expect("known").scaling_in(unit, 0.745).expect("converts");
            raw * scale + offset
        };
        assert!((of(0x5E, "g/s", 80.0) - 0.827_778).abs() < 1e-6);
        assert!((of(0x0D, "m/s", 50.0) - 13.888_889).abs() < 1e-6);
        assert!((of(0x05, "Cel", 123.0) - 83.0).abs() < 1e-12);
        assert_eq!(Pid::find(0x0C).expect("known").scaling_in("V", 0.745), None);
    }

    #[test]
    fn every_canonical_channel_exists_and_converts() {
        for (i, pid) in PIDS.iter().enumerate() {
            assert!(PIDS[..i].iter().all(|p| p.pid < pid.pid), "{:02X} is out of order", pid.pid);
            assert!(pid.value_bytes <= pid.bytes && pid.value_bytes > 0, "{:02X}", pid.pid);
            if let Some(name) = pid.channel {
                let channel = Channel::find(name).expect("a channel");
                assert!(pid.scaling_in(channel.unit, 0.745).is_some(), "{:02X} to {name}", pid.pid);
            }
        }
    }

    /// Source: request 7DF or 7E0..7E7, reply 7E8..7EF, flow control to 7E0 for 7E8 (read); 29-bit from memory of
    /// ISO 15765-4.
    #[test]
    fn identifiers_pair_as_the_standard_says() {
        for n in 0..8 {
            assert_eq!(physical_id(0x7E8 + n, false), Some(0x7E0 + n));
            assert!(is_request_id(0x7E0 + n, false) && !is_request_id(0x7E8 + n, false));
        }
        assert_eq!(
            (physical_id(0x7E7, false), physical_id(0x7F0, false), physical_id(0x7E8, true)),
            (None, None, None)
        );
        assert_eq!(physical_id(0x18DA_F1FE, true), Some(0x18DA_FEF1));
        assert!(is_request_id(0x18DA_10F1, true) && is_request_id(0x18DB_33F1, true) && is_request_id(0x7DF, false));
        assert!(!is_request_id(0x18DA_F110, true) && !is_request_id(0x18DA_10F1, false));
    }
}
