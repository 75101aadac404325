//! How fast a count grows.

use std::collections::VecDeque;

use tallywheel_schemas::Timestamp;

/// Window over which rates are taken, s.
const WINDOW_S: f64 = 5.0;

/// The growth of a count over the last few seconds.
#[derive(Debug, Clone, Default)]
pub(super) struct Rate {
    marks: VecDeque<(Timestamp, u64)>,
}

impl Rate {
    /// Notes the count at a moment. The first mark should be a count of 0 at the moment when counting began.
    pub(super) fn mark(&mut self, at: Timestamp, count: u64) {
        self.marks.push_back((at, count));
        // One mark at or before the window's edge is kept, so that the window is covered whole.
        while self.marks.get(1).is_some_and(|(second, _)| at.seconds_since(*second) >= WINDOW_S) {
            self.marks.pop_front();
        }
    }

    /// Growth a second between the first and the last mark of the window; 0 while there is only one.
    pub(super) fn per_s(&self) -> f64 {
        match (self.marks.front(), self.marks.back()) {
            (Some((first, from)), Some((last, to))) if last > first => (to - from) as f64 / last.seconds_since(*first),
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_steady_count_gives_its_rate_and_a_stopped_one_falls_to_nothing() {
        let mut rate = Rate::default();
        let at = |quarter: i64| Timestamp::from_us(quarter * 250_000);
        for quarter in 0..=40 {
            rate.mark(at(quarter), quarter as u64 * 5);
        }
        assert_eq!(rate.per_s(), 20.0);
        assert!(rate.marks.len() <= 22, "{}", rate.marks.len());
        for quarter in 41..=60 {
            rate.mark(at(quarter), 200);
        }
        assert_eq!(rate.per_s(), 0.0);
    }
}
