//! Assist motors and their controllers: the `motor` table.

use std::{f64::consts::PI, ops::Range};

use arrow::{
    array::{Array, AsArray, RecordBatch},
    datatypes::Int32Type,
};
use tallywheel_schemas::{Rig, rig::Assist, table::MOTOR_LEDGER_COLUMNS};

use super::{
    columns::{Columns, seconds},
    dense::{Held, Times},
    findings::Findings,
    gauge::{Floats, Gauge, LevelGauge, Own, each_of, floats, ints, times},
};
use crate::integral::{Grid, LevelCell, Product, Timeline, any_of};

pub(super) const COLUMNS: &[&str] =
    &["position", "speed_rpm", "torque_n_m", "command_pct", "winding_temp_c", "controller_temp_c", "fault"];

/// Radians per second in a revolution per minute.
const RAD_S_PER_RPM: f64 = PI / 30.0;

const IDLE: u8 = 0;
const DRIVING: u8 = 1;
const BRAKING: u8 = 2;

/// The accumulators of the `motor` table, one set per position that has been heard.
#[derive(Debug)]
pub(super) struct Motors {
    rig: Rig,
    grid: Grid,
    motors: Vec<Motor>,
}

#[derive(Debug)]
struct Motor {
    position: String,
    speed: Gauge,
    torque: LevelGauge,
    power: Product,
    command: (Gauge, Timeline),
    /// The state as the torque tells it, for motors whose command is not logged.
    by_torque: Timeline,
    winding: LevelGauge,
    controller: LevelGauge,
    fault: (Gauge, Timeline),
}

/// The rows of one motor: position and columns in the order of [`MOTOR_LEDGER_COLUMNS`].
pub(super) struct MotorColumns {
    pub(super) position: String,
    pub(super) columns: Vec<Vec<Option<f64>>>,
}

impl Motors {
    pub(super) fn new(rig: &Rig, grid: Grid) -> Self {
        Self { rig: rig.clone(), grid, motors: Vec::new() }
    }

    pub(super) fn take(&mut self, batch: &RecordBatch) {
        let Some(position) = batch.column_by_name("position").and_then(|c| c.as_dictionary_opt::<Int32Type>()) else {
            return;
        };
        let Some(names) = position.values().as_string_opt::<i32>() else { return };
        let of_key: Vec<usize> = names.iter().map(|name| self.index(name.unwrap_or_default())).collect();
        if self.motors.is_empty() {
            return;
        }
        // A position is never null by its schema; a key out of range would go to the first motor of the file.
        let motor = |key: &i32| usize::try_from(*key).ok().and_then(|k| of_key.get(k)).copied().unwrap_or_default();
        let motors: Vec<usize> = position.keys().values().iter().map(motor).collect();
        for (number, motor) in self.motors.iter_mut().enumerate() {
            let mut rows: Vec<u32> = Vec::with_capacity(motors.len());
            rows.extend((0..).zip(&motors).filter(|(_, m)| **m == number).map(|(row, _)| row));
            motor.take(batch, &Own { rows: &rows, motors: &motors, number }, self.grid, &self.rig.assist);
        }
    }

    fn index(&mut self, position: &str) -> usize {
        self.motors.iter().position(|m| m.position == position).unwrap_or_else(|| {
            self.motors.push(Motor::new(&self.rig, self.grid, position));
            self.motors.len() - 1
        })
    }

    /// Adds the assist's state to the ledger's columns and gives each motor's own. A motor that never said anything
    /// does not make the others' state unknown; it is in the findings.
    pub(super) fn finish(mut self, columns: &mut Columns, findings: &mut Findings) -> Vec<MotorColumns> {
        let named: Vec<String> = self.rig.positions().into_iter().map(str::to_owned).collect();
        let heard: Vec<String> = self.motors.iter().map(|m| m.position.clone()).filter(|p| !p.is_empty()).collect();
        for position in &named {
            if !heard.contains(position) {
                let silent = Motor::new(&self.rig, self.grid, position);
                silent.report(findings);
            }
        }
        let rank = |p: &str| named.iter().position(|n| n == p).unwrap_or(named.len());
        self.motors.sort_by(|a, b| (rank(&a.position), &a.position).cmp(&(rank(&b.position), &b.position)));
        let states: Vec<Timeline> = self.motors.iter().filter_map(Motor::state).cloned().collect();
        if !states.is_empty() {
            columns.put_state("assist_on_s", Some("assist_valid_s"), &any_of(&states, self.grid, |s| s == DRIVING));
            columns.put_state("regen_on_s", None, &any_of(&states, self.grid, |s| s == BRAKING));
        }
        let (grid, range) = (self.grid, columns.range());
        self.motors
            .into_iter()
            .map(|motor| {
                motor.report(findings);
                motor.finish(grid, range.clone())
            })
            .collect()
    }
}

impl Motor {
    fn new(rig: &Rig, grid: Grid, position: &str) -> Self {
        let gauge = |channel| Gauge::new(rig, channel, Some(position));
        let level = |channel| LevelGauge::new(rig, grid, channel, Some(position));
        let timed = |channel| {
            let g = gauge(channel);
            let timeline = Timeline::new(g.between);
            (g, timeline)
        };
        let (speed, torque) = (gauge("motor.speed_rpm"), level("motor.torque_n_m"));
        Self {
            position: position.to_owned(),
            power: Product::new(grid, torque.gauge.between, speed.between),
            by_torque: Timeline::new(torque.gauge.between),
            speed,
            torque,
            command: timed("motor.command_pct"),
            winding: level("motor.winding_temp_c"),
            controller: level("motor.controller_temp_c"),
            fault: timed("motor.fault"),
        }
    }

