//! Simulated fleets: are planted faults found and sound vehicles left alone ([`detection`]).

pub mod detection;
