//! A trip as rows of the decoded tables at the rates of the wire, ready to be placed in a day.
//!
//! Values, rates and resolutions are those of [`crate::wire`]; each row is one message. What depends on the day (stamps,
//! counters, charge) is worked out when the trip is placed; everything else is shared between all days that use the trip.

use std::sync::Arc;

use arrow::{
    array::{
        Array, ArrayRef, BooleanArray, DictionaryArray, Float64Array, Int32Array, Int64Array, RecordBatch, StringArray,
    },
    datatypes::Int32Type,
    error::ArrowError,
};
use tallywheel_schemas::{Channel, Domain, Kind, Table};

use crate::{
    drive::Sample,
    route::METRES_PER_DEGREE,
    sensors::{COUNTER_MODULUS, EDGES_PER_TURN, PULSES_PER_L, Sensors, WHEEL_RADIUS_M},
    truth::{POSITIONS, SensorTruth},
};

/// Instruments without fixed errors: what a fleet's days differ by is in its factors.
const EXACT: SensorTruth = SensorTruth {
    fuel_factor: 1.0,
    wheel_factor: 1.0,
    current_factor: 1.0,
    current_offset_a: 0.0,
    voltage_factor: 1.0,
    winding_offset_k: [0.0; 2],
};

/// Rows of one table.
#[derive(Debug)]
struct TripTable {
    domain: Domain,
    /// Since the trip's start, µs; never decreasing.
    t_us: Vec<i64>,
    positions: Option<ArrayRef>,
    columns: Vec<ArrayRef>,
    /// Rows of a column that depends on the day, with what it depends on.
    placed: Vec<(usize, Vec<(usize, f64)>)>,
}

/// A trip's rows in every table.
#[derive(Debug)]
pub(super) struct TripRows(Vec<TripTable>);

/// Where and how a trip is placed.
#[derive(Debug, Clone)]
pub(super) struct Place<'a> {
    pub(super) session: &'a str,
    pub(super) start_us: i64,
    pub(super) fuel_factor: f64,
    /// Pulses and edges before the trip, unwrapped.
    pub(super) fuel_pulses: f64,
    pub(super) edges: f64,
    /// Added to the charge, percentage points.
    pub(super) soc_shift_pct: f64,
    pub(super) missing_share: f64,
    pub(super) pack_silent: bool,
}

/// Rows while they are gathered.
struct Gather {
    domain: Domain,
    t_us: Vec<i64>,
    positions: Vec<i32>,
    columns: Vec<Vec<Option<f64>>>,
    placed: Vec<(usize, Vec<(usize, f64)>)>,
}

impl Gather {
    fn new(domain: Domain) -> Self {
        let columns = Channel::of(domain).map(|_| Vec::new()).collect();
        Self { domain, t_us: Vec::new(), positions: Vec::new(), columns, placed: Vec::new() }
    }

    fn index(&self, column: &str) -> usize {
        Channel::of(self.domain).position(|c| c.column == column).expect("a column of the table")
    }

    fn row(&mut self, t_us: i64, position: i32, values: &[(&str, f64)]) {
        self.t_us.push(t_us);
        self.positions.push(position);
        self.columns.iter_mut().for_each(|c| c.push(None));
        for (name, value) in values {
            let column = self.index(name);
            if let Some(cell) = self.columns[column].last_mut() {
                *cell = Some(*value);
            }
        }
    }

    /// Marks the last row as one whose value in a column depends on the day.
    fn place(&mut self, column: &str, value: f64) {
        let (column, row) = (self.index(column), self.t_us.len() - 1);
        match self.placed.iter_mut().find(|(c, _)| *c == column) {
            Some((_, rows)) => rows.push((row, value)),
            None => self.placed.push((column, vec![(row, value)])),
        }
    }

