//! How the runs are compared, and which runs those are.

use serde::{Deserialize, Serialize};

/// How the runs are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Design {
    /// Each baseline run has an assisted partner driven close to it.
    Paired,
    /// Two groups of runs.
    Unpaired,
    /// Groups of runs of both conditions, each on a route or with a driver of its own.
    Blocked,
    /// The vehicle under test and an unmodified one driven together; what counts is the ratio of their consumptions.
    Control,
    /// Vehicles in daily service before and after the kit was fitted.
    BeforeAfter,
}

impl Design {
    /// The word used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Paired => "paired",
            Self::Unpaired => "unpaired",
            Self::Blocked => "blocked",
            Self::Control => "control",
            Self::BeforeAfter => "before_after",
        }
    }
}

/// One pair of runs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    /// Run with the assist off.
    pub baseline: String,
    /// Run with the assist on.
    pub assist: String,
}

/// Runs of both conditions that share a route or a driver.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// Name of the block, unique in the campaign.
    pub name: String,
    /// Route, when it is not the campaign's.
    pub route: Option<String>,
    /// Runs with the assist off.
    pub baseline: Vec<String>,
    /// Runs with the assist on.
    pub assist: Vec<String>,
}

/// One pass of the vehicle under test together with the control vehicle.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Together {
    /// Segment that the pass belongs to, `baseline` or `assist`: whether the test vehicle had its assist on.
    pub segment: crate::run_sheet::Condition,
    /// Run of the vehicle under test.
    pub test: String,
    /// Run of the control vehicle.
    pub control: String,
}

/// A vehicle in daily service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InService {
    /// Name of the vehicle.
    pub name: String,
    /// First UTC day with the kit, `YYYY-MM-DD`; `None` for a vehicle that never got one and shows what changed without.
    pub installed: Option<chrono::NaiveDate>,
}
