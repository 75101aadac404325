//! What a vehicle does: its rounds, day by day, as draws from the library.
//!
//! Beside the trips themselves, fuel differs by factors, all common practice in size: two drivers a vehicle (standard
//! deviation 2.5 %), the fleet's weather (0.4 % a kelvin below 10 °C, a season of ±6 K and spells of ±2.5 K), the day
//! (1 %) and the trip (1.5 %). The mix of routes differs between vehicles and, less, from week to week.

use std::f64::consts::TAU;

use tallywheel_schemas::Timestamp;

use super::{
    FleetPlan,
    fault::Fault,
    library::{Library, ROUTES, State},
    week::{DAY_US, day_us},
};
use crate::{
    noise::{Noise, Purpose, Wander},
    pack::{CAPACITY_AH, Charger},
};

/// Below this charge the kit gives nothing, %.
const EMPTY_PCT: f64 = 20.0;
/// Charge in the morning after a night on the charger, %.
const FULL_PCT: f64 = 97.0;
/// Mean voltage while charging, V.
const CHARGE_V: f64 = 99.0;

/// A trip of a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayTrip {
    /// Which trip of the library.
    pub(super) index: usize,
    /// Start of its recording, µs.
    pub start_us: i64,
    /// Factor on the fuel that the meter counts.
    pub fuel_factor: f64,
    /// State of charge at the start, %.
    pub soc_pct: f64,
}

/// A night on the charger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charge {
    /// Plugged in, µs.
    pub start_us: i64,
    /// Length, s.
    pub seconds: i64,
    /// State of charge before and after, %.
    pub soc_pct: (f64, f64),
    /// Energy from the wall and into the pack, Wh.
    pub wall_wh: f64,
    /// Energy into the pack, Wh.
    pub pack_wh: f64,
}

/// A day of a vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct VehicleDay {
    /// Vehicle, from 0.
    pub vehicle: usize,
    /// Start of the day, µs.
    pub day_us: i64,
    /// What is driven; never empty.
    pub trips: Vec<DayTrip>,
    /// The night after it.
    pub charge: Option<Charge>,
    /// Share of the time in which wheel speed is missing.
    pub missing_share: f64,
    /// The pack is not heard.
    pub pack_silent: bool,
    /// Seconds in which a port was silent or lost.
    pub gap_s: f64,
    /// Malformed messages.
    pub bad_messages: u64,
    /// First day on which a calibration has run out, `YYYY-MM-DD`.
    pub calibration_due: String,
}

/// The rounds of one vehicle. Weeks are to be asked for in order: the charge of a pack lasts overnight.
#[derive(Debug)]
pub struct Rounds<'a> {
    plan: &'a FleetPlan,
    library: &'a Library,
    weather: &'a [f64],
    vehicle: usize,
    routes: [f64; ROUTES.len()],
    drivers: [f64; 2],
    calibrated_on: i64,
    soc_pct: f64,
}

/// The outside temperature of every day of a plan's weeks, °C, alike for the whole fleet.
pub fn weather(plan: &FleetPlan) -> Vec<f64> {
    let mut noise = Noise::new(plan.seed, Purpose::Fleet, 0);
    let mut spell = Wander::new(2.5, 3.0);
    (0..plan.weeks * 7)
        .map(|day| {
            // Coldest in February; the first week is the 27th of its year.
            let season = -6.0 * (TAU * (day as f64 + 180.0 - 40.0) / 365.25).cos();
            9.0 + season + spell.advance(&mut noise, 1.0)
        })
        .collect()
}

impl<'a> Rounds<'a> {
    /// The rounds of a vehicle, counted from 0. `weather` is [`weather`] of the same plan.
    pub fn new(plan: &'a FleetPlan, library: &'a Library, weather: &'a [f64], vehicle: usize) -> Self {
        let mut noise = Noise::new(plan.seed, Purpose::Fleet, stream(vehicle, 0, 0));
        Self {
            plan,
            library,
            weather,
            vehicle,
            routes: std::array::from_fn(|_| noise.normal(0.5).exp()),
            drivers: std::array::from_fn(|_| noise.normal(0.025).exp()),
            calibrated_on: noise.below(365) as i64,
            soc_pct: FULL_PCT,
        }
    }

    /// The days of a week, counted from 0.
    pub fn week(&mut self, week: usize) -> Vec<VehicleDay> {
        let mut noise = Noise::new(self.plan.seed, Purpose::Fleet, stream(self.vehicle, week, 1));
        let fault = self.plan.fault(self.vehicle, week);
        let mut routes = self.routes.map(|w| w * noise.normal(0.35).exp());
        if matches!(fault, Some((Fault::Rerouted, _))) {
            routes[1] *= 8.0;
        }
        (0..self.plan.days).filter_map(|weekday| self.day(week, weekday, &routes, fault)).collect()
    }

