//! What can be wrong with a vehicle, and where it is planted.

use crate::noise::{Noise, Purpose};

/// Something that is not as it should be, from one week on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fault {
    /// The motors give half the torque that is commanded.
    AssistWeak,
    /// The kit does not assist; its controllers report a fault.
    AssistDead,
    /// The kit switches off at 70 km/h in place of 58.
    LateCutOff,
    /// The left motor is hardly cooled.
    HotMotor,
    /// The fuel meter reads 1 % more with every week.
    FuelDrift,
    /// A brake rubs: rolling resistance up by 45 %.
    BrakeDrag,
    /// The van is no longer put on the charger.
    NoCharging,
    /// The pack's current and voltage are no longer heard.
    SensorSilent,
    /// Wheel speed is missing more of the time with every week.
    CoverageDropping,
    /// A calibration ran out and was not renewed.
    CalibrationOverdue,
    /// No fault: the van is given a hillier round. It must not pass for one.
    Rerouted,
}

impl Fault {
    /// The faults, without [`Fault::Rerouted`], which is none.
    pub const ALL: [Self; 10] = [
        Self::AssistWeak,
        Self::AssistDead,
        Self::LateCutOff,
        Self::HotMotor,
        Self::FuelDrift,
        Self::BrakeDrag,
        Self::NoCharging,
        Self::SensorSilent,
        Self::CoverageDropping,
        Self::CalibrationOverdue,
    ];

    /// Name in truth files and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::AssistWeak => "assist weak",
            Self::AssistDead => "assist dead",
            Self::LateCutOff => "late cut-off",
            Self::HotMotor => "one motor hot",
            Self::FuelDrift => "fuel meter drifting",
            Self::BrakeDrag => "brake drag",
            Self::NoCharging => "not charged",
            Self::SensorSilent => "sensor silent",
            Self::CoverageDropping => "coverage dropping",
            Self::CalibrationOverdue => "calibration overdue",
            Self::Rerouted => "hillier round",
        }
    }

    /// Factor on what the fuel meter reads after so many weeks with the fault.
    pub fn meter_factor(self, weeks: usize) -> f64 {
        if self == Self::FuelDrift { 1.0 + 0.01 * (weeks as f64 + 1.0) } else { 1.0 }
    }

    /// Share of the driving time in which wheel speed is missing after so many weeks with the fault.
    pub fn missing_share(self, weeks: usize) -> f64 {
        if self == Self::CoverageDropping { (0.04 * (weeks as f64 + 1.0)).min(0.6) } else { 0.0 }
    }
}

/// A fault in a vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Planted {
    /// Vehicle, from 0.
    pub vehicle: usize,
    /// What is wrong.
    pub fault: Fault,
    /// First week with it, from 0.
    pub from_week: usize,
}

/// Plants every fault once, each in a vehicle of its own, as long as no more than half the fleet has one. Each begins
/// in the second half of the weeks and leaves at least one week to find it in.
pub fn plant(vehicles: usize, weeks: usize, seed: u64) -> Vec<Planted> {
    let mut noise = Noise::new(seed, Purpose::Damage, 1 << 40);
    let mut free: Vec<usize> = (0..vehicles).collect();
    let mut planted = Vec::new();
    for fault in Fault::ALL.into_iter().take(vehicles / 2) {
        let vehicle = free.swap_remove(noise.below(free.len()));
        let half = weeks / 2;
        planted.push(Planted { vehicle, fault, from_week: half + noise.below((weeks - half).max(1)) });
    }
    planted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_most_half_the_fleet_has_a_fault_and_none_has_two() {
        for (vehicles, expected) in [(1, 0), (4, 2), (50, 10)] {
            let planted = plant(vehicles, 20, 7);
            assert_eq!(planted.len(), expected);
            let mut named: Vec<usize> = planted.iter().map(|p| p.vehicle).collect();
            named.sort_unstable();
            named.dedup();
            assert_eq!(named.len(), expected);
            assert!(planted.iter().all(|p| (10..20).contains(&p.from_week)));
        }
    }
}
