//! Columns of the tables that a fleet is summed up from: `days` and `speed_classes`.

use arrow::datatypes::{DataType, Field};

use super::{Column, col, described};
use crate::channel::Kind;

/// Version of what the columns of `days` and `speed_classes` mean. A change re-makes both, and no ledger.
///
/// 1: first version. 2: the hash over a derived file's values takes them column by column;
/// cycles and ageing of the windings; energy and distance of one and the same time.
pub const DAYS_VERSION: u32 = 2;

/// Width of a class of `speed_classes`, km/h.
pub const DAY_CLASS_KM_H: i64 = 5;

/// A column of text in a derived table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TextColumn {
    /// Name.
    pub name: &'static str,
    /// Whether a row may be without it.
    pub nullable: bool,
    /// What it says.
    pub doc: &'static str,
}

impl TextColumn {
    pub(super) fn field(&self) -> Field {
        described(Field::new(self.name, DataType::Utf8, self.nullable), "1", self.doc)
    }
}

const fn text(name: &'static str, doc: &'static str) -> TextColumn {
    TextColumn { name, nullable: false, doc }
}

/// Text columns of `days`, behind `session` and `t_us` (start of the day's first bin).
pub const DAY_TEXTS: &[TextColumn] = &[
    text("week", "ISO 8601 week of the day, as 2026-W47"),
    text("month", "month of the day, as 2026-11"),
    text("day", "UTC day, as 2026-11-25; a session that crosses midnight has a row for each of its days"),
    TextColumn {
        name: "calibration_due",
        nullable: true,
        doc: "first day on which a calibration of the rig runs out, as YYYY-MM-DD; a year after it was made where the rig names no day",
    },
    text("software", "program and version that sealed the session"),
    text("rig", "hash of the rig that the session was decoded with"),
];

/// Number columns of `days`, behind its texts: sums over the ledger's bins of one session that begin in one UTC day.
/// A bin counts as assisted when a motor drives for at least half of it, as braking when one brakes for as long, and
/// as unassisted when the motors are known to rest for as long. Sums are null where the session has no channel for them.
#[rustfmt::skip]
pub const DAY_COLUMNS: &[Column] = &[
    col("recorded_s", "s", "length of the recording on that day, between the session's first and last stamp"),
    col("distance_m", "m", "distance"),
    col("distance_valid_s", "s", "time in which the distance source has data"),
    col("distance_assist_m", "m", "distance in assisted bins"),
    col("distance_unassisted_m", "m", "distance in unassisted bins"),
    col("fuel_ml", "mL", "fuel at reference temperature"),
    col("fuel_valid_s", "s", "time in which the fuel source has data"),
    col("fuel_assist_ml", "mL", "fuel in assisted bins"),
    col("fuel_unassisted_ml", "mL", "fuel in unassisted bins"),
    col("pack_out_wh", "W.h", "energy out of the pack"),
    col("pack_in_wh", "W.h", "energy into the pack, positive"),
    col("pack_in_driving_wh", "W.h", "the part of it that came in during trips, which is regeneration"),
    col("pack_valid_s", "s", "time in which pack voltage and current both have data"),
    col("pack_distance_m", "m", "distance in bins in which both the distance and the pack have data"),
    col("pack_distance_wh", "W.h", "energy out of the pack less regeneration in those bins, to divide by that distance"),
    col("wall_wh", "W.h", "energy from the wall"),
    col("wall_valid_s", "s", "time in which wall power has data"),
    col("engine_on_s", "s", "time with the engine running"),
    col("engine_valid_s", "s", "time in which the engine state is known"),
    col("assist_on_s", "s", "time with a motor driving"),
    col("regen_on_s", "s", "time with a motor braking"),
    col("assist_valid_s", "s", "time in which the assist state is known"),
    Column { name: "trips", unit: "1", kind: Kind::Int, doc: "trips that set off on that day" },
    col("drive_s", "s", "time in bins that belong to trips"),
    col("winding_max_c", "Cel", "largest winding temperature of any motor"),
    col("winding_hot_s", "s", "time with a winding above the rig's first winding limit, by the mean of the bin"),
    col("winding_cycles", "1", "temperature cycles of 20 K and more, halves included, of the winding that went through most (ASTM E1049-85)"),
    col("winding_life_h", "h", "time at the temperature of the rig's insulation class that would have aged the winding as much that aged most (Arrhenius)"),
    col("winding_valid_s", "s", "time in which a winding temperature has data"),
    col("controller_max_c", "Cel", "largest controller temperature of any motor"),
    col("controller_hot_s", "s", "time with a controller above the rig's first controller limit, by the mean of the bin"),
    col("controller_valid_s", "s", "time in which a controller temperature has data"),
    col("fault_s", "s", "time with a fault code other than 0 in a motor"),
    col("late_cutoff_s", "s", "time with a motor driving in bins that begin and end faster than the set cut-off speed and 1 m/s; null where the rig sets none"),
    col("soc_start_pct", "%", "first state of charge"),
    col("soc_min_pct", "%", "lowest state of charge"),
    col("soc_max_pct", "%", "highest state of charge"),
    col("soc_end_pct", "%", "last state of charge"),
    col("gap_s", "s", "time in which a port was silent or lost, beyond its channels' gap limits; ports at once count once"),
    Column { name: "bad_messages", unit: "1", kind: Kind::Int, doc: "malformed, dropped and overrun messages of the whole session, on its first day" },
];

/// Text columns of `speed_classes`, behind `session` and `t_us` (start of the day's first bin).
pub const SPEED_CLASS_TEXTS: &[TextColumn] = &[
    text("week", "ISO 8601 week of the day, as 2026-W47"),
    text("day", "UTC day, as 2026-11-25"),
    text(
        "assist",
        "what the motors do for at least half of each bin: `assisted`, `braking`, `unassisted`; else `unknown`",
    ),
];

/// Number columns of `speed_classes`, behind its texts: the bins of one session, day, class of speed and state of the
/// assist.
#[rustfmt::skip]
pub const SPEED_CLASS_COLUMNS: &[Column] = &[
    Column { name: "class_km_h", unit: "km/h", kind: Kind::Int, doc: "lower edge of a class of the bin's mean speed, 5 km/h wide; null for bins without distance data" },
    col("distance_m", "m", "distance"),
    col("fuel_ml", "mL", "fuel at reference temperature"),
    col("fuel_distance_m", "m", "distance in bins with fuel data, to divide the fuel by"),
    col("seconds", "s", "time in these bins"),
];
