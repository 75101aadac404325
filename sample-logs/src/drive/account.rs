//! The account of a drive's energy: what went in, and where all of it went.
//!
//! Each term is worked out where it arises, from a force, torque or current of its own; none is the remainder
//! of the others. So sources and sinks agree only if the model conserves energy.

use crate::{
    assist::MotorPower,
    pack::Terminal,
    vehicle::{Advance, RoadLoad},
};

/// Energies since the start of a drive, J.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Account {
    /// Heating value of the fuel burnt.
    pub fuel_j: f64,
    /// Chemical energy out of the pack (open-circuit voltage times current), net.
    pub pack_j: f64,
    /// Engine: fuel that did not come out at the flywheel, and on overrun what the van put in.
    pub engine_loss_j: f64,
    /// Clutch: torque times difference of speed.
    pub clutch_loss_j: f64,
    /// Gearbox and final drive.
    pub gearbox_loss_j: f64,
    /// Windings.
    pub copper_j: f64,
    /// Iron and bearings.
    pub drag_j: f64,
    /// Controllers.
    pub controller_j: f64,
    /// The pack's internal resistance.
    pub pack_loss_j: f64,
    /// Tyres.
    pub rolling_j: f64,
    /// Air.
    pub aero_j: f64,
    /// Height gained.
    pub grade_j: f64,
    /// Friction brakes, and what holds the van at a stop.
    pub brake_j: f64,
    /// Gain of kinetic energy.
    pub kinetic_j: f64,
}

impl Account {
    /// What went in.
    pub fn sources_j(&self) -> f64 {
        self.fuel_j + self.pack_j
    }

    /// Where it went.
    pub fn sinks_j(&self) -> f64 {
        self.engine_loss_j
            + self.clutch_loss_j
            + self.gearbox_loss_j
            + self.copper_j
            + self.drag_j
            + self.controller_j
            + self.pack_loss_j
            + self.rolling_j
            + self.aero_j
            + self.grade_j
            + self.brake_j
            + self.kinetic_j
    }

    /// Road load, brakes and kinetic energy of one step.
    ///
    /// # Formula
    /// `ΔE_kin = ½ m_e (v₁² − v₀²)`; the others are force times distance.
    pub(super) fn road(&mut self, load: &RoadLoad, advance: &Advance, inertia_kg: f64, start_m_s: f64) {
        self.rolling_j += load.rolling_n * advance.distance_m;
        self.aero_j += load.aero_n * advance.distance_m;
        self.grade_j += load.grade_n * advance.distance_m;
        self.brake_j += advance.brake_n * advance.distance_m;
        self.kinetic_j += 0.5 * inertia_kg * (advance.speed_m_s.powi(2) - start_m_s.powi(2));
    }

    /// Losses of the motors and controllers.
    pub(super) fn motors(&mut self, powers: &[MotorPower], dt_s: f64) {
        for power in powers {
            self.copper_j += power.copper_w * dt_s;
            self.drag_j += power.drag_w * dt_s;
            self.controller_j += power.controller_w * dt_s;
        }
    }

    /// Engine and driveline: fuel power, power at the flywheel, at the gearbox input and at the wheels, W.
    pub(super) fn engine(&mut self, fuel_w: f64, flywheel_w: f64, input_w: f64, wheels_w: f64, dt_s: f64) {
        self.fuel_j += fuel_w * dt_s;
        self.engine_loss_j += (fuel_w - flywheel_w) * dt_s;
        self.clutch_loss_j += (flywheel_w - input_w) * dt_s;
        self.gearbox_loss_j += (input_w - wheels_w) * dt_s;
    }

    /// The pack.
    pub(super) fn pack(&mut self, terminal: &Terminal, dt_s: f64) {
        self.pack_j += terminal.open_v * terminal.current_a * dt_s;
        self.pack_loss_j += terminal.loss_w * dt_s;
    }
}
