//! From the text of a rig to a rig: every name resolved, every bit claimed once.

use std::ops::Range;

use toml::Spanned;

use super::{
    CanSource, Port, PortKind, RIG_VERSION, Rig, RigText, Signal, Source, TextSource, message, modbus,
    signal::SignalText,
};
use crate::{
    channel::{CHANNELS, Channel, Domain, Hold},
    text_file::{TextFile, TextFileError, unknown_name},
};

type Checked<T> = Result<T, TextFileError>;

/// Bytes of a CAN FD frame, the largest there is.
const MAX_FRAME_BYTES: usize = 64;

pub(super) fn rig(raw: RigText, file: TextFile) -> Checked<Rig> {
    if *raw.schema.get_ref() != RIG_VERSION {
        let message = format!("rig format {} is not known; this release reads {RIG_VERSION}", raw.schema.get_ref());
        return Err(file.error(raw.schema.span(), message));
    }
    file_name_safe(&file, raw.vehicle.span(), "vehicle", raw.vehicle.get_ref())?;
    let ports = ports(&file, &raw.ports)?;
    aux_names(&file, &raw)?;
    check_numbers(&file, &raw)?;
    let mut signals: Vec<Signal> = Vec::with_capacity(raw.signals.len());
    for text in &raw.signals {
        let signal = signal(&file, &raw, &ports, text)?;
        if let Some(other) = signals.iter().find(|s| s.channel == signal.channel && s.position == signal.position) {
            let message = format!("channel {} is already fed by the signal on line {}", signal.channel, other.line);
            return Err(file.error(text.span(), message));
        }
        if let Some(other) = signals.iter().find(|s| message::overlap(s, &signal)) {
            let message = format!(
                "{} claims bits of {} that {} on line {} already has",
                signal.channel,
                signal.source.message(),
                other.channel,
                other.line
            );
            return Err(file.error(text.span(), message));
        }
        signals.push(signal);
    }
    for (port, spanned) in ports.iter().zip(&raw.ports) {
        message::check_requests(port, &signals).map_err(|message| file.error(spanned.span(), message))?;
    }
    Ok(Rig {
        vehicle: raw.vehicle.into_inner(),
        description: raw.description,
        ports,
        signals,
        aux: raw.aux,
        fuel: raw.fuel,
        distance: raw.distance,
        assist: raw.assist,
        pack: raw.pack,
        text: file.text,
    })
}

/// Names become directories and columns, so they keep to letters, digits, `-`, `_` and `.`.
fn file_name_safe(file: &TextFile, span: Range<usize>, what: &str, name: &str) -> Checked<()> {
    let fine = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if name.is_empty() || name.starts_with('.') || !name.chars().all(fine) {
        let message = format!("{what} `{name}`: use letters, digits, `-`, `_` and `.`, not starting with a dot");
        return Err(file.error(span, message));
    }
    Ok(())
}

fn ports(file: &TextFile, raw: &[Spanned<Port>]) -> Checked<Vec<Port>> {
    let mut ports: Vec<Port> = Vec::with_capacity(raw.len());
    for spanned in raw {
        let port = spanned.get_ref();
        let fail = |message: String| Err(file.error(spanned.span(), message));
        file_name_safe(file, spanned.span(), "port", &port.name)?;
        if ports.iter().any(|p| p.name == port.name) {
            return fail(format!("port `{}` is named twice", port.name));
        }
        match (port.kind, port.bit_rate) {
            (PortKind::Slcan, None) => {
                return fail(format!("port `{}`: slcan needs `bit_rate`, the CAN bus's bit/s", port.name));
            }
            (PortKind::Slcan, Some(rate)) if slcan_rate_code(rate).is_none() => {
                return fail(format!(
                    "port `{}`: {rate} bit/s has no unambiguous slcan rate code; use one of 10000, 20000, 50000, \
                     100000, 125000, 250000, 500000, 1000000",
                    port.name
                ));
            }
            _ => {}
        }
        if !matches!(port.decimal, '.' | ',') || port.decimal == port.separator {
            return fail(format!(
                "port `{}`: the decimal mark is `.` or `,` and differs from the separator",
                port.name
            ));
        }
        check_device(port).map_err(|message| file.error(spanned.span(), format!("port `{}`: {message}", port.name)))?;
        // Only CAN adapters listen in the sense of `listen_only`.
        if port.transmit && port.listen_only && port.kind != PortKind::Modbus {
            return fail(format!(
                "port `{}`: transmit = true needs listen_only = false as well; both are to be written down",
                port.name
            ));
        }
        message::check_request_limit(port).map_err(|message| file.error(spanned.span(), message))?;
        if let (Some(column), false) = (&port.time_column, port.columns.is_empty())
            && !port.columns.contains(column)
        {
            return fail(unknown_name("column", column, port.columns.iter().map(String::as_str)));
        }
        let baud = if port.baud == 0 { port.kind.default_baud() } else { port.baud };
        ports.push(Port { baud, ..port.clone() });
    }
    Ok(ports)
}

