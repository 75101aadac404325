//! The tables of a dataset and their Arrow schemas.
//!
//! Each table is one Hive-partitioned root, `TABLE/vehicle=V/date=YYYY-MM-DD/SESSION.parquet`. Every file has
//! `session` and `t_us` first. A column's Arrow field metadata carries `unit` (UCUM) and `doc`; the schema's
//! metadata carries `tallywheel.schema`, the [`SCHEMA_VERSION`].

use std::{
    collections::HashMap,
    fmt,
    path::PathBuf,
    sync::{Arc, LazyLock},
};

use arrow::datatypes::{DataType, Field, Schema, SchemaRef};
use parquet::{
    basic::{Compression, Encoding, ZstdLevel},
    file::properties::{EnabledStatistics, WriterProperties},
    schema::types::ColumnPath,
};

use crate::channel::{Channel, Domain, Kind};

mod days;

pub use days::{
    DAY_CLASS_KM_H, DAY_COLUMNS, DAY_TEXTS, DAYS_VERSION, SPEED_CLASS_COLUMNS, SPEED_CLASS_TEXTS, TextColumn,
};

/// Version of the table schemas.
///
/// 1: first version.
pub const SCHEMA_VERSION: u32 = 1;

/// Version of what the ledger's columns mean. A change re-makes every ledger.
///
/// 1: first version. 2: metered volume and fuel temperature; volumes are corrected by the petroleum tables where the rig
/// states no expansion.
pub const LEDGER_VERSION: u32 = 2;

/// Key of the schema version in the schema metadata.
pub const SCHEMA_VERSION_KEY: &str = "tallywheel.schema";

/// Directory below the dataset in which files are written before they are whole. It is hidden and on the same file
/// system, so that no other engine reads what grows there and a rename puts it in its place.
pub const WORK_DIRECTORY: &str = ".work";

/// Directory below the dataset that holds the manifests of sessions whose tables are just being put in their places.
/// The manifest is moved from here to `sessions/` last, so that a table without a manifest is known to be on its way.
pub const ARRIVING_DIRECTORY: &str = ".work/arriving";

/// Rows in one row group: the unit of checksumming and of what damage can take away.
pub const ROW_GROUP_ROWS: usize = 131_072;

/// Rows in one page. Every column of a table being written keeps a compressor whose memory grows with its pages: with
/// 20,000 rows, the usual limit, sealing took 7 MiB more, and files were 2 % smaller.
const PAGE_ROWS: usize = 4096;

/// A table of the dataset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Table {
    /// Every CAN frame as received.
    Frames,
    /// Every text line as received, malformed input included.
    Lines,
    /// A decoded domain.
    Decoded(Domain),
    /// Marks, run starts, faults of the recording.
    Events,
    /// Exact integrals per bin.
    Ledger,
    /// Exact integrals per bin and motor position.
    MotorLedger,
    /// Trips found in the data.
    Trips,
    /// Sums by session and UTC day.
    Days,
    /// Sums by session, UTC day, class of speed and state of the assist.
    SpeedClasses,
}

impl Table {
    /// The tables that a sealed session may have.
    pub const SEALED: [Self; 9] = [
        Self::Frames,
        Self::Lines,
        Self::Decoded(Domain::Motion),
        Self::Decoded(Domain::Engine),
        Self::Decoded(Domain::Pack),
        Self::Decoded(Domain::Motor),
        Self::Decoded(Domain::Ambient),
        Self::Decoded(Domain::Aux),
        Self::Events,
    ];

    /// The tables made from sealed ones, which are safe to delete.
    pub const DERIVED: [Self; 5] = [Self::Ledger, Self::MotorLedger, Self::Trips, Self::Days, Self::SpeedClasses];

