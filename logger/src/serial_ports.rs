//! Which serial devices there are, and which name to write in a rig.

use std::{collections::BTreeMap, fmt::Write as _, fs, path::Path};

use tokio_serial::SerialPortType;

/// Where the system says which devices there are.
struct System<'a> {
    /// Links that stay the same whichever socket a device is plugged into.
    by_id: &'a Path,
    /// Links that stay the same for a socket, whatever is plugged into it.
    by_path: &'a Path,
    /// The kernel's view of serial devices, for the USB ids.
    tty: &'a Path,
}

/// Lists serial devices, one a line: the name to write in the rig, and what is known about it.
///
/// # Errors
/// When the system cannot list them.
pub(crate) fn list() -> Result<String, tokio_serial::Error> {
    let system = System {
        by_id: Path::new("/dev/serial/by-id"),
        by_path: Path::new("/dev/serial/by-path"),
        tty: Path::new("/sys/class/tty"),
    };
    let ports = tokio_serial::available_ports()?;
    Ok(text(&system, ports.into_iter().map(|p| (p.port_name, about(&p.port_type))).collect()))
}

/// The listing of devices found, each with what the library knows about it, and of those that only have a stable name.
fn text(system: &System<'_>, mut found: BTreeMap<String, Option<String>>) -> String {
    let (by_id, by_path) = (stable_names(system.by_id), stable_names(system.by_path));
    for device in by_id.keys().chain(by_path.keys()) {
        found.entry(device.clone()).or_default();
    }
    if found.is_empty() {
        return "no serial device found: is it plugged in?\n".to_owned();
    }
    let mut text = String::new();
    for (device, about) in &found {
        let about = usb(system.tty, device).or_else(|| about.clone()).unwrap_or_else(|| "kind unknown".to_owned());
        // Writing to a string does not fail.
        let _ = match (by_id.get(device), by_path.get(device)) {
            (Some(name), None) => writeln!(text, "{name}  (now {device}, {about})"),
            (Some(name), Some(path)) => writeln!(text, "{name}  (now {device}, {about}; by socket {path})"),
            (None, Some(path)) => writeln!(text, "{path}  (now {device}, {about}; the name of its socket)"),
            (None, None) => writeln!(text, "{device}  ({about})"),
        };
    }
    text.push_str(match (by_id.is_empty(), by_path.is_empty()) {
        (false, _) => {
            "Write the /dev/serial/by-id/ name as `device` in the rig: it stays the same when devices are plugged in again.\n"
        }
        (true, false) => {
            "Write the /dev/serial/by-path/ name as `device` in the rig: it stays the same as long as each device keeps its socket.\n"
        }
        (true, true) => {
            "No device has a stable name; the names above may change when devices are plugged in again.\n"
        }
    });
    text
}

/// USB ids and words of a device, when it hangs on USB: the kernel keeps them in a directory above the device's own.
fn usb(tty: &Path, device: &str) -> Option<String> {
    let own = fs::canonicalize(tty.join(Path::new(device).file_name()?).join("device")).ok()?;
    let above = own.ancestors().find(|a| a.join("idVendor").is_file() && a.join("idProduct").is_file())?;
    let read = |name: &str| fs::read_to_string(above.join(name)).ok().map(|s| s.trim().to_owned());
    let words: Vec<String> = ["manufacturer", "product", "serial"].into_iter().filter_map(read).collect();
    Some(format!("USB {}:{} {}", read("idVendor")?, read("idProduct")?, words.join(" ")).trim_end().to_owned())
}

