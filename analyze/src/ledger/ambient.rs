//! Weather: the `ambient` table.

use arrow::array::RecordBatch;
use tallywheel_schemas::Rig;

use super::{
    columns::Columns,
    dense::Times,
    findings::Findings,
    gauge::{LevelGauge, times},
};
use crate::integral::{Grid, LevelCell};

pub(super) const COLUMNS: &[&str] = &["temp_c", "wind_m_s"];

/// The accumulators of the `ambient` table.
#[derive(Debug)]
pub(super) struct Ambient {
    grid: Grid,
    temp: LevelGauge,
    wind: LevelGauge,
}

impl Ambient {
    pub(super) fn new(rig: &Rig, grid: Grid) -> Self {
        Self {
            grid,
            temp: LevelGauge::new(rig, grid, "ambient.temp_c", None),
            wind: LevelGauge::new(rig, grid, "ambient.wind_m_s", None),
        }
    }

    pub(super) fn take(&mut self, batch: &RecordBatch) {
        let t = times(batch);
        let mut at = Times::new(self.grid);
        self.temp.take(&mut at, t, batch, "temp_c");
        self.wind.take(&mut at, t, batch, "wind_m_s");
    }

    pub(super) fn finish(self, columns: &mut Columns, findings: &mut Findings) {
        findings.channels.extend([self.temp.gauge.finding(), self.wind.gauge.finding()].into_iter().flatten());
        if self.temp.gauge.seen() {
            columns.put("ambient_c", &self.temp.level.finish(), LevelCell::mean);
        }
        if self.wind.gauge.seen() {
            columns.put("wind_m_s", &self.wind.level.finish(), LevelCell::mean);
        }
    }
}
