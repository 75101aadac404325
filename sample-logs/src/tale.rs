//! What is true of a campaign: six tales, each with the verdict that it must lead to.

use clap::ValueEnum;

/// The truth behind a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Tale {
    /// The kit does what the workshop claims.
    AsClaimed,
    /// The kit gives a third of its torque: about half of the claim.
    Half,
    /// The kit does not work at all.
    Dead,
    /// The kit gives a third of its torque, and the assisted runs are driven on warmer days and more gently.
    Favoured,
    /// The kit gives a third of its torque, and the fuel meter loses a fifth of its pulses in the assisted runs.
    SlippedMeter,
    /// The kit works, and the pack is so low that it runs flat halfway.
    FlatPack,
}

/// Share of the kit's torque in the tales of a weak kit.
const WEAK: f64 = 0.30;

impl Tale {
    /// Whether the kit drives in the assisted runs.
    pub const fn assist_works(self) -> bool {
        !matches!(self, Self::Dead)
    }

    /// Share of its torque that the kit gives.
    pub const fn kit_share(self) -> f64 {
        match self {
            Self::Half | Self::Favoured | Self::SlippedMeter => WEAK,
            Self::AsClaimed | Self::Dead | Self::FlatPack => 1.0,
        }
    }

    /// What the weather of the assisted runs is warmer by, K.
    pub const fn warmer_k(self) -> f64 {
        if matches!(self, Self::Favoured) { 9.0 } else { 0.0 }
    }

    /// Factor on the driver's acceleration and speed in the assisted runs.
    pub const fn gentleness(self) -> (f64, f64) {
        if matches!(self, Self::Favoured) { (0.78, 0.95) } else { (1.0, 1.0) }
    }

    /// Factor on the rolling resistance of the assisted runs: warm tyres on a dry road.
    pub const fn rolling(self) -> f64 {
        if matches!(self, Self::Favoured) { 0.82 } else { 1.0 }
    }

    /// Share of the fuel meter's pulses that arrive in the assisted runs.
    pub const fn meter_share(self) -> f64 {
        if matches!(self, Self::SlippedMeter) { 0.80 } else { 1.0 }
    }

    /// State of charge at the start of the assisted runs, 0 to 1.
    pub const fn soc(self) -> f64 {
        if matches!(self, Self::FlatPack) { 0.235 } else { 0.93 }
    }

    /// The verdict that it must lead to, as the report's word.
    pub const fn verdict(self) -> &'static str {
        match self {
            Self::AsClaimed => "supported",
            Self::Half | Self::Dead | Self::FlatPack => "not_supported",
            Self::Favoured | Self::SlippedMeter => "withheld",
        }
    }

    /// What one of the verdict's reasons, or the answer, must speak of.
    pub const fn speaks_of(self) -> Option<&'static str> {
        match self {
            Self::Favoured => Some("outside temperature"),
            Self::SlippedMeter => Some("meter"),
            Self::FlatPack => Some("flat"),
            Self::AsClaimed | Self::Half | Self::Dead => None,
        }
    }
}
