//! Analysis of recorded road tests: from sealed sessions to a verdict on the mileage claim.

pub mod ageing;
pub mod stats;