    /// Directory name below the dataset.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Frames => "frames",
            Self::Lines => "lines",
            Self::Decoded(domain) => domain.name(),
            Self::Events => "events",
            Self::Ledger => "ledger",
            Self::MotorLedger => "motor_ledger",
            Self::Trips => "trips",
            Self::Days => "days",
            Self::SpeedClasses => "speed_classes",
        }
    }

    /// The table with this directory name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::SEALED.into_iter().chain(Self::DERIVED).find(|t| t.name() == name)
    }

    /// Path of a session's file below the dataset's root.
    pub fn path(self, vehicle: &str, date: &str, session: &str) -> PathBuf {
        partition(self.name(), vehicle, date).join(format!("{session}.parquet"))
    }

    /// Text columns of a derived table, behind session and time.
    pub const fn texts(self) -> &'static [TextColumn] {
        match self {
            Self::Days => DAY_TEXTS,
            Self::SpeedClasses => SPEED_CLASS_TEXTS,
            _ => &[],
        }
    }

    /// Arrow schema of the table. Made once: with its descriptions it costs as much as reading a small file.
    pub fn schema(self) -> SchemaRef {
        static ALL: LazyLock<Vec<(Table, SchemaRef)>> = LazyLock::new(|| {
            Table::SEALED.into_iter().chain(Table::DERIVED).map(|table| (table, table.make_schema())).collect()
        });
        let known = ALL.iter().find(|(table, _)| *table == self);
        known.map_or_else(|| self.make_schema(), |(_, schema)| Arc::clone(schema))
    }

    fn make_schema(self) -> SchemaRef {
        let mut fields = vec![
            Field::new("session", dictionary(), false),
            described(Field::new("t_us", DataType::Int64, false), "us", "UTC, microseconds since 1970-01-01"),
        ];
        match self {
            Self::Frames => fields.extend(frame_fields()),
            Self::Lines => fields.extend([
                Field::new("port", dictionary(), false),
                described(Field::new("text", DataType::Utf8, false), "1", "the line; undecodable bytes as \\xNN"),
            ]),
            Self::Decoded(Domain::Aux) => fields.extend([
                Field::new("channel", dictionary(), false),
                described(Field::new("value", DataType::Float64, false), "1", "value in the unit the rig names"),
            ]),
            Self::Decoded(domain) => {
                if domain == Domain::Motor {
                    fields.push(Field::new("position", dictionary(), false));
                }
                fields.extend(Channel::of(domain).map(channel_field));
            }
            Self::Events => fields.extend([
                Field::new("kind", dictionary(), false),
                Field::new("text", DataType::Utf8, true),
                Field::new("value", DataType::Float64, true),
            ]),
            Self::Ledger => fields.extend(LEDGER_COLUMNS.iter().map(Column::field)),
            Self::MotorLedger => {
                fields.push(Field::new("position", dictionary(), false));
                fields.extend(MOTOR_LEDGER_COLUMNS.iter().map(Column::field));
            }
            Self::Trips => {
                fields.push(Field::new("trip", DataType::Int64, false));
                fields.extend(TRIP_COLUMNS.iter().map(Column::field));
            }
            Self::Days | Self::SpeedClasses => {
                fields.extend(self.texts().iter().map(TextColumn::field));
                let columns = if self == Self::Days { DAY_COLUMNS } else { SPEED_CLASS_COLUMNS };
                fields.extend(columns.iter().map(Column::field));
            }
        }
        let metadata = HashMap::from([(SCHEMA_VERSION_KEY.to_owned(), SCHEMA_VERSION.to_string())]);
        Arc::new(Schema::new_with_metadata(fields, metadata))
    }

    /// How the table is laid out in Parquet: times delta-packed, values dictionary-encoded, zstd; plain where a file has
    /// only a few rows.
    ///
    /// Measured on two hours of two buses: 6.0 bytes a frame in decoded tables; byte-stream split was larger
    /// and slower to read for quantised signals.
    pub fn writer_properties(self) -> WriterProperties {
        let time = ColumnPath::from("t_us");
        let mut properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(2).expect("2 is a zstd level")))
            .set_max_row_group_row_count(Some(ROW_GROUP_ROWS))
            .set_data_page_row_count_limit(PAGE_ROWS)
            .set_statistics_enabled(EnabledStatistics::Chunk)
            .set_created_by(format!("tallywheel {}", env!("CARGO_PKG_VERSION")))
            .set_column_dictionary_enabled(time.clone(), false)
            .set_column_encoding(time, Encoding::DELTA_BINARY_PACKED);
        if matches!(self, Self::Ledger | Self::MotorLedger) {
            // Integrals hardly ever repeat: without dictionaries files are a sixth smaller and take half the time to write.
            properties = properties
                .set_dictionary_enabled(false)
                // Nobody looks for a second by its energy: times are enough to skip by.
                .set_statistics_enabled(EnabledStatistics::None)
                .set_column_statistics_enabled(ColumnPath::from("t_us"), EnabledStatistics::Chunk)
                .set_column_dictionary_enabled(ColumnPath::from("session"), true)
                .set_column_dictionary_enabled(ColumnPath::from("position"), true);
        }
        if matches!(self, Self::Trips | Self::Days | Self::SpeedClasses) {
            // A few rows in many columns: what a column's decompressor, dictionary and statistics cost is then more than all
            // its values. The classes have texts that repeat.
            properties = properties
                .set_compression(Compression::UNCOMPRESSED)
                .set_dictionary_enabled(self == Self::SpeedClasses)
                .set_statistics_enabled(EnabledStatistics::None);
        }
        if self == Self::Frames {
            for (column, encoding) in
                [("device_ms", Encoding::DELTA_BINARY_PACKED), ("data", Encoding::DELTA_LENGTH_BYTE_ARRAY)]
            {
                let column = ColumnPath::from(column);
                properties = properties
                    .set_column_dictionary_enabled(column.clone(), false)
                    .set_column_encoding(column, encoding);
            }
        }
        if self == Self::Lines {
            let text = ColumnPath::from("text");
            properties = properties
                .set_column_dictionary_enabled(text.clone(), false)
                .set_column_encoding(text, Encoding::DELTA_LENGTH_BYTE_ARRAY);
        }
        properties.build()
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Directory of a table's files for one vehicle and UTC date, below the dataset's root.
pub fn partition(table: &str, vehicle: &str, date: &str) -> PathBuf {
    [table, &format!("vehicle={vehicle}"), &format!("date={date}")].iter().collect()
}

