//! The ledger's columns that trips are made of.

use std::ops::Range;

use polars::prelude::DataFrame;

use crate::{columns, integral::Sum, ledger::SessionLedger};

/// Ledger columns as plain vectors, all of one length.
#[derive(Debug)]
pub(super) struct BinColumns {
    t_us: Vec<i64>,
    bin_us: i64,
    pub(super) distance_m: Vec<Option<f64>>,
    pub(super) distance_valid_s: Vec<Option<f64>>,
    speed_start_m_s: Vec<Option<f64>>,
    speed_end_m_s: Vec<Option<f64>>,
    pub(super) speed_max_m_s: Vec<Option<f64>>,
    pub(super) accel_m_s2: Vec<Option<f64>>,
    pub(super) fuel_ml: Vec<Option<f64>>,
    pub(super) pack_out_wh: Vec<Option<f64>>,
    pub(super) pack_in_wh: Vec<Option<f64>>,
    pub(super) engine_on_s: Vec<Option<f64>>,
    pub(super) assist_on_s: Vec<Option<f64>>,
    pub(super) regen_on_s: Vec<Option<f64>>,
    pub(super) assist_valid_s: Vec<Option<f64>>,
    pub(super) alt_end_m: Vec<Option<f64>>,
}

impl BinColumns {
    pub(super) fn of(ledger: &SessionLedger) -> Self {
        let frame = &ledger.bins;
        let column = |name| floats(frame, name);
        Self {
            t_us: stamps(frame),
            bin_us: ledger.findings.bin_us,
            distance_m: column("distance_m"),
            distance_valid_s: column("distance_valid_s"),
            speed_start_m_s: column("speed_start_m_s"),
            speed_end_m_s: column("speed_end_m_s"),
            speed_max_m_s: column("speed_max_m_s"),
            accel_m_s2: column("accel_m_s2"),
            fuel_ml: column("fuel_ml"),
            pack_out_wh: column("pack_out_wh"),
            pack_in_wh: column("pack_in_wh"),
            engine_on_s: column("engine_on_s"),
            assist_on_s: column("assist_on_s"),
            regen_on_s: column("regen_on_s"),
            assist_valid_s: column("assist_valid_s"),
            alt_end_m: column("alt_end_m"),
        }
    }

    pub(super) const fn len(&self) -> usize {
        self.t_us.len()
    }

    pub(super) fn width_s(&self) -> f64 {
        self.bin_us as f64 / 1e6
    }

    pub(super) fn start_us(&self, i: usize) -> i64 {
        self.t_us[i]
    }

    pub(super) fn is_moving(&self, i: usize, moving_m_s: f64) -> bool {
        self.distance_m[i].is_some_and(|d| d / self.width_s() >= moving_m_s)
    }

    pub(super) fn exceeds(&self, i: usize, speed_m_s: f64) -> bool {
        self.distance_m[i].is_some_and(|d| d / self.width_s() > speed_m_s)
    }

    /// Not moving, and known to be so: at least half of the bin is covered.
    pub(super) fn is_standing(&self, i: usize, moving_m_s: f64) -> bool {
        !self.is_moving(i, moving_m_s) && self.distance_valid_s[i].is_some_and(|s| s >= self.width_s() / 2.0)
    }

    /// Standstills that follow a moving bin and are followed by another one.
    pub(super) fn stops(&self, range: Range<usize>, moving_m_s: f64) -> i64 {
        let (mut stops, mut moved, mut stood) = (0, false, false);
        for i in range {
            if self.is_moving(i, moving_m_s) {
                stops += i64::from(moved && stood);
                (moved, stood) = (true, false);
            } else {
                stood |= self.is_standing(i, moving_m_s);
            }
        }
        stops
    }

    /// Speeds at the edges of the bins, one vector per stretch without a hole.
    pub(super) fn speed_traces(&self, range: Range<usize>) -> Vec<Vec<f64>> {
        let mut traces: Vec<Vec<f64>> = Vec::new();
        let mut joined = false;
        for i in range {
            match (self.speed_start_m_s[i], self.speed_end_m_s[i]) {
                (Some(start), Some(end)) => match traces.last_mut() {
                    Some(trace) if joined => trace.push(end),
                    _ => traces.push(vec![start, end]),
                },
                _ => {
                    joined = false;
                    continue;
                }
            }
            joined = true;
        }
        traces
    }
}

/// Sum of the values, `None` without any.
pub(crate) fn total(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let (mut sum, mut any) = (Sum::default(), false);
    for value in values.flatten() {
        sum.add(value);
        any = true;
    }
    any.then(|| sum.value())
}

/// A column of a ledger's frame; one that is missing is null throughout.
fn floats(frame: &DataFrame, name: &str) -> Vec<Option<f64>> {
    columns::floats(frame, name).unwrap_or_else(|_| vec![None; frame.height()])
}

fn stamps(frame: &DataFrame) -> Vec<i64> {
    match frame.column("t_us").and_then(|c| c.i64()) {
        Ok(column) => column.iter().map(Option::unwrap_or_default).collect(),
        Err(_) => Vec::new(),
    }
}
