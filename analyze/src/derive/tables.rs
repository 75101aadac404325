//! The small derived tables of many sessions as one frame each.

use arrow::array::RecordBatch;
use polars::prelude::{Column, DataFrame, PolarsResult};
use rayon::prelude::*;
use tallywheel_schemas::Table;

use super::{Derived, SessionDerived, State};
use crate::ledger::{Rows, read_rows};

/// `trips`, `days` and `speed_classes` of many sessions. Each frame has the table's columns behind a `vehicle`, and its
/// rows by session in the order of [`Derived::sessions`].
#[derive(Debug)]
pub struct FleetTables {
    /// Rows of [`Table::Trips`].
    pub trips: DataFrame,
    /// Rows of [`Table::Days`].
    pub days: DataFrame,
    /// Rows of [`Table::SpeedClasses`].
    pub speed_classes: DataFrame,
    /// Sessions whose files could not be read although they were there a moment ago; they are in none of the frames.
    pub unread: Vec<String>,
}

impl Derived {
    /// Reads the small derived tables of all sessions that are not damaged.
    ///
    /// # Errors
    /// When polars refuses the columns.
    pub fn tables(&self) -> PolarsResult<FleetTables> {
        let whole: Vec<&SessionDerived> =
            self.sessions.iter().filter(|s| !matches!(s.state, State::Damaged(_))).collect();
        let read: Vec<(&SessionDerived, Option<[Rows; 3]>)> = whole.par_iter().map(|s| (*s, session_rows(s))).collect();
        let mut gathers = [Table::Trips, Table::Days, Table::SpeedClasses].map(Gather::new);
        let mut unread = Vec::new();
        for (session, rows) in read {
            let Some(rows) = rows else {
                unread.push(session.session.manifest.session.clone());
                continue;
            };
            for (gather, rows) in gathers.iter_mut().zip(rows) {
                gather.add(&session.session.manifest.vehicle, rows);
            }
        }
        let [trips, days, classes] = gathers;
        Ok(FleetTables { trips: trips.frame()?, days: days.frame()?, speed_classes: classes.frame()?, unread })
    }
}

impl SessionDerived {
    /// This session's rows of `days` and `speed_classes`; `None` where it is damaged or a file could not be read.
    pub fn day_batches(&self) -> Option<[RecordBatch; 2]> {
        if matches!(self.state, State::Damaged(_)) {
            return None;
        }
        let [days, classes] = match &self.state {
            State::Unwritten { rows, .. } => [rows.days.batch(), rows.classes.batch()],
            _ => {
                [read_rows(&self.session, Table::Days)?.batch(), read_rows(&self.session, Table::SpeedClasses)?.batch()]
            }
        };
        Some([days.ok()?, classes.ok()?])
    }
}

fn session_rows(derived: &SessionDerived) -> Option<[Rows; 3]> {
    if let State::Unwritten { rows, .. } = &derived.state {
        return Some([rows.trips.clone(), rows.days.clone(), rows.classes.clone()]);
    }
    let read = |table| read_rows(&derived.session, table);
    Some([read(Table::Trips)?, read(Table::Days)?, read(Table::SpeedClasses)?])
}

/// Rows of one table of many sessions.
struct Gather {
    vehicles: Vec<String>,
    sessions: Vec<String>,
    rows: Rows,
}

impl Gather {
    fn new(table: Table) -> Self {
        Self { vehicles: Vec::new(), sessions: Vec::new(), rows: Rows::empty(table, "") }
    }

    fn add(&mut self, vehicle: &str, rows: Rows) {
        let count = rows.t_us.len();
        self.vehicles.extend(std::iter::repeat_n(vehicle.to_owned(), count));
        self.sessions.extend(std::iter::repeat_n(rows.session, count));
        self.rows.t_us.extend(rows.t_us);
        self.rows.texts.iter_mut().zip(rows.texts).for_each(|(all, more)| all.extend(more));
        self.rows.columns.iter_mut().zip(rows.columns).for_each(|(all, more)| all.extend(more));
    }

    fn frame(self) -> PolarsResult<DataFrame> {
        let mut frame = self.rows.frame()?;
        frame.with_column(Column::new("session".into(), self.sessions))?;
        frame.insert_column(0, Column::new("vehicle".into(), self.vehicles))?;
        Ok(frame)
    }
}
