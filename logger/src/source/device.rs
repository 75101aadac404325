//! Where a port is: its device by name, opened.
//!
//! ```text
//! /dev/serial/by-id/usb-…   a serial device
//! tcp://192.0.2.7:4001      a serial line behind a device server, raw bytes over TCP
//! can://can0                a CAN interface of the system (feature `socketcan`)
//! ```
//!
//! Opening the same [`Device`] again finds the same instrument: a serial device that was opened once is looked for
//! under its stable name, since the system may number it anew when it is plugged in again.

use std::{
    io,
    path::{Path, PathBuf},
    sync::OnceLock,
    time::Duration,
};

use tallywheel_schemas::rig::{Parity, Port};
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::TcpStream,
};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

use super::stable_name::StableName;

/// How long a device server may take to accept.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);

/// An open device: bytes both ways.
pub(crate) trait Wire: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Wire for T {}

/// An open device, whatever its kind.
pub(crate) type Stream = Box<dyn Wire>;

/// A device's name that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DeviceError {
    /// Not `tcp://HOST:PORT`.
    #[error("device `{0}`: write a device server as tcp://HOST:PORT, as in tcp://192.0.2.7:4001")]
    Tcp(String),
    /// Not `can://INTERFACE`.
    #[error("device `{0}`: write a CAN interface as can://NAME, as in can://can0; `ip link` lists them")]
    Can(String),
    /// Compiled without SocketCAN.
    #[error(
        "device `{0}`: this program was built without CAN interfaces; build it with `--features socketcan`, on Linux"
    )]
    NoSocketCan(String),
    /// Another scheme.
    #[error("device `{0}`: write a path as in /dev/ttyACM0, tcp://HOST:PORT or can://NAME")]
    Scheme(String),
}

/// A device that cannot be opened.
#[derive(Debug, thiserror::Error)]
#[error("open port `{port}` on {device}: {source}; {hint}")]
pub struct OpenError {
    /// Port in the rig.
    port: String,
    /// Device as it was looked for.
    device: String,
    /// What the system said.
    source: io::Error,
    /// What to do.
    hint: &'static str,
}

/// A device by its name.
#[derive(Debug, Clone)]
pub(crate) struct Device {
    place: Place,
    stable: OnceLock<StableName>,
    stable_roots: Vec<PathBuf>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Place {
    Serial(PathBuf),
    Tcp { host: String, port: u16 },
    Can(String),
}

impl Device {
    /// Reads a device's name; nothing is opened.
    ///
    /// # Errors
    /// When it is no path and no `tcp://HOST:PORT` or `can://NAME`, or when this program cannot open such a device.
    pub(crate) fn parse(text: &str) -> Result<Self, DeviceError> {
        Self::parse_with_roots(text, StableName::roots())
    }

    /// As [`Device::parse`], with the directories in which stable names are looked for.
    pub(crate) fn parse_with_roots(text: &str, stable_roots: Vec<PathBuf>) -> Result<Self, DeviceError> {
        let place = match text.split_once("://") {
            None => Place::Serial(PathBuf::from(text)),
            Some(("tcp", address)) => tcp(address).ok_or_else(|| DeviceError::Tcp(text.to_owned()))?,
            Some(("can", name)) if !is_interface(name) => return Err(DeviceError::Can(text.to_owned())),
            Some(("can", _)) if !cfg!(feature = "socketcan") => return Err(DeviceError::NoSocketCan(text.to_owned())),
            Some(("can", name)) => Place::Can(name.to_owned()),
            Some(_) => return Err(DeviceError::Scheme(text.to_owned())),
        };
        Ok(Self { place, stable: OnceLock::new(), stable_roots })
    }

    /// Opens the device for a port, inside a runtime. Do the same to open it again after it was lost: a serial device
    /// that was open once is then looked for under its stable name only, if it has one.
    ///
    /// # Errors
    /// When the device is not there, is in use, or may not be used.
    pub(crate) async fn open(&self, port: &Port) -> Result<Stream, OpenError> {
        match &self.place {
            Place::Serial(_) => self.open_serial(port),
            Place::Tcp { host, port: number } => {
                let opened = connect(host, *number).await;
                opened.map(|stream| Box::new(stream) as Stream).map_err(|e| self.error(port, e, tcp_hint))
            }
            Place::Can(name) => open_can(name).map_err(|e| self.error(port, e, can_hint)),
        }
    }

