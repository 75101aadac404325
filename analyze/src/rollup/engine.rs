//! The embedded engine: SQLite in memory, which is given rows of `days` and `speed_classes` and runs the statements.

use arrow::{array::RecordBatch, datatypes::DataType};
use rusqlite::{Connection, ToSql, types::ValueRef};
use tallywheel_schemas::Table;

use super::{
    frame::{Frame, Item, items},
    period::CalendarRow,
    sql::{CLASSES_READ, DAYS_READ, STATEMENTS},
};

/// What makes a day short or slow, and a pack empty.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Parameters {
    /// A day up to this distance is short, m.
    pub day_distance_m: f64,
    /// A day with at most a hundredth of its distance in classes from this speed on is slow, km/h.
    pub day_speed_km_h: f64,
    /// A day on which the charge fell below this used the pack up, %.
    pub empty_soc_pct: f64,
}

impl Default for Parameters {
    /// 60 km, 60 km/h, and 20 %, where the pilot's kits begin to give less.
    fn default() -> Self {
        Self { day_distance_m: 60_000.0, day_speed_km_h: 60.0, empty_soc_pct: 20.0 }
    }
}

/// The result that no calendar goes into.
const CLASS_DAYS: &str = "class_days";

/// Rows in the engine.
#[derive(Debug)]
pub struct Engine(Connection);

/// A statement that failed.
#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    /// The engine refused something.
    #[error("{doing}: {source}")]
    Sql {
        /// What was tried.
        doing: String,
        /// What it said.
        source: rusqlite::Error,
    },
    /// Rows of a table have another shape than the table.
    #[error("rows of `{table}` have no column `{column}` of the table's type")]
    Shape {
        /// Table.
        table: &'static str,
        /// Column.
        column: &'static str,
    },
    /// Rows on their way to the engine could not be made.
    #[error("make rows for the engine: {0}")]
    Rows(#[from] arrow::error::ArrowError),
}

fn sql(doing: &str) -> impl FnOnce(rusqlite::Error) -> EngineError + '_ {
    move |source| EngineError::Sql { doing: doing.to_owned(), source }
}

