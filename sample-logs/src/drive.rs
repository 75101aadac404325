//! A drive: driver, van, engine, kit, pack and heat joined into one loop of fixed steps.
//!
//! [`Drive::step`] reads as the model: the driver wants a force, engine and motors share it, the brakes take
//! the rest, the van moves, and what that took comes out of tank and pack. What is true of the drive is summed
//! on the way ([`DriveTruth`]), and so is every joule ([`Account`]).

mod account;
mod sample;
mod setup;

pub use account::Account;
pub use sample::{MotorSample, Sample};
pub use setup::{Defects, Setup, Weather};

use std::f64::consts::PI;

use crate::{
    assist::{
        CutOff, KitSwitch, MOTORS, Motor, MotorPower, command_of_pedal, pedal_for, regen_limit_n_m, torque_limit_n_m,
    },
    driver::{Driver, Intent},
    engine::{Coolant, Engine, HEATING_VALUE_J_PER_G, air_of},
    gearbox::{Coupling, EFFICIENCY, Gearbox},
    pack::Pack,
    route::Path,
    truth::{DriveTruth, MotorTruth, POSITIONS},
    vehicle::{Advance, Air, RoadLoad, Vehicle},
};

/// Length of a step, s.
pub const STEP_S: f64 = 0.01;
/// Idling before setting off, s.
const LEAD_S: f64 = 12.0;
/// Idling after the last stop, s.
const IDLE_OUT_S: f64 = 3.0;
/// Engine off before the recording ends, s.
const TAIL_S: f64 = 6.0;
/// Density of the petrol at 15 °C, g/mL, as the rig has it.
pub const DENSITY_G_PER_ML: f64 = 0.745;
/// Volume expansion of petrol, 1/K, as the rig has it.
pub const EXPANSION_PER_K: f64 = 0.000_95;
/// Windings are protected from here on, °C; no torque is left 25 K above.
const DERATE_FROM_C: f64 = 145.0;

/// Volume at a temperature of a mass of fuel, mL.
///
/// # Formula
/// `V = m / ρ₁₅ · (1 + β (T − 15))`.
pub fn fuel_volume_ml(mass_g: f64, temperature_c: f64) -> f64 {
    mass_g / DENSITY_G_PER_ML * (1.0 + EXPANSION_PER_K * (temperature_c - 15.0))
}

/// One drive in progress.
#[derive(Debug, Clone)]
pub struct Drive {
    setup: Setup,
    defects: Defects,
    vehicle: Vehicle,
    engine: Engine,
    path: Path,
    driver: Driver,
    gearbox: Gearbox,
    coolant: Coolant,
    cut_off: CutOff,
    motors: [Motor; MOTORS],
    pack: Pack,
    fuel_temp_c: f64,
    steps: u64,
    along_m: f64,
    speed_m_s: f64,
    pedal: f64,
    arrived_s: Option<f64>,
    meter_ml: f64,
    truth: DriveTruth,
    account: Account,
}

/// What driver and controllers decide in one step.
#[derive(Debug, Clone, Copy, Default)]
struct Decision {
    motor_target_n_m: f64,
    command: f64,
    engine_n: f64,
    fuel_cut: bool,
    brake_n: f64,
}

impl Drive {
    /// A drive that has not begun.
    pub fn new(setup: Setup) -> Self {
        Self::with_defects(setup, Defects::default())
    }

