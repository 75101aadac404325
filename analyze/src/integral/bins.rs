//! Bins of equal width, aligned to whole multiples of it since 1970.

use std::ops::Range;

/// The division of time into bins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grid {
    width_us: i64,
}

impl Grid {
    /// Bins of so many microseconds; a width below one counts as one.
    pub const fn new(width_us: i64) -> Self {
        Self { width_us: if width_us < 1 { 1 } else { width_us } }
    }

    /// Width of a bin, µs.
    pub const fn width_us(self) -> i64 {
        self.width_us
    }

    /// Number of the bin that a point in time is in, counted from 1970.
    pub const fn index(self, t_us: i64) -> i64 {
        t_us.div_euclid(self.width_us)
    }

    /// Start of a bin, µs.
    pub const fn start(self, index: i64) -> i64 {
        index.saturating_mul(self.width_us)
    }
}

/// One cell per bin, from the first bin touched to the last.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells<C> {
    /// Number of the first bin.
    pub first: i64,
    /// Cells in order.
    pub cells: Vec<C>,
}

impl<C: Clone + Default> Cells<C> {
    /// The cells of the bins in `range`, with untouched ones where there are none.
    pub fn aligned(&self, range: Range<i64>) -> Vec<C> {
        range.map(|i| self.get(i).cloned().unwrap_or_default()).collect()
    }

    /// The cell of a bin.
    pub fn get(&self, index: i64) -> Option<&C> {
        usize::try_from(index.checked_sub(self.first)?).ok().and_then(|i| self.cells.get(i))
    }

    /// Whether no bin was touched.
    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }
}

/// The bins while they are being filled: the open one, and the closed ones before it. Time only moves forward.
#[derive(Debug, Clone)]
pub(super) struct Bins<C> {
    grid: Grid,
    first: i64,
    start_us: i64,
    end_us: i64,
    open: C,
    closed: Vec<C>,
    touched: bool,
}

impl<C: Clone + Default> Bins<C> {
    pub(super) fn new(grid: Grid) -> Self {
        Self { grid, first: 0, start_us: 0, end_us: i64::MIN, open: C::default(), closed: Vec::new(), touched: false }
    }

    /// The cell of the bin that `t` is in, and that bin's start and end. `t` is not before the open bin.
    #[inline(always)]
    pub(super) fn at(&mut self, t: i64) -> (&mut C, i64, i64) {
        if t >= self.end_us {
            self.advance(t);
        }
        (&mut self.open, self.start_us, self.end_us)
    }

    /// Calls `part` with each bin's cell, the part of `from..to` in it, and the bin's start and end.
    #[inline(always)]
    pub(super) fn each(&mut self, from: i64, to: i64, mut part: impl FnMut(&mut C, i64, i64, i64, i64)) {
        let mut a = from;
        while a < to {
            let (cell, start, end) = self.at(a);
            let b = to.min(end);
            part(cell, a, b, start, end);
            a = b;
        }
    }

    #[cold]
    fn advance(&mut self, t: i64) {
        let next = self.end_us.saturating_add(self.grid.width_us);
        if self.touched && t < next {
            // Nearly always: the bin behind the open one.
            self.closed.push(std::mem::take(&mut self.open));
            (self.start_us, self.end_us) = (self.end_us, next);
            return;
        }
        let index = self.grid.index(t);
        if self.touched {
            self.closed.push(std::mem::take(&mut self.open));
            let filled = usize::try_from(index - self.first).unwrap_or(0);
            self.closed.resize(filled.max(self.closed.len()), C::default());
        } else {
            self.first = index;
            self.touched = true;
        }
        self.start_us = self.grid.start(index);
        self.end_us = self.start_us.saturating_add(self.grid.width_us);
    }

    pub(super) fn finish(mut self) -> Cells<C> {
        if self.touched {
            self.closed.push(self.open);
        }
        Cells { first: self.first, cells: self.closed }
    }
}
