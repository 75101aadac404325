//! What the demonstration is to do, checked.

use std::path::PathBuf;

use crate::{error::DemoError, route::HARBOUR_LOOP, scenario::Scenario, tale::Tale};

/// Seed unless another is given.
pub const DEFAULT_SEED: u64 = 2026;

/// A checked plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Where everything goes.
    pub out: PathBuf,
    /// The campaign.
    pub scenario: Scenario,
    /// Length of the live recording, s.
    pub live_seconds: u64,
    /// Where the programs are, if said.
    pub bin_dir: Option<PathBuf>,
}

impl Plan {
    /// Checks the numbers.
    ///
    /// # Errors
    /// When `pairs` is not 2 to 20 (one pair has no spread) or `live_seconds` not 5 to 600.
    pub fn new(
        out: PathBuf,
        seed: u64,
        tale: Tale,
        pairs: u64,
        live_seconds: u64,
        bin_dir: Option<PathBuf>,
    ) -> Result<Self, DemoError> {
        within("pairs", pairs, 2, 20)?;
        within("live-seconds", live_seconds, 5, 600)?;
        let scenario = Scenario { seed, tale, pairs: pairs as usize, route: HARBOUR_LOOP };
        Ok(Self { out, scenario, live_seconds, bin_dir })
    }
}

fn within(option: &'static str, value: u64, min: u64, max: u64) -> Result<(), DemoError> {
    if (min..=max).contains(&value) { Ok(()) } else { Err(DemoError::OutOfBounds { option, min, max, value }) }
}
