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
//! - [`decode`] makes rows of channels from messages, by the rig.
//! - [`seal`] sorts by time, writes, hashes and names the files of a session.
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

mod cli;
pub mod control;
pub mod decode;
mod durable;
mod exit;
pub mod framing;
pub mod import;
pub mod journal;
pub mod message;
pub mod modbus;
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

pub use cli::run;
pub use durable::FileError;
pub use exit::Exit;
pub use source::{ClaimError, DeviceError, LockError, OpenError};
pub use summary::Summary;
