//! Checks of Modbus ports and signals.

use super::{ModbusSource, Port, RegisterFormat, RegisterKind, Source, signal::SignalText};

/// Addresses that a unit may have: 0 is for everybody and never answers, 248 to 255 are reserved.
const UNITS: std::ops::RangeInclusive<u8> = 1..=247;
/// Registers of one table.
const REGISTERS: u32 = 1 << 16;
/// Bounds of [`ModbusSource::every_s`].
const EVERY_S: std::ops::RangeInclusive<f64> = 0.02..=86_400.0;

/// What a Modbus port needs.
pub(super) fn check_port(port: &Port) -> Result<(), String> {
    if port.device.as_deref().is_some_and(|device| device.starts_with("can://")) {
        return Err("a Modbus line is a serial device or tcp://HOST:PORT, and no CAN interface".to_owned());
    }
    if !port.transmit {
        return Err("a Modbus meter speaks only when it is asked, and a motor controller may be on the same line: \
                    write transmit = true to allow requests (only reading ones are ever sent)"
            .to_owned());
    }
    Ok(())
}

/// The source of a signal on a Modbus port.
pub(super) fn source(text: &SignalText, port: &Port) -> Result<ModbusSource, String> {
    if text.id.is_some() || text.column.is_some() || text.start_bit.is_some() || text.length.is_some() {
        return Err(format!(
            "port `{}` is a Modbus line: give unit_id, register, register_kind and format, and no id or column",
            port.name
        ));
    }
    let unit = text.unit_id.ok_or("a Modbus signal needs unit_id, the unit's address on its line")?;
    let register = text.register.ok_or("a Modbus signal needs register, the first one's number on the wire, from 0")?;
    let kind: RegisterKind =
        text.register_kind.ok_or("a Modbus signal needs register_kind, \"input\" or \"holding\"")?;
    let format: RegisterFormat =
        text.format.ok_or("a Modbus signal needs format: \"u16\", \"i16\", \"u32\", \"i32\" or \"f32\"")?;
    let every_s = text.every_s.unwrap_or(1.0);
    if !UNITS.contains(&unit) {
        return Err(format!("unit_id = {unit} is outside {} to {}", UNITS.start(), UNITS.end()));
    }
    if u32::from(register) + u32::from(format.registers()) > REGISTERS {
        return Err(format!("register {register} and the {} behind it end above 65535", format.registers() - 1));
    }
    if text.word_order.is_some() && format.registers() == 1 {
        return Err("word_order belongs to formats of two registers".to_owned());
    }
    if !EVERY_S.contains(&every_s) {
        return Err(format!("every_s = {every_s} is outside {} to {}", EVERY_S.start(), EVERY_S.end()));
    }
    Ok(ModbusSource { unit, kind, register, format, word_order: text.word_order.unwrap_or_default(), every_s })
}

/// Refuses what only a Modbus signal has.
pub(super) fn check_absent(text: &SignalText, port: &Port) -> Result<(), String> {
    let given = [
        ("unit_id", text.unit_id.is_some()),
        ("register", text.register.is_some()),
        ("register_kind", text.register_kind.is_some()),
        ("format", text.format.is_some()),
        ("word_order", text.word_order.is_some()),
    ];
    match given.into_iter().find(|(_, given)| *given) {
        Some((name, _)) => Err(format!("`{name}` belongs to signals of a modbus port; port `{}` is none", port.name)),
        None => Ok(()),
    }
}

/// Silence that the rig would call a gap although the unit answers in time.
pub(super) fn check_gap(source: &Source, max_gap_s: f64) -> Result<(), String> {
    match source {
        Source::Modbus(m) if m.every_s * 1.5 > max_gap_s => Err(format!(
            "with every_s = {} the pause between two answers is a gap by max_gap_s = {max_gap_s}: ask more often, or \
             give a max_gap_s of at least {}",
            m.every_s,
            m.every_s * 1.5
        )),
        _ => Ok(()),
    }
}

