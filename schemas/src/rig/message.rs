//! Signals inside longer messages: fields of bits, OBD-II answers and J1939 parameter groups, checked.

use super::{
    BitField, ByteOrder, Fuel, J1939Source, ObdSource, Port, PortKind, Signal, Source,
    signal::{SignalText, field_bits},
};
use crate::{
    j1939,
    obd::{Pid, is_request_id, physical_id},
};

/// Longest data of an OBD-II answer, bytes: an ISO 15765-2 message of 4,095 without service and parameter number.
const MAX_ANSWER_BYTES: usize = 4093;
/// Requests a second on one port unless the rig says otherwise. With their answers, 40 frames of some 130 bits, they
/// are about 1 % of a 500 kbit/s bus.
const DEFAULT_REQUESTS_PER_S: f64 = 20.0;

impl Port {
    /// Most OBD-II requests a second, all together.
    pub fn request_limit(&self) -> f64 {
        self.max_requests_per_s.unwrap_or(DEFAULT_REQUESTS_PER_S)
    }
}

/// One request that is repeated on a port, and whom it is for.
#[derive(Debug, Clone, PartialEq)]
pub struct ObdRequest {
    /// Parameter number of service 01.
    pub pid: u8,
    /// Identifier with which the one ECU answers that is asked; `None` asks all.
    pub ecu: Option<u32>,
    /// 29-bit identifiers.
    pub extended: bool,
    /// Time between two requests, s: the shortest that a signal asks for.
    pub every_s: f64,
    /// Channels that the answer feeds.
    pub channels: Vec<String>,
}

/// The requests that a port's signals need, in file order, each once.
pub fn obd_requests(signals: &[Signal], port: &str) -> Vec<ObdRequest> {
    let mut requests: Vec<ObdRequest> = Vec::new();
    for signal in signals.iter().filter(|s| s.port == port) {
        let Source::Obd(source) = &signal.source else { continue };
        let known =
            requests.iter_mut().find(|r| (r.pid, r.ecu, r.extended) == (source.pid, source.ecu, source.extended));
        match known {
            Some(request) => {
                request.every_s = request.every_s.min(source.every_s);
                request.channels.push(signal.channel.clone());
            }
            None => requests.push(ObdRequest {
                pid: source.pid,
                ecu: source.ecu,
                extended: source.extended,
                every_s: source.every_s,
                channels: vec![signal.channel.clone()],
            }),
        }
    }
    requests
}

/// The source of a signal with `pid` or `pgn`, `None` for a signal without.
pub(super) fn source(text: &SignalText, port: &Port) -> Result<Option<Source>, String> {
    if text.pid.is_none() && (text.every_s.is_some() || text.ecu.is_some()) {
        return Err(
            "`every_s` belongs to signals with `pid` or of a modbus port, `ecu` to signals with `pid`".to_owned()
        );
    }
    if text.pgn.is_none() && text.source_address.is_some() {
        return Err("`source_address` belongs to signals with `pgn`".to_owned());
    }
    let given = [text.id.is_some(), text.pgn.is_some(), text.pid.is_some(), text.column.is_some()];
    if given.iter().filter(|g| **g).count() > 1 {
        return Err("give one of id, pgn, pid and column".to_owned());
    }
    match (text.pid, text.pgn) {
        (Some(pid), _) => obd_source(text, pid, port).map(|s| Some(Source::Obd(s))),
        (None, Some(pgn)) => j1939_source(text, pgn, port).map(|s| Some(Source::J1939(s))),
        (None, None) => Ok(None),
    }
}