    /// A drive that has not begun, with a kit that is not as it was built.
    pub fn with_defects(setup: Setup, defects: Defects) -> Self {
        let ambient = setup.weather.ambient_c;
        let truth = DriveTruth {
            soc_start_pct: setup.soc * 100.0,
            ambient_c: ambient,
            motors: POSITIONS.map(|p| MotorTruth { position: p.to_owned(), ..MotorTruth::default() }).to_vec(),
            ..DriveTruth::default()
        };
        Self {
            vehicle: Vehicle::van(setup.payload_kg).with_rolling_factor(setup.rolling_factor),
            engine: Engine { accessories_w: Engine::VAN.accessories_w + setup.extra_load_w, ..Engine::VAN },
            path: setup.route.path(),
            driver: Driver::new(setup.route, setup.temper, setup.driver_noise.clone()),
            gearbox: Gearbox::new(),
            coolant: Coolant { temperature_c: setup.coolant_c },
            cut_off: defects.cut_off,
            motors: [Motor::new(setup.motor_c, defects.left_cooling), Motor::new(setup.motor_c, 1.0)],
            pack: Pack::new(setup.soc, ambient + 4.0),
            fuel_temp_c: ambient + 7.0,
            steps: 0,
            along_m: 0.0,
            speed_m_s: 0.0,
            pedal: 0.0,
            arrived_s: None,
            meter_ml: 0.0,
            truth,
            account: Account::default(),
            setup,
            defects,
        }
    }

    /// Time since the start, s.
    pub fn time_s(&self) -> f64 {
        self.steps as f64 * STEP_S
    }

    /// Advances by one step; gives what instruments can see at its start, or `None` when the drive is over.
    pub fn step(&mut self) -> Option<Sample> {
        let time = self.time_s();
        if self.arrived_s.is_some_and(|t| time >= t + IDLE_OUT_S + TAIL_S) {
            return None;
        }
        let intent = if time < LEAD_S { Intent::Wait } else { self.look() };
        let running = self.arrived_s.is_none_or(|t| time < t + IDLE_OUT_S);
        let gradient = self.setup.route.gradient(self.along_m);
        let load = self.vehicle.road_load(self.speed_m_s, gradient, &self.air());
        let want_n = self.wanted_force(intent, &load);
        let coupling = self.gearbox.coupling(self.speed_m_s, self.vehicle.wheel_radius_m, want_n > 0.0);
        let rpm = if running { self.engine_rpm(coupling, self.speed_m_s) } else { 0.0 };
        let decision = self.decide(want_n, coupling, rpm);
        for motor in &mut self.motors {
            motor.follow(decision.motor_target_n_m, STEP_S);
        }
        let advance = self.advance(&decision, &load);
        let powers = self.motor_powers(advance.mean_speed_m_s);
        let terminal = self.pack.terminal(powers.iter().map(|p| p.electric_w).sum());
        let sample = self.sample(&decision, &powers, &terminal, rpm, running, coupling);
        self.account_for(&decision, &load, &advance, &powers, coupling, running);
        self.account.pack(&terminal, STEP_S);
        self.sum_up(&sample, &advance, &powers);
        self.gearbox.advance(self.speed_m_s, self.pedal, STEP_S);
        self.warm(&powers, &terminal, running);
        self.speed_m_s = advance.speed_m_s;
        self.along_m += advance.distance_m / self.driver.line();
        self.steps += 1;
        Some(sample)
    }

    /// Runs to the end and gives the truth.
    pub fn finish(mut self) -> DriveTruth {
        while self.step().is_some() {}
        self.truth()
    }

    /// What is true so far.
    pub fn truth(&self) -> DriveTruth {
        DriveTruth {
            duration_s: self.time_s(),
            soc_end_pct: self.pack.soc * 100.0,
            cut_offs: self.cut_off.cut_offs,
            cut_ins: self.cut_off.cut_ins,
            ..self.truth.clone()
        }
    }

    /// Every joule so far.
    pub fn account(&self) -> &Account {
        &self.account
    }

    fn look(&mut self) -> Intent {
        let intent = self.driver.look(self.along_m, self.speed_m_s, STEP_S);
        if intent == Intent::Arrived && self.arrived_s.is_none() {
            self.arrived_s = Some(self.time_s());
        }
        intent
    }

