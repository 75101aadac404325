//! Integral of the product of two levels whose samples need not coincide: voltage and current, torque and speed.

use std::collections::VecDeque;

use super::{
    Between, Cells, Grid, Point, Run, Segment, Stamps, Values,
    bins::Bins,
    block::{Extremes, sum_pairs},
    level::SignedCell,
};

/// What one bin holds of a product: its positive part, its negative part, and the time in which both are known.
pub type ProductCell = SignedCell;

/// Integrates `a · b` exactly, positive and negative parts apart.
///
/// # Formula
/// On the union of the sample times both levels are straight lines; on each piece of length `dt`, from `(a0, b0)` to
/// `(a1, b1)`, the integral is `dt · (2·a0·b0 + 2·a1·b1 + a0·b1 + a1·b0) / 6`: Simpson's rule, which is exact for the
/// quadratic. Pieces are cut at bin edges and where either level crosses zero, so each has one sign. Where either level
/// has a gap longer than its limit nothing is added.
#[derive(Debug, Clone)]
pub struct Product {
    a: Feed,
    b: Feed,
    /// The last sample of both while they come together; the queues are empty then.
    together: Option<Together>,
    bins: Bins<ProductCell>,
}

#[derive(Debug, Clone, Copy)]
struct Together {
    t: i64,
    a: f64,
    b: f64,
}

#[derive(Debug, Clone)]
struct Feed {
    between: Between,
    /// The last sample that has been passed, and those after it.
    queue: VecDeque<Point>,
}

impl Feed {
    /// Forgets all samples but the last: the other level has nothing to go with them.
    fn keep_last(&mut self) {
        let extra = self.queue.len().saturating_sub(1);
        self.queue.drain(..extra);
    }

    fn has_gap_at(&self, t: i64) -> bool {
        self.queue.back().is_none_or(|last| t - last.t > self.between.limit_us)
    }
}

impl Product {
    /// A product without samples.
    pub fn new(grid: Grid, a: Between, b: Between) -> Self {
        let feed = |between| Feed { between, queue: VecDeque::with_capacity(4) };
        Self { a: feed(a), b: feed(b), together: None, bins: Bins::new(grid) }
    }

    /// Takes a sample of the first level.
    #[inline]
    pub fn add_a(&mut self, t: i64, v: f64) {
        if v.is_finite() {
            self.part();
            self.a.queue.push_back(Point { t, v });
            self.drain();
            if self.b.has_gap_at(t) {
                self.a.keep_last();
            }
        }
    }

    /// Takes a sample of the second level.
    #[inline]
    pub fn add_b(&mut self, t: i64, v: f64) {
        if v.is_finite() {
            self.part();
            self.b.queue.push_back(Point { t, v });
            self.drain();
            if self.a.has_gap_at(t) {
                self.b.keep_last();
            }
        }
    }

    /// Takes a sample of both at once.
    #[inline(always)]
    pub fn add_both(&mut self, t: i64, a: f64, b: f64) {
        match self.together {
            Some(last) if t > last.t && a.is_finite() && b.is_finite() => {
                self.piece_together(last, Together { t, a, b });
                self.together = Some(Together { t, a, b });
            }
            _ => {
                self.add_a(t, a);
                self.add_b(t, b);
                self.join();
            }
        }
    }

    /// Takes many samples of both: the same as [`Product::add_both`] for each, but for rounding.
    pub fn take(&mut self, stamps: &Stamps, a: &Values<'_>, b: &Values<'_>) {
        let lines = !self.a.between.step && !self.b.between.step;
        let limit_us = self.a.between.limit_us.min(self.b.between.limit_us);
        for (run, extremes) in stamps.runs.iter().zip(a.extremes.iter().zip(&b.extremes)) {
            self.add_both(stamps.t[run.from], a.v[run.from], b.v[run.from]);
            if !run.has_more() {
                continue;
            }
            let both = self.together.is_some() && extremes.0.finite && extremes.1.finite;
            if lines && both && run.is_bridged(limit_us) {
                self.take_run(stamps, run, (a.v, b.v), extremes);
            } else {
                (run.from + 1..run.to).for_each(|i| self.add_both(stamps.t[i], a.v[i], b.v[i]));
            }
        }
    }

    /// A run behind its first sample.
    fn take_run(&mut self, stamps: &Stamps, run: &Run, (a, b): (&[f64], &[f64]), extremes: (&Extremes, &Extremes)) {
        let (first, last) = (run.from, run.to - 1);
        let (a, b, widths) = (&a[first..=last], &b[first..=last], stamps.widths(run));
        let (cell, _, _) = self.bins.at(stamps.t[first]);
        cell.valid_us += stamps.t[last] - stamps.t[first];
        if extremes.0.keeps_sign() && extremes.1.keeps_sign() {
            cell.add_area(sum_pairs(a, b, widths, |a0, a1, b0, b1, width| area((a0, a1), (b0, b1), width)));
        } else {
            for (i, width) in widths.iter().enumerate() {
                cell.add_lines((a[i], a[i + 1]), (b[i], b[i + 1]), *width);
            }
        }
        self.together = Some(Together { t: stamps.t[last], a: a[a.len() - 1], b: b[b.len() - 1] });
    }