/// Path of a session's manifest below the dataset's root.
pub fn manifest_path(vehicle: &str, date: &str, session: &str) -> PathBuf {
    partition("sessions", vehicle, date).join(format!("{session}.json"))
}

fn dictionary() -> DataType {
    DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
}

fn described(field: Field, unit: &str, doc: &str) -> Field {
    field.with_metadata(HashMap::from([("unit".to_owned(), unit.to_owned()), ("doc".to_owned(), doc.to_owned())]))
}

fn channel_field(channel: &Channel) -> Field {
    described(Field::new(channel.column, data_type(channel.kind), true), channel.unit, channel.doc)
}

const fn data_type(kind: Kind) -> DataType {
    match kind {
        Kind::Float => DataType::Float64,
        Kind::Int => DataType::Int64,
        Kind::Bool => DataType::Boolean,
    }
}

fn frame_fields() -> [Field; 10] {
    [
        Field::new("port", dictionary(), false),
        described(Field::new("direction", dictionary(), false), "1", "rx or tx"),
        described(Field::new("id", DataType::UInt32, false), "1", "CAN identifier, 11 or 29 bits"),
        Field::new("extended", DataType::Boolean, false),
        Field::new("remote", DataType::Boolean, false),
        described(Field::new("fd", DataType::Boolean, false), "1", "CAN FD frame"),
        described(
            Field::new("fd_flags", DataType::UInt8, true),
            "1",
            "flags of a CAN FD frame: 1 bit rate switch, 2 error state; null for a classic one",
        ),
        described(
            Field::new("dlc", DataType::UInt8, false),
            "1",
            "data length code as sent; of a remote request, what it asks for",
        ),
        described(
            Field::new("device_ms", DataType::UInt16, true),
            "ms",
            "the adapter's own time stamp, wraps at 60000",
        ),
        Field::new("data", DataType::Binary, false),
    ]
}

