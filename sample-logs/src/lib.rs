//! The Skerry Isles demonstration: a simulator that speaks like real instruments and knows the truth.

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
pub mod gearbox;
pub mod live;
pub mod noise;
pub mod pack;
pub mod paper;
pub mod route;
pub mod samples;
pub mod scenario;
pub mod sensors;
pub mod session;
pub mod thermal;
pub mod truth;
pub mod vehicle;
pub mod wire;
