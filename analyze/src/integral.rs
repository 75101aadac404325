//! Exact integrals of sampled signals over bins of time.
//!
//! Each accumulator takes samples in time order with `add` and gives one cell per bin from `finish`. None of them
//! knows a file, a table or a session, and none keeps more than the open bin, the cells of closed bins and a few
//! samples. All sums are compensated, so that a total over the cells equals the integral over the raw samples to
//! rounding, however the bins and the calls are cut.

mod bins;
mod block;
mod counter;
mod latest;
mod level;
mod product;
mod state;
mod sum;
mod watch;

pub use bins::{Cells, Grid};
pub use block::{Extremes, Run, Stamps, Values};
pub use counter::{Counter, CounterCell, CounterOutcome};
pub use latest::Latest;
pub use level::{Level, LevelCell, SignedCell, SignedLevel};
pub use product::{Product, ProductCell};
pub use state::{Timeline, TimelineCell, UNKNOWN, any_of};
pub use sum::Sum;
pub use watch::{Watch, Watched};

use tallywheel_schemas::Hold;

/// How one signal behaves between its samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Between {
    /// The last value holds until the next sample; otherwise a straight line joins them.
    pub step: bool,
    /// Longest time between two samples that is bridged, µs.
    pub limit_us: i64,
}

impl Between {
    /// From a hold and a limit in seconds. A counter's hold means nothing for a level, so it counts as linear.
    pub fn new(hold: Hold, max_gap_s: f64) -> Self {
        // The cast saturates, so an infinite limit is the largest time there is.
        Self { step: hold == Hold::Step, limit_us: (max_gap_s * 1e6).round() as i64 }
    }
}

/// A sample.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    t: i64,
    v: f64,
}

/// The line between two samples.
#[derive(Debug, Clone, Copy)]
struct Segment {
    from: Point,
    slope: f64,
}

impl Segment {
    #[inline]
    fn new(from: Point, to: Point, step: bool) -> Self {
        let slope = if step { 0.0 } else { (to.v - from.v) / (to.t - from.t) as f64 };
        Self { from, slope }
    }

    #[inline]
    fn at(&self, t: i64) -> f64 {
        self.from.v + self.slope * (t - self.from.t) as f64
    }
}

#[cfg(test)]
mod tests;