    fn air(&self) -> Air {
        let weather = &self.setup.weather;
        let course = self.path.place(self.along_m).course_deg;
        let headwind = weather.wind_m_s * (weather.wind_from_deg - course).to_radians().cos();
        Air::new(weather.ambient_c, weather.pressure_kpa, headwind)
    }

    /// Force at the wheels that the driver wants, N; negative slows.
    fn wanted_force(&self, intent: Intent, load: &RoadLoad) -> f64 {
        if intent != Intent::Drive {
            // The foot brake holds the van.
            return -0.1 * self.vehicle.mass_kg;
        }
        let acceleration = self.driver.acceleration_m_s2(self.along_m, self.speed_m_s);
        self.vehicle.inertia_kg() * acceleration + load.total_n()
    }

    fn engine_rpm(&self, coupling: Coupling, speed_m_s: f64) -> f64 {
        self.gearbox.engine_rpm(coupling, speed_m_s, self.vehicle.wheel_radius_m, self.engine.idle_rpm)
    }

    fn wheel_rpm(&self, speed_m_s: f64) -> f64 {
        speed_m_s / self.vehicle.wheel_radius_m * 30.0 / PI
    }

    fn decide(&mut self, want_n: f64, coupling: Coupling, rpm: f64) -> Decision {
        let allowed = self.setup.kit == KitSwitch::On && self.cut_off.update(self.speed_m_s);
        if want_n > 0.0 {
            self.decide_drive(want_n, coupling, rpm, allowed)
        } else {
            self.decide_slow(want_n, coupling, rpm, allowed)
        }
    }

    /// The accelerator is pressed: engine and motors share the force by pedal position.
    fn decide_drive(&mut self, want_n: f64, coupling: Coupling, rpm: f64, allowed: bool) -> Decision {
        let per_torque = self.gearbox.ratio() * EFFICIENCY / self.vehicle.wheel_radius_m;
        let engine_max_n = if coupling == Coupling::Open { 0.0 } else { self.engine.max_torque_n_m(rpm) * per_torque };
        let limit_n_m = if allowed { self.setup.kit_share * self.drive_limit_n_m() } else { 0.0 };
        let motors_max_n = MOTORS as f64 * limit_n_m / self.vehicle.wheel_radius_m;
        if coupling != Coupling::Open {
            self.pedal = pedal_for(want_n, engine_max_n, motors_max_n);
        } // In a shift the controller keeps its command: half a second is below its filter.
        let command = if allowed { command_of_pedal(self.pedal) } else { 0.0 };
        let present_n = self.motor_force_n();
        Decision {
            motor_target_n_m: command * limit_n_m,
            command,
            engine_n: (want_n - present_n).clamp(0.0, engine_max_n),
            ..Decision::default()
        }
    }

    /// The accelerator is released: engine braking, then regeneration, then the brakes.
    fn decide_slow(&mut self, want_n: f64, coupling: Coupling, rpm: f64, allowed: bool) -> Decision {
        self.pedal = 0.0;
        let engine = self.engine;
        let fuel_may_cut = coupling == Coupling::Closed && rpm > engine.fuel_cut_rpm;
        let overrun_n_m = engine.friction_n_m(rpm) + engine.accessories_w / (rpm * PI / 30.0).max(1.0);
        let per_torque = self.gearbox.ratio() / EFFICIENCY / self.vehicle.wheel_radius_m;
        let overrun_n = if fuel_may_cut { -overrun_n_m * per_torque } else { 0.0 };
        let braking_n = (overrun_n - want_n).max(0.0);
        let brake_pressed = braking_n > 60.0;
        let regen_n_m = if allowed && brake_pressed { self.regen_n_m(braking_n) } else { 0.0 };
        let present_n = self.motor_force_n();
        let engine_n = (want_n - present_n).clamp(overrun_n, 0.0);
        Decision {
            motor_target_n_m: -regen_n_m,
            command: -regen_n_m / crate::assist::PEAK_TORQUE_N_M,
            engine_n,
            fuel_cut: fuel_may_cut && engine_n <= overrun_n,
            brake_n: (present_n + engine_n - want_n).max(0.0),
        }
    }