/// Bits of an unsigned register format, after which a counter begins again.
pub(super) fn unsigned_bits(source: &Source) -> Option<u16> {
    let Source::Modbus(source) = source else { return None };
    match source.format {
        RegisterFormat::U16 => Some(16),
        RegisterFormat::U32 => Some(32),
        RegisterFormat::I16 | RegisterFormat::I32 | RegisterFormat::F32 => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Rig, TextFile,
        rig::{Parity, PortKind, WordOrder},
    };

    const PORT: &str =
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n";
    const SIGNAL: &str = "[[signal]]\nchannel = \"pack.wall_power_w\"\nport = \"meter\"\nunit_id = 1\n\
                          register = 0x0034\nregister_kind = \"input\"\nformat = \"f32\"\n";

    fn parse(text: &str) -> Result<Rig, String> {
        Rig::parse(TextFile::new("rig.toml", text)).map_err(|e| e.to_string())
    }

    #[test]
    fn a_good_rig_resolves_defaults() {
        let rig = parse(&format!("{PORT}{SIGNAL}")).expect("a good rig");
        let port = &rig.ports[0];
        assert_eq!((port.baud, port.line_parity(), port.line_stop_bits()), (19_200, Parity::Even, 1));
        let expected = ModbusSource {
            unit: 1,
            kind: RegisterKind::Input,
            register: 0x34,
            format: RegisterFormat::F32,
            word_order: WordOrder::HighFirst,
            every_s: 1.0,
        };
        assert_eq!(rig.signals[0].source, Source::Modbus(expected));
        let bare = parse(&format!("{PORT}parity = \"none\"\nbaud = 9600\n")).expect("a good rig");
        assert_eq!((bare.ports[0].baud, bare.ports[0].line_stop_bits()), (9600, 2));
    }

    #[test]
    fn a_counter_wraps_with_its_format() {
        let text = "[[signal]]\nchannel = \"engine.fuel_count\"\nport = \"meter\"\nunit_id = 9\nregister = 2\n\
                    register_kind = \"holding\"\nformat = \"u32\"\nmax_gap_s = 5.0\n";
        let rig = parse(&format!("{PORT}{text}")).expect("a good rig");
        assert_eq!(rig.signals[0].modulus, Some(1 << 32));
    }

    #[test]
    fn mistakes_are_explained() {
        let with = |from: &str, to: &str| format!("{PORT}{}", SIGNAL.replace(from, to));
        let cases = [
            (PORT.replace("transmit = true\n", ""), "a Modbus meter speaks only when it is asked"),
            (with("unit_id = 1", "unit_id = 0"), "unit_id = 0 is outside 1 to 247"),
            (with("unit_id = 1\n", ""), "needs unit_id"),
            (with("0x0034", "0xFFFF"), "register 65535 and the 1 behind it end above 65535"),
            (with("register_kind = \"input\"\n", ""), "needs register_kind"),
            (with("\"f32\"", "\"u16\"\nword_order = \"low_first\""), "word_order belongs to formats of two"),
            (with("\"f32\"", "\"f32\"\nevery_s = 0.001"), "every_s = 0.001 is outside 0.02 to 86400"),
            (with("\"f32\"", "\"f32\"\nevery_s = 10.0"), "give a max_gap_s of at least 15"),
            (with("\"f32\"", "\"f32\"\nid = 3"), "is a Modbus line"),
            (format!("{PORT}stop_bits = 3\n"), "stop_bits is 1 or 2"),
            (format!("{PORT}device = \"can://can0\"\n"), "no CAN interface"),
            (
                format!("{}{SIGNAL}", PORT.replace("modbus", "text").replace("transmit = true\n", "")),
                "`unit_id` belongs",
            ),
        ];
        for (text, expected) in cases {
            let message = parse(&text).expect_err("a bad rig");
            assert!(message.contains(expected), "{message}\nshould say\n{expected}");
        }
    }

    #[test]
    fn a_can_interface_is_its_own_kind_and_only_listens() {
        let port = |kind: &str, rest: &str| {
            parse(&format!("schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"bus\"\nkind = \"{kind}\"\n{rest}"))
        };
        let rig = port("can", "device = \"can://can0\"\n").expect("a good rig");
        assert_eq!(rig.ports[0].kind, PortKind::Can);
        let refused = |kind, rest: &str| port(kind, rest).expect_err("a bad rig");
        assert!(refused("can", "device = \"/dev/ttyACM0\"\n").contains("as in can://can0"));
        assert!(refused("nmea", "device = \"can://can0\"\n").contains("needs kind = \"can\""));
        assert!(refused("can", "transmit = true\nlisten_only = false\n").contains("only listens"));
    }
}
