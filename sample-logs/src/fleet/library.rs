//! The trips that the simulator has driven, to draw a fleet's days from.

use rayon::prelude::*;

use super::sums::Sums;
use crate::{
    assist::{CutOff, KitSwitch},
    drive::{Defects, Drive, Sample, Setup, Weather},
    driver::Temper,
    noise::{Noise, Purpose},
    route::{CAUSEWAY, HARBOUR_LOOP, RIDGE_ROAD, Route},
};

/// Routes of a round.
pub(super) const ROUTES: [Route; 3] = [HARBOUR_LOOP, RIDGE_ROAD, CAUSEWAY];

/// State of kit and van on a trip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum State {
    /// As built, pack charged.
    Sound,
    /// As built, pack empty.
    Empty,
    /// See [`super::Fault::AssistWeak`].
    Weak,
    /// See [`super::Fault::AssistDead`].
    Dead,
    /// See [`super::Fault::LateCutOff`].
    Late,
    /// See [`super::Fault::HotMotor`].
    Hot,
    /// See [`super::Fault::BrakeDrag`].
    Drag,
}

impl State {
    /// Every state, in the library's order.
    pub const ALL: [Self; 7] = [Self::Sound, Self::Empty, Self::Weak, Self::Dead, Self::Late, Self::Hot, Self::Drag];

    fn defects(self) -> Defects {
        let plain = Defects::default();
        match self {
            Self::Weak => Defects { assist_share: 0.5, ..plain },
            Self::Late => Defects {
                cut_off: CutOff { cut_off_m_s: 70.0 / 3.6, cut_in_m_s: 64.0 / 3.6, ..CutOff::kit() },
                ..plain
            },
            Self::Hot => Defects { left_cooling: 0.15, ..plain },
            _ => plain,
        }
    }
}

/// A trip of the library.
#[derive(Debug)]
pub struct LibraryTrip {
    pub(super) sums: Sums,
    /// State of charge at the start, %.
    pub(super) soc_start_pct: f64,
    /// How it was driven, to drive it again for its samples.
    key: Key,
}

#[derive(Debug, Clone, Copy)]
struct Key {
    state: State,
    route: usize,
    variant: usize,
}

/// Trips by state, route and variant.
#[derive(Debug)]
pub struct Library {
    seed: u64,
    variants: usize,
    trips: Vec<LibraryTrip>,
}

impl Library {
    /// Drives `variants` trips (at least one) of every route in every state. The same variant has the same driver, weather
    /// and payload in every state.
    pub fn drive(seed: u64, variants: usize) -> Self {
        let variants = variants.max(1);
        let keys: Vec<Key> = State::ALL
            .into_iter()
            .flat_map(|state| (0..ROUTES.len()).map(move |route| (state, route)))
            .flat_map(|(state, route)| (0..variants).map(move |variant| Key { state, route, variant }))
            .collect();
        let trips = keys
            .into_par_iter()
            .map(|key| {
                let samples = samples(seed, key);
                let soc_start_pct = samples.first().map_or(0.0, |s| s.soc_pct);
                LibraryTrip { sums: Sums::of(&samples), soc_start_pct, key }
            })
            .collect();
        Self { seed, variants, trips }
    }

    /// Number of variants of each route and state.
    pub const fn variants(&self) -> usize {
        self.variants
    }

    /// Number of trips.
    pub const fn len(&self) -> usize {
        self.trips.len()
    }

    /// Whether it has none, which it never does.
    pub const fn is_empty(&self) -> bool {
        self.trips.is_empty()
    }

    pub(super) fn index(&self, state: State, route: usize, variant: usize) -> usize {
        (state as usize * ROUTES.len() + route) * self.variants + variant
    }

    pub(super) fn trip(&self, index: usize) -> &LibraryTrip {
        &self.trips[index]
    }

    /// Drives a trip again for what the instruments could see, a sample every 10 ms.
    pub(super) fn samples(&self, index: usize) -> Vec<Sample> {
        samples(self.seed, self.trips[index].key)
    }
}

fn samples(seed: u64, key: Key) -> Vec<Sample> {
    let number = (key.route * 1000 + key.variant) as u64;
    let mut noise = Noise::new(seed, Purpose::Driver, 1 << 32 | number);
    let kit = if key.state == State::Dead { KitSwitch::Dead } else { KitSwitch::On };
    let wet = 1.0 + noise.bounded(0.015);
    let setup = Setup {
        kit,
        kit_share: 1.0,
        rolling_factor: if key.state == State::Drag { 1.45 * wet } else { wet },
        extra_load_w: noise.uniform(-60.0, 60.0),
        payload_kg: 5.0 * (40.0 + noise.bounded(8.0)).round(),
        temper: Temper::draw(&mut noise),
        weather: Weather {
            ambient_c: 10.0 + noise.bounded(3.0),
            pressure_kpa: 101.3,
            wind_m_s: noise.uniform(0.0, 5.0),
            wind_from_deg: noise.uniform(0.0, 360.0),
        },
        soc: if key.state == State::Empty { 0.10 } else { 0.85 },
        coolant_c: 70.0 + noise.bounded(8.0),
        // Warm from the trip before.
        motor_c: 35.0,
        driver_noise: noise,
        route: ROUTES[key.route],
    };
    let mut drive = Drive::with_defects(setup, key.state.defects());
    let mut samples = Vec::with_capacity(200_000);
    while let Some(sample) = drive.step() {
        samples.push(sample);
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::{super::sums::Mode, *};

    /// What each state does to the sums, seen on one variant: the planted faults are really there.
    #[test]
    fn every_state_shows() {
        let library = Library::drive(3, 1);
        let sums = |state, route| &library.trip(library.index(state, route, 0)).sums;
        let per_100km = |s: &Sums| s.total().fuel_ml / s.total().distance_m * 100.0;
        for route in 0..ROUTES.len() {
            let sound = sums(State::Sound, route);
            assert!(per_100km(sums(State::Weak, route)) > 1.02 * per_100km(sound));
            assert!(per_100km(sums(State::Dead, route)) > per_100km(sums(State::Weak, route)));
            assert!(per_100km(sums(State::Drag, route)) > 1.04 * per_100km(sound));
            assert!(sums(State::Dead, route).in_mode(Mode::Assisted).seconds == 0.0);
            assert!(sums(State::Hot, route).winding_max_c > sound.winding_max_c + 5.0);
            assert_eq!(sound.late_cutoff_s, 0.0);
        }
        assert!(sums(State::Late, 1).late_cutoff_s > 5.0);
        assert!(sums(State::Empty, 0).pack_out_wh < 0.3 * sums(State::Sound, 0).pack_out_wh);
    }
}
