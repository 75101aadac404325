//! Days and classes of speed as tables.

use polars::prelude::DataFrame;
use tallywheel_schemas::{
    Table,
    table::{DAY_COLUMNS, SPEED_CLASS_COLUMNS},
};

use super::{Day, DaySums, SpeedClass};
use crate::ledger::{LedgerError, Rows};

/// Days of a session as a frame with the columns of [`Table::Days`].
///
/// # Errors
/// When polars refuses the columns.
pub fn days_frame(session: &str, days: &[Day]) -> Result<DataFrame, LedgerError> {
    day_rows(session, days).frame().map_err(|source| LedgerError::Frame { session: session.to_owned(), source })
}

/// Classes of speed of a session as a frame with the columns of [`Table::SpeedClasses`].
///
/// # Errors
/// When polars refuses the columns.
pub fn classes_frame(session: &str, classes: &[SpeedClass]) -> Result<DataFrame, LedgerError> {
    class_rows(session, classes).frame().map_err(|source| LedgerError::Frame { session: session.to_owned(), source })
}

pub(crate) fn day_rows(session: &str, days: &[Day]) -> Rows {
    let texts = |of: &dyn Fn(&Day) -> Option<String>| days.iter().map(of).collect();
    Rows {
        table: Table::Days,
        session: session.to_owned(),
        t_us: days.iter().map(|d| d.start.as_us()).collect(),
        positions: None,
        // In the order of DAY_TEXTS.
        texts: vec![
            texts(&|d| Some(d.start.week())),
            texts(&|d| Some(d.start.month())),
            texts(&|d| Some(d.start.date())),
            texts(&|d| d.calibration_due.clone()),
            texts(&|d| Some(d.software.clone())),
            texts(&|d| Some(d.rig.clone())),
        ],
        columns: DAY_COLUMNS.iter().map(|c| days.iter().map(|d| d.sums.value(c.name)).collect()).collect(),
    }
}

pub(crate) fn class_rows(session: &str, classes: &[SpeedClass]) -> Rows {
    let texts = |of: &dyn Fn(&SpeedClass) -> String| classes.iter().map(|c| Some(of(c))).collect();
    let value = |class: &SpeedClass, column: &str| match column {
        "class_km_h" => class.class_km_h.map(|v| v as f64),
        "distance_m" => class.distance_m,
        "fuel_ml" => class.fuel_ml,
        "fuel_distance_m" => class.fuel_distance_m,
        "seconds" => Some(class.seconds),
        _ => None,
    };
    Rows {
        table: Table::SpeedClasses,
        session: session.to_owned(),
        t_us: classes.iter().map(|c| c.start.as_us()).collect(),
        positions: None,
        // In the order of SPEED_CLASS_TEXTS.
        texts: vec![texts(&|c| c.start.week()), texts(&|c| c.start.date()), texts(&|c| c.assist.name().to_owned())],
        columns: SPEED_CLASS_COLUMNS
            .iter()
            .map(|column| classes.iter().map(|class| value(class, column.name)).collect())
            .collect(),
    }
}

impl DaySums {
    /// The value of a column of [`DAY_COLUMNS`], `None` also for a column that there is not.
    pub fn value(&self, column: &str) -> Option<f64> {
        match column {
            "recorded_s" => Some(self.recorded_s),
            "distance_m" => self.distance_m,
            "distance_valid_s" => self.distance_valid_s,
            "distance_assist_m" => self.distance_assist_m,
            "distance_unassisted_m" => self.distance_unassisted_m,
            "fuel_ml" => self.fuel_ml,
            "fuel_valid_s" => self.fuel_valid_s,
            "fuel_assist_ml" => self.fuel_assist_ml,
            "fuel_unassisted_ml" => self.fuel_unassisted_ml,
            "pack_out_wh" => self.pack_out_wh,
            "pack_in_wh" => self.pack_in_wh,
            "pack_in_driving_wh" => self.pack_in_driving_wh,
            "pack_valid_s" => self.pack_valid_s,
            "pack_distance_m" => self.pack_distance_m,
            "pack_distance_wh" => self.pack_distance_wh,
            "wall_wh" => self.wall_wh,
            "wall_valid_s" => self.wall_valid_s,
            "engine_on_s" => self.engine_on_s,
            "engine_valid_s" => self.engine_valid_s,
            "assist_on_s" => self.assist_on_s,
            "regen_on_s" => self.regen_on_s,
            "assist_valid_s" => self.assist_valid_s,
            "trips" => Some(self.trips as f64),
            "drive_s" => Some(self.drive_s),
            "winding_max_c" => self.winding_max_c,
            "winding_hot_s" => self.winding_hot_s,
            "winding_cycles" => self.winding_cycles,
            "winding_life_h" => self.winding_life_h,
            "winding_valid_s" => self.winding_valid_s,
            "controller_max_c" => self.controller_max_c,
            "controller_hot_s" => self.controller_hot_s,
            "controller_valid_s" => self.controller_valid_s,
            "fault_s" => self.fault_s,
            "late_cutoff_s" => self.late_cutoff_s,
            "soc_start_pct" => self.soc_start_pct,
            "soc_min_pct" => self.soc_min_pct,
            "soc_max_pct" => self.soc_max_pct,
            "soc_end_pct" => self.soc_end_pct,
            "gap_s" => Some(self.gap_s),
            "bad_messages" => Some(self.bad_messages as f64),
            _ => None,
        }
    }
}