    fn finish(self) -> TripTable {
        let columns = Channel::of(self.domain).zip(&self.columns).map(|(c, values)| array(c.kind, values)).collect();
        let positions = (self.domain == Domain::Motor).then(|| {
            let names = Arc::new(StringArray::from(POSITIONS.to_vec()));
            let positions = DictionaryArray::<Int32Type>::try_new(Int32Array::from(self.positions), names);
            Arc::new(positions.expect("keys are 0 and 1")) as ArrayRef
        });
        TripTable { domain: self.domain, t_us: self.t_us, positions, columns, placed: self.placed }
    }
}

fn array(kind: Kind, values: &[Option<f64>]) -> ArrayRef {
    match kind {
        Kind::Float => Arc::new(values.iter().copied().collect::<Float64Array>()),
        Kind::Int => Arc::new(values.iter().map(|v| v.map(|v| v as i64)).collect::<Int64Array>()),
        Kind::Bool => Arc::new(values.iter().map(|v| v.map(|v| v > 0.5)).collect::<BooleanArray>()),
    }
}

/// A value in steps of the wire's resolution.
fn step(value: f64, per_bit: f64) -> f64 {
    (value / per_bit).round() * per_bit
}

impl TripRows {
    /// The rows of a drive, sampled every 10 ms.
    pub(super) fn of(samples: &[Sample], seed: u64, number: u64) -> Self {
        let mut sensors = Sensors::new(EXACT, seed, number);
        let mut gathers =
            [Domain::Motion, Domain::Engine, Domain::Pack, Domain::Motor, Domain::Ambient].map(Gather::new);
        for (k, sample) in samples.iter().enumerate() {
            let [motion, engine, pack, motor, ambient] = &mut gathers;
            let t = k as i64 * 10_000;
            engine_rows(engine, k, t, sample, &mut sensors);
            motion_rows(motion, k, t, sample, &mut sensors);
            pack_rows(pack, k, t, sample, &mut sensors);
            motor_rows(motor, k, t, sample, &mut sensors);
            if k % 100 == 3 {
                let temp_c = step(sensors.noisy(sample.ambient_c, 0.1), 0.1);
                ambient.row(t, 0, &[("temp_c", temp_c), ("pressure_kpa", step(sample.pressure_kpa, 0.01))]);
            }
        }
        Self(gathers.into_iter().map(Gather::finish).collect())
    }

    /// The rows of a parked van on the charger, sampled every second.
    pub(super) fn parked(samples: &[Sample], seed: u64, number: u64) -> Self {
        let mut sensors = Sensors::new(EXACT, seed, number);
        let mut gathers = [Domain::Pack, Domain::Ambient].map(Gather::new);
        for (k, sample) in samples.iter().enumerate() {
            let [pack, ambient] = &mut gathers;
            let t = k as i64 * 1_000_000;
            let (v, i) = (step(sensors.voltage_v(sample), 0.01), step(sensors.current_a(sample), 0.02));
            pack.row(t, 0, &[("voltage_v", v), ("current_a", i)]);
            slow_pack_row(pack, t + 1000, sample);
            let wall_w = sample.wall_w.map_or(0.0, |w| if w > 0.0 { sensors.noisy(w, 2.0).round() } else { 0.0 });
            pack.row(t + 2000, 0, &[("wall_power_w", wall_w), ("charging", f64::from(u8::from(wall_w > 0.0)))]);
            ambient.row(t + 3000, 0, &[("temp_c", step(sensors.noisy(sample.ambient_c, 0.1), 0.1))]);
        }
        Self(gathers.into_iter().map(Gather::finish).collect())
    }

    /// Pulses of the fuel meter and edges of the wheel in this trip.
    pub(super) fn counts(&self) -> (f64, f64) {
        let last = |domain, column: &str| {
            let table = self.0.iter().find(|t| t.domain == domain)?;
            let index = Channel::of(domain).position(|c| c.column == column)?;
            table.placed.iter().find(|(c, _)| *c == index)?.1.last().map(|(_, v)| *v)
        };
        (last(Domain::Engine, "fuel_count").unwrap_or(0.0), last(Domain::Motion, "hall_count").unwrap_or(0.0))
    }

