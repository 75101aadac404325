//! What a ledger has to say about the data it rests on.

use serde::{Deserialize, Serialize};
use tallywheel_schemas::{
    Timestamp,
    rig::{DistanceSource, FuelSource},
};

use crate::dataset::Damage;

/// What was found on the way to a ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    /// Width of a bin, µs.
    pub bin_us: i64,
    /// First stamp in a decoded table.
    pub first_us: Option<Timestamp>,
    /// Last stamp in a decoded table.
    pub last_us: Option<Timestamp>,
    /// Source of `distance_m`.
    pub distance_source: Option<DistanceSource>,
    /// Source of the speed columns: a level, so never the wheel edges.
    pub speed_source: Option<DistanceSource>,
    /// Source of `fuel_g`.
    pub fuel_source: Option<FuelSource>,
    /// Each channel that the ledger reads and the rig names or the session has.
    pub channels: Vec<ChannelFinding>,
    /// What could not be trusted and was left out.
    pub damage: Vec<Damage>,
    /// What else a reader should know, in sentences.
    pub notes: Vec<String>,
}

impl Findings {
    /// Width of a bin, s.
    pub fn bin_s(&self) -> f64 {
        self.bin_us as f64 / 1e6
    }
}

/// What was found about one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelFinding {
    /// Canonical name.
    pub channel: String,
    /// Motor position.
    pub position: Option<String>,
    /// Samples; 0 for a channel that the rig names and the session never has.
    pub samples: u64,
    /// Times between two samples longer than the limit.
    pub gaps: u64,
    /// Their sum, s.
    pub gap_s: f64,
    /// Sum of the other times between samples, s.
    pub covered_s: f64,
    /// Longest time without any change of value, s.
    pub stuck_s: f64,
    /// For counters: restarts, over which the count is unknown and left out.
    pub resets: u64,
    /// For counters: roll-overs, counted through.
    pub wraps: u64,
    /// For counters: gaps in which one more roll-over could hide.
    pub ambiguous_gaps: u64,
}
