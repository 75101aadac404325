//! The pass over one session: each decoded table batch by batch into its accumulators, once.

use std::sync::Arc;

use arrow::array::RecordBatch;
use tallywheel_schemas::{Domain, Table, Timestamp, table::LEDGER_COLUMNS};

use super::{
    ambient::{self, Ambient},
    columns::Columns,
    engine::{self, Engine},
    findings::Findings,
    gauge::times,
    motion::{self, Motion},
    motor::{self, MotorColumns, Motors},
    pack::{self, Pack},
    rows::Rows,
};
use crate::{
    dataset::{Damage, Session},
    integral::Grid,
};

/// Rows of the largest ledger: 23 days of seconds, about 1 GB. Stamps further from the session's start than that are
/// taken for a broken clock.
const MAX_BINS: i64 = 2_000_000;

/// How far before the manifest's start a stamp may lie, µs.
const EARLY_US: i64 = 3_600_000_000;

/// A session's ledger before it becomes frames.
#[derive(Debug)]
pub(super) struct Made {
    pub(super) bins: Rows,
    pub(super) motors: Rows,
    pub(super) findings: Findings,
}

/// Integrates a session.
pub(super) fn integrate(session: &Session, bin_us: i64) -> Made {
    let mut pass = Pass::new(session, bin_us);
    pass.read(session);
    pass.finish(session)
}

#[derive(Debug)]
pub(super) struct Pass {
    grid: Grid,
    window: (i64, i64),
    span: Option<(i64, i64)>,
    motion: Motion,
    engine: Engine,
    pack: Pack,
    motors: Motors,
    ambient: Ambient,
    damage: Vec<Damage>,
}

impl Pass {
    pub(super) fn new(session: &Session, bin_us: i64) -> Self {
        let (rig, grid) = (&session.rig, Grid::new(bin_us));
        let start = session.manifest.start_us.as_us();
        Self {
            grid,
            window: (start.saturating_sub(EARLY_US), start.saturating_add(bin_us.saturating_mul(MAX_BINS))),
            span: None,
            motion: Motion::new(rig, grid),
            engine: Engine::new(rig, grid),
            pack: Pack::new(rig, grid),
            motors: Motors::new(rig, grid),
            ambient: Ambient::new(rig, grid),
            damage: Vec::new(),
        }
    }

    fn read(&mut self, session: &Session) {
        for (domain, columns) in [
            (Domain::Motion, motion::COLUMNS),
            (Domain::Engine, engine::COLUMNS),
            (Domain::Pack, pack::COLUMNS),
            (Domain::Motor, motor::COLUMNS),
            (Domain::Ambient, ambient::COLUMNS),
        ] {
            let mut rows = session.rows(Table::Decoded(domain), columns);
            let mut outside = 0;
            for batch in rows.by_ref() {
                outside += self.take(domain, &batch);
            }
            self.damage.extend(rows.into_damage());
            self.note_outside(session, domain, outside);
        }
    }

    /// Takes a batch; gives the number of rows whose stamps are out of all bounds.
    pub(super) fn take(&mut self, domain: Domain, batch: &RecordBatch) -> usize {
        let (batch, outside) = self.inside(batch);
        if let (Some(first), Some(last)) = (times(&batch).first(), times(&batch).last()) {
            let (a, b) = self.span.unwrap_or((*first, *last));
            self.span = Some((a.min(*first), b.max(*last)));
            match domain {
                Domain::Motion => self.motion.take(&batch),
                Domain::Engine => self.engine.take(&batch),
                Domain::Pack => self.pack.take(&batch),
                Domain::Motor => self.motors.take(&batch),
                Domain::Ambient => self.ambient.take(&batch),
                Domain::Aux => {}
            }
        }
        outside
    }

    fn inside(&self, batch: &RecordBatch) -> (RecordBatch, usize) {
        let t = times(batch);
        let (from, to) = self.window;
        let start = t.partition_point(|t| *t < from);
        let end = t.partition_point(|t| *t < to);
        (batch.slice(start, end - start), t.len() - (end - start))
    }

    fn note_outside(&mut self, session: &Session, domain: Domain, rows: usize) {
        if rows > 0 {
            let path = session.manifest.file(Table::Decoded(domain)).map(|f| f.path.clone());
            self.damage.push(Damage {
                table: domain.name().to_owned(),
                path: path.unwrap_or_default(),
                rows: rows as u64,
                reason: format!("time stamps more than an hour before or {MAX_BINS} bins after the session's start"),
            });
        }
    }

    pub(super) fn finish(self, session: &Session) -> Made {
        let range = self.span.map_or(0..0, |(a, b)| self.grid.index(a)..self.grid.index(b) + 1);
        let mut columns = Columns::new(range.clone());
        let mut findings = Findings {
            bin_us: self.grid.width_us(),
            first_us: self.span.map(|(a, _)| Timestamp::from_us(a)),
            last_us: self.span.map(|(_, b)| Timestamp::from_us(b)),
            distance_source: None,
            speed_source: None,
            fuel_source: None,
            channels: Vec::new(),
            damage: self.damage,
            notes: Vec::new(),
        };
        self.motion.finish(&mut columns, &mut findings);
        self.engine.finish(self.grid, &mut columns, &mut findings);
        self.pack.finish(&mut columns, &mut findings);
        let motors = self.motors.finish(&mut columns, &mut findings);
        self.ambient.finish(&mut columns, &mut findings);
        let t_us: Vec<i64> = range.map(|i| self.grid.start(i)).collect();
        let name = &session.manifest.session;
        Made {
            motors: motor_rows(name, &t_us, &motors),
            bins: Rows {
                table: Table::Ledger,
                session: name.clone(),
                t_us,
                positions: None,
                texts: Vec::new(),
                columns: columns.in_order(LEDGER_COLUMNS.iter().map(|c| c.name)),
            },
            findings,
        }
    }
}

/// The motors' columns woven into rows: bin by bin, and in a bin motor by motor.
fn motor_rows(session: &str, bins: &[i64], motors: &[MotorColumns]) -> Rows {
    let weave = |column: usize| {
        let row = |bin: usize| motors.iter().map(move |m| m.columns[column][bin]);
        (0..bins.len()).flat_map(row).collect()
    };
    let columns = tallywheel_schemas::table::MOTOR_LEDGER_COLUMNS.len();
    let names: Vec<Arc<str>> = motors.iter().map(|m| m.position.as_str().into()).collect();
    Rows {
        table: Table::MotorLedger,
        session: session.to_owned(),
        t_us: bins.iter().flat_map(|t| motors.iter().map(move |_| *t)).collect(),
        positions: Some(bins.iter().flat_map(|_| names.iter().cloned()).collect()),
        texts: Vec::new(),
        columns: (0..columns).map(weave).collect(),
    }
}
