//! Fuel and engine state: the `engine` table.

use arrow::array::RecordBatch;
use tallywheel_schemas::{
    Rig,
    rig::{Fuel, FuelSource},
};

use super::{
    columns::{Columns, seconds},
    dense::Times,
    findings::Findings,
    gauge::{Gauge, LevelGauge, each_bool, each_pair, floats, ints, times},
};
use crate::integral::{Counter, CounterOutcome, Grid, Level, LevelCell, Timeline};

pub(super) const COLUMNS: &[&str] =
    &["running", "speed_rpm", "fuel_count", "fuel_rate_g_s", "maf_g_s", "lambda", "fuel_temp_c", "coolant_c"];

/// Crankshaft speed above which an engine turns under its own power, 1/min: above cranking, below idling (common
/// practice). Only used where no message says whether the engine runs.
const RUNNING_RPM: f64 = 400.0;

/// The accumulators of the `engine` table.
#[derive(Debug)]
pub(super) struct Engine {
    grid: Grid,
    fuel: Fuel,
    running: (Gauge, Timeline),
    turning: (Gauge, Timeline),
    count: (Gauge, Counter),
    /// Volume as metered.
    metered: Counter,
    fuel_temp: (Gauge, Option<f64>),
    temperature: Level,
    rate: LevelGauge,
    coolant: LevelGauge,
    maf: Gauge,
    lambda: (Gauge, Option<(i64, f64)>),
    /// Fuel flow from air mass, g/s.
    air: Level,
}

impl Engine {
    pub(super) fn new(rig: &Rig, grid: Grid) -> Self {
        let gauge = |channel| Gauge::new(rig, channel, None);
        let timed = |channel| {
            let g = gauge(channel);
            let timeline = Timeline::new(g.between);
            (g, timeline)
        };
        let (count, maf, temp) = (gauge("engine.fuel_count"), gauge("engine.maf_g_s"), gauge("engine.fuel_temp_c"));
        let modulus = rig.signal("engine.fuel_count", None).and_then(|s| s.modulus);
        Self {
            grid,
            fuel: rig.fuel.clone(),
            running: timed("engine.running"),
            turning: timed("engine.speed_rpm"),
            metered: Counter::new(grid, count.between, modulus),
            count: (count.clone(), Counter::new(grid, count.between, modulus)),
            temperature: Level::new(grid, temp.between),
            fuel_temp: (temp, None),
            rate: LevelGauge::new(rig, grid, "engine.fuel_rate_g_s", None),
            coolant: LevelGauge::new(rig, grid, "engine.coolant_c", None),
            air: Level::new(grid, maf.between),
            maf,
            lambda: (gauge("engine.lambda"), None),
        }
    }

    pub(super) fn take(&mut self, batch: &RecordBatch) {
        let t = times(batch);
        let mut at = Times::new(self.grid);
        self.rate.take(&mut at, t, batch, "fuel_rate_g_s");
        self.coolant.take(&mut at, t, batch, "coolant_c");
        let (gauge, timeline) = &mut self.running;
        each_bool(batch, "running", |i, on| {
            gauge.see_int(t[i], i64::from(on));
            timeline.add(t[i], u8::from(on));
        });
        let (gauge, timeline) = &mut self.turning;
        gauge.follow(timeline, &mut at, t, floats(batch, "speed_rpm"), |rpm| u8::from(rpm > RUNNING_RPM));
        self.take_meter(t, batch);
        self.take_air(t, batch);
    }

    /// Pulses in the order of their messages, with the fuel temperature last heard.
    fn take_meter(&mut self, t: &[i64], batch: &RecordBatch) {
        let mut weight = grams_per_pulse(&self.fuel, self.fuel_temp.1);
        each_pair(floats(batch, "fuel_temp_c"), ints(batch, "fuel_count"), |i, temp, count| {
            if let Some(temp) = temp {
                self.fuel_temp.0.see(t[i], temp);
                self.temperature.add(t[i], temp);
                self.fuel_temp.1 = Some(temp);
                weight = grams_per_pulse(&self.fuel, self.fuel_temp.1);
            }
            if let Some(count) = count {
                self.count.0.see_int(t[i], count);
                self.count.1.add(t[i], count, weight.unwrap_or(0.0));
                self.metered.add(t[i], count, self.fuel.ml_per_pulse.unwrap_or(0.0));
            }
        });
    }

