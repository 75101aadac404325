//! The contract between capture and analysis.
//!
//! Everything that both sides must agree on lives here: channel names and units ([`channel`]), the tables of a
//! dataset ([`table`]), the files that people write (rig, run sheet, campaign), the session manifest and the
//! report. The crate depends on neither side.
//!
//! ```
//! use tallywheel_schemas::{Rig, TextFile};
//!
//! let rig = Rig::parse(TextFile::new("rig.toml", r#"
//! schema = 1
//! vehicle = "skerry-1"
//!
//! [[port]]
//! name = "kit-bus"
//! kind = "slcan"
//! bit_rate = 250000
//!
//! [[signal]]
//! channel = "pack.voltage_v"
//! port = "kit-bus"
//! id = 0x310
//! start_bit = 0
//! length = 16
//! scale = 0.01
//! "#)).unwrap();
//! assert_eq!(rig.signal("pack.voltage_v", None).unwrap().value(9600.0), 96.0);
//! ```

pub mod campaign;
pub mod channel;
pub mod compacted;
pub mod correction;
mod digest;
pub mod j1939;
pub mod manifest;
pub mod obd;
pub mod report;
pub mod rig;
mod run_sheet;
pub mod table;
mod text_file;
mod time;
pub mod units;

pub use campaign::Campaign;
pub use channel::{CHANNELS, Channel, Domain, Hold, Kind};
pub use digest::Digest;
pub use manifest::{Manifest, ManifestError};
pub use report::Report;
pub use rig::Rig;
pub use run_sheet::{Condition, ImpossibleSheet, RunSheet};
pub use table::{LEDGER_VERSION, SCHEMA_VERSION, Table};
pub use text_file::{TextFile, TextFileError, nearest, unknown_name};
pub use time::{Timestamp, TimestampError};
pub use units::Units;
