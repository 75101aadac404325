//! Trips: drives from set-off to parking, found in ledger rows.
//!
//! Takes a [`SessionLedger`]. A bin is *moving* when its distance over its width reaches the moving speed. Moving bins
//! whose pause is no longer than the dwell belong to one trip. A vehicle creeps before it drives and after: set-off
//! and parking are the outer edges of the outermost bins with any distance within a dwell of a moving one. Everything about a trip is sums over its bins.

mod bins;
mod climb;
pub mod descriptors;
mod table;

use std::ops::Range;

use serde::{Deserialize, Serialize};
use tallywheel_schemas::Timestamp;

use crate::ledger::SessionLedger;
use bins::BinColumns;

pub(crate) use bins::total;
pub use table::{store_trips, trips_frame};
pub(crate) use table::{trip_keys, trip_rows};

/// What makes a trip, and its phases. All limits are common practice, not a standard's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TripRules {
    /// A pause longer than this ends a trip, s. Default 300.
    pub dwell_s: f64,
    /// Mean speed of a bin from which it is moving, m/s. Default 0.5.
    pub moving_m_s: f64,
    /// Mean speed above which a bin near a trip still belongs to it, m/s. Default 0: any distance at all. Raise it for a
    /// satellite receiver that never reads nought at rest.
    pub creep_m_s: f64,
    /// Trips shorter than this are dropped: manoeuvring, or noise of a satellite receiver at rest, m. Default 50.
    pub min_distance_m: f64,
    /// A moving bin gathers speed above this acceleration, slows below minus this, and cruises between, m/s².
    /// Default 0.15.
    pub steady_m_s2: f64,
}

impl Default for TripRules {
    fn default() -> Self {
        Self { dwell_s: 300.0, moving_m_s: 0.5, creep_m_s: 0.0, min_distance_m: 50.0, steady_m_s2: 0.15 }
    }
}

/// One trip. Sums are `None` where the session has no channel for them.
#[derive(Debug, Clone, PartialEq)]
pub struct Trip {
    /// Number in the session, from 1.
    pub trip: i64,
    /// Set-off.
    pub start_us: Timestamp,
    /// Parking.
    pub end_us: Timestamp,
    /// Distance, m.
    pub distance_m: f64,
    /// Distance in bins with a motor driving, m.
    pub distance_assist_m: Option<f64>,
    /// Distance in bins with a motor braking, m.
    pub distance_regen_m: Option<f64>,
    /// Distance in bins with the assist known to be idle, m.
    pub distance_unassisted_m: Option<f64>,
    /// Fuel at reference temperature, mL.
    pub fuel_ml: Option<f64>,
    /// Fuel in bins with a motor driving, mL.
    pub fuel_assist_ml: Option<f64>,
    /// Fuel in bins with the assist known to be idle, mL.
    pub fuel_unassisted_ml: Option<f64>,
    /// Energy out of the pack, Wh.
    pub pack_out_wh: Option<f64>,
    /// Energy into the pack, Wh, positive.
    pub pack_in_wh: Option<f64>,
    /// Parking minus set-off, s.
    pub duration_s: f64,
    /// Time in moving bins, s.
    pub moving_s: f64,
    /// Time at standstill with the engine running, s.
    pub idle_s: Option<f64>,
    /// Time gathering speed, s.
    pub launch_s: Option<f64>,
    /// Time at steady speed, s.
    pub cruise_s: Option<f64>,
    /// Time losing speed, s.
    pub slowing_s: Option<f64>,
    /// Standstills before parking.
    pub stops: i64,
    /// Distance over duration, m/s.
    pub speed_mean_m_s: Option<f64>,
    /// Distance over time in moving bins, m/s.
    pub speed_moving_m_s: Option<f64>,
    /// Largest speed, m/s.
    pub speed_max_m_s: Option<f64>,
    /// Standstill time over duration.
    pub idle_share: Option<f64>,
    /// Stops over distance, 1/km.
    pub stops_per_km: Option<f64>,
    /// Relative positive acceleration, m/s².
    pub rpa_m_s2: Option<f64>,
    /// 95th percentile of speed times positive acceleration, m²/s³.
    pub va95_m2_s3: Option<f64>,
    /// Sum of rises of the smoothed altitude, m.
    pub climb_m: Option<f64>,
    /// Share of the duration in which the distance source has data.
    pub coverage: Option<f64>,
}

/// The trips of a session, in order.
pub fn trips(ledger: &SessionLedger, rules: &TripRules) -> Vec<Trip> {
    let bins = BinColumns::of(ledger);
    let found = stretches(&bins, rules).into_iter().map(|range| describe(&bins, range, rules));
    let long = found.filter(|t| t.distance_m >= rules.min_distance_m);
    long.zip(1..).map(|(t, number)| Trip { trip: number, ..t }).collect()
}

/// The whole session described as if it were one trip, pauses included: what a run sheet's run is. `None` for a
/// session without rows.
pub fn whole_session(ledger: &SessionLedger, rules: &TripRules) -> Option<Trip> {
    let bins = BinColumns::of(ledger);
    (bins.len() > 0).then(|| describe(&bins, 0..bins.len(), rules))
}