/// What the kind of a port asks of its device and of the rig's consent.
fn check_device(port: &Port) -> Result<(), String> {
    if !matches!(port.stop_bits, None | Some(1 | 2)) {
        return Err("stop_bits is 1 or 2".to_owned());
    }
    let names_interface = port.device.as_deref().map(|device| device.starts_with("can://"));
    match (port.kind, names_interface) {
        (PortKind::Can, Some(false)) => Err("the device of kind `can` is an interface, as in can://can0".to_owned()),
        (PortKind::Can, _) if port.transmit => {
            Err("kind `can` only listens; transmit is not possible on it, use an slcan adapter".to_owned())
        }
        (PortKind::Modbus, _) => modbus::check_port(port),
        (PortKind::Slcan | PortKind::Nmea | PortKind::Text, Some(true)) => {
            Err("a can:// device needs kind = \"can\"".to_owned())
        }
        _ => Ok(()),
    }
}

/// Digit of the slcan `S` command for a bit rate. 7 is left out: 800 kbit/s in one widely used driver, 750 in
/// another.
pub(crate) fn slcan_rate_code(bit_rate: u32) -> Option<u8> {
    Some(match bit_rate {
        10_000 => 0,
        20_000 => 1,
        50_000 => 2,
        100_000 => 3,
        125_000 => 4,
        250_000 => 5,
        500_000 => 6,
        1_000_000 => 8,
        _ => return None,
    })
}

impl Port {
    /// Digit of the slcan `S` command for this port's bit rate, `None` for a port that is no CAN adapter.
    pub fn slcan_rate_code(&self) -> Option<u8> {
        self.bit_rate.and_then(slcan_rate_code)
    }
}

fn aux_names(file: &TextFile, raw: &RigText) -> Checked<()> {
    for (name, aux) in &raw.aux {
        let at = file.text.find(name.as_str()).unwrap_or_default();
        file_name_safe(file, at..at, "aux channel", name)?;
        if Channel::find(name).is_some() || Domain::ALL.iter().any(|d| name.starts_with(&format!("{}.", d.name()))) {
            let message = format!("aux channel `{name}` may not use the name of a table or of a known channel");
            return Err(file.error(at..at, message));
        }
        if aux.min >= aux.max || !aux.min.is_finite() || !aux.max.is_finite() {
            return Err(file.error(at..at, format!("aux channel `{name}`: min must be below max")));
        }
    }
    Ok(())
}

/// Bounds of the plain numbers. A name, a minimum, a maximum, an error that says all three.
fn check_numbers(file: &TextFile, raw: &RigText) -> Checked<()> {
    let optional = |value: Option<f64>, fallback: f64| value.unwrap_or(fallback);
    let bounds = [
        ("density_g_per_ml", raw.fuel.density_g_per_ml, 0.3, 1.5),
        ("reference_c", raw.fuel.reference_c, -20.0, 60.0),
        ("expansion_per_k", optional(raw.fuel.expansion_per_k, 0.0), 0.0, 0.01),
        ("scale_uncertainty_g", optional(raw.fuel.scale_uncertainty_g, 1.0), 1e-3, 10_000.0),
        ("density_relative_uncertainty", optional(raw.fuel.density_relative_uncertainty, 0.0), 0.0, 0.2),
        ("stoichiometric_ratio", raw.fuel.stoichiometric_ratio, 1.0, 40.0),
        ("ml_per_pulse", optional(raw.fuel.ml_per_pulse, 1.0), 1e-6, 1000.0),
        ("m_per_edge", optional(raw.distance.m_per_edge, 1.0), 1e-5, 100.0),
        ("command_threshold_pct", raw.assist.command_threshold_pct, 0.0, 100.0),
        ("torque_threshold_n_m", raw.assist.torque_threshold_n_m, 0.0, 5000.0),
        ("cut_off_m_s", optional(raw.assist.cut_off_m_s, 1.0), 0.0, 70.0),
        ("cut_in_m_s", optional(raw.assist.cut_in_m_s, 1.0), 0.0, 70.0),
        ("capacity_ah", optional(raw.pack.capacity_ah, 1.0), 0.01, 10_000.0),
        ("energy_wh", optional(raw.pack.energy_wh, 1.0), 0.1, 1e6),
        ("charging_efficiency", optional(raw.pack.charging_efficiency, 1.0), 0.3, 1.0),
    ];
    for (name, value, min, max) in bounds {
        if !(min..=max).contains(&value) {
            let at = file.text.find(name).unwrap_or_default();
            return Err(file.error(at..at, format!("{name} = {value} is outside {min} to {max}")));
        }
    }
    if let (Some(cut_in), Some(cut_off)) = (raw.assist.cut_in_m_s, raw.assist.cut_off_m_s)
        && cut_in > cut_off
    {
        let at = file.text.find("cut_in_m_s").unwrap_or_default();
        let message = format!(
            "cut_in_m_s = {cut_in} is above cut_off_m_s = {cut_off}; the controller switches on again below the speed \
             at which it switches off"
        );
        return Err(file.error(at..at, message));
    }
    Ok(())
}