    /// Whether the samples come together from now on.
    fn join(&mut self) {
        if let (Some(a), Some(b)) = (self.a.queue.back(), self.b.queue.back())
            && self.a.queue.len() == 1
            && self.b.queue.len() == 1
            && a.t == b.t
        {
            self.together = Some(Together { t: a.t, a: a.v, b: b.v });
            self.a.queue.clear();
            self.b.queue.clear();
        }
    }

    /// Samples come apart: back to the queues.
    #[inline]
    fn part(&mut self) {
        if let Some(last) = self.together.take() {
            self.a.queue.push_back(Point { t: last.t, v: last.a });
            self.b.queue.push_back(Point { t: last.t, v: last.b });
        }
    }

    /// One cell per bin.
    pub fn finish(self) -> Cells<ProductCell> {
        self.bins.finish()
    }

    /// Integrates as far as both levels are known.
    fn drain(&mut self) {
        while let ([Some(a0), Some(a1)], [Some(b0), Some(b1)]) = (
            [self.a.queue.front().copied(), self.a.queue.get(1).copied()],
            [self.b.queue.front().copied(), self.b.queue.get(1).copied()],
        ) {
            self.piece((a0, a1), (b0, b1));
            if a1.t <= b1.t {
                self.a.queue.pop_front();
            }
            if b1.t <= a1.t {
                self.b.queue.pop_front();
            }
        }
    }

    #[inline(always)]
    fn piece_together(&mut self, from: Together, to: Together) {
        let dt = to.t - from.t;
        let lines = !self.a.between.step && !self.b.between.step;
        let bridged = dt <= self.a.between.limit_us && dt <= self.b.between.limit_us;
        let (cell, _, end) = self.bins.at(from.t);
        if lines && bridged && to.t <= end {
            // Nearly every piece of fast signals: one bin, no interpolation.
            cell.valid_us += dt;
            cell.add_lines((from.a, to.a), (from.b, to.b), dt as f64);
        } else {
            let points = |v0, v1| (Point { t: from.t, v: v0 }, Point { t: to.t, v: v1 });
            self.piece(points(from.a, to.a), points(from.b, to.b));
        }
    }

    /// Integrates over the time that a line of each level has in common.
    #[inline]
    fn piece(&mut self, a: (Point, Point), b: (Point, Point)) {
        let (from, to) = (a.0.t.max(b.0.t), a.1.t.min(b.1.t));
        let gap = a.1.t - a.0.t > self.a.between.limit_us || b.1.t - b.0.t > self.b.between.limit_us;
        if from >= to || gap {
            return;
        }
        let (la, lb) = (Segment::new(a.0, a.1, self.a.between.step), Segment::new(b.0, b.1, self.b.between.step));
        self.bins.each(from, to, |cell, p, q, _, _| {
            cell.valid_us += q - p;
            cell.add_lines((la.at(p), la.at(q)), (lb.at(p), lb.at(q)), (q - p) as f64);
        });
    }
}

/// Integral of the product of two lines. Of the formula's four products `(a0 + a1)(b0 + b1)` holds each once.
#[inline(always)]
fn area((a0, a1): (f64, f64), (b0, b1): (f64, f64), width: f64) -> f64 {
    width * (a0 * b0 + a1 * b1 + (a0 + a1) * (b0 + b1)) * (1.0 / 6.0)
}

impl SignedCell {
    #[inline(always)]
    fn add_lines(&mut self, a: (f64, f64), b: (f64, f64), width: f64) {
        if a.0 * a.1 >= 0.0 && b.0 * b.1 >= 0.0 {
            self.add_piece(a, b, width);
        } else {
            self.add_crossing(a, b, width);
        }
    }

    /// A piece on which neither level changes sign.
    #[inline(always)]
    fn add_piece(&mut self, a: (f64, f64), b: (f64, f64), width: f64) {
        self.add_area(area(a, b, width));
    }

    #[inline(always)]
    fn add_area(&mut self, area: f64) {
        if area >= 0.0 {
            self.above.add(area);
        } else {
            self.below.add(-area);
        }
    }

    fn add_crossing(&mut self, a: (f64, f64), b: (f64, f64), width: f64) {
        let zero = |(v0, v1): (f64, f64)| if v0 * v1 < 0.0 { v0 / (v0 - v1) } else { 1.0 };
        let (za, zb) = (zero(a), zero(b));
        // Exactly zero at its own crossing, so that rounding cannot leave a sliver of the wrong sign.
        let value = |(v0, v1): (f64, f64), z: f64, s: f64| {
            if s >= 1.0 {
                v1
            } else if s.to_bits() == z.to_bits() {
                0.0
            } else {
                v0 + (v1 - v0) * s
            }
        };
        let cuts = [0.0, za.min(zb), za.max(zb), 1.0];
        for pair in cuts.windows(2) {
            let (s0, s1) = (pair[0], pair[1]);
            if s1 > s0 {
                let pa = (value(a, za, s0), value(a, za, s1));
                let pb = (value(b, zb, s0), value(b, zb, s1));
                self.add_piece(pa, pb, width * (s1 - s0));
            }
        }
    }
}
