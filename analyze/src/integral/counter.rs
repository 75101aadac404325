//! Differences of a running count: fuel pulses, wheel edges.

use super::{Between, Cells, Grid, Sum, bins::Bins};

/// What one bin holds of a counter.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct CounterCell {
    count: Sum,
    weighted: Sum,
    /// Time inside intervals no longer than the limit and without a reset, µs.
    pub valid_us: i64,
}

impl CounterCell {
    /// Counts.
    pub fn count(&self) -> f64 {
        self.count.value()
    }

    /// Counts times the weight each was given.
    pub fn weighted(&self) -> f64 {
        self.weighted.value()
    }
}

/// A counter's bins, and what happened to it.
#[derive(Debug, Clone, PartialEq)]
pub struct CounterOutcome {
    /// One cell per bin.
    pub cells: Cells<CounterCell>,
    /// Roll-overs, counted through.
    pub wraps: u64,
    /// Restarts; what was counted over them is unknown and left out.
    pub resets: u64,
    /// Gaps so long that the counter may have rolled over once more than is seen; counted at the least.
    pub ambiguous_gaps: u64,
}

/// A count is believed to have rolled over only if the increment so found is no faster than this many times the
/// fastest one seen without a roll-over (common practice): a fuel meter does not suddenly run ten times as fast.
const PLAUSIBLE: f64 = 10.0;

/// Below this share of the modulus a roll-over is believed at any rate: a meter may stand until then.
const SMALL_SHARE: f64 = 1.0 / 256.0;

/// Differences a counter over bins.
///
/// The increment between two samples is spread evenly over the time between them and cut at bin edges. A gap loses
/// nothing, since the count went on; it only lowers the covered time. With a modulus `m` the increment is taken modulo
/// `m`. One above `m/2`, a decrease without a modulus, or a roll-over at an unlikely rate is a reset: not counted,
/// not covered.
#[derive(Debug, Clone)]
pub struct Counter {
    grid: Grid,
    limit_us: i64,
    modulus: Option<u64>,
    last: Option<(i64, i64)>,
    bins: Bins<CounterCell>,
    /// Fastest increment seen without roll-over, counts/µs.
    fastest: f64,
    /// Roll-overs and long gaps, judged once the session's fastest rate is known.
    undecided: Vec<Interval>,
    resets: u64,
}

#[derive(Debug, Clone, Copy)]
struct Interval {
    from: i64,
    to: i64,
    increment: f64,
    weight: f64,
    wrapped: bool,
}

impl Counter {
    /// A counter without samples. Intervals longer than the limit are counted but not covered.
    pub fn new(grid: Grid, between: Between, modulus: Option<u64>) -> Self {
        Self {
            grid,
            limit_us: between.limit_us,
            modulus: modulus.filter(|m| *m > 0),
            last: None,
            bins: Bins::new(grid),
            fastest: 0.0,
            undecided: Vec::new(),
            resets: 0,
        }
    }

    /// Takes a sample: µs, count, and the weight of the counts since the sample before.
    #[inline]
    pub fn add(&mut self, t: i64, count: i64, weight: f64) {
        if let Some((from, last)) = self.last {
            let half = self.modulus.map_or(u64::MAX, |m| m / 2);
            if let Some(rise) = count.checked_sub(last).filter(|d| u64::try_from(*d).is_ok_and(|d| d <= half)) {
                let interval = Interval { from, to: t, increment: rise as f64, weight, wrapped: false };
                self.forward(interval);
            } else {
                self.backward(from, last, t, count, weight);
            }
        }
        self.last = Some((t, count));
    }

    /// One cell per bin, and what happened.
    pub fn finish(self) -> CounterOutcome {
        let Self { grid, limit_us, modulus, bins, fastest, undecided, mut resets, .. } = self;
        let mut cells = bins.finish();
        let (mut wraps, mut ambiguous_gaps) = (0, 0);
        let modulus = modulus.map_or(f64::INFINITY, |m| m as f64);
        for i in undecided {
            let most = PLAUSIBLE * fastest * (i.to - i.from) as f64;
            if i.wrapped {
                // Without any other increment there is nothing to judge by, and the roll-over is believed.
                if fastest > 0.0 && i.increment > most && i.increment > modulus * SMALL_SHARE {
                    resets += 1;
                    continue;
                }
                wraps += 1;
                i.spread_over(&mut cells, grid, limit_us);
            }
            if i.to - i.from > limit_us && most > modulus / 2.0 {
                ambiguous_gaps += 1;
            }
        }
        CounterOutcome { cells, wraps, resets, ambiguous_gaps }
    }

    /// A count that went on without roll-over.
    #[inline]
    fn forward(&mut self, i: Interval) {
        let dt = i.to - i.from;
        if dt > 0 {
            let rate = i.increment / dt as f64;
            if rate > self.fastest {
                self.fastest = rate;
            }
            if dt > self.limit_us && self.modulus.is_some() {
                self.undecided.push(i);
            }
        }
        let limit_us = self.limit_us;
        let (cell, _, end) = self.bins.at(i.from);
        if i.to <= end {
            cell.take(&i, i.increment, dt, limit_us);
        } else {
            let mut part = i.parts();
            self.bins.each(i.from, i.to, |cell, a, b, _, _| cell.take(&i, part(b), b - a, limit_us));
        }
    }

    /// A count that fell, or rose by more than half the modulus.
    #[cold]
    fn backward(&mut self, from: i64, last: i64, t: i64, count: i64, weight: f64) {
        let rolled = self.modulus.filter(|_| count < last && t > from).map(|m| (m, last.abs_diff(count)));
        match rolled {
            Some((m, fall)) if fall < m && m - fall <= m / 2 => {
                // The cells must exist by the end, when the roll-over is judged.
                self.bins.each(from, t, |_, _, _, _, _| ());
                let increment = (m - fall) as f64;
                self.undecided.push(Interval { from, to: t, increment, weight, wrapped: true });
            }
            _ => self.resets += 1,
        }
    }
}

impl Interval {
    /// Gives, for the end of each part in turn, the increment since the part before; the last one takes what rounding
    /// has left over.
    fn parts(&self) -> impl FnMut(i64) -> f64 + use<> {
        let (i, mut before) = (*self, 0.0);
        move |end| {
            let share = (end - i.from) as f64 / (i.to - i.from) as f64;
            let so_far = if end >= i.to { i.increment } else { i.increment * share };
            let part = so_far - before;
            before = so_far;
            part
        }
    }

    fn spread_over(&self, cells: &mut Cells<CounterCell>, grid: Grid, limit_us: i64) {
        let mut part = self.parts();
        let mut a = self.from;
        while a < self.to {
            let index = grid.index(a);
            let b = self.to.min(grid.start(index).saturating_add(grid.width_us()));
            let at = usize::try_from(index - cells.first).ok();
            if let Some(cell) = at.and_then(|i| cells.cells.get_mut(i)) {
                cell.take(self, part(b), b - a, limit_us);
            }
            a = b;
        }
    }
}

impl CounterCell {
    #[inline]
    fn take(&mut self, whole: &Interval, increment: f64, dt: i64, limit_us: i64) {
        self.count.add(increment);
        self.weighted.add(increment * whole.weight);
        if whole.to - whole.from <= limit_us {
            self.valid_us += dt;
        }
    }
}