fn signal(file: &TextFile, raw: &RigText, ports: &[Port], spanned: &Spanned<SignalText>) -> Checked<Signal> {
    let text = spanned.get_ref();
    let fail = |message: String| file.error(spanned.span(), message);
    let (known, aux) = (Channel::find(&text.channel), raw.aux.get(&text.channel));
    if known.is_none() && aux.is_none() {
        let names = CHANNELS.iter().map(|c| c.name).chain(raw.aux.keys().map(String::as_str));
        return Err(fail(unknown_name("channel", &text.channel, names)));
    }
    let is_motor = known.is_some_and(|c| c.domain == Domain::Motor);
    if is_motor != text.position.is_some() {
        let message = if is_motor {
            format!("{}: say which motor with `position`, as in position = \"rear-left\"", text.channel)
        } else {
            format!("{}: `position` belongs to motor channels only", text.channel)
        };
        return Err(fail(message));
    }
    let Some(port) = ports.iter().find(|p| p.name == text.port) else {
        return Err(fail(unknown_name("port", &text.port, ports.iter().map(|p| p.name.as_str()))));
    };
    let unit = known.map(|c| c.unit).or(aux.map(|a| a.unit.as_str())).unwrap_or_default();
    let text = &message::with_standard_scaling(text, unit, &raw.fuel)
        .map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    let source = source(text, port).map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    let hold = text.hold.or(known.map(|c| c.hold)).unwrap_or(Hold::Linear);
    check_counter(text, known, hold).map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    let max_gap_s = text.max_gap_s.or(known.map(|c| c.max_gap_s)).unwrap_or(1.0);
    if !(max_gap_s > 0.0 && max_gap_s <= 86_400.0) {
        return Err(fail(format!("{}: max_gap_s = {max_gap_s} is outside 0 to 86400", text.channel)));
    }
    modbus::check_gap(&source, max_gap_s).map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    message::check_rate(&source, max_gap_s).map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    check_scaling(text).map_err(|message| fail(format!("{}: {message}", text.channel)))?;
    let range = known.map(|c| (c.min, c.max)).or(aux.map(|a| (a.min, a.max))).unwrap_or((f64::MIN, f64::MAX));
    let (min, max) = (text.min.unwrap_or(range.0), text.max.unwrap_or(range.1));
    if min >= max || !min.is_finite() || !max.is_finite() {
        return Err(fail(format!("{}: min {min} is not below max {max}", text.channel)));
    }
    let bits = text.length.filter(|_| text.column.is_none()).or_else(|| modbus::unsigned_bits(&source));
    let modulus = text.modulus.or_else(|| bits.filter(|b| *b < 64).map(|b| 1_u64 << b));
    Ok(Signal {
        channel: text.channel.clone(),
        position: text.position.clone(),
        port: text.port.clone(),
        source,
        scale: text.scale.unwrap_or(1.0),
        offset: text.offset.unwrap_or(0.0),
        hold,
        max_gap_s,
        not_available: text.not_available.clone(),
        modulus: (hold == Hold::Counter).then_some(modulus).flatten(),
        calibration: text.calibration.clone(),
        min,
        max,
        line: file.line_of(spanned.span().start),
    })
}