    fn day(
        &mut self,
        week: usize,
        weekday: usize,
        routes: &[f64; ROUTES.len()],
        fault: Option<(Fault, usize)>,
    ) -> Option<VehicleDay> {
        let mut noise = Noise::new(self.plan.seed, Purpose::Fleet, stream(self.vehicle, week, weekday + 2));
        if noise.uniform(0.0, 1.0) < 0.04 {
            return None;
        }
        let day_us = day_us(week, weekday);
        let trips = self.trips(day_us, week * 7 + weekday, routes, fault, &mut noise);
        let end_us = trips.last().map_or(day_us, |t| t.start_us + self.length_us(t));
        let forgotten = noise.uniform(0.0, 1.0) < 0.03 || matches!(fault, Some((Fault::NoCharging, _)));
        let charge = (!forgotten && self.soc_pct < FULL_PCT - 3.0).then(|| self.charge(end_us));
        let gap_s = if noise.uniform(0.0, 1.0) < 0.2 { noise.uniform(2.0, 60.0) } else { 0.0 };
        let missing = fault.map_or(0.0, |(f, weeks)| f.missing_share(weeks));
        Some(VehicleDay {
            vehicle: self.vehicle,
            day_us,
            trips,
            charge,
            missing_share: missing + noise.uniform(0.0, 0.002),
            pack_silent: matches!(fault, Some((Fault::SensorSilent, _))),
            gap_s,
            bad_messages: noise.below(20) as u64,
            calibration_due: self.calibration_due(day_us),
        })
    }

    fn trips(
        &mut self,
        day_us: i64,
        day: usize,
        routes: &[f64; ROUTES.len()],
        fault: Option<(Fault, usize)>,
        noise: &mut Noise,
    ) -> Vec<DayTrip> {
        let driver = self.drivers[usize::from(noise.uniform(0.0, 1.0) < 0.2)];
        let ambient_c = self.weather.get(day).copied().unwrap_or(10.0);
        let cold = 1.0 + 0.004 * (10.0 - ambient_c).clamp(-10.0, 20.0);
        let meter = fault.map_or(1.0, |(f, weeks)| f.meter_factor(weeks));
        let day_factor = driver * cold * meter * noise.normal(0.01).exp();
        let mut start_us = day_us + 7 * 3_600_000_000 + (noise.uniform(0.0, 3600.0) as i64) * 1_000_000;
        let (mut trips, mut driven_s) = (Vec::new(), 0.0);
        while trips.is_empty() || driven_s < self.plan.hours * 3600.0 - 700.0 {
            let index =
                self.library.index(self.state(fault), pick(routes, noise), noise.below(self.library.variants()));
            let sums = &self.library.trip(index).sums;
            let trip =
                DayTrip { index, start_us, fuel_factor: day_factor * noise.normal(0.015).exp(), soc_pct: self.soc_pct };
            self.soc_pct = (self.soc_pct - sums.soc_used * 100.0).clamp(8.0, 99.0);
            driven_s += sums.duration_s;
            start_us += self.length_us(&trip) + (noise.uniform(360.0, 900.0) as i64) * 1_000_000;
            trips.push(trip);
        }
        trips
    }

    /// State of kit and van for the next trip.
    fn state(&self, fault: Option<(Fault, usize)>) -> State {
        match fault.map(|(f, _)| f) {
            Some(Fault::AssistDead) => State::Dead,
            _ if self.soc_pct < EMPTY_PCT => State::Empty,
            Some(Fault::AssistWeak) => State::Weak,
            Some(Fault::LateCutOff) => State::Late,
            Some(Fault::HotMotor) => State::Hot,
            Some(Fault::BrakeDrag) => State::Drag,
            _ => State::Sound,
        }
    }

    fn length_us(&self, trip: &DayTrip) -> i64 {
        self.library.trip(trip.index).sums.duration_s as i64 * 1_000_000
    }

    fn charge(&mut self, end_us: i64) -> Charge {
        let from = self.soc_pct;
        let pack_wh = (FULL_PCT - from) / 100.0 * CAPACITY_AH * CHARGE_V;
        let wall_wh = pack_wh / Charger::KIT.efficiency;
        self.soc_pct = FULL_PCT;
        Charge {
            start_us: end_us + 1_800_000_000,
            seconds: (wall_wh / Charger::KIT.wall_w * 3600.0).ceil() as i64,
            soc_pct: (from, FULL_PCT),
            wall_wh,
            pack_wh,
        }
    }

    /// Sound vehicles are calibrated anew every year, three weeks before it is due.
    fn calibration_due(&self, day_us: i64) -> String {
        let lapsed =
            self.plan.planted.iter().find(|p| p.vehicle == self.vehicle && p.fault == Fault::CalibrationOverdue);
        if let Some(planted) = lapsed {
            return Timestamp::from_us(super::week::day_us(planted.from_week, 0) - DAY_US).date();
        }
        let day = day_us / DAY_US;
        let years = (day + 21 - self.calibrated_on).div_euclid(365) + 1;
        Timestamp::from_us((self.calibrated_on + years * 365) * DAY_US).date()
    }
}

/// Streams of a vehicle's randomness, one a week and purpose.
fn stream(vehicle: usize, week: usize, purpose: usize) -> u64 {
    ((vehicle as u64 + 1) << 24) + ((week as u64) << 4) + purpose as u64
}

fn pick(weights: &[f64], noise: &mut Noise) -> usize {
    let mut left = noise.uniform(0.0, weights.iter().sum());
    for (i, weight) in weights.iter().enumerate() {
        left -= weight;
        if left < 0.0 {
            return i;
        }
    }
    weights.len() - 1
}
