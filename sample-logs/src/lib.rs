//! The Skerry Isles demonstration: a simulator that speaks like real instruments and knows the truth.
//!
//! ```text
//! route, driver → drive (vehicle, engine, gearbox, assist, pack, thermal) → sample
//!     → bench (sensors, wire) → bytes of every port → captures or pseudo-terminals
//!     ↘ truth
//! ```
//!
//! The physics is pure and steps at 10 ms. [`drive`] joins it, [`mod@bench`] turns what instruments would see into
//! bytes with encoders of its own ([`wire`]), [`session`] runs a whole session, and [`demo`] sends a campaign
//! through the real programs and holds the result against the truth. Nothing here depends on the logger or on
//! the analysis; they meet only in bytes and files.
//!
//! ```
//! use tallywheel_sample_logs::{assist::KitSwitch, drive::{Drive, Setup}, route::HARBOUR_HOP};
//!
//! let truth = |kit| Drive::new(Setup::plain(HARBOUR_HOP, kit, 1)).finish();
//! let (off, on) = (truth(KitSwitch::Off), truth(KitSwitch::On));
//! assert!(on.fuel_g < off.fuel_g && on.pack_out_wh > off.pack_out_wh);
//! ```

pub mod assist;
pub mod bench;
pub mod capture;
pub mod charge;
pub mod cli;
pub mod damage;
pub mod demo;
pub mod drive;
pub mod driver;
pub mod engine;
pub mod error;
pub mod fleet;
pub mod gearbox;
pub mod live;
pub mod nested_build;
pub mod noise;
pub mod pack;
pub mod paper;
pub mod route;
pub mod samples;
pub mod scenario;
pub mod sensors;
pub mod session;
pub mod tale;
pub mod thermal;
pub mod truth;
pub mod vehicle;
pub mod wire;