fn check_scaling(text: &SignalText) -> Result<(), String> {
    let [factor, shift, relative, absolute] = text
        .calibration
        .as_ref()
        .map_or([1.0, 0.0, 0.0, 0.0], |c| [c.factor, c.offset, c.relative_uncertainty, c.absolute_uncertainty]);
    let (scale, offset) = (text.scale.unwrap_or(1.0), text.offset.unwrap_or(0.0));
    if ![scale, offset, factor, shift, relative, absolute].iter().all(|n| n.is_finite()) {
        return Err("scale, offset and calibration are finite numbers".to_owned());
    }
    if scale == 0.0 || factor <= 0.0 {
        return Err("scale is not 0, and the calibration's factor is above 0".to_owned());
    }
    if let Some(date) = text.calibration.as_ref().and_then(|c| c.date.as_deref())
        && !is_date(date)
    {
        return Err(format!("calibration date `{date}` is not a day as YYYY-MM-DD, like 2026-09-14"));
    }
    if relative < 0.0 || absolute < 0.0 {
        return Err("an uncertainty is not below 0".to_owned());
    }
    if let Some(df) = text.calibration.as_ref().and_then(|c| c.degrees_of_freedom)
        && !(df >= 1.0 && df.is_finite())
    {
        return Err(format!("degrees_of_freedom = {df}; it is a finite number from 1 up, or left out where unknown"));
    }
    match text.calibration.as_ref().and_then(|c| c.due.as_deref()).filter(|day| !is_date(day)) {
        Some(day) => Err(format!("calibration due `{day}` is not a day as YYYY-MM-DD")),
        None => Ok(()),
    }
}

/// Whether a text is a day of the calendar in the one way that is accepted.
fn is_date(text: &str) -> bool {
    text.len() == 10 && chrono::NaiveDate::parse_from_str(text, "%Y-%m-%d").is_ok()
}

/// The count must come round within what its field can hold.
fn check_modulus(text: &SignalText, modulus: u64) -> Result<(), String> {
    if modulus < 2 {
        return Err(format!("modulus = {modulus}; the number of counts before the counter is 0 again, at least 2"));
    }
    let bits = text.length.filter(|_| text.id.is_some());
    match bits {
        Some(bits @ 1..64) if modulus > 1 << bits => {
            Err(format!("modulus = {modulus} is more than a field of {bits} bits can count; at most {}", 1_u64 << bits))
        }
        _ => Ok(()),
    }
}

/// A counter is stored as it is counted: what a pulse is worth (`ml_per_pulse`, `m_per_edge`) comes later.
fn check_counter(text: &SignalText, known: Option<&Channel>, hold: Hold) -> Result<(), String> {
    let counts = known.is_some_and(|c| c.hold == Hold::Counter);
    if counts != (hold == Hold::Counter) && known.is_some() {
        return Err(format!("hold = {hold:?} does not fit this channel").to_lowercase());
    }
    if !counts {
        return match text.modulus {
            Some(_) => Err("`modulus` belongs to counters only".to_owned()),
            None => Ok(()),
        };
    }
    if let Some(modulus) = text.modulus {
        check_modulus(text, modulus)?;
    }
    let scaled = text.calibration.as_ref().is_some_and(|c| c.factor != 1.0 || c.offset != 0.0);
    if text.scale.unwrap_or(1.0) != 1.0 || text.offset.unwrap_or(0.0) != 0.0 || scaled {
        return Err("a counter is stored as counted: leave scale, factor and offset out and give \
                    fuel.ml_per_pulse or distance.m_per_edge instead"
            .to_owned());
    }
    Ok(())
}

fn source(text: &SignalText, port: &Port) -> Result<Source, String> {
    if port.kind == PortKind::Modbus {
        return modbus::source(text, port).map(Source::Modbus);
    }
    modbus::check_absent(text, port)?;
    if let Some(source) = message::source(text, port)? {
        return Ok(source);
    }
    match (port.kind, text.id, &text.column) {
        (PortKind::Slcan | PortKind::Can, Some(id), None) => can_source(text, id).map(Source::Can),
        (PortKind::Slcan | PortKind::Can, _, _) => Err(format!(
            "port `{}` is a CAN port: give id (or pgn, or pid), start_bit and length, and no column",
            port.name
        )),
        (PortKind::Text, None, Some(column)) => {
            if !port.columns.is_empty() && !port.columns.contains(column) {
                return Err(unknown_name("column", column, port.columns.iter().map(String::as_str)));
            }
            Ok(Source::Text(TextSource { column: column.clone() }))
        }
        (PortKind::Text, _, _) => Err(format!("port `{}` is a text port: give `column`, and no id", port.name)),
        (PortKind::Nmea | PortKind::Modbus, _, _) => Err(format!(
            "port `{}` is a satellite receiver: its channels (motion.gps_speed_m_s, lat_deg, lon_deg, alt_m, \
             gps_quality) need no signal",
            port.name
        )),
    }
}

