//! The roll-up's SQL, which runs unchanged on the embedded engine, DuckDB and Spark.

/// The statements in the order in which they build on each other: the name of the result and the text that selects it.
pub const STATEMENTS: [(&str, &str); 5] = [
    ("class_days", include_str!("../../../schemas/sql/class_days.sql")),
    ("class_reference", include_str!("../../../schemas/sql/class_reference.sql")),
    ("vehicle_days", include_str!("../../../schemas/sql/vehicle_days.sql")),
    ("vehicle_periods", include_str!("../../../schemas/sql/vehicle_periods.sql")),
    ("fleet_periods", include_str!("../../../schemas/sql/fleet_periods.sql")),
];

/// Columns of `days` that the statements read.
pub const DAYS_READ: &[&str] = &[
    "week",
    "day",
    "calibration_due",
    "t_us",
    "recorded_s",
    "distance_m",
    "distance_valid_s",
    "distance_assist_m",
    "distance_unassisted_m",
    "fuel_ml",
    "fuel_valid_s",
    "fuel_assist_ml",
    "fuel_unassisted_ml",
    "pack_out_wh",
    "pack_in_wh",
    "pack_in_driving_wh",
    "pack_valid_s",
    "pack_distance_m",
    "pack_distance_wh",
    "wall_wh",
    "engine_on_s",
    "assist_on_s",
    "assist_valid_s",
    "trips",
    "drive_s",
    "winding_max_c",
    "winding_hot_s",
    "winding_cycles",
    "winding_life_h",
    "winding_valid_s",
    "controller_max_c",
    "controller_hot_s",
    "fault_s",
    "late_cutoff_s",
    "soc_min_pct",
    "soc_max_pct",
    "gap_s",
    "bad_messages",
];

/// Columns of `speed_classes` that the statements read.
pub const CLASSES_READ: &[&str] =
    &["day", "assist", "class_km_h", "distance_m", "fuel_ml", "fuel_distance_m", "seconds"];
