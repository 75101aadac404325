//! Asks a vehicle for its OBD-II parameters (SAE J1979 service 01), and stops asking when it should.
//!
//! ```text
//! due → frame to transmit      heard → answers, acknowledgements, errors, other testers
//!         └── one request at a time, rate-limited, supported parameters first ──┘
//! ```
//!
//! [`Poller`] is pure: it opens nothing, reads no clock and transmits nothing. It takes what a port says and when, and
//! gives the lines that its adapter is to be told. What answers mean is decoding's part, from the recorded frames; here
//! they only matter as answers. There is a poller only where the rig says `transmit = true` and has signals with `pid`.
//!
//! Requests are filled up to eight bytes with [`PADDING`](crate::isotp::PADDING), 0x55.
//!
//! ```
//! use tallywheel_logger::obd::{Poller, announcement};
//! use tallywheel_schemas::{Rig, TextFile, Timestamp};
//!
//! let rig = Rig::parse(TextFile::new("rig.toml", r#"
//! schema = 1
//! vehicle = "skerry-2"
//! [[port]]
//! name = "vehicle-bus"
//! kind = "slcan"
//! bit_rate = 500000
//! listen_only = false
//! transmit = true
//! [[signal]]
//! channel = "engine.speed_rpm"
//! port = "vehicle-bus"
//! pid = 0x0C
//! every_s = 0.2
//! "#)).unwrap();
//! assert!(announcement(&rig, 0).contains("TRANSMITS"));
//! let mut poller = Poller::new(&rig, 0).unwrap();
//! let now = Timestamp::from_us(1_000_000);
//! assert_eq!(poller.due(now).unwrap(), b"t7DF8020100" .iter().chain(b"5555555555\r").copied().collect::<Vec<u8>>());
//! assert_eq!(poller.due(now), None);
//! ```

mod announce;
mod answer;
mod guard;
mod poller;
mod question;
mod request;
mod supported;

pub use announce::announcement;
pub use poller::Poller;