/// What the library knows about a device.
fn about(kind: &SerialPortType) -> Option<String> {
    Some(match kind {
        SerialPortType::UsbPort(usb) => {
            let words = [usb.manufacturer.as_deref(), usb.product.as_deref(), usb.serial_number.as_deref()];
            let words: Vec<&str> = words.into_iter().flatten().collect();
            format!("USB {:04x}:{:04x} {}", usb.vid, usb.pid, words.join(" ")).trim_end().to_owned()
        }
        SerialPortType::BluetoothPort => "Bluetooth".to_owned(),
        SerialPortType::PciPort => "built in".to_owned(),
        SerialPortType::Unknown => return None,
    })
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

    use std::{os::unix::fs::symlink, path::PathBuf};

    /// A system with two adapters on USB, of which one has a serial number, and a device without stable name.
    fn fake_system(root: &Path) {
        let write = |path: PathBuf, text: &str| {
            fs::create_dir_all(path.parent().expect("it has one")).expect("room");
            fs::write(path, text).expect("room");
        };
        for (i, serial) in [Some("SW-0031\n"), None].into_iter().enumerate() {
            let usb = root.join(format!("sys/devices/usb1/1-{i}"));
            write(usb.join("idVendor"), "16d0\n");
            write(usb.join("idProduct"), "117e\n");
            write(usb.join("product"), "CAN adapter\n");
            serial.iter().for_each(|s| write(usb.join("serial"), s));
            let device = usb.join(format!("1-{i}:1.0"));
            fs::create_dir_all(&device).expect("room");
            let tty = root.join(format!("sys/class/tty/ttyACM{i}"));
            fs::create_dir_all(&tty).expect("room");
            symlink(device, tty.join("device")).expect("a link");
            write(root.join(format!("dev/ttyACM{i}")), "");
            fs::create_dir_all(root.join("dev/serial/by-path")).expect("room");
            symlink(format!("../../ttyACM{i}"), root.join(format!("dev/serial/by-path/usb-0:{i}"))).expect("a link");
        }
        fs::create_dir_all(root.join("dev/serial/by-id")).expect("room");
        symlink("../../ttyACM0", root.join("dev/serial/by-id/usb-adapter-SW-0031")).expect("a link");
    }

    fn listed(root: &Path, found: &[(&str, Option<&str>)]) -> String {
        let (by_id, by_path) = (root.join("dev/serial/by-id"), root.join("dev/serial/by-path"));
        let system = System { by_id: &by_id, by_path: &by_path, tty: &root.join("sys/class/tty") };
        let found = found.iter().map(|(name, about)| ((*name).to_owned(), about.map(str::to_owned)));
        text(&system, found.collect()).replace(&root.to_string_lossy().into_owned(), "")
    }

    #[test]
    fn stable_names_come_first_with_usb_ids() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let root = fs::canonicalize(directory.path()).expect("there");
        fake_system(&root);
        let expected = "\
            /dev/serial/by-id/usb-adapter-SW-0031  (now /dev/ttyACM0, USB 16d0:117e CAN adapter SW-0031; by socket /dev/serial/by-path/usb-0:0)\n\
            /dev/serial/by-path/usb-0:1  (now /dev/ttyACM1, USB 16d0:117e CAN adapter; the name of its socket)\n\
            /dev/ttyS0  (built in)\n\
            Write the /dev/serial/by-id/ name as `device` in the rig: it stays the same when devices are plugged in again.\n";
        let lines = listed(&root, &[("/dev/ttyS0", Some("built in"))]);
        let mut sorted: Vec<&str> = lines.lines().collect();
        sorted[..3].sort_unstable();
        assert_eq!(sorted.join("\n") + "\n", expected);
    }

    #[test]
    fn without_stable_names_the_listing_says_so() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        assert_eq!(listed(directory.path(), &[]), "no serial device found: is it plugged in?\n");
        let text = listed(directory.path(), &[("/dev/ttyUSB7", None)]);
        assert!(text.starts_with("/dev/ttyUSB7  (kind unknown)\nNo device has a stable name"), "{text}");
        let by_path = directory.path().join("dev/serial/by-path");
        fs::create_dir_all(&by_path).expect("room");
        fs::write(directory.path().join("dev/ttyUSB7"), "").expect("room");
        symlink("../../ttyUSB7", by_path.join("usb-0:7")).expect("a link");
        assert!(listed(directory.path(), &[]).contains("Write the /dev/serial/by-path/ name"));
    }
}
