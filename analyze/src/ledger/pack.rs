//! Energy and charge of the pack, and energy from the wall: the `pack` table.

use arrow::array::RecordBatch;
use tallywheel_schemas::Rig;

use super::{
    columns::{Columns, J_PER_WH},
    dense::{Held, Times},
    findings::Findings,
    gauge::{Floats, Gauge, LevelGauge, each, each_pair, floats, times},
};
use crate::integral::{Grid, Latest, Product, SignedLevel};

pub(super) const COLUMNS: &[&str] = &["voltage_v", "current_a", "soc_pct", "wall_power_w"];

/// The accumulators of the `pack` table.
#[derive(Debug)]
pub(super) struct Pack {
    grid: Grid,
    voltage: Gauge,
    current: Gauge,
    power: Product,
    charge: SignedLevel,
    soc: (Gauge, Latest),
    wall: LevelGauge,
}

impl Pack {
    pub(super) fn new(rig: &Rig, grid: Grid) -> Self {
        let gauge = |channel| Gauge::new(rig, channel, None);
        let (voltage, current, soc) = (gauge("pack.voltage_v"), gauge("pack.current_a"), gauge("pack.soc_pct"));
        Self {
            grid,
            power: Product::new(grid, voltage.between, current.between),
            charge: SignedLevel::new(grid, current.between),
            soc: (soc.clone(), Latest::new(grid, soc.between)),
            wall: LevelGauge::new(rig, grid, "pack.wall_power_w", None),
            voltage,
            current,
        }
    }

    pub(super) fn take(&mut self, batch: &RecordBatch) {
        let t = times(batch);
        let mut at = Times::new(self.grid);
        self.take_power(&mut at, t, floats(batch, "voltage_v"), floats(batch, "current_a"));
        let (gauge, latest) = &mut self.soc;
        each(floats(batch, "soc_pct"), |i, v| {
            gauge.see(t[i], v);
            latest.add(t[i], v);
        });
        self.wall.take(&mut at, t, batch, "wall_power_w");
    }

    fn take_power(&mut self, at: &mut Times, t: &[i64], voltage: Option<&Floats>, current: Option<&Floats>) {
        if let (Held::Much(v), Held::Much(a)) = (at.dense(t, voltage, None), at.dense(t, current, None))
            && Times::together(&v, &a)
        {
            let (stamps, v, a) = (at.stamps(&v), at.values(&v), at.values(&a));
            self.voltage.see_all(stamps, &v);
            self.current.see_all(stamps, &a);
            self.charge.take(stamps, &a);
            self.power.take(stamps, &v, &a);
            return;
        }
        each_pair(voltage, current, |i, voltage, current| {
            let t = t[i];
            if let Some(v) = voltage {
                self.voltage.see(t, v);
            }
            if let Some(a) = current {
                self.current.see(t, a);
                self.charge.add(t, a);
            }
            match (voltage, current) {
                (Some(v), Some(a)) => self.power.add_both(t, v, a),
                (Some(v), None) => self.power.add_a(t, v),
                (None, Some(a)) => self.power.add_b(t, a),
                (None, None) => {}
            }
        });
    }

    pub(super) fn finish(self, columns: &mut Columns, findings: &mut Findings) {
        let found = [self.voltage.finding(), self.current.finding(), self.soc.0.finding(), self.wall.gauge.finding()];
        findings.channels.extend(found.into_iter().flatten());
        if self.voltage.seen() && self.current.seen() {
            columns.put_energy(["pack_out_wh", "pack_in_wh", "pack_valid_s"], &self.power.finish(), 1.0);
        }
        if self.current.seen() {
            let charge = self.charge.finish();
            columns.put("pack_out_ah", &charge, |c| Some(c.above() / 3600.0));
            columns.put("pack_in_ah", &charge, |c| Some(c.below() / 3600.0));
        }
        if self.wall.gauge.seen() {
            columns.put_level("wall_wh", Some("wall_valid_s"), &self.wall.level.finish(), 1.0 / J_PER_WH);
        }
        if self.soc.0.seen() {
            let soc = self.soc.1.finish(columns.range());
            columns.put_values("soc_end_pct", soc);
        }
    }
}
