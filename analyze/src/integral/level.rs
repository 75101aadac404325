//! Integral, covered time and extremes of one level: a speed, a flow, a temperature.

use super::{Between, Cells, Grid, Point, Segment, Sum, bins::Bins};

/// What one bin holds of a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelCell {
    area: Sum,
    /// Covered time, µs.
    pub valid_us: i64,
    /// Largest value at a sample or covered bin edge; minus infinity without any.
    max: f64,
    /// Largest absolute value likewise.
    peak: f64,
    start: f64,
    end: f64,
}

impl Default for LevelCell {
    fn default() -> Self {
        Self {
            area: Sum::default(),
            valid_us: 0,
            max: f64::NEG_INFINITY,
            peak: f64::NEG_INFINITY,
            start: f64::NAN,
            end: f64::NAN,
        }
    }
}

impl LevelCell {
    /// Integral over the covered time, value times seconds.
    pub fn integral(&self) -> f64 {
        self.area.value() / 1e6
    }

    /// Mean over the covered time.
    pub fn mean(&self) -> Option<f64> {
        (self.valid_us > 0).then(|| self.area.value() / self.valid_us as f64)
    }

    /// Largest value at a sample or a covered edge of the bin.
    pub fn max(&self) -> Option<f64> {
        self.max.is_finite().then_some(self.max)
    }

    /// Largest absolute value at a sample or a covered edge of the bin.
    pub fn peak(&self) -> Option<f64> {
        self.peak.is_finite().then_some(self.peak)
    }

    /// Value at the bin's start, where covered.
    pub fn start(&self) -> Option<f64> {
        self.start.is_finite().then_some(self.start)
    }

    /// Value at the bin's end, where covered.
    pub fn end(&self) -> Option<f64> {
        self.end.is_finite().then_some(self.end)
    }

    #[inline]
    fn see(&mut self, v: f64) {
        self.max = self.max.max(v);
        self.peak = self.peak.max(v.abs());
    }
}

/// Integrates a level over bins.
///
/// # Formula
/// Between samples `(t0, v0)` and `(t1, v1)` no further apart than the limit: linear `(v0 + v1)/2 · (t1 − t0)`, step
/// `v0 · (t1 − t0)`. A stretch that crosses a bin edge is cut there, the value at the edge interpolated, so the parts
/// add up to the whole. A longer stretch is a gap and adds nothing. Of equal stamps the later value counts from there.
#[derive(Debug, Clone)]
pub struct Level {
    between: Between,
    last: Option<Point>,
    /// The last sample lies on no covered stretch yet.
    lone: bool,
    bins: Bins<LevelCell>,
}

impl Level {
    /// A level without samples.
    pub fn new(grid: Grid, between: Between) -> Self {
        Self { between, last: None, lone: true, bins: Bins::new(grid) }
    }

    /// Takes a sample: µs and value. Values that are not finite are left out.
    #[inline]
    pub fn add(&mut self, t: i64, v: f64) {
        if !v.is_finite() {
            return;
        }
        let to = Point { t, v };
        if let Some(from) = self.last {
            let dt = t - from.t;
            if dt > self.between.limit_us {
                self.mark_last();
            } else if dt > 0 {
                self.stretch(from, to);
                self.lone = false;
            } else {
                // The earlier value of equal stamps was measured all the same and counts for the extremes.
                self.mark_last();
            }
        }
        self.last = Some(to);
    }

    /// Says that the value is unknown from the last sample on, as after a gap.
    pub fn interrupt(&mut self) {
        self.mark_last();
        self.last = None;
        self.lone = true;
    }

    /// One cell per bin.
    pub fn finish(mut self) -> Cells<LevelCell> {
        self.mark_last();
        self.bins.finish()
    }

    #[inline]
    fn stretch(&mut self, from: Point, to: Point) {
        let step = self.between.step;
        let (cell, start, end) = self.bins.at(from.t);
        if to.t < end {
            // Nearly every stretch of a fast signal: inside one bin.
            let last = if step { from.v } else { to.v };
            cell.area.add((from.v + last) * 0.5 * (to.t - from.t) as f64);
            cell.valid_us += to.t - from.t;
            cell.see(from.v);
            cell.see(last);
            if from.t == start {
                cell.start = from.v;
            }
        } else {
            self.stretch_over_edges(from, to);
        }
    }

    fn stretch_over_edges(&mut self, from: Point, to: Point) {
        let line = Segment::new(from, to, self.between.step);
        let step = self.between.step;
        self.bins.each(from.t, to.t, |cell, a, b, start, end| {
            let va = if a == from.t { from.v } else { line.at(a) };
            let vb = if b == to.t && !step { to.v } else { line.at(b) };
            cell.area.add((va + vb) * 0.5 * (b - a) as f64);
            cell.valid_us += b - a;
            cell.see(va);
            cell.see(vb);
            if a == start {
                cell.start = va;
            }
            if b == end {
                cell.end = vb;
            }
        });
    }

    /// Gives the last sample to its bin's extremes where no stretch will.
    #[cold]
    fn mark_last(&mut self) {
        if let Some(last) = self.last {
            let (cell, start, _) = self.bins.at(last.t);
            cell.see(last.v);
            if last.t == start {
                cell.start = last.v;
            }
        }
        self.lone = true;
    }
}

/// What one bin holds of a level split by its sign.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SignedCell {
    pub(super) above: Sum,
    pub(super) below: Sum,
    /// Covered time, µs.
    pub valid_us: i64,
}

impl SignedCell {
    /// Integral where the level is positive, value times seconds.
    pub fn above(&self) -> f64 {
        self.above.value() / 1e6
    }

    /// Integral where the level is negative, as a positive number, value times seconds.
    pub fn below(&self) -> f64 {
        self.below.value() / 1e6
    }
}

/// Integrates the positive and the negative part of a level, as [`Level`] does, cut where the line crosses zero.
#[derive(Debug, Clone)]
pub struct SignedLevel {
    between: Between,
    last: Option<Point>,
    bins: Bins<SignedCell>,
}

impl SignedLevel {
    /// A level without samples.
    pub fn new(grid: Grid, between: Between) -> Self {
        Self { between, last: None, bins: Bins::new(grid) }
    }

    /// Takes a sample: µs and value. Values that are not finite are left out.
    #[inline]
    pub fn add(&mut self, t: i64, v: f64) {
        if !v.is_finite() {
            return;
        }
        let to = Point { t, v };
        if let Some(from) = self.last
            && t > from.t
            && t - from.t <= self.between.limit_us
        {
            let line = Segment::new(from, to, self.between.step);
            self.bins.each(from.t, t, |cell, a, b, _, _| {
                let (va, vb) = (line.at(a), line.at(b));
                let width = (b - a) as f64;
                cell.valid_us += b - a;
                if va * vb < 0.0 {
                    let first = width * va / (va - vb);
                    cell.part(va * first * 0.5);
                    cell.part(vb * (width - first) * 0.5);
                } else {
                    cell.part((va + vb) * 0.5 * width);
                }
            });
        }
        self.last = Some(to);
    }

    /// One cell per bin.
    pub fn finish(self) -> Cells<SignedCell> {
        self.bins.finish()
    }
}

impl SignedCell {
    #[inline]
    fn part(&mut self, area: f64) {
        if area >= 0.0 {
            self.above.add(area);
        } else {
            self.below.add(-area);
        }
    }
}