/// A column of a derived table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column {
    /// Name, ending in its unit.
    pub name: &'static str,
    /// Unit as a UCUM code.
    pub unit: &'static str,
    /// Storage type.
    pub kind: Kind,
    /// What the value is.
    pub doc: &'static str,
}

impl Column {
    fn field(&self) -> Field {
        described(Field::new(self.name, data_type(self.kind), true), self.unit, self.doc)
    }
}

const fn col(name: &'static str, unit: &'static str, doc: &'static str) -> Column {
    Column { name, unit, kind: Kind::Float, doc }
}

/// Version of how trips are found and of what the columns of `trips` mean. A change re-makes them, and no ledger.
///
/// 1: first version.
pub const TRIPS_VERSION: u32 = 1;

/// Columns of `ledger` behind `session` and `t_us` (start of the bin). All are null where the session has no
/// channel for them; a bin without data has zero in the sums and zero in the matching `*_valid_s`.
#[rustfmt::skip]
pub const LEDGER_COLUMNS: &[Column] = &[
    col("distance_m", "m", "distance from the source the rig trusts most"),
    col("distance_valid_s", "s", "part of the bin in which that source has data"),
    col("wheel_distance_m", "m", "integral of the wheel speed"),
    col("gps_distance_m", "m", "integral of the satellite speed"),
    col("hall_distance_m", "m", "wheel edges times metres per edge"),
    col("speed_start_m_s", "m/s", "speed at the start of the bin, null without data there"),
    col("speed_end_m_s", "m/s", "speed at the end of the bin, null without data there"),
    col("speed_max_m_s", "m/s", "largest speed in the bin"),
    col("accel_m_s2", "m/s2", "change of speed over the bin"),
    col("fuel_g", "g", "fuel from the source the rig trusts most"),
    col("fuel_ml", "mL", "the same as volume at the fuel's reference temperature"),
    col("fuel_valid_s", "s", "part of the bin in which that source has data"),
    col("fuel_meter_g", "g", "fuel by the volumetric meter, temperature corrected where a fuel temperature exists"),
    col("fuel_meter_ml", "mL", "volume through the meter, as metered, at the temperature it then had"),
    col("fuel_meter_valid_s", "s", "part of the bin in which the meter has data"),
    col("fuel_temp_c", "Cel", "mean fuel temperature over the covered part of the bin"),
    col("fuel_rate_g", "g", "fuel by the mass-flow channel"),
    col("fuel_rate_valid_s", "s", "part of the bin in which that channel has data"),
    col("fuel_air_g", "g", "fuel from air mass over lambda times the stoichiometric ratio"),
    col("fuel_air_valid_s", "s", "part of the bin in which the air mass has data"),
    col("pack_out_wh", "W.h", "energy out of the pack"),
    col("pack_in_wh", "W.h", "energy into the pack (regeneration and charging), positive"),
    col("pack_out_ah", "A.h", "charge out of the pack"),
    col("pack_in_ah", "A.h", "charge into the pack, positive"),
    col("pack_valid_s", "s", "part of the bin in which voltage and current both have data"),
    col("wall_wh", "W.h", "energy from the wall"),
    col("wall_valid_s", "s", "part of the bin in which wall power has data"),
    col("engine_on_s", "s", "time with the engine running"),
    col("engine_valid_s", "s", "part of the bin in which the engine state is known"),
    col("assist_on_s", "s", "time with a motor driving (command above the rig's threshold)"),
    col("regen_on_s", "s", "time with a motor braking (command below minus the threshold)"),
    col("assist_valid_s", "s", "part of the bin in which the assist state is known"),
    col("soc_end_pct", "%", "last state of charge known at the end of the bin"),
    col("alt_end_m", "m", "last altitude known at the end of the bin"),
    col("ambient_c", "Cel", "mean outside temperature over the covered part of the bin"),
    col("coolant_c", "Cel", "mean coolant temperature over the covered part of the bin"),
    col("wind_m_s", "m/s", "mean wind speed over the covered part of the bin"),
];