    fn open_serial(&self, port: &Port) -> Result<Stream, OpenError> {
        let path = self.path().unwrap_or(Path::new(""));
        let stable = StableName::among(path, &self.stable_roots);
        match serial(path, port) {
            Ok(stream) => {
                if let Some(stable) = stable {
                    // The first name stays: it is the one of the instrument that was meant.
                    let _ = self.stable.set(stable);
                }
                Ok(Box::new(stream))
            }
            Err(error) => Err(self.error(port, error, |e| serial_hint(e, path))),
        }
    }

    /// Path of a serial device: its stable name once it was open, or as given.
    fn path(&self) -> Option<&Path> {
        let Place::Serial(given) = &self.place else { return None };
        Some(self.stable.get().map_or(given, StableName::path))
    }

    /// The name that stays the same when the device is plugged in again, known once it was open.
    #[cfg(test)]
    pub(crate) fn stable_name(&self) -> Option<&Path> {
        self.stable.get().map(StableName::path)
    }

    /// What to say to a person when recording from this device begins.
    pub(crate) fn notice(&self, port: &Port) -> Option<String> {
        let port = &port.name;
        match &self.place {
            Place::Serial(path) if self.stable.get().is_none() => Some(format!(
                "port `{port}`: {} has no stable name; if it is unplugged, another device may get its name",
                path.display()
            )),
            Place::Can(name) => Some(format!(
                "port `{port}`: only listens to {name}, but whether its controller acknowledges frames is set in the \
                 system: `ip link set {name} type can listen-only on` before it is brought up keeps it silent"
            )),
            Place::Serial(_) | Place::Tcp { .. } => None,
        }
    }

    /// One text for one device, whichever of its names is used: symbolic links are followed.
    pub(super) fn identity(&self) -> String {
        match &self.place {
            Place::Serial(given) => {
                let path = self.path().unwrap_or(given);
                std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned()).to_string_lossy().into_owned()
            }
            Place::Tcp { host, port } => format!("tcp://{}:{port}", host.to_ascii_lowercase()),
            Place::Can(name) => format!("can://{name}"),
        }
    }

    fn error(&self, port: &Port, source: io::Error, hint: impl Fn(&io::Error) -> &'static str) -> OpenError {
        OpenError { port: port.name.clone(), device: self.to_string(), hint: hint(&source), source }
    }
}

impl std::fmt::Display for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.place {
            Place::Serial(given) => self.path().unwrap_or(given).display().fmt(f),
            Place::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Place::Can(name) => write!(f, "can://{name}"),
        }
    }
}

/// `HOST:PORT`, with brackets around an IPv6 address.
fn tcp(address: &str) -> Option<Place> {
    let (host, port) = address.rsplit_once(':')?;
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
    let fine = |h: &str| !h.is_empty() && !h.contains(|c: char| c.is_whitespace() || "/@?#".contains(c));
    if bare.is_none() && host.contains(':') || !fine(host) {
        return None;
    }
    let port = port.parse().ok().filter(|p| *p != 0)?;
    // With brackets, as the system's own resolver wants an address and port in one text.
    Some(Place::Tcp { host: host.to_owned(), port })
}

/// Linux keeps interface names in 15 bytes.
fn is_interface(name: &str) -> bool {
    !name.is_empty() && name.len() <= 15 && !name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '/')
}

fn serial(path: &Path, port: &Port) -> io::Result<SerialStream> {
    let parity = match port.line_parity() {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    };
    let stop_bits = if port.line_stop_bits() == 2 { tokio_serial::StopBits::Two } else { tokio_serial::StopBits::One };
    let line = tokio_serial::new(path.to_string_lossy(), port.baud).parity(parity).stop_bits(stop_bits);
    // An exclusive opening refuses a second program by itself; its error has no kind of its own.
    line.open_native_async().map_err(|error| match error.kind() {
        tokio_serial::ErrorKind::NoDevice if path.exists() => {
            io::Error::new(io::ErrorKind::ResourceBusy, error.to_string())
        }
        _ => error.into(),
    })
}