    /// Largest driving torque of one motor now: by speed, winding temperature and what the pack can give.
    fn drive_limit_n_m(&self) -> f64 {
        let rpm = self.wheel_rpm(self.speed_m_s);
        let hottest = self.motors.iter().map(|m| m.heat.winding_c).fold(f64::NEG_INFINITY, f64::max);
        let derate = (1.0 - (hottest - DERATE_FROM_C) / 25.0).clamp(0.0, 1.0);
        let limit = torque_limit_n_m(rpm) * derate * self.defects.assist_share;
        let mut probe = self.motors;
        let full_w: f64 = probe
            .iter_mut()
            .map(|m| {
                m.torque_n_m = limit;
                m.power(rpm, true).electric_w
            })
            .sum();
        limit * (self.pack.max_out_w() / full_w.max(1.0)).clamp(0.0, 1.0)
    }

    /// Regenerating torque of one motor for a braking force, within the limits of motor and pack.
    fn regen_n_m(&self, braking_n: f64) -> f64 {
        let wanted = braking_n * self.vehicle.wheel_radius_m / MOTORS as f64;
        let omega = (self.speed_m_s / self.vehicle.wheel_radius_m).max(0.1);
        let by_pack = self.pack.max_in_w() / omega / MOTORS as f64;
        wanted.min(regen_limit_n_m(self.speed_m_s)).min(by_pack).max(0.0)
    }

    /// Force of the motors at the wheels, N, drag included.
    fn motor_force_n(&self) -> f64 {
        let rpm = self.wheel_rpm(self.speed_m_s);
        self.motors.iter().map(|m| m.shaft_n_m(rpm) / self.vehicle.wheel_radius_m).sum()
    }

    fn advance(&self, decision: &Decision, load: &RoadLoad) -> Advance {
        let tractive = decision.engine_n + self.motor_force_n();
        self.vehicle.advance(self.speed_m_s, tractive, load, decision.brake_n, STEP_S)
    }

    fn motor_powers(&self, mean_speed_m_s: f64) -> [MotorPower; MOTORS] {
        let awake = self.setup.kit != KitSwitch::Dead;
        // Drag acts as it did when the force was found; at the mean speed it is the same to 1e-4 N·m.
        let (rpm_start, rpm) = (self.wheel_rpm(self.speed_m_s), self.wheel_rpm(mean_speed_m_s));
        self.motors.map(|m| {
            let mut power = m.power(rpm, awake);
            let omega = rpm * PI / 30.0;
            power.shaft_w = m.shaft_n_m(rpm_start) * omega;
            power.drag_w = Motor::drag_n_m(rpm_start) * omega;
            power
        })
    }

    /// Torque at the flywheel for a force at the wheels, N·m; the gearbox's loss is on the side that drives.
    fn flywheel_n_m(&self, engine_n: f64) -> f64 {
        let without_loss = engine_n * self.vehicle.wheel_radius_m / self.gearbox.ratio();
        if engine_n > 0.0 { without_loss / EFFICIENCY } else { without_loss * EFFICIENCY }
    }

