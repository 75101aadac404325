//! Which serial devices there are, and which name to write in a rig.

use std::{collections::BTreeMap, fmt::Write as _, fs, path::Path};

use tokio_serial::SerialPortType;

/// Names that stay the same whichever socket a device is plugged into.
const BY_ID: &str = "/dev/serial/by-id";

/// Lists serial devices, one a line: the name to write in the rig, and what is known about it.
///
/// # Errors
/// When the system cannot list them.
pub(crate) fn list() -> Result<String, tokio_serial::Error> {
    let stable = stable_names(Path::new(BY_ID));
    let mut found: BTreeMap<String, String> = BTreeMap::new();
    for port in tokio_serial::available_ports()? {
        found.insert(port.port_name, about(&port.port_type));
    }
    for device in stable.keys() {
        found.entry(device.clone()).or_insert_with(|| "USB".to_owned());
    }
    if found.is_empty() {
        return Ok("no serial device found: is it plugged in?\n".to_owned());
    }
    let mut text = String::new();
    for (device, about) in found {
        // Writing to a string does not fail.
        let _ = match stable.get(&device) {
            Some(name) => writeln!(text, "{name}  (now {device}, {about})"),
            None => writeln!(text, "{device}  ({about})"),
        };
    }
    if stable.is_empty() {
        text.push_str("No device has a stable name; the names above may change when devices are plugged in again.\n");
    } else {
        text.push_str("Write the /dev/serial/by-id/ name as `device` in the rig: it stays the same when devices are plugged in again.\n");
    }
    Ok(text)
}

fn about(kind: &SerialPortType) -> String {
    match kind {
        SerialPortType::UsbPort(usb) => {
            let words = [usb.manufacturer.as_deref(), usb.product.as_deref(), usb.serial_number.as_deref()];
            let words: Vec<&str> = words.into_iter().flatten().collect();
            format!("USB {:04x}:{:04x} {}", usb.vid, usb.pid, words.join(" ")).trim_end().to_owned()
        }
        SerialPortType::BluetoothPort => "Bluetooth".to_owned(),
        SerialPortType::PciPort => "built in".to_owned(),
        SerialPortType::Unknown => "kind unknown".to_owned(),
    }
}

/// Stable names by the device that they point to.
fn stable_names(directory: &Path) -> BTreeMap<String, String> {
    let Ok(entries) = fs::read_dir(directory) else { return BTreeMap::new() };
    let name = |entry: fs::DirEntry| {
        let target = fs::canonicalize(entry.path()).ok()?;
        Some((target.to_string_lossy().into_owned(), entry.path().to_string_lossy().into_owned()))
    };
    entries.flatten().filter_map(name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stable_names_are_found_by_what_they_point_to() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let device = directory.path().join("ttyX0");
        fs::write(&device, "").expect("room");
        let by_id = directory.path().join("by-id");
        fs::create_dir(&by_id).expect("room");
        std::os::unix::fs::symlink("../ttyX0", by_id.join("usb-adapter")).expect("a link");
        let names = stable_names(&by_id);
        let canonical = fs::canonicalize(&device).expect("there").to_string_lossy().into_owned();
        assert!(names[&canonical].ends_with("by-id/usb-adapter"));
        assert!(stable_names(&directory.path().join("none")).is_empty());
    }
}