    /// The rows as batches of their tables, where they belong in a day.
    pub(super) fn place(&self, place: &Place<'_>) -> Result<Vec<(Domain, RecordBatch)>, ArrowError> {
        self.0.iter().filter(|t| !t.t_us.is_empty()).map(|t| Ok((t.domain, t.place(place)?))).collect()
    }
}

impl TripTable {
    fn place(&self, place: &Place<'_>) -> Result<RecordBatch, ArrowError> {
        let rows = self.t_us.len();
        let name = Arc::new(StringArray::from(vec![place.session]));
        let session = DictionaryArray::<Int32Type>::try_new(Int32Array::from(vec![0; rows]), name)?;
        let t_us: Int64Array = self.t_us.iter().map(|t| t + place.start_us).collect();
        let mut arrays: Vec<ArrayRef> = vec![Arc::new(session), Arc::new(t_us)];
        arrays.extend(self.positions.clone());
        for (i, (channel, column)) in Channel::of(self.domain).zip(&self.columns).enumerate() {
            let placed = self.placed.iter().find(|(c, _)| *c == i);
            arrays.push(match placed {
                Some((_, rows)) => self.placed_column(channel, rows, place),
                None => self.damaged(channel, column, place),
            });
        }
        RecordBatch::try_new(Table::Decoded(self.domain).schema(), arrays)
    }

    fn placed_column(&self, channel: &Channel, rows: &[(usize, f64)], place: &Place<'_>) -> ArrayRef {
        let wrap = |count: f64| (count.floor() as u64 % COUNTER_MODULUS) as f64;
        let value = |v: f64| match channel.column {
            "fuel_count" => wrap(place.fuel_pulses + v * place.fuel_factor),
            "hall_count" => wrap(place.edges + v),
            _ => step((v + place.soc_shift_pct).clamp(0.0, 100.0), 0.05),
        };
        let mut column = vec![None; self.t_us.len()];
        rows.iter().for_each(|(row, v)| column[*row] = Some(value(*v)));
        array(channel.kind, &column)
    }

    /// A column as the vehicle's instruments give it: some of it may be missing.
    fn damaged(&self, channel: &Channel, column: &ArrayRef, place: &Place<'_>) -> ArrayRef {
        let silent = place.pack_silent && matches!(channel.column, "voltage_v" | "current_a" | "dc_current_a");
        let missing = place.missing_share > 0.01 && channel.column == "wheel_speed_m_s";
        let Some(values) = column.as_any().downcast_ref::<Float64Array>().filter(|_| silent || missing) else {
            return Arc::clone(column);
        };
        // Whole stretches, as of a loose plug: the first part of every 100 s.
        let lost = |t: i64| silent || (t % 100_000_000) as f64 / 1e8 < place.missing_share;
        Arc::new(values.iter().zip(&self.t_us).map(|(v, t)| v.filter(|_| !lost(*t))).collect::<Float64Array>())
    }
}

fn engine_rows(table: &mut Gather, k: usize, t: i64, s: &Sample, sensors: &mut Sensors) {
    if k.is_multiple_of(2) {
        let rpm = if s.running { step(sensors.noisy(s.engine_rpm, 3.0), 0.25) } else { 0.0 };
        let throttle = step(sensors.noisy(s.throttle_pct, 0.2).max(0.0), 0.4);
        let running = f64::from(u8::from(s.running));
        table.row(t, 0, &[("running", running), ("speed_rpm", rpm.max(0.0)), ("throttle_pct", throttle)]);
    }
    if k % 10 == 3 {
        let flow = if s.running { step(sensors.noisy(s.maf_g_s, 0.01 * s.maf_g_s), 0.01) } else { 0.0 };
        match sensors.lambda(s) {
            Some(l) => table.row(t + 2000, 0, &[("maf_g_s", flow), ("lambda", step(l, 1.0 / 4096.0))]),
            None => table.row(t + 2000, 0, &[("maf_g_s", flow)]),
        }
    }
    if k % 25 == 4 {
        if (k / 25).is_multiple_of(2) {
            table.row(t + 3000, 0, &[("coolant_c", s.coolant_c.round()), ("intake_temp_c", s.intake_c.round())]);
        } else {
            table.row(t + 3000, 0, &[("baro_kpa", step(s.pressure_kpa, 0.5))]);
        }
    }
    if k.is_multiple_of(10) {
        table.row(t + 4000, 0, &[("fuel_temp_c", step(sensors.noisy(s.fuel_temp_c, 0.1), 0.1))]);
        table.place("fuel_count", s.metered_ml / 1000.0 * PULSES_PER_L);
    }
}

