//! What will be transmitted, said before it is.

use tallywheel_schemas::{
    Rig,
    obd::Pid,
    rig::{PortKind, obd_requests},
};

use super::request::Addressee;

/// Says exactly what the logger will transmit on a port of a rig, by its index, and how often.
pub fn announcement(rig: &Rig, port: usize) -> String {
    let Some(port) = rig.ports.get(port) else { return String::new() };
    let requests = obd_requests(&rig.signals, &port.name);
    if port.kind != PortKind::Slcan || !port.transmit || port.listen_only {
        return format!("port `{}` transmits nothing", port.name);
    }
    if requests.is_empty() {
        return format!("port `{}` may transmit (transmit = true), but no signal asks for anything", port.name);
    }
    let rate = port.bit_rate.map_or_else(String::new, |rate| format!(" at {rate} bit/s"));
    let planned: f64 = requests.iter().map(|r| 1.0 / r.every_s).sum();
    let mut lines = vec![
        format!("port `{}` TRANSMITS on the vehicle's bus{rate}, because its rig says transmit = true:", port.name),
        format!(
            "  OBD-II requests for current data (SAE J1979 service 01), one at a time, {planned:.1} a second and never \
             more than {}",
            port.request_limit()
        ),
    ];
    for request in &requests {
        let addressee = Addressee { ecu: request.ecu, extended: request.extended };
        let name = Pid::find(request.pid).map_or_else(String::new, |known| format!(" ({})", known.name));
        lines.push(format!(
            "  to {addressee}: PID 0x{:02X}{name} every {} s, for {}",
            request.pid,
            request.every_s,
            request.channels.join(", ")
        ));
    }
    let lists = "before that, PID 0x00, 0x20 and so on: which parameters there are; others are not asked for";
    let flow = if requests.iter().any(|r| r.extended) { "18DAxxF1" } else { "7E0 to 7E7" };
    lines.push(format!("  {lists}"));
    lines.push(format!("  to {flow}: flow control (30 00 00), when an answer is longer than a frame"));
    lines.push("  it stops by itself on bus errors, in silence, and when another tester is on the bus".to_owned());
    lines.join("\n")
}
