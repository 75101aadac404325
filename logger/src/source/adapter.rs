//! What is said to a CAN adapter, and nothing else ever is.

use tallywheel_schemas::rig::{Port, PortKind};

/// Commands that open an adapter: close it, in case it was left open; bit rate; time stamps; open, listen-only unless
/// the rig wants its acknowledgements on the bus. A receiver or text box is never written to.
pub(super) fn opening(port: &Port) -> Vec<u8> {
    if port.kind != PortKind::Slcan {
        return Vec::new();
    }
    let Some(code) = port.slcan_rate_code() else { return Vec::new() };
    let stamps = if port.device_time { "Z1" } else { "Z0" };
    let open = if port.listen_only { "L" } else { "O" };
    format!("C\rS{code}\r{stamps}\r{open}\r").into_bytes()
}

/// Commands that close an adapter.
pub(super) fn closing(port: &Port) -> &'static [u8] {
    if port.kind == PortKind::Slcan { b"C\r" } else { b"" }
}