async fn connect(host: &str, port: u16) -> io::Result<TcpStream> {
    let connected = tokio::time::timeout(CONNECT_TIMEOUT, TcpStream::connect(format!("{host}:{port}"))).await;
    let stream = connected.map_err(|_| io::Error::new(io::ErrorKind::TimedOut, "no answer within 3 s"))??;
    // A request of a few bytes shall not wait for more.
    stream.set_nodelay(true)?;
    Ok(stream)
}

#[cfg(feature = "socketcan")]
fn open_can(name: &str) -> io::Result<Stream> {
    Ok(Box::new(super::can_interface::CanInterface::open(name)?))
}

#[cfg(not(feature = "socketcan"))]
fn open_can(_name: &str) -> io::Result<Stream> {
    Err(io::Error::new(io::ErrorKind::Unsupported, "built without SocketCAN"))
}

fn serial_hint(error: &io::Error, path: &Path) -> &'static str {
    let permission = "your user may not use serial devices: add it to the group that owns the device (often `dialout` or \
         `uucp`) and log in again";
    let denied = || std::fs::File::open(path).is_err_and(|e| e.kind() == io::ErrorKind::PermissionDenied);
    match error.kind() {
        io::ErrorKind::PermissionDenied => permission,
        _ if !path.exists() => "is it plugged in? `tallywheel-logger ports` lists what is there",
        _ if denied() => permission,
        io::ErrorKind::ResourceBusy => "another program may hold it: close serial terminals and modem managers",
        _ => "check the device's name and that nothing else uses it",
    }
}

fn tcp_hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => {
            "is that the device server's port for raw TCP, and is no other program connected? many servers take one only"
        }
        io::ErrorKind::TimedOut | io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            "is the device server switched on and in the same network?"
        }
        _ => "check the device server's address and port",
    }
}

fn can_hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => "your user may not open CAN sockets",
        io::ErrorKind::Unsupported => "build the logger with `--features socketcan`",
        _ => "`ip -details link show type can` lists CAN interfaces; bring one up with its bit rate before recording",
    }
}

#[cfg(test)]
mod tests {
    use std::{fs, os::unix::fs::symlink};

    use nix::pty::openpty;
    use tallywheel_schemas::{Rig, TextFile};
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    fn port(kind: &str, more: &str) -> Port {
        let text = format!("schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"p\"\nkind = \"{kind}\"\n{more}");
        Rig::parse(TextFile::new("rig.toml", text)).expect("a rig").ports[0].clone()
    }

    fn run<T>(test: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(test)
    }

    fn place(text: &str) -> Result<Place, String> {
        Device::parse(text).map(|d| d.place).map_err(|e| e.to_string())
    }

    #[test]
    fn names_of_devices() {
        let tcp = |host: &str, port| Ok(Place::Tcp { host: host.to_owned(), port });
        assert_eq!(place("/dev/ttyACM0"), Ok(Place::Serial(PathBuf::from("/dev/ttyACM0"))));
        assert_eq!(place("tcp://192.0.2.7:4001"), tcp("192.0.2.7", 4001));
        assert_eq!(place("tcp://[2001:db8::1]:4001"), tcp("[2001:db8::1]", 4001));
        assert_eq!(place("tcp://meter-box.local:23"), tcp("meter-box.local", 23));
        for bad in
            ["tcp://box", "tcp://:4001", "tcp://box:0", "tcp://box:99999", "tcp://2001:db8::1:4001", "tcp://a b:1"]
        {
            assert!(place(bad).is_err_and(|e| e.contains("tcp://HOST:PORT")), "{bad}");
        }
        for bad in ["can://", "can://a/b", "can://sixteen-letters-", "can://a b"] {
            assert!(place(bad).is_err_and(|e| e.contains("can://NAME")), "{bad}");
        }
        assert!(place("udp://box:1").is_err_and(|e| e.contains("write a path")));
    }

    #[test]
    #[cfg(not(feature = "socketcan"))]
    fn a_can_interface_needs_the_feature() {
        assert!(place("can://can0").is_err_and(|e| e.contains("--features socketcan")));
    }

