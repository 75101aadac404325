//! Captures road-test data: from the bytes on a serial port to a sealed, checksummed session.
//!
//! ```text
//! bytes → framing → messages → JOURNAL → decode → seal → Parquet tables, manifest last
//!   source ┘ (live)      import ┘ (captured files)
//! ```
//!
//! - [`framing`] cuts bytes into [`message`]s, pure and synchronous, one framer for each protocol.
//! - `source` is the edge to the ports, the only place with an asynchronous runtime; [`record`] joins it to the rest.
//! - [`control`] is how a person talks to a running recording.
//! - [`modbus`] is what meters are asked and when.
//! - [`journal`] keeps what arrived, in records that prove themselves.
//! - [`view`] is what the technician sees meanwhile; nothing that is recorded depends on it.
//! - [`decode`] makes rows of channels from messages, by the rig.
//! - [`isotp`] and [`j1939`] put messages together that are longer than a frame; [`obd`] says what to ask a vehicle, and
//!   when to stop asking.
//! - [`seal`] sorts by time, writes, hashes and names the files of a session.
//! - [`verify`] checks all of it against its hashes, and changes nothing.
//! - [`database`] makes a rig from a CAN database file.
//! - [`import`], [`recover`] and [`rebuild`] are the other ways to a sealed session: from captured files, from the
//!   journal of an interrupted recording, and from raw tables with a corrected rig.
//!
//! Exit codes are in [`Exit`].
//!
//! ```
//! use tallywheel_logger::import::{ImportOptions, import};
//!
//! let directory = tempfile::tempdir().unwrap();
//! let (rig, capture) = (directory.path().join("rig.toml"), directory.path().join("bus.txt"));
//! std::fs::write(&rig, "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n").unwrap();
//! std::fs::write(&capture, "t45631122330000\rt456311223303E8\r").unwrap();
//! let options = ImportOptions {
//!     rig,
//!     data: directory.path().join("data"),
//!     captures: vec![("bus".to_owned(), capture)],
//!     start: Some(tallywheel_schemas::Timestamp::parse("2026-10-05T08:30:00Z", 0).unwrap()),
//!     ..ImportOptions::default()
//! };
//! let manifest = import(&options, &mut |_bytes| {}).unwrap();
//! assert_eq!((manifest.session.as_str(), manifest.ports[0].frames), ("skerry-1-20261005T083000Z", 2));
//! ```

pub mod check;
mod cli;
pub mod control;
pub mod database;
pub mod decode;
mod durable;
mod exit;
pub mod framing;
pub mod import;
pub mod isotp;
pub mod j1939;
pub mod journal;
pub mod live;
pub mod message;
pub mod modbus;
pub mod obd;
mod overview;
pub mod rebuild;
pub mod record;
pub mod recover;
pub mod seal;
mod serial_ports;
pub mod session;
mod source;
mod summary;
#[cfg(test)]
mod testing;
pub mod verify;
pub mod view;

pub use cli::run;
pub use durable::FileError;
pub use exit::Exit;
pub use source::{ClaimError, DeviceError, LockError, OpenError};
pub use summary::Summary;
