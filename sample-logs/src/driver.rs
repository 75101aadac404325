//! The driver: what acceleration is wanted, from speed, place and temper.

use crate::{
    noise::{Noise, Wander},
    route::Route,
};

/// How a driver drives in one run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Temper {
    /// Factor on acceleration and braking, about 1.
    pub briskness: f64,
    /// Factor on the speed that traffic allows, about 1.
    pub haste: f64,
    /// Factor on the time at stops, about 1.
    pub patience: f64,
    /// Length of the line driven over the route's length, about 1: lanes, parked vans.
    pub line: f64,
}

impl Temper {
    /// Draws a run's temper: a trained driver on a fixed route repeats to a few percent.
    pub fn draw(noise: &mut Noise) -> Self {
        Self {
            briskness: 1.0 + noise.bounded(0.08),
            haste: 1.0 + noise.bounded(0.018),
            patience: 1.0 + noise.bounded(0.12),
            line: 1.0 + noise.bounded(0.001),
        }
    }
}

/// What the driver does next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Intent {
    /// Drives on.
    Drive,
    /// Waits at a stop.
    Wait,
    /// Has reached the last stop.
    Arrived,
}

/// A driver on a route.
#[derive(Debug, Clone)]
pub struct Driver {
    route: Route,
    stops: Vec<f64>,
    dwells_s: Vec<f64>,
    hindrances: Vec<f64>,
    next_stop: usize,
    wait_left_s: f64,
    temper: Temper,
    mood: Wander,
    noise: Noise,
}

/// Distance from a stop at which the driver lets the van come to rest, m.
const STOP_WITHIN_M: f64 = 1.3;
/// Comfortable braking, m/s².
const BRAKING_M_S2: f64 = 1.15;
/// How far ahead a lower limit is heeded, m.
const LOOK_AHEAD_M: f64 = 160.0;

/// Speed past a hindrance, m/s.
const HINDRANCE_M_S: f64 = 3.2;
/// Spacing of the places where something may be in the way, m.
const HINDRANCE_EVERY_M: f64 = 400.0;
/// Share of those places where something is, in a run.
const HINDRANCE_SHARE: f64 = 0.3;
/// Nobody is in the way on open road, m/s.
const OPEN_ROAD_M_S: f64 = 50.0 / 3.6;

/// Where in this run somebody is in the way (a ferry queue, a parked lorry, sheep): the chief reason why one
/// run in traffic takes a few percent more fuel than the next.
fn hindrances(route: &Route, noise: &mut Noise) -> Vec<f64> {
    let places = (route.length_m / HINDRANCE_EVERY_M) as usize;
    let mut found = Vec::new();
    for k in 0..places {
        let at = (k as f64 + noise.uniform(0.2, 0.8)) * HINDRANCE_EVERY_M;
        if noise.uniform(0.0, 1.0) < HINDRANCE_SHARE && route.limit_m_s(at) < OPEN_ROAD_M_S {
            found.push(at);
        }
    }
    found
}

impl Driver {
    /// A driver at the start of a route; dwell times are drawn for every stop.
    pub fn new(route: Route, temper: Temper, mut noise: Noise) -> Self {
        let stops = route.all_stops();
        let dwell_s = route.dwell_s * temper.patience;
        let dwells_s = stops.iter().map(|_| (dwell_s * (1.0 + noise.bounded(0.25))).max(3.0)).collect();
        let hindrances = hindrances(&route, &mut noise);
        let mood = Wander::new(0.015, 7.0);
        Self { route, stops, dwells_s, hindrances, next_stop: 0, wait_left_s: 0.0, temper, mood, noise }
    }

    /// Length of the line driven over the route's length.
    pub fn line(&self) -> f64 {
        self.temper.line
    }

    /// Looks at place and speed and says what comes next.
    pub fn look(&mut self, at_m: f64, speed_m_s: f64, dt_s: f64) -> Intent {
        self.mood.advance(&mut self.noise, dt_s);
        if self.wait_left_s > 0.0 {
            self.wait_left_s -= dt_s;
            return Intent::Wait;
        }
        let Some(stop) = self.stops.get(self.next_stop) else { return Intent::Arrived };
        if speed_m_s > 0.0 || stop - at_m > STOP_WITHIN_M {
            return Intent::Drive;
        }
        self.wait_left_s = self.dwells_s[self.next_stop];
        self.next_stop += 1;
        if self.next_stop == self.stops.len() { Intent::Arrived } else { Intent::Wait }
    }

    /// Acceleration wanted, m/s².
    ///
    /// # Formula
    /// Towards the lowest of the allowed speed and `√(2 b d)` for every stop or lower limit at distance d; from
    /// there `a = k (v_target − v)` within what is comfortable: the usual driver model of drive-cycle simulation.
    pub fn acceleration_m_s2(&self, at_m: f64, speed_m_s: f64) -> f64 {
        let braking = BRAKING_M_S2 * self.temper.briskness;
        let haste = self.temper.haste * (1.0 + self.mood.value);
        let mut target = self.route.limit_m_s(at_m) * haste;
        for (ahead, limit) in self.route.lower_limits_ahead(at_m, LOOK_AHEAD_M) {
            target = target.min((limit * limit * haste * haste + 2.0 * braking * ahead).sqrt());
        }
        for ahead in self.hindrances.iter().map(|h| h - at_m).filter(|d| (-10.0..LOOK_AHEAD_M).contains(d)) {
            target = target.min((HINDRANCE_M_S * HINDRANCE_M_S + 2.0 * braking * ahead.max(0.0)).sqrt());
        }
        let to_stop = self.stops.get(self.next_stop).map_or(f64::INFINITY, |s| s - at_m);
        if to_stop < STOP_WITHIN_M {
            return -(0.5 * speed_m_s * speed_m_s / to_stop.max(0.3)).clamp(0.8, 3.0);
        }
        target = target.min((2.0 * braking * to_stop).sqrt());
        let most = self.temper.briskness * (1.12 - 0.036 * speed_m_s).max(0.34);
        (0.9 * (target - speed_m_s)).clamp(-2.4, most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{noise::Purpose, route::HARBOUR_HOP};

    #[test]
    fn the_driver_slows_for_a_stop_and_waits_there() {
        let temper = Temper { briskness: 1.0, haste: 1.0, patience: 1.0, line: 1.0 };
        let mut driver = Driver::new(HARBOUR_HOP, temper, Noise::new(1, Purpose::Driver, 0));
        assert_eq!(driver.look(0.0, 0.0, 0.01), Intent::Drive);
        assert!(driver.acceleration_m_s2(0.0, 0.0) > 1.0);
        assert!(driver.acceleration_m_s2(190.0, 10.0) < -1.0);
        assert_eq!(driver.look(199.5, 0.0, 0.01), Intent::Wait);
        assert_eq!(driver.look(199.5, 0.0, 0.01), Intent::Wait);
    }
}