/// The ranges of bins that are trips.
fn stretches(bins: &BinColumns, rules: &TripRules) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    for i in (0..bins.len()).filter(|i| bins.is_moving(*i, rules.moving_m_s)) {
        match found.last_mut() {
            Some(trip) if (i - trip.end) as f64 * bins.width_s() <= rules.dwell_s => trip.end = i + 1,
            _ => found.push(i..i + 1),
        }
    }
    let reach = (rules.dwell_s / bins.width_s()) as usize;
    let creeps = |i: &usize| bins.exceeds(*i, rules.creep_m_s);
    let mut free_from = 0;
    for i in 0..found.len() {
        let free_to = found.get(i + 1).map_or(bins.len(), |next| next.start);
        let trip = &mut found[i];
        let before = free_from.max(trip.start.saturating_sub(reach))..trip.start;
        let after = trip.end..free_to.min(trip.end + reach);
        trip.start = before.clone().find(creeps).unwrap_or(before.end);
        trip.end = after.clone().rfind(creeps).map_or(after.start, |last| last + 1);
        free_from = trip.end;
    }
    found
}

/// What the assist does in a bin: whatever it does for at least half of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mode {
    Driving,
    Braking,
    Idle,
    Unknown,
}

impl Mode {
    /// Of a bin of `width_s` seconds, from its `assist_on_s`, `regen_on_s` and `assist_valid_s`.
    pub(crate) fn of(width_s: f64, on_s: Option<f64>, regen_s: Option<f64>, valid_s: Option<f64>) -> Self {
        let lasts = |time: Option<f64>| time.is_some_and(|s| s >= width_s / 2.0);
        if lasts(on_s) {
            Self::Driving
        } else if lasts(regen_s) {
            Self::Braking
        } else if lasts(valid_s) {
            Self::Idle
        } else {
            Self::Unknown
        }
    }
}

fn mode(bins: &BinColumns, i: usize) -> Mode {
    Mode::of(bins.width_s(), bins.assist_on_s[i], bins.regen_on_s[i], bins.assist_valid_s[i])
}

fn describe(bins: &BinColumns, range: Range<usize>, rules: &TripRules) -> Trip {
    let width_s = bins.width_s();
    let total = |column: &[Option<f64>]| bins::total(range.clone().map(|i| column[i]));
    let in_mode = |column: &[Option<f64>], wanted: Mode| {
        // Without any assist channel the split is not known, rather than nought.
        let known = range.clone().any(|i| bins.assist_valid_s[i].is_some());
        let picked = range.clone().map(|i| if mode(bins, i) == wanted { column[i] } else { column[i].map(|_| 0.0) });
        if known { bins::total(picked) } else { None }
    };
    let time = |is: &dyn Fn(usize) -> bool| range.clone().filter(|i| is(*i)).count() as f64 * width_s;
    let moving = |i: usize| bins.is_moving(i, rules.moving_m_s);
    let accelerated = |is: &dyn Fn(f64) -> bool| {
        let known = range.clone().any(|i| bins.accel_m_s2[i].is_some());
        known.then(|| time(&|i| moving(i) && bins.accel_m_s2[i].is_some_and(is)))
    };
    let duration_s = range.len() as f64 * width_s;
    let distance_m = total(&bins.distance_m).unwrap_or_default();
    let moving_s = time(&moving);
    let stops = bins.stops(range.clone(), rules.moving_m_s);
    // One bin more at either end: the point of setting off has an acceleration too.
    let seen = range.start.saturating_sub(1)..(range.end + 1).min(bins.len());
    let dynamics = descriptors::dynamics(bins.speed_traces(seen).iter().map(Vec::as_slice), width_s);
    let share = |part: f64, whole: f64| (whole > 0.0).then(|| part / whole);
    Trip {
        trip: 1,
        start_us: Timestamp::from_us(bins.start_us(range.start)),
        end_us: Timestamp::from_us(bins.start_us(range.start)).plus_us((duration_s * 1e6).round() as i64),
        distance_m,
        distance_assist_m: in_mode(&bins.distance_m, Mode::Driving),
        distance_regen_m: in_mode(&bins.distance_m, Mode::Braking),
        distance_unassisted_m: in_mode(&bins.distance_m, Mode::Idle),
        fuel_ml: total(&bins.fuel_ml),
        fuel_assist_ml: in_mode(&bins.fuel_ml, Mode::Driving),
        fuel_unassisted_ml: in_mode(&bins.fuel_ml, Mode::Idle),
        pack_out_wh: total(&bins.pack_out_wh),
        pack_in_wh: total(&bins.pack_in_wh),
        duration_s,
        moving_s,
        idle_s: bins::total(
            range.clone().filter(|i| bins.is_standing(*i, rules.moving_m_s)).map(|i| bins.engine_on_s[i]),
        )
        .or_else(|| total(&bins.engine_on_s).map(|_| 0.0)),
        launch_s: accelerated(&|a| a > rules.steady_m_s2),
        cruise_s: accelerated(&|a| a.abs() <= rules.steady_m_s2),
        slowing_s: accelerated(&|a| a < -rules.steady_m_s2),
        stops,
        speed_mean_m_s: share(distance_m, duration_s),
        speed_moving_m_s: share(distance_m, moving_s),
        speed_max_m_s: range.clone().filter_map(|i| bins.speed_max_m_s[i]).reduce(f64::max),
        idle_share: share(time(&|i| bins.is_standing(i, rules.moving_m_s)), duration_s),
        stops_per_km: share(stops as f64, distance_m / 1000.0),
        rpa_m_s2: dynamics.rpa_m_s2,
        va95_m2_s3: dynamics.va95_m2_s3,
        climb_m: climb::climb_m(&bins.alt_end_m[range.clone()], width_s),
        coverage: total(&bins.distance_valid_s).and_then(|s| share(s, duration_s)),
    }
}

#[cfg(test)]
mod tests;
