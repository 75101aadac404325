//! Trips as a table: a polars frame, and the `trips` files of the dataset.

use polars::prelude::DataFrame;
use tallywheel_schemas::{
    Table,
    table::{TRIP_COLUMNS, TRIPS_VERSION},
};

use super::{Trip, TripRules};
use crate::{
    dataset::Session,
    ledger::{LedgerError, Rows, SessionLedger, derived_keys, read_back, write_derived},
};

const RULES_KEY: &str = "tallywheel.trip_rules";
const VERSION_KEY: &str = "tallywheel.trips_version";

/// The trips of a session as a frame with the columns of [`Table::Trips`].
///
/// # Errors
/// When polars refuses the columns.
pub fn trips_frame(session: &str, trips: &[Trip]) -> Result<DataFrame, LedgerError> {
    trip_rows(session, trips).frame().map_err(|source| LedgerError::Frame { session: session.to_owned(), source })
}

/// Writes the trips of a session to the dataset's `trips` table, unless the same are there already. A dataset that
/// cannot be written to is left alone, and so is one whose session is damaged.
pub fn store_trips(ledger: &SessionLedger, rules: &TripRules, trips: &[Trip]) {
    let session = &ledger.session;
    let keys = trip_keys(session, ledger.findings.bin_us, rules);
    let fresh = trip_rows(&session.manifest.session, trips);
    let there = read_back(session, Table::Trips, &keys).is_some_and(|read| read.rows == fresh);
    if !there
        && ledger.findings.damage.is_empty()
        && let Err(error) = write_derived(session, &fresh, &keys)
    {
        tracing::debug!(session = %session.manifest.session, %error, "the trips are not kept");
    }
}

/// What a file of trips says it was made of.
pub(crate) fn trip_keys(session: &Session, bin_us: i64, rules: &TripRules) -> Vec<(&'static str, String)> {
    let mut keys = derived_keys(session, bin_us);
    keys.push((RULES_KEY, serde_json::to_string(rules).unwrap_or_default()));
    keys.push((VERSION_KEY, TRIPS_VERSION.to_string()));
    keys
}

pub(crate) fn trip_rows(session: &str, trips: &[Trip]) -> Rows {
    let mut rows = Rows::empty(Table::Trips, session);
    rows.t_us = trips.iter().map(|t| t.start_us.as_us()).collect();
    let number = trips.iter().map(|t| Some(t.trip as f64)).collect();
    let described = TRIP_COLUMNS.iter().map(|c| trips.iter().map(|t| value(t, c.name)).collect());
    rows.columns = [number].into_iter().chain(described).collect();
    rows
}

/// A trip's value for a column of [`TRIP_COLUMNS`]. Integers stay exact: a stamp in µs needs 51 bits.
fn value(trip: &Trip, column: &str) -> Option<f64> {
    match column {
        "end_us" => Some(trip.end_us.as_us() as f64),
        "distance_m" => Some(trip.distance_m),
        "distance_assist_m" => trip.distance_assist_m,
        "distance_regen_m" => trip.distance_regen_m,
        "distance_unassisted_m" => trip.distance_unassisted_m,
        "fuel_ml" => trip.fuel_ml,
        "fuel_assist_ml" => trip.fuel_assist_ml,
        "fuel_unassisted_ml" => trip.fuel_unassisted_ml,
        "pack_out_wh" => trip.pack_out_wh,
        "pack_in_wh" => trip.pack_in_wh,
        "duration_s" => Some(trip.duration_s),
        "moving_s" => Some(trip.moving_s),
        "idle_s" => trip.idle_s,
        "launch_s" => trip.launch_s,
        "cruise_s" => trip.cruise_s,
        "slowing_s" => trip.slowing_s,
        "stops" => Some(trip.stops as f64),
        "speed_mean_m_s" => trip.speed_mean_m_s,
        "speed_moving_m_s" => trip.speed_moving_m_s,
        "speed_max_m_s" => trip.speed_max_m_s,
        "idle_share" => trip.idle_share,
        "stops_per_km" => trip.stops_per_km,
        "rpa_m_s2" => trip.rpa_m_s2,
        "va95_m2_s3" => trip.va95_m2_s3,
        "climb_m" => trip.climb_m,
        "coverage" => trip.coverage,
        _ => None,
    }
}