fn obd_source(text: &SignalText, pid: u8, port: &Port) -> Result<ObdSource, String> {
    if port.kind != PortKind::Slcan || !port.transmit {
        return Err(format!(
            "pid = 0x{pid:02X} has to be asked for on the bus, and port `{}` does not transmit: give the port kind = \
             \"slcan\", transmit = true and listen_only = false, or take the signal out",
            port.name
        ));
    }
    let every_s = text.every_s.ok_or("say how often to ask with every_s, as in every_s = 0.5 (seconds)")?;
    if !(0.02..=3600.0).contains(&every_s) {
        return Err(format!("every_s = {every_s} is outside 0.02 to 3600"));
    }
    let extended = text.extended || text.ecu.is_some_and(|ecu| ecu > 0x7FF);
    if let Some(ecu) = text.ecu.filter(|ecu| physical_id(*ecu, extended).is_none()) {
        let hint =
            if is_request_id(ecu, extended) { "; this one is a tester's, the ECU's answer has another" } else { "" };
        return Err(format!(
            "ecu = 0x{ecu:X} is no identifier that an ECU answers with, 0x7E8 to 0x7EF or 0x18DAF100 to \
             0x18DAF1FF{hint}"
        ));
    }
    let longest = Pid::find(pid).map_or(MAX_ANSWER_BYTES, |p| usize::from(p.bytes));
    Ok(ObdSource { pid, every_s, ecu: text.ecu, extended, field: field(text, longest)? })
}

fn j1939_source(text: &SignalText, pgn: u32, port: &Port) -> Result<J1939Source, String> {
    if !matches!(port.kind, PortKind::Slcan | PortKind::Can) {
        return Err(format!("pgn = {pgn} is found on CAN ports only, and port `{}` is none", port.name));
    }
    if !j1939::is_pgn(pgn) {
        return Err(format!(
            "pgn = {pgn} (0x{pgn:X}) is no parameter group: at most {}, and below 0xF000 the last byte, which would be \
             the destination, is 0",
            j1939::PGN_MAX
        ));
    }
    Ok(J1939Source { pgn, source_address: text.source_address, field: field(text, j1939::TRANSPORT_MAX)? })
}

/// The bits of a signal, inside a message of so many bytes at most.
pub(super) fn field(text: &SignalText, bytes: usize) -> Result<BitField, String> {
    let (Some(start_bit), Some(length)) = (text.start_bit, text.length) else {
        return Err("a signal in a CAN message needs start_bit and length".to_owned());
    };
    let mux = text.mux.iter().map(|m| (m.start_bit, m.length));
    let within = |bit: u16| usize::from(bit) < bytes * 8;
    for (start, len) in [(start_bit, length)].into_iter().chain(mux) {
        let inside = (1..=64).contains(&len)
            && within(start)
            && field_bits(start, len, text.byte_order).iter().all(|b| within(*b));
        if !inside {
            return Err(format!("bits {start} + {len} are not 1 to 64 bits inside a frame of {bytes} bytes"));
        }
    }
    if let Some(mux) = text.mux.as_ref().filter(|m| m.length < 64 && m.value >> m.length != 0) {
        return Err(format!("the selector's value {} does not fit its {} bits", mux.value, mux.length));
    }
    let (byte_order, signed) = (text.byte_order, text.signed);
    Ok(BitField { start_bit, length, byte_order, signed, mux: text.mux.clone() })
}

/// Fills in the standard scaling where a signal names a known parameter and leaves its bits out.
pub(super) fn with_standard_scaling(text: &SignalText, unit: &str, fuel: &Fuel) -> Result<SignalText, String> {
    let mut text = text.clone();
    if let Some(pid) = text.pid.filter(|pid| pid.is_multiple_of(0x20)) {
        return Err(format!("pid = 0x{pid:02X} lists what is supported; the logger asks for it by itself"));
    }
    let Some(pid) = text.pid.filter(|_| text.start_bit.is_none() && text.length.is_none()) else { return Ok(text) };
    let Some(known) = Pid::find(pid) else {
        return Err(format!(
            "PID 0x{pid:02X} has no standard scaling here: give start_bit, length, byte_order, scale and offset, with \
             bits counted from data byte A"
        ));
    };
    if text.scale.is_some() || text.offset.is_some() || text.signed || text.mux.is_some() {
        return Err(format!(
            "PID 0x{pid:02X} ({}) has a standard scaling: leave scale, offset, signed and mux out, or give start_bit \
             and length as well",
            known.name
        ));
    }
    let Some((scale, offset)) = known.scaling_in(unit, fuel.density_g_per_ml) else {
        return Err(format!(
            "PID 0x{pid:02X} ({}) is in {}, and this channel in {unit}: feed a channel in {}, or give start_bit, length, \
             scale and offset",
            known.name, known.unit, known.unit
        ));
    };
    (text.scale, text.offset) = (Some(scale), Some(offset));
    (text.start_bit, text.length) = (Some(7), Some(u16::from(known.value_bytes) * 8));
    text.byte_order = ByteOrder::Big;
    Ok(text)
}