/// Columns of `motor_ledger` behind `session`, `t_us` and `position`.
#[rustfmt::skip]
pub const MOTOR_LEDGER_COLUMNS: &[Column] = &[
    col("shaft_out_wh", "W.h", "mechanical energy that drove the vehicle"),
    col("shaft_in_wh", "W.h", "mechanical energy taken from the vehicle, positive"),
    col("shaft_valid_s", "s", "part of the bin in which torque and speed both have data"),
    col("torque_mean_n_m", "N.m", "mean torque over the covered part of the bin"),
    col("torque_peak_n_m", "N.m", "largest absolute torque in the bin"),
    col("torque_valid_s", "s", "part of the bin in which torque has data"),
    col("command_on_s", "s", "time with the command beyond the rig's threshold"),
    col("winding_mean_c", "Cel", "mean winding temperature over the covered part of the bin"),
    col("winding_max_c", "Cel", "largest winding temperature in the bin"),
    col("winding_valid_s", "s", "part of the bin in which the winding temperature has data"),
    col("controller_mean_c", "Cel", "mean controller temperature over the covered part of the bin"),
    col("controller_max_c", "Cel", "largest controller temperature in the bin"),
    col("controller_valid_s", "s", "part of the bin in which the controller temperature has data"),
    col("fault_on_s", "s", "time with a fault code other than 0"),
];

/// Columns of `trips` behind `session`, `t_us` (set-off) and `trip` (1 …).
#[rustfmt::skip]
pub const TRIP_COLUMNS: &[Column] = &[
    Column { name: "end_us", unit: "us", kind: Kind::Int, doc: "parking, UTC microseconds" },
    col("distance_m", "m", "distance"),
    col("distance_assist_m", "m", "distance in bins with a motor driving"),
    col("distance_regen_m", "m", "distance in bins with a motor braking"),
    col("distance_unassisted_m", "m", "distance in bins with the assist known to be idle"),
    col("fuel_ml", "mL", "fuel at reference temperature"),
    col("fuel_assist_ml", "mL", "fuel in bins with a motor driving"),
    col("fuel_unassisted_ml", "mL", "fuel in bins with the assist known to be idle"),
    col("pack_out_wh", "W.h", "energy out of the pack"),
    col("pack_in_wh", "W.h", "energy into the pack, positive"),
    col("duration_s", "s", "parking minus set-off"),
    col("moving_s", "s", "time above the moving speed"),
    col("idle_s", "s", "time at standstill with the engine running"),
    col("launch_s", "s", "time gathering speed"),
    col("cruise_s", "s", "time at steady speed"),
    col("slowing_s", "s", "time losing speed"),
    Column { name: "stops", unit: "1", kind: Kind::Int, doc: "times the vehicle came to a standstill before parking" },
    col("speed_mean_m_s", "m/s", "distance over duration"),
    col("speed_moving_m_s", "m/s", "distance over time above the moving speed"),
    col("speed_max_m_s", "m/s", "largest speed"),
    col("idle_share", "1", "standstill time over duration"),
    col("stops_per_km", "/km", "stops over distance"),
    col("rpa_m_s2", "m/s2", "relative positive acceleration, a > 0.1 m/s2 by central difference"),
    col("va95_m2_s3", "m2/s3", "95th percentile of speed times acceleration, a > 0.1 m/s2"),
    col("climb_m", "m", "sum of rises of the smoothed altitude"),
    col("coverage", "1", "share of the duration in which the distance source has data"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_table_starts_with_session_and_time() {
        for table in Table::SEALED.into_iter().chain(Table::DERIVED) {
            let schema = table.schema();
            assert_eq!(schema.field(0).name(), "session");
            assert_eq!(schema.field(1).name(), "t_us");
            assert_eq!(schema.field(1).data_type(), &DataType::Int64);
            assert_eq!(Table::from_name(table.name()), Some(table));
        }
    }

    #[test]
    fn measured_columns_carry_their_unit() {
        let pack = Table::Decoded(Domain::Pack).schema();
        assert_eq!(pack.field_with_name("current_a").expect("a pack column").metadata()["unit"], "A");
    }
}