    fn account_for(
        &mut self,
        decision: &Decision,
        load: &RoadLoad,
        advance: &Advance,
        powers: &[MotorPower; MOTORS],
        coupling: Coupling,
        running: bool,
    ) {
        self.account.road(load, advance, self.vehicle.inertia_kg(), self.speed_m_s);
        self.account.motors(powers, STEP_S);
        let torque = self.flywheel_n_m(decision.engine_n);
        let rpm = self.engine_rpm(coupling, advance.mean_speed_m_s);
        let enrichment = Engine::enrichment(self.coolant.temperature_c);
        let fuel_g_s = if !running || decision.fuel_cut { 0.0 } else { self.engine.fuel_g_s(torque, rpm, enrichment) };
        let shaft_w = torque * rpm * PI / 30.0;
        let input_w = torque * self.gearbox.input_rpm(advance.mean_speed_m_s, self.vehicle.wheel_radius_m) * PI / 30.0;
        let wheels_w = decision.engine_n * advance.mean_speed_m_s;
        self.account.engine(fuel_g_s * HEATING_VALUE_J_PER_G, shaft_w, input_w, wheels_w, STEP_S);
        self.truth.fuel_g += fuel_g_s * STEP_S;
        self.truth.fuel_ml_at_15c = self.truth.fuel_g / DENSITY_G_PER_ML;
        self.meter_ml += fuel_volume_ml(fuel_g_s * STEP_S, self.fuel_temp_c);
        self.truth.engine_on_s += if running { STEP_S } else { 0.0 };
    }

    fn warm(&mut self, powers: &[MotorPower; MOTORS], terminal: &crate::pack::Terminal, running: bool) {
        let ambient = self.setup.weather.ambient_c;
        for (motor, power) in self.motors.iter_mut().zip(powers) {
            motor.warm(power, ambient, self.speed_m_s, STEP_S);
        }
        self.pack.advance(terminal, ambient, STEP_S);
        self.coolant.advance(running, ambient, STEP_S);
        self.fuel_temp_c += (ambient + 13.0 - self.fuel_temp_c) * STEP_S / 900.0;
    }

    fn sum_up(&mut self, sample: &Sample, advance: &Advance, powers: &[MotorPower; MOTORS]) {
        let truth = &mut self.truth;
        let (energy_wh, charge_ah) = (sample.pack_power_w() * STEP_S / 3600.0, sample.current_a * STEP_S / 3600.0);
        truth.pack_out_wh += energy_wh.max(0.0);
        truth.pack_in_wh -= energy_wh.min(0.0);
        truth.pack_out_ah += charge_ah.max(0.0);
        truth.pack_in_ah -= charge_ah.min(0.0);
        truth.distance_m += advance.distance_m;
        truth.speed_max_m_s = truth.speed_max_m_s.max(advance.speed_m_s);
        truth.moving_s += if sample.speed_m_s > 0.5 { STEP_S } else { 0.0 };
        truth.assist_on_s += if sample.motors[0].command_pct > 1.0 { STEP_S } else { 0.0 };
        for ((motor, sampled), power) in truth.motors.iter_mut().zip(&sample.motors).zip(powers) {
            motor.winding_peak_c = motor.winding_peak_c.max(sampled.winding_c);
            motor.controller_peak_c = motor.controller_peak_c.max(sampled.controller_c);
            motor.shaft_out_wh += power.shaft_w.max(0.0) * STEP_S / 3600.0;
        }
    }