/// A value that is asked for more rarely than its gaps may be bridged would never be integrated.
pub(super) fn check_rate(source: &Source, max_gap_s: f64) -> Result<(), String> {
    match source {
        Source::Obd(obd) if obd.every_s >= max_gap_s => Err(format!(
            "every_s = {} is not below max_gap_s = {max_gap_s}, so that nothing lies between two answers: ask more often \
             or give a longer max_gap_s",
            obd.every_s
        )),
        _ => Ok(()),
    }
}

/// The port's own limit, by itself.
pub(super) fn check_request_limit(port: &Port) -> Result<(), String> {
    let Some(limit) = port.max_requests_per_s else { return Ok(()) };
    if port.kind != PortKind::Slcan || !port.transmit {
        return Err(format!("port `{}`: max_requests_per_s belongs to a CAN port with transmit = true", port.name));
    }
    if !(0.1..=100.0).contains(&limit) {
        return Err(format!("port `{}`: max_requests_per_s = {limit} is outside 0.1 to 100", port.name));
    }
    Ok(())
}

/// What a port is asked to transmit, against its limit.
pub(super) fn check_requests(port: &Port, signals: &[Signal]) -> Result<(), String> {
    let requests = obd_requests(signals, &port.name);
    if let (true, true) = (requests.iter().any(|r| r.extended), requests.iter().any(|r| !r.extended)) {
        return Err(format!(
            "port `{}`: its pid signals use 11-bit and 29-bit identifiers; a vehicle has one kind, so give all of them \
             extended = true or none",
            port.name
        ));
    }
    let needed: f64 = requests.iter().map(|r| 1.0 / r.every_s).sum();
    // The sum of 20 times 0.05 is not exactly 20.
    if needed > port.request_limit() * (1.0 + 1e-9) {
        return Err(format!(
            "port `{}`: its pid signals need {needed:.1} requests a second and {} are allowed: make every_s longer, or \
             raise max_requests_per_s (at most 100)",
            port.name,
            port.request_limit()
        ));
    }
    Ok(())
}

/// Whether two signals claim the same bits of the same message. They may only when their multiplexor values differ.
pub(super) fn overlap(a: &Signal, b: &Signal) -> bool {
    let either = |same: bool, x_any: bool, y_any: bool| same || x_any || y_any;
    a.port == b.port
        && match (&a.source, &b.source) {
            (Source::Can(x), Source::Can(y)) => {
                (x.id, x.extended) == (y.id, y.extended) && fields_overlap(&x.field(), &y.field())
            }
            (Source::Obd(x), Source::Obd(y)) => {
                x.pid == y.pid
                    && either(x.ecu == y.ecu, x.ecu.is_none(), y.ecu.is_none())
                    && fields_overlap(&x.field, &y.field)
            }
            (Source::J1939(x), Source::J1939(y)) => {
                let (p, q) = (x.source_address, y.source_address);
                x.pgn == y.pgn && either(p == q, p.is_none(), q.is_none()) && fields_overlap(&x.field, &y.field)
            }
            _ => false,
        }
}

fn fields_overlap(x: &BitField, y: &BitField) -> bool {
    if let (Some(m), Some(n)) = (&x.mux, &y.mux) {
        // The same bits have other start bits in the other byte order.
        let selector = |start, length, order| field_bits(start, length, order);
        let (p, q) = (selector(m.start_bit, m.length, x.byte_order), selector(n.start_bit, n.length, y.byte_order));
        if p == q && m.value != n.value {
            return false;
        }
    }
    let claimed = x.bits();
    y.bits().iter().any(|bit| claimed.contains(bit))
}

#[cfg(test)]
mod tests;
