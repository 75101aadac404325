//! Simulated fleets: are planted faults found and sound vehicles left alone ([`detection`]), and what does it cost ([`mod@bench`]).

pub mod bench;
mod contenders;
pub mod detection;
mod measure;
pub mod reseal;
