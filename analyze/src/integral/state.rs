//! How long a state lasted: engine running, motor driving, fault present.

use super::{Between, Cells, Grid, Stamps, Values, bins::Bins};

/// The state that stands for "not known".
pub const UNKNOWN: u8 = u8::MAX;

/// The states of one thing over time, as the points at which they change.
///
/// A state holds from its sample to the next one. Where the next one comes later than the limit, and after the last
/// sample, the state is [`UNKNOWN`].
#[derive(Debug, Clone)]
pub struct Timeline {
    limit_us: i64,
    last_us: Option<i64>,
    /// The state since the last change.
    now: u8,
    changes: Vec<(i64, u8)>,
}

impl Timeline {
    /// A timeline without samples. Only the limit of `between` counts: states never vary smoothly.
    pub const fn new(between: Between) -> Self {
        Self { limit_us: between.limit_us, last_us: None, now: UNKNOWN, changes: Vec::new() }
    }

    /// Takes a sample: µs and state.
    #[inline(always)]
    pub fn add(&mut self, t: i64, state: u8) {
        if let Some(last) = self.last_us
            && t - last > self.limit_us
        {
            self.change(last, UNKNOWN);
        }
        self.last_us = Some(t);
        if self.now != state {
            self.change(t, state);
        }
    }

    /// Takes many samples, `state` telling the state of a value. Values of one state must be those of one interval: what
    /// is between two values of a state has that state too.
    pub fn take(&mut self, stamps: &Stamps, values: &Values<'_>, state: impl Fn(f64) -> u8) {
        for (run, extremes) in stamps.runs.iter().zip(&values.extremes) {
            self.add(stamps.t[run.from], state(values.v[run.from]));
            let (low, high) = (state(extremes.low), state(extremes.high));
            if extremes.finite && low == self.now && high == low && run.is_bridged(self.limit_us) {
                self.last_us = Some(stamps.t[run.to - 1]);
            } else {
                (run.from + 1..run.to).for_each(|i| self.add(stamps.t[i], state(values.v[i])));
            }
        }
    }

    /// Whether any sample came.
    pub const fn is_empty(&self) -> bool {
        self.last_us.is_none()
    }

    #[cold]
    fn change(&mut self, t: i64, state: u8) {
        self.now = state;
        // A state of no duration is replaced by what follows.
        while self.changes.last().is_some_and(|(at, _)| *at >= t) {
            self.changes.pop();
        }
        self.changes.push((t, state));
    }

    fn closed(mut self) -> Vec<(i64, u8)> {
        if let Some(last) = self.last_us {
            self.change(last, UNKNOWN);
        }
        self.changes
    }

    /// One cell per bin: how long the state was one of those that `on` names, and how long it was known.
    pub fn finish(self, grid: Grid, on: impl Fn(u8) -> bool) -> Cells<TimelineCell> {
        let mut bins: Bins<TimelineCell> = Bins::new(grid);
        for pair in self.closed().windows(2) {
            let ((from, state), (to, _)) = (pair[0], pair[1]);
            if state != UNKNOWN {
                bins.each(from, to, |cell, a, b, _, _| cell.take(b - a, on(state)));
            }
        }
        bins.finish()
    }
}

/// What one bin holds of a state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TimelineCell {
    /// Time in the state, µs.
    pub on_us: i64,
    /// Time in which it is known whether, µs.
    pub valid_us: i64,
}

impl TimelineCell {
    fn take(&mut self, us: i64, on: bool) {
        self.valid_us += us;
        self.on_us += if on { us } else { 0 };
    }
}

/// Joins several timelines: one cell per bin with the time in which any of them is in a state that `on` names. It is
/// known whether one is where one surely is, or where all are known.
pub fn any_of(timelines: &[Timeline], grid: Grid, on: impl Fn(u8) -> bool) -> Cells<TimelineCell> {
    let mut changes: Vec<(i64, usize, u8)> = Vec::new();
    for (which, timeline) in timelines.iter().enumerate() {
        changes.extend(timeline.clone().closed().into_iter().map(|(t, state)| (t, which, state)));
    }
    changes.sort_by_key(|(t, which, _)| (*t, *which));
    let mut now = vec![UNKNOWN; timelines.len()];
    let mut bins: Bins<TimelineCell> = Bins::new(grid);
    for (i, (t, which, state)) in changes.iter().enumerate() {
        now[*which] = *state;
        let Some((next, _, _)) = changes.get(i + 1) else { break };
        let any = now.iter().any(|s| *s != UNKNOWN && on(*s));
        if any || now.iter().all(|s| *s != UNKNOWN) {
            bins.each(*t, *next, |cell, a, b, _, _| cell.take(b - a, any));
        }
    }
    bins.finish()
}