fn can_source(text: &SignalText, id: u32) -> Result<CanSource, String> {
    let id_max = if text.extended { 0x1FFF_FFFF } else { 0x7FF };
    if id > id_max {
        return Err(format!("id 0x{id:X} is above 0x{id_max:X}; 29-bit identifiers need extended = true"));
    }
    let field = message::field(text, MAX_FRAME_BYTES)?;
    let (extended, mux) = (text.extended, field.mux);
    let (start_bit, length, byte_order, signed) = (field.start_bit, field.length, field.byte_order, field.signed);
    Ok(CanSource { id, extended, start_bit, length, byte_order, signed, mux })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PORT: &str =
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"kit\"\nkind = \"slcan\"\nbit_rate = 250000\n";

    fn error(rest: &str) -> String {
        Rig::parse(TextFile::new("rig.toml", format!("{PORT}{rest}"))).expect_err("a bad rig").to_string()
    }

    fn can(channel: &str, start: u16, length: u16, extra: &str) -> String {
        format!(
            "[[signal]]\nchannel = \"{channel}\"\nport = \"kit\"\nid = 0x310\nstart_bit = {start}\nlength = {length}\n{extra}\n"
        )
    }

    #[test]
    fn a_good_rig_resolves_defaults() {
        let text = format!(
            "{PORT}{}{}",
            can("pack.voltage_v", 0, 16, "scale = 0.01"),
            can("pack.current_a", 16, 16, "signed = true")
        );
        let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig");
        let voltage = rig.signal("pack.voltage_v", None).expect("the signal");
        assert_eq!((voltage.hold, voltage.max_gap_s, voltage.line), (Hold::Linear, 1.0, 7));
        assert!((voltage.value(9600.0) - 96.0).abs() < 1e-12);
        assert!(rig.ports[0].listen_only && !rig.ports[0].transmit);
    }

    #[test]
    fn mistakes_are_placed_and_explained() {
        let cases = [
            (
                can("pack.curent_a", 0, 16, ""),
                "rig.toml:7:1: unknown channel `pack.curent_a`; did you mean `pack.current_a`?",
            ),
            (
                can("pack.current_a", 0, 16, "").replace("\"kit\"", "\"kid\""),
                "rig.toml:7:1: unknown port `kid`; did you mean `kit`?",
            ),
            (can("motor.torque_n_m", 0, 16, ""), "say which motor with `position`"),
            (can("pack.soc_pct", 0, 16, "position = \"rear\""), "`position` belongs to motor channels only"),
            (can("pack.current_a", 510, 16, ""), "not 1 to 64 bits inside a frame"),
            (can("pack.current_a", 0, 0, ""), "not 1 to 64 bits inside a frame"),
            (can("engine.fuel_count", 0, 16, "scale = 2.0"), "a counter is stored as counted"),
            (can("pack.soc_pct", 0, 16, "hold = \"counter\""), "does not fit this channel"),
            (can("pack.soc_pct", 0, 16, "modulus = 7"), "`modulus` belongs to counters only"),
            (can("pack.soc_pct", 0, 16, "scal = 7"), "rig.toml:13:1: unknown field `scal`"),
            (can("pack.soc_pct", 0, 16, "calibration = { due = \"2027-9-1\" }"), "due `2027-9-1` is not a day"),
            (can("pack.soc_pct", 0, 16, "scale = 0.0"), "scale is not 0"),
            (
                can("pack.soc_pct", 0, 16, "scale = inf"),
                "rig.toml:7:1: pack.soc_pct: scale, offset and calibration are",
            ),
            (can("pack.soc_pct", 0, 16, "offset = nan"), "are finite numbers"),
            (can("pack.soc_pct", 0, 16, "[signal.calibration]\nfactor = 0.0"), "factor is above 0"),
            (can("pack.soc_pct", 0, 16, "[signal.calibration]\nfactor = -1.01"), "factor is above 0"),
            (
                can("pack.soc_pct", 0, 16, "[signal.calibration]\ndate = \"14.9.2026\""),
                "rig.toml:7:1: pack.soc_pct: calibration date `14.9.2026` is not a day as YYYY-MM-DD",
            ),
            (can("pack.soc_pct", 0, 16, "[signal.calibration]\ndate = \"2026-02-30\""), "is not a day"),
            (can("pack.soc_pct", 0, 16, "[signal.calibration]\ndate = \"2026-2-3\""), "is not a day"),
            (can("pack.soc_pct", 0, 16, "min = 5.0\nmax = 5.0"), "min 5 is not below max 5"),
            (can("pack.soc_pct", 0, 16, "min = nan"), "min NaN is not below max 100"),
            (can("engine.fuel_count", 0, 16, "modulus = 0"), "rig.toml:7:1: engine.fuel_count: modulus = 0"),
            (can("engine.fuel_count", 0, 16, "modulus = 1"), "at least 2"),
            (
                can("engine.fuel_count", 0, 16, "modulus = 65537"),
                "more than a field of 16 bits can count; at most 65536",
            ),
            (
                "[assist]\ncut_in_m_s = 16.2\ncut_off_m_s = 16.1\n".to_owned(),
                "rig.toml:8:1: cut_in_m_s = 16.2 is above cut_off_m_s = 16.1",
            ),
            (
                "[[port]]\nname = \"box\"\nkind = \"text\"\nbaud = 0\n".to_owned(),
                "rig.toml:10:8: baud = 0; give the line rate",
            ),
            (can("pack.soc_pct", 0, 16, "").replace("0x310", "0x1310"), "29-bit identifiers need extended = true"),
            ("[fuel]\ndensity_g_per_ml = 745.0\n".to_owned(), "density_g_per_ml = 745 is outside 0.3 to 1.5"),
        ];
        for (text, expected) in cases {
            let message = error(&text);
            assert!(message.contains(expected), "{message}\nshould say\n{expected}");
        }
    }

    #[test]
    fn a_modulus_that_fits_its_field_and_equal_cut_speeds_are_fine() {
        let text = format!(
            "{PORT}{}{}",
            can("engine.fuel_count", 0, 16, "modulus = 65536"),
            "[assist]\ncut_in_m_s = 16.1\ncut_off_m_s = 16.1\n"
        );
        let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig");
        assert_eq!(rig.signals[0].modulus, Some(65_536));
    }

    #[test]
    fn overlapping_signals_name_each_other() {
        let text = can("pack.voltage_v", 0, 16, "") + &can("pack.current_a", 15, 16, "");
        assert!(
            error(&text).contains("pack.current_a claims bits of id 0x310 that pack.voltage_v on line 7 already has")
        );
        let muxed = can("pack.voltage_v", 8, 16, "mux = { start_bit = 0, length = 8, value = 1 }")
            + &can("pack.current_a", 8, 16, "mux = { start_bit = 0, length = 8, value = 2 }");
        assert!(Rig::parse(TextFile::new("rig.toml", format!("{PORT}{muxed}"))).is_ok());
    }

    #[test]
    fn the_ambiguous_bit_rate_is_refused() {
        for rate in ["800000", "750000"] {
            let text = PORT.replace("250000", rate);
            let message = Rig::parse(TextFile::new("rig.toml", text)).expect_err("ambiguous").to_string();
            assert!(message.contains("no unambiguous slcan rate code"), "{message}");
        }
    }

    /// S0 to S8 are 10, 20, 50, 100, 125, 250, 500, 800 and 1000 kbit/s in the comments of Linux
    /// drivers/net/can/slcan/slcan-core.c (read); python-can's slcan.py (read) maps S7 to 750 and adds S9 for 83.3.
    #[test]
    fn rate_codes_are_those_that_drivers_agree_on() {
        let kernel = [10, 20, 50, 100, 125, 250, 500, 800, 1000];
        for (code, kbit_s) in kernel.into_iter().enumerate() {
            let expected = (code != 7).then_some(code as u8);
            assert_eq!(slcan_rate_code(kbit_s * 1000), expected, "{kbit_s} kbit/s");
        }
        assert_eq!((slcan_rate_code(750_000), slcan_rate_code(83_300)), (None, None));
    }

    #[test]
    fn transmitting_needs_two_words() {
        let text = PORT.replace("bit_rate", "transmit = true\nbit_rate");
        let message = Rig::parse(TextFile::new("rig.toml", text)).expect_err("listen-only").to_string();
        assert!(message.contains("transmit = true needs listen_only = false"), "{message}");
    }
}
