//! What was planned before the first run: how many runs, and at which counts somebody looks.

use serde::{Deserialize, Serialize};

/// The plan of a campaign. It is written before the first run is driven and not changed afterwards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// Counts of pairs (runs per condition in other designs) at which the claim may be decided, ascending. The last is
    /// the planned size.
    pub looks: Vec<u32>,
    /// Seed of the order of driving.
    #[serde(default)]
    pub seed: u64,
    /// Spread that was planned with: standard deviation of the log ratios of pairs, or of the log consumptions (test
    /// over control ratios) of one condition where runs do not pair.
    pub spread: Option<f64>,
    /// Improvement that was expected when planning, %.
    pub expected_percent: Option<f64>,
}

impl Plan {
    /// The planned number of pairs.
    pub fn size(&self) -> u32 {
        self.looks.last().copied().unwrap_or_default()
    }

    /// What is wrong with it, if anything.
    pub(super) fn mistake(&self) -> Option<&'static str> {
        let ascending = self.looks.windows(2).all(|w| w[0] < w[1]);
        if self.looks.is_empty() || !ascending || self.looks[0] < 2 || self.size() > 10_000 {
            return Some("looks are counts from 2 to 10000, each larger than the one before");
        }
        let positive = |v: Option<f64>| v.is_none_or(|v| v.is_finite() && v > 0.0);
        (!positive(self.spread)).then_some("spread is above 0")
    }
}
