//! What a simulated trip adds up to in bins of a second, as the ledger would have it.

use std::collections::BTreeMap;

use crate::{
    drive::{EXPANSION_PER_K, STEP_S, Sample},
    pack::CAPACITY_AH,
};

/// Width of a class of speed, km/h.
const CLASS_KM_H: f64 = 5.0;
/// Steps in a bin of a second.
const STEPS: usize = 100;
/// A command beyond this counts as driving or braking, %: the rig's threshold.
const THRESHOLD_PCT: f64 = 1.0;
/// Set cut-off speed and what may be above it, m/s.
const LATE_M_S: f64 = 58.0 / 3.6 + 1.0;
/// First limits of the rig, °C.
const WINDING_LIMIT_C: f64 = 153.0;
const CONTROLLER_LIMIT_C: f64 = 70.0;
/// Bins from this mean speed on are moving, m/s.
const MOVING_M_S: f64 = 0.5;

/// What the motors do in a bin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Mode {
    Assisted,
    Braking,
    Unassisted,
}

impl Mode {
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Assisted => "assisted",
            Self::Braking => "braking",
            Self::Unassisted => "unassisted",
        }
    }
}

/// Sums of one class of speed and mode.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Cell {
    pub(super) distance_m: f64,
    pub(super) fuel_ml: f64,
    pub(super) seconds: f64,
}

/// Sums of a trip.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Sums {
    pub(super) cells: BTreeMap<(i64, Mode), Cell>,
    pub(super) duration_s: f64,
    /// Between the first and the last moving bin.
    pub(super) drive_s: f64,
    pub(super) moving_s: f64,
    pub(super) idle_s: f64,
    pub(super) stops: i64,
    pub(super) speed_max_m_s: f64,
    pub(super) engine_on_s: f64,
    pub(super) pack_out_wh: f64,
    pub(super) pack_in_wh: f64,
    /// Charge taken, as a share of the capacity.
    pub(super) soc_used: f64,
    pub(super) winding_max_c: f64,
    pub(super) winding_hot_s: f64,
    pub(super) controller_max_c: f64,
    pub(super) controller_hot_s: f64,
    pub(super) fault_s: f64,
    pub(super) late_cutoff_s: f64,
}

impl Sums {
    pub(super) fn of(samples: &[Sample]) -> Self {
        let mut sums = Self { duration_s: (samples.len() / STEPS) as f64, ..Self::default() };
        let (mut first, mut last, mut stood) = (None, 0, false);
        for (i, edge) in (0..samples.len().saturating_sub(STEPS)).step_by(STEPS).enumerate() {
            let bin = &samples[edge..=edge + STEPS];
            sums.add(bin);
            let moving = (bin[STEPS].distance_m - bin[0].distance_m) >= MOVING_M_S;
            if moving {
                sums.stops += i64::from(stood && first.is_some());
                (first, last, stood) = (first.or(Some(i)), i, false);
            } else {
                stood = true;
                sums.idle_s += f64::from(u8::from(bin[0].running));
            }
        }
        sums.drive_s = first.map_or(0.0, |first| (last - first + 1) as f64);
        sums
    }

    fn add(&mut self, bin: &[Sample]) {
        let (start, end) = (&bin[0], &bin[STEPS]);
        let distance_m = end.distance_m - start.distance_m;
        let volume_ml = end.metered_ml - start.metered_ml;
        let mode = mode(bin);
        let class = (distance_m * 3.6 / CLASS_KM_H).floor() as i64 * CLASS_KM_H as i64;
        let cell = self.cells.entry((class, mode)).or_default();
        cell.distance_m += distance_m;
        cell.fuel_ml += volume_ml / (1.0 + EXPANSION_PER_K * (start.fuel_temp_c - 15.0));
        cell.seconds += 1.0;
        self.moving_s += f64::from(u8::from(distance_m >= MOVING_M_S));
        self.speed_max_m_s = bin.iter().map(|s| s.speed_m_s).fold(self.speed_max_m_s, f64::max);
        self.engine_on_s += f64::from(u8::from(start.running));
        for s in &bin[..STEPS] {
            let energy_wh = s.pack_power_w() * STEP_S / 3600.0;
            self.pack_out_wh += energy_wh.max(0.0);
            self.pack_in_wh -= energy_wh.min(0.0);
            self.soc_used += s.current_a * STEP_S / 3600.0 / CAPACITY_AH;
        }
        let winding = start.motors.iter().map(|m| m.winding_c).fold(f64::MIN, f64::max);
        let controller = start.motors.iter().map(|m| m.controller_c).fold(f64::MIN, f64::max);
        self.winding_max_c = self.winding_max_c.max(winding);
        self.controller_max_c = self.controller_max_c.max(controller);
        self.winding_hot_s += f64::from(u8::from(winding > WINDING_LIMIT_C));
        self.controller_hot_s += f64::from(u8::from(controller > CONTROLLER_LIMIT_C));
        self.fault_s += f64::from(u8::from(start.motors[0].fault != 0));
        let late = mode == Mode::Assisted && start.speed_m_s.min(end.speed_m_s) > LATE_M_S;
        self.late_cutoff_s += f64::from(u8::from(late));
    }

    pub(super) fn total(&self) -> Cell {
        self.cells.values().fold(Cell::default(), Cell::plus)
    }

    pub(super) fn in_mode(&self, mode: Mode) -> Cell {
        self.cells.iter().filter(|((_, m), _)| *m == mode).fold(Cell::default(), |sum, (_, c)| sum.plus(c))
    }
}

impl Cell {
    fn plus(self, other: &Self) -> Self {
        Self {
            distance_m: self.distance_m + other.distance_m,
            fuel_ml: self.fuel_ml + other.fuel_ml,
            seconds: self.seconds + other.seconds,
        }
    }
}

/// What the motors do for at least half of a bin.
fn mode(bin: &[Sample]) -> Mode {
    let steps = |is: fn(f64) -> bool| bin[..STEPS].iter().filter(|s| is(s.motors[0].command_pct)).count();
    if steps(|c| c > THRESHOLD_PCT) * 2 >= STEPS {
        Mode::Assisted
    } else if steps(|c| c < -THRESHOLD_PCT) * 2 >= STEPS {
        Mode::Braking
    } else {
        Mode::Unassisted
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        assist::KitSwitch,
        drive::{Drive, Setup},
        route::HARBOUR_LOOP,
    };

    /// Sums over bins are the simulator's own truth, but for the last part of a second.
    #[test]
    fn bins_add_up_to_the_truth() {
        let mut drive = Drive::new(Setup::plain(HARBOUR_LOOP, KitSwitch::On, 4));
        let mut samples = Vec::new();
        while let Some(sample) = drive.step() {
            samples.push(sample);
        }
        let (sums, truth) = (Sums::of(&samples), drive.truth());
        let total = sums.total();
        let near = |a: f64, b: f64, what: &str| assert!((a / b - 1.0).abs() < 2e-3, "{what}: {a} is not {b}");
        near(total.distance_m, truth.distance_m, "distance");
        near(total.fuel_ml, truth.fuel_ml_at_15c, "fuel");
        near(sums.pack_out_wh, truth.pack_out_wh, "energy");
        // Whole bins, by what the motors do for most of them.
        let assisted_s = sums.in_mode(Mode::Assisted).seconds;
        assert!((assisted_s / truth.assist_on_s - 1.0).abs() < 0.02, "{assisted_s} of {}", truth.assist_on_s);
        assert_eq!(sums.late_cutoff_s, 0.0);
        assert!((0..=40).contains(&sums.stops) && sums.stops > 10, "{}", sums.stops);
    }
}