    fn sample(
        &self,
        decision: &Decision,
        powers: &[MotorPower; MOTORS],
        terminal: &crate::pack::Terminal,
        rpm: f64,
        running: bool,
        coupling: Coupling,
    ) -> Sample {
        let torque = self.flywheel_n_m(decision.engine_n);
        let enrichment = Engine::enrichment(self.coolant.temperature_c);
        let fuel_g_s = if !running || decision.fuel_cut { 0.0 } else { self.engine.fuel_g_s(torque, rpm, enrichment) };
        let (maf_g_s, lambda) = air_of(fuel_g_s, rpm, enrichment);
        let opening = torque.max(0.0) / self.engine.max_torque_n_m(rpm);
        let throttle_pct = if running && coupling != Coupling::Open { 4.0 + 90.0 * opening } else { 4.0 };
        let wheel_rpm = self.wheel_rpm(self.speed_m_s);
        let fault = if self.setup.kit == KitSwitch::Dead { 17 } else { 0 };
        let motor = |k: usize| MotorSample {
            command_pct: decision.command * 100.0,
            torque_n_m: self.motors[k].shaft_n_m(wheel_rpm),
            speed_rpm: wheel_rpm,
            phase_a: powers[k].phase_a,
            dc_a: powers[k].electric_w / terminal.voltage_v,
            winding_c: self.motors[k].heat.winding_c,
            controller_c: self.motors[k].controller.temperature_c,
            fault,
        };
        let cell_v = terminal.voltage_v / crate::pack::CELLS;
        Sample {
            time_s: self.time_s(),
            speed_m_s: self.speed_m_s,
            distance_m: self.truth.distance_m,
            place: self.path.place(self.along_m),
            altitude_m: self.setup.route.altitude_m(self.along_m),
            engine_rpm: rpm,
            running,
            throttle_pct,
            coolant_c: self.coolant.temperature_c,
            intake_c: self.setup.weather.ambient_c + 9.0,
            maf_g_s,
            lambda,
            metered_ml: self.meter_ml,
            fuel_temp_c: self.fuel_temp_c,
            supply_v: if running { 14.1 } else { 12.5 },
            motors: [motor(0), motor(1)],
            voltage_v: terminal.voltage_v,
            current_a: terminal.current_a,
            soc_pct: self.pack.soc * 100.0,
            pack_c: self.pack.body.temperature_c,
            cell_min_v: cell_v - 0.006,
            cell_max_v: cell_v + 0.005,
            wall_w: None,
            ambient_c: self.setup.weather.ambient_c,
            pressure_kpa: self.setup.weather.pressure_kpa,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::route::{HARBOUR_HOP, RIDGE_ROAD};

    fn drive(kit: KitSwitch, route: crate::route::Route) -> Drive {
        Drive::new(Setup::plain(route, kit, 3))
    }

    #[test]
    fn every_joule_is_accounted_for() {
        for (kit, route) in [(KitSwitch::On, HARBOUR_HOP), (KitSwitch::Off, HARBOUR_HOP), (KitSwitch::On, RIDGE_ROAD)] {
            let mut drive = drive(kit, route);
            while drive.step().is_some() {}
            let account = *drive.account();
            let imbalance = (account.sources_j() - account.sinks_j()) / account.sources_j();
            assert!(imbalance.abs() < 1e-6, "{kit:?} on the {}: {imbalance:e}\n{account:#?}", route.name);
        }
    }

    #[test]
    fn counted_charge_is_the_change_of_soc() {
        let truth = drive(KitSwitch::On, HARBOUR_HOP).finish();
        let change_ah = (truth.soc_start_pct - truth.soc_end_pct) / 100.0 * crate::pack::CAPACITY_AH;
        assert!((truth.pack_out_ah - truth.pack_in_ah - change_ah).abs() < 1e-9);
    }

    #[test]
    fn the_same_seed_drives_the_same_way() {
        let run = |seed| Drive::new(Setup::plain(HARBOUR_HOP, KitSwitch::On, seed)).finish();
        assert_eq!(run(5), run(5));
        assert_ne!(run(5).fuel_g, run(6).fuel_g);
    }

    #[test]
    fn a_dead_kit_saves_nothing() {
        let fuel = |kit| drive(kit, HARBOUR_HOP).finish();
        let (on, off, dead) = (fuel(KitSwitch::On), fuel(KitSwitch::Off), fuel(KitSwitch::Dead));
        assert_eq!(off.fuel_g, dead.fuel_g);
        assert!(on.fuel_g < 0.85 * off.fuel_g, "{} against {}", on.fuel_g, off.fuel_g);
        assert!(dead.assist_on_s == 0.0 && dead.pack_out_wh == 0.0);
    }

    #[test]
    fn the_hop_passes_the_cut_off_speed_and_comes_back() {
        let truth = drive(KitSwitch::On, HARBOUR_HOP).finish();
        assert_eq!((truth.cut_offs, truth.cut_ins), (1, 1));
        assert!((truth.distance_m - 1000.0).abs() < 3.0, "{}", truth.distance_m);
    }
}
