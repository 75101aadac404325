//! A roll-up as documents: JSON for programs, CSV and Parquet for tables.

use std::{collections::BTreeMap, io};

use parquet::{arrow::ArrowWriter, basic::Compression, file::properties::WriterProperties};
use serde::Serialize;
use serde_json::{Map, Value};
use tallywheel_schemas::report::UnusableSession;

use super::{
    Attention, FleetChange, Frame, Limits, Parameters, Period, RollUp, Seen,
    attention::{METHOD, OwnChange},
    by_number,
    trend::Trend,
};

/// Version of the document.
///
/// 1: first version.
pub const ROLLUP_VERSION: u32 = 1;

/// What `rollup.json` says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RollUpReport {
    /// [`ROLLUP_VERSION`].
    pub schema: u32,
    /// Program and version.
    pub software: String,
    /// The period.
    pub period: Period,
    /// What it is held against.
    pub before: Period,
    /// Who was there and who was not.
    pub seen: Seen,
    /// What needs attention, most urgent first.
    pub attention: Vec<Attention>,
    /// Tests that were made, over which false alarms are controlled.
    pub tests: usize,
    /// The row of `fleet_periods`.
    pub fleet: Value,
    /// The same of the four weeks before, null where there is nothing.
    pub fleet_before: Value,
    /// The fleet's change, vehicles seen in both.
    pub fleet_change: Option<FleetChange>,
    /// Weeks of the fleet.
    pub fleet_trend: Trend,
    /// Every vehicle that has data in the period or the four weeks before, in order.
    pub vehicles: Vec<VehicleReport>,
    /// Parameters of the sums.
    pub parameters: Parameters,
    /// Limits of the rules.
    pub limits: Limits,
    /// The method in words.
    pub method: BTreeMap<&'static str, &'static str>,
    /// Sessions that could not be used.
    pub unusable_sessions: Vec<UnusableSession>,
    /// What else a reader should know, in sentences.
    pub notes: Vec<String>,
}

/// A vehicle's part of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VehicleReport {
    /// Vehicle.
    pub vehicle: String,
    /// Its row of `vehicle_periods`; null when it was not seen.
    pub now: Value,
    /// The same of the four weeks before.
    pub before: Value,
    /// Days of those since the vehicle's first data.
    pub before_days: u64,
    /// Change of standardised quantities against the four weeks before, %.
    pub change: BTreeMap<&'static str, OwnChange>,
    /// Weeks back.
    pub trend: Trend,
}

impl RollUpReport {
    /// The document of a roll-up.
    pub fn of(rolled: &RollUp, unusable_sessions: Vec<UnusableSession>, notes: Vec<String>) -> Self {
        let before = rolled.period.before();
        let fleet = |period: &Period| row_of(&rolled.fleet, &period.name, None);
        let mut names: Vec<String> =
            rolled.vehicles.iter().filter_map(|r| r.text("vehicle").map(str::to_owned)).collect();
        names.sort_by_key(|v| by_number(v));
        names.dedup();
        let vehicle = |vehicle: String| VehicleReport {
            now: row_of(&rolled.vehicles, &rolled.period.name, Some(&vehicle)),
            before: row_of(&rolled.vehicles, &before.name, Some(&vehicle)),
            before_days: rolled.history.vehicles.get(&vehicle).copied().unwrap_or(0),
            change: rolled.found.changes.iter().filter_map(|(q, of)| Some((*q, *of.get(&vehicle)?))).collect(),
            trend: rolled.trends.vehicles.get(&vehicle).cloned().unwrap_or_default(),
            vehicle,
        };
        Self {
            schema: ROLLUP_VERSION,
            software: concat!("tallywheel-analyze ", env!("CARGO_PKG_VERSION")).to_owned(),
            seen: rolled.seen.clone(),
            attention: rolled.found.attention.clone(),
            tests: rolled.found.tests,
            fleet: fleet(&rolled.period),
            fleet_before: fleet(&before),
            fleet_change: rolled.fleet_change,
            fleet_trend: rolled.trends.fleet.clone(),
            vehicles: names.into_iter().map(vehicle).collect(),
            parameters: rolled.parameters,
            limits: rolled.limits,
            method: METHOD.iter().copied().collect(),
            period: rolled.period.clone(),
            before,
            unusable_sessions,
            notes,
        }
    }

    /// The document as JSON text.
    pub fn json(&self) -> String {
        serde_json::to_string_pretty(self).expect("a roll-up has string keys only") + "\n"
    }

    /// What needs attention about a vehicle.
    pub fn attention_of(&self, vehicle: &str) -> Option<&Attention> {
        self.attention.iter().find(|a| a.vehicle == vehicle)
    }
}

fn row_of(frame: &Frame, period: &str, vehicle: Option<&str>) -> Value {
    let rows = frame.filtered(|r| r.text("period") == Some(period) && r.text("vehicle") == vehicle);
    match rows.json() {
        Value::Array(mut rows) if !rows.is_empty() => rows.swap_remove(0),
        _ => Value::Null,
    }
}

/// A number of a JSON row.
pub(super) fn number(row: &Value, column: &str) -> Option<f64> {
    row.as_object().and_then(|r: &Map<String, Value>| r.get(column)?.as_f64())
}

/// The period's rows of a frame as Parquet.
///
/// # Errors
/// When they cannot be encoded.
pub fn parquet(frame: &Frame) -> io::Result<Vec<u8>> {
    let batch = frame.batch().map_err(io::Error::other)?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(parquet::basic::ZstdLevel::default()))
        .set_created_by(concat!("tallywheel ", env!("CARGO_PKG_VERSION")).to_owned())
        .build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, batch.schema(), Some(properties))?;
    writer.write(&batch)?;
    writer.close()?;
    Ok(bytes)
}
