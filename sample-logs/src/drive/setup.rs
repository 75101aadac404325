//! What is given before a drive begins.

use crate::{
    assist::{CutOff, KitSwitch},
    driver::Temper,
    noise::{Noise, Purpose},
    route::Route,
};

/// Weather during a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weather {
    /// Outside air, °C.
    pub ambient_c: f64,
    /// Air pressure, kPa.
    pub pressure_kpa: f64,
    /// Wind, m/s.
    pub wind_m_s: f64,
    /// Direction the wind comes from, degrees.
    pub wind_from_deg: f64,
}

/// What is not as it was built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Defects {
    /// Share of the torque limit that the motors still give when driving.
    pub assist_share: f64,
    /// Where the controller switches off.
    pub cut_off: CutOff,
    /// How well the left motor is cooled, see [`crate::thermal::TwoNode::hub_motor`].
    pub left_cooling: f64,
}

impl Default for Defects {
    fn default() -> Self {
        // The left motor sits behind the exhaust: a tenth worse cooled.
        Self { assist_share: 1.0, cut_off: CutOff::kit(), left_cooling: 0.88 }
    }
}

/// A drive to come.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Where.
    pub route: Route,
    /// Kit on, off or dead.
    pub kit: KitSwitch,
    /// Share of its torque that the kit gives when it drives.
    pub kit_share: f64,
    /// Factor on the rolling resistance: wet or dry road, warm or cold tyres.
    pub rolling_factor: f64,
    /// Power of lights, fans and wipers beside the usual load, W.
    pub extra_load_w: f64,
    /// Parcels, kg.
    pub payload_kg: f64,
    /// How the driver drives.
    pub temper: Temper,
    /// The driver's randomness.
    pub driver_noise: Noise,
    /// Weather.
    pub weather: Weather,
    /// Pack's state of charge, 0 to 1.
    pub soc: f64,
    /// Coolant at the start, °C.
    pub coolant_c: f64,
    /// Motors at the start, °C.
    pub motor_c: f64,
}

impl Setup {
    /// A mild still day, a warm engine, a charged pack and an average driver.
    pub fn plain(route: Route, kit: KitSwitch, seed: u64) -> Self {
        Self {
            route,
            kit,
            kit_share: 1.0,
            rolling_factor: 1.0,
            extra_load_w: 0.0,
            payload_kg: 200.0,
            temper: Temper { briskness: 1.0, haste: 1.0, patience: 1.0, line: 1.0 },
            driver_noise: Noise::new(seed, Purpose::Driver, 0),
            weather: Weather { ambient_c: 12.0, pressure_kpa: 101.3, wind_m_s: 0.0, wind_from_deg: 0.0 },
            soc: 0.9,
            coolant_c: 80.0,
            motor_c: 14.0,
        }
    }
}