    /// Air mass flow over lambda, sample by sample of the air mass, lambda as last heard.
    ///
    /// The quotient of two lines is no polynomial, so this integral is approximate: trapezoid between air mass samples
    /// with lambda held. Where lambda has been heard but not within its limit, the flow is unknown; where the
    /// session never has it, it is 1.
    fn take_air(&mut self, t: &[i64], batch: &RecordBatch) {
        let limit_us = self.lambda.0.between.limit_us;
        each_pair(floats(batch, "lambda"), floats(batch, "maf_g_s"), |i, lambda, maf| {
            if let Some(lambda) = lambda {
                self.lambda.0.see(t[i], lambda);
                self.lambda.1 = Some((t[i], lambda)).filter(|_| lambda > 0.0);
            }
            if let Some(maf) = maf {
                self.maf.see(t[i], maf);
                match self.lambda.1 {
                    Some((heard, _)) if t[i] - heard > limit_us => self.air.interrupt(),
                    heard => {
                        let lambda = heard.map_or(1.0, |(_, l)| l);
                        self.air.add(t[i], maf / (lambda * self.fuel.stoichiometric_ratio));
                    }
                }
            }
        });
    }

    fn has(&self, source: FuelSource) -> bool {
        match source {
            FuelSource::Meter => self.count.0.seen() && self.fuel.ml_per_pulse.is_some(),
            FuelSource::Rate => self.rate.gauge.seen(),
            FuelSource::Air => self.maf.seen(),
        }
    }

    fn choose(&self, findings: &mut Findings) {
        use FuelSource::{Air, Meter, Rate};
        findings.fuel_source = match self.fuel.source {
            Some(source) => Some(source).filter(|s| self.has(*s)),
            None => [Meter, Rate, Air].into_iter().find(|s| self.has(*s)),
        };
        if self.count.0.seen() && self.fuel.ml_per_pulse.is_none() {
            findings.notes.push("fuel pulses are logged, but the rig has no fuel.ml_per_pulse".to_owned());
        }
        if let (Some(source), None) = (self.fuel.source, findings.fuel_source) {
            let word = match source {
                Meter => "the meter",
                Rate => "the fuel rate",
                Air => "the air mass",
            };
            findings.notes.push(format!("the rig takes fuel from {word}, which this session does not have"));
        }
    }

    fn report(&self, meter: &CounterOutcome, findings: &mut Findings) {
        findings.channels.extend(
            [
                self.running.0.finding(),
                self.turning.0.finding(),
                self.count.0.counter_finding(meter),
                self.rate.gauge.finding(),
                self.maf.finding(),
                self.lambda.0.finding(),
                self.fuel_temp.0.finding(),
                self.coolant.gauge.finding(),
            ]
            .into_iter()
            .flatten(),
        );
    }

    pub(super) fn finish(self, grid: Grid, columns: &mut Columns, findings: &mut Findings) {
        self.choose(findings);
        let meter = self.count.1.clone().finish();
        self.report(&meter, findings);
        if self.has(FuelSource::Meter) {
            columns.put_counter("fuel_meter_g", &meter.cells);
            columns.put_counter("fuel_meter_ml", &self.metered.clone().finish().cells);
            columns.put("fuel_meter_valid_s", &meter.cells, |c| Some(seconds(c.valid_us)));
        }
        if self.has(FuelSource::Rate) {
            columns.put_level("fuel_rate_g", Some("fuel_rate_valid_s"), &self.rate.level.finish(), 1.0);
        }
        if self.maf.seen() {
            columns.put_level("fuel_air_g", Some("fuel_air_valid_s"), &self.air.finish(), 1.0);
        }
        let chosen = match findings.fuel_source {
            Some(FuelSource::Meter) => Some(("fuel_meter_g", "fuel_meter_valid_s")),
            Some(FuelSource::Rate) => Some(("fuel_rate_g", "fuel_rate_valid_s")),
            Some(FuelSource::Air) => Some(("fuel_air_g", "fuel_air_valid_s")),
            None => None,
        };
        if let Some((mass, valid)) = chosen {
            columns.copy(mass, "fuel_g", 1.0);
            columns.copy(mass, "fuel_ml", 1.0 / self.fuel.density_g_per_ml);
            columns.copy(valid, "fuel_valid_s", 1.0);
        }
        if self.fuel_temp.0.seen() {
            columns.put("fuel_temp_c", &self.temperature.finish(), LevelCell::mean);
        }
        if self.coolant.gauge.seen() {
            columns.put("coolant_c", &self.coolant.level.finish(), LevelCell::mean);
        }
        let (_, state) = if self.running.0.seen() { self.running } else { self.turning };
        if !state.is_empty() {
            columns.put_state("engine_on_s", Some("engine_valid_s"), &state.finish(grid, |s| s == 1));
        }
    }
}

/// Mass of a pulse's volume of fuel, g.
///
/// # Formula
/// `m = V · f(T) · ρ_ref`: the metered volume, shrunk to what it has at the reference temperature by
/// [`Fuel::volume_factor`], times the density there. Without a temperature the fuel is taken to be at the reference.
fn grams_per_pulse(fuel: &Fuel, temp_c: Option<f64>) -> Option<f64> {
    let volume = fuel.ml_per_pulse?;
    Some(volume * fuel.density_g_per_ml * temp_c.map_or(1.0, |t| fuel.volume_factor(t)))
}