impl Engine {
    /// An engine without rows.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn new() -> Result<Self, EngineError> {
        let connection = Connection::open_in_memory().map_err(sql("start the engine"))?;
        // Nothing outlives the process, so there is nothing to be safe for.
        connection
            .execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA temp_store = MEMORY;")
            .map_err(sql("set up the engine"))?;
        for (table, columns) in [(Table::Days, DAYS_READ), (Table::SpeedClasses, CLASSES_READ)] {
            let schema = table.schema();
            let typed = columns.iter().map(|name| {
                let kind = match schema.field_with_name(name).map(arrow::datatypes::Field::data_type) {
                    Ok(DataType::Float64) => "DOUBLE",
                    Ok(DataType::Int64) => "BIGINT",
                    _ => "VARCHAR",
                };
                format!("{name} {kind}")
            });
            let list = typed.collect::<Vec<_>>().join(", ");
            let create = format!("CREATE TABLE {} (vehicle VARCHAR, {list})", table.name());
            connection.execute_batch(&create).map_err(sql("make a table"))?;
        }
        connection
            .execute_batch(
                "CREATE TABLE calendar (period VARCHAR, day VARCHAR, role VARCHAR);
                 CREATE TABLE parameters (day_distance_m DOUBLE, day_speed_km_h DOUBLE, empty_soc_pct DOUBLE);",
            )
            .map_err(sql("make a table"))?;
        Ok(Self(connection))
    }

    /// Adds rows of `days` or `speed_classes` of one vehicle.
    ///
    /// # Errors
    /// When they lack a column.
    pub fn add(&mut self, table: Table, vehicle: &str, batch: &RecordBatch) -> Result<(), EngineError> {
        let columns = if table == Table::Days { DAYS_READ } else { CLASSES_READ };
        let cells: Vec<Vec<Item>> = columns
            .iter()
            .map(|name| items(batch, name).ok_or(EngineError::Shape { table: table.name(), column: name }))
            .collect::<Result<_, _>>()?;
        // The one result that depends on the rows alone; it is kept from one calendar to the next.
        self.0.execute_batch(&format!("DROP TABLE IF EXISTS {CLASS_DAYS}")).map_err(sql("drop a result"))?;
        let marks = vec!["?"; columns.len() + 1].join(", ");
        let insert = format!("INSERT INTO {} VALUES ({marks})", table.name());
        let doing = || sql("add rows");
        let transaction = self.0.transaction().map_err(doing())?;
        {
            let mut statement = transaction.prepare(&insert).map_err(doing())?;
            for row in 0..batch.num_rows() {
                statement.raw_bind_parameter(1, vehicle).map_err(doing())?;
                for (i, column) in cells.iter().enumerate() {
                    statement.raw_bind_parameter(i + 2, &column[row]).map_err(doing())?;
                }
                statement.raw_execute().map_err(doing())?;
            }
        }
        transaction.commit().map_err(doing())
    }

    /// The days that have rows.
    ///
    /// # Errors
    /// When the engine fails.
    pub fn days(&self) -> Result<Vec<String>, EngineError> {
        let frame = self.query("SELECT DISTINCT day FROM days ORDER BY day")?;
        Ok(frame.iter().filter_map(|r| r.text("day").map(str::to_owned)).collect())
    }

    /// Runs the statements over a calendar, in place of an earlier one.
    ///
    /// # Errors
    /// When the engine fails.
    pub fn roll_up(&mut self, calendar: &[CalendarRow], parameters: &Parameters) -> Result<(), EngineError> {
        for (name, _) in STATEMENTS.into_iter().filter(|(name, _)| *name != CLASS_DAYS) {
            self.0.execute_batch(&format!("DROP TABLE IF EXISTS {name}")).map_err(sql("drop a result"))?;
        }
        self.0
            .execute_batch(
                "DELETE FROM calendar; DELETE FROM parameters; CREATE INDEX IF NOT EXISTS days_by_day ON days (day);",
            )
            .map_err(sql("set up the calendar"))?;
        for row in calendar {
            let values = (&row.period, &row.day, row.role);
            self.0.execute("INSERT INTO calendar VALUES (?, ?, ?)", values).map_err(sql("add to the calendar"))?;
        }
        let values = (parameters.day_distance_m, parameters.day_speed_km_h, parameters.empty_soc_pct);
        self.0.execute("INSERT INTO parameters VALUES (?, ?, ?)", values).map_err(sql("add the parameters"))?;
        for (name, text) in STATEMENTS {
            let create = format!("CREATE TABLE IF NOT EXISTS {name} AS {text}");
            self.0.execute_batch(&create).map_err(sql(&format!("run {name}.sql")))?;
            if name == CLASS_DAYS {
                self.0
                    .execute_batch("CREATE INDEX IF NOT EXISTS class_days_by_day ON class_days (day, vehicle);")
                    .map_err(sql("index a result"))?;
            }
        }
        Ok(())
    }

    /// A result, sorted by its first columns.
    ///
    /// # Errors
    /// When there is none of this name.
    pub fn result(&self, name: &str) -> Result<Frame, EngineError> {
        let order = match name {
            "class_days" | "class_reference" => "1, 2, 3, 4",
            "vehicle_days" => "1, 2, 4",
            "vehicle_periods" => "1, 2",
            _ => "1",
        };
        self.query(&format!("SELECT * FROM {name} ORDER BY {order}"))
    }

    fn query(&self, text: &str) -> Result<Frame, EngineError> {
        let doing = || sql(text);
        let mut statement = self.0.prepare(text).map_err(doing())?;
        let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
        let mut rows = Vec::new();
        let mut found = statement.query([]).map_err(doing())?;
        while let Some(row) = found.next().map_err(doing())? {
            let item = |i: usize| {
                Ok(match row.get_ref(i)? {
                    ValueRef::Integer(v) => Item::Count(v),
                    ValueRef::Real(v) => Item::Number(v),
                    ValueRef::Text(t) => Item::Text(String::from_utf8_lossy(t).into_owned()),
                    ValueRef::Null | ValueRef::Blob(_) => Item::Null,
                })
            };
            let items: Result<Vec<Item>, rusqlite::Error> = (0..columns.len()).map(item).collect();
            rows.push(items.map_err(doing())?);
        }
        Ok(Frame { columns, rows })
    }
}

impl ToSql for Item {
    fn to_sql(&self) -> rusqlite::Result<rusqlite::types::ToSqlOutput<'_>> {
        match self {
            Self::Null => Ok(rusqlite::types::ToSqlOutput::from(rusqlite::types::Null)),
            Self::Count(v) => v.to_sql(),
            Self::Number(v) => v.to_sql(),
            Self::Text(t) => t.to_sql(),
        }
    }
}
