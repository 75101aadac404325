//! Integral, covered time and extremes of one level: a speed, a flow, a temperature.

use super::{
    Between, Cells, Grid, Point, Run, Segment, Stamps, Sum, Values,
    bins::Bins,
    block::{Extremes, sum_over},
};

/// What one bin holds of a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelCell {
    area: Sum,
    /// Covered time, µs.
    pub valid_us: i64,
    /// Largest value at a sample or covered bin edge; minus infinity without any.
    max: f64,
    /// Least value likewise; plus infinity without any.
    min: f64,
    start: f64,
    end: f64,
}

impl Default for LevelCell {
    fn default() -> Self {
        Self {
            area: Sum::default(),
            valid_us: 0,
            max: f64::NEG_INFINITY,
            min: f64::INFINITY,
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
        self.max.is_finite().then(|| self.max.max(-self.min))
    }

    /// Value at the bin's start, where covered.
    pub fn start(&self) -> Option<f64> {
        self.start.is_finite().then_some(self.start)
    }

    /// Value at the bin's end, where covered.
    pub fn end(&self) -> Option<f64> {
        self.end.is_finite().then_some(self.end)
    }

    #[inline(always)]
    fn see(&mut self, v: f64) {
        if v > self.max {
            self.max = v;
        }
        if v < self.min {
            self.min = v;
        }
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
    bins: Bins<LevelCell>,
}

impl Level {
    /// A level without samples.
    pub fn new(grid: Grid, between: Between) -> Self {
        Self { between, last: None, bins: Bins::new(grid) }
    }

    /// Takes a sample: µs and value. Values that are not finite are left out.
    #[inline(always)]
    pub fn add(&mut self, t: i64, v: f64) {
        if !v.is_finite() {
            return;
        }
        let to = Point { t, v };
        match self.last {
            Some(from) if t > from.t && t - from.t <= self.between.limit_us => self.stretch(from, to),
            // Nothing leads up to the first sample, to the first after a gap, and to the later of equal stamps.
            _ => self.mark(to),
        }
        self.last = Some(to);
    }

    /// Takes many samples: the same as [`Level::add`] for each, but for rounding.
    pub fn take(&mut self, stamps: &Stamps, values: &Values<'_>) {
        for (run, extremes) in stamps.runs.iter().zip(&values.extremes) {
            self.add(stamps.t[run.from], values.v[run.from]);
            if !run.has_more() {
                continue;
            }
            if extremes.finite && run.is_bridged(self.between.limit_us) {
                self.take_run(stamps, run, values.v, extremes);
            } else {
                (run.from + 1..run.to).for_each(|i| self.add(stamps.t[i], values.v[i]));
            }
        }
    }

    /// A run behind its first sample.
    fn take_run(&mut self, stamps: &Stamps, run: &Run, v: &[f64], extremes: &Extremes) {
        let (first, last) = (run.from, run.to - 1);
        let area = if self.between.step {
            sum_over(&v[first..=last], stamps.widths(run), |v0, _, width| v0 * width)
        } else {
            sum_over(&v[first..=last], stamps.widths(run), |v0, v1, width| (v0 + v1) * 0.5 * width)
        };
        let (cell, start, _) = self.bins.at(stamps.t[first]);
        cell.area.add(area);
        cell.valid_us += stamps.t[last] - stamps.t[first];
        cell.see(extremes.low);
        cell.see(extremes.high);
        if stamps.t[first] == start {
            cell.start = v[first];
        }
        self.last = Some(Point { t: stamps.t[last], v: v[last] });
    }

    /// Says that the value is unknown from the last sample on, as after a gap.
    pub fn interrupt(&mut self) {
        self.last = None;
    }

    /// One cell per bin.
    pub fn finish(self) -> Cells<LevelCell> {
        self.bins.finish()
    }

    #[inline(always)]
    fn stretch(&mut self, from: Point, to: Point) {
        let (cell, start, end) = self.bins.at(from.t);
        if to.t < end {
            // Nearly every stretch of a fast signal: inside one bin, its first value seen as the last one of the
            // stretch before.
            let last = if self.between.step { from.v } else { to.v };
            cell.area.add((from.v + last) * 0.5 * (to.t - from.t) as f64);
            cell.valid_us += to.t - from.t;
            cell.see(to.v);
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
        // A sample on an edge belongs to the bin behind it, and a step's value to its own bin.
        self.mark(to);
    }

    /// Gives a sample to the bin it is in, whatever leads up to it.
    #[cold]
    fn mark(&mut self, sample: Point) {
        let (cell, start, _) = self.bins.at(sample.t);
        cell.see(sample.v);
        if sample.t == start {
            cell.start = sample.v;
        }
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
    #[inline(always)]
    pub fn add(&mut self, t: i64, v: f64) {
        if !v.is_finite() {
            return;
        }
        let to = Point { t, v };
        if let Some(from) = self.last
            && t > from.t
            && t - from.t <= self.between.limit_us
        {
            let (cell, _, end) = self.bins.at(from.t);
            if t <= end && !self.between.step {
                cell.add_line(from.v, v, t - from.t);
            } else {
                let line = Segment::new(from, to, self.between.step);
                self.bins.each(from.t, t, |cell, a, b, _, _| cell.add_line(line.at(a), line.at(b), b - a));
            }
        }
        self.last = Some(to);
    }

    /// Takes many samples: the same as [`SignedLevel::add`] for each, but for rounding.
    pub fn take(&mut self, stamps: &Stamps, values: &Values<'_>) {
        for (run, extremes) in stamps.runs.iter().zip(&values.extremes) {
            self.add(stamps.t[run.from], values.v[run.from]);
            if !run.has_more() {
                continue;
            }
            if extremes.finite && !self.between.step && run.is_bridged(self.between.limit_us) {
                self.take_run(stamps, run, values.v, extremes);
            } else {
                (run.from + 1..run.to).for_each(|i| self.add(stamps.t[i], values.v[i]));
            }
        }
    }

    /// A run behind its first sample.
    fn take_run(&mut self, stamps: &Stamps, run: &Run, v: &[f64], extremes: &Extremes) {
        let (first, last) = (run.from, run.to - 1);
        let (v_run, widths) = (&v[first..=last], stamps.widths(run));
        let area = sum_over(v_run, widths, |v0, v1, width| (v0 + v1) * 0.5 * width);
        let (cell, _, _) = self.bins.at(stamps.t[first]);
        if extremes.keeps_sign() {
            cell.part(area);
        } else {
            let above = sum_over(v_run, widths, positive_part);
            cell.above.add(above);
            // Rounding may leave a sliver of the wrong sign.
            cell.below.add((above - area).max(0.0));
        }
        cell.valid_us += stamps.t[last] - stamps.t[first];
        self.last = Some(Point { t: stamps.t[last], v: v[last] });
    }

    /// One cell per bin.
    pub fn finish(self) -> Cells<SignedCell> {
        self.bins.finish()
    }
}

/// Integral of the positive part of a line from `v0` to `v1`, without a branch.
///
/// # Formula
/// Of a line over `w` the part above zero is `w/2 · (h⁺² − l⁺²) / (h − l)`, with `h` and `l` its higher and lower end
/// and `⁺` what of them is above zero. Written as `(h⁺ + l⁺) · ((h⁺ − l⁺) / (h − l))`, the quotient is exactly 1 where
/// the line does not cross.
#[inline(always)]
fn positive_part(v0: f64, v1: f64, width: f64) -> f64 {
    let (high, low) = if v0 > v1 { (v0, v1) } else { (v1, v0) };
    let above = |v: f64| if v > 0.0 { v } else { 0.0 };
    let (h, l) = (above(high), above(low));
    let share = if high > low { (h - l) / (high - low) } else { 1.0 };
    (h + l) * share * 0.5 * width
}

impl SignedCell {
    /// A line over `dt` µs, cut where it crosses zero.
    #[inline(always)]
    fn add_line(&mut self, va: f64, vb: f64, dt: i64) {
        let width = dt as f64;
        self.valid_us += dt;
        if va * vb < 0.0 {
            let first = width * va / (va - vb);
            self.part(va * first * 0.5);
            self.part(vb * (width - first) * 0.5);
        } else {
            self.part((va + vb) * 0.5 * width);
        }
    }

    #[inline(always)]
    fn part(&mut self, area: f64) {
        if area >= 0.0 {
            self.above.add(area);
        } else {
            self.below.add(-area);
        }
    }
}
