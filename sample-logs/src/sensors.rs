//! The instruments' imperfection: fixed errors within what the rig states, noise, and sensors that sleep.

use std::f64::consts::TAU;

use crate::{
    assist::MOTORS,
    drive::Sample,
    noise::{Noise, Purpose, Wander},
    route::METRES_PER_DEGREE,
    truth::SensorTruth,
};

/// Pulses of the fuel meter per litre.
pub const PULSES_PER_L: f64 = 11_200.0;
/// Count at which the fuel counter and the wheel edge counter wrap to zero.
pub const COUNTER_MODULUS: u64 = 65_536;
/// Edges of the left motor's position sensors per turn: 16 pole pairs, three sensors, two edges each.
pub const EDGES_PER_TURN: f64 = 96.0;
/// Rolling radius that edges are counted over, m.
pub(crate) const WHEEL_RADIUS_M: f64 = 0.298;
/// Below this speed the wheel sensors see nothing, m/s.
const WHEEL_BLIND_M_S: f64 = 0.2;
/// Fixed errors lie within this many standard uncertainties, so that a sound evaluation with k = 2 covers them.
const WITHIN: f64 = 1.2;

/// Standard uncertainties that the rig states.
const FUEL_U: f64 = 0.0025;
const WHEEL_U: f64 = 0.003;
const CURRENT_U: f64 = 0.004;
const CURRENT_OFFSET_U_A: f64 = 0.05;
const VOLTAGE_U: f64 = 0.001;
const WINDING_U_K: f64 = 1.5;

/// Draws the fixed errors of a vehicle's sensors.
pub fn draw_errors(seed: u64) -> SensorTruth {
    let mut noise = Noise::new(seed, Purpose::Calibration, 0);
    let mut within = |uncertainty: f64| noise.uniform(-WITHIN, WITHIN) * uncertainty;
    SensorTruth {
        fuel_factor: 1.0 + within(FUEL_U),
        wheel_factor: 1.0 + within(WHEEL_U),
        current_factor: 1.0 + within(CURRENT_U),
        current_offset_a: within(CURRENT_OFFSET_U_A),
        voltage_factor: 1.0 + within(VOLTAGE_U),
        winding_offset_k: [within(WINDING_U_K), within(WINDING_U_K)],
    }
}

/// The sensors of a vehicle in one session.
#[derive(Debug, Clone)]
pub struct Sensors {
    errors: SensorTruth,
    noise: Noise,
    east: Wander,
    north: Wander,
    up: Wander,
    first_count: u64,
    first_edge: u64,
}

/// A fix of the satellite receiver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fix {
    /// Latitude, degrees.
    pub lat_deg: f64,
    /// Longitude, degrees.
    pub lon_deg: f64,
    /// Height, m.
    pub alt_m: f64,
    /// Speed over ground, m/s.
    pub speed_m_s: f64,
    /// Course over ground, degrees.
    pub course_deg: f64,
    /// Satellites used.
    pub satellites: u32,
}

impl Sensors {
    /// The sensors with the given fixed errors, in the session of this number.
    pub fn new(errors: SensorTruth, seed: u64, session: u64) -> Self {
        let mut noise = Noise::new(seed, Purpose::Sensors, session);
        // High enough that a run of the harbour loop passes the wrap.
        let first_count = 60_000 + noise.below(3000) as u64;
        let first_edge = noise.below(COUNTER_MODULUS as usize) as u64;
        let wander = |deviation| Wander::new(deviation, 60.0);
        Self { errors, noise, east: wander(1.2), north: wander(1.2), up: wander(2.5), first_count, first_edge }
    }

    /// A value with noise.
    pub(crate) fn noisy(&mut self, value: f64, deviation: f64) -> f64 {
        value + self.noise.normal(deviation)
    }

    /// Wheel speed, m/s.
    pub(crate) fn wheel_speed_m_s(&mut self, sample: &Sample) -> f64 {
        if sample.speed_m_s < WHEEL_BLIND_M_S {
            return 0.0;
        }
        (sample.speed_m_s * self.errors.wheel_factor + self.noise.normal(0.02)).max(0.0)
    }

    /// Pack voltage, V.
    pub(crate) fn voltage_v(&mut self, sample: &Sample) -> f64 {
        sample.voltage_v * self.errors.voltage_factor + self.noise.normal(0.015)
    }

    /// Pack current, A.
    pub(crate) fn current_a(&mut self, sample: &Sample) -> f64 {
        sample.current_a * self.errors.current_factor + self.errors.current_offset_a + self.noise.normal(0.06)
    }

    /// Winding temperature, °C; the thermocouple amplifier is asleep for the first seconds.
    pub(crate) fn winding_c(&mut self, sample: &Sample, motor: usize) -> Option<f64> {
        debug_assert!(motor < MOTORS);
        let shown = sample.motors[motor].winding_c + self.errors.winding_offset_k[motor] + self.noise.normal(0.2);
        (sample.time_s >= 2.0).then_some(shown)
    }

    /// Lambda; the probe heats up for a quarter of a minute.
    pub(crate) fn lambda(&mut self, sample: &Sample) -> Option<f64> {
        let shown = sample.lambda + self.noise.normal(0.004);
        (sample.time_s >= 8.0).then_some(shown.clamp(0.6, 15.99))
    }

    /// Count of the fuel meter.
    pub(crate) fn fuel_count(&self, sample: &Sample) -> u64 {
        let pulses = sample.metered_ml / 1000.0 * PULSES_PER_L * self.errors.fuel_factor;
        (self.first_count + pulses.floor() as u64) % COUNTER_MODULUS
    }

    /// Count of the left motor's position edges.
    pub(crate) fn edge_count(&self, sample: &Sample) -> u64 {
        let edges = sample.distance_m / (TAU * WHEEL_RADIUS_M) * EDGES_PER_TURN;
        (self.first_edge + edges.floor() as u64) % COUNTER_MODULUS
    }

    /// A fix, `None` in the first seconds after power-up.
    pub(crate) fn fix(&mut self, sample: &Sample, dt_s: f64) -> Option<Fix> {
        let east = self.east.advance(&mut self.noise, dt_s);
        let north = self.north.advance(&mut self.noise, dt_s);
        let up = self.up.advance(&mut self.noise, dt_s);
        let speed = (sample.speed_m_s + self.noise.normal(0.04)).abs();
        let course = sample.place.course_deg + self.noise.normal(0.4);
        if sample.time_s < 2.0 {
            return None;
        }
        Some(Fix {
            lat_deg: sample.place.lat_deg + north / METRES_PER_DEGREE,
            lon_deg: sample.place.lon_deg + east / (METRES_PER_DEGREE * sample.place.lat_deg.to_radians().cos()),
            alt_m: sample.altitude_m + up,
            speed_m_s: speed,
            course_deg: course.rem_euclid(360.0),
            satellites: 10,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fixed_errors_stay_within_what_the_rig_states() {
        for seed in 0..200 {
            let errors = draw_errors(seed);
            assert!((errors.fuel_factor - 1.0).abs() <= WITHIN * FUEL_U, "{errors:?}");
            assert!((errors.wheel_factor - 1.0).abs() <= WITHIN * WHEEL_U, "{errors:?}");
        }
        assert_ne!(draw_errors(1), draw_errors(2));
    }
}