    /// Takes the rows of a batch that are this motor's.
    fn take(&mut self, batch: &RecordBatch, own: &Own<'_>, grid: Grid, assist: &Assist) {
        let t = times(batch);
        let mut at = Times::new(grid);
        self.take_power(&mut at, batch, own.rows, assist);
        let column = floats(batch, "command_pct");
        let (gauge, timeline) = &mut self.command;
        let driven = |v| state(v, assist.command_threshold_pct);
        match at.dense(t, column, Some(own.rows)) {
            Held::Nothing => {}
            Held::Little => each_of(column, own, |i, v| {
                gauge.see(t[i], v);
                timeline.add(t[i], driven(v));
            }),
            Held::Much(dense) => {
                let (stamps, values) = (at.stamps(&dense), at.values(&dense));
                gauge.see_all(stamps, &values);
                timeline.take(stamps, &values, driven);
            }
        }
        for (level, name) in [(&mut self.winding, "winding_temp_c"), (&mut self.controller, "controller_temp_c")] {
            let column = floats(batch, name);
            match at.dense(t, column, Some(own.rows)) {
                Held::Nothing => {}
                Held::Little => each_of(column, own, |i, v| level.add(t[i], v)),
                Held::Much(dense) => level.add_all(at.stamps(&dense), &at.values(&dense)),
            }
        }
        let (gauge, timeline) = &mut self.fault;
        each_of(ints(batch, "fault"), own, |i, v| {
            gauge.see_int(t[i], v);
            timeline.add(t[i], u8::from(v != 0));
        });
    }

    fn take_power(&mut self, at: &mut Times, batch: &RecordBatch, rows: &[u32], assist: &Assist) {
        let t = times(batch);
        let (torque, speed) = (floats(batch, "torque_n_m"), floats(batch, "speed_rpm"));
        if let (Held::Much(n_m), Held::Much(rpm)) = (at.dense(t, torque, Some(rows)), at.dense(t, speed, Some(rows)))
            && Times::together(&n_m, &rpm)
        {
            let (stamps, n_m, rpm) = (at.stamps(&n_m), at.values(&n_m), at.values(&rpm));
            self.torque.add_all(stamps, &n_m);
            self.by_torque.take(stamps, &n_m, |v| state(v, assist.torque_threshold_n_m));
            self.speed.see_all(stamps, &rpm);
            self.power.take(stamps, &n_m, &rpm);
            return;
        }
        let value = |column: Option<&Floats>, i: usize| column.filter(|c| c.is_valid(i)).map(|c| c.value(i));
        for i in rows.iter().map(|i| *i as usize) {
            self.turn(t[i], value(torque, i), value(speed, i), assist);
        }
    }

    #[inline(always)]
    fn turn(&mut self, t: i64, torque: Option<f64>, speed: Option<f64>, assist: &Assist) {
        if let Some(torque) = torque {
            self.torque.add(t, torque);
            self.by_torque.add(t, state(torque, assist.torque_threshold_n_m));
        }
        if let Some(speed) = speed {
            self.speed.see(t, speed);
        }
        match (torque, speed) {
            (Some(torque), Some(speed)) => self.power.add_both(t, torque, speed),
            (Some(torque), None) => self.power.add_a(t, torque),
            (None, Some(speed)) => self.power.add_b(t, speed),
            (None, None) => {}
        }
    }

    /// What the motor does over time, by its command, else by its torque.
    fn state(&self) -> Option<&Timeline> {
        [&self.command.1, &self.by_torque].into_iter().find(|t| !t.is_empty())
    }

    fn report(&self, findings: &mut Findings) {
        findings.channels.extend(
            [
                self.speed.finding(),
                self.torque.gauge.finding(),
                self.command.0.finding(),
                self.winding.gauge.finding(),
                self.controller.gauge.finding(),
                self.fault.0.finding(),
            ]
            .into_iter()
            .flatten(),
        );
    }

    fn finish(self, grid: Grid, range: Range<i64>) -> MotorColumns {
        let mut columns = Columns::new(range);
        if self.torque.gauge.seen() && self.speed.seen() {
            columns.put_energy(["shaft_out_wh", "shaft_in_wh", "shaft_valid_s"], &self.power.finish(), RAD_S_PER_RPM);
        }
        if self.torque.gauge.seen() {
            let torque = self.torque.level.finish();
            columns.put("torque_mean_n_m", &torque, LevelCell::mean);
            columns.put("torque_peak_n_m", &torque, LevelCell::peak);
            columns.put("torque_valid_s", &torque, |c| Some(seconds(c.valid_us)));
        }
        if self.command.0.seen() {
            columns.put_state("command_on_s", None, &self.command.1.finish(grid, |s| s != IDLE));
        }
        if self.fault.0.seen() {
            columns.put_state("fault_on_s", None, &self.fault.1.finish(grid, |s| s == 1));
        }
        put_temperature(&mut columns, self.winding, ["winding_mean_c", "winding_max_c", "winding_valid_s"]);
        put_temperature(&mut columns, self.controller, ["controller_mean_c", "controller_max_c", "controller_valid_s"]);
        MotorColumns { position: self.position, columns: columns.in_order(MOTOR_LEDGER_COLUMNS.iter().map(|c| c.name)) }
    }
}

fn put_temperature(columns: &mut Columns, gauge: LevelGauge, [mean, max, valid]: [&'static str; 3]) {
    if gauge.gauge.seen() {
        let cells = gauge.level.finish();
        columns.put(mean, &cells, LevelCell::mean);
        columns.put(max, &cells, LevelCell::max);
        columns.put(valid, &cells, |c| Some(seconds(c.valid_us)));
    }
}

fn state(value: f64, threshold: f64) -> u8 {
    if value > threshold {
        DRIVING
    } else if value < -threshold {
        BRAKING
    } else {
        IDLE
    }
}
