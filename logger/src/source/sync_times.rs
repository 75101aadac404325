//! How long bytes wait between their arrival and the moment when they are known to be on the disk.

use serde::{Deserialize, Serialize};

/// Milliseconds that are told apart; whatever took longer is told by the longest time only.
const BUCKETS: usize = 1000;

/// Times from arrival to disk, counted by whole milliseconds. Its size is fixed, however long a recording is.
#[derive(Debug)]
pub(crate) struct SyncTimes {
    buckets: Vec<u64>,
    count: u64,
    max_us: u64,
}

/// The same for whoever asks. A time is rounded up to a whole millisecond, so none is told too short.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct SyncStatus {
    /// Chunks, each of which arrived with one read.
    pub(crate) chunks: u64,
    /// Half of them were on the disk within this time, ms.
    pub(crate) p50_ms: f64,
    /// 99 % of them.
    pub(crate) p99_ms: f64,
    /// 99.9 % of them.
    pub(crate) p999_ms: f64,
    /// All of them.
    pub(crate) max_ms: f64,
}

impl Default for SyncTimes {
    fn default() -> Self {
        Self { buckets: vec![0; BUCKETS], count: 0, max_us: 0 }
    }
}

impl SyncTimes {
    /// Counts a chunk that was safe so long after its arrival.
    pub(super) fn add(&mut self, waited_us: i64) {
        let waited_us = u64::try_from(waited_us).unwrap_or_default();
        self.count += 1;
        self.max_us = self.max_us.max(waited_us);
        if let Some(bucket) = self.buckets.get_mut((waited_us / 1000) as usize) {
            *bucket += 1;
        }
    }

    /// `None` before the first sync.
    pub(super) fn status(&self) -> Option<SyncStatus> {
        (self.count > 0).then(|| SyncStatus {
            chunks: self.count,
            p50_ms: self.within_ms(0.5),
            p99_ms: self.within_ms(0.99),
            p999_ms: self.within_ms(0.999),
            max_ms: self.max_us as f64 / 1000.0,
        })
    }

    /// The time within which a share of the chunks was safe.
    fn within_ms(&self, share: f64) -> f64 {
        let mut due = (self.count as f64 * share).ceil() as u64;
        let max_ms = self.max_us as f64 / 1000.0;
        for (ms, chunks) in self.buckets.iter().enumerate() {
            if *chunks >= due {
                return (ms as f64 + 1.0).min(max_ms);
            }
            due -= chunks;
        }
        max_ms
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_told_before_the_first_sync() {
        assert_eq!(SyncTimes::default().status(), None);
    }

    /// Closed form: of the times 1, 2, … 1000 ms the share p lies within 1000 p ms.
    #[test]
    fn shares_are_those_of_evenly_spread_times() {
        let mut times = SyncTimes::default();
        (1..=1000).for_each(|ms| times.add(ms * 1000 - 1));
        let status = times.status().expect("times");
        assert_eq!((status.chunks, status.p50_ms, status.p99_ms, status.p999_ms), (1000, 500.0, 990.0, 999.0));
        assert_eq!(status.max_ms, 999.999);
    }

    #[test]
    fn what_took_longer_than_is_told_apart_counts_as_the_longest() {
        let mut times = SyncTimes::default();
        (0..99).for_each(|_| times.add(200_500));
        times.add(7_000_000);
        times.add(-5);
        let status = times.status().expect("times");
        assert_eq!((status.p50_ms, status.p99_ms, status.p999_ms, status.max_ms), (201.0, 201.0, 7000.0, 7000.0));
    }
}
