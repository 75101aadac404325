//! Fleets for tests and benchmarks: vehicles × weeks of the Skerry Isles with known faults planted.
//!
//! ```text
//! simulator, 10 ms → library of trips ─┬─ sums of a trip ──→ rounds → days, speed_classes, trips   (tables)
//!                                      └─ rows of a trip ──→ rounds → sealed sessions at native rates (sessions)
//! ```
//!
//! The simulator's physics is too slow for hundreds of vehicle-weeks, so it drives a library once: every route in
//! every state of the kit ([`library::State`]) by several drivers in several kinds of weather, and a vehicle's
//! day is a draw of trips from it. What differs between vehicles and days beside the trips (drivers, weather, wind)
//! is a factor on the fuel, of the size named in [`rounds`]. A seed gives the same fleet on any machine.

pub mod fault;
pub mod library;
mod native;
mod rig;
pub mod rounds;
pub mod sessions;
mod sums;
pub mod tables;
pub mod week;

use std::path::Path;

use serde::Serialize;

pub use fault::{Fault, Planted, plant};
pub use library::Library;
pub use rounds::{Rounds, VehicleDay};
pub use week::first_monday_us;

/// A fleet to make.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetPlan {
    /// Number of vehicles, `skerry-1` and on.
    pub vehicles: usize,
    /// Number of weeks, from the week of 2026-06-29 on.
    pub weeks: usize,
    /// Everything random follows from this.
    pub seed: u64,
    /// What is wrong with which vehicle from when on.
    pub planted: Vec<Planted>,
    /// Hours that a van is driven on a working day.
    pub hours: f64,
    /// Working days a week, 1 to 5; a few days are missed.
    pub days: usize,
}

impl FleetPlan {
    /// A healthy fleet with an hour and a half of driving on five days a week: on most days one charge is enough.
    pub fn healthy(vehicles: usize, weeks: usize, seed: u64) -> Self {
        Self { vehicles, weeks, seed, planted: Vec::new(), hours: 1.5, days: 5 }
    }

    /// The fault of a vehicle (from 0) in a week (from 0), with the weeks that it has lasted.
    pub fn fault(&self, vehicle: usize, week: usize) -> Option<(Fault, usize)> {
        let planted = self.planted.iter().find(|p| p.vehicle == vehicle && p.from_week <= week)?;
        Some((planted.fault, week - planted.from_week))
    }
}

/// Name of a vehicle, counted from 0.
pub fn vehicle_name(vehicle: usize) -> String {
    format!("skerry-{}", vehicle + 1)
}

/// What is written beside a fleet: what is true of it.
#[derive(Debug, Serialize)]
struct Truth<'a> {
    vehicles: usize,
    weeks: usize,
    first_week: String,
    seed: u64,
    planted: Vec<PlantedTruth<'a>>,
}

#[derive(Debug, Serialize)]
struct PlantedTruth<'a> {
    vehicle: String,
    fault: &'a str,
    from_week: String,
}

/// Writes `fleet.json`, the truth, beside the fleet.
///
/// # Errors
/// When it cannot be written.
pub fn write_truth(plan: &FleetPlan, root: &Path) -> std::io::Result<()> {
    let planted = plan.planted.iter().map(|p| PlantedTruth {
        vehicle: vehicle_name(p.vehicle),
        fault: p.fault.name(),
        from_week: week::name(p.from_week),
    });
    let truth = Truth {
        vehicles: plan.vehicles,
        weeks: plan.weeks,
        first_week: week::name(0),
        seed: plan.seed,
        planted: planted.collect(),
    };
    std::fs::create_dir_all(root)?;
    let text = serde_json::to_string_pretty(&truth).map_err(std::io::Error::other)?;
    std::fs::write(root.join("fleet.json"), text + "\n")
}