fn motion_rows(table: &mut Gather, k: usize, t: i64, s: &Sample, sensors: &mut Sensors) {
    if k.is_multiple_of(2) {
        let speed = step(sensors.wheel_speed_m_s(s) * 3.6, 0.01) / 3.6;
        table.row(t + 1000, 0, &[("wheel_speed_m_s", speed)]);
    }
    if k.is_multiple_of(10) {
        table.row(t + 5000, 0, &[]);
        table.place("hall_count", s.distance_m / (std::f64::consts::TAU * WHEEL_RADIUS_M) * EDGES_PER_TURN);
    }
    if k.is_multiple_of(20)
        && let Some(fix) = sensors.fix(s, 0.2)
    {
        let grain = 0.1 / METRES_PER_DEGREE;
        let (lat, lon) = (step(fix.lat_deg, grain), step(fix.lon_deg, grain));
        let speed = step(fix.speed_m_s, 0.01 * 1852.0 / 3600.0);
        table.row(t + 7000, 0, &[("gps_speed_m_s", speed), ("lat_deg", lat), ("lon_deg", lon)]);
        table.row(t + 8000, 0, &[("alt_m", step(fix.alt_m, 0.1)), ("gps_quality", 1.0)]);
    }
}

fn pack_rows(table: &mut Gather, k: usize, t: i64, s: &Sample, sensors: &mut Sensors) {
    if k.is_multiple_of(5) {
        let (v, i) = (step(sensors.voltage_v(s), 0.01), step(sensors.current_a(s), 0.02));
        table.row(t, 0, &[("voltage_v", v), ("current_a", i)]);
    }
    if k % 100 == 1 {
        slow_pack_row(table, t, s);
        table.row(t + 1000, 0, &[("charging", 0.0)]);
    }
}

fn slow_pack_row(table: &mut Gather, t: i64, s: &Sample) {
    let cells = [("cell_min_v", step(s.cell_min_v, 0.001)), ("cell_max_v", step(s.cell_max_v, 0.001))];
    table.row(t, 0, &[("temp_c", s.pack_c.round()), cells[0], cells[1]]);
    table.place("soc_pct", s.soc_pct);
}

fn motor_rows(table: &mut Gather, k: usize, t: i64, s: &Sample, sensors: &mut Sensors) {
    for (p, motor) in (0_i32..).zip(&s.motors) {
        let late = t + i64::from(p) * 1000;
        if k.is_multiple_of(5) {
            table.row(
                late + 1000,
                p,
                &[
                    ("speed_rpm", step(motor.speed_rpm, 0.1)),
                    ("torque_n_m", step(sensors.noisy(motor.torque_n_m, 0.3), 0.1)),
                    ("phase_current_a", step(motor.phase_a, 0.1)),
                    ("dc_current_a", step(motor.dc_a, 0.05)),
                ],
            );
        }
        if k % 50 == 2 {
            let heat = [("controller_temp_c", motor.controller_c.round()), ("fault", f64::from(motor.fault))];
            match sensors.winding_c(s, p as usize) {
                Some(w) => table.row(late, p, &[("winding_temp_c", step(w, 0.1)), heat[0], heat[1]]),
                None => table.row(late, p, &heat),
            }
        }
    }
    if k.is_multiple_of(5) {
        for (p, motor) in (0_i32..).zip(&s.motors) {
            table.row(t + 3000 + i64::from(p) * 1000, p, &[("command_pct", step(motor.command_pct, 0.1))]);
        }
    }
}
