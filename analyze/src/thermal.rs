//! Thermal exposure of motors and controllers from ledger rows.
//!
//! Each bin counts with its mean temperature for the time it is covered. Windings change by well under a kelvin
//! in a one-second bin, so the curvature of the ageing law inside it costs less than a part in a thousand, and
//! time above a limit is off by at most one bin per crossing.

use std::collections::BTreeMap;

use polars::prelude::PolarsResult;
use tallywheel_schemas::report::{AboveLimit, MotorHeat, TemperatureClass};

use crate::{
    ageing::LifeUse,
    columns,
    ledger::SessionLedger,
    rainflow::{Cycle, Rainflow},
};

/// Width of a temperature class, K.
pub const CLASS_WIDTH_K: f64 = 5.0;

/// Range from which a cycle of a winding's temperature counts, K: smaller ones are of single launches and hills.
pub const CYCLE_K: f64 = 20.0;

/// How many of the cycles count, halves as halves.
pub fn winding_cycles(cycles: &[Cycle]) -> f64 {
    cycles.iter().filter(|c| c.range >= CYCLE_K).map(|c| c.count).sum()
}

/// Heat of every motor position over some sessions, by position name.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn exposure<'a>(ledgers: impl IntoIterator<Item = &'a SessionLedger>) -> PolarsResult<Vec<MotorHeat>> {
    let mut motors: BTreeMap<String, Exposure> = BTreeMap::new();
    for ledger in ledgers {
        let frame = &ledger.motors;
        let positions = frame.column("position")?.as_materialized_series().cast(&polars::prelude::DataType::String)?;
        let values = |name| columns::floats(frame, name);
        let (mean, max, valid) = (values("winding_mean_c")?, values("winding_max_c")?, values("winding_valid_s")?);
        let (c_mean, c_max, c_valid) =
            (values("controller_mean_c")?, values("controller_max_c")?, values("controller_valid_s")?);
        for (i, position) in positions.str()?.iter().enumerate() {
            let Some(position) = position else { continue };
            let motor = motors.entry(position.to_owned()).or_insert_with(|| Exposure::new(&ledger.session.rig.assist));
            motor.winding(mean[i], max[i], valid[i].unwrap_or(0.0));
            motor.controller(c_mean[i], c_max[i], c_valid[i].unwrap_or(0.0));
        }
        motors.values_mut().for_each(Exposure::end_session);
    }
    Ok(motors.into_iter().map(|(position, motor)| motor.finish(position)).collect())
}

/// Running exposure of one motor.
struct Exposure {
    peak_c: Option<f64>,
    covered_s: f64,
    above: Vec<AboveLimit>,
    life: LifeUse,
    /// Of the session at hand.
    counting: Rainflow,
    cycles: f64,
    class_c: f64,
    classes: BTreeMap<i64, f64>,
    controller_peak_c: Option<f64>,
    controller_above: Vec<AboveLimit>,
}

impl Exposure {
    fn new(assist: &tallywheel_schemas::rig::Assist) -> Self {
        let limits = |c: &[f64]| c.iter().map(|l| AboveLimit { limit_c: *l, seconds: 0.0 }).collect();
        let class_c = assist.insulation_class.temperature_c();
        Self {
            peak_c: None,
            covered_s: 0.0,
            above: limits(&assist.winding_limits_c),
            life: LifeUse::new(class_c),
            counting: Rainflow::new(),
            cycles: 0.0,
            class_c,
            classes: BTreeMap::new(),
            controller_peak_c: None,
            controller_above: limits(&assist.controller_limits_c),
        }
    }

    fn winding(&mut self, mean_c: Option<f64>, max_c: Option<f64>, seconds: f64) {
        raise(&mut self.peak_c, max_c);
        let Some(t) = mean_c else { return };
        self.covered_s += seconds;
        self.life.add(t, seconds);
        self.counting.add(t);
        *self.classes.entry((t / CLASS_WIDTH_K).floor() as i64).or_default() += seconds;
        count_above(&mut self.above, t, seconds);
    }

    fn controller(&mut self, mean_c: Option<f64>, max_c: Option<f64>, seconds: f64) {
        raise(&mut self.controller_peak_c, max_c);
        if let Some(t) = mean_c {
            count_above(&mut self.controller_above, t, seconds);
        }
    }

    /// What happened to the winding between two recordings is not known.
    fn end_session(&mut self) {
        self.cycles += winding_cycles(&std::mem::take(&mut self.counting).finish());
    }

    fn finish(mut self, position: String) -> MotorHeat {
        self.end_session();
        let class = |(i, seconds)| TemperatureClass { from_c: i as f64 * CLASS_WIDTH_K, seconds };
        MotorHeat {
            position,
            peak_c: self.peak_c,
            covered_s: self.covered_s,
            seconds_above: self.above,
            life_used_fraction: self.life.fraction(),
            equivalent_hours: self.life.equivalent_hours(),
            class_c: self.class_c,
            winding_cycles: self.cycles,
            controller_peak_c: self.controller_peak_c,
            controller_seconds_above: self.controller_above,
            histogram: self.classes.into_iter().map(class).collect(),
        }
    }
}

fn raise(peak: &mut Option<f64>, value: Option<f64>) {
    if let Some(v) = value {
        *peak = Some(peak.map_or(v, |p| p.max(v)));
    }
}

fn count_above(limits: &mut [AboveLimit], t: f64, seconds: f64) {
    for above in limits.iter_mut().filter(|a| t > a.limit_c) {
        above.seconds += seconds;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One hour at 120 °C, half at 150 °C, a tenth at 170 °C in class F. The ten-degree rule gives 0.7248 h at
    /// 155 °C; the Arrhenius law with the same slope over the ten kelvin above the class differs a little below it.
    #[test]
    fn exposure_adds_up_time_and_ageing() {
        let mut e = Exposure::new(&tallywheel_schemas::rig::Assist::default());
        for (t, h) in [(120.0, 1.0), (150.0, 0.5), (170.0, 0.1)] {
            e.winding(Some(t), Some(t + 0.5), h * 3600.0);
        }
        let heat = e.finish("rear-left".to_owned());
        assert_eq!(heat.peak_c, Some(170.5));
        let above: Vec<f64> = heat.seconds_above.iter().map(|a| a.seconds).collect();
        assert_eq!(above, [2160.0, 2160.0, 360.0]);
        assert!((heat.equivalent_hours - 0.7248).abs() < 0.03, "{}", heat.equivalent_hours);
        assert!((heat.covered_s - 5760.0).abs() < 1e-9);
        assert_eq!(heat.histogram.len(), 3);
        // Up by 50 K in one go is half a cycle.
        assert!((heat.winding_cycles - 0.5).abs() < 1e-12, "{}", heat.winding_cycles);
    }
}