    #[test]
    fn a_device_server_is_a_stream_both_ways() {
        let server = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
        let device = Device::parse(&format!("tcp://{}", server.local_addr().expect("an address"))).expect("a device");
        let answered = std::thread::spawn(move || {
            use std::io::{Read, Write};
            let (mut stream, _) = server.accept().expect("the logger");
            let mut asked = [0; 3];
            stream.read_exact(&mut asked).expect("a request");
            stream.write_all(b"$A\r\n").expect("room");
            asked
        });
        let heard = run(async {
            let mut stream = device.open(&port("nmea", "")).await.expect("open");
            stream.write_all(b"abc").await.expect("room");
            let mut heard = Vec::new();
            stream.read_to_end(&mut heard).await.expect("readable");
            heard
        });
        assert_eq!((heard.as_slice(), answered.join().expect("the server")), (&b"$A\r\n"[..], *b"abc"));
    }

    #[test]
    fn a_server_that_is_not_there_is_explained() {
        let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("an address");
        let device = Device::parse(&format!("tcp://{free}")).expect("a device");
        let error = run(device.open(&port("text", ""))).err().expect("nobody listens").to_string();
        assert!(error.starts_with(&format!("open port `p` on tcp://{free}: ")), "{error}");
        assert!(error.contains("is that the device server's port"), "{error}");
    }

    #[test]
    fn a_device_that_is_not_there_is_explained() {
        let device = Device::parse("/nonexistent/ttyACM0").expect("a device");
        let error = run(device.open(&port("text", ""))).err().expect("nothing there").to_string();
        assert!(error.contains("/nonexistent/ttyACM0") && error.contains("tallywheel-logger ports"), "{error}");
    }

    /// The device comes back under another number; its old one belongs to another device then.
    #[test]
    fn a_device_that_comes_back_is_found_by_its_stable_name() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let by_id = directory.path().join("by-id");
        fs::create_dir(&by_id).expect("room");
        let (first, second) = (openpty(None, None).expect("a terminal"), openpty(None, None).expect("a terminal"));
        let path = |end: &nix::pty::OpenptyResult| nix::unistd::ttyname(&end.slave).expect("a name");
        symlink(path(&first), by_id.join("usb-meter")).expect("a link");
        let given = path(&first).to_string_lossy().into_owned();
        let device = Device::parse_with_roots(&given, vec![by_id.clone()]).expect("a device");
        for kind in ["text", "modbus"] {
            // A pseudo-terminal has no parity, but must not be refused for it.
            let port = port(kind, if kind == "modbus" { "transmit = true" } else { "" });
            run(async { device.open(&port).await.map(|_| ()) }).expect("open");
        }
        assert_eq!(device.stable_name(), Some(by_id.join("usb-meter").as_path()));
        assert_eq!(device.identity(), given);

        fs::remove_file(by_id.join("usb-meter")).expect("there");
        let gone = run(device.open(&port("text", ""))).err().expect("unplugged").to_string();
        assert!(gone.contains("by-id/usb-meter") && gone.contains("is it plugged in"), "{gone}");

        symlink(path(&second), by_id.join("usb-meter")).expect("a link");
        let mut master = fs::File::from(second.master.try_clone().expect("a handle"));
        let heard = run(async {
            let mut stream = device.open(&port("text", "")).await.expect("open again");
            std::io::Write::write_all(&mut master, b"7").expect("room");
            stream.read_u8().await.expect("a byte")
        });
        assert_eq!((heard, device.identity()), (b'7', path(&second).to_string_lossy().into_owned()));
    }

    #[test]
    fn a_person_is_told_what_the_logger_cannot_see_to() {
        let device = Device::parse_with_roots("/dev/ttyACM0", Vec::new()).expect("a device");
        assert!(device.notice(&port("nmea", "")).is_some_and(|n| n.contains("no stable name")));
        let server = Device::parse("tcp://192.0.2.7:4001").expect("a device");
        assert_eq!(server.notice(&port("nmea", "")), None);
        let interface = Device { place: Place::Can("can0".to_owned()), ..device };
        assert!(interface.notice(&port("can", "")).is_some_and(|n| n.contains("listen-only on")));
    }
}
