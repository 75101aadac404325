//! Puts the messages of several ports into the order of time.
//!
//! Each port's messages are in order, but ports reach the sealer in batches. The window holds what arrived within the
//! last few seconds and gives it out sorted; messages with the same stamp keep the order in which they came.

use std::collections::VecDeque;

/// How late a captured message may be, µs: what saved it may have put its lines in another order.
pub(super) const CAPTURED_US: i64 = 5_000_000;
/// How late a recorded message may be, µs: ports follow each other in the journal a quarter of a second at a time. Every
/// half second takes 1 MiB when a bus is full of the shortest frames.
pub(super) const RECORDED_US: i64 = 500_000;
/// Messages held at most, so that stamps that stand still cannot fill the memory.
const CAPACITY: usize = 1 << 17;

/// Anything with a stamp.
#[derive(Debug)]
struct Waiting<T> {
    t_us: i64,
    item: T,
}

/// A window of time over a nearly sorted stream.
#[derive(Debug)]
pub(super) struct Window<T> {
    span_us: i64,
    waiting: VecDeque<Waiting<T>>,
    newest_us: i64,
    /// Stamp of the last item given out; nothing may be given out before it.
    mark_us: i64,
    late: u64,
}

impl<T> Window<T> {
    /// A window in which an item may be so much older than one before it.
    pub(super) fn new(span_us: i64) -> Self {
        Self { span_us, waiting: VecDeque::new(), newest_us: i64::MIN, mark_us: i64::MIN, late: 0 }
    }

    /// Takes an item.
    pub(super) fn push(&mut self, t_us: i64, item: T) {
        let t_us = if t_us < self.mark_us {
            self.late += 1;
            self.mark_us
        } else {
            t_us
        };
        self.newest_us = self.newest_us.max(t_us);
        let waiting = Waiting { t_us, item };
        if self.waiting.back().is_none_or(|last| last.t_us <= t_us) {
            self.waiting.push_back(waiting);
        } else {
            let at = self.waiting.partition_point(|w| w.t_us <= t_us);
            self.waiting.insert(at, waiting);
        }
    }

    /// The next item that nothing can come before any more.
    pub(super) fn next_due(&mut self) -> Option<(i64, T)> {
        let first = self.waiting.front()?;
        let due = first.t_us < self.newest_us.saturating_sub(self.span_us) || self.waiting.len() > CAPACITY;
        if due { self.next_left() } else { None }
    }

    /// The next item, at the end of the stream.
    pub(super) fn next_left(&mut self) -> Option<(i64, T)> {
        let Waiting { t_us, item } = self.waiting.pop_front()?;
        self.mark_us = t_us;
        Some((t_us, item))
    }

    pub(super) fn span_us(&self) -> i64 {
        self.span_us
    }

    /// Items that came too late and were stamped with the mark they missed.
    pub(super) fn late(&self) -> u64 {
        self.late
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn through(stamps: &[i64]) -> (Vec<(i64, usize)>, u64) {
        let mut window = Window::new(CAPTURED_US);
        let mut out = Vec::new();
        for (i, t) in stamps.iter().enumerate() {
            window.push(*t, i);
            out.extend(std::iter::from_fn(|| window.next_due()));
        }
        out.extend(std::iter::from_fn(|| window.next_left()));
        (out, window.late())
    }

    #[test]
    fn late_items_are_counted_and_take_the_mark() {
        let (out, late) = through(&[0, 10_000_000, 20_000_000, 1, 20_000_000]);
        assert_eq!(out, [(0, 0), (10_000_000, 1), (10_000_000, 3), (20_000_000, 2), (20_000_000, 4)]);
        assert_eq!(late, 1);
    }

    proptest! {
        #[test]
        fn within_the_span_it_is_a_stable_sort(stamps in proptest::collection::vec(0..CAPTURED_US, 0..200)) {
            let mut expected: Vec<(i64, usize)> = stamps.iter().copied().zip(0..).collect();
            expected.sort_by_key(|(t, _)| *t);
            prop_assert_eq!(through(&stamps), (expected, 0));
        }

        #[test]
        fn stamps_never_decrease_and_nothing_is_lost(stamps in proptest::collection::vec(0..60_000_000_i64, 0..200)) {
            let (out, _) = through(&stamps);
            prop_assert!(out.is_sorted_by_key(|(t, _)| *t));
            let mut items: Vec<usize> = out.iter().map(|(_, i)| *i).collect();
            items.sort_unstable();
            prop_assert_eq!(items, (0..stamps.len()).collect::<Vec<_>>());
        }
    }
}
