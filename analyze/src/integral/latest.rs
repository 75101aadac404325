//! The last value known at the end of each bin.

use std::ops::Range;

use super::{Between, Grid, bins::Bins};

/// Keeps the last sample of each bin.
#[derive(Debug, Clone)]
pub struct Latest {
    limit_us: i64,
    grid: Grid,
    bins: Bins<Option<(i64, f64)>>,
}

impl Latest {
    /// A level without samples.
    pub fn new(grid: Grid, between: Between) -> Self {
        Self { limit_us: between.limit_us, grid, bins: Bins::new(grid) }
    }

    /// Takes a sample: µs and value. Values that are not finite are left out.
    #[inline(always)]
    pub fn add(&mut self, t: i64, v: f64) {
        if v.is_finite() {
            *self.bins.at(t).0 = Some((t, v));
        }
    }

    /// For each bin of `range` the last value before its end, unless that is older than the limit.
    pub fn finish(self, range: Range<i64>) -> Vec<Option<f64>> {
        let (grid, limit_us) = (self.grid, self.limit_us);
        let cells = self.bins.finish();
        let mut last = None;
        range
            .map(|index| {
                last = cells.get(index).copied().flatten().or(last);
                let end = grid.start(index).saturating_add(grid.width_us());
                last.filter(|(t, _)| end - t <= limit_us).map(|(_, v)| v)
            })
            .collect()
    }
}
